package plot

import (
	"math"
	"slices"
)

// shapes are drawn on 20 by 20 units.
var shapes = map[ShapeKind]string{
	ShapeGood:   `<circle cx="10" cy="10" r="9.2" stroke="none"/><path class="cut" d="M5.4 10.4l3.2 3.3 6-7"/>`,
	ShapeBad:    `<path stroke="none" d="M10 0l10 10-10 10L0 10z"/><path class="cut" d="M6.8 6.8l6.4 6.4M13.2 6.8l-6.4 6.4"/>`,
	ShapeUnsure: `<circle cx="10" cy="10" r="8.4" fill="none" stroke-width="2.2"/><path stroke="none" d="M10 1.6a8.4 8.4 0 0 1 0 16.8z"/>`,
	ShapeHeld:   `<path d="M2 1.5h6v17H2zM12 1.5h6v17h-6z"/>`,
	ShapeNone:   `<circle cx="10" cy="10" r="8.4" fill="none" stroke-width="2.2" stroke-dasharray="3.2 3.4"/>`,
}

// Shape returns the small SVG that stands before a state word. It is hidden from assistive technology: the word says the state.
// A kind that is none of the five gets the broken ring.
func Shape(kind ShapeKind) string {
	s, ok := shapes[kind]
	if !ok {
		s = shapes[ShapeNone]
	}
	return `<svg class="shape" viewBox="0 0 20 20" aria-hidden="true">` + s + `</svg>`
}

// Defs returns the fill patterns that drawings refer to (#wait: the lehr; #wall: the forbidden side of a specification limit). It
// goes once on each page that has a drawing.
func Defs() string {
	return `<svg width="0" height="0" aria-hidden="true" class="vh"><defs>` +
		`<pattern id="wait" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><line x1="0" y1="0" x2="0" y2="7" class="waitl"/></pattern>` +
		`<pattern id="wall" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(-45)"><line x1="0" y1="0" x2="0" y2="6" class="walll"/></pattern></defs></svg>`
}

// SVG returns the sparkline, 106 by 84 units.
func (s Sparkline) SVG() string {
	sc := &Scene{Frame: Frame{Role: "plot", Width: 106, Height: 84, Title: s.Title, Desc: s.Desc, ID: elementID("mould", s.ID)}}
	half := s.HalfSpan
	middle := s.Centre
	if !s.HasLimits { // no band yet: about the middle of what is there
		e := noExtent()
		for i := range s.Points {
			e.add(s.Points[i].Value)
		}
		if e.empty() {
			e = extent{0, 0}
		}
		middle = e.low/2 + e.high/2
		half = max(half, (e.high-e.low)/2*1.1)
	} else if !(half > 0) {
		half = 1.5 * max(s.Upper-s.Centre, s.Centre-s.Lower)
	}
	if !(half > 0) || !finite(half) || !finite(middle) {
		half, middle = max(1, math.Abs(middle)*1e-6), 0
		if s.HasLimits && finite(s.Centre) {
			middle = s.Centre
		}
	}
	v := scale{4, 80, middle - half, middle + half}
	points := slices.Clone(s.Points)
	for i := range points {
		points[i].Href = "" // the whole drawing is one link on the board, so its points are none
	}
	d := paneDrawing{Scene: sc, chart: &Chart{}, pane: &Pane{Points: points}, clock: newClock(s.From, s.To, 0, 106), scale: v, link: new(int)}
	if s.HasLimits {
		d.pane.Limits = []LimitSpan{{From: s.From, To: s.To, Lower: s.Lower, Centre: s.Centre, Upper: s.Upper, HasLower: true, HasCentre: true, HasUpper: true}}
	}
	d.bands()
	d.limitLines()
	d.data = d.inView()
	if !s.ChangeAt.IsZero() && d.clock.has(s.ChangeAt) {
		x := d.clock.x(s.ChangeAt)
		sc.line(x, 4, x, 80, "cpl")
	}
	if float64(len(d.data)) > 106 {
		d.binned = d.bin()
		d.columns()
	} else {
		d.path("path thin")
		for i := range d.data {
			if d.data[i].Kind != Measured || len(d.data) <= 60 {
				d.point(&d.data[i], 1)
			}
		}
	}
	return sc.SVG()
}

func elementID(kind, id string) string {
	if id == "" {
		return ""
	}
	return kind + "-" + id
}

