package chart_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/chart"
)

// TestPanelLimitsOfManyRejects: many rejects to a point at rare rejects, and a median on which half the probability lies
// exactly: stats.nbinom of SciPy 1.10.1, ppf and isf, the rejects themselves added.
func TestPanelLimitsOfManyRejects(t *testing.T) {
	for _, c := range []struct {
		r                    int
		p, probability       float64
		lower, centre, upper float64
	}{
		{1000, 1e-9, 0.0027, 907793383944, 999666686427, 1097539141155},
		{1000, 0.3, 0.0027, 3076, 3332, 3605},
		{17, 1e-6, 1e-6, 3762917, 16667854, 45252234},
		{50, 1e-4, 1e-10, 168490, 496671, 1100932},
		{3, 0.5, 0.0027, 0, 5, 17},
	} {
		l, err := chart.PanelLimits(c.r, c.p, chart.Width{Probability: c.probability})
		require.NoError(t, err)
		// SciPy's own digits end at 1e-11 of the far limits.
		require.InEpsilon(t, c.centre, l.Centre, 1e-11)
		require.InEpsilon(t, c.upper, l.Upper, 1e-11)
		require.InDelta(t, c.lower, l.Lower, 1e-11*c.lower)
		require.Equal(t, c.lower > 0, l.HasLower)
	}
}
