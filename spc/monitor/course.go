package monitor

import (
	"math"

	"sagwatch/spc"
	"sagwatch/spc/changepoint"
	"sagwatch/spc/chart"
	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
	"sagwatch/spc/runlength"
)

// courses is how a chart gathers over its points: settings of one of the three kinds, in standard units.
type courses struct {
	ewma   *chart.EWMASettings
	cusum  *chart.CUSUMSettings
	change *changepoint.Chart
}

// gathers is true of kinds whose plotted value rests on all points since the start.
func gathers(k spc.ChartKind) bool {
	return k == spc.EWMAChart || k == spc.CUSUMChart || k == spc.ChangePoint
}

// course is where a series of such a chart stands. The zero value of what the chart does not use is right.
type course struct {
	ewma   chart.EWMAState
	cusum  chart.CUSUMState
	change *changepoint.ChartState
}

// usualShift is the shift, in standard deviations of a point, for which a chart is designed that names no settings.
const usualShift = 1.0

type ewmaWanted struct{ lambda, arl0 float64 } // lambda 0: the best for usualShift

var ewmas worked[ewmaWanted, runlength.EWMADesign]

type cusumWanted struct {
	k, arl0, start float64
	sides          runlength.Sides
}

var cusums worked[cusumWanted, float64]

// coursesOf makes the chart ready. What its definition leaves open is designed for a shift of one standard deviation at the
// wanted run length in control. Each side of an EWMA signals nearly by itself, so that one with one limit is designed for half
// the run length with two.
func coursesOf(c spc.Chart, arl0 float64) (courses, error) {
	switch c.Kind {
	case spc.EWMAChart:
		var set spc.EWMA
		if c.EWMA != nil {
			set = *c.EWMA
		}
		if set.L == 0 {
			if c.Limits.Side != "" {
				arl0 /= 2
			}
			d, err := ewmas.get(ewmaWanted{set.Lambda, arl0}, func(w ewmaWanted) (d runlength.EWMADesign, err error) {
				if w.lambda == 0 {
					if d, err = runlength.DesignEWMA(w.arl0, usualShift); err != nil {
						return d, err
					}
					w.lambda = math.Max(d.Lambda, 0.01)
				}
				return runlength.EWMALimit(w.lambda, w.arl0, true)
			})
			if err != nil {
				return courses{}, err
			}
			set.Lambda, set.L = d.Lambda, d.L
		} else if set.Lambda == 0 {
			set.Lambda = 0.2
		}
		s := chart.EWMASettings{Sigma: 1, Lambda: set.Lambda, Width: chart.Width{K: set.L}}
		_, err := chart.NewEWMA(s)
		return courses{ewma: &s}, err
	case spc.CUSUMChart:
		set := spc.CUSUM{}
		if c.CUSUM != nil {
			set = *c.CUSUM
		}
		if set.K == 0 {
			set.K = usualShift / 2
		}
		if set.H == 0 {
			sides := map[string]runlength.Sides{"": runlength.TwoSided, "upper": runlength.UpperOnly, "lower": runlength.LowerOnly}[c.Limits.Side]
			h, err := cusums.get(cusumWanted{set.K, arl0, set.HeadStart, sides}, func(w cusumWanted) (float64, error) {
				d, err := runlength.CUSUMInterval(w.k, w.arl0, 0, w.sides)
				// The head start is a number of sigma, the design wants it as a share of h; it moves h little.
				for i := 0; i < 6 && err == nil && w.start > 0; i++ {
					d, err = runlength.CUSUMInterval(w.k, w.arl0, math.Min(0.5, w.start/d.H), w.sides)
				}
				return d.H, err
			})
			if err != nil {
				return courses{}, err
			}
			set.H = h
		}
		s := chart.CUSUMSettings{Sigma: 1, K: set.K, H: set.H, HeadStart: set.HeadStart}
		_, err := chart.NewCUSUM(s)
		return courses{cusum: &s}, err
	case spc.ChangePoint:
		ch, err := changepoint.NewChart(changepoint.ChartOptions{Known: true, Sigma: 1, ARL0: arl0})
		return courses{change: ch}, err
	}
	return courses{}, nil
}

// start is the beginning of a series.
func (c courses) start() course {
	var at course
	switch {
	case c.ewma != nil:
		at.ewma, _ = chart.NewEWMA(*c.ewma)
	case c.cusum != nil:
		at.cusum, _ = chart.NewCUSUM(*c.cusum)
	case c.change != nil:
		at.change = &changepoint.ChartState{}
	}
	return at
}

