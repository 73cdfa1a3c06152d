package main

import (
	"encoding/json"
	"math"
	"slices"
	"strconv"
	"time"

	"sagwatch/spc/surface"
)

// readings are written with null for what a probe did not give.
type readings []float64

// MarshalJSON writes the shortest decimals that read back as the same numbers.
func (r readings) MarshalJSON() ([]byte, error) {
	out := []byte{'['}
	for i, v := range r {
		if i > 0 {
			out = append(out, ',')
		}
		if math.IsNaN(v) {
			out = append(out, "null"...)
		} else {
			out = strconv.AppendFloat(out, v, 'f', -1, 64)
		}
	}
	return append(out, ']'), nil
}

// measurement is what a gauge sends.
type measurement struct {
	Gauge           string             `json:"gauge"`
	Panel           string             `json:"panel"`
	MeasuredAt      time.Time          `json:"measured_at"`
	Press           string             `json:"press,omitempty"`
	Product         string             `json:"product,omitempty"`
	Readings        readings           `json:"readings,omitempty"`
	Mould           string             `json:"mould,omitempty"`
	Lane            string             `json:"lane,omitempty"`
	Cycle           *int64             `json:"cycle,omitempty"`
	PressedAt       *time.Time         `json:"pressed_at,omitempty"`
	Series          string             `json:"series,omitempty"`
	Sequence        *int64             `json:"sequence,omitempty"`
	Purpose         string             `json:"purpose,omitempty"`
	Characteristics map[string]float64 `json:"characteristics,omitempty"`

	sent time.Time // when the gauge's computer gets it off its hands
}

func (m *measurement) line() []byte {
	b, err := json.Marshal(m)
	if err != nil {
		panic(err) // plain numbers and text
	}
	return append(b, '\n')
}

func (m *measurement) key() string { return keyOf(m.Gauge, m.Panel, m.Purpose, m.MeasuredAt) }

// sim is the running plant.
type sim struct {
	*plant
	chance   chance
	schedule schedule
	only     string // one press; "" for all
}

// gauges lists the contour gauges.
func (s *sim) gauges() []string {
	var out []string
	for _, l := range s.lines {
		out = append(out, l.gauge.id)
	}
	return out
}

const (
	samplePeriphery = 31 // every so many panels go to the periphery gauge
	masterEvery     = 4 * time.Hour
)

// between gives what all gauges measure from from (inclusive) to to (exclusive), in the order of measuring.
func (s *sim) between(from, to time.Time) []measurement {
	faults := s.schedule.between(s.lines, from, to)
	var out []measurement
	for _, l := range s.lines {
		if s.only != "" && l.press != s.only {
			continue
		}
		out = append(out, s.contour(l, faults, from, to)...)
		out = append(out, s.masters(l, faults, from, to)...)
		out = append(out, s.dimensions(l, faults, from, to)...)
	}
	slices.SortStableFunc(out, func(a, b measurement) int {
		if c := a.MeasuredAt.Compare(b.MeasuredAt); c != 0 {
			return c
		}
		if a.Gauge != b.Gauge {
			return map[bool]int{true: -1, false: 1}[a.Gauge < b.Gauge]
		}
		return 0
	})
	return out
}

// each calls fn for the panels of a line that come to a gauge, which stands a time after the contour gauge, in the window.
func (s *sim) each(l *line, after time.Duration, from, to time.Time, fn func(p *panel, at time.Time)) {
	first := max(l.firstAt(from.Add(-l.lehr-after-l.takt)), l.firstAt(s.schedule.begin))
	for n := first; ; n++ {
		p := l.panel(n)
		at := p.measured(s.chance).Add(after)
		if p.pressed.Add(l.lehr + after - l.takt).After(to) {
			return
		}
		if !at.Before(from) && at.Before(to) && !p.missing(s.chance) {
			fn(&p, at)
		}
	}
}

// glass is the panel as it comes to the gauge.
func (s *sim) glass(p *panel, faults []fault) form {
	f := p.press(s.chance)
	for i := range faults {
		faults[i].onGlass(p, &f)
	}
	return f
}

// condition of a line's gauge at a time.
func (s *sim) condition(l *line, t time.Time, faults []fault) *condition {
	c := &condition{height: make([]float64, len(l.gauge.probes)), probe: -1}
	for i := range faults {
		faults[i].onGauge(l, t, c)
	}
	return c
}

// recheckAfter is how long a technician takes to lift a badly seated panel, wipe the pads and seat it again.
const recheckAfter = 4 * time.Second

