package plot

import (
	"math"
	"strings"

	"codeberg.org/go-pdf/fpdf"
)

// PDFFace is the family under which a document's text face must be registered, regular and strong ("B").
const PDFFace = "Sagwatch"

// PDF draws the scene as vectors on the document's current page, its top left corner at x, y and w wide, in the document's unit
// (mm). It returns the height that the drawing takes. Colours are those of the light theme on white paper; the document's
// drawing state (colours, widths, dashes, face) is the caller's to set again.
func (s *Scene) PDF(doc *fpdf.Fpdf, x, y, w float64) (height float64) {
	if !(s.Width > 0) {
		return 0
	}
	p := &pdfWriter{doc: doc, x: x, y: y, scale: w / s.Width}
	s.Draw(p)
	return s.Height * p.scale
}

type pdfWriter struct {
	doc         *fpdf.Fpdf
	x, y, scale float64
	scene       string
	clipped     int
}

func (w *pdfWriter) Begin(f Frame) {
	w.scene = strings.Fields(f.Role + " plot")[0]
	w.doc.SetLineCapStyle("butt")
	w.doc.SetLineJoinStyle("round")
}

func (w *pdfWriter) End() {
	for ; w.clipped > 0; w.clipped-- {
		w.doc.ClipEnd()
	}
	w.doc.SetAlpha(1, "Normal")
	w.doc.SetDashPattern(nil, 0)
}

func (w *pdfWriter) at(x, y float64) (float64, float64) {
	return w.x + bounded(x)*w.scale, w.y + bounded(y)*w.scale
}

// bounded keeps a coordinate sensible, as the SVG writer does.
func bounded(v float64) float64 {
	if math.IsNaN(v) {
		return 0
	}
	return min(max(v, -farthest), farthest)
}

func (w *pdfWriter) Mark(m *Mark) {
	switch m.Kind {
	case GroupBegin, GroupEnd:
		return
	case ClipBegin:
		if len(m.Paths) > 0 {
			w.doc.ClipPolygon(w.polygon(m.Paths[0]), false)
			w.clipped++
		}
		return
	case ClipEnd:
		if w.clipped > 0 {
			w.doc.ClipEnd()
			w.clipped--
		}
		return
	}
	st := penFor(w.scene, m.Role)
	if m.Kind == Words {
		w.words(m, st)
		return
	}
	if st.pattern != "" {
		w.hatch(m, st)
		st.fill = none
		if st.stroke == none {
			return
		}
	}
	if m.Kind == Line || m.Kind == Stroke {
		st.fill = none
	}
	if st.stroke != none {
		r, g, b := st.stroke.rgb()
		w.doc.SetDrawColor(r, g, b)
		w.doc.SetLineWidth(st.width * w.scale)
		dash := make([]float64, len(st.dash))
		for i, d := range st.dash {
			dash[i] = d * w.scale
		}
		w.doc.SetDashPattern(dash, 0)
	}
	if st.fill != none {
		r, g, b := st.fill.rgb()
		w.doc.SetFillColor(r, g, b)
	}
	style := ""
	switch {
	case st.fill != none && st.stroke != none:
		style = "FD"
	case st.fill != none:
		style = "F"
	case st.stroke != none:
		style = "D"
	default:
		return
	}
	w.doc.SetAlpha(st.opacity, "Normal")
	switch m.Kind {
	case Line:
		x1, y1 := w.at(m.X, m.Y)
		x2, y2 := w.at(m.X2, m.Y2)
		w.doc.Line(x1, y1, x2, y2)
	case Rect:
		x, y := w.at(m.X, m.Y)
		w.doc.Rect(x, y, bounded(m.X2)*w.scale, bounded(m.Y2)*w.scale, style)
	case Disc:
		x, y := w.at(m.X, m.Y)
		w.doc.Circle(x, y, bounded(m.X2)*w.scale, style)
	case Stroke, Area:
		w.path(m)
		if m.Kind == Area && len(m.Paths) > 1 {
			style += "*" // even-odd
		}
		w.doc.DrawPath(style)
	}
	if m.Href != "" {
		w.link(m)
	}
}

