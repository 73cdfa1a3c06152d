package gaugestudy_test

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/gaugestudy"
	"sagwatch/spc/refusal"
)

// By hand: place 1 reads 1, 3 and 10, 14 (variances 2 and 8, pooled 5), place 2 reads 0, 2 and 5, 5 (2 and 0, pooled 1).
func TestPlaceSpreadByHand(t *testing.T) {
	r, err := gaugestudy.PlaceSpread([][][]float64{{{1, 0}, {3, 2}}, {{10, 5}, {14, 5}}}, 0, 0)
	require.NoError(t, err)
	require.InDelta(t, math.Sqrt(5), r.Each[0].SD, 1e-12)
	require.InDelta(t, 1, r.Each[1].SD, 1e-12)
	require.InDelta(t, math.Sqrt(3), r.SD, 1e-12)
	require.Equal(t, 4.0, r.DF)
	// A seating that takes up one of two freedoms leaves half the variance.
	r, err = gaugestudy.PlaceSpread([][][]float64{{{1, 0}, {3, 2}}, {{10, 5}, {14, 5}}}, 1, 0)
	require.NoError(t, err)
	require.InDelta(t, math.Sqrt(6), r.SD, 1e-12)
	require.Equal(t, 2.0, r.DF)
	require.Equal(t, refusal.SmallSample, r.Warnings[0].Kind)
}

// Planted noise of 2 um comes back though every map has lost offset and tilts, and the probe that scatters thrice as much is found.
func TestPlaceSpreadPlanted(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 9))
	places := [][2]float64{}
	for i := range 8 {
		for j := range 6 {
			places = append(places, [2]float64{float64(i) - 3.5, float64(j) - 2.5})
		}
	}
	make := func(bad int) [][][]float64 {
		var y [][][]float64
		for range 10 {
			var cell [][]float64
			for range 6 {
				m := []float64{}
				for i := range places {
					v := 2 * rng.NormFloat64()
					if i == bad {
						v *= 3
					}
					m = append(m, v)
				}
				// The grid is symmetric, so offset and tilts come out one by one.
				var z, a, b, xx, yy float64
				for i, p := range places {
					z += m[i] / float64(len(m))
					a, xx = a+m[i]*p[0], xx+p[0]*p[0]
					b, yy = b+m[i]*p[1], yy+p[1]*p[1]
				}
				for i, p := range places {
					m[i] -= z + a/xx*p[0] + b/yy*p[1]
				}
				cell = append(cell, m)
			}
			y = append(y, cell)
		}
		return y
	}
	r, err := gaugestudy.PlaceSpread(make(-1), 3, 0)
	require.NoError(t, err)
	require.InDelta(t, 2, r.SD, 0.12) // four standard errors: 2/sqrt(2*2250)
	require.True(t, r.Interval.Contains(2))
	for _, e := range r.Each {
		require.Greater(t, e.P, 1e-4)
	}
	r, err = gaugestudy.PlaceSpread(make(17), 3, 0)
	require.NoError(t, err)
	for _, e := range r.Each {
		require.Equal(t, e.Place == 17, e.P < 1e-6, "place %d: p %g", e.Place, e.P)
	}
}

func TestPlaceSpreadRefuses(t *testing.T) {
	for name, c := range map[string]struct {
		y        [][][]float64
		freedoms int
		reason   refusal.Reason
	}{
		"none":     {nil, 0, refusal.TooFew},
		"single":   {[][][]float64{{{1, 2}}, {{1, 2}}}, 0, refusal.TooFew},
		"shapes":   {[][][]float64{{{1, 2}, {1}}}, 0, refusal.Mismatch},
		"infinite": {[][][]float64{{{1, 2}, {1, math.Inf(1)}}}, 0, refusal.NonFinite},
		"alike":    {[][][]float64{{{1, 2}, {1, 2}}}, 0, refusal.ZeroVariance},
		"freedoms": {[][][]float64{{{1, 2}, {2, 1}}}, 2, refusal.TooFew},
		"negative": {[][][]float64{{{1, 2}, {2, 1}}}, -1, refusal.OutOfRange},
		"missing":  {[][][]float64{{{math.NaN()}, {1}}}, 0, refusal.TooFew},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := gaugestudy.PlaceSpread(c.y, c.freedoms, 0)
			var r *refusal.Error
			require.True(t, errors.As(err, &r), "%v", err)
			require.Equal(t, c.reason, r.Reason)
		})
	}
}
