package monitor

import (
	"fmt"

	"sagwatch/spc"
	"sagwatch/spc/chart"
	"sagwatch/spc/dist"
	"sagwatch/spc/rules"
)

// usualSubgroup is the number of panels in a subgroup where the chart names none, and leastSubgroups of them give limits
// (common practice, no source).
const (
	usualSubgroup  = 5
	leastSubgroups = 25
)

// Spread is the variation inside a subgroup, its range or its standard deviation, with its limits while there are some.
type Spread struct {
	Value  float64
	Limits spc.Limits
}

// SpreadBeyond is the rule of a subgroup whose spread lies beyond its limits; it is on where beyond-limits is.
const SpreadBeyond = "spread-beyond-limits"

// grouped is true of kinds that chart subgroups of panels that follow each other.
func grouped(k spc.ChartKind) bool {
	return k == spc.MeanRange || k == spc.MeanSD || k == spc.MedianRange || k == spc.BetweenWithin
}

// collect takes the next panel of a chart of subgroups; the last of a subgroup makes its point.
func (s *series) collect(p point) {
	if p.excluded != "" {
		return
	}
	s.sub = append(s.sub, p.value)
	d := s.c.def
	if len(s.sub) < d.Subgroup {
		return
	}
	p.n, p.vec = len(s.sub), s.sub
	mean, sd := dist.MeanSD(s.sub)
	p.value, p.spread = mean, sd
	if d.Kind == spc.MedianRange {
		p.value = chart.Median(s.sub)
	}
	if d.Kind == spc.MeanRange || d.Kind == spc.MedianRange {
		lo, hi := s.sub[0], s.sub[0]
		for _, x := range s.sub {
			lo, hi = min(lo, x), max(hi, x)
		}
		p.spread = hi - lo
	}
	if finite(p.value) && finite(p.spread) {
		s.add(p)
	}
	s.sub = s.sub[:0]
}

// subgroupsLaw works out the limits of subgroups from a baseline of them in order.
func subgroupsLaw(d *definition, rows [][]float64) (*law, error) {
	l := &law{}
	r := &l.record
	n := d.Subgroup
	var res chart.SubgroupResult
	var err error
	switch d.Kind {
	case spc.MeanRange:
		res, err = chart.MeanRange(rows, d.width)
	case spc.MedianRange:
		res, err = chart.MedianRange(rows, d.width)
	case spc.BetweenWithin:
		var three chart.BetweenWithinResult
		if three, err = chart.BetweenWithin(rows, chart.BetweenWithinOptions{Width: d.width}); err == nil {
			res = three.Within
			r.warn(three.Warnings)
			r.MRLimits = three.Means.MovingRange
			r.Limits, err = three.MeanLimits(n)
			r.SigmaOverall = three.SigmaTotal
			r.note("The limits hold the variation from subgroup to subgroup, %.4g, beside that inside them, %.4g.", three.SigmaBetween, three.Within.SigmaWithin)
		}
	default:
		res, err = chart.MeanSD(rows, d.width)
	}
	if err != nil {
		return nil, err
	}
	r.N, r.SigmaWithin = len(rows), res.SigmaWithin
	if d.Kind != spc.BetweenWithin {
		r.warn(res.Warnings)
		if r.Limits, err = res.MeanLimits(n); err != nil {
			return nil, err
		}
	}
	if r.SpreadLimits, err = res.SpreadLimits(n); err != nil {
		return nil, err
	}
	means := make([]float64, len(rows))
	for i, row := range rows {
		means[i], _ = dist.MeanSD(row)
	}
	if lag, err := chart.Lag1(means); err == nil {
		if r.autocorrelation(lag); lag.Significant && lag.R > 0 && d.Kind != spc.BetweenWithin {
			r.note("Neighbouring subgroups are correlated (%.2f, chance stays within %.2f): limits from the variation inside them are too tight; a between-within chart holds the variation from one to the next.", lag.R, lag.Band)
		}
	}
	if d.log {
		r.note("The values are skewed and the limits are those of normal values; they are too tight above.")
	}
	r.Limits = d.sided(r.Limits)
	return l, l.check()
}

// spreadHit is the hit of a spread beyond its limits.
func spreadHit(x float64, l spc.Limits) (Hit, bool) {
	if !outside(x, l) {
		return Hit{}, false
	}
	side := rules.UpperSide
	if l.HasLower && x < l.Lower {
		side = rules.LowerSide
	}
	return Hit{SpreadBeyond, fmt.Sprintf("spread beyond %s limit", side), 1, 1}, true
}
