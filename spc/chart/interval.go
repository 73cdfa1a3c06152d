package chart

import (
	"math"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// For rejects so rare that most subgroups have none, the time or the number of panels between them tells more. A point above
// the upper limit is good news, one below the lower limit bad.

// TimeLimits are the limits of the time until the r-th reject, rejects coming at random with the mean time between them:
//
//	time ~ mean × gamma(r);  lower and upper at probability p/2 on each side, centre the median
//
// r = 1 is the exponential distribution. The limits are never symmetric: a Width in k sigma stands for the probability that
// a normal statistic has beyond ± k. Sigma is mean sqrt(r). Time in any unit. It refuses r outside 1 to 1000 and a mean that
// is not finite and above 0.
//
// Source: the gamma distribution of waiting times of a Poisson process; t and t_r charts: Xie, Goh and Ranjan 2002, Some
// effective control chart procedures for reliability monitoring (from memory).
func TimeLimits(r int, mean float64, w Width) (Limits, error) {
	if err := w.check(); err != nil {
		return Limits{}, err
	}
	if r < 1 || r > 1000 {
		return Limits{}, refusal.Setting("the number of rejects to a point", float64(r), "it must be from 1 to 1000")
	}
	if !finite(mean) || mean <= 0 {
		return Limits{}, refusal.Setting("the mean time between rejects", mean, "it must be finite and above 0")
	}
	df, side := 2*float64(r), w.tail()
	return Limits{
		Lower: mean / 2 * dist.ChiSquareQuantile(side, df), HasLower: true,
		Centre: mean / 2 * dist.ChiSquareQuantile(0.5, df), HasCentre: true,
		Upper: mean / 2 * dist.ChiSquareQuantileUpper(side, df), HasUpper: true,
		Sigma: mean * math.Sqrt(float64(r)),
	}, nil
}

// PanelLimits are the limits of the number of panels inspected up to and including the r-th reject, each being rejected with
// probability p by itself:
//
//	N ~ negative binomial, P(N <= n) = P(binomial(n, p) >= r);  upper the least U with P(N > U) <= a/2, lower the greatest L
//	with P(N < L) <= a/2, centre the least n with P(N <= n) >= 1/2
//
// r = 1 is the geometric distribution. A count on a limit is inside; a lower limit of r or less is none, N cannot be below
// it. A Width in k sigma stands for the probability that a normal statistic has beyond ± k. Sigma is sqrt(r (1 - p)) / p. It
// refuses r outside 1 to 1000 and p outside [1e-9, 1).
//
// Source: Calvin 1983, Quality control techniques for "zero defects", IEEE Trans. CHMT 6(3); Kaminsky et al. 1992,
// Statistical control charts based on a geometric distribution, Journal of Quality Technology 24(2) (from memory).
func PanelLimits(r int, p float64, w Width) (Limits, error) {
	if err := w.check(); err != nil {
		return Limits{}, err
	}
	if r < 1 || r > 1000 {
		return Limits{}, refusal.Setting("the number of rejects to a point", float64(r), "it must be from 1 to 1000")
	}
	if !(p >= 1e-9 && p < 1) {
		return Limits{}, refusal.Setting("the proportion rejected", p, "it must be from 1e-9 to below 1")
	}
	k, side := float64(r), w.tail()
	done := func(n float64) float64 { // P(N <= n)
		if n < k {
			return 0
		}
		return dist.BetaCDF(p, k, n-k+1)
	}
	open := func(n float64) float64 { // P(N > n)
		if n < k {
			return 1
		}
		return dist.BetaTail(p, k, n-k+1)
	}
	if r == 1 { // closed forms, exact for small p
		done = func(n float64) float64 { return -math.Expm1(max(0, n) * math.Log1p(-p)) }
		open = func(n float64) float64 { return math.Exp(max(0, n) * math.Log1p(-p)) }
	}
	l := Limits{HasCentre: true, HasUpper: true, Sigma: math.Sqrt(k*(1-p)) / p}
	start := k - 1      // nothing is done by then
	const slack = 1e-13 // a probability that is one half but for rounding counts as that
	l.Centre = lastWhole(start, math.Ceil(k/p)+1, func(n float64) bool { return done(n) >= 0.5-slack }) + 1
	l.Upper = lastWhole(start, math.Ceil(k/p)+1, func(n float64) bool { return open(n) <= side }) + 1
	// P(N < L) = P(N <= L-1)
	if lower := lastWhole(start, math.Ceil(k/p)+1, func(n float64) bool { return done(n-1) > side }); lower > k {
		l.Lower, l.HasLower = lower, true
	}
	return l, nil
}

// IntervalOptions are the settings of a chart of times between rejects.
type IntervalOptions struct {
	Width Width `json:"width"`
	// Rejects is how many rejects make a point; 0 and 1: every one.
	Rejects int `json:"rejects,omitempty"`
	// Transformed charts t^0.2777, which is near normal, as individuals in place of exact limits. It copes with times
	// that are not quite exponential.
	Transformed bool `json:"transformed,omitempty"`
}

// IntervalResult is the baseline of a chart of times between rejects.
type IntervalResult struct {
	Options  IntervalOptions   `json:"options"`
	N        int               `json:"n"`
	Mean     float64           `json:"mean"`   // mean time between single rejects
	Limits   Limits            `json:"limits"` // of the times, in their unit, in either form
	Warnings []refusal.Warning `json:"warnings,omitempty"`
	// Individuals is the chart of the transformed times; only there where Transformed.
	Individuals *IndividualsResult `json:"individuals,omitempty"`
}

// nelsonPower makes exponential times near normal: their Weibull shape becomes 3.6.
const nelsonPower = 0.2777

// NelsonTransform is t^0.2777, near normal for exponential t; t must be 0 or more.
//
// Source: Nelson 1994, A control chart for parts-per-million nonconforming items, Journal of Quality Technology 26(3) (from
// memory).
func NelsonTransform(t float64) float64 { return math.Pow(t, nelsonPower) }

// Intervals works out a chart of times between rejects from a baseline t in time order, each the time to the next o.Rejects
// rejects, in any unit:
//
//	mean = sum t / (r J),  limits by TimeLimits
//	transformed:  y = t^0.2777 as Individuals, limits back by y^(1/0.2777); a lower limit of y at or below 0 is none
//
// It refuses fewer than 2 times, times that are negative or not finite, times that are all 0 and, where transformed, that do
// not vary. Under 25 times it warns.
func Intervals(t []float64, o IntervalOptions) (IntervalResult, error) {
	if o.Rejects == 0 {
		o.Rejects = 1
	}
	if err := o.Width.check(); err != nil {
		return IntervalResult{}, err
	}
	if len(t) < 2 {
		return IntervalResult{}, refusal.Few("times between rejects", len(t), 2)
	}
	if err := refusal.Finite("times between rejects", t); err != nil {
		return IntervalResult{}, err
	}
	var total dist.Accumulator
	for i, v := range t {
		if v < 0 {
			return IntervalResult{}, &refusal.Error{Reason: refusal.Negative, What: "times between rejects", Index: i, Value: v}
		}
		total.Add(v)
	}
	r := IntervalResult{Options: o, N: len(t), Mean: total.Sum() / float64(len(t)*max(1, o.Rejects))}
	if r.Mean == 0 {
		return IntervalResult{}, refusal.Constant("times between rejects", len(t))
	}
	var err error
	if r.Limits, err = TimeLimits(o.Rejects, r.Mean, o.Width); err != nil {
		return IntervalResult{}, err
	}
	if len(t) < enoughSubgroups {
		r.Warnings = append(r.Warnings, refusal.Small("times between rejects", len(t), enoughSubgroups))
	}
	if o.Transformed {
		y := make([]float64, len(t))
		for i, v := range t {
			y[i] = NelsonTransform(v)
		}
		ind, err := Individuals(y, IndividualsOptions{Width: o.Width})
		if err != nil {
			return IntervalResult{}, err
		}
		back := func(v float64) float64 { return math.Pow(max(0, v), 1/nelsonPower) }
		r.Individuals = &ind
		r.Limits.Lower, r.Limits.HasLower = back(ind.Limits.Lower), ind.Limits.Lower > 0
		r.Limits.Centre, r.Limits.Upper = back(ind.Limits.Centre), back(ind.Limits.Upper)
	}
	return r, nil
}

// lastWhole is the greatest whole number from lo before past turns true; past is false at lo, hi is a first guess.
func lastWhole(lo, hi float64, past func(float64) bool) float64 {
	for !past(hi) {
		hi = 2*hi + 1
	}
	for hi-lo > 1 {
		mid := math.Floor(lo + (hi-lo)/2)
		if past(mid) {
			hi = mid
		} else {
			lo = mid
		}
	}
	return lo
}
