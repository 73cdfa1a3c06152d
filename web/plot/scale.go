package plot

import (
	"math"
	"slices"
)

// scale maps values to y within a pane.
type scale struct{ top, bottom, low, high float64 }

func (v scale) y(value float64) float64 {
	return v.bottom - (value-v.low)/(v.high-v.low)*(v.bottom-v.top)
}

// kept gives y within the pane, and -1, 0 or 1 for a value below, inside or above it.
func (v scale) kept(value float64) (float64, int) {
	switch {
	case value > v.high:
		return v.top, 1
	case value < v.low:
		return v.bottom, -1
	}
	return v.y(value), 0
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

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
		if !allowed.empty() { // single values far out do not count
			data = d.extentWithin(allowed, sample)
		}
		if !data.empty() {
			view.add(data.low)
			view.add(data.high)
		}
	}
	if view.empty() {
		view = extent{0, 1}
	}
	for _, spec := range []*float64{p.SpecLower, p.SpecUpper} {
		if spec != nil && finite(*spec) {
			if near := (view.high - view.low) * .6; *spec >= view.low-near && *spec <= view.high+near {
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
		if d.crowded() {
			above = 40 // two rows of words
		}
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

// extentWithin is the range of the values that lie in allowed.
func (d *paneDrawing) extentWithin(allowed extent, sample []float64) extent {
	e := noExtent()
	add := func(v float64) {
		if v >= allowed.low && v <= allowed.high {
			e.add(v)
		}
	}
	for _, v := range sample {
		add(v)
	}
	for i := range d.data {
		q := &d.data[i]
		add(q.Value)
		if q.U > 0 && len(d.data) <= 60 {
			add(q.Value - 2*q.U)
			add(q.Value + 2*q.U)
		}
	}
	return e
}
