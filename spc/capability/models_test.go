package capability_test

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/capability"
	"sagwatch/spc/fit"
	"sagwatch/spc/refusal"
)

// weibull draws form errors in um.
func weibull(t *testing.T, n int, seed uint64) (fit.Distribution, *fit.Sample) {
	t.Helper()
	d, err := fit.New(fit.Weibull, 1.8, 10)
	require.NoError(t, err)
	r := rand.New(rand.NewPCG(seed, 0))
	x := make([]float64, n)
	for i := range x {
		x[i] = d.Rand(r)
	}
	s, err := fit.Values(x)
	require.NoError(t, err)
	return d, s
}

// The indices of the values come to those of the distribution as the values become many.
func TestEmpiricalIndices(t *testing.T) {
	d, s := weibull(t, 400_000, 31)
	spec := capability.Spec{Lower: 0, HasLower: true, Upper: 40, HasUpper: true}
	want, err := capability.Percentile(d, spec)
	require.NoError(t, err)
	got, warnings, err := capability.Empirical(s, spec)
	require.NoError(t, err)
	require.Empty(t, warnings)
	for _, p := range [][2]float64{{want.C, got.C}, {want.CL, got.CL}, {want.CU, got.CU}, {want.CK, got.CK}} {
		require.InEpsilon(t, p[0], p[1], 0.015)
	}
	_, s = weibull(t, 300, 32)
	_, warnings, err = capability.Empirical(s, spec)
	require.NoError(t, err)
	require.Len(t, warnings, 1)
	require.Equal(t, capability.EnoughForPercentiles, warnings[0].Enough)
	constant, err := fit.Values([]float64{3, 3, 3})
	require.NoError(t, err)
	_, _, err = capability.Empirical(constant, spec)
	var e *refusal.Error
	require.True(t, errors.As(err, &e))
	require.Equal(t, refusal.ZeroVariance, e.Reason)
	_, _, err = capability.Empirical(s, capability.Spec{})
	require.Error(t, err)
}

// Limits of the indices of a fitted distribution by fitting each resample anew: they cover, hold the figure itself, and agree
// with the delta method in the fraction.
func TestBootstrapByFit(t *testing.T) {
	const runs = 80
	hits := 0
	spec := capability.Spec{Upper: 35, HasUpper: true}
	d, err := fit.New(fit.Rayleigh, 8)
	require.NoError(t, err)
	want, err := capability.Percentile(d, spec)
	require.NoError(t, err)
	for i := range runs {
		r := rand.New(rand.NewPCG(41, uint64(i)))
		x := make([]float64, 120)
		for k := range x {
			x[k] = d.Rand(r)
		}
		s, err := fit.Values(x)
		require.NoError(t, err)
		b, err := capability.Bootstrap(s, nil, spec, capability.ByFit, fit.Rayleigh, 0.9, fit.Resampling{Resamples: 199, Seed: 1})
		require.NoError(t, err)
		if b.CK.Lower <= want.CK && want.CK <= b.CK.Upper {
			hits++
		}
		require.True(t, math.IsNaN(b.C.Lower) && math.IsNaN(b.CL.Lower), "there is no lower limit")
	}
	// The percentile bootstrap covers somewhat less than its level; three standard errors beside.
	require.InDelta(t, 0.89, float64(hits)/runs, 3*math.Sqrt(0.09/runs))

	_, s := weibull(t, 120, 40)
	b, err := capability.Bootstrap(s, nil, spec, capability.ByFit, fit.Weibull, 0.9, fit.Resampling{Resamples: 199, Seed: 1})
	require.NoError(t, err)
	f, err := fit.Fit(s, fit.Weibull)
	require.NoError(t, err)
	is, err := capability.Percentile(f, spec)
	require.NoError(t, err)
	require.True(t, b.CK.Lower < is.CK && is.CK < b.CK.Upper)
	delta, err := capability.FittedOutside(f, spec, 0.9)
	require.NoError(t, err)
	// Of the two the delta method's limits are the symmetric ones on the logit; they differ by a third at most in it.
	logit := func(p float64) float64 { return math.Log(p / (1 - p)) }
	wide := logit(delta.Interval.Upper) - logit(delta.Interval.Lower)
	require.InDelta(t, wide, logit(b.Outside.Upper)-logit(b.Outside.Lower), wide/3)
	_, s = weibull(t, 50, 7)
	_, err = capability.Bootstrap(s, nil, spec, capability.ByFit, "triangular", 0.9, fit.Resampling{Resamples: 20})
	require.Error(t, err, "a family that is not known fits no resample")
}

// The exact lower limit at 95 % is the lower end of the two-sided interval at 90 %.
func TestSideLower(t *testing.T) {
	one, err := capability.SideLower(1.2, 30, 29, 0.95)
	require.NoError(t, err)
	two, err := capability.SideInterval(1.2, 30, 29, 0.9)
	require.NoError(t, err)
	require.InEpsilon(t, two.Lower, one.Lower, 1e-12)
	require.True(t, math.IsInf(one.Upper, 1))
	_, err = capability.SideLower(1.2, 1, 0, 0.95)
	require.Error(t, err)
	_, err = capability.SideLower(1.2, 30, 29, 0)
	require.Error(t, err)
}

