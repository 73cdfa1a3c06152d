package plot

// paneDrawing works out one pane of a chart.
type paneDrawing struct {
	*Scene
	chart  *Chart
	pane   *Pane
	clock  clock
	layout layout
	link   *int    // the newest mark that is a link, -1 for none yet
	labels float64 // x of the values at the line ends
	scale  scale
	data   []Point // in view
	binned []column
	taken  []box // where words stand already
	leads  []box // leaders, from x0, y0 to x1, y1
}

func (p *Pane) hasStrips() bool { return p.Main && len(p.Before)+len(p.After) > 0 }

func (p *Pane) height(phone bool) float64 {
	switch {
	case p.Height > 0:
		return max(p.Height, 20)
	case p.Main && phone:
		return 250
	case p.Main:
		return 310
	case p.Stems && phone:
		return 84
	case p.Stems:
		return 92
	case phone:
		return 62
	}
	return 66
}

// draw puts the pane at height y and returns the height of its lower edge.
func (d *paneDrawing) draw(y float64) float64 {
	p := d.pane
	d.add(Mark{Kind: GroupBegin, Role: "pane"})
	defer d.add(Mark{Kind: GroupEnd})
	top := y + 26
	if p.Title == "" && p.What == "" {
		top = y + 8
	} else {
		top += d.title(y)
	}
	bottom := top + p.height(d.layout.phone)
	d.data = d.inView()
	room := d.clock.x1 - d.clock.x0
	dense := float64(len(d.data)) > room
	if dense || len(p.Columns) > 0 {
		d.binned = d.bin()
	}
	marks := d.signalLabels()
	d.scale = d.scaleFor(top, bottom, marks)

	if !d.chart.LehrFrom.IsZero() && d.clock.inside(d.chart.LehrFrom) < d.clock.x1 {
		x := d.clock.inside(d.chart.LehrFrom)
		d.rect(x, top, d.clock.x1-x, bottom-top, "lehr")
		d.inLehr(top, bottom)
	}
	d.bands()
	d.change(top, bottom)
	d.limitLines()
	d.specification()
	switch {
	case len(d.data) == 0 && len(d.binned) == 0:
		d.words((d.clock.x0+d.clock.x1)/2, (top+bottom)/2-5, "no panels in this time", "gap m")
	case len(d.binned) > 0:
		d.columns()
	default:
		d.points(float64(len(d.data))*discApart <= room)
	}
	d.lineEnds(top, bottom)
	if p.hasStrips() {
		d.strips(top, bottom)
	}
	if p.Main {
		d.remarks(top, bottom)
	} else if text := d.specificationWords(); text != "" && bottom-top >= 80 {
		d.place([]float64{bottom - 8, top + 13}, d.clock.x0-6, d.clock.x0, text, "sub halo", false)
	}
	d.placeSignals(marks, top, bottom)
	return bottom
}

// title writes the question and, where both do not fit on one line, the statistic under it; it returns the height that takes.
func (d *paneDrawing) title(y float64) float64 {
	p, role, wide := d.pane, "ttl", 1.12
	if p.Main {
		role, wide = "ttl main", 1.28
	}
	aside := ""
	if p.What != "" {
		aside = "(" + p.What + ")"
	}
	if width(p.Title)*wide+width(aside)+4 <= d.layout.width {
		d.add(Mark{Kind: Words, X: 0, Y: y + 13, Text: p.Title, Aside: aside, Role: role})
		return 0
	}
	d.words(0, y+13, p.Title, role)
	d.words(0, y+29, aside, "what")
	return 16
}

// inView returns the points of the chart's time that have a value.
func (d *paneDrawing) inView() []Point {
	all := d.pane.Points
	usable := func(q *Point) bool { return finite(q.Value) && d.clock.has(q.At) }
	from := 0
	for from < len(all) && !usable(&all[from]) {
		from++
	}
	to := from
	for to < len(all) && usable(&all[to]) {
		to++
	}
	out := all[from:to:to] // commonly all that is in view lies together and nothing is copied
	for i := to; i < len(all); i++ {
		if usable(&all[i]) {
			out = append(out, all[i])
		}
	}
	return out
}

// spans returns the limits that are in force somewhere in view.
func (d *paneDrawing) spans() []LimitSpan {
	var out []LimitSpan
	for _, s := range d.pane.Limits {
		s.HasLower, s.HasCentre, s.HasUpper = s.HasLower && finite(s.Lower), s.HasCentre && finite(s.Centre), s.HasUpper && finite(s.Upper)
		if s.To.After(d.clock.from) && s.From.Before(d.clock.to) && s.To.After(s.From) {
			out = append(out, s)
		}
	}
	return out
}

// limitLine is one of the up to three lines of a LimitSpan.
type limitLine struct {
	value      float64
	word, role string
}

