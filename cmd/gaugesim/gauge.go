package main

import (
	"fmt"
	"math"
	"math/rand/v2"

	"sagwatch/spc/surface"
)

// gauge is a contour gauge: probes that each move along one line until they touch the glass.
type gauge struct {
	id     string
	key    uint64
	master string // serial of its master panel
	probes []probe
	noise  float64 // standard deviation of one probe, mm
	unit   float64 // readings per mm
	steps  float64 // resolution steps per reading unit
	line   *line
}

// probe moves along from + t to; it reads scale (t - zero).
type probe struct {
	x, y     float64
	from, to [3]float64
	start    float64 // t at the nominal contour
	zero     float64
	rise     float64 // change of the height over the contour per t
}

func newGauge(id, kind, unit string, places [][2]float64, probeUM, resolution float64, l *line) (*gauge, error) {
	g := &gauge{id: id, key: hashString(id), noise: probeUM * 1e-3, unit: 1, steps: math.Round(1 / resolution), line: l}
	if unit == "um" {
		g.unit = 1000
	}
	for _, at := range places {
		z, ok := l.surface.Height(at[0], at[1])
		n, _ := l.surface.Normal(at[0], at[1])
		if !ok {
			return nil, fmt.Errorf("gauge %s: place %v lies off the contour", id, at)
		}
		p := probe{x: at[0], y: at[1]}
		switch kind {
		case "radial":
			// From the reference centre through the nominal contour.
			p.from = [3]float64{0, 0, l.radius}
			d := [3]float64{at[0], at[1], z - l.radius}
			p.start = math.Sqrt(d[0]*d[0] + d[1]*d[1] + d[2]*d[2])
			p.to = [3]float64{d[0] / p.start, d[1] / p.start, d[2] / p.start}
		case "axial", "deviation":
			p.from, p.to, p.start = [3]float64{at[0], at[1], 0}, [3]float64{0, 0, 1}, z
			if kind == "deviation" {
				p.zero = z
			}
		default:
			return nil, fmt.Errorf("gauge %s: kind %q is not simulated", id, kind)
		}
		p.rise = (p.to[0]*n[0] + p.to[1]*n[1] + p.to[2]*n[2]) / n[2]
		g.probes = append(g.probes, p)
	}
	return g, nil
}

// condition is what the gauge itself adds to a panel: apparent heights in mm and probes that misbehave.
type condition struct {
	height []float64 // added to the glass as the gauge sees it, per place
	probe  int       // the misbehaving one, -1 for none
	stuck  bool      // it reads the nominal contour plus off whatever lies there
	off    float64   // mm
	loose  float64   // extra standard deviation, mm
	gaps   float64   // share of panels on which it gives nothing
}

// read measures a panel as it sits. A reading is NaN where the probe gave none.
func (g *gauge) read(f *form, s surface.Seat, c *condition, r *rand.Rand) []float64 {
	out := make([]float64, len(g.probes))
	sx, cx := math.Sincos(s.TiltX)
	sy, cy := math.Sincos(s.TiltY)
	for i := range g.probes {
		p := &g.probes[i]
		t := p.start
		// The glass is nearly parallel to the contour: each step leaves a thousandth of the error.
		for range 6 {
			x, y, z := p.from[0]+t*p.to[0]-s.X, p.from[1]+t*p.to[1]-s.Y, p.from[2]+t*p.to[2]-s.Z
			// Turned back about x, then about y.
			y, z = cx*y+sx*z, cx*z-sx*y
			x, z = cy*x-sy*z, cy*z+sy*x
			over := z - f.at(g.line, i, x, y) - c.height[i]
			t -= over / p.rise
			if math.Abs(over) < 1e-9 {
				break
			}
		}
		noise := g.noise
		luck := r.Float64() // drawn for every probe alike: a fault at one leaves the others' chance as it was
		lost := luck < nullShare
		if i == c.probe {
			if c.stuck {
				t = p.start
				noise = 0
			}
			t += c.off / p.rise
			noise = math.Hypot(noise, c.loose)
			lost = lost || luck < c.gaps
		}
		t += noise * r.NormFloat64()
		out[i] = math.Round((t-p.zero)*g.unit*g.steps) / g.steps
		if lost {
			out[i] = math.NaN()
		}
	}
	return out
}

// nullShare is how often a sound probe gives no reading.
const nullShare = 1e-5
