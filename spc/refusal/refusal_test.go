package refusal_test

import (
	"errors"
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/refusal"
)

func TestWords(t *testing.T) {
	for _, c := range []struct {
		err    error
		reason refusal.Reason
		say    string
	}{
		{refusal.Few("subgroups", 3, 20), refusal.TooFew, "needs at least 20 subgroups, has 3"},
		{refusal.Finite("values", []float64{1, math.NaN()}), refusal.NonFinite, "values: number 2 is not a number that can be worked with"},
		{refusal.Finite("values", []float64{1e151}), refusal.NonFinite, "values: number 1 is not a number that can be worked with"},
		{refusal.Constant("values", 30), refusal.ZeroVariance, "the values do not vary"},
		{refusal.NotNegative("rejects", []int{0, 2, -1}), refusal.Negative, "rejects: number 3 is -1 and cannot be below zero"},
		{refusal.Crossed(3, 2), refusal.LimitsCrossed, "the lower limit is not below the upper limit: lower 3, upper 2"},
		{refusal.Setting("lambda", 2, "must be above 0 and at most 1"), refusal.OutOfRange, "lambda is 2: must be above 0 and at most 1"},
		{refusal.Shapes("%d values and %d weights", 3, 2), refusal.Mismatch, "3 values and 2 weights"},
		{refusal.Unsolved("the covariance is singular"), refusal.NoSolution, "the covariance is singular"},
	} {
		var e *refusal.Error
		require.True(t, errors.As(c.err, &e))
		require.Equal(t, c.reason, e.Reason)
		require.Equal(t, c.say, c.err.Error())
	}
	require.NoError(t, refusal.Finite("values", []float64{-1e150, 0, 1e150}))
	require.NoError(t, refusal.NotNegative("rejects", []int{0, 1}))
}

func TestWarningWords(t *testing.T) {
	require.Equal(t, "This rests on 12 values; 100 would be enough.", refusal.Small("values", 12, 100).String())
	require.Equal(t, "Neighbouring points are correlated (0.42).", refusal.Warning{Kind: refusal.Autocorrelated, Value: 0.42}.String())
}
