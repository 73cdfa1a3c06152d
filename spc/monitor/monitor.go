package monitor

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"sagwatch/spc"
)

// Errors of the fold.
var (
	// ErrOrder: an observation is not after the one before it in the order of keys.
	ErrOrder = errors.New("monitor: observation is not after the one before it in press order")
	// ErrStale: a checkpoint was made under definitions, events or posted limits that told on it and that have changed.
	ErrStale = errors.New("monitor: checkpoint was made under other definitions, events or posted limits")
	// ErrDamaged: a checkpoint is not what Snapshot wrote, or was written by another release.
	ErrDamaged = errors.New("monitor: checkpoint is damaged or of another release")
)

// Monitor is the fold of one press, or of one gauge's master checks. It is not safe for concurrent use.
type Monitor struct {
	cfg       Config
	charts    []*chartState
	places    map[string]int // mould -> place on the press
	events    []spc.Event
	nextEvent int
	count     int64
	last      spc.OrderKey
	cycle     tracker
	findings  []*finding // in the order found; those taken go once they have ended
	log       []LimitsInForce
}

// chartState is one chart with its streams.
type chartState struct {
	m       *Monitor
	def     *definition
	streams []*series // in order of first panels
	byPlace []*series // of moulds that the press has
	byName  map[string]*series
	cyc     *cycles   // cycle charts only
	terms   []*cycles // cyc, and those of the terms after the first where there are several, of the same panels
	rest    []*cycles // terms without the first
	vec     []float64 // scratch: terms of a point, and effects of the terms after the first
	effects []float64
	traces  []trace
}

type trace struct {
	stream string
	fn     func(Point)
}

// New starts a fold before any observation. Retired charts and kinds that are not worked out are passed over. It
// refuses a definition that cannot be followed with a *ChartError.
func New(c Config) (*Monitor, error) {
	if c.Press == nil && c.Gauge == "" {
		return nil, errors.New("monitor: a fold needs a press or a gauge")
	}
	if c.Press != nil {
		own := *c.Press
		own.Moulds = slices.Clone(own.Moulds)
		c.Press = &own
	}
	m := &Monitor{cfg: c, events: phaseEvents(c), places: map[string]int{}}
	moulds := 0
	if c.Press != nil {
		moulds = len(c.Press.Moulds)
		for i, mould := range c.Press.Moulds {
			if _, twice := m.places[mould]; twice || mould == "" {
				return nil, fmt.Errorf("monitor: press %s: mould %q is empty or comes twice", c.Press.ID, mould)
			}
			m.places[mould] = i
		}
		if !finite(c.Press.TaktS) || c.Press.TaktS < 0 {
			return nil, fmt.Errorf("monitor: press %s: takt_s %g; it must be a finite number of seconds", c.Press.ID, c.Press.TaktS)
		}
	}
	ids := map[string]bool{}
	for _, ch := range c.Charts {
		if ch.Retired || !ch.Kind.WorkedOut() {
			continue
		}
		if ids[ch.ID] {
			return nil, &ChartError{ch.ID, "is defined twice"}
		}
		ids[ch.ID] = true
		d, err := define(ch, c)
		if err != nil {
			return nil, err
		}
		cs := &chartState{m: m, def: d, byName: map[string]*series{}, byPlace: make([]*series, moulds)}
		if d.cycle {
			cs.cyc = newCycles(c.Press.Moulds)
			for i := 1; several(d.Kind) && i < len(shapeTerms); i++ {
				cs.rest = append(cs.rest, newCycles(c.Press.Moulds))
			}
			cs.terms = append([]*cycles{cs.cyc}, cs.rest...)
		}
		m.charts = append(m.charts, cs)
	}
	return m, nil
}

