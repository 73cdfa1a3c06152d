package runlength_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/refusal"
	"sagwatch/spc/rules"
	"sagwatch/spc/runlength"
)

// press is a budget with a chart of every kind.
func press(t *testing.T) runlength.Budget {
	t.Helper()
	set, err := rules.Default().With(rules.TwoOfThree, 3)
	require.NoError(t, err)
	return runlength.Budget{FalseSignals: 40, Charts: []runlength.BudgetChart{
		{Name: "individuals", Kind: runlength.PointChart, PointsPerShift: 2880},
		{Name: "upper", Kind: runlength.PointChart, PointsPerShift: 2880, Side: "upper"},
		{Name: "with rules", Kind: runlength.PointChart, PointsPerShift: 480, Rules: set},
		{Name: "one side with rules", Kind: runlength.PointChart, PointsPerShift: 480, Rules: set, Side: "lower"},
		{Name: "ewma", Kind: runlength.EWMAChart, Lambda: 0.2, PointsPerShift: 480},
		{Name: "cusum", Kind: runlength.CUSUMChart, K: 0.5, PointsPerShift: 480},
		{Name: "group", Kind: runlength.GroupChart, Streams: 6, PointsPerShift: 480},
		{Name: "residuals", Kind: runlength.PointChart, Phi: 0.6, Residuals: true, PointsPerShift: 480},
		{Name: "residual ewma", Kind: runlength.EWMAChart, Lambda: 0.2, Phi: 0.6, Residuals: true, PointsPerShift: 480},
		{Name: "widened", Kind: runlength.PointChart, Phi: 0.6, PointsPerShift: 480},
		{Name: "double weight", Kind: runlength.PointChart, Weight: 2, PointsPerShift: 480},
		{Name: "correlated ewma", Kind: runlength.EWMAChart, Lambda: 0.2, Phi: 0.4, PointsPerShift: 480},
		{Name: "correlated cusum", Kind: runlength.CUSUMChart, K: 0.5, Phi: 0.4, PointsPerShift: 480},
		{Name: "correlated rules", Kind: runlength.PointChart, Rules: set, Phi: 0.4, PointsPerShift: 480},
	}}
}

// The shares add up to the budget, and each limit gives the run length that its share allows.
func TestBudgetAddsUp(t *testing.T) {
	t.Parallel()
	b := press(t)
	shares, err := b.Split()
	require.NoError(t, err)
	sum, points, arl0 := 0.0, []float64{}, []float64{}
	for i, s := range shares {
		c := b.Charts[i]
		require.Equal(t, c.Name, s.Name)
		sum += s.FalseSignals
		points, arl0 = append(points, c.PointsPerShift), append(arl0, s.ARL0)
		r, err := c.RunLength(s.Limit, 0, runlength.Simulation{Seed: 8, RelSE: 0.03})
		require.NoError(t, err)
		simulated := c.Phi != 0 && !c.Residuals && c.Name != "widened"
		if simulated {
			require.Equal(t, runlength.MonteCarlo, s.Route, c.Name)
			require.Positive(t, s.SE)
			require.InDelta(t, s.ARL0, r.ARL, 4*math.Hypot(s.SE, r.SE), c.Name)
			require.InEpsilon(t, shares[0].ARL0, s.ARL0, 0.01, c.Name)
		} else {
			require.Zero(t, s.SE, c.Name)
			require.InEpsilon(t, s.ARL0, r.ARL, 1e-7, c.Name)
			require.InEpsilon(t, shares[0].ARL0/max(1, c.Weight), s.ARL0, 1e-7, c.Name)
		}
		// A shift shows sooner the larger it is, and in time at the chart's own pace.
		d, err := c.Delays(s.Limit, []float64{0.5, 1, 2}, 60, runlength.Simulation{MaxRuns: 500})
		require.NoError(t, err)
		if c.Side != "lower" {
			require.Less(t, d[0].Points, s.ARL0, c.Name)
			require.Less(t, d[1].Points, d[0].Points, c.Name)
			require.Less(t, d[2].Points, d[1].Points, c.Name)
		}
		require.InDelta(t, 60*d[1].Points, d[1].Seconds, 1e-9)
		require.Positive(t, d[1].Median)
	}
	require.InEpsilon(t, 40, sum, 0.01)
	again, err := runlength.FalseSignals(points, arl0)
	require.NoError(t, err)
	require.InEpsilon(t, sum, again, 1e-12)
	require.InEpsilon(t, 2/shares[0].ARL0, shares[10].Probability, 1e-9)
	// Positive correlation makes runs of points beyond a limit, so at one multiple signals are rarer: it narrows here.
	require.Less(t, shares[9].Limit, shares[0].Limit)

	// Charts that go into one signal together leave more room.
	b.Charts = b.Charts[:2]
	one, err := b.Split()
	require.NoError(t, err)
	b.ChartsPerSignal = 2
	two, err := b.Split()
	require.NoError(t, err)
	require.InEpsilon(t, one[0].ARL0/2, two[0].ARL0, 1e-12)
	require.Less(t, two[0].Limit, one[0].Limit)
}

