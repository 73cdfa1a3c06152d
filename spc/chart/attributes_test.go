package chart_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/chart"
	"sagwatch/spc/refusal"
)

// Sizes that differ, a standard given, and the four kinds of one baseline, by hand.
func TestAttributeKinds(t *testing.T) {
	x := []chart.Rejects{{4, 100}, {10, 300}, {6, 200}}
	p, err := chart.RejectChart(chart.Proportion, x, chart.AttributeOptions{})
	require.NoError(t, err)
	relative(t, 20.0/600, p.Level, 1e-15)
	require.Equal(t, chart.FromData, p.CentreFrom)
	require.Equal(t, 2, p.Dispersion.DF)
	for _, n := range []float64{100, 400} {
		l, err := p.Limits(n)
		require.NoError(t, err)
		sd := math.Sqrt(1. / 30 * 29. / 30 / n)
		relative(t, 1./30+3*sd, l.Upper, 1e-14)
		relative(t, sd, l.Sigma, 1e-14)
		require.Equal(t, n == 400, l.HasLower)
		np, err := chart.RejectLimits(chart.NumberOf, int(n), 1./30, chart.Width{})
		require.NoError(t, err)
		relative(t, n*l.Upper, np.Upper, 1e-14)
		relative(t, n/30, np.Centre, 1e-14)
	}
	standard := 0.05
	p, err = chart.RejectChart(chart.NumberOf, x, chart.AttributeOptions{Standard: &standard, Width: chart.Width{Probability: 0.01}})
	require.NoError(t, err)
	require.Equal(t, chart.FromStandard, p.CentreFrom)
	require.Equal(t, 3, p.Dispersion.DF, "no level was estimated")
	l, err := p.Limits(200)
	require.NoError(t, err)
	relative(t, 10, l.Centre, 1e-14)

	u, err := chart.DefectChart(chart.CountPerArea, []chart.Defects{{3, 1.5}, {9, 2.5}, {8, 4}}, chart.AttributeOptions{})
	require.NoError(t, err)
	relative(t, 2.5, u.Level, 1e-15)
	l, err = u.Limits(4)
	require.NoError(t, err)
	relative(t, 2.5+3*math.Sqrt(2.5/4), l.Upper, 1e-14)
	c, err := chart.DefectChart(chart.CountOf, []chart.Defects{{30, 4}, {20, 4}}, chart.AttributeOptions{})
	require.NoError(t, err)
	l, err = c.Limits(99)
	require.NoError(t, err)
	require.Equal(t, 25.0, l.Centre, "a c chart has one area")
	require.Equal(t, 40.0, l.Upper)
	require.Equal(t, 10.0, l.Lower)
}

// What is doubtful about a baseline of counts is said.
func TestAttributeWarnings(t *testing.T) {
	many := make([]chart.Rejects, 30)
	for j := range many {
		many[j] = chart.Rejects{Rejected: 8 + j%3, Inspected: 90}
	}
	r, err := chart.RejectChart(chart.Proportion, many, chart.AttributeOptions{})
	require.NoError(t, err)
	require.Empty(t, r.Warnings)
	r, err = chart.RejectChart(chart.Proportion, []chart.Rejects{{1, 9}, {9, 20}, {0, 30}}, chart.AttributeOptions{})
	require.NoError(t, err)
	require.Equal(t, []refusal.WarningKind{refusal.SmallSample, refusal.Doubtful, refusal.Doubtful}, kinds(r.Warnings))
	require.Equal(t, refusal.Small("subgroups", 3, 25), r.Warnings[0])
	require.Equal(t, "expected count", r.Warnings[1].What)
	require.Equal(t, "dispersion", r.Warnings[2].What)
	r, err = chart.RejectChart(chart.Proportion, []chart.Rejects{{1, 9}, {9, 20}, {0, 30}}, chart.AttributeOptions{Adjusted: true, Width: chart.Width{Probability: 0.01}})
	require.NoError(t, err)
	require.Equal(t, []refusal.WarningKind{refusal.SmallSample}, kinds(r.Warnings))
}

