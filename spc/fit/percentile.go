package fit

import (
	"math"
	"math/rand/v2"

	"sagwatch/spc"
	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// Percentile is a percentile of a fitted distribution with two-sided confidence limits.
type Percentile struct {
	P         float64 // the probability below; above where UpperTail
	UpperTail bool
	Value     float64
	SE        float64
	Lower     float64
	Upper     float64
	HasLimits bool // SE, Lower and Upper are worked out
	// Extrapolated: fewer than one value of the sample is expected beyond it.
	Extrapolated bool
}

// Percentiles are percentiles of a fit.
type Percentiles struct {
	Of         []Percentile
	Confidence float64
	Method     string // "delta method", "parametric bootstrap"
	Resamples  int    // of the bootstrap, that could be fitted
	Lost       int    // that could not
	Warnings   []refusal.Warning
}

// OuterTail is the probability beyond three standard deviations of a normal distribution on one side, 0.1349898 %, which
// the standards round to 0.135 %: with it the percentile method gives a normal distribution its six standard deviations.
const OuterTail = 0.00134989803163009453

// Natural are the three percentiles of the percentile method, 0.135 %, 50 % and 99.865 %, written by the smaller tail.
//
// Source: ISO 22514-2.
var Natural = []Tail{{OuterTail, false}, {0.5, false}, {OuterTail, true}}

// Tail is a probability below a percentile, or above it where Upper.
type Tail struct {
	P     float64
	Upper bool
}

func (t Tail) of(d Distribution) float64 {
	if t.Upper {
		return d.QuantileUpper(t.P)
	}
	return d.Quantile(t.P)
}

func checkTails(tails []Tail, confidence float64) error {
	if !(confidence > 0 && confidence < 1) {
		return refusal.Setting("the confidence", confidence, "it must lie between 0 and 1")
	}
	if len(tails) == 0 {
		return refusal.Few("percentiles", 0, 1)
	}
	for _, t := range tails {
		if !(t.P > 0 && t.P < 1) {
			return refusal.Setting("a percentile's probability", t.P, "it must lie between 0 and 1")
		}
	}
	return nil
}

func (f *Fitted) percentiles(tails []Tail, confidence float64, method string) *Percentiles {
	r := &Percentiles{Confidence: confidence, Method: method}
	few := 0
	for _, t := range tails {
		p := Percentile{P: t.P, UpperTail: t.Upper, Value: t.of(f)}
		side := math.Min(t.P, 1-t.P)
		if p.Extrapolated = side*float64(f.N) < 1; p.Extrapolated {
			few = max(few, int(math.Ceil(1/side)))
		}
		r.Of = append(r.Of, p)
	}
	if few > 0 {
		w := refusal.Small("values", f.N, few)
		w.Detail = "The outer percentiles lie beyond the values and rest on the shape of the fitted curve."
		r.Warnings = append(r.Warnings, w)
	}
	return r
}

// Percentiles gives percentiles with limits by the delta method: the variance of the percentile x_p is g'C g with C the
// parameters' covariance and g the derivatives of x_p by the parameters; limits are x_p -/+ z s or, for a family that is
// never below zero, x_p exp(-/+ z s/x_p). Without a covariance, or where the
// percentile cannot be differentiated, there are no limits, and a warning. Refused are a
// probability or a confidence outside (0, 1).
//
// Source: W. Q. Meeker and L. A. Escobar, Statistical Methods for Reliability Data (1998), 8.4 and appendix B.2.
func (f *Fitted) Percentiles(tails []Tail, confidence float64) (*Percentiles, error) {
	if err := checkTails(tails, confidence); err != nil {
		return nil, err
	}
	r := f.percentiles(tails, confidence, "delta method")
	family := f.Family()
	free, cov := f.free()
	if cov == nil {
		r.Warnings = append(r.Warnings, refusal.Warning{Kind: refusal.Doubtful,
			Detail: "The parameters have no covariance, so the percentiles have no limits by the delta method; resampling gives them."})
		return r, nil
	}
	z := dist.NormalQuantileUpper((1 - confidence) / 2)
	p := values(f)
	for i := range r.Of {
		q := &r.Of[i]
		g := make([]float64, len(free))
		ok := true
		for a, k := range free {
			h := 1e-3 * math.Sqrt(cov[a][a])
			if specs[family].scale[k] {
				h = math.Min(h, 0.1*p[k])
			}
			at := func(d float64) float64 {
				moved := append([]float64(nil), p...)
				moved[k] += d * h
				e, err := New(family, moved...)
				if err != nil {
					ok = false
					return 0
				}
				return tails[i].of(e)
			}
			g[a] = (8*(at(1)-at(-1)) - (at(2) - at(-2))) / (12 * h)
		}
		v := 0.0
		for a := range g {
			for b := range g {
				v += g[a] * g[b] * cov[a][b]
			}
		}
		if !ok || !(v >= 0) || math.IsInf(v, 0) {
			r.Warnings = append(r.Warnings, refusal.Warning{Kind: refusal.Doubtful,
				Detail: "A percentile has no limits by the delta method, for it changes too fast with the parameters; resampling gives them."})
			continue
		}
		q.SE, q.HasLimits = math.Sqrt(v), true
		q.Lower, q.Upper = q.Value-z*q.SE, q.Value+z*q.SE
		if specs[family].positive && q.Value > 0 {
			q.Lower, q.Upper = q.Value*math.Exp(-z*q.SE/q.Value), clip(q.Value*math.Exp(z*q.SE/q.Value))
		}
	}
	return r, nil
}

// free are the parameters that are not at a bound, and their covariance.
func (f *Fitted) free() ([]int, [][]float64) {
	if f.Covariance != nil {
		all := make([]int, len(f.Estimates))
		for i := range all {
			all[i] = i
		}
		return all, f.Covariance
	}
	var free []int
	var cov [][]float64
	for i, e := range f.Estimates {
		if e.HasSE {
			free, cov = append(free, i), [][]float64{{e.SE * e.SE}}
		}
	}
	if len(free) != 1 {
		return nil, nil
	}
	return free, cov
}

// BootstrapPercentiles gives percentiles with limits by the parametric bootstrap: o.Resamples samples of the size of the
// fitted one (at most 5000 values; of more, the limits are drawn together by the root of the ratio) are drawn from the
// fitted distribution and fitted anew, and the limits are percentiles of what comes out. Resamples that cannot be fitted
// are left out and counted.
//
// Source: B. Efron and R. J. Tibshirani, An Introduction to the Bootstrap (1993), 6.5 and 13.3.
func (f *Fitted) BootstrapPercentiles(tails []Tail, confidence float64, o Resampling) (*Percentiles, error) {
	if err := checkTails(tails, confidence); err != nil {
		return nil, err
	}
	r := f.percentiles(tails, confidence, "parametric bootstrap")
	n := min(f.N, MostTested)
	shrink := math.Sqrt(float64(n) / float64(f.N))
	start := values(f)
	out := make([][]float64, o.number())
	o.Each(func() func(int, *rand.Rand) {
		x := make([]float64, n)
		return func(i int, rnd *rand.Rand) {
			for j := range x {
				x[j] = f.Rand(rnd)
			}
			row := make([]float64, len(tails))
			out[i] = row
			row[0] = math.NaN()
			s, err := Values(x)
			if err != nil {
				return
			}
			p, _, err := estimate(s, f.Family(), start)
			if err != nil && noMaximum(err) {
				p, _, err = estimate(s, f.Family(), nil)
			}
			if err != nil {
				return
			}
			d, err := New(f.Family(), p...)
			if err != nil {
				return
			}
			for k, t := range tails {
				row[k] = r.Of[k].Value + shrink*(t.of(d)-r.Of[k].Value)
			}
		}
	})
	kept := out[:0]
	for _, row := range out {
		if len(row) > 0 && !math.IsNaN(row[0]) {
			kept = append(kept, row)
		}
	}
	r.Resamples, r.Lost = len(kept), o.number()-len(kept)
	for k := range r.Of {
		q := &r.Of[k]
		if r.Resamples*2 > r.Lost {
			q.Lower, q.Upper, q.SE, q.HasLimits = PercentileLimits(kept, k, confidence)
		}
	}
	if r.Lost*20 > o.number() {
		r.Warnings = append(r.Warnings, refusal.Warning{Kind: refusal.Doubtful,
			Detail: "More than one in twenty samples drawn from the fitted distribution could not be fitted and were left out of the limits."})
	}
	return r, nil
}

// ProbabilityLimits are control limits that a value of the distribution passes with the probability tail on each side,
// about its median; Sigma is the standard deviation, 0 where there is none. OuterTail gives a normal
// distribution limits at three standard deviations:
//
//	lower = F^-1(tail),  centre = F^-1(1/2),  upper = F^-1(1 - tail)
//
// Refused are a tail outside (0, 0.5) and limits that fall together.
//
// Source: ISO 7870-2, probability limits.
func ProbabilityLimits(d Distribution, tail float64) (spc.Limits, error) {
	if !(tail > 0 && tail < 0.5) {
		return spc.Limits{}, refusal.Setting("the probability of a limit", tail, "it must lie between 0 and 0.5")
	}
	l := spc.Limits{Lower: d.Quantile(tail), Centre: d.Quantile(0.5), Upper: d.QuantileUpper(tail), HasLower: true, HasCentre: true, HasUpper: true}
	if _, sd, ok := d.Moments(); ok {
		l.Sigma = sd
	}
	if !(l.Lower < l.Upper) {
		return spc.Limits{}, refusal.Crossed(l.Lower, l.Upper)
	}
	return l, nil
}
