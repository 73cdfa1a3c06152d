package main

import (
	"fmt"
	"math"
	"time"

	"sagwatch/spc/surface"
)

// kind is one row of the table of faults.
type kind struct {
	name    string
	help    string
	glass   bool   // glass or gauge
	extent  string // one-stream, several-streams, one-lane, all-streams, one-probe, whole-gauge, one-panel
	change  string // step, drift, spread, single
	unit    string
	lo, hi  float64       // size
	signed  bool          // either way
	least   time.Duration // how long it lasts; 0 for one panel
	longest time.Duration
}

// kinds are the faults that can happen. Sizes are invented, of a size that matters but does not always break a limit.
var kinds = []kind{
	{"press-drift", "mould or plunger runs hot or cold: all moulds drift the same way", true, "all-streams", "drift", "mm of radius", 0.8, 1.5, true, 40 * time.Minute, 60 * time.Minute},
	{"mould-step", "one mould's cooling blocked: its radius steps", true, "one-stream", "step", "mm of radius", 0.9, 1.6, true, 60 * time.Minute, 75 * time.Minute},
	{"mould-drift", "one mould runs hot or wears: its radius drifts", true, "one-stream", "drift", "mm of radius", 1.2, 2.0, true, 45 * time.Minute, 70 * time.Minute},
	{"plunger-off-centre", "plunger changed and off centre: all moulds step, coma-like form", true, "all-streams", "step", "um of coma at the corner", 25, 45, true, 45 * time.Minute, 60 * time.Minute},
	{"gob-weight", "gob too heavy or loaded off centre: form error up, edges irregular", true, "all-streams", "spread", "um of form scatter at the corner", 14, 24, false, 30 * time.Minute, 50 * time.Minute},
	{"lehr-hot", "one lane of the lehr too hot: radius and two-fold term by lane", true, "one-lane", "step", "um of two-fold at the corner", 25, 45, true, 40 * time.Minute, 60 * time.Minute},
	{"mould-twist", "shell of one mould twists: its twist term creeps", true, "one-stream", "drift", "um of twist at the corner", 30, 55, true, 60 * time.Minute, 80 * time.Minute},
	{"probe-stuck", "one probe sticks and reads the same whatever lies there", false, "one-probe", "step", "um", 130, 220, true, 10 * time.Minute, 15 * time.Minute},
	{"probe-loose", "one probe is loose and scatters", false, "one-probe", "spread", "um of scatter", 35, 60, false, 10 * time.Minute, 20 * time.Minute},
	{"probe-drift", "one probe drifts", false, "one-probe", "drift", "um", 25, 45, true, 40 * time.Minute, 60 * time.Minute},
	{"gauge-warm-up", "gauge frame warms: all panels and the master shift together", false, "whole-gauge", "drift", "um of bow at the corner", 35, 60, true, 40 * time.Minute, 60 * time.Minute},
	{"bad-seating", "one panel badly seated, a chip of glass under a pad", false, "one-panel", "single", "mrad of tilt", 1.2, 2.5, true, 0, 0},
	{"blister", "one panel with a blister at one place", true, "one-panel", "single", "um", 130, 480, true, 0, 0},
}

func kindNamed(name string) (kind, error) {
	for _, k := range kinds {
		if k.name == name {
			return k, nil
		}
	}
	return kind{}, fmt.Errorf("there is no fault %q", name)
}

// fault is one thing that goes wrong. Faults of the glass run by the time pressed, faults of the gauge by the time measured.
type fault struct {
	kind
	line     *line
	from, to time.Time // from inclusive, to exclusive
	size     float64
	mould    int
	lane     int
	place    int // 0-based
	panel    int64
	chance   chance
}

// newFault draws what, how much and how long. number tells faults of one press apart.
func newFault(k kind, l *line, at time.Time, c chance, number uint64) fault {
	r := c.rng("fault "+k.name, l.key, number)
	f := fault{kind: k, line: l, chance: c, size: between(r, k.lo, k.hi)}
	if k.signed {
		f.size *= sign(r)
	}
	f.mould, f.lane, f.place = r.IntN(len(l.moulds)), r.IntN(len(l.lanes)), r.IntN(len(l.gauge.probes))
	f.last(at, k.least+time.Duration(r.Float64()*float64(k.longest-k.least)))
	return f
}

// last sets when the fault is; a fault of one panel takes the next one that reaches the gauge.
func (f *fault) last(at time.Time, d time.Duration) {
	f.from, f.to = at.Truncate(time.Second), at.Add(d).Truncate(time.Second)
	if f.change != "single" {
		return
	}
	f.panel = f.line.firstAt(f.from)
	for p := f.line.panel(f.panel); p.missing(f.chance); p = f.line.panel(f.panel) {
		f.panel++
	}
	p := f.line.panel(f.panel)
	f.from, f.to = p.pressed, p.pressed.Add(f.line.takt)
	if !f.glass {
		f.from = p.measured(f.chance)
		f.to = f.from.Add(f.line.takt)
	}
}

