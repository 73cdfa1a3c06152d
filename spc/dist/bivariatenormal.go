package dist

import (
	"fmt"
	"math"
)

// BivariateNormalUpper is P(X > h and Y > k) for standard normal X and Y with correlation rho, -1 <= rho <= 1. h and k may
// be infinite.
func BivariateNormalUpper(h, k, rho float64) float64 {
	return BivariateNormalRectangle(h, math.Inf(1), k, math.Inf(1), rho)
}

// BivariateNormalRectangle is P(a < X < b and c < Y < d) for standard normal X and Y with correlation rho, -1 <= rho <= 1:
//
//	integral_a^b phi(x) [Phi((d - rho x)/sqrt(1-rho^2)) - Phi((c - rho x)/sqrt(1-rho^2))] dx
//
// with a positive integrand, so that small probabilities keep their relative accuracy. Bounds may be infinite; an empty
// rectangle has probability 0. Global consumer's and producer's risk are such probabilities of a true and a measured
// value.
//
// Source: A. Genz, "Numerical computation of rectangular bivariate and trivariate normal and t probabilities", Statistics
// and Computing 14 (2004), 251-260, section 2; use in conformity assessment: JCGM 106:2012, 9.5.
func BivariateNormalRectangle(a, b, c, d, rho float64) float64 {
	for _, v := range [...]float64{a, b, c, d} {
		checkNumber(v)
	}
	if !(rho >= -1 && rho <= 1) {
		panic(fmt.Sprintf("dist: correlation %g is not between -1 and 1", rho))
	}
	if rho < 0 { // Y to -Y
		c, d, rho = -d, -c, -rho
	}
	if rho == 1 {
		a, b = math.Max(a, c), math.Min(b, d)
		if a >= b {
			return 0
		}
		return normalInterval(a, b)
	}
	if a >= b || c >= d {
		return 0
	}
	if rho == 0 {
		return normalInterval(a, b) * normalInterval(c, d)
	}
	s := math.Sqrt((1 - rho) * (1 + rho))
	lo, hi := math.Max(a, -39), math.Min(b, 39)
	if lo >= hi {
		return 0
	}
	// Through the bell, and where the inner probability turns.
	points := breaks(lo, hi, c/rho-8*s/rho, c/rho, c/rho+8*s/rho, d/rho-8*s/rho, d/rho, d/rho+8*s/rho)
	return math.Min(1, integrate(func(x float64) float64 {
		return NormalPDF(x) * normalInterval((c-rho*x)/s, (d-rho*x)/s)
	}, points...))
}

// normalInterval is P(a < Z < b), a < b, from the tails on the nearer side.
func normalInterval(a, b float64) float64 {
	switch {
	case a > 0:
		if b-a < 0.02 {
			return normalBetween(a, b-a)
		}
		return NormalTail(a) - NormalTail(b)
	case b < 0:
		return normalInterval(-b, -a)
	case b-a < 0.02:
		return normalBetween(a, b-a)
	}
	return (math.Erf(b/math.Sqrt2) - math.Erf(a/math.Sqrt2)) / 2
}
