package fit_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/fit"
	"sagwatch/spc/refusal"
)

func TestGrubbsSides(t *testing.T) {
	t.Parallel()
	x := []float64{5, 5.2, 4.9, 5.1, 5.05, 4.95, 9, 5.02}
	high, err := fit.Grubbs(x, fit.HighSide, 0.05)
	require.NoError(t, err)
	require.True(t, high.Outlier)
	require.Equal(t, 6, high.Index)
	require.Equal(t, 9.0, high.Value)
	low, err := fit.Grubbs(x, fit.LowSide, 0.05)
	require.NoError(t, err)
	require.False(t, low.Outlier)
	require.Equal(t, 2, low.Index)
	both, err := fit.Grubbs(x, fit.BothSides, 0.05)
	require.NoError(t, err)
	require.Greater(t, both.Critical, high.Critical)
	require.InEpsilon(t, 2*high.P, both.P, 1e-12)
	for i := range x {
		x[i] = 1e3 - 7*x[i]
	}
	turned, err := fit.Grubbs(x, fit.LowSide, 0.05)
	require.NoError(t, err)
	require.InEpsilon(t, high.G, turned.G, 1e-12)
	require.Equal(t, 6, turned.Index)
}

// Normal samples hold an outlier as rarely as alpha says.
func TestOutliersUnderTheNull(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(5, 5))
	const samples, alpha = 3000, 0.1
	x := make([]float64, 30)
	grubbs, esd := 0.0, 0.0
	for range samples {
		for i := range x {
			x[i] = r.NormFloat64()
		}
		g, err := fit.Grubbs(x, fit.BothSides, alpha)
		require.NoError(t, err)
		require.Equal(t, g.Outlier, g.P < alpha)
		if g.Outlier {
			grubbs++
		}
		o, err := fit.GeneralisedESD(x, 3, alpha)
		require.NoError(t, err)
		if o.Count > 0 {
			esd++
		}
	}
	se := math.Sqrt(alpha * (1 - alpha) / samples)
	require.InDelta(t, alpha, grubbs/samples, 4*se)
	require.InDelta(t, alpha, esd/samples, 4*se+0.03) // the level holds for each number of outliers, all together raise it
}

func TestESDIsNotMasked(t *testing.T) {
	t.Parallel()
	x := append(normals(40, 3), 12, 12.5, 13)
	o, err := fit.GeneralisedESD(x, 6, 0.05)
	require.NoError(t, err)
	require.Equal(t, 3, o.Count)
	for i, want := range []int{42, 41, 40} {
		require.Equal(t, want, o.Suspects[i].Index)
	}
	flat, err := fit.GeneralisedESD([]float64{1, 1, 1, 1, 1, 8}, 3, 0.05)
	require.NoError(t, err)
	require.Len(t, flat.Suspects, 1, "what is left does not vary")
	tm, err := fit.TestTietjenMoore(x, 3, 0.05, fit.Resampling{Resamples: 500, Seed: 2, Workers: 1})
	require.NoError(t, err)
	require.True(t, tm.Outliers)
	require.ElementsMatch(t, []int{40, 41, 42}, tm.Indices)
	again, err := fit.TestTietjenMoore(x, 3, 0.05, fit.Resampling{Resamples: 500, Seed: 2, Workers: 3})
	require.NoError(t, err)
	require.Equal(t, tm, again)
}

func TestOutlierTestsRefuse(t *testing.T) {
	t.Parallel()
	_, err := fit.Grubbs([]float64{1, 2}, fit.BothSides, 0.05)
	refused(t, err, refusal.TooFew, "needs at least 3 values")
	_, err = fit.Grubbs([]float64{1, 2, math.Inf(1)}, fit.BothSides, 0.05)
	refused(t, err, refusal.NonFinite, "number 3")
	_, err = fit.Grubbs([]float64{1, 1, 1}, fit.BothSides, 0.05)
	refused(t, err, refusal.ZeroVariance, "do not vary")
	_, err = fit.Grubbs([]float64{1, 2, 3}, fit.BothSides, 0)
	refused(t, err, refusal.OutOfRange, "alpha is 0")
	_, err = fit.Grubbs([]float64{1, 2, 3}, "top", 0.05)
	refused(t, err, refusal.Mismatch, "top")
	_, err = fit.GeneralisedESD([]float64{1, 2, 3, 4}, 2, 0.05)
	refused(t, err, refusal.TooFew, "needs at least 5")
	_, err = fit.GeneralisedESD([]float64{1, 2, 3, 4}, 0, 0.05)
	refused(t, err, refusal.OutOfRange, "outliers to look for is 0")
	_, err = fit.TestTietjenMoore([]float64{1, 2, 3, 4, 9}, 3, 0.05, fit.Resampling{})
	refused(t, err, refusal.OutOfRange, "outliers to test is 3")
}

func TestBoxCox(t *testing.T) {
	t.Parallel()
	x := draw(t, fit.Lognormal, []float64{2, 0.7}, 2000, 3)
	s, err := fit.Values(x)
	require.NoError(t, err)
	b, err := fit.FitBoxCox(s, 0.99)
	require.NoError(t, err)
	require.True(t, b.HasLower && b.HasUpper && b.Lower < 0 && b.Upper > 0, "the logarithm is within the limits")
	y := make([]float64, len(x))
	for i, v := range x {
		y[i] = 1e-4 * v * v * v // a power of the values divides lambda, a unit changes nothing
	}
	s, err = fit.Values(y)
	require.NoError(t, err)
	c, err := fit.FitBoxCox(s, 0.99)
	require.NoError(t, err)
	require.InDelta(t, b.Lambda/3, c.Lambda, 1e-9)
	require.InDelta(t, b.Upper/3, c.Upper, 1e-9)

	_, err = fit.FitBoxCox(s, 1)
	refused(t, err, refusal.OutOfRange, "the confidence is 1")
	for _, bad := range []struct {
		x      []float64
		reason refusal.Reason
	}{
		{[]float64{1, 2, 3}, refusal.TooFew},
		{[]float64{1, 1, 1, 1, 1, 1, 1, 1}, refusal.ZeroVariance},
		{[]float64{1, 2, 3, 4, 5, 6, 7, 0}, refusal.OutOfRange},
	} {
		s, err := fit.Values(bad.x)
		require.NoError(t, err)
		_, err = fit.FitBoxCox(s, 0.95)
		refused(t, err, bad.reason, "")
	}
}

// The interval of lambda covers the true one at its level.
func TestBoxCoxCovers(t *testing.T) {
	t.Parallel()
	const samples = 400
	covered := 0.0
	for i := range samples {
		s, err := fit.Values(draw(t, fit.Lognormal, []float64{0, 0.5}, 60, uint64(i)))
		require.NoError(t, err)
		b, err := fit.FitBoxCox(s, 0.9)
		require.NoError(t, err)
		if (!b.HasLower || b.Lower <= 0) && (!b.HasUpper || b.Upper >= 0) {
			covered++
		}
	}
	require.InDelta(t, 0.9, covered/samples, 4*math.Sqrt(0.9*0.1/samples))
}
