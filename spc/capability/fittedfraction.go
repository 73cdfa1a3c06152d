package capability

import (
	"math"

	"sagwatch/spc/dist"
	"sagwatch/spc/fit"
	"sagwatch/spc/refusal"
)

// FittedOutside is Outside of a fitted distribution with an interval by the delta method, quick where Bootstrap with ByFit is
// slow: the variance of the total p is g'C g with C the parameters' covariance and g the derivatives of p by the parameters,
// and on the logit, which keeps the limits inside 0 .. 1,
//
//	logit(p) ± z sqrt(g'C g) / (p (1 - p))
//
// It holds for independent values. It refuses what Outside refuses, a level outside (0, 1), a fit without a covariance, and a
// fraction that is zero or so small that it cannot be told from it: there only resampling, or counting, gives a limit.
//
// Source: W. Q. Meeker and L. A. Escobar, Statistical Methods for Reliability Data (1998), 8.4.3 (limits of a probability on the logit).
func FittedOutside(f *fit.Fitted, spec Spec, confidence float64) (Fraction, error) {
	out, err := Outside(f, spec)
	if err != nil {
		return Fraction{}, err
	}
	if err := level(confidence); err != nil {
		return Fraction{}, err
	}
	if f.Covariance == nil {
		return Fraction{}, refusal.Unsolved("the fit has no covariance of its parameters; take limits from resampling")
	}
	p := out.Total
	if !(p > 1e-300 && p < 1) {
		return Fraction{}, refusal.Unsolved("the fitted distribution has practically nothing, or everything, outside; the delta method gives no limits there")
	}
	params := f.Parameters()
	at := make([]float64, len(params))
	for i, q := range params {
		at[i] = q.Value
	}
	g := make([]float64, len(params))
	for i, v := range at {
		// Two steps of central differences, a small part of the standard error wide, with Richardson's extrapolation.
		slope := func(h float64) (float64, error) {
			var side [2]float64
			for k, s := range [2]float64{h, -h} {
				at[i] = v + s
				d, err := fit.New(f.Family(), at...)
				at[i] = v
				if err != nil {
					return 0, err
				}
				o, err := Outside(d, spec)
				if err != nil {
					return 0, err
				}
				side[k] = o.Total
			}
			return (side[0] - side[1]) / (2 * h), nil
		}
		h := 0.02 * math.Sqrt(f.Covariance[i][i])
		a, err := slope(h)
		if err != nil {
			return Fraction{}, refusal.Unsolved("the fit lies at the end of what its parameters may be; take limits from resampling")
		}
		b, err := slope(h / 2)
		if err != nil {
			return Fraction{}, refusal.Unsolved("the fit lies at the end of what its parameters may be; take limits from resampling")
		}
		g[i] = (4*b - a) / 3
	}
	v := 0.0
	for i := range g {
		for j := range g {
			v += g[i] * f.Covariance[i][j] * g[j]
		}
	}
	if !(v >= 0) || math.IsInf(v, 0) {
		return Fraction{}, refusal.Unsolved("the fit's covariance gives no variance for the fraction; take limits from resampling")
	}
	w := math.Exp(math.Min(dist.NormalQuantileUpper((1-confidence)/2)*math.Sqrt(v)/(p*(1-p)), 650))
	out.Interval = Interval{p / (p + (1-p)*w), p / (p + (1-p)/w), confidence, "delta method on the logit, independent values", small(f.N, 0)}
	return out, nil
}
