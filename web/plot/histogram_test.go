package plot_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/web/plot"
)

func inside(t *testing.T, s *plot.Scene) {
	t.Helper()
	for _, m := range s.Marks {
		switch m.Kind {
		case plot.Rect, plot.Disc, plot.Words:
			require.True(t, m.X >= -0.01 && m.X <= s.Width+0.01 && m.Y >= -0.01 && m.Y <= s.Height+0.01, "%v outside", m)
		case plot.Line:
			require.True(t, m.X >= -0.01 && m.X2 <= s.Width+0.01 && max(m.Y, m.Y2) <= s.Height+0.01, "%v outside", m)
		}
	}
	require.NotContains(t, s.SVG(), "NaN")
	require.NotContains(t, s.SVG(), "Inf")
}

func TestHistogram(t *testing.T) {
	h := plot.Histogram{ID: "h", Title: "Largest deviation", Desc: "Spread.", Unit: "µm", Bars: []plot.Bar{{100, 110, 5}, {110, 120, 50}, {120, 130, 20}, {390, 400, 1}},
		Curve: []plot.XY{{X: 95, Y: 1}, {X: 115, Y: 48}, {X: 150, Y: 2}}, Upper: &plot.Wall{Value: 381, Words: "limit 381", Beyond: "1 of 76 beyond", Bad: true}, Marks: []plot.PencilMark{{115, "half below 115"}}}
	for _, w := range []float64{358, 640, 720} {
		s := h.Scene(w)
		inside(t, s)
		bars, bad := 0, 0
		for _, m := range s.Marks {
			switch m.Role {
			case "hist":
				bars++
			case "hist bad":
				bad++
				require.GreaterOrEqual(t, m.Y2, 1.5, "one value is seen")
			}
		}
		require.Equal(t, 3, bars)
		require.Equal(t, 1, bad)
		require.Contains(t, s.SVG(), "half below 115")
	}
	for _, h := range []plot.Histogram{{}, {Bars: []plot.Bar{{5, 5, 1}}}, {Bars: []plot.Bar{{math.NaN(), 1, 3}}}, {Bars: []plot.Bar{{1e300, 2e300, 3}}, Lower: &plot.Wall{Value: -1e300}}, {Lower: &plot.Wall{Value: 1}, Upper: &plot.Wall{Value: 2}}} {
		inside(t, h.Scene(640))
	}
}

func TestIntervals(t *testing.T) {
	d := plot.Intervals{ID: "i", Title: "Ppk", Desc: "By mould.", Wanted: 1.33, WantedWords: "wanted 1.33", Decimals: 2, Rows: []plot.IntervalRow{
		{Words: "All moulds", Value: 1.44, Lower: 1.41, Upper: 1.47, Strong: true}, {Words: "Mould 9", Value: 1.33, Lower: 1.25, Upper: 1.41, Bad: true, Gap: true},
		{Words: "Mould 10", Value: math.NaN(), Lower: math.NaN(), Upper: math.NaN(), Missing: "too few"}, {Words: "Levelled", Value: 1.5, Lower: math.NaN(), Upper: math.NaN(), Pencil: true}}}
	for _, w := range []float64{358, 640, 720} {
		s := d.Scene(w)
		inside(t, s)
		dots := 0
		for _, m := range s.Marks {
			if m.Kind == plot.Disc {
				dots++
			}
		}
		require.Equal(t, 3, dots)
		require.Contains(t, s.SVG(), "too few")
		require.Contains(t, s.SVG(), "wanted 1.33")
	}
	inside(t, plot.Intervals{}.Scene(640))
	inside(t, plot.Intervals{Rows: []plot.IntervalRow{{Value: 1, Lower: 1, Upper: 1}}}.Scene(358))
	inside(t, plot.Intervals{Rows: []plot.IntervalRow{{Value: math.Inf(1), Lower: -1e300, Upper: 1e300}}}.Scene(358))
}

func TestQuantiles(t *testing.T) {
	upper := 3.0
	q := plot.Quantiles{ID: "q", Title: "Quantiles", Desc: "Model.", Unit: "mm", Decimals: 1, Upper: &upper, Points: []plot.XY{{X: 1, Y: 1.1}, {X: 2, Y: 2}, {X: 3, Y: 3.6}}}
	for _, w := range []float64{358, 640, 720} {
		s := q.Scene(w)
		inside(t, s)
		require.Contains(t, s.SVG(), "limit")
	}
	inside(t, plot.Quantiles{}.Scene(640))
	inside(t, plot.Quantiles{Points: []plot.XY{{X: 5, Y: 5}, {X: math.NaN(), Y: 2}}}.Scene(358))
}
