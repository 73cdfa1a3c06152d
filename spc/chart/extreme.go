package chart

import (
	"math"

	"gonum.org/v1/gonum/integrate/quad"

	"sagwatch/spc/dist"
)

// farthestTail is P(max |x_i - mean(x)| > u) for m >= 3 independent standard normal values.
//
// Deviations from their own mean are distributed as m independent normal values given that their sum is 0, so that with g(x)
// = phi(x) for |x| <= u, else 0,
//
//	P(max <= u) = sqrt(2 pi m) g*...*g(0),  the m-fold convolution at 0
//
// Up to five it is integrated as it stands, from g*g in closed form; beyond, where the transform G(t) = integral_-u^u phi(x)
// cos(t x) dx falls fast enough to the power m, by
//
//	g*...*g(0) = 1/L sum_k G(2 pi k / L)^m
//
// which over the period L = 10 sqrt(m) is exact up to the convolution at L, below exp(-50). The error is near 1e-13, so that
// tails down to 1e-8 are of use.
func farthestTail(u float64, m int) float64 {
	n := float64(m)
	var at0 float64
	switch m {
	case 3:
		at0 = 2 * legendre(0, u, func(x float64) float64 { return dist.NormalPDF(x) * pairDensity(x, u) })
	case 4:
		at0 = 2 * legendre(0, 2*u, func(x float64) float64 { return math.Pow(pairDensity(x, u), 2) })
	case 5:
		at0 = 2 * legendre(0, u, func(x float64) float64 {
			var four float64 // g*g*g*g(x), from one kink of g*g to the next
			for _, b := range [][2]float64{{x - 2*u, 0}, {0, x}, {x, 2 * u}} {
				four += legendre(b[0], b[1], func(y float64) float64 { return pairDensity(y, u) * pairDensity(x-y, u) })
			}
			return dist.NormalPDF(x) * four
		})
	default:
		at0 = bySeries(u, n)
	}
	return 1 - math.Sqrt(2*math.Pi*n)*at0
}

// bySeries is the m-fold convolution of g at 0 by its Fourier series.
func bySeries(u, m float64) float64 {
	period := 10 * math.Sqrt(m)
	var s dist.Accumulator
	s.Add(math.Pow(transform(u, 0), m))
	for k := 1; ; k++ {
		t := 2 * math.Pi * float64(k) / period
		s.Add(2 * math.Pow(transform(u, t), m))
		// |G(t)| <= exp(-t^2/2) + 4 phi(u) / t, and the terms beyond fall at least as t^-m.
		bound := math.Exp(-t*t/2) + 4*dist.NormalPDF(u)/t
		if t > 1 && math.Pow(bound, m)*float64(k)/(m-1) < 1e-14 {
			return s.Sum() / period
		}
	}
}

// pairDensity is the density of the sum of two values that both lie within u,
//
//	g*g(s) = phi(s / sqrt 2) / sqrt 2 P(|x - s/2| <= u - s/2),  x normal with mean s/2 and variance 1/2, s >= 0
func pairDensity(s, u float64) float64 {
	s = math.Abs(s)
	if s >= 2*u {
		return 0
	}
	return dist.NormalPDF(s/math.Sqrt2) / math.Sqrt2 * (1 - 2*dist.NormalTail((u-s/2)*math.Sqrt2))
}

// legendre is the integral of a smooth f over (a, b).
func legendre(a, b float64, f func(float64) float64) float64 {
	return quad.Fixed(f, a, b, 40, quad.Legendre{}, 0)
}

// transform is the integral of phi(x) cos(t x) over (-u, u), by Gauss-Legendre panels of at most a few oscillations.
func transform(u, t float64) float64 {
	const nodes = 20
	var x, weight [nodes]float64
	quad.Legendre{}.FixedLocations(x[:], weight[:], 0, 1)
	panels := 2 + int(u*t/15)
	h := u / float64(panels)
	var s float64
	for p := range panels {
		for i := range x {
			v := (float64(p) + x[i]) * h
			s += weight[i] * math.Exp(-v*v/2) * math.Cos(t*v)
		}
	}
	return 2 * h * s / math.Sqrt(2*math.Pi)
}

// farthestQuantile is the u with P(max |x_i - mean(x)| > u) = p for m >= 2 values and 1e-8 <= p <= 1/2.
func farthestQuantile(p float64, m int) float64 {
	shrink := math.Sqrt(1 - 1/float64(m))
	if m == 2 { // both deviations are equal and opposite
		return shrink * dist.NormalQuantileUpper(p/2)
	}
	// Between the limit of one stream and Bonferroni's, with room for the error of small tails.
	lo, hi := (dist.NormalQuantileUpper(p/2)-0.01)*shrink, (dist.NormalQuantileUpper(p/2/float64(m))+0.01)*shrink
	u, err := dist.Root(func(u float64) float64 { return farthestTail(u, m) - p }, lo, hi)
	if err != nil {
		panic(err)
	}
	return u
}
