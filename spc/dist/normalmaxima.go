package dist

import (
	"fmt"
	"math"
)

// BonferroniLevel is the level alpha/m of each of m tests that together raise a false alarm with probability at most
// alpha, whatever their dependence.
func BonferroniLevel(alpha float64, m int) float64 {
	checkProbability(alpha)
	checkMany(m)
	return alpha / float64(m)
}

// SidakLevel is the level 1 - (1-alpha)^(1/m) of each of m independent tests that together raise a false alarm with
// probability alpha; for two-sided tests on any normal variables with probability at most alpha.
//
// Source: Z. Sidak, Journal of the American Statistical Association 62 (1967), 626-633.
func SidakLevel(alpha float64, m int) float64 {
	checkProbability(alpha)
	checkMany(m)
	return -math.Expm1(math.Log1p(-alpha) / float64(m))
}

// NormalMaximumTail is P(max X_i > u) for m standard normal variables with equal correlations rho, 0 <= rho <= 1:
//
//	integral phi(z) [1 - Phi((u - sqrt(rho) z)/sqrt(1-rho))^m] dz
//
// with its relative accuracy kept in the tail. For correlations -1/(m-1) see MaxDeviation.
//
// Source: C. W. Dunnett and M. Sobel, Biometrika 42 (1955), 258-260.
func NormalMaximumTail(u float64, m int, rho float64) float64 {
	return normalMaximum(u, m, rho, 1)
}

// NormalMaximumAbsTail is P(max |X_i| > u) for the same variables.
func NormalMaximumAbsTail(u float64, m int, rho float64) float64 {
	if u <= 0 {
		return 1
	}
	return normalMaximum(u, m, rho, 2)
}

// NormalMaximumQuantileUpper is the u with P(max X_i > u) = p, 0 < p < 1.
func NormalMaximumQuantileUpper(p float64, m int, rho float64) float64 {
	checkProbability(p)
	checkMany(m)
	// Between the quantile of a single one and Bonferroni's.
	return fallingRoot(func(u float64) float64 { return NormalMaximumTail(u, m, rho) }, p,
		NormalQuantileUpper(p)-1e-3, NormalQuantileUpper(p/float64(m))+1e-3)
}

// NormalMaximumAbsQuantileUpper is the u with P(max |X_i| > u) = p, 0 < p < 1.
func NormalMaximumAbsQuantileUpper(p float64, m int, rho float64) float64 {
	checkProbability(p)
	checkMany(m)
	return fallingRoot(func(u float64) float64 { return NormalMaximumAbsTail(u, m, rho) }, p,
		math.Max(0, NormalQuantileUpper(p/2)-1e-3), NormalQuantileUpper(p/2/float64(m))+1e-3)
}

// fallingRoot solves tail(x) = p between lo and hi, which enclose the solution.
func fallingRoot(tail func(float64) float64, p, lo, hi float64) float64 {
	x, err := Root(func(u float64) float64 { return math.Log(tail(u) / p) }, lo, hi)
	if err != nil {
		panic(fmt.Sprintf("dist: no quantile at %g: %v", p, err)) // the bounds are theorems
	}
	return x
}

func normalMaximum(u float64, m int, rho float64, sides int) float64 {
	checkNumber(u)
	checkMany(m)
	if !(rho >= 0 && rho <= 1) {
		panic(fmt.Sprintf("dist: equal correlations %g are not between 0 and 1", rho))
	}
	if math.IsInf(u, 0) {
		if u > 0 {
			return 0
		}
		return 1
	}
	// any is 1 - (1-q)^m.
	any := func(q float64) float64 { return -math.Expm1(float64(m) * math.Log1p(-math.Min(q, 1))) }
	switch rho {
	case 0:
		return any(float64(sides) * NormalTail(u))
	case 1:
		return float64(sides) * NormalTail(u)
	}
	a, b := math.Sqrt(rho), math.Sqrt(1-rho)
	turn, width := u/a, b/a // where the inner probability passes from 0 to 1
	points := breaks(-39, 39, -turn-8*width, -turn, -turn+8*width, turn-8*width, turn, turn+8*width)
	return math.Min(1, integrate(func(z float64) float64 {
		q := NormalTail((u - a*z) / b)
		if sides == 2 {
			q += NormalTail((u + a*z) / b)
		}
		return NormalPDF(z) * any(q)
	}, points...))
}

func checkMany(m int) {
	if m < 1 {
		panic(fmt.Sprintf("dist: the greatest of %d variables", m))
	}
}
