package fit

import (
	"math"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// BoxCox is a power transformation to normality.
type BoxCox struct {
	Lambda float64
	// Lower and Upper are limits of lambda from the likelihood ratio, with Confidence; a side without a limit is not had.
	Lower, Upper       float64
	HasLower, HasUpper bool
	Confidence         float64
	LogLikelihood      float64 // at Lambda, less the constant -n/2 (log(2 pi) + 1)
	N                  int
	Warnings           []refusal.Warning
}

// FitBoxCox finds the lambda that makes
//
//	y = (x^lambda - 1)/lambda, log x for lambda = 0,
//
// most nearly normal, by the greatest profile likelihood
//
//	-n/2 log(var(y)) + (lambda - 1) sum log x
//
// (denominator n), and the lambdas whose log likelihood lies less than half the chi-square quantile with one degree of
// freedom below it. Of a histogram the middles of the bins count. Refused are a confidence outside (0, 1), values that are not above zero, values that
// do not vary, fewer than eight, and a likelihood without a maximum within ±50 (as for two distinct values).
//
// Source: G. E. P. Box and D. R. Cox, "An analysis of transformations", Journal of the Royal Statistical Society B 26
// (1964), 211-252.
func FitBoxCox(s *Sample, confidence float64) (*BoxCox, error) {
	if !(confidence > 0 && confidence < 1) {
		return nil, refusal.Setting("the confidence", confidence, "it must lie between 0 and 1")
	}
	if s.n < 8 {
		return nil, refusal.Few("values", s.n, 8)
	}
	if err := s.varies(); err != nil {
		return nil, err
	}
	if err := s.positive(Lognormal); err != nil {
		return nil, err
	}
	n := float64(s.n)
	l := s.mean(math.Log)
	y := make([]float64, len(s.at)) // log(x) less its mean: the unit of x falls out
	for i, x := range s.at {
		y[i] = math.Log(x) - l
	}
	terms := func(lambda float64) (variance, slope float64) { // slope of -log(variance)/2
		var m, d float64
		for i, v := range y {
			w, dw := power(lambda, v)
			c := float64(s.count[i]) / n
			m += c * w
			d += c * dw
		}
		var cov float64
		for i, v := range y {
			w, dw := power(lambda, v)
			c := float64(s.count[i]) / n
			variance += c * (w - m) * (w - m)
			cov += c * (w - m) * (dw - d)
		}
		return variance, -cov / variance
	}
	slope := func(lambda float64) float64 { _, g := terms(lambda); return g }
	const most = 50
	lo, hi := -1.0, 1.0
	for slope(lo) <= 0 && lo > -most {
		lo *= 2
	}
	for slope(hi) >= 0 && hi < most {
		hi *= 2
	}
	lambda, err := dist.Root(slope, lo, hi)
	if err != nil {
		return nil, refusal.Unsolved("no power between -%d and %d makes the values most nearly normal", most, most)
	}
	v, _ := terms(lambda)
	r := &BoxCox{Lambda: lambda, Confidence: confidence, N: s.n, LogLikelihood: -n/2*math.Log(v) - n*l}
	if math.IsNaN(r.LogLikelihood) || math.IsInf(r.LogLikelihood, 0) {
		return nil, refusal.Unsolved("the likelihood of a power transformation cannot be worked out for these values")
	}
	drop := dist.ChiSquareQuantileUpper(1-confidence, 1) / 2
	below := func(at float64) float64 { u, _ := terms(at); return n/2*math.Log(u/v) - drop }
	side := func(sign float64) (float64, bool) {
		step := sign / math.Sqrt(n)
		for at := lambda + step; math.Abs(at) < 4*most; at += step {
			if below(at) > 0 {
				root, err := dist.Root(below, lambda, at)
				return root, err == nil
			}
			step *= 2
		}
		return 0, false
	}
	r.Lower, r.HasLower = side(-1)
	r.Upper, r.HasUpper = side(1)
	if s.n < 30 {
		r.Warnings = append(r.Warnings, refusal.Small("values", s.n, 30))
	}
	return r, nil
}

// power is w = (e^(lambda y) - 1)/lambda and its derivative by lambda.
func power(lambda, y float64) (w, dw float64) {
	t := lambda * y
	if math.Abs(t) < 1e-3 {
		return y * (1 + t/2*(1+t/3*(1+t/4*(1+t/5)))), y * y * (0.5 + t*(1.0/3+t*(0.125+t*(1.0/30+t/144))))
	}
	e := math.Expm1(t)
	return e / lambda, (y*(e+1) - e/lambda) / lambda
}
