package dist

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// NormalTail is P(Z > x) of the standard normal distribution, erfc(x/sqrt 2)/2.
func NormalTail(x float64) float64 { return 0.5 * math.Erfc(x/math.Sqrt2) }

// NormalCDF is P(Z <= x), exact in the lower tail.
func NormalCDF(x float64) float64 { return NormalTail(-x) }

// NormalPDF is the standard normal density.
func NormalPDF(x float64) float64 { return math.Exp(-0.5*x*x) / math.Sqrt(2*math.Pi) }

// NormalQuantileUpper is the x with P(Z > x) = p, 0 < p < 1: Wichura's algorithm with one step of Newton on the
// logarithm of the tail.
//
// Source: M. J. Wichura, "Algorithm AS 241", Applied Statistics 37 (1988), 477-484.
func NormalQuantileUpper(p float64) float64 {
	checkProbability(p)
	x := -distuv.UnitNormal.Quantile(p)
	if t := NormalTail(x); p < 0.25 && t > 0 {
		x += math.Log(t/p) * t / NormalPDF(x)
	}
	return x
}

// NormalQuantile is the x with P(Z <= x) = p, 0 < p < 1.
func NormalQuantile(p float64) float64 { return -NormalQuantileUpper(p) }

// StudentTTail is P(T > t) with df degrees of freedom,
//
//	I_z(df/2, 1/2) / 2,  z = df / (df + t^2)
//
// for t >= 0, the regularised incomplete beta function.
func StudentTTail(t, df float64) float64 {
	checkDF(df)
	checkNumber(t)
	if t < 0 {
		return 1 - StudentTTail(-t, df)
	}
	if math.IsInf(t, 1) {
		return 0
	}
	q := t * t
	if math.IsInf(q, 1) {
		return 0.5 * math.Exp(0.5*df*(math.Log(df)-2*math.Log(t))) // never met with more than a few degrees of freedom
	}
	lower, _ := incompleteBeta(0.5*df, 0.5, df/(df+q), q/(df+q))
	return 0.5 * lower
}

// StudentTQuantileUpper is the t with P(T > t) = p, 0 < p < 1, exact also for the very small p of a test on many
// places at once.
func StudentTQuantileUpper(p, df float64) float64 {
	checkProbability(p)
	checkDF(df)
	if p > 0.5 {
		return -StudentTQuantileUpper(1-p, df)
	}
	if p == 0.5 {
		return 0
	}
	return invert(func(t float64) float64 { return StudentTTail(t, df) }, p, 0, 1)
}

// ChiSquareTail is P(X > x) with df degrees of freedom, the regularised upper incomplete gamma function Q(df/2, x/2).
func ChiSquareTail(x, df float64) float64 {
	checkDF(df)
	checkNumber(x)
	if x <= 0 {
		return 1
	}
	_, upper := incompleteGamma(0.5*df, 0.5*x)
	return upper
}

// ChiSquareCDF is P(X <= x), exact in the lower tail.
func ChiSquareCDF(x, df float64) float64 {
	checkDF(df)
	checkNumber(x)
	if x <= 0 {
		return 0
	}
	lower, _ := incompleteGamma(0.5*df, 0.5*x)
	return lower
}

// ChiSquareQuantileUpper is the x with P(X > x) = p, 0 < p < 1.
func ChiSquareQuantileUpper(p, df float64) float64 {
	checkProbability(p)
	checkDF(df)
	return invert(func(x float64) float64 { return ChiSquareTail(x, df) }, p, 0, df)
}

// ChiSquareQuantile is the x with P(X <= x) = p, 0 < p < 1, exact for small p.
func ChiSquareQuantile(p, df float64) float64 {
	checkProbability(p)
	checkDF(df)
	// In 1/x the lower tail becomes an upper one.
	return 1 / invert(func(y float64) float64 {
		if y == 0 {
			return 1
		}
		return ChiSquareCDF(1/y, df)
	}, p, 0, 1/df)
}

