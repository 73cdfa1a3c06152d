package runlength_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc"
	"sagwatch/spc/refusal"
	"sagwatch/spc/rules"
	"sagwatch/spc/runlength"
)

func refused(t *testing.T, err error, reason refusal.Reason) {
	t.Helper()
	var e *refusal.Error
	require.ErrorAs(t, err, &e)
	require.Equal(t, reason, e.Reason, err)
	require.NotEmpty(t, err.Error())
}

func TestRefusals(t *testing.T) {
	t.Parallel()
	nan, inf := math.NaN(), math.Inf(1)
	std := runlength.Standard
	all := rules.All()
	limits := func(change func(*spc.Limits)) runlength.Shewhart {
		c := runlength.Sigma(3, all)
		change(&c.Limits)
		return c
	}
	type chart interface {
		RunLength(runlength.Distribution, runlength.Options) (runlength.RunLength, error)
	}
	for name, c := range map[string]struct {
		chart  chart
		d      runlength.Distribution
		o      runlength.Options
		reason refusal.Reason
		words  string
	}{
		"no distribution":       {runlength.Sigma(3, all), nil, runlength.Options{}, refusal.Mismatch, "missing"},
		"spread zero":           {runlength.Sigma(3, all), runlength.Normal{Mean: 0, SD: 0}, runlength.Options{}, refusal.OutOfRange, "standard deviation of the points is 0"},
		"mean not finite":       {runlength.Sigma(3, all), runlength.Normal{Mean: nan, SD: 1}, runlength.Options{}, refusal.OutOfRange, "mean"},
		"shift not finite":      {runlength.Sigma(3, all), runlength.Moved{Distribution: std, Shift: inf}, runlength.Options{}, refusal.OutOfRange, "shift"},
		"first point":           {runlength.Sigma(3, all), std, runlength.Options{First: runlength.Normal{Mean: inf, SD: 1}}, refusal.OutOfRange, "mean"},
		"before":                {runlength.EWMA{Lambda: 0.1, L: 3}, std, runlength.Options{Before: runlength.Normal{}}, refusal.OutOfRange, "standard deviation"},
		"limits crossed":        {limits(func(l *spc.Limits) { l.Lower, l.Upper = 3, -3 }), std, runlength.Options{}, refusal.LimitsCrossed, "not below"},
		"centre outside":        {limits(func(l *spc.Limits) { l.Centre = 4 }), std, runlength.Options{}, refusal.LimitsCrossed, "not below"},
		"limit not finite":      {limits(func(l *spc.Limits) { l.Upper = nan }), std, runlength.Options{}, refusal.NonFinite, "limits"},
		"nothing can signal":    {limits(func(l *spc.Limits) { *l = spc.Limits{} }), std, runlength.Options{}, "", ""},
		"no rules":              {runlength.Sigma(3, rules.Set{}), std, runlength.Options{}, refusal.NoSolution, "no rule"},
		"far limits":            {runlength.Sigma(60, rules.Default()), std, runlength.Options{}, refusal.NoSolution, "never"},
		"beyond all counting":   {runlength.Sigma(30, rules.Default()), std, runlength.Options{}, refusal.NoSolution, ""},
		"no zones":              {runlength.Zones{}, std, runlength.Options{}, refusal.TooFew, "rules"},
		"three of two":          {runlength.Zones{{Count: 3, Of: 2, From: 0, To: 1}}, std, runlength.Options{}, refusal.Mismatch, "3 of 2"},
		"none of two":           {runlength.Zones{{Count: 0, Of: 2, From: 0, To: 1}}, std, runlength.Options{}, refusal.Mismatch, "0 of 2"},
		"long window":           {runlength.Zones{{Count: 3, Of: 65, From: 0, To: 1}}, std, runlength.Options{}, refusal.OutOfRange, "window"},
		"zone crossed":          {runlength.Zones{{Count: 3, From: 1, To: 0}}, std, runlength.Options{}, refusal.LimitsCrossed, ""},
		"zone no number":        {runlength.Zones{{Count: 3, From: nan, To: 0}}, std, runlength.Options{}, refusal.Mismatch, "not a number"},
		"too many states":       {runlength.Zones{{Count: 20, Of: 40, From: 0, To: 1}}, std, runlength.Options{}, refusal.OutOfRange, "states"},
		"lambda 0":              {runlength.EWMA{Lambda: 0, L: 3}, std, runlength.Options{}, refusal.OutOfRange, "lambda is 0"},
		"lambda 2":              {runlength.EWMA{Lambda: 2, L: 3}, std, runlength.Options{}, refusal.OutOfRange, "at most 1"},
		"lambda nan":            {runlength.EWMA{Lambda: nan, L: 3}, std, runlength.Options{}, refusal.OutOfRange, "lambda"},
		"lambda tiny":           {runlength.EWMA{Lambda: 1e-4, L: 3}, std, runlength.Options{}, refusal.OutOfRange, "0.001"},
		"lambda tiny, exact":    {runlength.EWMA{Lambda: 2e-3, L: 3, TimeVarying: true}, std, runlength.Options{}, refusal.OutOfRange, "0.01"},
		"L 0":                   {runlength.EWMA{Lambda: 0.1, L: 0}, std, runlength.Options{}, refusal.OutOfRange, "L is 0"},
		"start beyond":          {runlength.EWMA{Lambda: 0.1, L: 3, Start: 3}, std, runlength.Options{}, refusal.OutOfRange, "start"},
		"no density":            {runlength.EWMA{Lambda: 0.1, L: 3}, exponential{}, runlength.Options{}, refusal.Mismatch, "density"},
		"no density when moved": {runlength.EWMA{Lambda: 0.1, L: 3}, runlength.Moved{Distribution: exponential{}, Shift: 1}, runlength.Options{}, refusal.Mismatch, "density"},
		"spread too small":      {runlength.EWMA{Lambda: 0.01, L: 3}, runlength.Normal{Mean: 0, SD: 1e-3}, runlength.Options{}, refusal.NoSolution, "too little"},
		"k below 0":             {runlength.CUSUM{K: -1, H: 4}, std, runlength.Options{}, refusal.OutOfRange, "reference value"},
		"h 0":                   {runlength.CUSUM{K: 0.5, H: 0}, std, runlength.Options{}, refusal.OutOfRange, "decision interval"},
		"head start beyond h":   {runlength.CUSUM{K: 0.5, H: 4, HeadStart: 5}, std, runlength.Options{}, refusal.OutOfRange, "head start"},
		"head start two-sided":  {runlength.CUSUM{K: 0.5, H: 4, HeadStart: 3}, std, runlength.Options{}, refusal.OutOfRange, "h/2 + k"},
		"sides":                 {runlength.CUSUM{K: 0.5, H: 4, Sides: 7}, std, runlength.Options{}, refusal.OutOfRange, "sides"},
		"mr without limits":     {runlength.IndividualsMR{L: inf, D: inf}, std, runlength.Options{}, refusal.NoSolution, "never"},
		"mr limit 0":            {runlength.IndividualsMR{L: 0, D: 3}, std, runlength.Options{}, refusal.OutOfRange, "individuals"},
		"mr limit nan":          {runlength.IndividualsMR{L: 3, D: nan}, std, runlength.Options{}, refusal.OutOfRange, "moving ranges"},
		"mr far":                {runlength.IndividualsMR{L: 3, D: 1e-3}, std, runlength.Options{}, refusal.NoSolution, "too far"},
	} {
		r, err := c.chart.RunLength(c.d, c.o)
		if c.reason == "" { // trend and alternating still can
			require.NoError(t, err, name)
			require.InEpsilon(t, 248.80163048, r.ARL, 1e-9, name)
			continue
		}
		require.Error(t, err, name)
		refused(t, err, c.reason)
		require.Contains(t, err.Error(), c.words, name)
		require.Zero(t, r.ARL, name)
	}

	_, err := runlength.Geometric(0)
	refused(t, err, refusal.OutOfRange)
	_, err = runlength.Siegmund(0.5, -1, 0)
	refused(t, err, refusal.OutOfRange)
	_, err = runlength.Siegmund(20, 200, 0)
	refused(t, err, refusal.NoSolution)
	r, err := runlength.Geometric(0.5)
	require.NoError(t, err)
	_, err = r.Quantile(1)
	refused(t, err, refusal.OutOfRange)
	_, err = runlength.Group{M: 6, L: -1}.RunLength(0)
	refused(t, err, refusal.OutOfRange)
	_, err = runlength.Group{M: 1, L: 3, Deviations: true}.RunLength(0)
	refused(t, err, refusal.OutOfRange)
	_, err = runlength.Group{M: 2, L: 3}.RunLength(nan)
	refused(t, err, refusal.OutOfRange)
	for _, c := range []runlength.Autocorrelated{{Phi: 1, K: 3}, {Phi: nan, K: 3}, {Phi: 0.5, K: 0}} {
		_, err = c.RunLength(0)
		refused(t, err, refusal.OutOfRange)
	}
	_, _, err = runlength.ResidualShift(2, 1)
	refused(t, err, refusal.OutOfRange)
	_, _, err = runlength.ResidualShift(0.2, nan)
	refused(t, err, refusal.OutOfRange)
}

