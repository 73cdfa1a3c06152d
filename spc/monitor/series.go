package monitor

import (
	"fmt"
	"math"
	"slices"
	"time"

	"sagwatch/spc"
	"sagwatch/spc/chart"
	"sagwatch/spc/refusal"
	"sagwatch/spc/rules"
)

// point is a point on its way: what a Point is made of.
type point struct {
	at          time.Time
	panel       string
	measurement int64
	excluded    string
	value       float64
	n           int
	// Of cycles: the figures, and while the moulds have no centres the panels by casting. unknown: value has no meaning yet.
	effect, mean, spread float64
	row                  []chart.StreamValue
	unknown              bool
	vec                  []float64 // of several terms: their values, or means; of a cycle that waits for centres readings
	// guard is what a held point was judged by while it waited; hit whether it was beyond.
	guard *spc.Limits
	hit   rules.Side
}

// series is one stream of one chart.
type series struct {
	c         *chartState
	key, name string // "7", "mould:7"
	member    bool   // one mould's deviations on a group chart; its limits are the chart's
	due       bool   // a phase of the member begins with the next cycle
	phase     int
	begun     bool // the phase has a point

	law  *law // nil: no limits yet
	held []point
	have int // of them that count towards the baseline

	// The guard: limits of the latest phase that had some, and mean and number of this phase's points so far.
	before     *law
	guardSum   float64
	guardN     int
	guardFinds []*finding // signals of the guard in this phase

	state   rules.State
	sub     []float64 // of a chart of subgroups: the panels of the one that is begun
	course  course    // of a chart that gathers over points
	average average   // of several terms
	at      []float64 // scratch: the terms that the point at hand was judged by
	recent  []string  // ring of the panels of the latest judged points
	judged  int       // points judged under this law
	prev    float64   // value of the judged point before, for the moving range
	hasPrev bool
	open    *finding
	quiet   int

	posted     []posted
	nextPosted int
	gathered   map[string][]figure // by posted limit: its baseline as far as it has come
}

// moulds is the number of moulds for a cycle chart, 0 for others.
func (s *series) moulds() int {
	if s.c.cyc == nil {
		return 0
	}
	return len(s.c.cyc.moulds)
}

// add takes the next point of the stream.
func (s *series) add(p point) {
	s.begun = true
	s.takePosted(&p)
	d := s.c.def
	if derived(d.Kind) {
		p.unknown = true // until there is a scale
	}
	if s.law == nil && d.given != nil && !d.cycle && !derived(d.Kind) {
		s.follow(givenLaw(*d.given, 0), spc.Frozen, p, "Given in the chart's definition.")
	}
	if !d.cycle {
		s.gather(&p)
	}
	if s.law != nil {
		s.judge(&p)
		return
	}
	if p.excluded == "" {
		s.guard(&p)
		if s.moulds() == 0 || len(p.row) == s.moulds() {
			s.have++
		}
	}
	if !d.cycle {
		p.vec = slices.Clone(p.vec) // which is scratch
	}
	s.held = append(s.held, p)
	if s.full() {
		s.settle()
	}
}