// FTail is P(F > x) with d1 and d2 degrees of freedom, I_z(d2/2, d1/2) with z = d2/(d2 + d1 x).
func FTail(x, d1, d2 float64) float64 {
	checkDF(d1)
	checkDF(d2)
	checkNumber(x)
	if x <= 0 {
		return 1
	}
	if math.IsInf(x, 1) {
		return 0
	}
	r := d1 / d2 * x
	lower, _ := incompleteBeta(0.5*d2, 0.5*d1, 1/(1+r), r/(1+r))
	return lower
}

// FQuantileUpper is the x with P(F > x) = p, 0 < p < 1; for a lower quantile use 1/FQuantileUpper(p, d2, d1).
func FQuantileUpper(p, d1, d2 float64) float64 {
	checkProbability(p)
	checkDF(d1)
	checkDF(d2)
	return invert(func(x float64) float64 { return FTail(x, d1, d2) }, p, 0, 1)
}

// BetaTail is P(X > x) of the beta distribution with parameters a, b > 0: I_(1-x)(b, a).
func BetaTail(x, a, b float64) float64 {
	checkDF(a)
	checkDF(b)
	checkNumber(x)
	switch {
	case x <= 0:
		return 1
	case x >= 1:
		return 0
	}
	_, upper := incompleteBeta(a, b, x, 1-x)
	return upper
}

// BetaCDF is P(X <= x) of the beta distribution with parameters a, b > 0: I_x(a, b), exact in the lower tail.
func BetaCDF(x, a, b float64) float64 {
	checkDF(a)
	checkDF(b)
	checkNumber(x)
	switch {
	case x <= 0:
		return 0
	case x >= 1:
		return 1
	}
	lower, _ := incompleteBeta(a, b, x, 1-x)
	return lower
}

// BetaQuantileUpper is the x with P(X > x) = p, 0 < p < 1.
func BetaQuantileUpper(p, a, b float64) float64 {
	checkProbability(p)
	// x = r/(1+r) with r the ratio of two gamma variables: r b/a follows F with 2a and 2b degrees of freedom.
	r := FQuantileUpper(p, 2*a, 2*b) * a / b
	if r > 1 {
		return 1 / (1 + 1/r)
	}
	return r / (1 + r)
}

// invert solves tail(x) = p for a continuous tail that falls from 1 at lo to 0, by bisection and the secant in
// log(tail) (the Illinois form of regula falsi) between a bracket that begins with width w and is doubled.
func invert(tail func(float64) float64, p, lo, w float64) float64 {
	f := func(x float64) float64 {
		t := tail(x)
		if t <= 0 {
			return -1e3
		}
		return math.Log(t / p)
	}
	a, fa := lo, f(lo)
	b := lo + w
	fb := f(b)
	for fb > 0 && b < 1e300 {
		a, fa = b, fb
		b = lo + (b-lo)*2
		fb = f(b)
	}
	// Towards lo, where the tail may leave 1 as a power of x, halving keeps the relative accuracy.
	for a == lo && b-lo > 1e-300 {
		m := lo + (b-lo)/2
		if fm := f(m); fm > 0 {
			a, fa = m, fm
		} else {
			b, fb = m, fm
		}
	}
	side := 0
	for i := 0; i < 200 && fa != 0; i++ {
		x := (a*fb - b*fa) / (fb - fa)
		if !(x > a && x < b) || i%8 == 7 {
			x = a + (b-a)/2
		}
		if b-a <= 4e-16*math.Abs(x) || x == a || x == b {
			return x
		}
		fx := f(x)
		switch {
		case fx == 0:
			return x
		case fx > 0:
			if math.Abs(x-a) <= 1e-16*math.Abs(x) {
				return x
			}
			a, fa = x, fx
			if side == 1 {
				fb /= 2
			}
			side = 1
		default:
			b, fb = x, fx
			if side == -1 {
				fa /= 2
			}
			side = -1
		}
	}
	return a + (b-a)/2
}

func checkProbability(p float64) {
	if !(p > 0 && p < 1) {
		panic(fmt.Sprintf("dist: probability %g is not between 0 and 1", p))
	}
}

func checkDF(df float64) {
	if !(df > 0) || math.IsInf(df, 1) {
		panic(fmt.Sprintf("dist: degrees of freedom or shape %g is not above 0 and finite", df))
	}
}

func checkNumber(x float64) {
	if math.IsNaN(x) {
		panic("dist: argument is NaN")
	}
}
