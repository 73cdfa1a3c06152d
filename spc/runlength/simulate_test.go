package runlength_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/refusal"
	"sagwatch/spc/rules"
	"sagwatch/spc/runlength"
)

func simulated(t *testing.T, s runlength.Simulation) runlength.RunLength {
	t.Helper()
	c := runlength.Sigma(2, rules.All())
	r, err := runlength.Simulate(func() runlength.Stepper { return &ruleChart{set: c.Rules, limits: c.Limits} }, runlength.Standard, runlength.Options{Simulation: s})
	require.NoError(t, err)
	return r
}

// The result is that of the seed, whatever the number of workers.
func TestSimulationDoesNotDependOnWorkers(t *testing.T) {
	t.Parallel()
	one := simulated(t, runlength.Simulation{Seed: 9, Workers: 1, RelSE: 0.02})
	for _, workers := range []int{2, 3, 7} {
		require.Equal(t, one, simulated(t, runlength.Simulation{Seed: 9, Workers: workers, RelSE: 0.02}))
	}
	require.NotEqual(t, one.ARL, simulated(t, runlength.Simulation{Seed: 10, RelSE: 0.02}).ARL)
	require.LessOrEqual(t, one.SE, 0.02*one.ARL)
	require.Empty(t, one.Warnings)
	require.Equal(t, runlength.MonteCarlo, one.Route)
}

// The standard error is honest: of 60 seeds about 95 % lie within two of it, none beyond four and a half.
func TestStandardErrorCovers(t *testing.T) {
	t.Parallel()
	exact, err := runlength.Sigma(2, rules.All()).RunLength(runlength.Standard, runlength.Options{})
	require.NoError(t, err)
	far := 0
	for seed := range uint64(60) {
		r := simulated(t, runlength.Simulation{Seed: seed, RelSE: 0.05})
		z := math.Abs(r.ARL-exact.ARL) / r.SE
		require.Less(t, z, 4.5)
		if z > 2 {
			far++
		}
	}
	require.LessOrEqual(t, far, 9) // binomial(60, 0.0455): beyond 9 once in 3000
}

func TestSimulationEndsEarly(t *testing.T) {
	t.Parallel()
	r := simulated(t, runlength.Simulation{Seed: 1, MaxRuns: 100, RelSE: 0.001})
	require.Equal(t, 100, r.Runs)
	require.Len(t, r.Warnings, 1)
	require.Contains(t, r.Warnings[0].String(), "ended after 100 runs")

	r = simulated(t, runlength.Simulation{Seed: 1, Longest: 5})
	require.Positive(t, r.Censored)
	require.LessOrEqual(t, r.ARL, 5.0)
	require.Equal(t, refusal.Doubtful, r.Warnings[len(r.Warnings)-1].Kind)
	require.Contains(t, r.Warnings[len(r.Warnings)-1].String(), "at least")
	require.InDelta(t, float64(r.Censored)/float64(r.Runs), r.Beyond(5), 1e-12)
	_, err := r.Quantile(0.999)
	refused(t, err, refusal.NoSolution)
}

// Counts too great for a chain are simulated, and say so.
func TestTooManyStatesAreSimulated(t *testing.T) {
	t.Parallel()
	set := rules.Default()
	var err error
	for r, n := range map[rules.Rule]int{rules.TwoOfThree: 40, rules.FourOfFive: 50, rules.RunOneSide: 60, rules.FifteenWithin: 60} {
		set, err = set.With(r, n)
		require.NoError(t, err)
	}
	sim := runlength.Simulation{Seed: 2, MaxRuns: 400}
	r, err := runlength.Sigma(2, set).RunLength(runlength.Standard, runlength.Options{Simulation: sim})
	require.NoError(t, err)
	require.Equal(t, runlength.MonteCarlo, r.Route)
	require.Positive(t, r.SE)
	require.InDelta(t, 21.98, r.ARL, 5*r.SE) // limits alone, 1/(2 x 0.02275): the rest hardly ever signals first

	// Trend and alternating from the steady state likewise.
	r, err = runlength.Sigma(2, rules.All().Only(rules.BeyondLimits, rules.Trend)).RunLength(runlength.Normal{Mean: 1, SD: 1}, runlength.Options{Before: runlength.Normal{Mean: 0, SD: 0.5}, Simulation: sim})
	require.NoError(t, err)
	require.Equal(t, runlength.MonteCarlo, r.Route)
}

func TestSimulationRefuses(t *testing.T) {
	t.Parallel()
	for _, s := range []runlength.Simulation{{RelSE: -1}, {RelSE: 2}, {RelSE: math.NaN()}, {MaxRuns: 1}, {MaxRuns: 1 << 40}, {Longest: -1}, {Longest: 1 << 40}} {
		_, err := runlength.Simulate(func() runlength.Stepper { return &farTwice{} }, runlength.Standard, runlength.Options{Simulation: s})
		refused(t, err, refusal.OutOfRange)
	}
	_, err := runlength.Simulate(func() runlength.Stepper { return &farTwice{} }, runlength.Normal{Mean: 3, SD: 1}, runlength.Options{Before: runlength.Normal{Mean: 5, SD: 1}})
	refused(t, err, refusal.NoSolution)
}