func (s LimitSpan) role(name string) string {
	if s.Provisional {
		return name + " prov"
	}
	return name
}

func (s LimitSpan) lines() []limitLine {
	var out []limitLine
	if s.HasUpper {
		out = append(out, limitLine{s.Upper, "upper", "lim"})
	}
	if s.HasCentre {
		out = append(out, limitLine{s.Centre, "centre", "ctr"})
	}
	if s.HasLower {
		out = append(out, limitLine{s.Lower, "lower", "lim"})
	}
	return out
}

// bands draws the white paper between limits.
func (d *paneDrawing) bands() {
	end := d.clock.x1
	if !d.chart.LehrFrom.IsZero() {
		end = d.clock.inside(d.chart.LehrFrom) // nothing is known there yet: lines go on, white paper does not
	}
	for _, s := range d.spans() {
		if !s.HasLower && !s.HasUpper {
			continue
		}
		x0, x1 := d.clock.inside(s.From), min(d.clock.inside(s.To), end)
		high, low := d.scale.top, d.scale.bottom
		if s.HasUpper {
			high, _ = d.scale.kept(s.Upper)
		}
		if s.HasLower {
			low, _ = d.scale.kept(s.Lower)
		}
		if x1 > x0 {
			d.rect(x0, high, x1-x0, low-high, s.role("band"))
		}
	}
}

func (d *paneDrawing) limitLines() {
	spans := d.spans()
	for _, s := range spans {
		x0, x1 := d.clock.inside(s.From), d.clock.inside(s.To)
		for _, l := range s.lines() {
			if y, off := d.scale.kept(l.value); off == 0 {
				d.line(x0, y, x1, y, s.role(l.role))
			}
		}
	}
	if y, off := d.scale.kept(0); d.pane.Stems && off == 0 && len(spans) == 0 {
		d.line(d.clock.x0, y, d.clock.x1, y, "ctr")
	}
}

// inLehr marks when the panels were pressed that are still to be measured.
func (d *paneDrawing) inLehr(top, bottom float64) {
	var ticks [][]XY
	if d.pane.Main {
		for _, t := range d.chart.InLehr {
			if d.clock.has(t) && !t.Before(d.chart.LehrFrom) {
				x, y := d.clock.x(t), (top+bottom)/2
				ticks = append(ticks, []XY{{x, y - 4}, {x, y + 4}})
			}
		}
	}
	if len(ticks) > 0 {
		d.stroke("wait", ticks...)
	}
}

func (d *paneDrawing) change(top, bottom float64) {
	c := d.chart.Change
	if c == nil || !d.clock.has(c.At) {
		return
	}
	x0, x1 := d.clock.inside(c.Earliest), d.clock.inside(c.Latest)
	d.rect(x0, top-4, max(x1-x0, 2), bottom-top+8, "cp")
	x := d.clock.x(c.At)
	d.line(x, top-4, x, bottom+4, "cpl")
}

// specification draws limits in view as walls, hatched on the forbidden side.
func (d *paneDrawing) specification() {
	for i, spec := range []*float64{d.pane.SpecLower, d.pane.SpecUpper} {
		if spec == nil || !finite(*spec) {
			continue
		}
		y, off := d.scale.kept(*spec)
		if off != 0 {
			continue
		}
		edge := y
		if i == 1 {
			edge = y - 7
		}
		d.rect(d.clock.x0, edge, d.clock.x1-d.clock.x0, 7, "wallf")
		d.line(d.clock.x0, y, d.clock.x1, y, "spec")
	}
}

// strips draws single values before and after the change as ticks on the pane's own scale.
func (d *paneDrawing) strips(top, bottom float64) {
	wide, gap, apart := 34.0, 12.0, 14.0
	if d.layout.phone {
		wide, gap, apart = 14, 6, 6
	}
	before := d.clock.x1 + gap
	after := before + wide + apart
	if spans := d.spans(); len(spans) > 0 {
		for _, l := range spans[len(spans)-1].lines() {
			if y, off := d.scale.kept(l.value); off == 0 {
				d.line(d.clock.x1, y, after+wide, y, "evl")
			}
		}
	}
	tick := func(x float64, values []float64, role string) {
		var paths [][]XY
		for _, v := range values {
			if finite(v) {
				y, _ := d.scale.kept(v)
				paths = append(paths, []XY{{x, y}, {x + wide, y}})
			}
		}
		if len(paths) > 0 {
			d.stroke(role, paths...)
		}
	}
	tick(before, d.pane.Before, "tick")
	tick(after, d.pane.After, "tick aft")
	if d.layout.phone {
		d.words(before, bottom+12, "before, after", "sub")
		return
	}
	d.words(before+wide/2, top-2, "before", "sub m")
	d.words(after+wide/2, top-2, "after", "badt b m")
}
