package main

import (
	"math"
	"slices"
	"time"

	"sagwatch/spc/surface"
)

// grown is how much of the fault there is on panel n, 0 to 1.
func (t *trial) grown(n int) float64 {
	if t.quiet() || n < t.onset || n >= t.end {
		return 0
	}
	if t.ramp > 0 {
		return min(1, float64(n-t.onset+1)/float64(t.ramp))
	}
	return 1
}

// touches tells whether panel n belongs to the streams of the fault.
func (t *trial) touches(n int) bool {
	switch causeNamed(t.cause).extent {
	case "one-stream", "several-streams":
		return slices.Contains(t.moulds, n%len(t.line.moulds))
	case "one-lane":
		return n%len(t.line.lanes) == t.lane
	case "one-panel":
		return t.singles[n]
	}
	return true
}

// affected tells whether panel n is truly at fault: after the onset of a step, and of a drift once the mean has moved by half
// a sigma. Faults of the gauge touch what is measured, in the order of which panels are counted.
func (t *trial) affected(n int) bool {
	g := t.grown(n)
	if g == 0 || !t.touches(n) {
		return false
	}
	return t.ramp == 0 || g*t.size >= 0.5
}

// onGlass changes panel n as pressed and annealed.
func (t *trial) onGlass(n int, f *form) {
	g := t.grown(n)
	if g == 0 || !t.touches(n) {
		return
	}
	size := g * t.size * t.sign
	r := t.chance.rng("score glass", uint64(n))
	switch t.cause {
	case "press-drift", "press-step", "mould-step", "mould-drift", "moulds-step", "moulds-drift":
		f.radius += size * t.law.radius / t.law.perRadius
	case "plunger":
		sin, cos := math.Sincos(t.angle)
		f.shape[surface.Cubic3] += size * t.law.shape[surface.Cubic3] * cos
		f.shape[surface.Cubic4] += size * t.law.shape[surface.Cubic4] * sin
	case "gob":
		for _, term := range shaped {
			f.shape[term] += size * t.law.shape[term] * r.NormFloat64()
		}
		for i, p := range t.line.gauge.probes { // edges irregular
			if math.Hypot(p.x, p.y) > 0.7*t.line.corner {
				f.places[i] += 0.5e-3 * size * t.law.place * r.NormFloat64()
			}
		}
	case "lehr-lane":
		f.radius += size * t.law.radius / t.law.perRadius
		f.shape[surface.Twofold] += size * t.law.shape[surface.Twofold]
	case "mould-twist":
		f.shape[surface.Twist] += size * t.law.shape[surface.Twist]
	case "blister":
		f.places[t.blisterAt(n)] += t.sign * between(r, 0.15, 0.45)
	}
}

// blisterAt is the place of the blister on panel n, 0-based.
func (t *trial) blisterAt(n int) int {
	return t.chance.rng("score blister", uint64(n)).IntN(len(t.places))
}

// onGauge is the gauge's condition when it measures panel n, or a master before it.
func (t *trial) onGauge(n int) *condition {
	c := &condition{height: make([]float64, len(t.places)), probe: -1}
	g := t.grown(n)
	if g == 0 {
		return c
	}
	size := g * t.size * t.sign
	switch t.cause {
	case "probe-stuck":
		c.probe, c.stuck, c.off = t.place, true, t.sign*between(t.chance.rng("score stuck"), 0.03, 0.15)
	case "probe-loose":
		c.probe, c.loose = t.place, math.Abs(size)*t.law.place*1e-3
	case "probe-drift", "probe-step":
		c.probe, c.off = t.place, size*t.law.place*1e-3
	case "gauge-drift", "gauge-step":
		bow := form{shape: [surface.Terms]float64{surface.Bow: size * t.law.radius * t.law.bowPerMM}}
		for i, p := range t.line.gauge.probes {
			c.height[i] += bow.above(t.line, p.x, p.y)
		}
	}
	return c
}

