package present_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/server/present"
	"sagwatch/spc"
	"sagwatch/web/ui"
)

// Limits that were stored for panels still to come stand on top of the table, and say that they wait.
func TestStoredLimitsAreSeenBeforeTheirFirstPanel(t *testing.T) {
	d := present.ChartData{Chart: ofMould, Product: product, Stream: "mould:7", From: now.Add(-time.Hour), To: now,
		Waiting: []spc.PostedLimits{
			{Chart: ofMould.ID, By: "okafor", Reason: "after the plunger", EffectiveFrom: now, Given: &spc.Limits{Lower: 1107, Centre: 1108, Upper: 1109, HasLower: true, HasCentre: true, HasUpper: true}},
			{Chart: ofMould.ID, By: "okafor", Reason: "a quiet day", EffectiveFrom: now.Add(time.Minute), BaselineFrom: now.Add(-time.Hour), BaselineTo: now},
		}}
	rows := present.Chart(looking, ui.Frame{}, d).Limits
	require.Len(t, rows, 2)
	require.Contains(t, rows[0].Why, "a quiet day")
	require.Contains(t, rows[0].Why, "Waits for the first panel")
	require.Contains(t, rows[0].Why, "From the baseline")
	require.Equal(t, "not yet", rows[0].Lower)
	require.Contains(t, rows[1].Upper, "1109")
}
