package fit_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/fit"
	"sagwatch/spc/refusal"
)

// quantile is definition 7 of Hyndman and Fan, straight.
func quantile(sorted []float64, p float64) float64 {
	h := float64(len(sorted)-1) * p
	k := int(h)
	if k+1 >= len(sorted) {
		return sorted[k]
	}
	return sorted[k] + (h-float64(k))*(sorted[k+1]-sorted[k])
}

func TestQuantilesOfCountsAreThoseOfTheValues(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(1, 1))
	ps := []float64{0, 0.00135, 0.1, 0.25, 0.5, 0.5, 0.9, 0.99865, 1}
	for range 200 {
		x := make([]float64, 1+r.IntN(40))
		for i := range x {
			x[i] = float64(r.IntN(12)) // with ties
		}
		s, err := fit.Values(x)
		require.NoError(t, err)
		counts := make([]int, s.Places())
		var again []float64
		places := slices.Clone(x)
		slices.Sort(places)
		places = slices.Compact(places)
		for i := range counts {
			counts[i] = r.IntN(4)
			for range counts[i] {
				again = append(again, places[i])
			}
		}
		sorted := slices.Clone(x)
		slices.Sort(sorted)
		got := s.Quantiles(nil, ps, nil)
		for i, p := range ps {
			require.InDelta(t, quantile(sorted, p), got[i], 1e-12)
		}
		if len(again) == 0 {
			require.Panics(t, func() { s.Quantiles(nil, ps, counts) })
			continue
		}
		s.Quantiles(got, ps, counts)
		for i, p := range ps {
			require.InDelta(t, quantile(again, p), got[i], 1e-12)
		}
		below, above := s.Outside(3, 8, counts)
		wantBelow, wantAbove, sum := 0.0, 0.0, 0.0
		for _, v := range again {
			sum += v
			if v < 3 {
				wantBelow++
			}
			if v > 8 {
				wantAbove++
			}
		}
		require.Equal(t, []float64{wantBelow, wantAbove}, []float64{below, above})
		mean, _ := s.MeanSDOf(counts)
		require.InDelta(t, sum/float64(len(again)), mean, 1e-12)
	}
}

func TestHistogramQuantiles(t *testing.T) {
	t.Parallel()
	s, err := fit.Binned([]float64{-1, 0, 1, 2, 4, 5, 6}, []int{0, 10, 0, 20, 10, 0})
	require.NoError(t, err)
	require.Equal(t, 4, s.Places(), "empty bins at the ends are dropped")
	require.Equal(t, 40, s.N())
	lo, hi := s.Range()
	require.Equal(t, []float64{0, 5}, []float64{lo, hi})
	require.Equal(t, []float64{0, 0.5, 1, 3, 5}, s.Quantiles(nil, []float64{0, 0.125, 0.25, 0.5, 1}, nil))
	require.Equal(t, []float64{2, 4, 4}, s.Quantiles(nil, []float64{0, 0.999999999999999999, 1}, []int{0, 0, 7, 0}))
	below, above := s.Outside(0.25, 3, nil)
	require.Equal(t, []float64{2.5, 20}, []float64{below, above})
	for x, want := range map[float64]int{0: 0, 0.99: 0, 1: 1, 3.9: 2, 5: 3} {
		place, ok := s.Place(x)
		require.True(t, ok)
		require.Equal(t, want, place, "%g", x)
	}
	_, ok := s.Place(5.1)
	require.False(t, ok)
}

func TestSamplesRefuse(t *testing.T) {
	t.Parallel()
	_, err := fit.Values(nil)
	refused(t, err, refusal.TooFew, "needs at least 1 values")
	_, err = fit.Values([]float64{1, math.NaN()})
	refused(t, err, refusal.NonFinite, "values: number 2")
	_, err = fit.Binned([]float64{1, 2}, []int{1, 2})
	refused(t, err, refusal.Mismatch, "needs 3 edges, not 2")
	_, err = fit.Binned([]float64{1, 2, 2}, []int{1, 2})
	refused(t, err, refusal.LimitsCrossed, "lower limit")
	_, err = fit.Binned([]float64{1, 2, 3}, []int{1, -2})
	refused(t, err, refusal.Negative, "number 2 is -2")
	_, err = fit.Binned([]float64{1, 2, 3}, []int{0, 0})
	refused(t, err, refusal.TooFew, "values")
	_, err = fit.Binned([]float64{1, math.Inf(1)}, []int{3})
	refused(t, err, refusal.NonFinite, "edges: number 2")
}
