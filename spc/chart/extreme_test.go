package chart_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/chart"
	"sagwatch/spc/dist"
)

// The exact limit lies between that of one stream and Bonferroni's over the whole range of settings, close to the latter for
// small probabilities, and rises with the number of streams and with rarity.
func TestGroupLimitBounds(t *testing.T) {
	for _, p := range []float64{1e-8, 1e-6, 0.0027, 0.05, 0.3} {
		last := 0.0
		for _, m := range []int{2, 3, 4, 5, 6, 7, 11, 24, 100, 1000} {
			exact, err := chart.GroupLimitFor(m, true, chart.Width{Probability: p})
			require.NoError(t, err)
			require.Equal(t, chart.Exact, exact.Method)
			rough, err := chart.GroupLimitFor(m, false, chart.Width{Probability: p})
			require.NoError(t, err)
			require.Equal(t, chart.Bonferroni, rough.Method)
			relative(t, dist.NormalQuantileUpper(p/2/float64(m)), rough.Z, 1e-14)
			require.LessOrEqual(t, exact.Z, rough.Z+1e-4, "p = %g, m = %d", p, m)
			require.Greater(t, exact.Z, last)
			last = exact.Z
			if m > 2 && p <= 1e-6 {
				require.InDelta(t, rough.Z, exact.Z, 0.01, "p = %g, m = %d", p, m)
			}
		}
	}
	// Two streams deviate equally and oppositely: one normal statistic.
	two, err := chart.GroupLimitFor(2, true, chart.Width{})
	require.NoError(t, err)
	relative(t, 3, two.Z, 1e-12)
	// Far smaller than the exact distribution carries.
	far, err := chart.GroupLimitFor(8, true, chart.Width{K: 7})
	require.NoError(t, err)
	require.Equal(t, chart.Bonferroni, far.Method)
	// Per side the exact limit is that of the greatest deviation (Nair 1948) at half the probability, but for cycles with both
	// sides out at once: at most the wanted rate, and within a share of it that falls with p.
	side := dist.NewMaxDeviation(11)
	for _, p := range []float64{0.0027, 1e-5} {
		l, err := chart.GroupLimitFor(11, true, chart.Width{Probability: p})
		require.NoError(t, err)
		twice := 2 * side.Tail(l.Z*math.Sqrt(10.0/11))
		require.GreaterOrEqual(t, twice, p*(1-1e-6))
		require.Less(t, twice, 1.02*p)
	}
}
