package capability_test

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/capability"
	"sagwatch/spc/fit"
	"sagwatch/spc/refusal"
)

var (
	both  = capability.Spec{Lower: -4, Upper: 4, HasLower: true, HasUpper: true}
	upper = capability.Spec{Upper: 3, HasUpper: true}
	form  = capability.Spec{Lower: 0, HasLower: true, Bound: true, Upper: 8, HasUpper: true}
)

func normals(r *rand.Rand, n int) []float64 {
	x := make([]float64, n)
	for i := range x {
		x[i] = r.NormFloat64()
	}
	return x
}

func moments(x []float64) (mean, sd float64) {
	s, err := fit.Values(x)
	if err != nil {
		panic(err)
	}
	return s.MeanSD()
}

// covers counts how often intervals hold the truth and demands the level within 3.5 standard errors; over says that more is allowed.
func covers(t *testing.T, what string, level float64, trials int, over bool, hold func(r *rand.Rand) bool) {
	t.Helper()
	r := rand.New(rand.NewPCG(2026, uint64(len(what))))
	n := 0
	for range trials {
		if hold(r) {
			n++
		}
	}
	got, se := float64(n)/float64(trials), math.Sqrt(level*(1-level)/float64(trials))
	require.Greater(t, got, level-3.5*se, "%s: covers %.4f of %d, wanted %g", what, got, trials, level)
	if !over {
		require.Less(t, got, level+3.5*se, "%s: covers %.4f of %d, wanted %g", what, got, trials, level)
	}
}

// Values are standard normal, so Cp of ±4 is 4/3 and Cpu of 3 is 1.
func TestIntervalsCoverAtTheirLevel(t *testing.T) {
	for _, n := range []int{20, 50, 200} {
		df, trials := float64(n-1), 1500
		covers(t, fmt.Sprintf("Cp, n = %d", n), 0.9, trials, false, func(r *rand.Rand) bool {
			mean, sd := moments(normals(r, n))
			i, err := capability.Normal(mean, sd, both)
			require.NoError(t, err)
			v, err := capability.CInterval(i.C, n, df, 0.9)
			require.NoError(t, err)
			return v.Lower <= 4.0/3 && 4.0/3 <= v.Upper
		})
		covers(t, fmt.Sprintf("Cpu, exact, n = %d", n), 0.9, trials/5, false, func(r *rand.Rand) bool {
			mean, sd := moments(normals(r, n))
			v, err := capability.SideInterval((3-mean)/(3*sd), n, df, 0.9)
			require.NoError(t, err)
			return v.Lower <= 1 && 1 <= v.Upper
		})
		covers(t, fmt.Sprintf("Cpk off the middle, Bissell, n = %d", n), 0.88, trials, true, func(r *rand.Rand) bool { // approximate: 2 points are left to it
			mean, sd := moments(normals(r, n))
			i, err := capability.Normal(mean+1, sd, both)
			require.NoError(t, err)
			v, err := capability.CKBissell(i.CK, n, df, 0.9)
			require.NoError(t, err)
			return v.Lower <= 1 && 1 <= v.Upper
		})
		covers(t, fmt.Sprintf("Cpk in the middle, pair of bounds, n = %d", n), 0.9, trials/5, true, func(r *rand.Rand) bool {
			mean, sd := moments(normals(r, n))
			i, err := capability.Normal(mean, sd, both)
			require.NoError(t, err)
			v, err := capability.CKBounds(i, n, df, 0.9)
			require.NoError(t, err)
			return v.Lower <= 4.0/3 && 4.0/3 <= v.Upper
		})
		covers(t, fmt.Sprintf("Cpm, n = %d", n), 0.885, trials, true, func(r *rand.Rand) bool { // approximate
			mean, sd := moments(normals(r, n))
			s := capability.Spec{Lower: -4, Upper: 4, HasLower: true, HasUpper: true, Target: 0.5, HasTarget: true}
			v, err := capability.CpmInterval(mean, sd, n, s, 0.9)
			require.NoError(t, err)
			truth := 4.0 / 3 / math.Sqrt(1.25)
			return v.Lower <= truth && truth <= v.Upper
		})
	}
}

