package plot

import (
	"cmp"
	"math"
	"slices"
	"time"
)

// box is the ground of a label.
type box struct{ x0, y0, x1, y1 float64 }

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
	if len(d.spans()) == 0 && !p.Stems { // no lines to give the scale: the values do
		e := noExtent()
		for i := range d.data {
			if _, off := d.scale.kept(d.data[i].Value); off == 0 {
				e.add(d.data[i].Value)
			}
		}
		for _, c := range d.binned {
			e.add(c.low)
			e.add(c.high)
		}
		switch {
		case e.empty():
		case len(d.data) == 1:
			add(e.low, "value", "sub")
		case e.low == e.high:
			add(e.low, "always", "sub")
		default:
			add(e.high, "greatest", "sub")
			add(e.low, "least", "sub")
		}
	}
	slices.SortStableFunc(labels, func(a, b label) int { return cmp.Compare(a.y, b.y) })
	y := make([]float64, len(labels))
	for i, l := range labels {
		y[i] = l.y
	}
	spread(y, labelApart, top-4, bottom+4)
	for i, l := range labels {
		d.words(d.labels, y[i]+4.5, l.text, l.role)
	}
}

// remarks writes what is to be said inside the main pane: the change, who set which limits and why, gaps, the lehr, and what lies
// outside the view. What is most needed is placed first; what finds no room is left to the page's words and table.
func (d *paneDrawing) remarks(top, bottom float64) {
	rows := []float64{top + 13}
	if d.crowded() {
		rows = append(rows, top+29)
	}
	foot := []float64{bottom - 8}
	if c := d.chart.Change; c != nil && d.clock.has(c.At) && c.Words != "" {
		x := d.clock.x(c.At)
		d.place(rows, x-6, x+6, c.Words, "cpt", true)
	}
	spans := d.spans()
	for i, s := range spans {
		x := d.clock.x(s.From)
		moves := i > 0 && s.Words == "" && !spans[i-1].To.Before(s.From) // limits that follow each point are no revision
		if s.From.After(d.clock.from) && !moves {
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
		d.placeAlong([]float64{top + 13, top + 29}, lie(above, "above"), "sub halo")
	}
	if below > 0 {
		d.placeAlong([]float64{bottom - 8, bottom - 24}, lie(below, "below"), "sub halo")
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
		d.place(foot, g.x-6, g.x+6, "no panels, "+lasting(g.long), "gap halo", false)
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

// crowded says that the words at the pane's top need two rows.
func (d *paneDrawing) crowded() bool {
	type stretch struct{ x0, x1 float64 }
	var taken []stretch
	if c := d.chart.Change; c != nil && d.clock.has(c.At) {
		x := d.clock.x(c.At)
		taken = append(taken, stretch{x - 6 - width(c.Words), x})
	}
	for _, s := range d.spans() {
		if s.Words == "" {
			continue
		}
		x := d.clock.inside(s.From)
		t := stretch{x, x + 6 + width(s.Words)}
		for _, o := range taken {
			if t.x0 < o.x1+6 && o.x0 < t.x1+6 {
				return true
			}
		}
		taken = append(taken, t)
	}
	return false
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

// placeAlong writes words that belong to no one time at the first free stretch of the rows.
func (d *paneDrawing) placeAlong(rows []float64, text, role string) {
	for _, y := range rows {
		for x := d.clock.x0; x < d.clock.x1; x += 20 {
			if d.place([]float64{y}, math.Inf(-1), x, text, role, false) {
				return
			}
		}
	}
}

// crossed says whether the line from l.x0, l.y0 to l.x1, l.y1 passes through the box.
func (b box) crossed(l box) bool {
	in, out := 0.0, 1.0
	for _, axis := range [2][4]float64{{l.x0, l.x1, b.x0, b.x1}, {l.y0, l.y1, b.y0, b.y1}} {
		from, way := axis[0], axis[1]-axis[0]
		if way == 0 {
			if from < axis[2] || from > axis[3] {
				return false
			}
			continue
		}
		a, c := (axis[2]-from)/way, (axis[3]-from)/way
		in, out = max(in, min(a, c)), min(out, max(a, c))
	}
	return in <= out
}

func (d *paneDrawing) overlaps(b box) bool {
	for _, l := range d.leads {
		if b.crossed(l) {
			return true
		}
	}
	for _, t := range d.taken {
		if b.x0 < t.x1+6 && t.x0 < b.x1+6 && b.y0 < t.y1 && t.y0 < b.y1 {
			return true
		}
	}
	return false
}