// Add takes the next observation. It refuses one that is not after the last (ErrOrder) and one of another press;
// the fold is then as before.
func (m *Monitor) Add(o *Observation) error {
	if m.count > 0 && o.Key.Compare(m.last) <= 0 {
		return fmt.Errorf("%w: panel %s at %s after panel %s at %s", ErrOrder, o.Key.Panel, o.Key.LineAt.Format(time.RFC3339Nano),
			m.last.Panel, m.last.LineAt.Format(time.RFC3339Nano))
	}
	place := -1
	if p := m.cfg.Press; p != nil {
		if o.Press != p.ID {
			return fmt.Errorf("monitor: panel %s is of press %q, this fold is of press %q", o.Key.Panel, o.Press, p.ID)
		}
		if i, ok := m.places[o.Mould]; ok {
			place = i
		}
	}
	at := moment(o.Key.LineAt)
	m.last = o.Key
	m.last.LineAt, m.last.MeasuredAt = at, moment(o.Key.MeasuredAt)
	m.count++
	for m.nextEvent < len(m.events) && !m.events[m.nextEvent].At.After(at) {
		m.happen(m.events[m.nextEvent])
		m.nextEvent++
	}
	inCycle := false
	if m.cfg.Press != nil && (o.Cycle != spc.NoCycle || m.cycled(o)) {
		var fresh bool
		if inCycle, fresh = m.cycle.next(o.Cycle, place, at, len(m.cfg.Press.Moulds), m.cfg.Press.TaktS); fresh {
			m.closeCycles()
		}
	}
	p := point{at: at, panel: o.Key.Panel, measurement: o.Measurement, excluded: o.Excluded, n: 1}
	for _, c := range m.charts {
		if c.def.Product != "" && c.def.Product != o.Product {
			continue
		}
		if several(c.def.Kind) {
			c.takeTerms(o, place, inCycle, p)
			continue
		}
		if counted(c.def.Kind) {
			c.takeCount(o, place, p)
			continue
		}
		x, ok := c.def.value(o)
		if !ok {
			continue
		}
		if c.def.cycle {
			if c.def.Kind == spc.Group && c.def.log {
				if x <= 0 {
					continue
				}
				x = math.Log(x)
			}
			if inCycle && o.Excluded == "" {
				c.cyc.take(place, x, &p)
			}
			continue
		}
		if s := c.stream(o, place); s != nil {
			p.value = x
			if grouped(c.def.Kind) {
				s.collect(p)
			} else {
				s.add(p)
			}
		}
	}
	return nil
}

// takeTerms takes the next observation's terms.
func (c *chartState) takeTerms(o *Observation, place int, inCycle bool, p point) {
	var row [16]float64
	if !c.def.row(o, row[:]) {
		return
	}
	if c.def.cycle {
		if inCycle && o.Excluded == "" {
			for k, cy := range c.terms {
				cy.take(place, row[k], &p)
			}
		}
		return
	}
	if s := c.stream(o, place); s != nil {
		c.vec = append(c.vec[:0], row[:len(shapeTerms)]...)
		p.vec = c.vec
		s.add(p)
	}
}

// cycled tells whether a cycle chart of the press can use the observation. One that none can, such as a panel's dimensions
// from a second gauge, which come at a time of their own, says nothing about the order in which the table brought its
// moulds round.
func (m *Monitor) cycled(o *Observation) bool {
	for _, c := range m.charts {
		if c.def.cycle {
			if c.def.has(o) {
				return true
			}
		}
	}
	return false
}

// stream finds or begins the series that the observation belongs to on an individuals chart; nil for none.
func (c *chartState) stream(o *Observation, place int) *series {
	var name string
	switch c.def.By {
	case "mould":
		if place >= 0 {
			if s := c.byPlace[place]; s != nil {
				return s
			}
		}
		name = o.Mould
	case "lane":
		name = o.Lane
	case "gauge":
		name = o.Key.Gauge
		if c.m.cfg.Press == nil {
			name = c.m.cfg.Gauge
		}
	default:
		if c.m.cfg.Press == nil {
			name = c.m.cfg.Gauge
		} else {
			name = c.m.cfg.Press.ID
		}
	}
	if name == "" {
		return nil
	}
	s := c.byName[name]
	if s == nil {
		s = c.begin(name)
	}
	return s
}

// begin adds a series; name is without its prefix.
func (c *chartState) begin(name string) *series {
	prefix := c.def.By
	switch {
	case c.def.cycle:
		prefix = "press"
	case prefix == "" && c.m.cfg.Press == nil:
		prefix = "gauge"
	case prefix == "":
		prefix = "press"
	}
	s := &series{c: c, key: name, name: prefix + ":" + name, phase: 1, course: c.def.over.start()}
	for _, p := range c.def.posted {
		if p.Stream == "" || p.Stream == s.name {
			s.posted = append(s.posted, p)
		}
	}
	c.streams = append(c.streams, s)
	c.byName[name] = s
	if place, ok := c.m.places[name]; ok && c.def.By == "mould" {
		c.byPlace[place] = s
	}
	return s
}

