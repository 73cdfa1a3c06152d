package main

import (
	"fmt"
	"math"
	"time"

	"sagwatch/spc/surface"
)

// Spreads of the sound process, invented but of the trade's size (common practice, no source). Radii in mm, shape in um at
// the corner.
const (
	mouldRadiusSD = 0.30 // each mould's own level
	panelRadiusSD = 0.22
	driftCommonSD = 0.03 // mould temperature, all moulds together
	driftMouldSD  = 0.06
	mouldShapeSD  = 5 // each shape term of each mould
	plungerSD     = 7 // each shape term of the plunger, the same in every mould
	panelShapeSD  = 2.5
	laneTwofold   = 8 // how differently the lehr's lanes sag
	placeMouldUM  = 2.5
	placePlunger  = 3.0
	missingShare  = 0.004 // rejected by eye or broken before the gauge
	emptyShare    = 0.0005
	restUM        = 20 // scatter of the seating: height
	restTilt      = 5e-5
)

// shaped are the terms that differ from panel to panel beside the radius.
var shaped = []int{surface.Twofold, surface.Twist, surface.Cubic1, surface.Cubic2, surface.Cubic3, surface.Cubic4, surface.Bow4}

// panel is one pressing.
type panel struct {
	line    *line
	n       int64 // count of the press since the origin
	mould   int
	lane    int
	pressed time.Time
}

func (l *line) panel(n int64) panel {
	return panel{line: l, n: n, mould: int(n % int64(len(l.moulds))), lane: int(n % int64(len(l.lanes))), pressed: origin.Add(time.Duration(n) * l.takt)}
}

// firstAt is the count of the first panel that is pressed at t or later.
func (l *line) firstAt(t time.Time) int64 {
	d := t.Sub(origin)
	n := int64(d / l.takt)
	if time.Duration(n)*l.takt < d {
		n++
	}
	return n
}

func (p *panel) serial() string { return fmt.Sprintf("%s-%07d", p.line.press, p.n) }
func (p *panel) cycle() int64   { return p.n / int64(len(p.line.moulds)) }

// form is how a panel differs from its contour.
type form struct {
	radius float64                // mm more than nominal
	shape  [surface.Terms]float64 // um at the corner, leading parts of the shape terms
	places []float64              // mm, what no low term holds
	// outside dimensions
	width, height, flatness float64 // mm
}

// at is the height in mm of the panel above its own apex plane, near place i.
func (f *form) at(l *line, i int, x, y float64) float64 {
	z, ok := l.surface.Height(x, y)
	if !ok {
		return math.NaN()
	}
	return z + f.above(l, x, y) + f.places[i]
}

// above is the height over the contour in mm: a sphere of another radius, and the shape terms.
func (f *form) above(l *line, x, y float64) float64 {
	r2 := x*x + y*y
	sag := func(r float64) float64 { return r2 / (r + math.Sqrt(r*r-r2)) }
	u, v := x/l.corner, y/l.corner
	q := u*u + v*v
	s := &f.shape
	um := s[surface.Bow]*q + s[surface.Twofold]*(u*u-v*v) + s[surface.Twist]*2*u*v +
		s[surface.Cubic1]*u*(u*u-3*v*v) + s[surface.Cubic2]*v*(3*u*u-v*v) + s[surface.Cubic3]*u*q + s[surface.Cubic4]*v*q + s[surface.Bow4]*q*q
	return sag(l.radius+f.radius) - sag(l.radius) + um*1e-3
}

// press makes a sound panel.
func (p *panel) press(c chance) form {
	l := p.line
	mould := []uint64{l.key, hashString(l.castings[p.mould])}
	f := form{places: make([]float64, len(l.gauge.probes))}
	own := c.rng("mould", mould...)
	f.radius = 0.25 + mouldRadiusSD*own.NormFloat64()
	plunger := c.rng("plunger", l.key)
	r := c.rng("panel", l.key, uint64(p.n))
	f.radius += panelRadiusSD*r.NormFloat64() + driftCommonSD*c.drift("common", p.pressed, 25*time.Minute, l.key) +
		driftMouldSD*c.drift("temperature", p.pressed, 35*time.Minute, mould...)
	for _, term := range shaped {
		f.shape[term] = mouldShapeSD*own.NormFloat64() + plungerSD*plunger.NormFloat64() + panelShapeSD*r.NormFloat64()
	}
	// The belt's outer lanes lie hotter: glass there sags more along x than along y.
	f.shape[surface.Twofold] += laneTwofold * (float64(p.lane)/float64(len(l.lanes)-1) - 0.5)
	for i := range f.places {
		f.places[i] = 1e-3 * (placeMouldUM*own.NormFloat64() + placePlunger*plunger.NormFloat64())
	}
	f.width = l.width + 0.12*own.NormFloat64() + 0.04*r.NormFloat64()
	f.height = l.height + 0.12*own.NormFloat64() + 0.04*r.NormFloat64()
	f.flatness = math.Abs(0.14 + 0.02*own.NormFloat64() + 0.02*r.NormFloat64())
	return f
}

// missing tells whether the panel never reaches the gauge. Now and then a whole stretch does not: a gob missed, a mould
// skipped while it is swabbed.
func (p *panel) missing(c chance) bool {
	if c.rng("stretch", p.line.key, uint64(p.n/5)).Float64() < emptyShare {
		return true
	}
	return c.rng("reject", p.line.key, uint64(p.n)).Float64() < missingShare
}

// measured is when the contour gauge reads the panel: a lehr later, give or take the belt. Half a takt between the first and
// the last of a cycle would make it look like two where nothing but the time tells.
func (p *panel) measured(c chance) time.Time {
	r := c.rng("belt", p.line.key, uint64(p.n))
	jitter := time.Duration(between(r, -0.2, 0.2) * float64(p.line.takt))
	return p.pressed.Add(p.line.lehr + jitter).Truncate(time.Millisecond)
}

// seat is how a panel comes to rest on the gauge.
func seat(c chance, keys ...uint64) surface.Seat {
	r := c.rng("seat", keys...)
	return surface.Seat{X: 0.1 * r.NormFloat64(), Y: 0.1 * r.NormFloat64(), Z: restUM * 1e-3 * r.NormFloat64(),
		TiltX: restTilt * r.NormFloat64(), TiltY: restTilt * r.NormFloat64()}
}
