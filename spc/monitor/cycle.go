package monitor

import (
	"slices"
	"time"

	"sagwatch/spc"
	"sagwatch/spc/chart"
	"sagwatch/spc/refusal"
)

// tracker says where the cycles of the press begin.
type tracker struct {
	open           bool
	number, before int64 // numbers of this cycle and the one before; spc.NoCycle without one
	place          int   // on the press, of the latest panel
	first          time.Time
}

// next takes a panel's own cycle number (negative: none), its mould's place (negative: none) and its time. It says
// whether the panel is in a cycle, and whether it begins a later one than the panel before.
func (t *tracker) next(number int64, place int, at time.Time, moulds int, taktS float64) (in, fresh bool) {
	if place < 0 {
		return false, false
	}
	if number < 0 {
		number = spc.NoCycle
	}
	switch {
	case !t.open:
		fresh = true
	case number != spc.NoCycle && t.number != spc.NoCycle:
		if number != t.number && number == t.before {
			return false, false // its cycle is over
		}
		fresh = number != t.number
	default:
		fresh = place <= t.place || taktS > 0 && at.Sub(t.first).Seconds() >= (float64(moulds)-0.5)*taktS
	}
	if fresh {
		t.before = spc.NoCycle
		if t.open {
			t.before = t.number
		}
		t.open, t.number, t.first = true, number, at
	}
	if t.number == spc.NoCycle {
		t.number = number
	}
	t.place = place
	return true, fresh
}

// cut ends the cycle whatever comes next.
func (t *tracker) cut() { t.open = false }

// guardLeast is the number of points of a phase from which its centre is known well enough to be guarded.
const guardLeast = 10

// cycles is what a cycle chart knows of the moulds.
type cycles struct {
	moulds []string
	now    []member // panels of the cycle that is open
	end    point    // the latest of them
	// casting numbers the castings of the phase, by place: in a baseline a mould before and after its change are two streams.
	casting  []int
	castings int
	// fitted: the moulds have centres. Place i has its own when has[i], else centres[i] is the level and the
	// mould is left out while its distances from the cycle effects are gathered in n and total.
	fitted  bool
	level   float64
	centres []float64
	has     []bool
	n       []int
	total   []float64
	// Complete cycles of the phase so far, for the guard: how many, and each mould's sum.
	whole    int
	wholeSum []float64

	of []int // the place of each casting

	// Deviations of the panels of the cycle at hand from it, by place, for group charts: about the centres, or about those of
	// the first devsFrom complete cycles of the phase, whose mean is devsLevel.
	devs      []chart.StreamValue
	devsN     []int // panels of the cycle that each was judged in
	devsFrom  int
	devsLevel float64

	active []chart.StreamValue // scratch
	zeros  []float64           // centres of values that have had theirs taken off
}

// member is a panel of the open cycle: its mould's place, the casting of the phase that pressed it, and that one's centre.
type member struct {
	place, casting int
	x              float64
	centre         float64
	has            bool
}

func newCycles(moulds []string) *cycles {
	k := len(moulds)
	cy := &cycles{moulds: moulds, casting: make([]int, k), centres: make([]float64, k), has: make([]bool, k), n: make([]int, k),
		total: make([]float64, k), wholeSum: make([]float64, k), zeros: make([]float64, k)}
	cy.restart()
	return cy
}

// restart begins a phase of the whole press.
func (cy *cycles) restart() {
	cy.now = cy.now[:0]
	cy.fitted, cy.level, cy.castings = false, 0, len(cy.moulds)
	cy.of = cy.of[:0]
	for i := range cy.moulds {
		cy.of = append(cy.of, i)
		cy.casting[i], cy.centres[i], cy.has[i], cy.n[i], cy.total[i] = i, 0, false, 0, 0
	}
	cy.forgetWhole()
}

// renew puts a new casting on a place. A panel of the old one in the open cycle stays what it was.
func (cy *cycles) renew(place int) {
	cy.casting[place] = cy.castings
	cy.castings++
	cy.of = append(cy.of, place)
	cy.has[place], cy.centres[place], cy.n[place], cy.total[place] = false, cy.level, 0, 0
	cy.forgetWhole()
}

// known is the number of moulds that have a centre.
func (cy *cycles) known() int {
	k := 0
	for _, has := range cy.has {
		if has {
			k++
		}
	}
	return k
}

func (cy *cycles) forgetWhole() {
	cy.whole = 0
	clear(cy.wholeSum)
}

// take adds a panel to the open cycle; a mould that comes twice enters once.
func (cy *cycles) take(place int, x float64, p *point) {
	for _, v := range cy.now {
		if v.place == place {
			return
		}
	}
	cy.now = append(cy.now, member{place, cy.casting[place], x, cy.centres[place], cy.has[place]})
	cy.end = *p
}

