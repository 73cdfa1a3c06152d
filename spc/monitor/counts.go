package monitor

import (
	"math"
	"slices"

	"sagwatch/spc"
	"sagwatch/spc/chart"
	"sagwatch/spc/dist"
)

// Charts of counts take the count that the chart's characteristic names: nonconforming of inspected (p, np), defects on units (c, u),
// either of them (interval). A point of p, np, c and u holds the counts of one measurement, or of Subgroup measurements of the stream
// that follow each other, added up; its limits are those of its own number inspected, or of units.

// leastCounted is how many rejects or defects a baseline should hold: the level is then known to about a third of itself
// (common practice, no source). A baseline waits for them up to patience times its length.
const (
	leastCounted = 10
	patience     = 4
	// mostIntervals bounds what one measurement adds to a chart that is meant for rare rejects.
	mostIntervals = 1000
)

// counted is true of kinds that chart counts.
func counted(k spc.ChartKind) bool { return k.OfCounts() }

// countOf is the observation's count of the chart's characteristic in the form that the chart takes. defects tells that it is one
// of defects on units.
func (d *definition) countOf(o *Observation) (part, whole float64, defects, ok bool) {
	c, is := o.Counts[d.Characteristic]
	if !is {
		return 0, 0, false, false
	}
	a, b := c.Nonconforming, c.Inspected
	if a == nil || b == nil {
		a, b, defects = c.Defects, c.Units, true
	}
	switch {
	case a == nil || b == nil || *a < 0 || *b < 1 || *a > 1e9 || *b > 1e9 || !defects && *a > *b:
		return 0, 0, false, false
	case d.Kind == spc.PChart || d.Kind == spc.NPChart:
		ok = !defects
	case d.Kind == spc.CChart || d.Kind == spc.UChart:
		ok = defects
	default:
		ok = true
	}
	return float64(*a), float64(*b), defects, ok
}

// takeCount takes the next observation of a chart of counts.
func (c *chartState) takeCount(o *Observation, place int, p point) {
	part, whole, defects, ok := c.def.countOf(o)
	if !ok {
		return
	}
	s := c.stream(o, place)
	if s == nil {
		return
	}
	d := c.def
	single := d.Subgroup <= 1 && d.Kind != spc.IntervalChart
	if p.excluded != "" && !single {
		return // its panels are as if they had not been inspected
	}
	if len(s.sub) == 0 {
		s.sub = append(s.sub, 0, 0, 0)
	}
	if d.Kind == spc.IntervalChart {
		s.intervals(part, whole, defects, p)
		return
	}
	if single {
		s.sub[0], s.sub[1], s.sub[2] = part, whole, 1
	} else {
		s.sub[0], s.sub[1], s.sub[2] = s.sub[0]+part, s.sub[1]+whole, s.sub[2]+1
	}
	if int(s.sub[2]) < d.Subgroup {
		return
	}
	p.mean, p.n = s.sub[0], int(s.sub[1])
	s.sub = s.sub[:0]
	if p.n > 1e9 {
		return
	}
	p.value = p.mean
	if d.Kind == spc.PChart || d.Kind == spc.UChart {
		p.value = p.mean / float64(p.n)
	}
	s.add(p)
}

// intervals makes a point of every so many rejects: how many were inspected, or what number of units, from the one before. Where in a
// measurement of several its rejects lay is not known; they are taken as evenly spread.
func (s *series) intervals(part, whole float64, defects bool, p point) {
	every := float64(max(1, s.c.def.Subgroup))
	behind := 0.0 // of this measurement, what belongs to points made
	for k := 1.0; k <= min(part, mostIntervals); k++ {
		if s.sub[1]++; s.sub[1] < every {
			continue
		}
		at := k * whole / (part + 1)
		if !defects {
			at = math.Ceil(at)
		}
		p.value, p.n = s.sub[0]+at-behind, 1
		s.sub[0], s.sub[1], behind = 0, 0, at
		s.add(p)
	}
	s.sub[0] += whole - behind
}

// full tells whether the held points make a baseline.
func (s *series) full() bool {
	d := s.c.def
	if s.moulds() > 0 && len(s.held) >= 2*d.need {
		return true
	}
	if s.have < d.need || !counted(d.Kind) || d.Kind == spc.IntervalChart || s.have >= patience*d.need {
		return s.have >= d.need
	}
	total := 0.0
	for i := range s.held {
		if s.held[i].excluded == "" {
			total += s.held[i].mean
		}
	}
	return total >= leastCounted
}

