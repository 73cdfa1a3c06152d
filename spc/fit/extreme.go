package fit

import (
	"math"
	"math/rand/v2"

	"sagwatch/spc/dist"
)

// weibull has P(X > x) = exp(-(x/scale)^shape); with shape 1 it is the exponential, with shape 2 the Rayleigh
// distribution (of scale/sqrt 2).
type weibull struct {
	shape, scale float64
	family       Family
}

func (d weibull) Family() Family { return d.family }
func (d weibull) Parameters() []Parameter {
	switch d.family {
	case Exponential:
		return parameters(Exponential, d.scale)
	case Rayleigh:
		return parameters(Rayleigh, d.scale/math.Sqrt2)
	}
	return parameters(Weibull, d.shape, d.scale)
}
func (d weibull) h(x float64) float64 {
	switch {
	case !(x > 0):
		return 0
	case d.shape == 1:
		return x / d.scale
	case d.shape == 2:
		return x / d.scale * (x / d.scale)
	}
	return math.Pow(x/d.scale, d.shape)
}
func (d weibull) CDF(x float64) float64  { return -math.Expm1(-d.h(x)) }
func (d weibull) Tail(x float64) float64 { return math.Exp(-d.h(x)) }
func (d weibull) Quantile(p float64) float64 {
	checkProbability(p)
	return clip(d.scale * math.Pow(-math.Log1p(-p), 1/d.shape))
}
func (d weibull) QuantileUpper(p float64) float64 {
	checkProbability(p)
	return clip(d.scale * math.Pow(-math.Log(p), 1/d.shape))
}
func (d weibull) LogPDF(x float64) float64 {
	if x < 0 || x == 0 && d.shape > 1 {
		return math.Inf(-1)
	}
	if x == 0 {
		if d.shape == 1 {
			return -math.Log(d.scale)
		}
		x = math.SmallestNonzeroFloat64 // the density is infinite at zero
	}
	return math.Log(d.shape/d.scale) + (d.shape-1)*math.Log(x/d.scale) - d.h(x)
}
func (d weibull) Moments() (float64, float64, bool) {
	a, b := lgamma(1+1/d.shape), lgamma(1+2/d.shape)
	m := math.Exp(a)
	return finiteMoments(d.scale*m, d.scale*m*math.Sqrt(math.Max(0, math.Expm1(b-2*a))))
}
func (d weibull) Rand(r *rand.Rand) float64 {
	return clip(d.scale * math.Pow(r.ExpFloat64(), 1/d.shape))
}

// gumbel is the largest-extreme-value distribution, P(X <= x) = exp(-exp(-(x-location)/scale)).
//
// Source: E. J. Gumbel, Statistics of Extremes (1958), chapter 5.
type gumbel struct{ location, scale float64 }

func (d gumbel) Family() Family          { return LargestExtreme }
func (d gumbel) Parameters() []Parameter { return parameters(LargestExtreme, d.location, d.scale) }
func (d gumbel) CDF(x float64) float64   { return math.Exp(-math.Exp(-(x - d.location) / d.scale)) }
func (d gumbel) Tail(x float64) float64 {
	return -math.Expm1(-math.Exp(-(x - d.location) / d.scale))
}
func (d gumbel) Quantile(p float64) float64 {
	checkProbability(p)
	return d.location - d.scale*math.Log(-math.Log(p))
}
func (d gumbel) QuantileUpper(p float64) float64 {
	checkProbability(p)
	return d.location - d.scale*math.Log(-math.Log1p(-p))
}
func (d gumbel) LogPDF(x float64) float64 {
	z := (x - d.location) / d.scale
	return -z - math.Exp(-z) - math.Log(d.scale)
}
func (d gumbel) Moments() (float64, float64, bool) {
	const euler = 0.57721566490153286061
	return finiteMoments(d.location+euler*d.scale, d.scale*math.Pi/math.Sqrt(6))
}
func (d gumbel) Rand(r *rand.Rand) float64 { return d.location - d.scale*math.Log(r.ExpFloat64()) }

// gamma has density x^(shape-1) exp(-x/scale) / (scale^shape Gamma(shape)).
type gamma struct{ shape, scale, lg float64 }

func (d gamma) Family() Family          { return Gamma }
func (d gamma) Parameters() []Parameter { return parameters(Gamma, d.shape, d.scale) }
func (d gamma) CDF(x float64) float64   { return dist.ChiSquareCDF(2*x/d.scale, 2*d.shape) }
func (d gamma) Tail(x float64) float64  { return dist.ChiSquareTail(2*x/d.scale, 2*d.shape) }
func (d gamma) Quantile(p float64) float64 {
	return clip(d.scale / 2 * dist.ChiSquareQuantile(p, 2*d.shape))
}
func (d gamma) QuantileUpper(p float64) float64 {
	return clip(d.scale / 2 * dist.ChiSquareQuantileUpper(p, 2*d.shape))
}
func (d gamma) LogPDF(x float64) float64 {
	if x < 0 || x == 0 && d.shape > 1 {
		return math.Inf(-1)
	}
	if x == 0 {
		if d.shape == 1 {
			return -math.Log(d.scale)
		}
		x = math.SmallestNonzeroFloat64
	}
	if a := d.shape; a > 30 {
		// With u = x/(shape scale), so that no large terms cancel: shape (log u - u + 1), and Stirling's series.
		u := x / d.scale / a
		rest := math.Log(u) - u + 1
		if e := u - 1; math.Abs(e) < 0.1 {
			rest = log1pRest(e)
		}
		r := 1 / (a * a)
		return a*rest + math.Log(a)/2 - math.Log(x) - halfLog2Pi - (1.0/12-r*(1.0/360-r*(1.0/1260-r/1680)))/a
	}
	u := x / d.scale
	return (d.shape-1)*math.Log(u) - u - d.lg - math.Log(d.scale)
}

// log1pRest is log(1+x) - x for small x without cancellation: with r = x/(2+x), log(1+x) = 2 (r + r^3/3 + ...) and
// 2r - x = -r x.
func log1pRest(x float64) float64 {
	r := x / (2 + x)
	q, t, s := r*r, 1.0, 0.0
	for k := 3.0; t > 1e-18*k && k < 40; k += 2 {
		t *= q
		s += t / k
	}
	return 2*r*s - r*x
}
func (d gamma) Moments() (float64, float64, bool) {
	return finiteMoments(d.shape*d.scale, math.Sqrt(d.shape)*d.scale)
}

// Rand by squeeze and rejection; below shape 1 by a power of a uniform number.
//
// Source: G. Marsaglia and W. W. Tsang, "A simple method for generating gamma variables", ACM Transactions on Mathematical
// Software 26 (2000), 363-372.
func (d gamma) Rand(r *rand.Rand) float64 {
	a, boost := d.shape, 1.0
	if a < 1 {
		boost = math.Pow(open(r), 1/a)
		a++
	}
	c := a - 1.0/3
	k := 1 / math.Sqrt(9*c)
	for {
		x := r.NormFloat64()
		v := 1 + k*x
		if v <= 0 {
			continue
		}
		v *= v * v
		if math.Log(open(r)) < x*x/2+c-c*v+c*math.Log(v) {
			return d.scale * boost * c * v
		}
	}
}

func checkProbability(p float64) {
	if !(p > 0 && p < 1) {
		panic("fit: a probability must lie strictly between 0 and 1")
	}
}
