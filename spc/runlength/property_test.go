package runlength_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc"
	"sagwatch/spc/refusal"
	"sagwatch/spc/rules"
	"sagwatch/spc/runlength"
)

// ruleChart is a chart judged by spc/rules itself: the second route to the chains.
type ruleChart struct {
	set    rules.Set
	limits spc.Limits
	state  rules.State
}

func (c *ruleChart) Reset() { c.state.Reset() }

func (c *ruleChart) Step(x float64) bool {
	h := c.set.Step(&c.state, x, c.limits)
	return h.Len() > 0
}

// randomChart draws a rule set with counts and limits, such that runs stay short enough to simulate.
func randomChart(t *testing.T, src *rand.Rand) runlength.Shewhart {
	t.Helper()
	var set rules.Set
	for r := range rules.NumRules {
		if r != rules.BeyondLimits && src.IntN(2) == 0 {
			continue
		}
		least, most := 0, 0
		switch r {
		case rules.RunOneSide:
			least, most = 3, 8
		case rules.Trend:
			least, most = 3, 6
		case rules.Alternating:
			least, most = 4, 9
		case rules.TwoOfThree:
			least, most = 2, 3
		case rules.FourOfFive:
			least, most = 2, 5
		case rules.FifteenWithin:
			least, most = 5, 15
		case rules.EightOutside:
			least, most = 3, 8
		}
		var err error
		count := least
		if most > least {
			count += src.IntN(most - least + 1)
		}
		set, err = set.With(r, count)
		require.NoError(t, err)
	}
	l := spc.Limits{Lower: -2.5 - src.Float64()/2, Upper: 2.5 + src.Float64()/2, Centre: 0.3 * (src.Float64() - 0.5), HasLower: true, HasUpper: true, HasCentre: true}
	switch src.IntN(4) {
	case 0:
		l.HasLower = false
	case 1:
		l.HasUpper = false
	case 2: // symmetric with a sigma: zones not at thirds
		l.Centre, l.Lower, l.Sigma = 0, -l.Upper, 0.7+0.6*src.Float64()
	}
	return runlength.Shewhart{Rules: set, Limits: l}
}

// Chains agree with rules.Set.Step itself within 4 standard errors, for random rule sets, counts, limits (also
// one-sided and asymmetric), shifts and spreads. Seeded.
func TestChainsAgreeWithTheRulesThemselves(t *testing.T) {
	t.Parallel()
	src := rand.New(rand.NewPCG(7, 1))
	ordered := 0
	for i := range 60 {
		c := randomChart(t, src)
		d := runlength.Normal{Mean: 1.2 * (src.Float64() - 0.5), SD: 0.7 + 0.6*src.Float64()}
		exact, err := c.RunLength(d, runlength.Options{})
		require.NoError(t, err, "%+v", c)
		require.NotEqual(t, runlength.MonteCarlo, exact.Route)
		if exact.Route == runlength.IntegralEquation {
			ordered++
		}
		mc, err := runlength.Simulate(func() runlength.Stepper { return &ruleChart{set: c.Rules, limits: c.Limits} }, d,
			runlength.Options{Simulation: runlength.Simulation{Seed: uint64(i), MaxRuns: 3000, RelSE: 0.02}})
		require.NoError(t, err)
		require.InDelta(t, exact.ARL, mc.ARL, 4*mc.SE, "%v %+v %+v", c.Rules.Settings(), c.Limits, d)
		// The whole distribution, not only its mean: the Kolmogorov distance stays below its 1e-5 point.
		gap := 0.0
		for n := range 2000 {
			gap = math.Max(gap, math.Abs(exact.Beyond(n)-mc.Beyond(n)))
		}
		require.Less(t, gap, 2.5/math.Sqrt(float64(mc.Runs)), "%v %+v", c.Rules.Settings(), c.Limits)
		require.InEpsilon(t, exact.SDRL, mc.SDRL, 0.25)
	}
	require.Greater(t, ordered, 10)
}

