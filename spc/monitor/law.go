package monitor

import (
	"fmt"
	"math"
	"slices"

	"sagwatch/spc"
	"sagwatch/spc/chart"
	"sagwatch/spc/refusal"
)

// law is the limits that a stream is judged by; it is never changed once made.
type law struct {
	record LimitsInForce
	// scales, by number of panels, and fixed, limits that do not follow from them, are of charts that gather over points.
	scales []scale
	fixed  bool
	group  *group // of group charts
	terms  *terms // of charts of several terms
	counts *counts
}

// at is the limits of a point of n panels.
func (l *law) at(n int) spc.Limits {
	if l.counts != nil {
		return l.counts.limits(n)
	}
	if by := l.record.LimitsByN; n < len(by) {
		return by[n]
	}
	return l.record.Limits
}

// figure is what a baseline keeps of one point: an individual's value, or a cycle's figures.
type figure struct {
	value  float64 // of an individual
	mean   float64
	spread float64
	n      int
	vec    []float64 // of several terms
}

func (p *point) figure() figure { return figure{p.value, p.mean, p.spread, p.n, slices.Clone(p.vec)} }

// singlesLaw works out the limits of a chart whose points are single values, or counts.
func singlesLaw(d *definition, baseline []figure) (*law, error) {
	if counted(d.Kind) {
		return countsLaw(d, baseline)
	}
	return individualsLaw(d, baseline)
}

// individualsLaw works out the limits of single values from a baseline in order.
func individualsLaw(d *definition, baseline []figure) (*law, error) {
	x := make([]float64, len(baseline))
	logs := d.log
	for i, f := range baseline {
		x[i] = f.value
		logs = logs && f.value > 0
	}
	l := &law{}
	r := &l.record
	if logs {
		for i := range x {
			x[i] = math.Log(x[i])
		}
	}
	res, err := chart.Individuals(x, chart.IndividualsOptions{Width: d.width})
	if err == nil && res.Lag1.Significant {
		res, err = chart.Individuals(x, chart.IndividualsOptions{From: chart.Overall, Width: d.width})
	}
	if err != nil {
		return nil, err
	}
	r.N, r.SigmaWithin, r.SigmaOverall, r.Log = res.N, res.SigmaWithin, res.SigmaOverall, logs
	r.autocorrelation(res.Lag1)
	r.warn(res.Warnings)
	r.Limits = res.Limits
	switch {
	case logs:
		r.Limits = lognormal(res.Limits.Centre, res.Limits.Sigma, d.multiple)
		r.note("The values are skewed: limits come from their logarithms, at the probability that %.4g sigma has for normal values; the centre is the median.", d.multiple)
	case d.log:
		r.note("Values at or below zero are in the baseline, so the limits are not those of a skewed model; they are too tight above.")
		fallthrough
	default:
		if r.MRLimits, err = chart.RangeLimits(2, res.SigmaWithin, d.width); err != nil {
			return nil, err
		}
	}
	if res.Lag1.Significant {
		would := "too tight, so they are widened"
		if res.Lag1.R < 0 {
			would = "too wide, so they are narrowed"
		}
		r.note("Neighbouring points are correlated (%.2f, chance stays within %.2f): limits from moving ranges would be %s to the baseline's overall standard deviation.", res.Lag1.R, res.Lag1.Band, would)
	}
	if gathers(d.Kind) {
		k := scale{res.Limits.Centre, res.Limits.Sigma}
		l.scales = []scale{k, k}
		if err := d.overTime(l, x); err != nil {
			return nil, err
		}
		return l, l.check()
	}
	r.Limits = d.sided(r.Limits)
	return l, l.check()
}

// sided takes away the limit that the chart does not want.
func (d *definition) sided(l spc.Limits) spc.Limits { return sided(d.Limits.Side, l) }

func sided(side string, l spc.Limits) spc.Limits {
	switch side {
	case "upper":
		l.Lower, l.HasLower = 0, false
	case "lower":
		l.Upper, l.HasUpper = 0, false
	}
	return l
}

// lognormal is the limits exp(mu ± k sigma) about the median exp(mu).
func lognormal(mu, sigma, k float64) spc.Limits {
	return spc.Limits{Lower: math.Exp(mu - k*sigma), Centre: math.Exp(mu), Upper: math.Exp(mu + k*sigma), HasLower: true, HasCentre: true, HasUpper: true,
		Sigma: math.Exp(mu+sigma*sigma/2) * math.Sqrt(math.Expm1(sigma*sigma))}
}

