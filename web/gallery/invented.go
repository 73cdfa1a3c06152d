package gallery

import (
	"fmt"
	"math"
	"time"

	"sagwatch/web/plot"
	"sagwatch/web/ui"
)

// plantTime is the plant's zone: fixed, so that pictures are the same everywhere.
var plantTime = time.FixedZone("UTC+2", 2*3600)

// now is the moment at which the gallery stands.
var now = time.Date(2026, 3, 5, 13, 41, 0, 0, plantTime)

const banner = "Demonstration: Tarnbeck Works, its people, panels and readings are invented."

const longName = "Nordwestliches Bildröhrenschirm- und Sonderglaspresswerk Langenbielau-Oberweistritz"

// frame is the surroundings of most pages.
func frame(title string, at ui.Place, here string) ui.Frame {
	return ui.Frame{Title: title, Page: at, Here: here, Plant: "Tarnbeck Works", Shift: "early shift", Clock: ui.Clock(now), Zone: ui.Offset(now),
		Person: "R. Tamm", Role: "supervisor", Theme: ui.System, Lengths: ui.InMM, Plots: true}
}

func live(f ui.Frame) ui.Frame {
	f.Live = "live"
	return f
}

// noise is a repeatable series of about standard normal values.
type noise uint64

func (n *noise) next() float64 {
	sum := 0.0
	for range 12 { // the sum of twelve uniform values has variance 1
		*n = *n*6364136223846793005 + 1442695040888963407
		sum += float64(*n>>11) / (1 << 53)
	}
	return sum - 6
}

// series makes points every step up to the end, about a centre.
func series(seed uint64, n int, end time.Time, step time.Duration, centre, sd float64, unit string) []plot.Point {
	z := noise(seed)
	out := make([]plot.Point, n)
	for i := range out {
		at := end.Add(-time.Duration(n-1-i) * step)
		v := centre + sd*z.next()
		serial := fmt.Sprintf("A-%07d", 147000+i)
		out[i] = plot.Point{At: at, Value: v, Href: "panel", Title: ui.WithUnit(ui.Number(v, 2), unit) + ", " + ui.Clock(at) + ", panel " + serial}
	}
	return out
}

// beyond marks the last n points as a signal some way from where they are.
func beyond(pts []plot.Point, n int, shift float64, words string) []plot.Point {
	for i := max(len(pts)-n, 0); i < len(pts); i++ {
		pts[i].Value += shift
		pts[i].Kind, pts[i].Words = plot.Signal, words
	}
	return pts
}

// grid is 48 places as a gauge may have them, top left first, with invented deviations in um.
func grid(worst int, to float64) []plot.Place {
	z := noise(31)
	var out []plot.Place
	for r := range 6 {
		for c := range 8 {
			x, y := -206+float64(c)*58.9, 165-float64(r)*66
			d := 60*math.Cos(x/90)*math.Sin(y/120) + 18*z.next()
			out = append(out, plot.Place{N: r*8 + c + 1, X: x, Y: y, DevUM: math.Round(d)})
		}
	}
	if worst > 0 {
		out[worst-1].DevUM = to
	}
	return out
}

func shapeMap(id string, places []plot.Place, numbers bool) *plot.Map {
	return &plot.Map{ID: id, Title: "Deviation from the contour at 48 places", Desc: "Largest at the ringed place; the table below has every figure.", Places: places,
		Outline: plot.Outline{WidthMM: 512, HeightMM: 408, CornerMM: 90}, Numbers: numbers}
}

func ptr(x float64) *float64 { return &x }
