package plot

import "math"

// Quantiles draws measured quantiles against those of a model: where the model is right they lie on the pencil line.
type Quantiles struct {
	ID          string // unique on the page
	Title, Desc string
	Points      []XY // X by the model, Y measured, in order
	Upper       *float64
	Lower       *float64 // limits of specification, nil for none
	Unit        string
	Decimals    int
}

// Wide returns the drawing as SVG, 640 units wide; Phone 358 units wide.
func (q Quantiles) Wide() string { return q.Scene(halfWidth).SVG() }

// Phone returns the drawing for a phone.
func (q Quantiles) Phone() string { return q.Scene(phoneLayout.width).SVG() }

// Scene draws at any width; words keep their size.
func (q Quantiles) Scene(w float64) *Scene {
	const top, foot, right = 24.0, 34.0, 62.0
	height := math.Min(w*.5, 300)
	s := &Scene{Frame: Frame{Role: "plot", Width: w, Height: top + height + foot, Title: q.Title, Desc: q.Desc, ID: elementID("quantiles", suffixed(q.ID, w))}}
	e := noExtent()
	for _, p := range q.Points {
		if finite(p.X) && finite(p.Y) {
			e.add(p.X)
			e.add(p.Y)
		}
	}
	if e.empty() || !finite(e.high-e.low) {
		e = extent{0, 1}
	}
	pad := (e.high - e.low) * .04
	if !(pad > 0) {
		pad = math.Max(math.Abs(e.high)*1e-6, 1e-9)
	}
	low, high := e.low-pad, e.high+pad
	x1 := w - right
	x := func(v float64) float64 { return (v - low) / (high - low) * x1 }
	y := func(v float64) float64 { return top + height - (v-low)/(high-low)*height }
	s.rect(0, top, x1, height, "band")
	s.words(0, 14, "measured, "+q.Unit+", against the model", "sub")
	// As many values up as across, for one scale serves both.
	ticks := roundValues(low, high, 5)
	for _, t := range ticks {
		s.line(0, y(t), x1, y(t), "shift")
		s.words(x1+8, y(t)+4.5, number(t, tickDecimals(q.Decimals, high-low)), "sub")
		s.line(x(t), top+height, x(t), top+height+5, "axis")
		role := "sub m"
		if x(t) < 18 {
			role = "sub"
		}
		s.words(x(t), top+height+19, number(t, tickDecimals(q.Decimals, high-low)), role)
	}
	s.words(x1+8, top+height+19, "model", "sub")
	s.line(0, top+height, x1, top+height, "axis")
	s.stroke("fit", []XY{{x(low), y(low)}, {x(high), y(high)}})
	for _, l := range []*float64{q.Lower, q.Upper} {
		if l != nil && *l > low && *l < high {
			s.line(0, y(*l), x1, y(*l), "spec")
			s.words(4, y(*l)-5, "limit "+number(*l, tickDecimals(q.Decimals, high-low)), "sub halo")
		}
	}
	for _, p := range q.Points {
		if finite(p.X) && finite(p.Y) {
			s.disc(x(p.X), y(p.Y), 2.6, "pt", number(p.Y, q.Decimals)+", by the model "+number(p.X, q.Decimals))
		}
	}
	return s
}