// SVG returns the ring, 132 by 132 units.
func (r Ring) SVG() string {
	s := &Scene{Frame: Frame{Role: "ring", Width: 132, Height: 132, Title: r.Title, Desc: r.Desc, ID: elementID("ring", r.ID)}}
	n := float64(len(r.Moulds))
	// Discs as large as the circle lets them be, at most the size that suits eleven.
	radius := 11.5
	if n > 1 {
		radius = min(radius, 48*math.Sin(math.Pi/n)-1)
	}
	radius = max(radius, 2)
	link := -1
	for i, m := range r.Moulds {
		a := 2*math.Pi*float64(i)/n - math.Pi/2
		x, y := 66+48*math.Cos(a), 66+48*math.Sin(a)
		role, text, title := "o", "", "mould "+m.Name
		if m.Signal {
			role, text, title = "o sig", "sigt", title+", signal"
		}
		if m.Href != "" {
			link = len(s.Marks)
		}
		s.add(Mark{Kind: Disc, X: x, Y: y, X2: radius, Role: role, Title: title, Href: m.Href})
		if radius >= 8 || m.Signal {
			s.words(x, y+4.3, m.Name, text)
		}
	}
	if link >= 0 {
		s.Links, s.Marks[link].Stop = true, true
	}
	for i, w := range r.Words[:min(len(r.Words), 2)] {
		y := 63 + 14*float64(i)
		if len(r.Words) == 1 {
			y = 70
		}
		s.words(66, y, w, "mid")
	}
	return s.SVG()
}

// SVG returns the bar, 300 by 24 units: walls at the limits, hatched on the far side, white between; the value as a disc with its
// doubt. A value beyond the drawing stands at its edge as an arrow. Without a limit there is nothing to lie between: "".
func (s Span) SVG() string {
	if s.Lower == nil && s.Upper == nil || !finite(s.Value) {
		return ""
	}
	k := s.K
	if !(k > 0) {
		k = 2
	}
	u := k * s.U
	if !finite(u) || u < 0 {
		u = 0
	}
	low, high := min(0, s.Value-u), 0.0
	switch {
	case s.Lower != nil && s.Upper != nil:
		low, high = *s.Lower, *s.Upper
	case s.Upper != nil:
		high = *s.Upper
	default: // from the limit up to as far again beyond the value
		low = *s.Lower
		high = max(s.Value+u, low) + max(s.Value-low, u)*.25
	}
	if !(high > low) || !finite(high-low) {
		low, high = low-1, low+1
	}
	title := s.Title
	limit := func(v *float64) string {
		if v == nil {
			return ""
		}
		return number(*v, s.Decimals)
	}
	if title == "" {
		title = number(s.Value, s.Decimals)
		if u > 0 {
			title += " ± " + number(u, s.Decimals)
		}
	}
	desc := s.Desc
	if desc == "" {
		switch {
		case s.Lower != nil && s.Upper != nil:
			desc = "limits " + limit(s.Lower) + " to " + limit(s.Upper)
		case s.Upper != nil:
			desc = "at most " + limit(s.Upper)
		default:
			desc = "at least " + limit(s.Lower)
		}
	}
	sc := &Scene{Frame: Frame{Role: "plot", Width: 300, Height: 24, Title: title, Desc: desc, ID: elementID("span", s.ID)}}
	pad := (high - low) * .09
	x := func(v float64) float64 { return min(max(8+(v-low+pad)/(high-low+2*pad)*284, 2), 298) }
	sc.rect(x(low), 3, x(high)-x(low), 18, "band")
	sc.line(x(low), 12, x(high), 12, "axis")
	if s.Lower != nil {
		sc.rect(x(low)-7, 2, 7, 20, "wallf")
		sc.line(x(low), 2, x(low), 22, "spec")
	}
	if s.Upper != nil {
		sc.rect(x(high), 2, 7, 20, "wallf")
		sc.line(x(high), 2, x(high), 22, "spec")
	}
	if s.Nominal != nil && *s.Nominal > low && *s.Nominal < high {
		sc.line(x(*s.Nominal), 8, x(*s.Nominal), 16, "ctr")
	}
	if u > 0 {
		sc.line(x(s.Value-u), 12, x(s.Value+u), 12, "ci")
	}
	switch at := 8 + (s.Value-low+pad)/(high-low+2*pad)*284; {
	case at > 296:
		sc.area("dot", []XY{{299, 12}, {291, 7.5}, {291, 16.5}})
	case at < 4:
		sc.area("dot", []XY{{1, 12}, {9, 7.5}, {9, 16.5}})
	default:
		sc.disc(at, 12, 4, "dot", "")
	}
	return sc.SVG()
}
