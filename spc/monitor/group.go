package monitor

import (
	"math"
	"slices"

	"sagwatch/spc"
	"sagwatch/spc/chart"
	"sagwatch/spc/dist"
	"sagwatch/spc/rules"
)

// group is what the limits of a group chart follow from; with the law's SigmaWithin, the standard deviation s that the
// moulds have in common. Deviations are of logarithms where the law says Log.
type group struct {
	level float64   // of logarithms: the characteristic's level at which a deviation is written in its unit
	own   []float64 // s_i by place where the moulds vary differently; else nil
	mean  float64   // mean of s_i^2
	z     []float64 // limit of the standardised deviations by number of panels
}

type groupWanted struct {
	m     int
	alike bool
	width chart.Width
}

var groupLimits worked[groupWanted, float64]

// unlike is the probability with which moulds that vary alike are taken to vary differently, over all moulds of a press.
const unlike = 0.001

// groupLaw works out a group chart from the model of its baseline's cycles; held are the cycles with their deviations by place,
// none where they are not known any more: then the moulds are taken to vary alike.
func groupLaw(d *definition, model chart.CycleModel, held []point, level float64, moulds int) (*law, error) {
	l := &law{}
	r := &l.record
	r.N, r.SigmaWithin, r.SigmaOverall, r.Log = model.Cycles, model.SigmaWithin, model.SigmaEffect, d.log
	g := &group{level: 1, z: make([]float64, moulds+1)}
	l.group = g
	if r.Log {
		g.level = math.Exp(level)
		r.note("The values are skewed, so deviations are those of logarithms, written at the level %.4g.", g.level)
	}
	if own := ownSigmas(held, model.SigmaWithin, moulds); own != nil {
		g.own = own
		for _, s := range own {
			g.mean += s * s / float64(len(own))
		}
	}
	for n := max(2, (moulds+1)/2); n <= moulds; n++ {
		var err error
		g.z[n], err = groupLimits.get(groupWanted{n, g.own == nil, d.width}, func(w groupWanted) (float64, error) {
			lim, err := chart.GroupLimitFor(w.m, w.alike, w.width)
			return lim.Z, err
		})
		if err != nil {
			return nil, err
		}
	}
	if g.own == nil {
		r.note("Plotted is the mould that lies farthest from its cycle. All moulds vary alike; the limit is exact for the farthest of so many.")
	} else {
		r.note("Plotted is the mould that lies farthest from its cycle for how much it varies, on the scale that the moulds have in common. The moulds vary differently; each is judged by its own standard deviation, and the limit shares the probability equally among them (at most the wanted rate).")
	}
	if d.given != nil {
		r.note("The limits are given in the chart's definition; the baseline only gave the moulds' centres.")
	}
	r.LimitsByN = make([]spc.Limits, moulds+1)
	for n := max(2, (moulds+1)/2); n <= moulds; n++ {
		r.LimitsByN[n] = d.sided(l.deviation(l.common(n), n))
		if d.given != nil {
			r.LimitsByN[n], l.fixed = *d.given, true
		}
	}
	r.Limits = r.LimitsByN[moulds]
	return l, l.check()
}

// ownSigmas are the moulds' standard deviations about their cycles where one of them differs from the common one by more than
// chance; else nil. One that could not be told has the common one.
func ownSigmas(held []point, common float64, moulds int) []float64 {
	sum, count := make([]float64, moulds), make([]float64, moulds)
	rows := make([][]chart.StreamValue, 0, len(held))
	for i := range held {
		m := float64(len(held[i].row))
		if m < 3 {
			continue // two deviations are one number
		}
		rows = append(rows, held[i].row)
		for _, v := range held[i].row {
			sum[v.Stream] += v.Value * v.Value / (1 - 1/m)
			count[v.Stream]++
		}
	}
	tail := unlike / 2 / float64(moulds)
	differs := false
	for i, n := range count {
		if n < 20 {
			continue
		}
		q := sum[i] / (common * common)
		differs = differs || q > dist.ChiSquareQuantileUpper(tail, n-1) || q < dist.ChiSquareQuantileUpper(1-tail, n-1)
	}
	if !differs {
		return nil
	}
	model, err := chart.GroupBaseline(rows, make([]float64, moulds), false, true)
	if err != nil {
		return nil
	}
	for i, s := range model.Sigmas {
		if !(s > 0) || count[i] < 20 {
			model.Sigmas[i] = common
		}
	}
	return model.Sigmas
}