// closeCycle makes the open cycle's point, if it has enough moulds, and opens the next.
func (c *chartState) closeCycle() {
	cy := c.cyc
	p, ok := c.cyclePoint()
	if ok {
		if !cy.fitted {
			p.row = make([]chart.StreamValue, len(cy.now))
			for i, v := range cy.now {
				p.row[i] = chart.StreamValue{Stream: v.casting, Value: v.x}
			}
			p.vec = nil
			if len(c.rest) > 0 {
				p.vec = c.readings()
			}
			if len(cy.now) == len(cy.moulds) {
				cy.whole++
				for _, v := range cy.now {
					cy.wholeSum[v.place] += v.x
				}
			}
		} else {
			cy.gather(p.effect, c.def.need)
			for k, cy := range c.rest {
				cy.gather(c.effects[k], c.def.need)
			}
		}
		c.series().add(p)
	}
	for _, cy := range c.terms {
		cy.now = cy.now[:0]
	}
	for _, s := range c.streams {
		if s.due {
			s.due = false
			s.newPhase()
		}
	}
}

// holds tells whether the open cycle has a panel of the mould at a place.
func (cy *cycles) holds(place int) bool {
	return slices.ContainsFunc(cy.now, func(v member) bool { return v.place == place })
}

// series is a cycle chart's one series.
func (c *chartState) series() *series {
	if len(c.streams) == 0 {
		return c.begin(c.m.cfg.Press.ID)
	}
	return c.streams[0]
}

// cyclePoint works out the open cycle's point as far as it is known; false for none.
func (c *chartState) cyclePoint() (point, bool) {
	cy := c.cyc
	if 2*len(cy.now) < len(cy.moulds) || len(cy.now) == 0 {
		return point{}, false
	}
	p := cy.end
	cy.active, cy.devs, cy.devsFrom = cy.active[:0], cy.devs[:0], 0
	if cy.fitted {
		for _, v := range cy.now {
			if v.has {
				cy.active = append(cy.active, chart.StreamValue{Stream: v.place, Value: v.x - v.centre})
			}
		}
		if !p.measure(cy.active, cy.zeros, cy.level) {
			return point{}, false
		}
	} else if !c.provisional(&p) {
		// Moulds' own levels would move the mean of an incomplete cycle, and are most of the spread of any.
		p.n, p.unknown = len(cy.now), c.def.Kind == spc.CycleSpread || len(cy.now) < len(cy.moulds)
		for _, v := range cy.now {
			p.mean += v.x / float64(len(cy.now))
		}
	}
	p.value = p.mean
	if c.def.Kind == spc.CycleSpread {
		p.value = p.spread
	}
	if c.def.Kind == spc.Group {
		c.deviations(&p)
	}
	if several(c.def.Kind) {
		if cy.fitted && !c.means(&p) {
			return point{}, false
		}
		p.value = 0
	}
	return p, finite(p.value)
}

// deviations are those of the open cycle's panels, once their moulds have centres of some kind.
func (c *chartState) deviations(p *point) {
	cy := c.cyc
	if p.unknown || len(cy.active) == 0 {
		p.unknown, p.value = true, 0
		return
	}
	for _, v := range cy.active {
		cy.devs = append(cy.devs, chart.StreamValue{Stream: v.Stream, Value: v.Value - p.effect})
	}
	var l *law
	level := cy.level
	if cy.fitted {
		l = c.series().law
		p.row = cy.devs
	} else {
		cy.devsFrom, cy.devsLevel = cy.whole, p.mean-p.effect
		level = cy.devsLevel
	}
	p.value = c.def.plotted(cy.devs, l, level)
}

// provisional fills in the open cycle's figures about the moulds' centres in the phase's complete cycles so far, this one
// not among them; false before there are ten.
func (c *chartState) provisional(p *point) bool {
	cy := c.cyc
	if cy.whole < guardLeast {
		return false
	}
	level := 0.0
	for _, s := range cy.wholeSum {
		level += s / float64(cy.whole) / float64(len(cy.moulds))
	}
	for _, v := range cy.now {
		cy.active = append(cy.active, chart.StreamValue{Stream: v.place, Value: v.x - cy.wholeSum[v.place]/float64(cy.whole)})
	}
	return finite(level) && p.measure(cy.active, cy.zeros, level)
}

// measure fills in the cycle's figures from values that have had their moulds' centres taken off; zeros are as many as
// there are moulds. False when the values are fewer than half the moulds, or fewer than two.
func (p *point) measure(values []chart.StreamValue, zeros []float64, level float64) bool {
	if 2*len(values) < len(zeros) || len(values) < 2 {
		return false
	}
	f, err := chart.Cycle(values, zeros)
	if err != nil || !finite(f.Effect) || !finite(f.Spread) {
		return false
	}
	p.n, p.effect, p.mean, p.spread, p.unknown = f.M, f.Effect, level+f.Effect, f.Spread, false
	return true
}

// gather collects towards the centres of moulds that have none, from the open cycle and its effect.
func (cy *cycles) gather(effect float64, need int) {
	for _, v := range cy.now {
		i := v.place
		if cy.has[i] || v.casting != cy.casting[i] {
			continue
		}
		cy.n[i]++
		cy.total[i] += v.x - effect
		cy.settle(i, need)
	}
}