// Counts so rare that one is already a signal: the upper limit is 0. And the limits of everything rejected.
func TestAttributeEdges(t *testing.T) {
	l, err := chart.RejectLimits(chart.NumberOf, 10, 1e-5, chart.Width{Probability: 0.0027})
	require.NoError(t, err)
	require.Equal(t, chart.Above, chart.Beyond(l, 1))
	require.Equal(t, chart.Inside, chart.Beyond(l, 0))
	l, err = chart.RejectLimits(chart.NumberOf, 10, 0.99, chart.Width{Probability: 0.0027})
	require.NoError(t, err)
	require.False(t, l.HasUpper, "not more can be rejected than was inspected")
	require.Equal(t, chart.Below, chart.Beyond(l, 2))
	below, above, err := chart.CountRates(chart.NumberOf, 10, 0.99, l)
	require.NoError(t, err)
	require.Zero(t, above)
	require.LessOrEqual(t, below, 0.00135)
	require.Positive(t, below)
}

// Nelson's transformed times: limits of y carried back (COMPUTED with NumPy 1.24.2).
func TestIntervalsTransformed(t *testing.T) {
	times := []float64{12, 40, 7, 55, 31, 2, 90, 20}
	r, err := chart.Intervals(times, chart.IntervalOptions{Transformed: true})
	require.NoError(t, err)
	require.NotNil(t, r.Individuals)
	relative(t, 499.17770456396687, r.Limits.Upper, 1e-9)
	relative(t, 23.10298003110805, r.Limits.Centre, 1e-9)
	require.False(t, r.Limits.HasLower)
	require.Equal(t, []refusal.Warning{refusal.Small("times between rejects", 8, 25)}, r.Warnings)
	// Every third reject: the mean time is that between single ones.
	r, err = chart.Intervals(times, chart.IntervalOptions{Rejects: 3})
	require.NoError(t, err)
	relative(t, 257.0/24, r.Mean, 1e-14)
	want, err := chart.TimeLimits(3, 257.0/24, chart.Width{})
	require.NoError(t, err)
	require.Equal(t, want, r.Limits)
}

// A target or standard in place of the mean moves the limits and leaves the spread.
func TestIndividualsAboutTarget(t *testing.T) {
	x := []float64{49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1}
	target := 50.0
	a, err := chart.Individuals(x, chart.IndividualsOptions{})
	require.NoError(t, err)
	b, err := chart.Individuals(x, chart.IndividualsOptions{Target: &target})
	require.NoError(t, err)
	require.Equal(t, 50.0, b.Limits.Centre)
	relative(t, a.Limits.Upper-50.81+50, b.Limits.Upper, 1e-14)
	require.Equal(t, a.MovingRange, b.MovingRange)
	l, mr, err := chart.StandardIndividuals(50, 2, chart.Width{})
	require.NoError(t, err)
	require.Equal(t, 56.0, l.Upper)
	relative(t, 2*3.6858865663778, mr.Upper, 1e-12, "D2(2), COMPUTED")
}

// A count on an exact limit is inside, one more is not, on every scale and for every size.
func TestCountsOnLimits(t *testing.T) {
	w := chart.Width{Probability: 0.01}
	for n := 20; n < 400; n++ {
		np, err := chart.RejectLimits(chart.NumberOf, n, 0.1, w)
		require.NoError(t, err)
		p, err := chart.RejectLimits(chart.Proportion, n, 0.1, w)
		require.NoError(t, err)
		for k := range n {
			require.Equal(t, chart.Beyond(np, float64(k)), chart.Beyond(p, float64(k)/float64(n)), "%d of %d", k, n)
		}
		below, above, err := chart.CountRates(chart.Proportion, float64(n), 0.1, p)
		require.NoError(t, err)
		require.LessOrEqual(t, max(below, above), 0.005)
		require.Equal(t, np.Upper, math.Trunc(np.Upper))
	}
}
