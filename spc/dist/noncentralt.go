package dist

import (
	"fmt"
	"math"
)

// NoncentralTCDF is P(T <= t) of the non-central t distribution T = (Z + delta)/S with df degrees of freedom, where Z is
// standard normal and S^2 an independent chi-square variable over df:
//
//	P(T <= t) = integral_0^inf Phi(t s - delta) f_S(s) ds
//
// for any df > 0, finite delta. The integrand is positive, so that the lower tail keeps its relative accuracy;
// NoncentralTTail is the same for the upper one. In u = log s its logarithm has one maximum, about which the integral is
// taken by Gauss-Legendre panels halved as needed. Checked to 1e-11 relative for df up to 10^6 and delta up to 1000,
// in tails down to 1e-300.
//
// Source: N. L. Johnson, S. Kotz, N. Balakrishnan, Continuous Univariate Distributions 2, 2nd ed. (1995), chapter 31.
func NoncentralTCDF(t, df, delta float64) float64 {
	checkNoncentral(t, df, delta)
	return math.Exp(noncentralTLog(t, df, delta))
}

// NoncentralTTail is P(T > t) of the non-central t distribution (see NoncentralTCDF).
func NoncentralTTail(t, df, delta float64) float64 {
	checkNoncentral(t, df, delta)
	return math.Exp(noncentralTLog(-t, df, -delta))
}

// NoncentralTQuantile is the t with P(T <= t) = p, 0 < p < 1. Exact one-sided tolerance factors are
// k = NoncentralTQuantile(confidence, n-1, z sqrt(n)) / sqrt(n) with z the normal quantile of the content.
func NoncentralTQuantile(p, df, delta float64) float64 {
	checkProbability(p)
	checkNoncentral(0, df, delta)
	return noncentralTInverse(p, df, delta)
}

// NoncentralTQuantileUpper is the t with P(T > t) = p, 0 < p < 1.
func NoncentralTQuantileUpper(p, df, delta float64) float64 {
	checkProbability(p)
	checkNoncentral(0, df, delta)
	return -noncentralTInverse(p, df, -delta)
}

// NoncentralTDelta is the non-centrality delta with which P(T <= t) = p, 0 < p < 1, for finite t; it falls as p grows.
// A confidence limit of delta from an observed t: the upper one with 1 - alpha = P(T > t) has p = alpha. With
// t = 3 sqrt(n) Cpu, NoncentralTDelta(t, n-1, confidence) / (3 sqrt(n)) is the exact lower limit of Cpu.
func NoncentralTDelta(t, df, p float64) float64 {
	checkProbability(p)
	checkNoncentral(t, df, 0)
	checkFinite(t)
	return noncentralTDelta(t, df, p)
}

// NoncentralTDeltaUpper is the delta with which P(T > t) = p, 0 < p < 1, for finite t; it grows with p.
func NoncentralTDeltaUpper(t, df, p float64) float64 {
	checkProbability(p)
	checkNoncentral(t, df, 0)
	checkFinite(t)
	return -noncentralTDelta(-t, df, p)
}

// noncentralTInverse solves the lower tail for t.
func noncentralTInverse(p, df, delta float64) float64 {
	if p > 0.5 && p < 1-1e-6 {
		// The upper tail has the same digits and falls to zero, where a logarithm is nearly straight.
		return -noncentralTInverse(1-p, df, -delta)
	}
	f := func(t float64) float64 { return noncentralTLog(t, df, delta) - math.Log(p) }
	// About the median, which is near delta, steps of the spread sqrt(1 + delta^2/(2 df)), doubled.
	w := math.Sqrt(1 + delta*delta/(2*df))
	return climb(f, delta, w)
}

// noncentralTDelta solves the lower tail for delta.
func noncentralTDelta(t, df, p float64) float64 {
	if p > 0.5 && p < 1-1e-6 {
		return -noncentralTDelta(-t, df, 1-p)
	}
	f := func(x float64) float64 { return noncentralTLog(t, df, -x) - math.Log(p) }
	return -climb(f, -t, math.Sqrt(1+t*t/(2*df)))
}

// climb is the zero of a rising f, searched from x in steps of w that are doubled.
func climb(f func(float64) float64, x, w float64) float64 {
	a, b := x, x
	if f(x) > 0 {
		for f(a) > 0 && !math.IsInf(a, -1) {
			b, a, w = a, a-w, 2*w
		}
	} else {
		for f(b) < 0 && !math.IsInf(b, 1) {
			a, b, w = b, b+w, 2*w
		}
	}
	root, err := Root(f, a, b)
	if err != nil {
		// Only beyond the range of doubles: the end of the bracket.
		return math.Copysign(math.MaxFloat64, a+b)
	}
	return root
}