// settle makes provisional limits of the held points and judges them.
func (s *series) settle() {
	d, held := s.c.def, s.held
	var l *law
	var err error
	if cy := s.c.cyc; cy != nil && several(d.Kind) {
		var models []chart.CycleModel
		if held, models, err = s.c.fitTerms(held, d.need); err == nil {
			if l, err = termsLaw(d, rowsOf(held), models, s.moulds()); err != nil {
				for _, cy := range s.c.terms {
					cy.fitted = false
				}
			}
		}
	} else if grouped(d.Kind) {
		l, err = subgroupsLaw(d, rowsOf(held))
	} else if several(d.Kind) {
		l, err = termsLaw(d, rowsOf(held), nil, 0)
	} else if cy != nil {
		var model chart.CycleModel
		if held, model, err = cy.fit(held, d.need, d.Kind == spc.Group); err == nil {
			figures := make([]figure, len(held))
			for i := range held {
				p := &held[i]
				p.value = p.mean
				if d.Kind == spc.CycleSpread {
					p.value = p.spread
				}
				figures[i] = p.figure()
			}
			if d.Kind == spc.Group {
				l, err = groupLaw(d, model, held, cy.level, s.moulds())
			} else {
				l, err = cycleLaw(d, model, figures, s.moulds())
			}
			if err != nil {
				cy.fitted = false
			}
		}
	} else {
		figures := make([]figure, 0, len(held))
		for i := range held {
			if held[i].excluded == "" {
				figures = append(figures, held[i].figure())
			}
		}
		l, err = singlesLaw(d, figures)
	}
	if err != nil || len(held) == 0 {
		last := s.held[len(s.held)-1]
		s.c.m.log = append(s.c.m.log, LimitsInForce{Chart: d.ID, Stream: s.name, Phase: s.phase, Source: spc.Provisional, From: last.at,
			FromPanel: last.panel, Measurement: last.measurement, KnownAt: last.at, N: s.have, Refused: noLimits(err)})
		s.release()
		for _, cy := range s.c.terms {
			cy.forgetWhole()
		}
		return
	}
	source := spc.Provisional
	if d.given != nil {
		source = spc.Frozen
	}
	l.record.BaselineFrom, l.record.BaselineTo = held[0].at, held[len(held)-1].at
	known := held[len(held)-1].at
	s.held, s.have = nil, 0
	s.follow(l, source, held[0], "")
	s.law.record.KnownAt = known
	s.c.m.log[len(s.c.m.log)-1].KnownAt = known
	for i := range held {
		if p := &held[i]; l.group != nil {
			p.value = d.plotted(p.row, l, 0)
		}
		s.judge(&held[i])
	}
	for _, t := range s.c.streams {
		if t == s || t.member {
			t.guardFinds = nil
		}
	}
}

// rowsOf are the terms of held points, excluded ones left out.
func rowsOf(held []point) [][]float64 {
	rows := make([][]float64, 0, len(held))
	for i := range held {
		if held[i].excluded == "" {
			rows = append(rows, held[i].vec)
		}
	}
	return rows
}

// noLimits says in words why a baseline gives no limits.
func noLimits(err error) string {
	if r, ok := err.(*refusal.Error); ok && r.Reason == refusal.ZeroVariance {
		return "The points of the baseline do not vary, so they give no limits."
	}
	if err == nil {
		return "No cycle of the baseline has enough moulds, so it gives no limits."
	}
	return fmt.Sprintf("The baseline gives no limits (%v).", err)
}

// release lets the held points go unjudged. A cycle whose value has no meaning without the moulds' centres makes no point.
func (s *series) release() {
	held := s.held
	s.held, s.have = nil, 0
	for i := range held {
		if !held[i].unknown {
			s.emit(s.point(&held[i], spc.Limits{}))
		}
	}
}

// follow puts a law in force from point p on: rules, moving range and signals start afresh.
func (s *series) follow(l *law, source spc.LimitSource, p point, note string) {
	r := &l.record
	r.Chart, r.Stream, r.Phase, r.Source = s.c.def.ID, s.name, s.phase, source
	r.From, r.FromPanel, r.Measurement, r.KnownAt = p.at, p.panel, p.measurement, p.at
	if note != "" {
		r.Notes = append(r.Notes, note)
	}
	if cy := s.c.cyc; cy != nil {
		for i, mould := range cy.moulds {
			if cy.has[i] {
				r.Centres = append(r.Centres, MouldCentre{mould, cy.centres[i]})
			}
		}
	}
	s.law = l
	s.afresh()
	if l.group != nil {
		for _, m := range s.c.streams[1:] {
			m.afresh()
		}
	}
	s.c.m.log = append(s.c.m.log, *r)
}

// afresh forgets what rules, moving range and signals remember.
func (s *series) afresh() {
	s.state.Reset()
	s.course, s.average = s.c.def.over.start(), average{}
	s.judged, s.hasPrev = 0, false
	if s.open != nil {
		s.open.end(s.c.m.last.LineAt, s.c.m.last.LineAt)
		s.open = nil
	}
}