// The other charts against simulation by their definitions, zero state and steady state.
func TestIntegralEquationsAgreeWithSimulation(t *testing.T) {
	t.Parallel()
	sim := runlength.Simulation{Seed: 3, RelSE: 0.01, MaxRuns: 8000}
	type chart interface {
		RunLength(runlength.Distribution, runlength.Options) (runlength.RunLength, error)
	}
	for name, c := range map[string]struct {
		chart  chart
		make   func() runlength.Stepper
		before float64 // standard deviation before the run, at which it seldom signals
	}{
		"ewma":              {runlength.EWMA{Lambda: 0.2, L: 2}, func() runlength.Stepper { return &ewma{lambda: 0.2, l: 2} }, 0.8},
		"ewma, exact":       {runlength.EWMA{Lambda: 0.2, L: 2, TimeVarying: true}, func() runlength.Stepper { return &ewma{lambda: 0.2, l: 2, varying: true} }, 0.8},
		"cusum":             {runlength.CUSUM{K: 0.5, H: 3}, func() runlength.Stepper { return &cusum{k: 0.5, h: 3} }, 0.8},
		"cusum, head start": {runlength.CUSUM{K: 0.5, H: 3, HeadStart: 1.5}, func() runlength.Stepper { return &cusum{k: 0.5, h: 3, head: 1.5} }, 0.8},
		"moving ranges":     {runlength.IndividualsMR{L: 2.5, D: 3}, func() runlength.Stepper { return &imr{l: 2.5, d: 3} }, 0.8},
		"ranges alone":      {runlength.IndividualsMR{L: math.Inf(1), D: 2.5}, func() runlength.Stepper { return &imr{l: math.Inf(1), d: 2.5} }, 0.5},
		"narrow ranges":     {runlength.IndividualsMR{L: 3, D: 1.3}, func() runlength.Stepper { return &imr{l: 3, d: 1.3} }, 0.3},
		"zones": {runlength.Sigma(2.5, rules.All().Only(rules.BeyondLimits, rules.RunOneSide, rules.TwoOfThree)), func() runlength.Stepper {
			c := runlength.Sigma(2.5, rules.All().Only(rules.BeyondLimits, rules.RunOneSide, rules.TwoOfThree))
			return &ruleChart{set: c.Rules, limits: c.Limits}
		}, 0.8},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			for _, d := range []runlength.Normal{{Mean: 0, SD: 1}, {Mean: -0.8, SD: 1}, {Mean: 0.5, SD: 1.4}} {
				for _, o := range []runlength.Options{{}, {First: runlength.Normal{Mean: 2, SD: 1}}, {Before: runlength.Normal{Mean: 0, SD: c.before}}} {
					if name == "ewma, exact" && o.Before != nil {
						continue // its limits have settled: the case of "ewma"
					}
					exact, err := c.chart.RunLength(d, o)
					require.NoError(t, err)
					require.Zero(t, exact.SE)
					o.Simulation = sim
					mc, err := runlength.Simulate(c.make, d, o)
					require.NoError(t, err)
					slack := 0.0
					if o.Before != nil && strings.HasPrefix(name, "cusum") {
						slack = 0.01 * exact.ARL // two sides from their own steady states: right to the order of 1/ARL
					}
					require.InDelta(t, exact.ARL, mc.ARL, 4*mc.SE+slack, "%+v, first %v, before %v", d, o.First, o.Before)
					require.InEpsilon(t, exact.SDRL, mc.SDRL, 0.08)
					for _, n := range []int{1, 2, 5, 20} {
						require.InDelta(t, exact.Within(n), mc.Within(n), 4*0.5/math.Sqrt(float64(mc.Runs))+slack/exact.ARL)
					}
				}
			}
		})
	}
}

type ewma struct {
	lambda, l float64
	varying   bool
	z         float64
	i         int
}

func (e *ewma) Reset() { e.z, e.i = 0, 0 }
func (e *ewma) Step(x float64) bool {
	e.i++
	e.z = e.lambda*x + (1-e.lambda)*e.z
	v := e.lambda / (2 - e.lambda)
	if e.varying {
		v *= 1 - math.Pow(1-e.lambda, 2*float64(e.i))
	}
	return math.Abs(e.z) > e.l*math.Sqrt(v)
}

