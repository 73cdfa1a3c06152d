package plot_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/web/plot"
)

// Each part begins where the one above ended, and the last ends at the whole.
func TestSharesAreAStair(t *testing.T) {
	d := plot.Shares{ID: "s", Title: "Causes", Desc: "Most first.", Rows: []plot.ShareRow{
		{Words: "Cooling of one mould blocked or set wrong, whichever of the eleven it was and in whatever shift", Value: "12", From: 0, To: .6, Title: "12 of 20"},
		{Words: "Plunger", Value: "6", From: .6, To: .9}, {Words: "two others", Value: "2", From: .9, To: 1, Rest: true}}}
	for _, w := range []float64{358, 640, 720} {
		s := d.Scene(w)
		inside(t, s)
		var parts []plot.Mark
		for _, m := range s.Marks {
			if m.Kind == plot.Rect {
				parts = append(parts, m)
			}
		}
		require.Len(t, parts, 3)
		require.InDelta(t, 0, parts[0].X, 1e-9)
		for i := 1; i < len(parts); i++ {
			require.InDelta(t, parts[i-1].X+parts[i-1].X2, parts[i].X, 1e-9)
			require.Greater(t, parts[i].Y, parts[i-1].Y)
		}
		require.InDelta(t, w, parts[2].X+parts[2].X2, 1e-9)
		require.InDelta(t, .3*w, parts[1].X2, 1e-9)
	}
	require.Contains(t, d.Wide(), "together 90\u00a0%")
	odd := plot.Shares{ID: "o", Rows: []plot.ShareRow{{From: math.NaN(), To: math.Inf(1)}, {From: 2, To: -1}}}
	inside(t, odd.Scene(640))
	inside(t, plot.Shares{}.Scene(358))
}