// Whatever the settings: a run length of at least one point, or a refusal; no panic, no NaN.
func FuzzRunLength(f *testing.F) {
	f.Add(uint64(0), 3.0, 0.0, 1.0, 0.1)
	f.Add(uint64(77), 0.5, 2.0, 0.3, 1.0)
	f.Add(uint64(123456), -1.0, math.Inf(1), 0.0, 0.5)
	f.Fuzz(func(t *testing.T, seed uint64, limit, mean, sd, share float64) {
		src := rand.New(rand.NewPCG(seed, 1))
		var set rules.Set
		for r := range rules.NumRules {
			if src.IntN(2) == 0 {
				if with, err := set.With(r, src.IntN(14)); err == nil {
					set = with
				}
			}
		}
		d := runlength.Normal{Mean: mean, SD: sd}
		chart := runlength.Sigma(limit, set)
		chart.Limits.HasLower, chart.Limits.HasUpper = src.IntN(4) > 0, src.IntN(4) > 0
		o := runlength.Options{Simulation: runlength.Simulation{Seed: seed, MaxRuns: 20, Longest: 1000}}
		check := func(r runlength.RunLength, err error) {
			if err != nil {
				require.NotEmpty(t, err.Error())
				return
			}
			require.GreaterOrEqual(t, r.ARL, 1-1e-9)
			require.False(t, math.IsInf(r.ARL, 0) || math.IsNaN(r.SDRL) || math.IsInf(r.SDRL, 0) || r.SDRL < 0)
			last := 1.0
			for n := range 50 {
				p := r.Beyond(n)
				require.True(t, p >= 0 && p <= last+1e-12)
				last = p
			}
		}
		check(chart.RunLength(d, o))
		check(runlength.EWMA{Lambda: math.Max(share, 0.05), L: limit}.RunLength(d, o))
		c := runlength.CUSUM{K: share, H: math.Min(limit, 10), HeadStart: limit / 3, Sides: runlength.Sides(seed % 3)}
		check(c.RunLength(d, o))
		if arl, err := c.ARL(d); err == nil {
			require.GreaterOrEqual(t, arl, 1-1e-6)
			require.False(t, math.IsInf(arl, 0))
		}
		check(runlength.IndividualsMR{L: limit, D: 2 * share}.RunLength(d, o))
		check(runlength.Group{M: int(seed % 9), L: limit, Deviations: seed%2 == 0}.RunLength(mean))
		check(runlength.Autocorrelated{Phi: math.Min(share, 0.99), K: limit}.RunLength(mean))
	})
}