type cusum struct{ k, h, head, up, low float64 }

func (c *cusum) Reset() { c.up, c.low = c.head, c.head }
func (c *cusum) Step(x float64) bool {
	c.up, c.low = max(0, c.up+x-c.k), max(0, c.low-x-c.k)
	return c.up > c.h || c.low > c.h
}

type imr struct {
	l, d, last float64
	any        bool
}

func (c *imr) Reset() { c.any = false }
func (c *imr) Step(x float64) bool {
	signal := math.Abs(x) > c.l || c.any && math.Abs(x-c.last) > c.d
	c.last, c.any = x, true
	return signal
}

// The run length falls with the distance of a shift and with the spread, is the same for shifts up and down on a symmetric
// chart, and does not depend on the unit.
func TestMonotoneSymmetricAndScaled(t *testing.T) {
	t.Parallel()
	all := rules.All()
	noTrend := all.Only(rules.BeyondLimits, rules.RunOneSide, rules.TwoOfThree, rules.FourOfFive)
	for name, arl := range map[string]func(mean, sd float64) (runlength.RunLength, error){
		"limits": func(m, s float64) (runlength.RunLength, error) {
			return runlength.Sigma(3, rules.Default()).RunLength(runlength.Normal{Mean: m, SD: s}, runlength.Options{})
		},
		"zone rules": func(m, s float64) (runlength.RunLength, error) {
			return runlength.Sigma(3, noTrend).RunLength(runlength.Normal{Mean: m, SD: s}, runlength.Options{})
		},
		"all rules": func(m, s float64) (runlength.RunLength, error) {
			return runlength.Sigma(3, all).RunLength(runlength.Normal{Mean: m, SD: s}, runlength.Options{})
		},
		"ewma": func(m, s float64) (runlength.RunLength, error) {
			return runlength.EWMA{Lambda: 0.2, L: 2.8}.RunLength(runlength.Normal{Mean: m, SD: s}, runlength.Options{})
		},
		"cusum": func(m, s float64) (runlength.RunLength, error) {
			return runlength.CUSUM{K: 0.5, H: 4}.RunLength(runlength.Normal{Mean: m, SD: s}, runlength.Options{})
		},
		"moving ranges": func(m, s float64) (runlength.RunLength, error) {
			return runlength.IndividualsMR{L: 3, D: 3.686}.RunLength(runlength.Normal{Mean: m, SD: s}, runlength.Options{})
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			before := math.Inf(1)
			step := 0.25
			if name == "all rules" {
				step = 0.5
			}
			for shift := 0.0; shift <= 3; shift += step {
				up, err := arl(shift, 1)
				require.NoError(t, err)
				down, err := arl(-shift, 1)
				require.NoError(t, err)
				require.InEpsilon(t, up.ARL, down.ARL, 1e-9, "shift %g", shift)
				require.InEpsilon(t, up.SDRL, down.SDRL, 1e-9)
				require.Less(t, up.ARL, before, "shift %g", shift)
				before = up.ARL
			}
			if name != "all rules" { // 15 within 1 sigma makes a small spread signal too
				wide, err := arl(0, 1.5)
				require.NoError(t, err)
				narrow, err := arl(0, 1)
				require.NoError(t, err)
				require.Less(t, wide.ARL, narrow.ARL)
			}
		})
	}
	// Another unit and origin.
	c := runlength.Shewhart{Rules: all, Limits: spc.Limits{Lower: 988, Centre: 1000, Upper: 1012, Sigma: 4, HasLower: true, HasCentre: true, HasUpper: true}}
	got, err := c.RunLength(runlength.Normal{Mean: 1002, SD: 5}, runlength.Options{})
	require.NoError(t, err)
	want, err := runlength.Sigma(3, all).RunLength(runlength.Normal{Mean: 0.5, SD: 1.25}, runlength.Options{})
	require.NoError(t, err)
	require.InEpsilon(t, want.ARL, got.ARL, 1e-12)
	// The mirror image of a skewed chart.
	skewed := runlength.Shewhart{Rules: noTrend, Limits: spc.Limits{Lower: -2, Upper: 4, HasLower: true, HasCentre: true, HasUpper: true}}
	mirror := runlength.Shewhart{Rules: noTrend, Limits: spc.Limits{Lower: -4, Upper: 2, HasLower: true, HasCentre: true, HasUpper: true}}
	a, err := skewed.RunLength(runlength.Normal{Mean: 0.4, SD: 1}, runlength.Options{})
	require.NoError(t, err)
	b, err := mirror.RunLength(runlength.Normal{Mean: -0.4, SD: 1}, runlength.Options{})
	require.NoError(t, err)
	require.InEpsilon(t, a.ARL, b.ARL, 1e-12)
}

