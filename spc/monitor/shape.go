package monitor

import (
	"math"
	"strings"

	"sagwatch/spc"
	"sagwatch/spc/chart"
	"sagwatch/spc/dist"
	"sagwatch/spc/multivariate"
	"sagwatch/spc/refusal"
)

// Shape is the characteristic of charts of all shape terms together (t2, mewma).
const Shape = "shape"

// shapeTerms are the terms of such a chart: the radius stands for the bow, of which it is a function.
var shapeTerms = []struct {
	of   spc.Computed
	name string
}{{spc.RadiusMM, "radius"}, {spc.TwofoldUM, "twofold"}, {spc.TwistUM, "twist"}, {spc.Cubic1UM, "cubic 1"}, {spc.Cubic2UM, "cubic 2"},
	{spc.Cubic3UM, "cubic 3"}, {spc.Cubic4UM, "cubic 4"}, {spc.Bow4UM, "bow of fourth order"}}

// ShapeTerms are the characteristics that charts of all shape terms (t2, mewma) are made of.
func ShapeTerms() []string {
	var out []string
	for _, t := range shapeTerms {
		out = append(out, t.of.String())
	}
	return out
}

// several is true of kinds that chart several terms at once.
func several(k spc.ChartKind) bool { return k == spc.TSquared || k == spc.MEWMA }

// derived is true of kinds whose plotted value is known only once there is a baseline.
func derived(k spc.ChartKind) bool { return gathers(k) || several(k) }

// terms is the law of several terms in control.
type terms struct {
	base  multivariate.Baseline // Mean, Cov, Names, Kept, M and DF are kept
	limit float64
	// ratio, by number of panels in a cycle: what a term's deviation counts beside one of a full cycle; empty for single panels.
	ratio [][]float64
	t2    *multivariate.T2 // from base
}

// ready makes what follows from the numbers kept.
func (t *terms) ready() error {
	t.base.P, t.base.N = len(t.base.Mean), 1
	var err error
	t.t2, err = t.base.T2()
	return err
}

type mewmaWanted struct {
	p            int
	lambda, arl0 float64
}

var mewmas worked[mewmaWanted, float64]

// usualWeight is the weight of a moving average of several terms that names none.
const usualWeight = 0.1

// termsLaw works out the law of several terms from a baseline of rows in order. models are those of the terms' cycles, none
// for single panels.
func termsLaw(d *definition, rows [][]float64, models []chart.CycleModel, moulds int) (*law, error) {
	names := make([]string, len(shapeTerms))
	for i, s := range shapeTerms {
		names[i] = s.name
	}
	b, err := multivariate.Individuals(rows, multivariate.Options{Names: names, Reduce: true})
	if err != nil {
		return nil, err
	}
	l := &law{terms: &terms{base: *b}}
	t, r := l.terms, &l.record
	r.N = b.M
	r.warn(b.Warnings)
	if err := t.ready(); err != nil {
		return nil, err
	}
	alpha := d.alpha()
	if d.Kind == spc.MEWMA {
		t.limit, err = mewmas.get(mewmaWanted{b.P, d.weight(), 1 / alpha}, func(w mewmaWanted) (float64, error) {
			return multivariate.MEWMALimit(w.p, w.lambda, w.arl0, true)
		})
		r.note("Plotted is T2 of the exponentially weighted moving average of %d terms with weight %.4g: %s.", b.P, d.weight(), strings.Join(b.Names, ", "))
	} else {
		t.limit, err = b.PhaseTwoLimit(alpha)
		r.note("Plotted is T2 of %d terms: %s. The limit allows for the size of the baseline.", b.P, strings.Join(b.Names, ", "))
	}
	if err != nil {
		return nil, err
	}
	for i := 0; i <= moulds && len(models) > 0; i++ {
		row := make([]float64, b.P)
		for j, k := range b.Kept {
			row[j] = 1
			if full, err := models[k].EffectSigma(moulds); err == nil && i > 0 {
				if s, err := models[k].EffectSigma(i); err == nil && s > 0 {
					row[j] = full / s
				}
			}
		}
		t.ratio = append(t.ratio, row)
	}
	series := make([]float64, len(rows))
	for i, x := range rows {
		kept, err := b.Observation(nil, x)
		if err == nil {
			series[i], err = t.t2.Statistic(kept)
		}
		if err != nil {
			return nil, err
		}
	}
	if lag, err := chart.Lag1(series); err == nil {
		if r.autocorrelation(lag); lag.Significant && lag.R > 0 {
			r.note("Neighbouring points are correlated (%.2f, chance stays within %.2f): points beyond the limit come in groups.", lag.R, lag.Band)
		}
	}
	r.Limits = spc.Limits{Upper: t.limit, HasUpper: true}
	if d.given != nil {
		r.note("The limits are given in the chart's definition; the baseline only gave means and covariances.")
		r.Limits, l.fixed = *d.given, true
	}
	return l, l.check()
}

// alpha is the probability of a point beyond the limit while nothing is wrong.
func (d *definition) alpha() float64 { return 2 * dist.NormalTail(d.multiple) }

// weight is that of the newest point in a moving average of several terms.
func (d *definition) weight() float64 {
	if d.EWMA != nil && d.EWMA.Lambda > 0 {
		return d.EWMA.Lambda
	}
	return usualWeight
}

// average is where a moving average of several terms stands: how many points, and the average of their deviations.
type average struct {
	n int
	z []float64
}