// newPhase begins a phase with the next point.
func (s *series) newPhase() {
	s.sub = s.sub[:0]
	if !s.begun {
		return
	}
	s.release()
	s.afresh()
	if s.law != nil && !s.member {
		s.before = s.law
	}
	s.law, s.begun = nil, false
	s.guardSum, s.guardN, s.guardFinds = 0, 0, nil
	s.phase++
}

// gather adds a point whose figures are known to the baselines of posted limits that hold its time.
func (s *series) gather(p *point) {
	if p.excluded != "" {
		return
	}
	for i := s.nextPosted; i < len(s.posted); i++ {
		l := &s.posted[i]
		if l.Given == nil && !p.at.Before(l.BaselineFrom) && p.at.Before(l.BaselineTo) {
			if s.gathered == nil {
				s.gathered = map[string][]figure{}
			}
			s.gathered[l.id] = append(s.gathered[l.id], p.figure())
		}
	}
}

// takePosted puts posted limits in force that hold for the next point.
func (s *series) takePosted(next *point) {
	for s.nextPosted < len(s.posted) && !s.posted[s.nextPosted].start.After(next.at) {
		p := &s.posted[s.nextPosted]
		if s.law == nil && (s.c.cyc != nil || p.Given != nil && derived(s.c.def.Kind)) {
			return // until the moulds have centres, or there is a scale
		}
		s.nextPosted++
		baseline := s.gathered[p.id]
		delete(s.gathered, p.id)
		var l *law
		var err error
		switch {
		case p.Given != nil && several(s.c.def.Kind):
			l = s.law.givenTerms(*p.Given)
		case p.Given != nil && gathers(s.c.def.Kind):
			l = s.law.given(s.c.def, *p.Given)
		case p.Given != nil && s.law != nil && s.law.group != nil:
			l = givenLaw(*p.Given, s.moulds())
			l.group, l.fixed = s.law.group, true
			l.record.SigmaWithin, l.record.Log = s.law.record.SigmaWithin, s.law.record.Log
		case p.Given != nil:
			l = givenLaw(*p.Given, s.moulds())
		default:
			withoutGiven := *s.c.def
			withoutGiven.given = nil
			rows := make([][]float64, len(baseline))
			for i, f := range baseline {
				rows[i] = f.vec
			}
			if grouped(s.c.def.Kind) {
				l, err = subgroupsLaw(&withoutGiven, rows)
				break
			}
			if several(s.c.def.Kind) {
				if l, err = termsLaw(&withoutGiven, rows, nil, 0); err == nil && s.law != nil && len(s.law.terms.base.Mean) == len(l.terms.base.Mean) {
					l.terms.ratio = s.law.terms.ratio
				}
				break
			}
			if s.c.cyc == nil {
				l, err = singlesLaw(&withoutGiven, baseline)
				break
			}
			var model chart.CycleModel
			if model, err = modelOf(baseline); err == nil && s.c.def.Kind == spc.Group {
				l, err = groupLaw(&withoutGiven, model, nil, s.c.cyc.level, s.moulds())
			} else if err == nil {
				l, err = cycleLaw(&withoutGiven, model, baseline, s.moulds())
			}
		}
		if err != nil {
			s.c.m.log = append(s.c.m.log, LimitsInForce{Chart: s.c.def.ID, Stream: s.name, Phase: s.phase, Source: spc.Frozen, From: p.start,
				KnownAt: next.at, N: len(baseline), BaselineFrom: p.BaselineFrom, BaselineTo: p.BaselineTo, Reason: p.Reason, By: p.By,
				Revision: p.Revision, Refused: noLimits(err)})
			continue
		}
		if s.law == nil {
			s.release()
			s.guardFinds = nil
		}
		r := &l.record
		r.Reason, r.By, r.Revision = p.Reason, p.By, p.Revision
		if p.Given == nil {
			r.BaselineFrom, r.BaselineTo = p.BaselineFrom, p.BaselineTo
		}
		s.follow(l, spc.Frozen, *next, "")
	}
}