// What a result says of itself hangs together: ARL = sum P(N > n), quantiles invert P, the laws of the two routes of
// CUSUM and EWMA agree.
func TestLawHangsTogether(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]interface {
		RunLength(runlength.Distribution, runlength.Options) (runlength.RunLength, error)
	}{
		"zones": runlength.Sigma(3, rules.All()), "ewma": runlength.EWMA{Lambda: 0.1, L: 2}, "ewma, exact": runlength.EWMA{Lambda: 0.1, L: 2, TimeVarying: true},
		"cusum": runlength.CUSUM{K: 0.5, H: 3}, "cusum, head start": runlength.CUSUM{K: 0.5, H: 3, HeadStart: 1.5},
		"cusum, lower": runlength.CUSUM{K: 0.5, H: 3, Sides: runlength.LowerOnly}, "moving ranges": runlength.IndividualsMR{L: 3, D: 3},
	} {
		for _, shift := range []float64{0, 0.7, 6} {
			r, err := c.RunLength(runlength.Normal{Mean: shift, SD: 1}, runlength.Options{})
			require.NoError(t, err, name)
			if name == "cusum, lower" && shift > 0 {
				require.Greater(t, r.ARL, 400.0)
				continue // too long to add up
			}
			sum, second, last := 0.0, 0.0, 1.0
			for n := range 2_000_000 {
				p := r.Beyond(n)
				require.LessOrEqual(t, p, last+1e-15)
				last = p
				sum += p
				second += 2 * float64(n) * p
				if p < 1e-15 {
					break
				}
			}
			require.InEpsilon(t, r.ARL, sum, 1e-9, "%s, shift %g", name, shift)
			require.InDelta(t, r.SDRL, math.Sqrt(max(0, second+sum-sum*sum)), 1e-6*(1+r.SDRL), "%s, shift %g", name, shift)
			for _, p := range []float64{0.001, 0.05, 0.5, 0.95, 0.999} {
				n, err := r.Quantile(p)
				require.NoError(t, err)
				require.GreaterOrEqual(t, r.Within(n), p-1e-12)
				require.Less(t, r.Within(n-1), p+1e-12)
			}
		}
	}
}

// Very long run lengths keep their digits: the solution of the equations against the law followed point by point, which adds
// up positive terms alone.
func TestLongRunLengths(t *testing.T) {
	t.Parallel()
	for _, h := range []float64{5, 15, 30, 60} {
		for _, shift := range []float64{-2, -1, 0} {
			c := runlength.CUSUM{K: 0.5, H: h, Sides: runlength.UpperOnly}
			d := runlength.Normal{Mean: shift, SD: 1}
			arl, err := c.ARL(d)
			require.NoError(t, err)
			r, err := c.RunLength(d, runlength.Options{})
			if err != nil {
				refused(t, err, refusal.NoSolution) // the standard deviation is beyond all counting
				require.Greater(t, arl, 1e100)
				continue
			}
			require.InEpsilon(t, arl, r.ARL, 1e-9, "h %g, shift %g", h, shift)
		}
	}
	e := runlength.EWMA{Lambda: 0.2, L: 5.5}
	arl, err := e.ARL(runlength.Standard)
	require.NoError(t, err)
	r, err := e.RunLength(runlength.Standard, runlength.Options{})
	require.NoError(t, err)
	require.Greater(t, arl, 1e7)
	require.InEpsilon(t, arl, r.ARL, 1e-6)
}