// settle gives mould i its centre once it has been seen often enough.
func (cy *cycles) settle(i, need int) {
	if cy.n[i] >= need {
		if c := cy.total[i] / float64(cy.n[i]); finite(c) {
			cy.centres[i], cy.has[i] = c, true
			return
		}
		cy.n[i], cy.total[i] = 0, 0
	}
}

// hollow appends the open cycle's point.
func (c *chartState) hollow(list []Point) []Point {
	p, ok := c.cyclePoint()
	s := c.streams
	over := gathers(c.def.Kind)
	if !ok || p.unknown || several(c.def.Kind) || over && (len(s) == 0 || s[0].law == nil) {
		return list
	}
	pt := Point{Chart: c.def.ID, Stream: "press:" + c.m.cfg.Press.ID, Phase: 1, Need: c.def.need}
	if len(s) > 0 {
		pt.Phase, pt.Have = s[0].phase, s[0].have
		if l := s[0].law; l != nil {
			pt.Limits, pt.MRLimits, pt.Source, pt.Have, pt.Need = l.at(p.n), l.record.MRLimits, l.record.Source, 0, 0
		}
	}
	if over {
		at := s[0].course.copied()
		p.value, pt.Limits = c.def.step(&at, s[0].law, p.value, p.n)
	}
	pt.At, pt.Panel, pt.Measurement, pt.Value, pt.N = p.at, p.panel, p.measurement, p.value, p.n
	pt.Complete, pt.Hollow = p.n == len(c.cyc.moulds), true
	return append(list, pt)
}

// fit works out the castings' centres and the cycle model from the held cycles of a phase, writes the figures of each
// cycle into it and drops the cycles that have too few moulds with a centre. The rows then are empty, or the deviations by place. On refusal held is as before.
func (cy *cycles) fit(held []point, need int, deviations bool) ([]point, chart.CycleModel, error) {
	complete := 0
	for i := range held {
		if len(held[i].row) == len(cy.moulds) {
			complete++
		}
	}
	counts := make([]int, cy.castings)
	used := func(p *point) bool { return complete < need || len(p.row) == len(cy.moulds) }
	for i := range held {
		if used(&held[i]) {
			for _, v := range held[i].row {
				counts[v.Stream]++
			}
		}
	}
	// Streams of the fit are the castings that were there for at least half of a baseline.
	stream, streams := make([]int, cy.castings), 0
	var casts []int // castings of the streams
	for i, n := range counts {
		stream[i] = -1
		if 2*n >= need {
			stream[i] = streams
			casts = append(casts, i)
			streams++
		}
	}
	rows := make([][]chart.StreamValue, len(held))
	var baseline [][]chart.StreamValue
	for i := range held {
		for _, v := range held[i].row {
			if k := stream[v.Stream]; k >= 0 {
				rows[i] = append(rows[i], chart.StreamValue{Stream: k, Value: v.Value})
			}
		}
		if used(&held[i]) && len(rows[i]) >= 2 && 2*len(rows[i]) >= len(cy.moulds) {
			baseline = append(baseline, rows[i])
		}
	}
	centres, err := chart.StreamCentres(baseline, streams)
	if err != nil {
		return held, chart.CycleModel{}, err
	}
	model, err := chart.Cycles(baseline, centres, true)
	if err != nil {
		return held, chart.CycleModel{}, err
	}
	level := 0.0
	for _, c := range centres {
		level += c / float64(len(centres))
	}
	if !finite(level) || !finite(model.Centre) || !finite(model.SigmaEffect) || !finite(model.SigmaWithin) {
		return held, chart.CycleModel{}, refusal.Unsolved("the cycles are too large to be worked with")
	}
	cy.fitted, cy.level = true, level
	for place, casting := range cy.casting {
		cy.centres[place], cy.has[place], cy.n[place], cy.total[place] = level, false, 0, 0
		if casting < len(stream) && stream[casting] >= 0 {
			cy.centres[place], cy.has[place] = centres[stream[casting]], true
		}
	}
	kept := held[:0:0]
	for i := range held {
		p := held[i]
		// Castings of one place never share a cycle, so a cycle has no more values than there are moulds.
		cy.active = cy.active[:0]
		for k, v := range rows[i] {
			cy.active = append(cy.active, chart.StreamValue{Stream: k, Value: v.Value - centres[v.Stream]})
		}
		if !p.measure(cy.active, cy.zeros, level) {
			continue
		}
		for _, v := range p.row {
			for place, casting := range cy.casting {
				if casting == v.Stream && !cy.has[place] {
					cy.n[place]++
					cy.total[place] += v.Value - p.effect
				}
			}
		}
		p.row = nil
		if deviations {
			for k, v := range rows[i] {
				p.row = append(p.row, chart.StreamValue{Stream: cy.of[casts[v.Stream]], Value: cy.active[k].Value - p.effect})
			}
		}
		kept = append(kept, p)
	}
	for place := range cy.moulds {
		if !cy.has[place] {
			cy.settle(place, need)
		}
	}
	return kept, model, nil
}
