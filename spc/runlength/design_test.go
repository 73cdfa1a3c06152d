package runlength_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
	"sagwatch/spc/rules"
	"sagwatch/spc/runlength"
)

// A designed chart has the run length it was designed for, and no neighbour of the same run length in control is faster.
func TestDesignsReachTheirRunLength(t *testing.T) {
	t.Parallel()
	for _, arl0 := range []float64{50, 500, 11040} {
		for _, shift := range []float64{0.5, 1, 2.5} {
			d, err := runlength.DesignEWMA(arl0, shift)
			require.NoError(t, err)
			require.InEpsilon(t, arl0, d.ARL0, 1e-8)
			r, err := d.RunLength(runlength.Standard, runlength.Options{})
			require.NoError(t, err)
			require.InEpsilon(t, arl0, r.ARL, 1e-8)
			for _, f := range []float64{0.8, 0.95, 1.2} {
				if lambda := d.Lambda * f; lambda <= 1 {
					other, err := runlength.EWMALimit(lambda, arl0, false)
					require.NoError(t, err)
					arl1, err := other.ARL(runlength.Normal{Mean: shift, SD: 1})
					require.NoError(t, err)
					require.Greater(t, arl1, d.ARL1-1e-7*d.ARL1, "ARL0 %g, shift %g: lambda %g against %g", arl0, shift, lambda, d.Lambda)
				}
			}
			c, err := runlength.DesignCUSUM(arl0, shift)
			require.NoError(t, err)
			require.InEpsilon(t, arl0, c.ARL0, 1e-8)
			require.InDelta(t, shift/2, c.K, 0)
			require.Less(t, c.ARL1, arl0)
		}
	}
	d, err := runlength.EWMALimit(0.1, 500, true)
	require.NoError(t, err)
	require.True(t, d.TimeVarying)
	require.InEpsilon(t, 500, d.ARL0, 1e-8)
	c, err := runlength.CUSUMInterval(0.5, 500, 0.5, runlength.UpperOnly)
	require.NoError(t, err)
	require.InDelta(t, c.H/2, c.HeadStart, 1e-12)
	arl, err := c.ARL(runlength.Standard)
	require.NoError(t, err)
	require.InEpsilon(t, 500, arl, 1e-8)
}

func TestShewhartMultiple(t *testing.T) {
	t.Parallel()
	k, r, err := runlength.ShewhartMultiple(rules.Default(), 370.3983473449564)
	require.NoError(t, err)
	require.InDelta(t, 3, k, 1e-12)
	require.InEpsilon(t, 370.3983473449564, r.ARL, 1e-12)
	set, err := rules.Default().With(rules.RunOneSide, 9)
	require.NoError(t, err)
	k, r, err = runlength.ShewhartMultiple(set, 300)
	require.NoError(t, err)
	again, err := runlength.Sigma(k, set).RunLength(runlength.Standard, runlength.Options{})
	require.NoError(t, err)
	require.InEpsilon(t, 300, again.ARL, 1e-9)
	require.InEpsilon(t, 300, r.ARL, 1e-9)
	// Nine on one side alone signal once in 511 points.
	_, _, err = runlength.ShewhartMultiple(set, 600)
	refused(t, err, refusal.NoSolution)
	require.Contains(t, err.Error(), "511")
	k, _, err = runlength.ShewhartMultiple(rules.All(), 70)
	require.NoError(t, err)
	again, err = runlength.Sigma(k, rules.All()).RunLength(runlength.Standard, runlength.Options{})
	require.NoError(t, err)
	require.InEpsilon(t, 70, again.ARL, 1e-9)
	_, _, err = runlength.ShewhartMultiple(rules.Set{}, 300)
	refused(t, err, refusal.Mismatch)
}

