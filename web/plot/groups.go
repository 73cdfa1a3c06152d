package plot

import (
	"math"
	"strconv"
)

// Groups draws readings by group (panel, master, trial) in panes one under another (appraisers) on one scale: every reading a disc,
// the means of the groups joined.
type Groups struct {
	ID          string // unique on the page
	Title, Desc string
	Names       []string // of the groups, from left to right
	Along       string   // what the groups are, with "by": "by panel"
	Panes       []GroupPane
	Lines       []GroupLine // through all panes
	Decimals    int
	Apart       bool // the groups do not follow one another: their means are not joined
}

// GroupPane is one appraiser.
type GroupPane struct {
	Title  string
	What   string      // statistic and unit, after the first title
	Values [][]float64 // by group; values that are no numbers are left out
}

// GroupLine is a value that the readings are held against.
type GroupLine struct {
	Value float64
	Words string
}

// Wide returns the drawing as SVG, 1328 units wide; Phone 358 units wide.
func (g Groups) Wide() string { return g.Scene(wideLayout.width).SVG() }

// Phone returns the drawing for a phone.
func (g Groups) Phone() string { return g.Scene(phoneLayout.width).SVG() }

// Scene draws at any width; words keep their size.
func (g Groups) Scene(w float64) *Scene {
	phone := w < 500
	s := &Scene{Frame: Frame{Role: "plot", Width: w, Title: g.Title, Desc: g.Desc, ID: elementID("groups", g.ID+map[bool]string{true: "-phone"}[phone])}}
	right := map[bool]float64{true: 78, false: 130}[phone]
	x1 := w - right
	e := noExtent()
	for _, p := range g.Panes {
		for _, vs := range p.Values {
			for _, v := range vs {
				e.add(v)
			}
		}
	}
	if e.empty() {
		e = extent{0, 1}
	}
	for _, l := range g.Lines { // a line far from the readings must not press them flat
		if reach := e.high - e.low; l.Value > e.low-2*reach && l.Value < e.high+2*reach || reach == 0 {
			e.add(l.Value)
		}
	}
	pad := (e.high - e.low) * .08
	if pad == 0 {
		pad = max(math.Abs(e.high)*1e-6, 1e-9)
	}
	ticks := roundValues(e.low, e.high, 4)
	places := g.Decimals // of the ticks: as many as tell them apart
	if len(ticks) > 1 {
		places = min(places, max(0, int(math.Ceil(-math.Log10(ticks[1]-ticks[0])-1e-9))))
	}
	height := 120.0
	if len(g.Panes) == 1 {
		height = 200
	}
	slot := x1 / max(float64(len(g.Names)), 1)
	y := 0.0
	for i, p := range g.Panes {
		head := p.Title
		if i == 0 && p.What != "" {
			switch {
			case phone && head != "":
				s.words(0, y+14, p.What, "sub")
				y += 18
			case head != "":
				s.words(width(head)*1.15+12, y+14, p.What, "sub")
			default:
				s.words(0, y+14, p.What, "sub")
			}
		}
		if head != "" {
			s.words(0, y+14, head, "ttl")
		}
		if head != "" || p.What != "" {
			y += 22
		}
		v := scale{y, y + height, e.low - pad, e.high + pad}
		s.rect(0, y, x1, height, "band")
		for _, t := range ticks {
			s.line(0, v.y(t), x1, v.y(t), "shift")
			s.words(x1+8, v.y(t)+4.5, number(t, places), "sub")
		}
		for _, l := range g.Lines {
			at, off := v.kept(l.Value)
			if off != 0 { // said at the edge behind which it lies
				if i == 0 {
					s.words(4, map[int]float64{1: y + 15, -1: y + height - 7}[off], l.Words+map[int]string{1: ": above", -1: ": below"}[off], "sub halo")
				}
				continue
			}
			s.line(0, at, x1, at, "ctr")
			if i == 0 {
				s.words(4, at-4, l.Words, "sub halo")
			}
		}
		var path []XY
		for k, vs := range p.Values {
			x, n, mean := (float64(k)+.5)*slot, 0.0, 0.0
			for _, value := range vs {
				if finite(value) {
					n++
					mean += (value - mean) / n
				}
			}
			if n > 0 {
				path = append(path, XY{x, v.y(mean)})
			}
		}
		if len(path) > 1 && !g.Apart {
			s.stroke("path", path)
		}
		for k, vs := range p.Values {
			x, n := (float64(k)+.5)*slot, 0
			for j, value := range vs {
				if !finite(value) {
					continue
				}
				n++
				// Readings of one group stand beside one another, so that equal ones are all seen.
				dx := 0.0
				if m := len(vs); m > 1 {
					dx = (float64(j) - float64(m-1)/2) * min(slot*.5/float64(m), 7)
				}
				title := number(value, g.Decimals)
				if k < len(g.Names) {
					title = g.Names[k] + ": " + title
				}
				s.disc(x+dx, v.y(value), map[bool]float64{true: 2.2, false: 2.8}[phone || slot < 12], "pt", title)
			}
		}
		y += height + 12
	}
	y += 4
	widest := 0.0
	for _, n := range g.Names {
		widest = max(widest, width(n))
	}
	names := g.Names
	if widest+6 > slot { // numbers stand for names that find no room; the table has both
		names, widest = make([]string, len(g.Names)), 0
		for i := range names {
			names[i] = strconv.Itoa(i + 1)
			widest = max(widest, width(names[i]))
		}
	}
	every := max(1, int(math.Ceil((widest+6)/slot)))
	for i := 0; i < len(names); i += every {
		s.words((float64(i)+.5)*slot, y+6, names[i], "sub m")
	}
	if g.Along != "" {
		s.words(x1+8, y+6, g.Along, "sub")
	}
	s.Height = math.Ceil(y + 14)
	return s
}

// roundValues are round numbers between low and high, about n of them.
func roundValues(low, high float64, n int) []float64 {
	if !(high > low) || !finite(high-low) {
		return []float64{low}
	}
	raw := (high - low) / float64(n)
	step := math.Pow(10, math.Floor(math.Log10(raw)))
	for _, f := range []float64{1, 2, 5, 10} {
		if f*step >= raw {
			step *= f
			break
		}
	}
	if !(step > 0) || math.Abs(low/step) > 1e12 {
		return []float64{low}
	}
	var out []float64
	for k := math.Ceil(low / step); k*step <= high+step*1e-9 && len(out) < 20; k++ {
		out = append(out, k*step)
	}
	return out
}