// common is the standard deviation of a deviation in a cycle of n panels from moulds that vary alike.
func (l *law) common(n int) float64 { return l.record.SigmaWithin * math.Sqrt(1-1/float64(n)) }

// spreadOf is that of the mould at a place: sqrt(s_i^2 (1 - 2/n) + mean(s^2) / n), exact for complete cycles.
func (l *law) spreadOf(place, n int) float64 {
	g := l.group
	if g.own == nil {
		return l.common(n)
	}
	s, m := g.own[place], float64(n)
	return math.Sqrt(math.Max(0, s*s*(1-2/m)+g.mean/m))
}

// written is a deviation in the characteristic's unit.
func (l *law) written(d float64) float64 {
	if l.record.Log {
		return l.group.level * math.Expm1(math.Min(d, 300))
	}
	return d
}

// deviation is the limits of a deviation with standard deviation sd in a cycle of n panels.
func (l *law) deviation(sd float64, n int) spc.Limits {
	z := l.group.z[n]
	return spc.Limits{Lower: l.written(-z * sd), Upper: l.written(z * sd), HasLower: true, HasCentre: true, HasUpper: true, Sigma: math.Abs(l.written(sd))}
}

// limitsOf is the limits of the mould at a place in a cycle of n panels.
func (s *series) limitsOf(l *law, place, n int) spc.Limits {
	if l.fixed {
		return l.record.Limits
	}
	return s.c.def.sided(l.deviation(l.spreadOf(place, n), n))
}

// farthestOf finds the deviation that lies farthest out, on the sides that the chart has, and how far in standard
// deviations; l may be nil, then the moulds count alike.
func (d *definition) farthestOf(devs []chart.StreamValue, l *law) (v chart.StreamValue, z float64) {
	far := math.Inf(-1)
	for _, w := range devs {
		x := w.Value
		if l != nil && l.group.own != nil {
			x /= l.spreadOf(w.Stream, len(devs))
		}
		out := math.Abs(x)
		switch d.Limits.Side {
		case "upper":
			out = x
		case "lower":
			out = -x
		}
		if out > far {
			far, v, z = out, w, x
		}
	}
	return v, z
}

// plotted is a cycle's point on the group chart itself.
func (d *definition) plotted(devs []chart.StreamValue, l *law, level float64) float64 {
	v, z := d.farthestOf(devs, l)
	switch {
	case l == nil && d.log:
		return math.Exp(level) * math.Expm1(v.Value)
	case l == nil:
		return v.Value
	case l.group.own != nil && !l.fixed:
		return l.written(z * l.common(len(devs)))
	}
	return l.written(v.Value)
}

// member is the series of one mould's deviations from its cycles.
func (c *chartState) member(place int) *series {
	if s := c.byPlace[place]; s != nil {
		return s
	}
	mould := c.cyc.moulds[place]
	s := &series{c: c, key: mould, name: "mould:" + mould, phase: 1, member: true}
	c.streams = append(c.streams, s)
	c.byPlace[place] = s
	return s
}

// peel judges the deviations of a cycle: while the one that lies farthest out is beyond its limit, it is taken away and the
// others are judged by their deviations from each other, for a mould that has left them draws the level of the cycle after
// it. More than half of the cycle stays. The deviations, in place, are then each as it was judged, and devsN says in a cycle of
// how many.
func (s *series) peel(devs []chart.StreamValue, l *law, beyond func(v chart.StreamValue, n int) bool) {
	cy := s.c.cyc
	n := len(devs)
	cy.devsN = cy.devsN[:0]
	for range devs {
		cy.devsN = append(cy.devsN, n)
	}
	left := n // devs[:left] are not taken away
	for {
		v, _ := s.c.def.farthestOf(devs[:left], l)
		if !beyond(v, left) {
			break
		}
		i := slices.IndexFunc(devs[:left], func(w chart.StreamValue) bool { return w.Stream == v.Stream })
		if left--; 2*left <= n || left < max(2, (s.moulds()+1)/2) {
			break
		}
		devs[i], devs[left] = devs[left], v
		cy.devsN[left] = left + 1
		mean := 0.0
		for _, w := range devs[:left] {
			mean += w.Value / float64(left)
		}
		for j := range left {
			devs[j].Value -= mean
			cy.devsN[j] = left
		}
	}
}

