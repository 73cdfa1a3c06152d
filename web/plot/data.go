package plot

import (
	"math"
	"slices"
)

// column is what one strip of the picture, columnWidth wide, holds of a long view.
type column struct {
	x               float64
	low, high, mean float64
	n               int
	index           int // of the strip
	signals         int
	sigLow, sigHigh int // data index of the least and the greatest signal point, -1 for none or not known
	href, title     string
}

// bin gathers points, or columns worked out beforehand, into strips.
func (d *paneDrawing) bin() []column {
	strips := max(1, int((d.clock.x1-d.clock.x0)/columnWidth))
	all := make([]column, strips)
	at := func(x float64) *column {
		i := min(max(int((x-d.clock.x0)/columnWidth), 0), strips-1)
		c := &all[i]
		if c.n == 0 && c.signals == 0 {
			*c = column{low: math.Inf(1), high: math.Inf(-1), sigLow: -1, sigHigh: -1, index: i, x: d.clock.x0 + (float64(i)+.5)*columnWidth}
		}
		return c
	}
	if len(d.pane.Columns) > 0 {
		for _, q := range d.pane.Columns {
			if q.N <= 0 || !finite(q.Min) || !finite(q.Max) || !finite(q.Mean) || !d.clock.has(q.At) {
				continue
			}
			c := at(d.clock.x(q.At))
			c.low, c.high = min(c.low, q.Min), max(c.high, q.Max)
			c.mean += (q.Mean - c.mean) * (float64(q.N) / float64(c.n+q.N))
			c.n += q.N
			c.signals += q.Signals
			if c.href == "" || q.Signals > 0 {
				c.href, c.title = q.Href, q.Title
			}
		}
	} else {
		for i := range d.data {
			q := &d.data[i]
			if q.Kind == Hollow {
				continue
			}
			c := at(d.clock.x(q.At))
			c.low, c.high = min(c.low, q.Value), max(c.high, q.Value)
			c.n++
			c.mean += (q.Value - c.mean) / float64(c.n)
			if q.Kind == Signal {
				c.signals++
				if c.sigLow < 0 || q.Value < d.data[c.sigLow].Value {
					c.sigLow = i
				}
				if c.sigHigh < 0 || q.Value > d.data[c.sigHigh].Value {
					c.sigHigh = i
				}
			}
		}
	}
	return slices.DeleteFunc(all, func(c column) bool { return c.n == 0 })
}

// columns draws the long view: from least to greatest in each strip, the mean on top, and in every strip with signals their outermost.
func (d *paneDrawing) columns() {
	var bars [][]XY
	for _, c := range d.binned {
		high, _ := d.scale.kept(c.high)
		low, _ := d.scale.kept(c.low)
		if low-high < 1 {
			high, low = (high+low)/2-.5, (high+low)/2+.5
		}
		if c.href != "" || c.title != "" {
			d.linked(Mark{Kind: Line, X: c.x, Y: high, X2: c.x, Y2: low, Role: "col", Href: c.href, Title: c.title})
		} else {
			bars = append(bars, []XY{{c.x, high}, {c.x, low}})
		}
	}
	if len(bars) > 0 {
		d.stroke("col", bars...)
	}
	// The mean line breaks where strips are empty beyond the usual distance of columns.
	usual := 1
	if n := len(d.binned); n > 2 {
		apart := make([]int, 0, n-1)
		for i := 1; i < n; i++ {
			apart = append(apart, d.binned[i].index-d.binned[i-1].index)
		}
		slices.Sort(apart)
		usual = apart[len(apart)/2]
	}
	var paths [][]XY
	for i, c := range d.binned {
		if i == 0 || float64(c.index-d.binned[i-1].index) > 1.6*float64(usual) {
			paths = append(paths, nil)
		}
		y, _ := d.scale.kept(c.mean)
		paths[len(paths)-1] = append(paths[len(paths)-1], XY{c.x, y})
	}
	d.stroke("mean", slices.DeleteFunc(paths, func(p []XY) bool { return len(p) < 2 })...)
	hollow := math.Inf(-1) // x of the last one drawn: one in a strip is seen
	for i := range d.data {
		if x := d.clock.x(d.data[i].At); d.data[i].Kind == Hollow && x-hollow >= columnWidth {
			d.point(&d.data[i], .6)
			hollow = x
		}
	}
	for _, c := range d.binned {
		switch {
		case c.signals == 0:
		case c.sigLow < 0: // counted, value not known: at the end that is farther from the mean
			v := c.high
			if c.mean-c.low > c.high-c.mean {
				v = c.low
			}
			y, _ := d.scale.kept(v)
			d.linked(Mark{Kind: Disc, X: c.x, Y: y, X2: 3.6, Role: "pt sig", Href: c.href, Title: c.title})
		default:
			d.point(&d.data[c.sigLow], 1.6)
			if c.sigHigh != c.sigLow {
				d.point(&d.data[c.sigHigh], 1.6)
			}
		}
	}
}

