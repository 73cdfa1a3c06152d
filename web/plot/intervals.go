package plot

import "math"

// Intervals draws figures with their intervals one under another on one scale, and the value that is wanted of them.
type Intervals struct {
	ID          string // unique on the page
	Title, Desc string
	Rows        []IntervalRow
	Wanted      float64 // 0: none
	WantedWords string  // "wanted 1.33"
	Decimals    int
}

// IntervalRow is one figure.
type IntervalRow struct {
	Words        string
	Value        float64 // NaN: Missing is said
	Lower, Upper float64 // NaN: no interval
	Pencil       bool    // what would be, not what is
	Strong       bool
	Bad          bool // it cannot keep what is wanted
	Gap          bool // room before it
	Missing      string
}

// Wide returns the drawing as SVG, 640 units wide; Phone 358 units wide.
func (d Intervals) Wide() string { return d.Scene(halfWidth).SVG() }

// Phone returns the drawing for a phone.
func (d Intervals) Phone() string { return d.Scene(phoneLayout.width).SVG() }

// Scene draws at any width; words keep their size.
func (d Intervals) Scene(w float64) *Scene {
	const step, room = 21.0, 14.0
	phone := w < 500
	s := &Scene{Frame: Frame{Role: "plot", Width: w, Title: d.Title, Desc: d.Desc, ID: elementID("intervals", suffixed(d.ID, w))}}
	e := noExtent()
	left, right := 0.0, 0.0
	values := func(r *IntervalRow) (string, string) {
		if !finite(r.Value) {
			return "", r.Missing
		}
		doubt := ""
		if finite(r.Lower) && finite(r.Upper) && !phone {
			doubt = number(r.Lower, d.Decimals) + " to " + number(r.Upper, d.Decimals)
		}
		return number(r.Value, d.Decimals), doubt
	}
	for i := range d.Rows {
		r := &d.Rows[i]
		left = math.Max(left, width(r.Words)*1.05)
		v, doubt := values(r)
		if v != "" {
			right = math.Max(right, width(v)*1.1+8+width(doubt))
		}
		for _, x := range []float64{r.Value, r.Lower, r.Upper} {
			if finite(x) && math.Abs(x) < 1e9 {
				e.add(x)
			}
		}
	}
	if d.Wanted != 0 && finite(d.Wanted) {
		e.add(d.Wanted)
	}
	if e.empty() {
		e = extent{0, 1}
	}
	pad := (e.high - e.low) * .06
	if !(pad > 0) {
		pad = math.Max(math.Abs(e.high)*.05, .05)
	}
	low, high := e.low-pad, e.high+pad
	x0 := math.Min(left+14, w*.5)
	x1 := math.Max(w-right-14, x0+60)
	x := func(v float64) float64 { return math.Max(x0, math.Min(x1, x0+(v-low)/(high-low)*(x1-x0))) }
	y := 14.0
	if d.Wanted != 0 {
		y += 20
	}
	begin := y
	for i := range d.Rows {
		r := &d.Rows[i]
		if r.Gap {
			y += room
		}
		role := "e"
		if r.Strong {
			role = "b e"
		}
		if r.Bad {
			role = "badt " + role
		}
		s.words(x0-12, y+4.5, r.Words, role)
		pen := ""
		if r.Pencil {
			pen = " pen"
		}
		v, doubt := values(r)
		if v == "" {
			s.words(x0+2, y+4.5, doubt, "sub")
		} else {
			title := r.Words + ": " + v
			if finite(r.Lower) && finite(r.Upper) {
				s.line(x(r.Lower), y, x(r.Upper), y, "ci"+pen)
				title += ", " + number(r.Lower, d.Decimals) + " to " + number(r.Upper, d.Decimals)
			}
			s.disc(x(r.Value), y, 4, "dot"+pen, title)
			s.words(x1+14, y+4.5, v, "b")
			if doubt != "" {
				s.words(x1+14+width(v)*1.1+8, y+4.5, doubt, "sub")
			}
		}
		y += step
	}
	foot := y - step + 14
	if d.Wanted != 0 {
		at := x(d.Wanted)
		s.line(at, begin-14, at, foot, "want")
		role := "m"
		if half := width(d.WantedWords) / 2; at-half < 0 {
			role = ""
		} else if at+half > w {
			role = "e"
		}
		s.words(at, 13, d.WantedWords, role)
	}
	s.line(x0, foot, x1, foot, "axis")
	last := math.Inf(-1)
	for _, t := range roundValues(low, high, int(math.Max(2, (x1-x0)/55))) {
		at := x(t)
		if at-last < 34 {
			continue
		}
		last = at
		s.line(at, foot, at, foot+5, "axis")
		s.words(at, foot+19, number(t, tickDecimals(max(d.Decimals, 1), high-low)), "sub m")
	}
	s.Height = math.Ceil(foot + 26)
	return s
}