// A simulated shift of a press, charts of all independent kinds, gives the number of false signals of the budget; each
// chart starts afresh after a signal. Within 4 standard errors, seeded.
func TestBudgetKeepsItsFalseAlarmRate(t *testing.T) {
	t.Parallel()
	b := press(t)
	b.Charts = []runlength.BudgetChart{b.Charts[0], b.Charts[1], b.Charts[4], b.Charts[5]}
	shares, err := b.Split()
	require.NoError(t, err)
	src := rand.New(rand.NewPCG(4, 4))
	const shifts = 60
	n := 0
	e, c := ewma{lambda: 0.2, l: shares[2].Limit}, cusum{k: 0.5, h: shares[3].Limit}
	for range shifts {
		for range 2880 {
			if math.Abs(src.NormFloat64()) > shares[0].Limit {
				n++
			}
			if src.NormFloat64() > shares[1].Limit {
				n++
			}
		}
		for range 480 {
			if e.Step(src.NormFloat64()) {
				n++
				e.Reset()
			}
			if c.Step(src.NormFloat64()) {
				n++
				c.Reset()
			}
		}
	}
	require.InDelta(t, 40*shifts, n, 4*math.Sqrt(40*shifts))
}

// Merged into signals that end after 20 quiet points, as the hits of a stream are: the simulated number of signals is the
// budget's. Within 4 standard errors, seeded; a generous budget, so that merging matters.
func TestBudgetAfterMerging(t *testing.T) {
	t.Parallel()
	const quiet, points = 20, 3_000_000
	b := runlength.Budget{FalseSignals: 20, Quiet: quiet, Charts: []runlength.BudgetChart{{Name: "a", Kind: runlength.PointChart, PointsPerShift: 2880}}}
	shares, err := b.Split()
	require.NoError(t, err)
	require.InEpsilon(t, 20, shares[0].FalseSignals, 1e-9)
	require.Less(t, shares[0].ARL0, 2880.0/20-quiet)
	src := rand.New(rand.NewPCG(5, 20))
	signals, calm := 0, quiet
	for range points {
		if math.Abs(src.NormFloat64()) > shares[0].Limit {
			if calm >= quiet {
				signals++
			}
			calm = 0
		} else {
			calm++
		}
	}
	want := 20.0 / 2880 * points
	require.InDelta(t, want, signals, 4*math.Sqrt(want))

	b.FalseSignals = 60 // more than signals of at least 21 points leave room for
	_, err = b.Split()
	refused(t, err, refusal.OutOfRange)
	b.Quiet = -1
	_, err = b.Split()
	refused(t, err, refusal.OutOfRange)
}

// The chart of the points themselves of an autoregression against simulation by definition.
func TestAutocorrelatedAgreesWithSimulation(t *testing.T) {
	t.Parallel()
	for _, phi := range []float64{-0.5, 0.4, 0.9} {
		for _, shift := range []float64{0, 1} {
			exact, err := runlength.Autocorrelated{Phi: phi, K: 2.2}.RunLength(shift)
			require.NoError(t, err)
			src := rand.New(rand.NewPCG(11, math.Float64bits(phi+shift)))
			var s, ss float64
			const runs = 6000
			for range runs {
				x, n := src.NormFloat64(), 1.0
				for math.Abs(x+shift) <= 2.2 {
					x = phi*x + math.Sqrt(1-phi*phi)*src.NormFloat64()
					n++
				}
				s += n
				ss += n * n
			}
			mean := s / runs
			require.InDelta(t, exact.ARL, mean, 4*math.Sqrt((ss/runs-mean*mean)/runs), "phi %g, shift %g", phi, shift)
		}
	}
	w, err := runlength.WidenedMultiple(0.7, 370)
	require.NoError(t, err)
	r, err := w.RunLength(0)
	require.NoError(t, err)
	require.InEpsilon(t, 370, r.ARL, 1e-8)
}

