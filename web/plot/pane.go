package plot

import (
	"math"
	"slices"
	"time"
)

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
}

// box is the ground of a label.
type box struct{ x0, y0, x1, y1 float64 }

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

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// draw puts the pane at height y and returns the height of its lower edge.
func (d *paneDrawing) draw(y float64) float64 {
	p := d.pane
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
	d.limits()
	d.change(top, bottom)
	d.specification()
	switch {
	case len(d.data) == 0 && len(d.binned) == 0:
		d.words((d.clock.x0+d.clock.x1)/2, (top+bottom)/2+4.5, "no panels in this time", "gap m")
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

// extent is a growing range of values.
type extent struct{ low, high float64 }

func noExtent() extent { return extent{math.Inf(1), math.Inf(-1)} }

func (e *extent) add(v float64) {
	if finite(v) {
		e.low, e.high = min(e.low, v), max(e.high, v)
	}
}

func (e extent) empty() bool { return e.low > e.high }

// scaleFor chooses the values at the pane's edges: all limits in view and the data, but single values far from the rest do not press
// the picture flat. They stand at the edge as arrows and are counted in words.
func (d *paneDrawing) scaleFor(top, bottom float64, marks []signalLabel) scale {
	p := d.pane
	band, data := noExtent(), noExtent()
	var sample []float64
	keep := func(v float64) { data.add(v); sample = append(sample, v) }
	stride := 1 + len(d.data)/2000
	for i := range d.data {
		data.add(d.data[i].Value)
		if i%stride == 0 {
			sample = append(sample, d.data[i].Value)
		}
		if u := d.data[i].U; u > 0 && finite(u) && len(d.data) <= 60 {
			data.add(d.data[i].Value - 2*u)
			data.add(d.data[i].Value + 2*u)
		}
	}
	if len(d.data) == 0 {
		for _, c := range d.binned {
			keep(c.low)
			keep(c.high)
		}
	}
	for _, v := range [][]float64{p.Before, p.After} {
		for _, v := range v {
			if p.Main && finite(v) {
				keep(v)
			}
		}
	}
	lowerLimit, upperLimit := false, false
	for _, s := range d.spans() {
		lowerLimit, upperLimit = lowerLimit || s.HasLower, upperLimit || s.HasUpper
		for _, l := range s.lines() {
			band.add(l.value)
		}
	}
	fromZero := upperLimit && !lowerLimit && !p.Stems && (data.empty() || data.low >= 0)
	if fromZero || p.Stems {
		band.add(0)
	}
	// How far single values may stretch the view: three bands beyond the limits, or twelve quartile ranges beyond the quartiles.
	allowed := noExtent()
	if len(sample) > 0 {
		slices.Sort(sample)
		q1, q3 := sample[len(sample)/4], sample[3*len(sample)/4]
		if r := q3 - q1; r > 0 && finite(r) {
			allowed.add(q1 - 12*r)
			allowed.add(q3 + 12*r)
		}
	}
	if w := band.high - band.low; !band.empty() && w > 0 && finite(w) {
		allowed.add(band.low - 3*w)
		allowed.add(band.high + 3*w)
	}
	view := band
	if !data.empty() {
		if !allowed.empty() {
			data.low, data.high = min(max(data.low, allowed.low), allowed.high), max(min(data.high, allowed.high), allowed.low)
		}
		view.add(data.low)
		view.add(data.high)
	}
	if view.empty() {
		view = extent{0, 1}
	}
	for _, spec := range []*float64{p.SpecLower, p.SpecUpper} {
		if spec != nil && finite(*spec) {
			if near := (view.high - view.low) / 4; *spec >= view.low-near && *spec <= view.high+near {
				view.add(*spec)
			}
		}
	}
	if p.Stems {
		m := max(-view.low, view.high)
		view = extent{-m, m}
	}
	// The last printed decimal is the least height worth showing.
	if least := max(4*math.Pow(10, -float64(min(max(p.Decimals, 0), 12))), 1e-9*max(math.Abs(view.low), math.Abs(view.high))); view.high-view.low < least {
		middle := view.low/2 + view.high/2
		if fromZero {
			view.high = view.low + least
		} else {
			view = extent{middle - least/2, middle + least/2}
		}
	}
	// Room for words above and below the data.
	height := bottom - top
	above, below := .06*height, .06*height
	if p.Main {
		above, below = 24, 26
		for _, m := range marks {
			if m.below {
				below = 46
			} else {
				above = 46
			}
		}
		above, below = min(above, .2*height), min(below, .2*height)
	}
	if fromZero && view.low == 0 && !p.Main {
		below = 0
	}
	per := (view.high - view.low) / (height - above - below)
	if !finite(per) || per <= 0 { // a range that has no middle in floating point
		return scale{top, bottom, -math.MaxFloat64 / 4, math.MaxFloat64 / 4}
	}
	return scale{top, bottom, view.low - below*per, view.high + above*per}
}

// limits draws bands first and lines upon them.
func (d *paneDrawing) limits() {
	spans := d.spans()
	end := d.clock.x1
	if !d.chart.LehrFrom.IsZero() {
		end = d.clock.inside(d.chart.LehrFrom) // nothing is known there yet: lines go on, white paper does not
	}
	role := func(s LimitSpan, name string) string {
		if s.Provisional {
			return name + " prov"
		}
		return name
	}
	for _, s := range spans {
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
			d.rect(x0, high, x1-x0, low-high, role(s, "band"))
		}
	}
	for _, s := range spans {
		x0, x1 := d.clock.inside(s.From), d.clock.inside(s.To)
		for _, l := range s.lines() {
			if y, off := d.scale.kept(l.value); off == 0 {
				d.line(x0, y, x1, y, role(s, l.role))
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

func (d *paneDrawing) outOfView(spec *float64) bool {
	if spec == nil || !finite(*spec) {
		return false
	}
	_, off := d.scale.kept(*spec)
	return off != 0
}

// lineEnds writes the values at the right ends of the lines, pushed apart.
func (d *paneDrawing) lineEnds(top, bottom float64) {
	type label struct {
		y          float64
		text, role string
	}
	var labels []label
	p := d.pane
	add := func(v float64, word, role string) {
		y, off := d.scale.kept(v)
		if off != 0 {
			return
		}
		text := number(v, p.Decimals)
		if p.Stems {
			text = signed(v, p.Decimals)
		}
		switch {
		case d.layout.phone:
		case word == "centre" && p.ZeroLabel != "" && v == 0:
			text = p.ZeroLabel
		default:
			text = word + " " + text
		}
		labels = append(labels, label{y, text, role})
	}
	if spans := d.spans(); len(spans) > 0 {
		for _, l := range spans[len(spans)-1].lines() {
			role := "sub"
			if l.word == "centre" {
				role = ""
			}
			add(l.value, l.word, role)
		}
	} else if p.Stems {
		add(0, "centre", "")
	}
	for _, spec := range []*float64{p.SpecLower, p.SpecUpper} {
		if spec != nil && finite(*spec) {
			add(*spec, "specification", "b")
		}
	}
	if len(p.Columns) > 0 && len(labels) == 0 && len(d.binned) > 0 {
		e := noExtent()
		for _, c := range d.binned {
			e.add(c.low)
			e.add(c.high)
		}
		add(e.high, "greatest", "sub")
		add(e.low, "least", "sub")
	}
	slices.SortStableFunc(labels, func(a, b label) int { return cmpFloat(a.y, b.y) })
	y := make([]float64, len(labels))
	for i, l := range labels {
		y[i] = l.y
	}
	spread(y, labelApart, top-4, bottom+4)
	for i, l := range labels {
		d.words(d.labels, y[i]+4.5, l.text, l.role)
	}
}

func cmpFloat(a, b float64) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
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

// remarks writes what is to be said inside the main pane: the change, who set which limits and why, gaps, the lehr, and what lies
// outside the view. What is most needed is placed first; what finds no room is left to the page's words and table.
func (d *paneDrawing) remarks(top, bottom float64) {
	rows := []float64{top + 13, top + 29}
	foot := []float64{bottom - 8}
	if c := d.chart.Change; c != nil && d.clock.has(c.At) && c.Words != "" {
		x := d.clock.x(c.At)
		d.place(rows, x-6, x+6, c.Words, "cpt", true)
	}
	spans := d.spans()
	for i, s := range spans {
		x := d.clock.x(s.From)
		if s.From.After(d.clock.from) {
			d.line(x, top-6, x, bottom, "rev")
		}
		if next := i + 1; s.To.Before(d.clock.to) && (next == len(spans) || spans[next].From.After(s.To)) {
			end := d.clock.x(s.To)
			d.line(end, top-6, end, bottom, "rev")
		}
	}
	for i := len(spans) - 1; i >= 0; i-- {
		s := spans[i]
		role := "sub"
		if s.Provisional {
			role = "provt"
		}
		x := d.clock.inside(s.From)
		d.place(rows, x-6, x+6, s.Words, role, false)
	}
	if from := d.chart.LehrFrom; !from.IsZero() && d.clock.inside(from) < d.clock.x1 {
		d.place([]float64{bottom - 8, bottom - 24}, d.clock.x1-4, d.clock.inside(from)+6, "in the lehr, not yet measured", "halo", true)
	}
	above, below := 0, 0
	for i := range d.data {
		switch _, off := d.scale.kept(d.data[i].Value); off {
		case 1:
			above++
		case -1:
			below++
		}
	}
	if above > 0 {
		d.place(rows, d.clock.x0-6, d.clock.x0+4, lie(above, "above"), "sub halo", false)
	}
	if below > 0 {
		d.place([]float64{bottom - 8, bottom - 24}, d.clock.x0-6, d.clock.x0+4, lie(below, "below"), "sub halo", false)
	}
	if text := d.specificationWords(); text != "" {
		d.place([]float64{bottom - 8, bottom - 24}, d.clock.x0-6, d.clock.x0, text, "sub", false)
	}
	type gap struct {
		x    float64
		long time.Duration
	}
	var gaps []gap
	for i := 1; i < len(d.data); i++ {
		if !d.data[i].Gap {
			continue
		}
		long := d.data[i].At.Sub(d.data[i-1].At)
		if x := d.clock.x(d.data[i-1].At); long > longGap && d.clock.x(d.data[i].At)-x > 3 {
			gaps = append(gaps, gap{x, long})
		}
	}
	slices.SortStableFunc(gaps, func(a, b gap) int { return int(min(max(b.long-a.long, -1), 1)) })
	for _, g := range gaps[:min(len(gaps), 24)] {
		d.place(foot, g.x-6, g.x+6, "no panels, "+lasting(g.long), "gap", false)
	}
}

func lie(n int, side string) string {
	if n == 1 {
		return "one value lies " + side + " this view"
	}
	return count(n) + " values lie " + side + " this view"
}

func (d *paneDrawing) specificationWords() string {
	p := d.pane
	lower, upper := d.outOfView(p.SpecLower), d.outOfView(p.SpecUpper)
	unit := ""
	if p.SpecUnit != "" {
		unit = noBreak + p.SpecUnit
	}
	decimals := func(v float64) int { // as few as show the value whole
		for n := range 6 {
			if s := math.Pow(10, float64(n)); math.Abs(math.Round(v*s)/s-v) < 1e-9*max(1, math.Abs(v)) {
				return n
			}
		}
		return 6
	}
	switch {
	case lower && upper:
		n := max(decimals(*p.SpecLower), decimals(*p.SpecUpper))
		return "specification " + number(*p.SpecLower, n) + " to " + number(*p.SpecUpper, n) + unit + " lies outside this view"
	case upper:
		return "specification, at most " + number(*p.SpecUpper, decimals(*p.SpecUpper)) + unit + ", lies outside this view"
	case lower:
		return "specification, at least " + number(*p.SpecLower, decimals(*p.SpecLower)) + unit + ", lies outside this view"
	}
	return ""
}

// place writes words in the first of the rows where they find room: ending at before or beginning at after, tried in that order when
// leftFirst, else the other way round. It says whether they were written.
func (d *paneDrawing) place(rows []float64, before, after float64, text, role string, leftFirst bool) bool {
	if text == "" {
		return false
	}
	for _, y := range rows {
		for _, left := range []bool{leftFirst, !leftFirst} {
			b := box{after, y - 12, after + width(text), y + 3}
			r := role
			if left {
				b.x0, b.x1 = before-width(text), before
				r += " e"
			}
			if b.x0 < d.clock.x0-1 || b.x1 > d.clock.x1+1 || d.overlaps(b) {
				continue
			}
			x := after
			if left {
				x = before
			}
			d.taken = append(d.taken, b)
			d.words(x, y, text, r)
			return true
		}
	}
	return false
}

func (d *paneDrawing) overlaps(b box) bool {
	for _, t := range d.taken {
		if b.x0 < t.x1+6 && t.x0 < b.x1+6 && b.y0 < t.y1 && t.y0 < b.y1 {
			return true
		}
	}
	return false
}