// guard judges a point that waits for provisional limits by those of the phase before, about the new centre.
func (s *series) guard(p *point) {
	d := s.c.def
	if d.Kind == spc.Group {
		s.guardGroup(p)
		return
	}
	if counted(d.Kind) {
		s.guardCounts(p)
		return
	}
	if p.unknown || s.moulds() > 0 && len(p.row) != s.moulds() {
		return
	}
	logs := s.before != nil && s.before.record.Log
	x := p.value
	if logs {
		if x <= 0 {
			return
		}
		x = math.Log(x)
	}
	if s.before != nil && s.guardN >= guardLeast {
		if lim, ok := guardLimits(s.before.record.Limits, logs, s.guardSum/float64(s.guardN), s.guardN); ok {
			s.guarded(p, lim)
		}
	}
	s.guardSum += x
	s.guardN++
}

// guarded judges a held point by the guard's limits.
func (s *series) guarded(p *point, lim spc.Limits) {
	p.guard = &lim
	var st rules.State
	hits := s.c.def.guard.Step(&st, p.value, lim)
	switch {
	case hits.Len() > 0 && s.c.def.Quiet:
		p.hit = hits.All()[0].Side
	case hits.Len() > 0:
		p.hit = hits.All()[0].Side
		s.recent = append(s.recent[:0], p.panel)
		s.judged = 1
		s.signal(p, lim, worded(hits.All()), true)
		s.judged = 0
	default:
		s.calm(p.at)
	}
}

// guardLimits moves earlier limits to a new centre, the mean of n points (of logarithms).
func guardLimits(l spc.Limits, logs bool, centre float64, n int) (spc.Limits, bool) {
	if !l.HasCentre || !finite(centre) {
		return spc.Limits{}, false
	}
	wide := math.Sqrt(1 + 1/float64(n))
	g := l
	g.Sigma = l.Sigma * wide
	if logs {
		g.Centre = math.Exp(centre)
		g.Lower = g.Centre * math.Pow(l.Lower/l.Centre, wide)
		g.Upper = g.Centre * math.Pow(l.Upper/l.Centre, wide)
		g.Sigma *= g.Centre / l.Centre
	} else {
		g.Centre = centre
		g.Lower = centre - (l.Centre-l.Lower)*wide
		g.Upper = centre + (l.Upper-l.Centre)*wide
	}
	if !g.HasLower {
		g.Lower = 0
	}
	if !g.HasUpper {
		g.Upper = 0
	}
	return g, finite(g.Lower) && finite(g.Centre) && finite(g.Upper) && finite(g.Sigma)
}

// judge puts a point before the law in force and emits it.
func (s *series) judge(p *point) {
	d := s.c.def
	if d.cycle {
		s.gather(p)
	}
	if s.law.group != nil {
		s.judgeGroup(p)
		return
	}
	if p.excluded != "" {
		s.hasPrev = false
		if !derived(d.Kind) {
			s.emit(s.point(p, s.law.at(p.n)))
		}
		return
	}
	lim := s.law.at(p.n)
	if several(d.Kind) {
		var err error
		if p.value, lim, s.at, err = d.stepTerms(&s.average, s.law, p.vec, p.n); err != nil {
			return // too far off to be worked with
		}
	}
	if gathers(d.Kind) {
		p.value, lim = d.step(&s.course, s.law, p.value, p.n)
	}
	s.judgeAt(p, lim)
}