// cycleLaw works out the limits of a cycle chart from the model of its baseline and the figures of the baseline's cycles.
func cycleLaw(d *definition, model chart.CycleModel, baseline []figure, moulds int) (*law, error) {
	l := &law{}
	r := &l.record
	r.N, r.SigmaWithin, r.SigmaOverall = model.Cycles, model.SigmaWithin, model.SigmaEffect
	r.LimitsByN = make([]spc.Limits, moulds+1)
	least := max(2, (moulds+1)/2)
	var limits func(n int) (spc.Limits, error)
	if d.Kind != spc.CycleSpread {
		r.autocorrelation(model.Lag1)
		r.warn(model.Warnings)
		if model.Lag1.Significant {
			r.note("Neighbouring cycles are correlated (%.2f, chance stays within %.2f): the limits hold all variation from cycle to cycle, and points beyond them come in groups.", model.Lag1.R, model.Lag1.Band)
		}
		limits = func(n int) (spc.Limits, error) { return model.MeanLimits(n, d.width) }
		switch {
		case d.log && model.Centre > 0:
			r.Log = true
			r.note("The values are skewed: limits are those of the lognormal distribution with the cycles' mean and standard deviation, at the probability that %.4g sigma has for normal values; the centre is the median.", d.multiple)
			limits = func(n int) (spc.Limits, error) {
				s, err := model.EffectSigma(n)
				if err != nil {
					return spc.Limits{}, err
				}
				v := math.Log1p(s * s / (model.Centre * model.Centre))
				lim := lognormal(math.Log(model.Centre)-v/2, math.Sqrt(v), d.multiple)
				lim.Sigma = s
				return lim, nil
			}
		default:
			means := make([]float64, len(baseline))
			for i, f := range baseline {
				means[i] = f.mean
			}
			if res, err := chart.Individuals(means, chart.IndividualsOptions{Width: d.width}); err == nil {
				r.MRLimits = res.MovingRange
			}
		}
	} else {
		stretch := 1.0
		spreads, squares := make([]float64, len(baseline)), 0.0
		positive := true
		for i, f := range baseline {
			k := chart.ConstantsFor(f.n)
			spreads[i] = f.spread / k.C4 // comparable over n
			z := (f.spread - k.C4*model.SigmaWithin) / (math.Sqrt(1-k.C4*k.C4) * model.SigmaWithin)
			squares += z * z
			positive = positive && f.spread > 0
		}
		for _, w := range model.Warnings {
			if w.Kind == refusal.SmallSample {
				r.warn([]refusal.Warning{w})
			}
		}
		lag, err := chart.Lag1(spreads)
		if err == nil {
			r.autocorrelation(lag)
		}
		if d.log && positive && len(baseline) > 1 {
			if limits, err = logSpreads(baseline, d.multiple); err != nil {
				return nil, err
			}
			r.Log = true
			r.note("The values are skewed, so the limits come from the cycles' own spreads on logarithms and not from normal theory; the centre is the median.")
			if lag.Significant {
				r.note("The spread of neighbouring cycles is correlated (%.2f, chance stays within %.2f): points beyond the limits come in groups.", lag.R, lag.Band)
			}
		} else {
			if lag.Significant && finite(squares) {
				if f := math.Sqrt(squares / float64(len(baseline))); f > 1 {
					stretch = f
				}
				r.note("The spread of neighbouring cycles is correlated (%.2f, chance stays within %.2f): the limits are widened %.3g times, to the variation that the baseline's spreads show.", lag.R, lag.Band, stretch)
			}
			limits = func(n int) (spc.Limits, error) {
				lim, err := model.SpreadLimits(n, d.width)
				lim.Upper = lim.Centre + stretch*(lim.Upper-lim.Centre)
				lim.Lower = lim.Centre - stretch*(lim.Centre-lim.Lower)
				lim.Sigma *= stretch
				if lim.Lower <= 0 || !lim.HasLower {
					lim.Lower, lim.HasLower = 0, false
				}
				return lim, err
			}
		}
	}
	if gathers(d.Kind) {
		return l, d.cyclesOverTime(l, model, baseline, least, moulds)
	}
	if d.given != nil {
		r.note("The limits are given in the chart's definition; the baseline only gave the moulds' centres.")
		r.MRLimits = spc.Limits{}
		limits = func(int) (spc.Limits, error) { return *d.given, nil }
	}
	for n := least; n <= moulds; n++ {
		lim, err := limits(n)
		if err != nil {
			return nil, err
		}
		r.LimitsByN[n] = d.sided(lim)
	}
	r.Limits = r.LimitsByN[moulds]
	return l, l.check()
}

