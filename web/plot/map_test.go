package plot_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/web/plot"
)

func sscan(d string, v ...*float64) (int, error) {
	return fmt.Sscan(strings.NewReplacer("M", " ", "L", " ", "Z", " ").Replace(d), v[0], v[1], discard(), v[2])
}

func discard() *float64 { return new(float64) }

// grid is 48 places, six rows of eight, with the deviation of f.
func grid(f func(x, y float64) float64) []plot.Place {
	var out []plot.Place
	for i := range 48 {
		x, y := float64(i%8)*480/7-240, 170-float64(i/8)*68
		out = append(out, plot.Place{N: i + 1, X: x, Y: y, DevUM: f(x, y)})
	}
	return out
}

func hills() plot.Map {
	return plot.Map{ID: "h", Title: "A saddle", Desc: "Edges left and right high.", Outline: plot.Outline{WidthMM: 540, HeightMM: 420, CornerMM: 70}, Numbers: true,
		Places: grid(func(x, y float64) float64 { return 100 * (x*x - y*y) / 240 / 240 })}
}

func TestMapMarks(t *testing.T) {
	m := hills()
	m.Places[9].State, m.Places[9].DevUM = plot.Suspect, 212
	m.Places[12].State = plot.Missing
	m.Places[21].State, m.Places[21].DevUM = plot.Faulty, 5000
	root := parse(t, m.SVG())
	require.Len(t, root.byID("place"), 46)
	require.Len(t, root.byID("suspect"), 2, "ringed twice")
	require.Len(t, root.byID("faulty"), 1)
	require.Len(t, root.byID("missing"), 1)
	require.Empty(t, root.byID("worst"), "the largest is the suspect one and carries its rings")
	says := root.says()
	for _, word := range []string{"suspect", "faulty", "none", "+212"} {
		require.Contains(t, says, word)
	}
	require.NotContains(t, says, "+5000", "a faulty probe has no number")
	require.Contains(t, says, "contours every 50\u00a0µm from the product's own contour")
	require.Equal(t, 50., m.StepUM(), "the faulty probe does not count for the contours")
}

func TestMapRingsTheLargest(t *testing.T) {
	m := hills()
	m.Places[40].DevUM = -180
	worst := parse(t, m.SVG()).byID("worst")
	require.Len(t, worst, 1)
	// Place 41 lies at x = -240, y = -170 mm, on 612 units for 540 mm with 14 units margin.
	require.InDelta(t, 14+612./540*30, worst[0].number(t, "cx"), .01)
	require.InDelta(t, 14+612./540*380, worst[0].number(t, "cy"), .01)
	require.InDelta(t, 2+.62*math.Sqrt(180)+4, worst[0].number(t, "r"), .01)
	m.WorstPlace = -1
	require.Empty(t, parse(t, m.SVG()).byID("worst"))
}

// On a plane z = a x the contour lines are known: uprights at x = n step / a. The smoothing leaves a plane alone.
func TestContoursOfAPlane(t *testing.T) {
	m := hills()
	m.Places = grid(func(x, _ float64) float64 { return x / 2 })
	m.Step = 50
	root := parse(t, m.SVG())
	high, low := root.byID("contour-high"), root.byID("contour-low")
	require.Len(t, high, 2) // at 50 and 100; the edge is at 135
	require.Len(t, low, 2)
	for i, e := range high {
		want := 14 + 612./540*(270+float64(i+1)*100)
		least := math.Inf(1)
		for _, pair := range strings.FieldsFunc(e.attr("d"), func(r rune) bool { return strings.ContainsRune("MLZ", r) }) {
			var x, y float64
			_, err := fmt.Sscan(pair, &x, &y)
			require.NoError(t, err)
			least = min(least, x)
		}
		require.InDelta(t, want, least, .05)
	}
}

func TestContourStep(t *testing.T) {
	for _, c := range []struct{ top, want float64 }{{3, 1}, {9, 2}, {19, 5}, {40, 20}, {99, 20}, {110, 20}, {200, 50}, {420, 100}, {900, 200}, {4000, 1000}, {1e7, 2e6}} {
		m := hills()
		m.Places = grid(func(x, y float64) float64 { return c.top * (x*x - y*y) / 270 / 270 })
		require.Equal(t, c.want, m.StepUM(), "%g µm", c.top)
		root := parse(t, m.SVG())
		require.LessOrEqual(t, len(root.byID("contour-high"))+len(root.byID("contour-low")), 9)
	}
	m := hills()
	m.Step = 30
	require.Equal(t, 30., m.StepUM())
}

func TestMapOfFewPlaces(t *testing.T) {
	for name, places := range map[string][]plot.Place{
		"none":        nil,
		"one":         {{N: 1, DevUM: 5}},
		"in one line": {{N: 1, X: 1, Y: 1, DevUM: 5}, {N: 2, X: 2, Y: 2, DevUM: 7}, {N: 3, X: 3, Y: 3, DevUM: 50}},
		"one twice":   {{N: 1, X: 1, DevUM: 5}, {N: 2, X: 1, DevUM: 7}, {N: 3, X: 3, Y: 3, DevUM: 50}, {N: 4, X: -3, Y: 3, DevUM: 50}},
	} {
		t.Run(name, func(t *testing.T) {
			root := parse(t, plot.Map{Title: "t", Places: places, Numbers: true}.SVG())
			require.Len(t, root.byID("place"), len(places))
			require.Len(t, root.byID("outline"), 1)
		})
	}
}

// Without an outline one is derived that holds every place.
func TestDerivedOutline(t *testing.T) {
	m := hills()
	m.Outline = plot.Outline{}
	root := parse(t, m.SVG())
	var w, h float64
	_, err := fmt.Sscanf(root.attr("viewBox"), "0 0 %g %g", &w, &h)
	require.NoError(t, err)
	for _, e := range root.byID("place") {
		x, y := e.number(t, "cx"), e.number(t, "cy")
		require.True(t, x > 30 && x < w-30 && y > 30 && y < h-30, "%g %g", x, y)
	}
}

func TestSmallMapHasOneNumber(t *testing.T) {
	m := hills()
	m.Small = true
	root := parse(t, m.SVG())
	require.Contains(t, root.attr("class"), "mini")
	require.Len(t, root.named("text"), 2, "the largest and the caption")
}