// counts is the level of a chart of counts, from which the limits of a point of any size follow.
type counts struct {
	kind         spc.ChartKind
	width        chart.Width
	adjusted     bool
	side         string  // as of spc.LimitRule
	level, sigma float64 // proportion or defects a unit; Laney's factor
}

// limits are those of a point of size n.
func (k *counts) limits(n int) spc.Limits { return sided(k.side, k.both(n)) }

func (k *counts) both(n int) spc.Limits {
	r := chart.AttributeResult{Kind: chart.AttributeKind(k.kind), Options: chart.AttributeOptions{Width: k.width, Adjusted: k.adjusted}, Level: k.level, SigmaZ: k.sigma}
	if k.kind != spc.CChart {
		l, _ := r.Limits(float64(n)) // the size is one that countOf let through
		return l
	}
	if !k.adjusted {
		l, _ := chart.DefectLimits(chart.CountOf, float64(n), k.level, k.width)
		return l
	}
	r.Kind = chart.CountPerArea
	l, _ := r.Limits(float64(n))
	size := float64(n)
	l.Lower, l.Centre, l.Upper, l.Sigma = l.Lower*size, l.Centre*size, l.Upper*size, l.Sigma*size
	return l
}

// countsLaw works out the limits of a chart of counts from a baseline in order.
func countsLaw(d *definition, baseline []figure) (*law, error) {
	l := &law{}
	r := &l.record
	r.N = len(baseline)
	if d.Kind == spc.IntervalChart {
		return l, d.intervalLaw(r, baseline)
	}
	o := chart.AttributeOptions{Width: d.width, Adjusted: d.Adjusted}
	var res chart.AttributeResult
	var err error
	sizes := make([]int, len(baseline))
	total := 0
	if d.Kind == spc.PChart || d.Kind == spc.NPChart {
		x := make([]chart.Rejects, len(baseline))
		for i, f := range baseline {
			x[i] = chart.Rejects{Rejected: int(f.mean), Inspected: f.n}
		}
		res, err = chart.RejectChart(chart.AttributeKind(d.Kind), x, o)
	} else {
		// A c chart too is worked out for a unit: then its limits hold for points of any number of them.
		x := make([]chart.Defects, len(baseline))
		for i, f := range baseline {
			x[i] = chart.Defects{Count: int(f.mean), Area: float64(f.n)}
		}
		res, err = chart.DefectChart(chart.CountPerArea, x, o)
	}
	if err != nil {
		return nil, err
	}
	for i, f := range baseline {
		sizes[i] = f.n
		total += f.n
	}
	slices.Sort(sizes)
	l.counts = &counts{kind: d.Kind, width: d.width, adjusted: d.Adjusted, side: d.Limits.Side, level: res.Level, sigma: res.SigmaZ}
	r.Limits = l.counts.limits(sizes[len(sizes)/2])
	r.warn(res.Warnings)
	what := "units"
	if d.Kind == spc.PChart || d.Kind == spc.NPChart {
		what = "inspected"
		r.note("The level is %.4g %%: %d of %d inspected.", 100*res.Level, res.Counted, total)
	} else {
		r.note("The level is %.4g a unit: %d defects on %d units.", res.Level, res.Counted, total)
	}
	if sizes[0] != sizes[len(sizes)-1] {
		r.note("Each point has the limits of its own number of %s; given here are those of %d.", what, sizes[len(sizes)/2])
	}
	if d.Adjusted {
		r.note("The limits are adjusted: the counts vary %.3g times as much from point to point as chance alone would have them.", res.SigmaZ)
	} else if d.width.Probability > 0 {
		r.note("The limits are the exact ones of counts at a probability of %.3g; a count on a limit is inside.", d.width.Probability)
	}
	return l, l.check()
}