func TestBudgetRefuses(t *testing.T) {
	t.Parallel()
	good := runlength.BudgetChart{Name: "a", Kind: runlength.PointChart, PointsPerShift: 480}
	for name, c := range map[string]struct {
		change func(*runlength.Budget, *runlength.BudgetChart)
		reason refusal.Reason
	}{
		"no budget":     {func(b *runlength.Budget, _ *runlength.BudgetChart) { b.FalseSignals = 0 }, refusal.OutOfRange},
		"budget nan":    {func(b *runlength.Budget, _ *runlength.BudgetChart) { b.FalseSignals = math.NaN() }, refusal.OutOfRange},
		"per signal":    {func(b *runlength.Budget, _ *runlength.BudgetChart) { b.ChartsPerSignal = 0.5 }, refusal.OutOfRange},
		"no charts":     {func(b *runlength.Budget, _ *runlength.BudgetChart) { b.Charts = nil }, refusal.TooFew},
		"no points":     {func(_ *runlength.Budget, c *runlength.BudgetChart) { c.PointsPerShift = 0 }, refusal.OutOfRange},
		"weight":        {func(_ *runlength.Budget, c *runlength.BudgetChart) { c.Weight = -1 }, refusal.OutOfRange},
		"kind":          {func(_ *runlength.Budget, c *runlength.BudgetChart) { c.Kind = "pie" }, refusal.Mismatch},
		"side":          {func(_ *runlength.Budget, c *runlength.BudgetChart) { c.Side = "left" }, refusal.Mismatch},
		"lambda":        {func(_ *runlength.Budget, c *runlength.BudgetChart) { c.Kind = runlength.EWMAChart; c.Lambda = 2 }, refusal.OutOfRange},
		"k":             {func(_ *runlength.Budget, c *runlength.BudgetChart) { c.Kind = runlength.CUSUMChart; c.K = -2 }, refusal.OutOfRange},
		"streams":       {func(_ *runlength.Budget, c *runlength.BudgetChart) { c.Kind = runlength.GroupChart }, refusal.OutOfRange},
		"phi":           {func(_ *runlength.Budget, c *runlength.BudgetChart) { c.Phi = 1 }, refusal.OutOfRange},
		"too generous":  {func(b *runlength.Budget, _ *runlength.BudgetChart) { b.FalseSignals = 400 }, refusal.OutOfRange},
		"rules":         {func(_ *runlength.Budget, c *runlength.BudgetChart) { c.Rules, _ = rules.Set{}.With(rules.Trend, 6) }, refusal.Mismatch},
		"rules too hot": {func(_ *runlength.Budget, c *runlength.BudgetChart) { c.Rules = rules.All() }, refusal.NoSolution},
	} {
		b, chart := runlength.Budget{FalseSignals: 1}, good
		b.Charts = []runlength.BudgetChart{chart}
		c.change(&b, &chart)
		if len(b.Charts) > 0 {
			b.Charts[0] = chart
		}
		_, err := b.Split()
		require.Error(t, err, name)
		refused(t, err, c.reason)
	}
	_, err := good.Delays(3, []float64{1}, 0, runlength.Simulation{})
	refused(t, err, refusal.OutOfRange)
	_, err = good.RunLength(-3, 0, runlength.Simulation{})
	refused(t, err, refusal.OutOfRange)
	_, err = good.RunLength(3, math.NaN(), runlength.Simulation{})
	refused(t, err, refusal.OutOfRange)
	_, err = runlength.FalseSignals([]float64{1}, nil)
	refused(t, err, refusal.Mismatch)
	_, err = runlength.FalseSignals([]float64{1}, []float64{0})
	refused(t, err, refusal.Mismatch)
}