func TestFractionOutsideCovers(t *testing.T) {
	truth := 2 * (0.5 - 0.5*math.Erf(2/math.Sqrt2)) // beyond ±2
	covers(t, "two limits", 0.9, 250, false, func(r *rand.Rand) bool {
		mean, sd := moments(normals(r, 40))
		f, err := capability.NormalOutside(mean, capability.Sigma{SD: sd, DF: 39, N: 40}, capability.Spec{Lower: -2, Upper: 2, HasLower: true, HasUpper: true}, 0.9, r.Uint64())
		require.NoError(t, err)
		return f.Interval.Lower <= truth && truth <= f.Interval.Upper
	})
	covers(t, "observed", 0.9, 2000, true, func(r *rand.Rand) bool {
		k := 0
		for range 200 {
			if math.Abs(r.NormFloat64()) > 2 {
				k++
			}
		}
		f, err := capability.Observed(k, 0, 200, 0.9)
		require.NoError(t, err)
		return f.Interval.Lower <= truth && truth <= f.Interval.Upper
	})
}

func TestToleranceIntervalsHoldTheirContent(t *testing.T) {
	k2, err := capability.TwoSidedFactor(20, 19, 0.9, 0.95)
	require.NoError(t, err)
	k1, err := capability.OneSidedFactor(20, 19, 0.9, 0.95)
	require.NoError(t, err)
	phi := func(z float64) float64 { return 0.5 * math.Erfc(-z/math.Sqrt2) }
	covers(t, "two-sided", 0.95, 4000, false, func(r *rand.Rand) bool {
		mean, sd := moments(normals(r, 20))
		return phi(mean+k2*sd)-phi(mean-k2*sd) >= 0.9
	})
	covers(t, "one-sided", 0.95, 4000, false, func(r *rand.Rand) bool {
		mean, sd := moments(normals(r, 20))
		return phi(mean+k1*sd) >= 0.9
	})
}

// Whole blocks cover where neighbours resemble each other; single values do not.
func TestBlocksCoverUnderAutocorrelation(t *testing.T) {
	const blocks, each, phi = 60, 40, 0.9
	series := func(r *rand.Rand) ([]float64, []int) {
		x, of, v := make([]float64, 0, blocks*each), make([]int, 0, blocks*each), 0.0
		for b := range blocks {
			v = r.NormFloat64() // blocks start afresh, as shifts do
			for range each {
				v = phi*v + math.Sqrt(1-phi*phi)*r.NormFloat64()
				x, of = append(x, v), append(of, b)
			}
		}
		return x, of
	}
	single := 0
	const trials = 80
	n := 0
	r := rand.New(rand.NewPCG(7, 7))
	for range trials {
		x, of := series(r)
		s, err := fit.Values(x)
		require.NoError(t, err)
		b, err := s.Blocks(of)
		require.NoError(t, err)
		o := fit.Resampling{Resamples: 250, Seed: r.Uint64()}
		v, err := capability.Bootstrap(s, b, upper, capability.ByMoments, "", 0.9, o)
		require.NoError(t, err)
		if v.CU.Lower <= 1 && 1 <= v.CU.Upper {
			n++
		}
		w, err := capability.Bootstrap(s, nil, upper, capability.ByMoments, "", 0.9, o)
		require.NoError(t, err)
		if w.CU.Lower <= 1 && 1 <= w.CU.Upper {
			single++
		}
		require.Greater(t, v.CU.Upper-v.CU.Lower, 1.5*(w.CU.Upper-w.CU.Lower), "neighbours that resemble each other tell less")
	}
	se := math.Sqrt(0.9 * 0.1 / trials)
	require.InDelta(t, 0.9, float64(n)/trials, 3.5*se+0.03, "blocks; 60 of them leave the percentile bootstrap up to 3 points short")
	require.Less(t, float64(single)/trials, 0.75, "single values promise too much")
}

