package chart_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/chart"
	"sagwatch/spc/dist"
)

// One and two values have closed forms; the quantile inverts the tail from the middle to the far tail; the tail is that of
// a symmetric distribution.
func TestMedianDistribution(t *testing.T) {
	for _, p := range []float64{0.5, 0.4, 0.01, 0.00135, 1e-10, 1e-50, 1e-100} {
		relative(t, dist.NormalQuantileUpper(p)+1, chart.MedianQuantileUpper(p, 1)+1, 1e-12, "one")
		relative(t, dist.NormalQuantileUpper(p)/math.Sqrt2+1, chart.MedianQuantileUpper(p, 2)+1, 1e-12, "two")
		for _, n := range []int{3, 4, 5, 6, 11, 24, 25, 100, 1001} {
			m := chart.MedianQuantileUpper(p, n)
			if p < 0.5 {
				relative(t, p, chart.MedianTail(m, n), 1e-9, "n", n, "p", p)
				require.InDelta(t, 1-p, chart.MedianTail(-m, n), 1e-12)
				if p >= 0.00135 {
					require.InDelta(t, -m, chart.MedianQuantileUpper(1-p, n), 1e-9)
				}
			}
		}
	}
	// Large samples: pi/2 times the variance of the mean.
	relative(t, math.Sqrt(math.Pi/2/1001), chart.MedianSD(1001), 1e-3)
	relative(t, math.Sqrt(math.Pi/2/1000), chart.MedianSD(1000), 2e-3)
	relative(t, 1, chart.MedianSD(1), 1e-12)
	require.Equal(t, 2.5, chart.Median([]float64{4, 1, 3, 2}))
	require.Equal(t, 3.0, chart.Median([]float64{9, 1, 3}))
	require.Panics(t, func() { chart.MedianTail(0, 0) })
	require.Panics(t, func() { chart.MedianQuantileUpper(0, 3) })
}