// noncentralTLog is log P(T <= t).
func noncentralTLog(t, df, delta float64) float64 {
	switch {
	case math.IsInf(t, 1):
		return 0
	case math.IsInf(t, -1):
		return math.Inf(-1)
	}
	// h(u) = df (u - (e^2u - 1)/2) + log Phi(t e^u - delta), u = log s: unimodal, since it is concave in s.
	h := func(u float64) float64 {
		s := math.Exp(u)
		if math.IsInf(s, 1) {
			return math.Inf(-1)
		}
		return df*chiLog(u) + logNormalCDF(t*s-delta)
	}
	// dh/ds = df (1/s - s) + t phi/Phi falls.
	slope := func(s float64) float64 {
		return df*(1/s-s) + t*inverseMills(t*s-delta)
	}
	lo, hi := 1.0, 1.0
	for i := 0; slope(lo) < 0 && i < 1060; i++ {
		hi, lo = lo, lo/2
	}
	for i := 0; slope(hi) > 0 && i < 1060; i++ {
		lo, hi = hi, hi*2
	}
	for i := 0; i < 60 && hi-lo > 1e-6*hi/math.Sqrt(1+df); i++ {
		if m := lo + (hi-lo)/2; slope(m) > 0 {
			lo = m
		} else {
			hi = m
		}
	}
	top := math.Log(lo + (hi-lo)/2)
	most := h(top)
	if !(most > -1e12) { // beyond any digits that the width of the maximum could add
		return most
	}
	// The width of the steeper of the two factors at the top; either may be many times wider or narrower.
	w := 1 / math.Hypot(math.Sqrt(1+2*df), t*math.Exp(top))
	a, b := reach(h, top, most, -w), reach(h, top, most, w)
	points := make([]float64, 0, 8)
	points = append(points, a)
	for _, k := range [...]float64{-300, -20, 0, 20, 300} {
		if x := top + k*w; x > a && x < b {
			points = append(points, x)
		}
	}
	v := integrate(func(u float64) float64 { return math.Exp(h(u) - most) }, append(points, b)...)
	return math.Min(0, most+math.Log(v)+chiConstant(df))
}

// reach is the u on one side of the top, that of the sign of the first step, beyond which the integrand is below e^-42
// of its greatest value.
func reach(h func(float64) float64, top, most, step float64) float64 {
	least := most - 42
	near, far := 0.0, step
	for h(top+far) > least && !math.IsInf(far, 0) {
		near, far = far, 2*far
	}
	for range 4 {
		if m := (near + far) / 2; h(top+m) > least {
			near = m
		} else {
			far = m
		}
	}
	return top + far
}

const halfLog2Pi = 0.91893853320467274178

// chiLog is u - (e^(2u) - 1)/2 without cancellation: log of s^df e^(-df (s^2-1)/2) over df, u = log s.
func chiLog(u float64) float64 {
	if math.Abs(u) > 0.05 {
		return u - math.Expm1(2*u)/2
	}
	x := 2 * u
	// -(1/2) (x^2/2! + x^3/3! + ...)
	return -0.25 * x * x * (1 + x/3*(1+x/4*(1+x/5*(1+x/6*(1+x/7*(1+x/8*(1+x/9*(1+x/10))))))))
}

// chiConstant is the log of 2 (df/2)^(df/2) e^(-df/2) / Gamma(df/2), the factor of the density of log S.
func chiConstant(df float64) float64 {
	a := df / 2
	return math.Ln2 + 0.5*math.Log(a) - halfLog2Pi - stirlingRest(a)
}

// stirlingRest is log Gamma(a) - (a - 1/2) log a + a - log(2 pi)/2, by its asymptotic series where a is large.
func stirlingRest(a float64) float64 {
	if a < 15 {
		l, _ := math.Lgamma(a)
		return l - (a-0.5)*math.Log(a) + a - halfLog2Pi
	}
	y := 1 / (a * a)
	return (1.0/12 - y*(1.0/360-y*(1.0/1260-y*(1.0/1680-y*(1.0/1188-y*691.0/360360))))) / a
}

// logNormalCDF is log Phi(x), also where Phi underflows.
func logNormalCDF(x float64) float64 {
	switch {
	case x > 0:
		return math.Log1p(-0.5 * math.Erfc(x/math.Sqrt2))
	case x > -20:
		return math.Log(0.5 * math.Erfc(-x/math.Sqrt2))
	}
	return -0.5*x*x - math.Log(-x) - halfLog2Pi + math.Log1p(millsRest(x))
}

// millsRest is -x Phi(x)/phi(x) - 1 for x <= -20, by the asymptotic series.
func millsRest(x float64) float64 {
	y := 1 / (x * x)
	return -y * (1 - 3*y*(1-5*y*(1-7*y*(1-9*y*(1-11*y*(1-13*y*(1-15*y)))))))
}

// inverseMills is phi(x)/Phi(x).
func inverseMills(x float64) float64 {
	if x > -20 {
		return NormalPDF(x) / NormalCDF(x)
	}
	return -x / (1 + millsRest(x))
}

func checkNoncentral(t, df, delta float64) {
	checkDF(df)
	checkNumber(t)
	checkFinite(delta)
}

func checkFinite(x float64) {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		panic(fmt.Sprintf("dist: argument %g is not finite", x))
	}
}