func TestBootstrapDoesNotDependOnWorkers(t *testing.T) {
	x := normals(rand.New(rand.NewPCG(3, 3)), 2000)
	s, err := fit.Values(x)
	require.NoError(t, err)
	var first capability.Resampled
	for workers := 1; workers <= 3; workers++ {
		v, err := capability.Bootstrap(s, nil, both, capability.ByPercentiles, "", 0.95, fit.Resampling{Resamples: 200, Seed: 5, Workers: workers})
		require.NoError(t, err)
		if workers == 1 {
			first = v
		}
		require.Equal(t, first, v)
	}
}

// Shift and scale of values and limits change no index; Cp is never below Cpk.
func TestIndicesAreInvariant(t *testing.T) {
	r := rand.New(rand.NewPCG(11, 11))
	for range 200 {
		x := normals(r, 30)
		mean, sd := moments(x)
		a, b := 1+9*r.Float64(), 100*r.NormFloat64()
		i, err := capability.Normal(mean, sd, both)
		require.NoError(t, err)
		moved := capability.Spec{Lower: a*both.Lower + b, Upper: a*both.Upper + b, HasLower: true, HasUpper: true}
		j, err := capability.Normal(a*mean+b, a*sd, moved)
		require.NoError(t, err)
		require.InEpsilon(t, i.C, j.C, 1e-12)
		require.InEpsilon(t, i.CK, j.CK, 1e-9)
		require.GreaterOrEqual(t, i.C, i.CK)
		require.Equal(t, min(i.CL, i.CU), i.CK)
	}
	d, err := fit.New(fit.Normal, 0.3, 1.1)
	require.NoError(t, err)
	i, err := capability.Normal(0.3, 1.1, both)
	require.NoError(t, err)
	p, err := capability.Percentile(d, both)
	require.NoError(t, err)
	require.InEpsilon(t, i.C, p.C, 1e-12, "the percentile method gives a normal distribution its own indices")
	require.InEpsilon(t, i.CK, p.CK, 1e-12)
}

func TestOneLimit(t *testing.T) {
	i, err := capability.Normal(0, 1, upper)
	require.NoError(t, err)
	require.True(t, math.IsNaN(i.C) && math.IsNaN(i.CL))
	require.Equal(t, 1.0, i.CU)
	require.Equal(t, 1.0, i.CK)
	d, err := fit.New(fit.LargestExtreme, 2, 0.5)
	require.NoError(t, err)
	p, err := capability.Percentile(d, form)
	require.NoError(t, err)
	require.True(t, math.IsNaN(p.C) && math.IsNaN(p.CL), "zero is no limit that somebody set")
	require.Equal(t, p.CU, p.CK)
	require.Positive(t, p.CU)
}

func TestWithinSigmas(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 5))
	var groups []capability.Group
	var x []float64
	for range 400 {
		part := normals(r, 5)
		level := 3 * r.NormFloat64()
		for i := range part {
			part[i] += level
		}
		mean, sd := moments(part)
		groups = append(groups, capability.Group{N: 5, Mean: mean, SS: 4 * sd * sd})
		x = append(x, part...)
	}
	within, err := capability.Pooled(groups)
	require.NoError(t, err)
	require.InDelta(t, 1, within.SD, 4/math.Sqrt(2*within.DF), "the level of a group does not enter")
	mean, all, err := capability.Overall(groups)
	require.NoError(t, err)
	wantMean, wantSD := moments(x)
	require.InEpsilon(t, wantSD, all.SD, 1e-12)
	require.InDelta(t, wantMean, mean, 1e-12)
	// The variance of sigma from moving ranges is that of its degrees of freedom.
	var sum, squares float64
	const trials = 4000
	df := 0.0
	for range trials {
		s, err := capability.MovingRange(normals(r, 25))
		require.NoError(t, err)
		sum, squares, df = sum+s.SD, squares+s.SD*s.SD, s.DF
	}
	m := sum / trials
	v := squares/trials - m*m
	require.InDelta(t, 1, m, 0.012)
	require.InEpsilon(t, 1/(2*df), v, 0.1, "moving range of 25: %g degrees of freedom", df)
}