// contour measures a line's panels. A press that tells gives the time pressed and the table's round; of an older one the
// gauge knows mould and lane alone.
func (s *sim) contour(l *line, faults []fault, from, to time.Time) []measurement {
	var out []measurement
	s.each(l, 0, from.Add(-recheckAfter), to, func(p *panel, at time.Time) {
		f := s.glass(p, faults)
		where := seat(s.chance, l.gauge.key, uint64(p.n))
		bad := false
		for i := range faults {
			bad = faults[i].onSeat(p, &where) || bad
		}
		m := measurement{Gauge: l.gauge.id, Panel: p.serial(), MeasuredAt: at, Press: l.press, Product: l.product, Mould: l.moulds[p.mould], Lane: l.lanes[p.lane],
			sent: at.Add(s.late(l, p.n))}
		if l.tells {
			cycle := p.cycle()
			m.Cycle, m.PressedAt = &cycle, &p.pressed
		}
		again := m
		sequence := p.n
		m.Sequence = &sequence
		m.Readings = l.gauge.read(&f, where, s.condition(l, at, faults), s.chance.rng("probes", l.gauge.key, uint64(p.n)))
		if !at.Before(from) {
			out = append(out, m)
		}
		if again.MeasuredAt = at.Add(recheckAfter); bad && !again.MeasuredAt.Before(from) && again.MeasuredAt.Before(to) {
			again.Purpose, again.sent = "recheck", again.MeasuredAt
			again.Readings = l.gauge.read(&f, seat(s.chance, l.gauge.key, uint64(p.n), 1), s.condition(l, again.MeasuredAt, faults),
				s.chance.rng("probes", l.gauge.key, uint64(p.n), 1))
			out = append(out, again)
		}
	})
	return out
}

// late is how long a reading lies on the gauge's computer: mostly nothing, now and then so long that others overtake it.
func (s *sim) late(l *line, n int64) time.Duration {
	r := s.chance.rng("late", l.key, uint64(n))
	if r.Float64() < 0.01 {
		return time.Duration(between(r, 15, 45) * float64(time.Second))
	}
	return time.Duration(between(r, 0.1, 0.5) * float64(time.Second))
}

// masters measures the gauge's master at the start of each shift and four hours later, by the plant's clock, and in the
// middle of a warm-up, when somebody wonders.
func (s *sim) masters(l *line, faults []fault, from, to time.Time) []measurement {
	var times []time.Time
	day := from.In(s.zone)
	day = time.Date(day.Year(), day.Month(), day.Day(), 2, 0, 0, 0, s.zone)
	for t := day.Add(-24 * time.Hour); t.Before(to); t = t.Add(masterEvery) {
		times = append(times, t.Add(time.Duration(between(s.chance.rng("master", l.gauge.key, uint64(t.Unix())), 60, 240)*1e3)*time.Millisecond))
	}
	for _, f := range faults {
		if f.line == l && f.name == "gauge-warm-up" {
			times = append(times, f.from.Add(f.to.Sub(f.from)*3/4))
		}
	}
	var out []measurement
	for _, at := range times {
		at = at.UTC().Truncate(time.Millisecond)
		if at.Before(from) || !at.Before(to) {
			continue
		}
		f := form{places: make([]float64, len(l.gauge.probes))}
		key := uint64(at.UnixMilli())
		out = append(out, measurement{Gauge: l.gauge.id, Panel: l.gauge.master, MeasuredAt: at, Purpose: "master", sent: at,
			Readings: l.gauge.read(&f, masterSeat(s.chance, l.gauge.key, key), s.condition(l, at, faults), s.chance.rng("probes", l.gauge.key, key))})
	}
	return out
}

// masterSeat: the master is set down with care.
func masterSeat(c chance, keys ...uint64) surface.Seat {
	s := seat(c, keys...)
	return surface.Seat{X: s.X / 4, Y: s.Y / 4, Z: s.Z / 4, TiltX: s.TiltX / 4, TiltY: s.TiltY / 4}
}

// dimensions measures some panels' outside, five minutes further on.
func (s *sim) dimensions(l *line, faults []fault, from, to time.Time) []measurement {
	var out []measurement
	s.each(l, 5*time.Minute, from, to, func(p *panel, at time.Time) {
		if p.n%samplePeriphery != 0 {
			return
		}
		f := s.glass(p, faults)
		r := s.chance.rng("periphery", l.key, uint64(p.n))
		read := func(v float64) float64 { return math.Round((v+0.01*r.NormFloat64())*100) / 100 }
		m := measurement{Gauge: periphery, Panel: p.serial(), MeasuredAt: at, Press: l.press, Product: l.product, sent: at,
			Characteristics: map[string]float64{"width": read(f.width), "height": read(f.height), "seal_edge_flatness": math.Abs(read(f.flatness))}}
		if l.tells {
			// What the press knows of a panel comes with its serial; without it this gauge knows the serial alone.
			cycle := p.cycle()
			m.Mould, m.Lane, m.Cycle, m.PressedAt = l.moulds[p.mould], l.lanes[p.lane], &cycle, &p.pressed
		}
		out = append(out, m)
	})
	return out
}