// intervalLaw works out the limits of what lies between rejects: whole numbers of panels by the negative binomial distribution, else
// by the gamma distribution.
func (d *definition) intervalLaw(r *LimitsInForce, baseline []figure) error {
	every := max(1, d.Subgroup)
	x := make([]float64, len(baseline))
	whole, total := true, 0.0
	for i, f := range baseline {
		x[i] = f.value
		total += f.value
		whole = whole && f.value == math.Trunc(f.value) && f.value >= float64(every)
	}
	res, err := chart.Intervals(x, chart.IntervalOptions{Width: d.width, Rejects: every})
	if err != nil {
		return err
	}
	r.warn(res.Warnings)
	r.Limits = res.Limits
	what := "units"
	if p := float64(every*len(x)) / total; whole && p < 1 {
		what = "inspected"
		if r.Limits, err = chart.PanelLimits(every, p, d.width); err != nil {
			return err
		}
	}
	r.note("One in %.4g %s. A point above the upper limit is good news, one below the lower limit bad.", res.Mean, what)
	if !r.Limits.HasLower {
		r.note("There is no lower limit: at this level even one that follows at once is not improbable. More rejects to a point (subgroup) would give one.")
	}
	r.Limits = d.sided(r.Limits)
	return nil
}

// guardCounts judges a point that waits for its baseline. The phase so far, C counted on a size T, is compared with a point of size n by
// the exact test of two Poisson rates: given their sum the point's count X is binomial, P(X >= k) = P(B(k + C, n/(n + T)) >= k).
// Where the chart is adjusted its limits are level ± k sigma sqrt(1 + n/T), with the factor of the phase before. Intervals have no guard.
//
// Source: Przyborowski and Wilenski 1940, Homogeneity of results in testing samples from Poisson series (from memory).
func (s *series) guardCounts(p *point) {
	d := s.c.def
	if d.Kind == spc.IntervalChart {
		return
	}
	if s.before != nil && s.before.counts != nil && s.have >= guardLeast {
		n, t := float64(p.n), float64(s.guardN)
		level := s.guardSum / t
		k := counts{kind: d.Kind, width: d.width, adjusted: true, level: level, sigma: math.Sqrt(1 + n/t)}
		if s.before.counts.adjusted {
			k.sigma *= s.before.counts.sigma
		}
		if binomial := d.Kind == spc.PChart || d.Kind == spc.NPChart; level > 0 && !(binomial && level >= 1) {
			lim := k.limits(p.n)
			if !s.before.counts.adjusted {
				lim = exactGuard(lim, d, s.guardSum, t, n, dist.NormalTail(d.multiple), binomial)
			}
			s.guarded(p, d.sided(lim))
		}
	}
	s.guardSum += p.mean
	s.guardN += p.n
}

// exactGuard puts the limits of the exact test in place of those at so many sigma.
func exactGuard(l spc.Limits, d *definition, c, t, n, side float64, binomial bool) spc.Limits {
	q := n / (n + t)
	scale := 1.0
	if d.Kind == spc.PChart || d.Kind == spc.UChart {
		scale = n
	}
	upper := firstWhole(func(k float64) bool { return dist.BetaCDF(q, k+1, c+1) <= side }) // P(X > k)
	l.Upper, l.HasUpper = upper/scale, !binomial || upper < n
	lower := firstWhole(func(k float64) bool { return dist.BetaTail(q, k+1, c) > side }) // P(X <= k)
	l.Lower, l.HasLower = lower/scale, lower > 0
	if !l.HasUpper {
		l.Upper = 0
	}
	if !l.HasLower {
		l.Lower = 0
	}
	return l
}

// firstWhole is the least whole number from 0 at which is turns true.
func firstWhole(is func(float64) bool) float64 {
	lo, hi := -1.0, 1.0
	for !is(hi) {
		lo, hi = hi, 2*hi+1
	}
	for hi-lo > 1 {
		mid := math.Floor((lo + hi) / 2)
		if is(mid) {
			hi = mid
		} else {
			lo = mid
		}
	}
	return hi
}

// counts writes the level of a chart of counts, or that there is none.
func (c *codec) counts(p **counts) {
	has := *p != nil
	c.bool(&has)
	if !has {
		return
	}
	if c.reading {
		*p = &counts{}
	}
	k := *p
	c.string((*string)(&k.kind))
	c.string(&k.side)
	for _, f := range []*float64{&k.width.K, &k.width.Probability, &k.level, &k.sigma} {
		c.float(f)
	}
	c.bool(&k.adjusted)
}
