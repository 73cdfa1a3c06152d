package plot

import (
	"math"
	"slices"
	"strconv"
)

const (
	mapWidth  = 640.0
	mapMargin = 14.0
	mapLines  = 9 // contour lines that show at most
)

// relief is a map worked out as far as both its drawing and its contour step need.
type relief struct {
	outline         []XY // in mm, y up
	x0, y0, x1, y1  float64
	mapped          bool // there is a surface
	grid            field
	lowest, highest float64 // of the surface inside the outline
	step            float64
	worst           int // index in Places, -1 for none
}

// SVG returns the map, 640 units wide and as high as the panel's shape asks.
func (m Map) SVG() string { return m.Scene().SVG() }

// StepUM returns the contour step of the map in µm: 20, 25, 50 or 100, or the next of 1, 2 and 5 times a power of ten where the
// surface is higher than that, so that at most nine lines show; on a surface flatter than 20 µm a smaller one. Step overrides it.
func (m Map) StepUM() float64 { return m.relief().step }

func (m Map) relief() relief {
	r := relief{worst: -1}
	var counted []Place
	for i, p := range m.Places {
		if (p.State != Used && p.State != Suspect) || !finite(p.DevUM) || !finite(p.X) || !finite(p.Y) {
			continue
		}
		counted = append(counted, p)
		switch {
		case m.WorstPlace > 0:
			if p.N == m.WorstPlace {
				r.worst = i
			}
		case m.WorstPlace == 0:
			if r.worst < 0 || math.Abs(p.DevUM) > math.Abs(m.Places[r.worst].DevUM) {
				r.worst = i
			}
		}
	}
	r.outline = m.Outline.polygon(m.Places)
	r.x0, r.y0, r.x1, r.y1 = bounds(r.outline)
	if f, ok := fitSurface(counted); ok {
		r.grid = f.over(r.x0, r.y0, r.x1, r.y1)
		r.lowest, r.highest = r.grid.reach(r.outline)
		r.mapped = finite(r.lowest) && finite(r.highest)
	}
	r.step = m.Step
	if !(r.step > 0) || !finite(r.step) {
		r.step = contourStep(r.lowest, r.highest)
	}
	return r
}

// contourStep chooses the step in µm for a surface between low and high.
func contourStep(low, high float64) float64 {
	lines := func(step float64) float64 { return math.Floor(max(high, 0)/step) + math.Floor(max(-low, 0)/step) }
	if max(high, -low) < 20 {
		for _, s := range []float64{10, 5, 2} {
			if lines(s) >= 2 {
				return s
			}
		}
		return 1
	}
	for _, s := range []float64{20, 25} {
		if lines(s) <= mapLines {
			return s
		}
	}
	for decade := 10.0; decade < 1e300; decade *= 10 {
		for _, k := range []float64{2, 5, 10} {
			if s := k * decade; s >= 50 && lines(s) <= mapLines {
				return s
			}
		}
	}
	return 1e300
}

// Scene returns the map for another writer than SVG.
func (m Map) Scene() *Scene {
	r := m.relief()
	k := (mapWidth - 2*mapMargin) / (r.x1 - r.x0)
	sx := func(x float64) float64 { return mapMargin + k*(x-r.x0) }
	sy := func(y float64) float64 { return mapMargin + k*(r.y1-y) }
	height := 2*mapMargin + k*(r.y1-r.y0) + 18
	s := &Scene{Frame: Frame{Role: "map", Width: mapWidth, Height: math.Ceil(height), Title: m.Title, Desc: m.Desc, ID: elementID("map", m.ID)}}
	if m.Small {
		s.Role = "map mini"
	}
	onSheet := func(p []XY) []XY {
		out := make([]XY, len(p))
		for i, q := range p {
			out[i] = XY{sx(q.X), sy(q.Y)}
		}
		return out
	}
	edge := onSheet(r.outline)
	s.area("glass", edge)
	if r.mapped {
		s.add(Mark{Kind: ClipBegin, Paths: [][]XY{edge}})
		for i := 1; i <= mapLines; i++ {
			for _, side := range []struct {
				level float64
				role  string
			}{{float64(i) * r.step, "hi"}, {-float64(i) * r.step, "lo"}} {
				if side.level > r.highest || side.level < r.lowest {
					continue
				}
				loops := r.grid.contour(side.level, side.level > 0)
				for j := range loops {
					loops[j] = onSheet(loops[j])
				}
				if len(loops) > 0 {
					s.area(side.role, loops...)
				}
			}
		}
		s.add(Mark{Kind: ClipEnd})
	}
	s.area("skirt", edge)
	numbers := m.Numbers && !m.Small && nearest(m.Places)*k >= 34
	for i := range m.Places {
		m.place(s, i, i == r.worst, numbers, sx, sy)
	}
	caption := m.Caption
	if caption == "" && r.mapped {
		caption = "contours every " + stepWords(r.step) + " from the product's own contour"
	}
	if caption != "" {
		s.words(mapWidth/2, s.Height-6, caption, "sub")
	}
	return s
}