func TestRefusals(t *testing.T) {
	nan := math.NaN()
	crossed := capability.Spec{Lower: 2, Upper: 1, HasLower: true, HasUpper: true}
	e := func(_ any, err error) error { return err }
	for name, c := range map[string]struct {
		err    error
		reason refusal.Reason
	}{
		"crossed limits":            {e(capability.Normal(0, 1, crossed)), refusal.LimitsCrossed},
		"no limit":                  {e(capability.Normal(0, 1, capability.Spec{})), refusal.Mismatch},
		"a bound alone":             {e(capability.Normal(0, 1, capability.Spec{HasLower: true, Bound: true})), refusal.Mismatch},
		"a limit that is no number": {e(capability.Normal(0, 1, capability.Spec{Upper: nan, HasUpper: true})), refusal.NonFinite},
		"no variation":              {e(capability.Normal(0, 0, both)), refusal.ZeroVariance},
		"a mean that is no number":  {e(capability.Normal(nan, 1, both)), refusal.NonFinite},
		"Cpm of one limit":          {e(capability.Cpm(0, 1, upper)), refusal.Mismatch},
		"one value":                 {e(capability.CInterval(1, 1, 1, 0.95)), refusal.TooFew},
		"no degrees of freedom":     {e(capability.SideInterval(1, 10, 0, 0.95)), refusal.OutOfRange},
		"a level of 1":              {e(capability.CKBissell(1, 10, 9, 1)), refusal.OutOfRange},
		"an index of 0":             {e(capability.CInterval(0, 10, 9, 0.95)), refusal.OutOfRange},
		"an infinite index":         {e(capability.SideInterval(math.Inf(1), 10, 9, 0.95)), refusal.NonFinite},
		"negative count":            {e(capability.Observed(-1, 0, 10, 0.95)), refusal.Negative},
		"more outside than all":     {e(capability.Observed(11, 0, 10, 0.95)), refusal.Mismatch},
		"one group of one":          {e(capability.Pooled([]capability.Group{{N: 1}})), refusal.TooFew},
		"groups without variation":  {e(capability.Pooled([]capability.Group{{N: 3, Mean: 2}})), refusal.ZeroVariance},
		"a negative range":          {e(capability.RangeMean([]float64{-1}, 5)), refusal.Negative},
		"two values in order":       {e(capability.MovingRange([]float64{1, 2})), refusal.TooFew},
		"content of 1":              {e(capability.HoweFactor(10, 1, 0.95)), refusal.OutOfRange},
		"tolerance of one value":    {e(capability.TwoSidedFactor(1, 1, 0.9, 0.95)), refusal.TooFew},
		"no order statistic":        {e(capability.FreeConfidence(10, 0, 0, 0.9)), refusal.Mismatch},
		"a bin without width":       {e(capability.NewScan(0, 0)), refusal.OutOfRange},
	} {
		var r *refusal.Error
		require.True(t, errors.As(c.err, &r), "%s: %v", name, c.err)
		require.Equal(t, c.reason, r.Reason, "%s: %v", name, c.err)
	}
	i, err := capability.CInterval(1.33, 20, 19, 0.95)
	require.NoError(t, err)
	require.Len(t, i.Warnings, 1, "twenty values are few")
	require.Contains(t, i.Warnings[0].String(), "194 would be enough")
}

func TestGrade(t *testing.T) {
	good := capability.Evidence{Signals: 1, ExpectFew: 0.8, Lag1: 0.05, Lag1Band: 0.1, BlockP: 0.4, BlockShare: 0.01, Limits: true}
	g := capability.GradeOf(good)
	require.True(t, g.Stable && !g.Blocks && len(g.Reasons) == 0)
	for _, change := range []func(e *capability.Evidence){func(e *capability.Evidence) { e.Signals = 9 }, func(e *capability.Evidence) { e.Limits = false }} {
		e := good
		change(&e)
		g := capability.GradeOf(e)
		require.False(t, g.Stable)
		require.Len(t, g.Reasons, 1)
	}
	e := good
	e.Lag1, e.BlockP, e.BlockShare = 0.5, 1e-9, 0.2
	g = capability.GradeOf(e)
	require.True(t, g.Stable && g.Blocks)
	require.Len(t, g.Reasons, 2)
}