// cyclesOverTime makes the law of a chart that gathers over cycle means: the scale of a cycle of n panels is its own.
func (d *definition) cyclesOverTime(l *law, model chart.CycleModel, baseline []figure, least, moulds int) error {
	r := &l.record
	l.scales = make([]scale, moulds+1)
	for n := least; n <= moulds; n++ {
		s, err := model.EffectSigma(n)
		if err != nil {
			return err
		}
		l.scales[n] = scale{model.Centre, s}
		if r.Log {
			v := math.Log1p(s * s / (model.Centre * model.Centre))
			l.scales[n] = scale{math.Log(model.Centre) - v/2, math.Sqrt(v)}
		}
	}
	raw := make([]float64, len(baseline))
	for i, f := range baseline {
		if raw[i] = f.mean; r.Log {
			raw[i] = math.Log(math.Max(f.mean, 1e-300))
		}
	}
	if err := d.overTime(l, raw); err != nil {
		return err
	}
	return l.check()
}

// logSpreads gives limits for the spread of a cycle of n panels from the baseline's spreads s_j of n_j panels:
//
//	z_j = ln(s_j / c4(n_j)),  v(n) = ln(1 + (1 - c4(n)^2) / c4(n)^2),  r^2 = var(z) / mean(v(n_j))
//	limits = c4(n) exp(mean(z) ± k r sqrt(v(n)))
//
// v(n) is the variance of the logarithm of a lognormal variable with the coefficient of variation of a normal sample's
// standard deviation, which carries the dependence on n; r is how much more the logarithms really vary.
func logSpreads(baseline []figure, k float64) (func(n int) (spc.Limits, error), error) {
	v := func(n int) (c4, v float64) {
		c4 = chart.ConstantsFor(n).C4
		return c4, math.Log1p((1 - c4*c4) / (c4 * c4))
	}
	var mean, theory, ss float64
	z := make([]float64, len(baseline))
	for i, f := range baseline {
		c4, vn := v(f.n)
		z[i] = math.Log(f.spread / c4)
		mean += z[i] / float64(len(z))
		theory += vn / float64(len(z))
	}
	for _, x := range z {
		ss += (x - mean) * (x - mean)
	}
	ratio := math.Sqrt(ss / float64(len(z)-1) / theory)
	if !(ratio > 0) || !finite(ratio) {
		return nil, refusal.Constant("spreads", len(baseline))
	}
	return func(n int) (spc.Limits, error) {
		c4, vn := v(n)
		return lognormal(mean+math.Log(c4), ratio*math.Sqrt(vn), k), nil
	}, nil
}

// modelOf puts a cycle model together from cycles whose mould centres were known beforehand. Of the cycle means only the
// variation matters, so they stand for the effects.
func modelOf(baseline []figure) (chart.CycleModel, error) {
	points := make([]chart.CyclePoint, len(baseline))
	for i, f := range baseline {
		points[i] = chart.CyclePoint{M: f.n, Effect: f.mean, Mean: f.mean, Spread: f.spread, HasSpread: f.n > 1}
	}
	return chart.CycleBaseline(points, 0)
}

// givenLaw is limits that a person gave.
func givenLaw(limits spc.Limits, moulds int) *law {
	l := &law{record: LimitsInForce{Limits: limits}}
	if moulds > 0 {
		l.record.LimitsByN = make([]spc.Limits, moulds+1)
		for n := range l.record.LimitsByN {
			l.record.LimitsByN[n] = limits
		}
	}
	return l
}

func (r *LimitsInForce) note(format string, args ...any) {
	r.Notes = append(r.Notes, fmt.Sprintf(format, args...))
}

// warn notes the warnings of a baseline; correlation has its own sentence, for what was done about it differs.
func (r *LimitsInForce) warn(warnings []refusal.Warning) {
	for _, w := range warnings {
		if w.Kind != refusal.Autocorrelated {
			r.Notes = append(r.Notes, w.String())
		}
	}
}

func (r *LimitsInForce) autocorrelation(a chart.Autocorrelation) {
	r.Lag1, r.Lag1Band, r.Lag1Found = a.R, a.Band, a.Significant
}

// check refuses limits that overflowed.
func (l *law) check() error {
	for _, lim := range append([]spc.Limits{l.record.Limits, l.record.MRLimits, l.record.SpreadLimits}, l.record.LimitsByN...) {
		if !finite(lim.Lower) || !finite(lim.Centre) || !finite(lim.Upper) || !finite(lim.Sigma) {
			return refusal.Unsolved("the limits are too large to be worked with")
		}
	}
	return nil
}