// judgeAt puts a point before its limits, opens, extends or ends the signal and emits it.
func (s *series) judgeAt(p *point, lim spc.Limits) {
	d := s.c.def
	hits := d.set.Step(&s.state, p.value, lim)
	s.remember(p.panel)
	mr, hasMR := 0.0, s.hasPrev && !derived(d.Kind) && !s.member && !counted(d.Kind) && (!grouped(d.Kind) || d.Kind == spc.BetweenWithin)
	if hasMR {
		mr = math.Abs(p.value - s.prev)
		hasMR = finite(mr)
	}
	s.prev, s.hasPrev = p.value, true
	mrl := &s.law.record.MRLimits
	jumped := hasMR && mrl.HasUpper && mr > mrl.Upper && d.set.On(rules.BeyondLimits)
	var made []Hit
	if hits.Len() > 0 {
		made = worded(hits.All())
	}
	if grouped(d.Kind) && d.set.On(rules.BeyondLimits) {
		if h, is := spreadHit(p.spread, s.law.record.SpreadLimits); is {
			made = append(made, h)
		}
	}
	if len(made) > 0 && !d.Quiet {
		s.signal(p, lim, made, false)
	} else {
		s.calm(p.at)
	}
	if jumped && s.open != nil {
		s.open.jump(p, mr, s.panels(2, 3))
	}
	if len(s.c.traces) == 0 {
		return
	}
	pt := s.point(p, lim)
	pt.MR, pt.HasMR = mr, hasMR
	pt.Hits = made
	if jumped {
		pt.Hits = append(pt.Hits, Hit{Jumped, Jumped, 2, 3})
	}
	s.emit(pt)
}

// remember keeps the panels of as many judged points as a rule, or a moving range, can reach back over.
func (s *series) remember(panel string) {
	size := max(2, s.c.def.window)
	if s.judged == 0 {
		s.recent = s.recent[:0]
	}
	if len(s.recent) < size {
		s.recent = append(s.recent, panel)
	} else {
		s.recent[s.judged%size] = panel
	}
	s.judged++
}

// panels lists the panels of a mask over the latest judged points, oldest first.
func (s *series) panels(back int, mask uint64) []string {
	list := make([]string, 0, back)
	for i := back - 1; i >= 0; i-- {
		if mask>>i&1 != 0 && i < s.judged && i < len(s.recent) {
			list = append(list, s.recent[(s.judged-1-i)%max(len(s.recent), 1)])
		}
	}
	return list
}

// point fills in what a Point shows; limits only where a law is in force.
func (s *series) point(p *point, lim spc.Limits) Point {
	pt := Point{Chart: s.c.def.ID, Stream: s.name, Phase: s.phase, At: p.at, Panel: p.panel, Measurement: p.measurement, Value: p.value,
		N: p.n, Complete: s.moulds() == 0 || p.n == s.moulds(), Excluded: p.excluded}
	if s.law != nil {
		pt.Limits, pt.MRLimits, pt.Source = lim, s.law.record.MRLimits, s.law.record.Source
	}
	if grouped(s.c.def.Kind) {
		pt.Spread = &Spread{Value: p.spread}
		if s.law != nil {
			pt.Spread.Limits = s.law.record.SpreadLimits
		}
	}
	return pt
}

func (s *series) emit(p Point) {
	for _, t := range s.c.traces {
		if t.stream == "" || t.stream == s.name {
			t.fn(p)
		}
	}
}

// pending appends the held points.
func (s *series) pending(list []Point) []Point {
	have, prev, hasPrev := 0, 0.0, false
	for i := range s.held {
		p := &s.held[i]
		if p.excluded == "" && (s.moulds() == 0 || len(p.row) == s.moulds()) {
			have++
		}
		if p.unknown {
			continue
		}
		pt := s.point(p, spc.Limits{})
		pt.Have, pt.Need = have, s.c.def.need
		if p.excluded != "" {
			hasPrev = false
			list = append(list, pt)
			continue
		}
		if hasPrev && !counted(s.c.def.Kind) && (!grouped(s.c.def.Kind) || s.c.def.Kind == spc.BetweenWithin) {
			pt.MR = math.Abs(p.value - prev)
			pt.HasMR = finite(pt.MR)
		}
		prev, hasPrev = p.value, true
		if p.guard != nil {
			pt.Limits, pt.Source = *p.guard, spc.Guard
			if p.hit != rules.NoSide {
				h := rules.Hit{Rule: rules.BeyondLimits, Side: p.hit, Count: 1, Span: 1, Mask: 1}
				pt.Hits = []Hit{{h.Rule.String(), h.Words(), 1, 1}}
			}
		}
		list = append(list, pt)
	}
	return list
}