func stepWords(step float64) string {
	n := 0
	for n < 6 && math.Abs(step*math.Pow(10, float64(n))-math.Round(step*math.Pow(10, float64(n)))) > 1e-9 {
		n++
	}
	return number(step, n) + noBreak + "µm"
}

// place draws one place: disc by sign and size, ring, cross or broken ring, and its number.
func (m Map) place(s *Scene, i int, worst, numbers bool, sx, sy func(float64) float64) {
	p := m.Places[i]
	if !finite(p.X) || !finite(p.Y) {
		return
	}
	x, y := sx(p.X), sy(p.Y)
	name := "place " + strconv.Itoa(p.N)
	state := p.State
	if !finite(p.DevUM) && state != Faulty {
		state = Missing
	}
	switch state {
	case Missing:
		s.disc(x, y, 5.5, "miss", name+": no reading")
		if numbers {
			s.words(x, y+19, "none", "sub halo")
		}
		return
	case Faulty:
		s.add(Mark{Kind: Stroke, Role: "fault", Title: name + ": its probe was found faulty; left out",
			Paths: [][]XY{{{x - 6, y - 6}, {x + 6, y + 6}}, {{x + 6, y - 6}, {x - 6, y + 6}}}})
		if numbers {
			s.words(x, y+21, "faulty", "faultt halo")
		}
		return
	}
	r := min(2+.62*math.Sqrt(math.Abs(p.DevUM)), 13)
	role := "d hi"
	if p.DevUM < 0 {
		role = "d lo"
	}
	value := signed(p.DevUM, 0)
	title := name + ": " + value + noBreak + "µm"
	if state == Suspect {
		title += ", suspect, counted"
	}
	s.disc(x, y, r, role, title)
	switch {
	case state == Suspect:
		s.disc(x, y, r+4, "susp", "")
		s.disc(x, y, r+8, "susp", "")
		s.words(x, y+r+12, "suspect", "suspt halo under")
		above := "b halo"
		if worst {
			above = "wt halo"
		}
		s.words(x, y-r-13, value, above)
	case worst:
		s.disc(x, y, r+4, "worst", "")
		s.words(x, max(y-r-9, 15), value, "wt halo")
	case numbers:
		s.words(x, y+r+3.5, value, "halo under")
	}
}

// nearest is the distance between the two places that lie closest, in mm.
func nearest(places []Place) float64 {
	best := math.Inf(1)
	for i, a := range places {
		for _, b := range places[:i] {
			if h := math.Hypot(a.X-b.X, a.Y-b.Y); h > 0 {
				best = min(best, h)
			}
		}
	}
	return best
}

// polygon returns the outline as a closed polygon in mm, anticlockwise.
func (o Outline) polygon(places []Place) []XY {
	var cx, cy float64
	w, h, corner := o.WidthMM/2, o.HeightMM/2, o.CornerMM
	if !(w > 0) || !(h > 0) || !finite(w) || !finite(h) {
		cx, cy, w, h, corner = around(places)
	}
	corner = min(max(corner, 0), w, h)
	if !finite(corner) {
		corner = 0
	}
	const arc = 14
	out := make([]XY, 0, 4*(arc+1))
	for quarter := range 4 {
		mid := [4][2]float64{{1, 1}, {-1, 1}, {-1, -1}, {1, -1}}[quarter]
		for i := range arc + 1 {
			a := math.Pi / 2 * (float64(quarter) + float64(i)/arc)
			out = append(out, XY{cx + mid[0]*(w-corner) + corner*math.Cos(a), cy + mid[1]*(h-corner) + corner*math.Sin(a)})
			if corner == 0 {
				break
			}
		}
	}
	return out
}

// around derives an outline from the places: their rectangle with a margin of an eighth of its half-width, and corners as round as
// leave every place at least half that margin from the edge.
func around(places []Place) (cx, cy, w, h, corner float64) {
	ex, ey := noExtent(), noExtent()
	for _, p := range places {
		if finite(p.X) && finite(p.Y) {
			ex.add(p.X)
			ey.add(p.Y)
		}
	}
	if ex.empty() {
		return 0, 0, 270, 210, 70
	}
	cx, cy = ex.low/2+ex.high/2, ey.low/2+ey.high/2
	w, h = ex.high/2-ex.low/2, ey.high/2-ey.low/2
	margin := max(w, h) / 8
	if !(margin > 0) {
		margin = 20
	}
	w, h = w+margin, h+margin
	for corner = .45 * min(w, h); corner > 1; corner *= .9 {
		fits := !slices.ContainsFunc(places, func(p Place) bool {
			dx, dy := math.Abs(p.X-cx)-(w-corner), math.Abs(p.Y-cy)-(h-corner)
			return dx > 0 && dy > 0 && math.Hypot(dx, dy) > corner-margin/2
		})
		if fits {
			break
		}
	}
	return cx, cy, w, h, corner
}

func bounds(p []XY) (x0, y0, x1, y1 float64) {
	x0, y0, x1, y1 = p[0].X, p[0].Y, p[0].X, p[0].Y
	for _, q := range p {
		x0, x1, y0, y1 = min(x0, q.X), max(x1, q.X), min(y0, q.Y), max(y1, q.Y)
	}
	return
}
