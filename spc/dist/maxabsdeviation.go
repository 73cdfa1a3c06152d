package dist

import (
	"fmt"
	"math"
	"math/cmplx"
	"sync"
)

// MaxAbsDeviationTail is P(U > u) for the greatest absolute deviation of m values from their own mean,
//
//	U = max_i |x_i - mean(x)| / sigma,
//
// of independent normal values with known sigma, m >= 2: the two-sided companion of MaxDeviation. Given that they sum to
// zero, independent standard normal values are distributed as the deviations, so that, by inversion of the characteristic
// function of the sum of values cut off at +-u,
//
//	P(U <= u) = sqrt(m/(2 pi)) integral psi(t)^m dt,  psi(t) = integral_-u^u phi(y) cos(ty) dy.
//
// The sum is bounded, so that the trapezoidal rule is exact for a step below 2 pi/(m u); the leading term of the tail,
// 2 m Q(u sqrt(m/(m-1))), is split off, so that small tails keep a relative accuracy near 1e-12. Closed forms for two
// (erfc u) and three values.
//
// Source: M. Halperin, S. W. Greenhouse, J. Cornfield, J. Zalokar, "Tables of percentage points for the studentized
// maximum absolute deviate in normal samples", Journal of the American Statistical Association 50 (1955), 185-195, for the
// statistic; the inversion follows from the definition.
func MaxAbsDeviationTail(u float64, m int) float64 {
	checkNumber(u)
	if m < 2 {
		panic(fmt.Sprintf("dist: greatest deviation of %d values, at least 2 are needed", m))
	}
	if u <= 0 {
		return 1
	}
	if u > 38 {
		return 0
	}
	n := float64(m)
	switch m {
	case 2:
		return math.Erfc(u)
	case 3:
		// A round normal cloud in the plane outside a regular hexagon of inradius u sqrt(3/2).
		return math.Min(1, 6/math.Pi*integrate(func(a float64) float64 {
			c := math.Cos(a)
			return math.Exp(-0.75 * u * u / (c * c))
		}, 0, math.Pi/6))
	}
	first := 2 * n * NormalTail(u*math.Sqrt(n/(n-1)))
	h := 2 * math.Pi / (n*u + 9*math.Sqrt(n))
	amplitude := 2 * NormalPDF(u)
	var a Accumulator
	for i := 0; ; i++ {
		t := float64(i) * h
		v := beyondFirst(t, u, n)
		if i == 0 {
			v /= 2
		}
		a.Add(v)
		// Past the bells the sum cut off falls as (2 phi(u)/t)^m.
		if t*t*(n-1) > 90 && math.Pow(amplitude/t, n)*t < 1e-14*first {
			break
		}
	}
	tail := first - 2*h*math.Sqrt(n/(2*math.Pi))*a.Sum()
	return math.Max(0, math.Min(1, tail))
}

// beyondFirst is psi^m - e^m + m e^(m-1) delta for psi = e - delta, e = exp(-t^2/2), delta the transform of what is cut
// off.
func beyondFirst(t, u, m float64) float64 {
	e := math.Exp(-0.5 * t * t)
	// Both tails beyond u: 2 Re integral_u^inf phi(y) e^(ity) dy = 2 phi(u) Re[e^(itu) sqrt(pi/2) w((t + iu)/sqrt 2)].
	sin, cos := math.Sincos(t * u)
	w := faddeeva(complex(t/math.Sqrt2, u/math.Sqrt2))
	delta := 2 * NormalPDF(u) * math.Sqrt(math.Pi/2) * (cos*real(w) - sin*imag(w))
	x := delta / e
	if math.Abs(x)*m > 0.1 || e == 0 {
		lead := 0.0
		if e > 0 {
			lead = m*math.Pow(e, m-1)*delta - math.Pow(e, m)
		}
		psi := e - delta
		p := math.Pow(math.Abs(psi), m)
		if psi < 0 && math.Mod(m, 2) == 1 {
			p = -p
		}
		return p + lead
	}
	// e^m sum_(k>=2) C(m,k) (-x)^k
	c, s := -m*x, 0.0
	for k := 2.0; k <= m; k++ {
		c *= -x * (m - k + 1) / k
		s += c
		if math.Abs(c) < 1e-18*math.Abs(s) {
			break
		}
	}
	return math.Pow(e, m) * s
}

// MaxAbsDeviationQuantileUpper is the u with P(U > u) = p, 0 < p < 1; p must not be below 1e-200.
func MaxAbsDeviationQuantileUpper(p float64, m int) float64 {
	checkProbability(p)
	if p < 1e-200 {
		panic(fmt.Sprintf("dist: probability %g of the greatest deviation is below 1e-200", p))
	}
	return invert(func(u float64) float64 { return MaxAbsDeviationTail(u, m) }, p, 0, 1)
}

const faddeevaTerms = 48

// faddeevaRule holds the scale and the polynomial of faddeeva.
var faddeevaRule = sync.OnceValue(func() *[faddeevaTerms]float64 {
	var c [faddeevaTerms]float64
	const m = 2 * faddeevaTerms
	for n := range c {
		var a Accumulator
		for k := -m + 1; k < m; k++ {
			theta := float64(k) * math.Pi / m
			t := faddeevaScale * math.Tan(theta/2)
			a.Add(math.Exp(-t*t) * (faddeevaScale*faddeevaScale + t*t) * math.Cos(float64(n+1)*theta))
		}
		c[n] = a.Sum() / (2 * m)
	}
	return &c
})

// faddeevaScale is sqrt(terms/sqrt 2).
var faddeevaScale = math.Sqrt(faddeevaTerms / math.Sqrt2)

// faddeeva is w(z) = e^(-z^2) erfc(-iz) for Im z > 0, to about 1e-13 relative.
//
// Source: J. A. C. Weideman, "Computation of the complex error function", SIAM Journal on Numerical Analysis 31 (1994),
// 1497-1518, table 1.
func faddeeva(z complex128) complex128 {
	if cmplx.Abs(z) > 1e4 { // i/(sqrt(pi) z) (1 + 1/(2 z^2))
		return complex(0, 1/math.Sqrt(math.Pi)) / z * (1 + 1/(2*z*z))
	}
	c := faddeevaRule()
	iz := complex(-imag(z), real(z))
	l := complex(faddeevaScale, 0)
	d := l - iz
	q := (l + iz) / d
	var p complex128
	for n := faddeevaTerms - 1; n >= 0; n-- {
		p = p*q + complex(c[n], 0)
	}
	return 2*p/(d*d) + complex(1/math.Sqrt(math.Pi), 0)/d
}
