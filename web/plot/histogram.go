package plot

import (
	"math"
)

// halfWidth is the width of a drawing that has half the page.
const halfWidth = 640

// Histogram draws how values are spread, with a fitted curve in pencil and walls at the limits of specification.
type Histogram struct {
	ID           string // unique on the page
	Title, Desc  string
	Bars         []Bar
	Curve        []XY // X in the unit of the values, Y in values for each bar; none without a model
	Lower, Upper *Wall
	Marks        []PencilMark // percentiles of the model
	Unit         string       // of the axis
	Decimals     int
}

// Bar counts the values from From to To.
type Bar struct {
	From, To float64
	N        int
}

// Wall is a limit of specification.
type Wall struct {
	Value  float64
	Words  string // "limit 381"
	Beyond string // "1 of 11 088 beyond", "" for nothing
	Bad    bool   // there are some beyond
}

// PencilMark is a value that the model says.
type PencilMark struct {
	Value float64
	Words string // "half below 145"
}

// Wide returns the drawing as SVG, 640 units wide; Phone 358 units wide.
func (h Histogram) Wide() string { return h.Scene(halfWidth).SVG() }

// Phone returns the drawing for a phone.
func (h Histogram) Phone() string { return h.Scene(phoneLayout.width).SVG() }

// Scene draws at any width; words keep their size.
func (h Histogram) Scene(w float64) *Scene {
	const top, height, foot = 62.0, 168.0, 30.0
	s := &Scene{Frame: Frame{Role: "plot", Width: w, Height: top + height + foot, Title: h.Title, Desc: h.Desc, ID: elementID("histogram", suffixed(h.ID, w))}}
	e := noExtent()
	most := 0.0
	for _, b := range h.Bars {
		if finite(b.From) && finite(b.To) {
			e.add(b.From)
			e.add(b.To)
			most = math.Max(most, float64(b.N))
		}
	}
	for _, p := range h.Curve {
		if finite(p.Y) {
			most = math.Max(most, p.Y)
		}
	}
	for _, l := range []*Wall{h.Lower, h.Upper} {
		if l != nil && finite(l.Value) {
			e.add(l.Value)
		}
	}
	if e.empty() || !(e.high > e.low) || !finite(e.high-e.low) {
		middle := 0.0
		if !e.empty() && finite(e.low) && math.Abs(e.low) < 1e12 {
			middle = e.low
		}
		e = extent{middle - .5, middle + .5}
	}
	reach := e.high - e.low
	low, high := e.low-reach*.03, e.high+reach*.03
	if h.Lower != nil && h.Lower.Value <= e.low {
		low = e.low - reach*.07
	}
	if h.Upper != nil && h.Upper.Value >= e.high {
		high = e.high + reach*.07
	}
	x := func(v float64) float64 { return math.Max(0, math.Min(w, (v-low)/(high-low)*w)) }
	base := top + height
	y := func(n float64) float64 {
		if !(most > 0) {
			return base
		}
		return base - math.Min(n/most, 1)*height
	}
	for _, l := range []*Wall{h.Lower, h.Upper} {
		if l == nil || !finite(l.Value) {
			continue
		}
		from, to := 0.0, x(l.Value)
		if l == h.Upper {
			from, to = x(l.Value), w
		}
		s.rect(from, top-10, to-from, height+10, "wallf")
	}
	for _, b := range h.Bars {
		if b.N <= 0 || !finite(b.From) || !finite(b.To) {
			continue
		}
		role := "hist"
		if h.Upper != nil && b.To > h.Upper.Value && b.From >= h.Upper.Value-(b.To-b.From)/2 || h.Lower != nil && b.From < h.Lower.Value && b.To <= h.Lower.Value+(b.To-b.From)/2 {
			role = "hist bad"
		}
		from, to := x(b.From), x(b.To)
		gap := 0.0
		if to-from > 4 {
			gap = 1
		}
		// One value among ten thousand must still be seen.
		at := math.Min(y(float64(b.N)), base-1.5)
		s.add(Mark{Kind: Rect, X: from, Y: at, X2: math.Max(to-from-gap, .8), Y2: base - at, Role: role, Title: number(b.From, h.Decimals) + " to " + number(b.To, h.Decimals) + ": " + number(float64(b.N), 0)})
	}
	var curve []XY
	for _, p := range h.Curve {
		if finite(p.X) && finite(p.Y) && p.X >= low && p.X <= high {
			curve = append(curve, XY{x(p.X), y(p.Y)})
		}
	}
	if len(curve) > 1 {
		s.stroke("fit", curve)
	}
	s.line(0, base, w, base, "axis")
	for _, t := range roundValues(low, high, int(math.Max(3, w/110))) {
		at := x(t)
		role, words := "sub m", number(t, tickDecimals(h.Decimals, high-low))
		if at < 18 {
			role = "sub"
		} else if at > w-18 {
			role = "sub e"
		}
		s.line(at, base, at, base+5, "axis")
		s.words(at, base+19, words, role)
	}
	s.words(0, 12, "panels; "+h.Unit, "sub")
	row := 28.0
	for _, m := range h.Marks {
		if !finite(m.Value) || m.Value < low || m.Value > high {
			continue
		}
		at := x(m.Value)
		s.line(at, row+4, at, base, "winl")
		side := "cpt"
		dx := 4.0
		if at+width(m.Words)*1.08+6 > w {
			side, dx = "cpt e", -4
		}
		s.words(at+dx, row+9, m.Words, side+" halo")
		row += 17
	}
	for _, l := range []*Wall{h.Lower, h.Upper} {
		if l == nil || !finite(l.Value) {
			continue
		}
		at := x(l.Value)
		s.line(at, top-10, at, base, "spec")
		// Words stand on the inner side, unless there is no room.
		side, dx := "e", -5.0
		if l == h.Lower {
			side, dx = "", 5
		}
		if l == h.Upper && at-width(l.Words) < 0 {
			side, dx = "", 5
		}
		if l == h.Lower && at+width(l.Words) > w {
			side, dx = "e", -5
		}
		s.words(at+dx, top+6, l.Words, "b halo "+side)
		if l.Beyond != "" {
			role := "sub halo "
			if l.Bad {
				role = "badt b halo "
			}
			s.words(at+dx, top+23, l.Beyond, role+side)
		}
	}
	return s
}

// suffixed makes the id of a drawing of another width another.
func suffixed(id string, w float64) string {
	if w < 500 {
		return id + "-phone"
	}
	return id
}

// tickDecimals are as many as tell ticks of a range apart, and no more than the values have.
func tickDecimals(most int, reach float64) int {
	if !(reach > 0) || !finite(reach) {
		return most
	}
	return max(0, min(most, 1-int(math.Floor(math.Log10(reach)))))
}