// onSeat tilts a badly seated panel about a pad.
func (t *trial) onSeat(n int, s *surface.Seat) bool {
	if t.cause != "seating" || !t.singles[n] {
		return false
	}
	r := t.chance.rng("score pad", uint64(n))
	sin, cos := math.Sincos(2 * math.Pi * r.Float64())
	tilt := between(r, 1.2, 2.5) * 1e-3
	s.TiltX += tilt * cos
	s.TiltY += tilt * sin
	s.Z += 0.4
	return true
}

// plantEvent is what people at the press write down.
type plantEvent struct {
	Press string    `json:"press"`
	Kind  string    `json:"kind"`
	At    time.Time `json:"at"`
	Mould string    `json:"mould,omitempty"`
	Text  string    `json:"text,omitempty"`
}

// sending is one thing that the plant sends, measurement or event.
type sending struct {
	at    time.Time
	line  []byte
	event *plantEvent
}

// play gives all that the plant sends, in the order of sending.
func (t *trial) play() []sending {
	l := t.line
	var out []sending
	post := func(m *measurement, sent time.Time) { out = append(out, sending{at: sent, line: m.line()}) }
	series := int64(0)
	for n := range t.cycles * len(l.moulds) {
		f := t.law.press(n) // of missing panels too: the law runs on
		if t.missing[n] {
			continue
		}
		t.onGlass(n, &f)
		where := seat(t.chance, uint64(n))
		bad := t.onSeat(n, &where)
		at := t.measured(n)
		sequence := series
		series++
		m := measurement{Gauge: l.gauge.id, Panel: t.serial(n), MeasuredAt: at, Press: l.press, Product: l.product,
			Mould: l.moulds[n%len(l.moulds)], Lane: l.lanes[n%len(l.lanes)], Sequence: &sequence}
		if l.tells {
			cycle, pressed := int64(n/len(l.moulds)), t.pressed(n)
			m.Cycle, m.PressedAt = &cycle, &pressed
		}
		m.Readings = l.gauge.read(&f, where, t.onGauge(n), t.chance.rng("score probes", uint64(n)))
		sent := at
		if t.late[n] {
			sent = at.Add(time.Duration(between(t.chance.rng("score lies", uint64(n)), 0.5, 3) * float64(time.Hour)))
		}
		post(&m, sent)
		if bad {
			m.MeasuredAt, m.Purpose, m.Sequence = at.Add(recheckAfter), "recheck", nil
			m.Readings = l.gauge.read(&f, seat(t.chance, uint64(n), 1), t.onGauge(n), t.chance.rng("score probes", uint64(n), 1))
			post(&m, m.MeasuredAt)
		}
	}
	first, last := t.measured(0), t.measured(t.cycles*len(l.moulds)-1)
	for k := 0; ; k++ {
		at := first.Add(time.Duration(k) * t.masterEvery).Add(time.Duration(between(t.chance.rng("score master", uint64(k)), -120, 120)*1e3) * time.Millisecond)
		if at.After(last) {
			break
		}
		f := form{places: make([]float64, len(t.places))}
		post(&measurement{Gauge: l.gauge.id, Panel: l.gauge.master, MeasuredAt: at, Purpose: "master",
			Readings: l.gauge.read(&f, masterSeat(t.chance, uint64(k)), t.onGauge(t.panelAt(at)), t.chance.rng("score master probes", uint64(k)))}, at)
	}
	for _, e := range t.events() {
		out = append(out, sending{at: e.At, event: &e})
	}
	slices.SortStableFunc(out, func(a, b sending) int { return a.at.Compare(b.at) })
	return out
}

// events are what is written down about the press.
func (t *trial) events() []plantEvent {
	if t.event == 0 {
		return nil
	}
	at := t.pressed(t.event).Add(-time.Second)
	e := plantEvent{Press: t.line.press, At: at}
	switch {
	case t.has(withMouldChange):
		e.Kind, e.Mould = "mould-change", t.line.moulds[t.changed]
	case t.has(withPlunger):
		e.Kind = "plunger-change"
	case t.has(withStop):
		e.Kind, e.At = "stop", t.pressed(t.event-1).Add(time.Second)
		again := e
		again.Kind, again.At = "start", at
		return []plantEvent{e, again}
	}
	return []plantEvent{e}
}
