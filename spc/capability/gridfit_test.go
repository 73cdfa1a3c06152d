package capability_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/capability"
	"sagwatch/spc/fit"
)

// A family fitted to the fine histogram of a Scan, by the probabilities of its bins, has the percentiles of the same family fitted to
// the values to less than a ten-thousandth of a standard deviation, of a Johnson curve, whose four parameters leave its tails looser, to
// five.
func TestFitsToTheGridAreThoseToTheValues(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		family fit.Family
		p      []float64
	}{
		{fit.Normal, []float64{1107.4, 0.5}}, {fit.Lognormal, []float64{4.9, 0.2}}, {fit.Weibull, []float64{4, 150}}, {fit.Gamma, []float64{20, 7}}, {fit.Exponential, []float64{20}},
		{fit.Rayleigh, []float64{30}}, {fit.FoldedNormal, []float64{0, 26}}, {fit.FoldedNormal, []float64{20, 26}}, {fit.LargestExtreme, []float64{135, 26}}, {fit.JohnsonSU, []float64{-1, 2, 100, 30}}, {fit.JohnsonSB, []float64{1, 1.5, 0, 300}},
	} {
		d, err := fit.New(c.family, c.p...)
		require.NoError(t, err)
		r := rand.New(rand.NewPCG(11, 12))
		x := make([]float64, 25_000)
		for i := range x {
			x[i] = d.Rand(r)
		}
		width, origin, err := capability.GridFor(x[:2000])
		require.NoError(t, err)
		scan, err := capability.NewScan(width, origin)
		require.NoError(t, err)
		for _, v := range x {
			require.NoError(t, scan.Add(0, 0, v))
		}
		binned, _, err := scan.Grid().Sample(nil)
		require.NoError(t, err)
		values, err := fit.Values(x)
		require.NoError(t, err)
		a, err := fit.Fit(values, c.family)
		require.NoError(t, err)
		b, err := fit.Fit(binned, c.family)
		require.NoError(t, err)
		_, sd := values.MeanSD()
		for _, q := range []float64{a.Quantile(fit.OuterTail) - b.Quantile(fit.OuterTail), a.Quantile(0.5) - b.Quantile(0.5), a.QuantileUpper(fit.OuterTail) - b.QuantileUpper(fit.OuterTail)} {
			t.Logf("%s %v: %.1e", c.family, c.p, q/sd)
			tol := 1e-4
			if len(c.p) == 4 {
				tol = 5e-4
			}
			require.LessOrEqual(t, math.Abs(q), tol*sd, "%s %v", c.family, c.p)
		}
	}
}