// outside tells whether a value lies beyond limits.
func outside(x float64, l spc.Limits) bool {
	return l.HasUpper && x > l.Upper || l.HasLower && x < l.Lower
}

// judgeGroup judges every mould of a cycle, and shows the one that lies farthest out. The moulds open the signals.
func (s *series) judgeGroup(p *point) {
	cy := s.c.cyc
	far, _ := s.c.def.farthestOf(p.row, s.law)
	s.peel(p.row, s.law, func(v chart.StreamValue, n int) bool {
		return outside(s.law.written(v.Value), s.limitsOf(s.law, v.Stream, n))
	})
	for i, v := range p.row {
		m := s.c.member(v.Stream)
		m.begun = true
		if m.law != s.law {
			m.law = s.law
			m.afresh()
		}
		own := *p
		own.value, own.row, own.n = s.law.written(v.Value), nil, cy.devsN[i]
		m.judgeAt(&own, s.limitsOf(s.law, v.Stream, own.n))
	}
	if len(s.c.traces) == 0 {
		return
	}
	pt := s.point(p, s.law.at(p.n))
	var st rules.State
	hits := s.c.def.guard.Step(&st, p.value, pt.Limits)
	if hits.Len() > 0 {
		h := hits.All()[0]
		pt.Hits = []Hit{{h.Rule.String(), "mould " + s.c.cyc.moulds[far.Stream] + " " + h.Words(), 1, 1}}
	}
	s.emit(pt)
}

// guardGroup judges the moulds of a complete cycle that waits for provisional limits by the spread of the phase before, about
// the centres of the n complete cycles of this phase before it.
func (s *series) guardGroup(p *point) {
	cy, d := s.c.cyc, s.c.def
	n := cy.devsFrom
	if s.before == nil || s.before.group == nil || n < guardLeast || len(p.row) != s.moulds() {
		return
	}
	lim, ok := guardLimits(s.before.at(p.n), false, 0, n)
	if !ok {
		return
	}
	p.guard = &lim
	written := func(v chart.StreamValue) float64 {
		if d.log {
			return math.Exp(cy.devsLevel) * math.Expm1(v.Value)
		}
		return v.Value
	}
	s.peel(cy.devs, s.before, func(v chart.StreamValue, size int) bool {
		lim, ok := guardLimits(s.limitsOf(s.before, v.Stream, size), false, 0, n)
		return ok && outside(written(v), lim)
	})
	for i, v := range cy.devs {
		m := s.c.member(v.Stream)
		m.begun = true
		one, ok := guardLimits(s.limitsOf(s.before, v.Stream, cy.devsN[i]), false, 0, n)
		if !ok {
			continue
		}
		own := *p
		own.row, own.guard, own.value, own.n = nil, nil, written(v), cy.devsN[i]
		var st rules.State
		if hits := d.guard.Step(&st, own.value, one); hits.Len() > 0 {
			if d.Quiet {
				continue
			}
			m.recent, m.judged = append(m.recent[:0], own.panel), 1
			m.signal(&own, one, worded(hits.All()), true)
			m.judged = 0
		} else {
			m.calm(p.at)
		}
	}
	// The chart itself shows a hit where the farthest mould lies beyond.
	if far := d.guard.On(rules.BeyondLimits) && outside(p.value, lim); !far {
		p.hit = rules.NoSide
	} else if p.hit = rules.UpperSide; p.value < 0 {
		p.hit = rules.LowerSide
	}
}

func (c *codec) group(p **group) {
	has := *p != nil
	c.bool(&has)
	if !has {
		return
	}
	if c.reading {
		*p = &group{}
	}
	g := *p
	c.float(&g.level)
	c.float(&g.mean)
	list(c, &g.own, (*codec).float)
	list(c, &g.z, (*codec).float)
}