// points draws single values: the line, or stems, then discs, then signals on top.
func (d *paneDrawing) points(discs bool) {
	p := d.pane
	r := 1.4
	switch {
	case p.Main:
		r = 2.1
	case p.Stems:
		r = 1.5
	}
	if p.Stems {
		zero, _ := d.scale.kept(0)
		stems := make([][]XY, 0, len(d.data))
		for i := range d.data {
			x := d.clock.x(d.data[i].At)
			y, _ := d.scale.kept(d.data[i].Value)
			stems = append(stems, []XY{{x, zero}, {x, y}})
		}
		d.stroke("stem", stems...)
	} else {
		role := "path"
		if !p.Main {
			role = "path thin"
		}
		d.path(role)
	}
	if discs && len(d.data) <= 60 {
		for i := range d.data {
			d.whisker(&d.data[i])
		}
	}
	for _, kind := range []PointKind{Measured, Hollow, Signal} {
		for i := range d.data {
			if q := &d.data[i]; q.Kind == kind && (discs || kind != Measured || len(d.data) == 1) {
				d.point(q, r)
			}
		}
	}
	d.reasons()
}

func (d *paneDrawing) path(role string) {
	var paths [][]XY
	for i := range d.data {
		if i == 0 || d.data[i].Gap {
			paths = append(paths, make([]XY, 0, 16))
		}
		y, _ := d.scale.kept(d.data[i].Value)
		last := len(paths) - 1
		paths[last] = append(paths[last], XY{d.clock.x(d.data[i].At), y})
	}
	if paths = slices.DeleteFunc(paths, func(p []XY) bool { return len(p) < 2 }); len(paths) > 0 {
		d.stroke(role, paths...)
	}
}

// whisker draws the doubt of a value, k = 2.
func (d *paneDrawing) whisker(q *Point) {
	if !(q.U > 0) || !finite(q.U) {
		return
	}
	x := d.clock.x(q.At)
	low, _ := d.scale.kept(q.Value - 2*q.U)
	high, _ := d.scale.kept(q.Value + 2*q.U)
	d.stroke("whisk", []XY{{x, low}, {x, high}}, []XY{{x - 3, low}, {x + 3, low}}, []XY{{x - 3, high}, {x + 3, high}})
}

// point draws one value as a disc, or as an arrow at the edge when it lies outside the view.
func (d *paneDrawing) point(q *Point, r float64) {
	role := "pt"
	switch q.Kind {
	case Hollow:
		role, r = "pt off", r+1.2
	case Signal:
		role, r = "pt sig", max(r*2.1, 3.6)
	}
	title := q.Title
	if q.Kind == Hollow && q.Reason != "" {
		title += ", " + q.Reason
	}
	x := d.clock.x(q.At)
	y, off := d.scale.kept(q.Value)
	m := Mark{Kind: Disc, X: x, Y: y, X2: r, Role: role, Title: title, Href: q.Href}
	if off != 0 {
		tip, foot := y, y+float64(off)*8
		m = Mark{Kind: Area, X: x, Role: role, Title: title, Href: q.Href, Paths: [][]XY{{{x, tip}, {x - 4.5, foot}, {x + 4.5, foot}}}}
	}
	d.linked(m)
}

// linked adds a mark and remembers the newest link: the one that the tab key reaches.
func (d *paneDrawing) linked(m Mark) {
	if m.Href != "" {
		if *d.link < 0 || m.X >= d.Marks[*d.link].X {
			*d.link = len(d.Marks)
		}
		d.Links = true
	}
	d.add(m)
}
