package plot_test

import (
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/web/plot"
)

func TestGroups(t *testing.T) {
	g := plot.Groups{ID: "r", Title: "Radius by panel", Desc: "Two appraisers.", Names: []string{"A-1", "A-2", "A-3"}, Along: "by panel", Decimals: 2,
		Lines: []plot.GroupLine{{Value: 1107.5, Words: "certified"}}, Panes: []plot.GroupPane{
			{Title: "Lind", What: "radius, mm", Values: [][]float64{{1107, 1107.1}, {1108, 1108.2}, {1106.9, math.NaN()}}}, {Title: "Sorby", Values: [][]float64{{1107.2}, nil, {1107}}}}}
	for _, w := range []float64{358, 720, 1328} {
		s := g.Scene(w)
		discs := 0
		for _, m := range s.Marks {
			if m.Kind == plot.Disc {
				discs++
				require.True(t, m.X >= 0 && m.X <= w && m.Y >= 0 && m.Y <= s.Height, "%v outside", m)
			}
		}
		require.Equal(t, 7, discs, "every reading that is a number is one disc")
		svg := s.SVG()
		require.NotContains(t, svg, "NaN")
		require.Contains(t, svg, "certified")
		require.Contains(t, svg, "Sorby")
	}
	require.NotEqual(t, g.Wide(), g.Phone())
	// A line far from the readings is said at the edge; groups that do not follow one another are not joined.
	g.Lines[0].Value, g.Apart = 1000, true
	require.Contains(t, g.Wide(), "certified: below")
	for _, m := range g.Scene(720).Marks {
		require.NotEqual(t, plot.Stroke, m.Kind)
	}
	// Nothing, one value, and values that are alike or absurd draw something finite.
	for _, vs := range [][][]float64{nil, {{5}}, {{5, 5}, {5}}, {{math.Inf(1)}}, {{1e-300, 2e-300}}, {{-1e300, 1e300}}} {
		svg := plot.Groups{Names: make([]string, len(vs)), Panes: []plot.GroupPane{{Values: vs}}}.Scene(358).SVG()
		require.False(t, strings.Contains(svg, "NaN") || strings.Contains(svg, "Inf"), "%v: %s", vs, svg)
	}
}