// The group chart's limit for the largest of six deviations on either side: between Bonferroni's bound and that of one
// side by the exact distribution of the extreme deviation.
func TestGroupLimit(t *testing.T) {
	t.Parallel()
	for _, m := range []int{2, 3, 6, 12} {
		c, err := runlength.GroupLimit(m, true, 370)
		require.NoError(t, err)
		r, err := c.RunLength(0)
		require.NoError(t, err)
		require.InEpsilon(t, 370, r.ARL, 1e-7)
		bonferroni := float64(m) * 2 * dist.NormalTail(c.L)
		require.LessOrEqual(t, 1/370.0, bonferroni*(1+1e-7))
		if m > 2 { // of two, one deviation is minus the other
			require.InEpsilon(t, bonferroni, 1/370.0, 0.05)
		}
		u := dist.NewMaxDeviation(m)
		require.LessOrEqual(t, 1/370.0, 2*u.Tail(c.L*math.Sqrt(float64(m-1)/float64(m)))*(1+1e-7))
		independent, err := runlength.GroupLimit(m, false, 370)
		require.NoError(t, err)
		require.InEpsilon(t, 1-math.Pow(1-2*dist.NormalTail(independent.L), float64(m)), 1/370.0, 1e-7)
		at, err := c.RunLength(3)
		require.NoError(t, err)
		require.Less(t, at.ARL, 370.0)
		down, err := c.RunLength(-3)
		require.NoError(t, err)
		require.InEpsilon(t, at.ARL, down.ARL, 1e-9)
	}
}

func TestDesignRefuses(t *testing.T) {
	t.Parallel()
	for _, bad := range []float64{math.NaN(), 0, 1, -5, math.Inf(1)} {
		_, err := runlength.DesignEWMA(bad, 1)
		refused(t, err, refusal.OutOfRange)
		_, err = runlength.DesignCUSUM(bad, 1)
		refused(t, err, refusal.OutOfRange)
		_, err = runlength.EWMALimit(0.1, bad, false)
		refused(t, err, refusal.OutOfRange)
		_, _, err = runlength.ShewhartMultiple(rules.Default(), bad)
		refused(t, err, refusal.OutOfRange)
		_, err = runlength.GroupLimit(3, true, bad)
		refused(t, err, refusal.OutOfRange)
		_, err = runlength.WidenedMultiple(0.5, bad)
		refused(t, err, refusal.OutOfRange)
		_, err = runlength.GuaranteedMultiple(bad, 0.9, runlength.FromSD(100))
		refused(t, err, refusal.OutOfRange)
	}
	for _, bad := range []float64{math.NaN(), 0, -1, 50} {
		_, err := runlength.DesignEWMA(500, bad)
		refused(t, err, refusal.OutOfRange)
		_, err = runlength.DesignCUSUM(500, bad)
		refused(t, err, refusal.OutOfRange)
		_, err = runlength.EWMALimit(bad, 500, false)
		refused(t, err, refusal.OutOfRange)
	}
	_, err := runlength.CUSUMInterval(0.5, 500, 0.7, runlength.TwoSided)
	refused(t, err, refusal.OutOfRange)
	_, err = runlength.CUSUMInterval(3, 20, 0, runlength.TwoSided) // h = 0 has 370.4 already
	refused(t, err, refusal.NoSolution)
	_, err = runlength.GroupLimit(0, false, 500)
	refused(t, err, refusal.OutOfRange)
	_, err = runlength.WidenedMultiple(1, 500)
	refused(t, err, refusal.OutOfRange)
	_, err = runlength.GuaranteedMultiple(370, 0.2, runlength.FromSD(100))
	refused(t, err, refusal.OutOfRange)
	_, err = runlength.EstimatedShewhart(3, runlength.FromSD(2))
	refused(t, err, refusal.TooFew)
	_, err = runlength.EstimatedShewhart(0, runlength.FromSD(20))
	refused(t, err, refusal.OutOfRange)
	_, err = runlength.EstimatedShewhart(3, runlength.Estimate{M: 20, DF: 0.5, Bias: 1})
	refused(t, err, refusal.OutOfRange)
	_, err = runlength.EstimatedShewhart(3, runlength.Estimate{M: 20, DF: 19, Bias: math.NaN()})
	refused(t, err, refusal.OutOfRange)
}
