package capability_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/capability"
	"sagwatch/spc/fit"
)

var outerAndMiddle = []float64{fit.OuterTail, 0.5, 1 - fit.OuterTail}

// One pass over many values gives the quantiles of the sorted values: exactly in the tails, and in the middle to less than its own
// bound, whatever the order of coming and the rounding of the values.
func TestOrderIsThatOfTheValues(t *testing.T) {
	for _, c := range []struct {
		name  string
		n     int
		value func(i int, r *rand.Rand) float64
	}{
		{"few", 50, func(_ int, r *rand.Rand) float64 { return r.NormFloat64() }},
		{"normal", 400_000, func(_ int, r *rand.Rand) float64 { return 1107.4 + 0.5*r.NormFloat64() }},
		{"drifting", 300_000, func(i int, r *rand.Rand) float64 { return float64(i)/3e4 + r.NormFloat64() }},
		{"one-sided", 300_000, func(_ int, r *rand.Rand) float64 { return math.Abs(26 * r.NormFloat64()) }},
		{"rounded", 200_000, func(_ int, r *rand.Rand) float64 { return math.Round(30*r.NormFloat64()) / 10 }},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := rand.New(rand.NewPCG(3, 4))
			x := make([]float64, c.n)
			for i := range x {
				x[i] = c.value(i, r)
			}
			width, origin, err := capability.GridFor(x[:min(c.n, 2000)])
			require.NoError(t, err)
			o, err := capability.NewOrder(width, origin)
			require.NoError(t, err)
			later, err := capability.NewOrder(width, origin)
			require.NoError(t, err)
			for i, v := range x {
				if i < c.n*2/3 {
					require.NoError(t, o.Add(v))
				} else {
					require.NoError(t, later.Add(v))
				}
			}
			require.NoError(t, o.Follow(later))
			require.Equal(t, c.n, o.N())
			s, err := fit.Values(x)
			require.NoError(t, err)
			want, got := s.Quantiles(nil, outerAndMiddle, nil), o.Quantiles(outerAndMiddle)
			require.Equal(t, want[0], got[0])
			require.InDelta(t, want[1], got[1], width/128)
			require.Equal(t, want[2], got[2])
			quarters := []float64{0.1, 0.25, 0.75, 0.95}
			want, got = s.Quantiles(nil, quarters, nil), o.Quantiles(quarters)
			for i := range want {
				require.InDelta(t, want[i], got[i], width/128)
			}

			spread := o.Spread(fit.MostTested)
			require.Len(t, spread, min(c.n, fit.MostTested))
			at := 0
			for _, v := range spread { // values themselves, in their order
				k := slices.Index(x[at:], v)
				require.GreaterOrEqual(t, k, 0)
				at += k + 1
			}
			require.LessOrEqual(t, at, c.n)
			require.Greater(t, at, c.n*9/10, "to the end")
		})
	}
}

func TestOrderRefuses(t *testing.T) {
	_, err := capability.NewOrder(0, 0)
	require.Error(t, err)
	o, err := capability.NewOrder(1, 0)
	require.NoError(t, err)
	require.Error(t, o.Add(math.NaN()))
	require.Error(t, o.Add(1e300))
	require.Zero(t, o.N())
	other, err := capability.NewOrder(2, 0)
	require.NoError(t, err)
	require.Error(t, o.Follow(other))
	require.Panics(t, func() { o.Quantiles([]float64{0.5}) })
	require.NoError(t, o.Add(7))
	require.Equal(t, []float64{7, 7}, o.Quantiles([]float64{0, 1}))
	require.Panics(t, func() { o.Quantiles([]float64{0.5, 0.2}) })
}

// Ends are settled again and again while values fall.
func TestOrderOfFallingValues(t *testing.T) {
	o, err := capability.NewOrder(0.01, 0)
	require.NoError(t, err)
	const n = 60_000
	for i := range n {
		require.NoError(t, o.Add(float64(n-i)))
	}
	require.Equal(t, []float64{1, 1 + 0.01*(n-1), n}, o.Quantiles([]float64{0, 0.01, 1}))
}