// copied is a course that can be tried on a point without telling on the one it came from.
func (at course) copied() course {
	if at.change != nil {
		own := *at.change
		at.change = &own
	}
	return at
}

// scale is centre and standard deviation of a chart's raw values, of their logarithms where the law says Log.
type scale struct{ centre, sigma float64 }

// farthest bounds what one value adds to a course, in standard deviations.
const farthest = 1e6

// scale is that of a point of n panels.
func (l *law) scale(n int) scale {
	if n < len(l.scales) {
		return l.scales[n]
	}
	return l.scales[len(l.scales)-1]
}

// standard puts a raw value of n panels in standard deviations from its centre: then all steps of a course have one
// variance, whatever the number of panels.
func (l *law) standard(x float64, n int) float64 {
	k := l.scale(n)
	if l.record.Log {
		if x <= 0 {
			return -38 // beyond it a normal distribution has less than the smallest number
		}
		x = math.Log(x)
	}
	return math.Max(-farthest, math.Min((x-k.centre)/k.sigma, farthest))
}

// level is what a number of standard deviations of a full point is in the characteristic's unit.
func (l *law) level(z float64) float64 {
	k := l.scales[len(l.scales)-1]
	x := k.centre + k.sigma*z
	if l.record.Log {
		x = math.Exp(x)
	}
	return x
}

// levels are limits in the characteristic's unit.
func (l *law) levels(z spc.Limits) spc.Limits {
	full := l.scales[len(l.scales)-1]
	out := z
	out.Lower, out.Centre, out.Upper, out.Sigma = l.level(z.Lower), l.level(z.Centre), l.level(z.Upper), full.sigma*z.Sigma
	if l.record.Log {
		out.Sigma = out.Centre * math.Exp(out.Sigma*out.Sigma/2) * math.Sqrt(math.Expm1(out.Sigma*out.Sigma))
	}
	return out
}

// within are limits ± h of a statistic in standard deviations.
func within(h float64) spc.Limits {
	return spc.Limits{Lower: -h, Upper: h, HasLower: true, HasCentre: true, HasUpper: true, Sigma: 1}
}

// step takes a raw value of n panels into a course and gives what is plotted, and its limits:
//
//	ewma          the average in the characteristic's unit, at a full point's scale, with its exact limits at that point
//	cusum         the greater of the two sums, the lower one negative, in standard deviations; limits ± h
//	change-point  the likelihood-ratio statistic, negative where the level fell, in standard deviations; limits ± its limit
func (d *definition) step(at *course, l *law, x float64, n int) (float64, spc.Limits) {
	u := l.standard(x, n)
	var value float64
	var lim spc.Limits
	switch {
	case d.over.ewma != nil:
		p, _ := at.ewma.Step(u) // u is finite: nothing is refused
		value, lim = l.level(p.Z), l.levels(p.Limits)
	case d.over.cusum != nil:
		p, _ := at.cusum.Step(u)
		value, lim = p.Hi, within(d.over.cusum.H)
		if d.Limits.Side == "lower" || d.Limits.Side == "" && p.Lo > p.Hi {
			value = -p.Lo
		}
	default:
		p := d.over.change.Step(at.change, u)
		value, lim = math.Copysign(p.Statistic, p.Size), within(p.Limit)
	}
	if l.fixed {
		return value, l.record.Limits
	}
	return value, d.sided(lim)
}