// Sigmas from ranges are unbiased and scatter as their degrees of freedom say: by simulation with its standard error.
func TestDegreesOfFreedomOfRanges(t *testing.T) {
	const runs, groups, n = 4000, 20, 5
	r := rand.New(rand.NewPCG(51, 0))
	var sum, square, df float64
	var moving, movingSquare, movingDF float64
	for range runs {
		ranges := make([]float64, groups)
		var all []float64
		for i := range ranges {
			x := normals(r, n)
			low, high := x[0], x[0]
			for _, v := range x {
				low, high = min(low, v), max(high, v)
			}
			ranges[i] = high - low
			all = append(all, x...)
		}
		s, err := capability.RangeMean(ranges, n)
		require.NoError(t, err)
		sum, square, df = sum+s.SD, square+s.SD*s.SD, s.DF
		m, err := capability.MovingRange(all)
		require.NoError(t, err)
		moving, movingSquare, movingDF = moving+m.SD, movingSquare+m.SD*m.SD, m.DF
	}
	check := func(sum, square, df float64) {
		t.Helper()
		mean := sum / runs
		v := square/runs - mean*mean
		require.InDelta(t, 1, mean, 4*math.Sqrt(v/runs))
		// var/mean^2 of a chi variable is 1/(2 df) but for terms of the order 1/df^2.
		require.InEpsilon(t, 1/(2*df), v, 4*math.Sqrt(2.0/runs)+1/df)
	}
	check(sum, square, df)
	check(moving, movingSquare, movingDF)
	// Duncan's table of the distribution of the mean range has 72.7 degrees of freedom for 20 groups of 5 (from memory).
	require.InDelta(t, 72.7, df, 0.2)
	require.Less(t, movingDF, 99.0, "moving ranges waste some of 99 degrees of freedom")
	require.Greater(t, movingDF, 50.0)
}

// Factors of the handbook's page 7.2.6.3, as printed: 43 values, content 90 %, confidence 99 %.
func TestHandbookToleranceFactors(t *testing.T) {
	k, err := capability.HoweFactor(43, 0.90, 0.99)
	require.NoError(t, err)
	require.InDelta(t, 2.217, k, 5e-4)
	k, err = capability.OneSidedNatrella(43, 0.90, 0.99)
	require.NoError(t, err)
	require.InDelta(t, 1.8752, k, 6e-5)
	k, err = capability.OneSidedFactor(43, 42, 0.90, 0.99)
	require.NoError(t, err)
	require.InDelta(t, 1.8740, k, 6e-5)
	w, err := capability.GuentherCorrection(40, 0.95)
	require.NoError(t, err)
	require.InDelta(t, 1.0017, w, 5e-5, "by the printed formula; the printed number follows from another quantile")
	// Howe's factor comes near the exact one.
	exact, err := capability.TwoSidedFactor(43, 42, 0.90, 0.99)
	require.NoError(t, err)
	require.InEpsilon(t, exact, 2.217, 5e-3)
	for _, err := range []error{
		second(capability.GuentherCorrection(1, 0.95)), second(capability.OneSidedNatrella(3, 0.9, 0.999)), second(capability.OneSidedNatrella(1, 0.9, 0.9)),
		second(capability.OneSidedFactor(10, 0, 0.9, 0.9)), second(capability.TwoSidedFactor(10, math.NaN(), 0.9, 0.9)), second(capability.FreeSize(1, 0.9, true)),
		second(capability.FreeConfidence(10, 8, 4, 0.9)), second(capability.RangeMean(nil, 5)), second(capability.RangeMean([]float64{1}, 1)),
		second(capability.RangeMean([]float64{0, 0}, 4)), second(capability.RangeMean([]float64{math.NaN()}, 4)), second(capability.MovingRange([]float64{1, 1, 1, 1})),
		second(capability.MovingRange([]float64{1, math.Inf(1), 1})), second(capability.CpmInterval(0, 1, 1, both, 0.9)), second(capability.CpmInterval(0, 1, 9, both, 1)),
		second(capability.Enough(-1, 0.1, 0.9)), second(capability.Enough(1, 0, 0.9)), second(capability.Enough(1, 0.1, 2)),
	} {
		var e *refusal.Error
		require.True(t, errors.As(err, &e), "%v", err)
	}
}

// Parts of a grid: the cells of two moulds, and their values again.
func TestGridWhere(t *testing.T) {
	s, err := capability.NewScan(0.1, 0)
	require.NoError(t, err)
	r := rand.New(rand.NewPCG(61, 0))
	want := 0
	for i := range 900 {
		require.NoError(t, s.Add(i%4, i/300, r.NormFloat64()))
		if i%4 < 2 {
			want++
		}
	}
	g := s.Grid().Where(func(c *capability.Cell) bool { return c.Stream < 2 })
	require.Equal(t, want, g.N())
	require.Len(t, g.Cells, 6)
	sample, blocks, err := g.Sample(nil)
	require.NoError(t, err)
	require.Equal(t, want, sample.N())
	require.Len(t, blocks, 3)
	_, _, err = g.Where(func(*capability.Cell) bool { return false }).Sample(nil)
	require.Error(t, err)
}