// stepTerms takes in the terms of a point of n panels, gives T2 and limits, and leaves in x what T2 was worked out from.
func (d *definition) stepTerms(at *average, l *law, row []float64, n int) (value float64, lim spc.Limits, x []float64, err error) {
	t := l.terms
	if x, err = t.base.Observation(nil, row); err != nil {
		return 0, lim, nil, err
	}
	if n < len(t.ratio) {
		for j, f := range t.ratio[n] {
			x[j] = t.base.Mean[j] + f*(x[j]-t.base.Mean[j])
		}
	}
	if d.Kind == spc.MEWMA {
		if len(at.z) != len(x) {
			*at = average{z: make([]float64, len(x))}
		}
		s := multivariate.MEWMAState{Settings: multivariate.MEWMASettings{Lambda: d.weight(), H: t.limit}, N: at.n, Z: at.z}
		p, err := s.Step(t.t2, x)
		if err != nil {
			return 0, lim, nil, err
		}
		at.n, value = s.N, p.T2
		sd := math.Sqrt(d.weight() / (2 - d.weight()) * -math.Expm1(2*float64(s.N)*math.Log1p(-d.weight())))
		for j := range x {
			x[j] = t.base.Mean[j] + s.Z[j]/sd
		}
	} else if value, err = t.t2.Statistic(x); err != nil {
		return 0, lim, nil, err
	}
	return value, l.record.Limits, x, nil
}

// drivers says in words which terms drive a T2 beyond its limit.
func (d *definition) drivers(l *law, x []float64) string {
	e, err := l.terms.base.Explain(l.terms.t2, x, d.alpha())
	if err != nil {
		return ""
	}
	var words []string
	for _, v := range e.Drivers {
		words = append(words, v.String())
	}
	if len(words) > 3 {
		words = words[:3]
	}
	if len(words) == 0 {
		return "spread over all terms"
	}
	return strings.Join(words, "; ")
}

// row fills in the observation's shape terms; false unless it has all.
func (d *definition) row(o *Observation, to []float64) bool {
	for i, s := range shapeTerms {
		x, ok := o.Values.Get(s.of)
		if !ok || !finite(x) {
			return false
		}
		to[i] = x
	}
	return true
}

// givenTerms are limits that a person gave, about the means in force.
func (l *law) givenTerms(limits spc.Limits) *law {
	return &law{record: LimitsInForce{Limits: limits}, terms: l.terms, fixed: true}
}

func (c *codec) terms(p **terms) {
	has := *p != nil
	c.bool(&has)
	if !has {
		return
	}
	if c.reading {
		*p = &terms{}
	}
	t := *p
	list(c, &t.base.Mean, (*codec).float)
	list(c, &t.base.Cov, (*codec).float)
	list(c, &t.base.Names, (*codec).string)
	list(c, &t.base.Kept, (*codec).int)
	c.int(&t.base.M)
	c.float(&t.base.DF)
	c.float(&t.limit)
	list(c, &t.ratio, func(c *codec, r *[]float64) { list(c, r, (*codec).float) })
	if c.reading && (t.ready() != nil || len(t.base.Kept) != t.base.P) {
		c.fail()
	}
}

// shapeOnly refuses a chart of shape terms that names another characteristic.
func shapeOnly(c spc.Chart) error {
	if c.Characteristic != "" && c.Characteristic != Shape {
		return refusal.Shapes("a %s chart is of the characteristic %q: all shape terms together", c.Kind, Shape)
	}
	return nil
}

// means fills in the open cycle's mean of every term, and the effects of those after the first; false when there is none.
func (c *chartState) means(p *point) bool {
	c.vec, c.effects = append(c.vec[:0], p.mean), c.effects[:0]
	for _, cy := range c.rest {
		cy.active = cy.active[:0]
		for _, v := range cy.now {
			if v.has {
				cy.active = append(cy.active, chart.StreamValue{Stream: v.place, Value: v.x - v.centre})
			}
		}
		q := *p
		if !q.measure(cy.active, cy.zeros, cy.level) {
			return false
		}
		c.vec, c.effects = append(c.vec, q.mean), append(c.effects, q.effect)
	}
	p.vec = c.vec
	return true
}

// readings are the values of the terms after the first in the open cycle, panel by panel, for a point that waits for centres.
func (c *chartState) readings() []float64 {
	list := make([]float64, 0, len(c.cyc.now)*len(c.rest))
	for i := range c.cyc.now {
		for _, cy := range c.rest {
			list = append(list, cy.now[i].x)
		}
	}
	return list
}

// fitTerms is fit for every term of the held cycles: the rows are then empty, and each point has the means of its terms. On
// refusal held is as before and no term has centres.
func (c *chartState) fitTerms(held []point, need int) (kept []point, models []chart.CycleModel, err error) {
	for k, cy := range c.terms {
		own := held
		if k > 0 {
			own = make([]point, len(held))
			for i := range held {
				own[i] = held[i]
				own[i].row = make([]chart.StreamValue, len(held[i].row))
				for j, v := range held[i].row {
					own[i].row[j] = chart.StreamValue{Stream: v.Stream, Value: held[i].vec[j*len(c.rest)+k-1]}
				}
			}
		}
		list, model, err := cy.fit(own, need, false)
		if err == nil && k > 0 && len(list) != len(kept) {
			err = refusal.Unsolved("the terms of some cycles are too large to be worked with")
		}
		if err != nil {
			for _, cy := range c.terms {
				cy.fitted = false
			}
			return held, nil, err
		}
		models = append(models, model)
		if k == 0 {
			kept = list
			for i := range kept {
				kept[i].vec = nil
			}
		}
		for i := range kept {
			kept[i].vec = append(kept[i].vec, list[i].mean)
		}
	}
	return kept, models, nil
}