// overTime turns the limits of single points in a law into those of a chart that gathers over them. raw are the
// baseline's points in order, of logarithms where the law says Log.
func (d *definition) overTime(l *law, raw []float64) error {
	r := &l.record
	r.LimitsByN, r.MRLimits = nil, spc.Limits{}
	if r.Lag1Found && r.Lag1 > 0 {
		weight := 1.0
		if d.over.ewma != nil {
			weight = 1 - d.over.ewma.Lambda
		}
		if f := math.Sqrt(lasting(raw, weight, r.Lag1Band)); f > 1 {
			for i := range l.scales {
				l.scales[i].sigma *= f
			}
			r.note("Because neighbours resemble each other, their standard deviation counts as %.3g times what it is: so much more does what is gathered over points vary than if they were independent.", f)
		}
	}
	for _, k := range l.scales {
		if k != (scale{}) && !(k.sigma > 0 && k.sigma < 1e150 && math.Abs(k.centre) < 1e150) {
			return refusal.Unsolved("the limits are too large to be worked with")
		}
	}
	switch {
	case d.over.ewma != nil:
		e := d.over.ewma
		v := math.Sqrt(e.Lambda / (2 - e.Lambda))
		k := e.Width.K
		r.Limits = l.levels(spc.Limits{Lower: -k * v, Upper: k * v, HasLower: true, HasCentre: true, HasUpper: true, Sigma: v})
		r.note("Plotted is the exponentially weighted moving average with weight %.4g of the newest point; its limits are at %.4g of its own standard deviations, narrower for the first points. Given here are those that it settles at.", e.Lambda, k)
	case d.over.cusum != nil:
		c := d.over.cusum
		r.Limits = within(c.H)
		r.note("Plotted is the greater of the two cumulative sums, the lower one downwards, in standard deviations of a point; reference value %.4g, decision interval %.4g.", c.K, c.H)
	default:
		r.Limits = within(d.over.change.Limit(math.MaxInt32))
		r.note("Plotted is the likelihood-ratio statistic of a step of unknown size at an unknown time, in standard deviations, downwards where the level fell; a false signal about once in %.4g points.", d.over.change.Options().ARL0)
	}
	r.Limits = d.sided(r.Limits)
	if d.given != nil {
		r.note("The limits are given in the chart's definition; the baseline only gave centre and standard deviation.")
		r.Limits, l.fixed = *d.given, true
	}
	return nil
}

// lasting is how many times greater than for independent points the variance of a weighted sum of them is, once it has run
// for long, when the weight falls to so many times itself from point to point:
//
//	1 + 2 sum_k weight^k r_k
//
// r_k is the sample autocorrelation of the baseline, up to the first lag at which it lies within the band of chance; at least 1.
// weight 1 is the variance of a plain sum, which a CUSUM is made of.
//
// Source: variance of a linear filter of a stationary series (Box, Jenkins and Reinsel, Time Series Analysis, ch. 2; from
// memory).
func lasting(x []float64, weight, band float64) float64 {
	var mean, all dist.Accumulator
	n := len(x)
	for _, v := range x {
		mean.Add(v)
	}
	m := mean.Sum() / float64(n)
	for _, v := range x {
		all.Add((v - m) * (v - m))
	}
	f, w := 1.0, 1.0
	for k := 1; k <= n/4; k++ {
		var c dist.Accumulator
		for i := k; i < n; i++ {
			c.Add((x[i] - m) * (x[i-k] - m))
		}
		r := c.Sum() / all.Sum()
		if !(r > band) {
			break
		}
		w *= weight
		f += 2 * w * r
	}
	return f
}

// given is the law with limits that a person gave; the scale stays, an average's centre is the one given.
func (l *law) given(d *definition, limits spc.Limits) *law {
	g := &law{record: LimitsInForce{Limits: limits, Log: l.record.Log}, fixed: true}
	g.scales = append(g.scales, l.scales...)
	if d.over.ewma != nil && limits.HasCentre && (limits.Centre > 0 || !l.record.Log) {
		c := limits.Centre
		if l.record.Log {
			c = math.Log(c)
		}
		for i := range g.scales {
			g.scales[i].centre += c - l.scales[len(l.scales)-1].centre
		}
	}
	return g
}

func (c *codec) scale(s *scale) {
	c.float(&s.centre)
	c.float(&s.sigma)
}

// course writes where a series stands; its settings are those of the definition.
func (c *codec) course(d *definition, at *course) {
	switch {
	case d.over.ewma != nil:
		c.int(&at.ewma.N)
		c.float(&at.ewma.Z)
	case d.over.cusum != nil:
		for _, n := range []*int{&at.cusum.N, &at.cusum.NHi, &at.cusum.NLo} {
			c.int(n)
		}
		c.float(&at.cusum.Hi)
		c.float(&at.cusum.Lo)
	case d.over.change != nil:
		s := at.change
		c.int(&s.N)
		c.int(&s.Thinned)
		for _, f := range []*float64{&s.Origin, &s.Sum, &s.Squares} {
			c.float(f)
		}
		for _, h := range []*changepoint.Hull{&s.Lower, &s.Upper} {
			c.int(&h.Len)
			if h.Len < 0 || h.Len > len(h.V) {
				c.fail()
				h.Len = 0
			}
			for i := range h.Len {
				c.int(&h.V[i].N)
				c.float(&h.V[i].Sum)
			}
		}
	}
}
