package changepoint_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/changepoint"
)

// shiftsOf are shifts of standard error 1.
func shiftsOf(values ...float64) []changepoint.StreamShift {
	var out []changepoint.StreamShift
	for i, v := range values {
		out = append(out, changepoint.StreamShift{Stream: string(rune('a' + i)), Value: v, SE: 1})
	}
	return out
}

// TestCommonChanceIsNoCause: what all moulds share by chance tells neither for all nor against one.
func TestCommonChanceIsNoCause(t *testing.T) {
	still := &changepoint.MasterChange{Value: 0, SE: 0.5}
	alike := shiftsOf(3, 2, 4, 3, 3, 2, 4, 3, 3)
	a, err := changepoint.Attribute(changepoint.Evidence{Shifts: alike, Scale: 5, Master: still})
	require.NoError(t, err)
	require.Equal(t, changepoint.AllStreams, a.Hypotheses[0].Cause.Kind)
	a, err = changepoint.Attribute(changepoint.Evidence{Shifts: alike, Scale: 5, CommonSE: 4, Master: still})
	require.NoError(t, err)
	require.Equal(t, changepoint.NoCause, a.Hypotheses[0].Cause.Kind, "three units in common are no news where four come by chance")

	one := shiftsOf(3, 2, 10, 3, 3, 2, 4, 3, 3)
	a, err = changepoint.Attribute(changepoint.Evidence{Shifts: one, Scale: 5, CommonSE: 4, Master: still})
	require.NoError(t, err)
	require.Equal(t, changepoint.OneStream, a.Hypotheses[0].Cause.Kind)
	require.Equal(t, []string{"c"}, a.Hypotheses[0].Cause.Streams)
	require.InDelta(t, 7, a.Hypotheses[0].Size, 0.3, "its size is that against the others")
}

// TestCommonChanceOfNothingChangesNothing: a common standard error of almost 0 gives the weights of none.
func TestCommonChanceOfNothingChangesNothing(t *testing.T) {
	e := changepoint.Evidence{Shifts: shiftsOf(0.3, 5, -1, 4.5, 0.2), Scale: 3, Master: &changepoint.MasterChange{Value: 0.1, SE: 0.5}}
	a, err := changepoint.Attribute(e)
	require.NoError(t, err)
	e.CommonSE = 1e-7
	b, err := changepoint.Attribute(e)
	require.NoError(t, err)
	for i := range a.Hypotheses {
		require.Equal(t, a.Hypotheses[i].Cause, b.Hypotheses[i].Cause)
		require.InDelta(t, a.Hypotheses[i].Weight, b.Hypotheses[i].Weight, 1e-9)
	}
}