// A skewed characteristic: limits at the quantiles of its own distribution give the run length wanted, normal ones do
// not.
func TestSkewedCharacteristic(t *testing.T) {
	t.Parallel()
	d := exponential{}
	p := 1.0 / 500
	l := spc.Limits{Upper: -math.Log(p), Centre: math.Ln2, HasUpper: true, HasCentre: true}
	r, err := runlength.Shewhart{Rules: rules.Default(), Limits: l}.RunLength(d, runlength.Options{})
	require.NoError(t, err)
	require.InEpsilon(t, 500, r.ARL, 1e-12)
	// Twice the scale: P(X > u) = p^(1/2).
	r, err = runlength.Shewhart{Rules: rules.Default(), Limits: l}.RunLength(scaled{2}, runlength.Options{})
	require.NoError(t, err)
	require.InEpsilon(t, math.Sqrt(500), r.ARL, 1e-12)
	normal := spc.Limits{Lower: -2, Upper: 4, Centre: 1, Sigma: 1, HasLower: true, HasUpper: true, HasCentre: true}
	r, err = runlength.Shewhart{Rules: rules.Default(), Limits: normal}.RunLength(d, runlength.Options{})
	require.NoError(t, err)
	require.InEpsilon(t, math.Exp(4), r.ARL, 1e-12)
	// And by simulation, drawing by inversion.
	mc, err := runlength.Simulate(func() runlength.Stepper { return &ruleChart{set: rules.Default(), limits: normal} }, d,
		runlength.Options{Simulation: runlength.Simulation{Seed: 5, MaxRuns: 1500}})
	require.NoError(t, err)
	require.InDelta(t, math.Exp(4), mc.ARL, 4*mc.SE)
	// Moved by half a unit.
	r, err = runlength.Shewhart{Rules: rules.Default(), Limits: normal}.RunLength(runlength.Moved{Distribution: d, Shift: 0.5}, runlength.Options{})
	require.NoError(t, err)
	require.InEpsilon(t, math.Exp(3.5), r.ARL, 1e-12)
}

// exponential is skewed, and has no density for the charts that need one.
type exponential struct{}

func (exponential) Tail(x float64) float64 { return math.Exp(-max(0, x)) }
func (exponential) CDF(x float64) float64  { return -math.Expm1(-max(0, x)) }

type scaled struct{ by float64 }

func (s scaled) Tail(x float64) float64 { return math.Exp(-max(0, x) / s.by) }
func (s scaled) CDF(x float64) float64  { return -math.Expm1(-max(0, x) / s.by) }

// Charts side by side on independent points: of geometric ones the probabilities add up.
func TestFirst(t *testing.T) {
	t.Parallel()
	a, err := runlength.Geometric(0.01)
	require.NoError(t, err)
	b, err := runlength.Geometric(0.02)
	require.NoError(t, err)
	r, err := runlength.First(a, b)
	require.NoError(t, err)
	require.InEpsilon(t, 1/(1-0.99*0.98), r.ARL, 1e-12)
	// Six moulds with the zone rules each, against the first of six simulated charts.
	set := rules.All().Only(rules.BeyondLimits, rules.TwoOfThree)
	one, err := runlength.Sigma(2.5, set).RunLength(runlength.Standard, runlength.Options{})
	require.NoError(t, err)
	six, err := runlength.First(one, one, one, one, one, one)
	require.NoError(t, err)
	for _, n := range []int{1, 3, 10, 100} {
		require.InEpsilon(t, math.Pow(one.Beyond(n), 6), six.Beyond(n), 1e-12)
	}
	_, err = runlength.First()
	require.Error(t, err)
	_, err = runlength.First(runlength.RunLength{})
	require.Error(t, err)
}