// link makes the mark lead to its page where the address is whole; a printed report has no page to be relative to.
func (w *pdfWriter) link(m *Mark) {
	if !strings.Contains(m.Href, "://") {
		return
	}
	x, y := w.at(m.X, m.Y)
	w.doc.LinkString(x-1, y-1, 2, 2, m.Href)
}

func (w *pdfWriter) path(m *Mark) {
	for _, p := range m.Paths {
		for i, q := range p {
			x, y := w.at(q.X, q.Y)
			if i == 0 {
				w.doc.MoveTo(x, y)
			} else {
				w.doc.LineTo(x, y)
			}
		}
		if m.Kind == Area && len(p) > 0 {
			w.doc.ClosePath()
		}
	}
}

func (w *pdfWriter) polygon(p []XY) []fpdf.PointType {
	out := make([]fpdf.PointType, len(p))
	for i, q := range p {
		out[i].X, out[i].Y = w.at(q.X, q.Y)
	}
	return out
}

// hatch fills a rectangle or area with slanted lines, clipped to it: the lehr, the far side of a wall.
func (w *pdfWriter) hatch(m *Mark, st pen) {
	var outline []XY
	switch {
	case m.Kind == Rect:
		outline = []XY{{m.X, m.Y}, {m.X + m.X2, m.Y}, {m.X + m.X2, m.Y + m.Y2}, {m.X, m.Y + m.Y2}}
	case len(m.Paths) > 0:
		outline = m.Paths[0]
	}
	if len(outline) < 3 {
		return
	}
	x, y := noExtent(), noExtent()
	for _, q := range outline {
		x.add(bounded(q.X))
		y.add(bounded(q.Y))
	}
	step, slope := 7*math.Sqrt2, -1.0
	if st.pattern == "wall" {
		step, slope = 6*math.Sqrt2, 1
	}
	high := y.high - y.low
	if n := (x.high - x.low + high) / step; !(n < 5000) {
		return
	}
	w.doc.ClipPolygon(w.polygon(outline), false)
	r, g, b := ink3.rgb()
	w.doc.SetDrawColor(r, g, b)
	w.doc.SetLineWidth(w.scale)
	w.doc.SetDashPattern(nil, 0)
	w.doc.SetAlpha(1, "Normal")
	for at := x.low - high; at < x.high; at += step {
		from, to := at, at+high
		if slope > 0 {
			from, to = to, from
		}
		x1, y1 := w.at(from, y.high)
		x2, y2 := w.at(to, y.low)
		w.doc.Line(x1, y1, x2, y2)
	}
	w.doc.ClipEnd()
}

func (w *pdfWriter) words(m *Mark, st pen) {
	face := func(strong bool, size float64) {
		style := ""
		if strong {
			style = "B"
		}
		w.doc.SetFont(PDFFace, style, size*w.scale*w.doc.GetConversionRatio()) // faces are measured in points
	}
	colour := func(c rgb) {
		r, g, b := c.rgb()
		w.doc.SetTextColor(r, g, b)
	}
	text := PDFText(m.Text)
	face(st.strong, st.size)
	width := w.doc.GetStringWidth(text)
	aside := ""
	if m.Aside != "" {
		aside = " " + PDFText(m.Aside)
		face(false, 13)
		width += w.doc.GetStringWidth(aside)
		face(st.strong, st.size)
	}
	x, y := w.at(m.X, m.Y)
	switch st.anchor {
	case "e":
		x -= width
	case "m":
		x -= width / 2
	}
	if st.hanging {
		y += st.size * .72 * w.scale
	}
	w.doc.SetAlpha(1, "Normal")
	if st.halo {
		ground := paper
		if w.scene == "map" {
			ground = sheet
		}
		r, g, b := ground.rgb()
		w.doc.SetFillColor(r, g, b)
		w.doc.SetAlpha(.8, "Normal")
		w.doc.Rect(x-w.scale, y-st.size*.8*w.scale, width+2*w.scale, st.size*1.02*w.scale, "F")
		w.doc.SetAlpha(1, "Normal")
	}
	colour(st.fill)
	w.doc.Text(x, y, text)
	if aside != "" {
		x += w.doc.GetStringWidth(text)
		face(false, 13)
		colour(ink2)
		w.doc.Text(x, y, aside)
	}
}