// happen begins the phases of one event.
func (m *Monitor) happen(e spc.Event) {
	whole := e.Kind != mouldChange
	if whole {
		m.closeCycles()
		m.cycle.cut()
	}
	for _, c := range m.charts {
		switch {
		case whole:
			for _, s := range c.streams {
				s.newPhase()
			}
			if c.cyc != nil {
				for _, cy := range c.terms {
					cy.restart()
				}
			}
		case c.cyc != nil:
			for place, mould := range c.cyc.moulds {
				if e.Mould == "" || e.Mould == mould {
					for _, cy := range c.terms {
						cy.renew(place)
					}
					if s := c.byPlace[place]; s != nil {
						// A panel of the old casting in the open cycle is still of its phase.
						if s.due = c.cyc.holds(place); !s.due {
							s.newPhase()
						}
					}
				}
			}
			// With fewer than half the centres left no cycle has an effect from which new ones could be found.
			if len(c.streams) > 0 && c.cyc.fitted && 2*c.cyc.known() < len(c.cyc.moulds) {
				c.closeCycle()
				for _, s := range c.streams {
					s.newPhase()
				}
				for _, cy := range c.terms {
					cy.restart()
				}
			}
		case c.def.By == "mould":
			for _, s := range c.streams {
				if e.Mould == "" || e.Mould == s.key {
					s.newPhase()
				}
			}
		}
	}
}

// closeCycles makes the point of the cycle that is over.
func (m *Monitor) closeCycles() {
	for _, c := range m.charts {
		if c.cyc != nil {
			c.closeCycle()
		}
	}
}

// Count is the number of observations so far.
func (m *Monitor) Count() int64 { return m.count }

// Last is the key of the latest observation; zero before the first.
func (m *Monitor) Last() spc.OrderKey { return m.last }

// Charts lists the ids of the charts that are worked out, in the order of the Config.
func (m *Monitor) Charts() (ids []string) {
	for _, c := range m.charts {
		ids = append(ids, c.def.ID)
	}
	return ids
}

// Trace calls fn for each point of a chart and stream ("" for every) once it is final. Points of one stream come in
// their order. A trace is not part of a snapshot.
func (m *Monitor) Trace(chart, stream string, fn func(Point)) {
	for _, c := range m.charts {
		if chart == "" || chart == c.def.ID {
			c.traces = append(c.traces, trace{stream, fn})
		}
	}
}

// Pending lists the points of a chart and stream ("" for every) that are not final: those held for a provisional
// baseline, then the hollow cycle. A held cycle spread, or incomplete cycle, is not listed before ten complete
// cycles have shown the moulds' centres.
func (m *Monitor) Pending(chart, stream string) []Point {
	var list []Point
	for _, c := range m.charts {
		if chart != "" && chart != c.def.ID {
			continue
		}
		for _, s := range c.streams {
			if stream == "" || stream == s.name {
				list = s.pending(list)
			}
		}
		if c.cyc != nil && (stream == "" || stream == "press:"+m.cfg.Press.ID) {
			list = c.hollow(list)
		}
	}
	return list
}

// Progress is how many points of a stream count towards its provisional limits, and how many are needed; need is 0
// when the stream has limits, or no such stream has begun.
func (m *Monitor) Progress(chart, stream string) (have, need int) {
	if s := m.find(chart, stream); s != nil && s.law == nil {
		return s.have, s.c.def.need
	}
	return 0, 0
}

// Waiting lists the streams of a chart that wait for their first limits with nothing plotted yet, because what is plotted rests on
// the baseline: each a point without a value (N is 0), at the latest panel, with how many it has and needs.
func (m *Monitor) Waiting(chart string) []Point {
	var list []Point
	for _, c := range m.charts {
		if c.def.ID != chart || !derived(c.def.Kind) {
			continue
		}
		for _, s := range c.streams {
			if n := len(s.held); s.law == nil && n > 0 {
				p := &s.held[n-1]
				list = append(list, Point{Chart: chart, Stream: s.name, Phase: s.phase, At: p.at, Panel: p.panel, Measurement: p.measurement, Have: s.have, Need: c.def.need})
			}
		}
	}
	return list
}

// InForce is the limits in force of a stream now.
func (m *Monitor) InForce(chart, stream string) (LimitsInForce, bool) {
	if s := m.find(chart, stream); s != nil && s.law != nil {
		return s.law.record, true
	}
	return LimitsInForce{}, false
}

func (m *Monitor) find(chart, stream string) *series {
	for _, c := range m.charts {
		if c.def.ID != chart {
			continue
		}
		for _, s := range c.streams {
			if s.name == stream {
				return s
			}
		}
	}
	return nil
}

// LimitsLog lists the limits that came into force since the last TakeLimits, in the order in which they became known.
func (m *Monitor) LimitsLog() []LimitsInForce { return append([]LimitsInForce(nil), m.log...) }

// TakeLimits is LimitsLog, and empties it.
func (m *Monitor) TakeLimits() []LimitsInForce {
	list := m.log
	m.log = nil
	return list
}