// share is how far the fault has grown at t, 0 to 1: a drift grows over two thirds of its time, stays, and is put right
// in the last tenth.
func (f *fault) share(t time.Time) float64 {
	if t.Before(f.from) || !t.Before(f.to) {
		return 0
	}
	if f.change != "drift" {
		return 1
	}
	at := float64(t.Sub(f.from)) / float64(f.to.Sub(f.from))
	return min(1, at/0.65, (1-at)/0.1)
}

// onGlass changes a panel as pressed and annealed.
func (f *fault) onGlass(p *panel, g *form) {
	if !f.glass || p.line != f.line {
		return
	}
	share := f.share(p.pressed)
	if share == 0 {
		return
	}
	size := share * f.size
	r := f.chance.rng("glass "+f.name, f.line.key, uint64(p.n))
	switch f.name {
	case "press-drift":
		g.radius += size
	case "mould-step", "mould-drift":
		if p.mould == f.mould {
			g.radius += size
		}
	case "plunger-off-centre":
		// Off centre along a direction that belongs to this fitting.
		sin, cos := math.Sincos(2 * math.Pi * f.chance.rng("plunger off", f.line.key, uint64(f.from.Unix())).Float64())
		g.shape[surface.Cubic3] += size * cos
		g.shape[surface.Cubic4] += size * sin
		g.radius += math.Copysign(0.6, f.size)
	case "gob-weight":
		for _, term := range shaped {
			g.shape[term] += size * r.NormFloat64()
		}
		g.width += 0.25 * r.NormFloat64()
		g.height += 0.25 * r.NormFloat64()
		g.flatness += 0.08 * math.Abs(r.NormFloat64())
	case "lehr-hot":
		if p.lane == f.lane {
			g.shape[surface.Twofold] += size
			g.radius += 0.02 * size
		}
	case "mould-twist":
		if p.mould == f.mould {
			g.shape[surface.Twist] += size
		}
	case "blister":
		if p.n == f.panel {
			g.places[f.place] += size * 1e-3
		}
	}
}

// onGauge changes what the gauge does at the time t.
func (f *fault) onGauge(l *line, t time.Time, c *condition) {
	if f.glass || l != f.line {
		return
	}
	share := f.share(t)
	if share == 0 {
		return
	}
	switch f.name {
	case "probe-stuck":
		c.probe, c.stuck, c.off = f.place, true, f.size*1e-3
	case "probe-loose":
		c.probe, c.loose, c.gaps = f.place, f.size*1e-3, 0.03
	case "probe-drift":
		c.probe, c.off = f.place, share*f.size*1e-3
	case "gauge-warm-up":
		bow := form{shape: [surface.Terms]float64{surface.Bow: share * f.size}}
		for i, p := range l.gauge.probes {
			c.height[i] += bow.above(l, p.x, p.y)
		}
	}
}

// onSeat tilts one panel about a pad; rechecked panels sit well.
func (f *fault) onSeat(p *panel, s *surface.Seat) bool {
	if f.name != "bad-seating" || p.line != f.line || p.n != f.panel {
		return false
	}
	sin, cos := math.Sincos(f.chance.rng("pad", f.line.key, uint64(p.n)).Float64() * 2 * math.Pi)
	s.TiltX += f.size * 1e-3 * cos
	s.TiltY += f.size * 1e-3 * sin
	s.Z += 0.4
	return true
}

// truth is one fault as the truth file tells it.
type truth struct {
	What     string    `json:"what"`
	Press    string    `json:"press"`
	Gauge    string    `json:"gauge,omitempty"`
	Streams  []string  `json:"streams"`
	Kind     string    `json:"kind"` // glass | gauge
	Extent   string    `json:"extent"`
	Change   string    `json:"change"`
	Size     float64   `json:"size"`
	Unit     string    `json:"unit"`
	From     time.Time `json:"from"`
	To       time.Time `json:"to"`
	Clock    string    `json:"clock"` // pressed_at | measured_at: which time from and to are
	Panel    string    `json:"panel,omitempty"`
	Describe string    `json:"describe"`
}

func (f *fault) truth() truth {
	t := truth{What: f.name, Press: f.line.press, Kind: "glass", Extent: f.extent, Change: f.change, Size: math.Round(f.size*1e4) / 1e4, Unit: f.unit,
		From: f.from.UTC(), To: f.to.UTC(), Clock: "pressed_at", Describe: f.help, Streams: []string{"press:" + f.line.press}}
	if !f.glass {
		t.Kind, t.Clock, t.Gauge, t.Streams = "gauge", "measured_at", f.line.gauge.id, []string{"gauge:" + f.line.gauge.id}
	}
	switch f.extent {
	case "one-stream":
		t.Streams = []string{"mould:" + f.line.moulds[f.mould]}
	case "one-lane":
		t.Streams = []string{"lane:" + f.line.lanes[f.lane]}
	case "one-probe":
		t.Streams = []string{fmt.Sprintf("probe:%d", f.place+1)}
	case "one-panel":
		p := f.line.panel(f.panel)
		t.Panel = p.serial()
		if f.name == "blister" {
			t.Streams = []string{fmt.Sprintf("probe:%d", f.place+1)}
		}
	}
	return t
}
