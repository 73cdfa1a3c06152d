package dist

import (
	"fmt"
	"math"

	"sagwatch/spc/refusal"
)

// BinomialCDF is P(X <= k) of n trials with probability p each, 0 <= p <= 1: I_(1-p)(n-k, k+1).
//
// Source: Abramowitz and Stegun (1964), 26.5.24.
func BinomialCDF(k, n int, p float64) float64 {
	lower, _ := binomial(k, n, p)
	return lower
}

// BinomialTail is P(X > k), exact in the upper tail.
func BinomialTail(k, n int, p float64) float64 {
	_, upper := binomial(k, n, p)
	return upper
}

func binomial(k, n int, p float64) (lower, upper float64) {
	if n < 0 || !(p >= 0 && p <= 1) {
		panic(fmt.Sprintf("dist: binomial distribution of %d trials with probability %g", n, p))
	}
	switch {
	case k < 0:
		return 0, 1
	case k >= n:
		return 1, 0
	}
	upper, lower = incompleteBeta(float64(k)+1, float64(n-k), p, 1-p)
	return lower, upper
}

// BinomialQuantile is the least k with P(X <= k) >= q, 0 < q < 1.
func BinomialQuantile(q float64, n int, p float64) int {
	checkProbability(q)
	return leastCount(n, func(k int) bool { return BinomialCDF(k, n, p) >= q })
}

// BinomialQuantileUpper is the least k with P(X > k) <= q, 0 < q < 1: counts above k are beyond an upper limit whose
// false-alarm probability is at most q.
func BinomialQuantileUpper(q float64, n int, p float64) int {
	checkProbability(q)
	return leastCount(n, func(k int) bool { return BinomialTail(k, n, p) <= q })
}

// PoissonCDF is P(X <= k) of a Poisson variable, mean >= 0: Q(k+1, mean).
//
// Source: Abramowitz and Stegun (1964), 26.4.21.
func PoissonCDF(k int, mean float64) float64 {
	lower, _ := poisson(k, mean)
	return lower
}

// PoissonTail is P(X > k), exact in the upper tail.
func PoissonTail(k int, mean float64) float64 {
	_, upper := poisson(k, mean)
	return upper
}

func poisson(k int, mean float64) (lower, upper float64) {
	if !(mean >= 0) || math.IsInf(mean, 1) {
		panic(fmt.Sprintf("dist: Poisson distribution of mean %g", mean))
	}
	switch {
	case k < 0:
		return 0, 1
	case mean == 0:
		return 1, 0
	}
	upper, lower = incompleteGamma(float64(k)+1, mean)
	return lower, upper
}

// PoissonQuantile is the least k with P(X <= k) >= q, 0 < q < 1.
func PoissonQuantile(q, mean float64) int {
	checkProbability(q)
	return leastCount(-1, func(k int) bool { return PoissonCDF(k, mean) >= q })
}

// PoissonQuantileUpper is the least k with P(X > k) <= q, 0 < q < 1.
func PoissonQuantileUpper(q, mean float64) int {
	checkProbability(q)
	return leastCount(-1, func(k int) bool { return PoissonTail(k, mean) <= q })
}

// leastCount is the least k >= 0 for which the rising ok is true, at most top where that is not negative.
func leastCount(top int, ok func(k int) bool) int {
	lo, hi := -1, 1 // ok(lo) is false
	for (top < 0 || hi < top) && !ok(hi) {
		lo, hi = hi, 2*hi
	}
	if top >= 0 {
		hi = min(hi, top)
	}
	for hi-lo > 1 {
		if m := lo + (hi-lo)/2; ok(m) {
			hi = m
		} else {
			lo = m
		}
	}
	return hi
}

// ClopperPearson are the exact confidence limits of a proportion from x of n, each missed with probability at most alpha
// (for a two-sided interval of confidence C pass (1-C)/2): the p with P(X >= x | p) = alpha and with P(X <= x | p) = alpha.
// Refused are negative counts, x above n, n = 0 and alpha outside (0, 1).
//
// Source: C. J. Clopper and E. S. Pearson, Biometrika 26 (1934), 404-413.
func ClopperPearson(x, n int, alpha float64) (lower, upper float64, err error) {
	switch {
	case n < 1:
		return 0, 0, refusal.Few("items", n, 1)
	case x < 0:
		return 0, 0, refusal.NotNegative("counts", []int{x})
	case x > n:
		return 0, 0, refusal.Shapes("%d of %d items", x, n)
	case !(alpha > 0 && alpha < 1):
		return 0, 0, refusal.Setting("alpha", alpha, "must lie between 0 and 1")
	}
	lower, upper = 0, 1
	if x > 0 {
		// P(B > y) = alpha for y = 1 - lower.
		r := FQuantileUpper(alpha, 2*float64(n-x+1), 2*float64(x)) * float64(n-x+1) / float64(x)
		lower = 1 / (1 + r)
	}
	if x < n {
		upper = BetaQuantileUpper(alpha, float64(x)+1, float64(n-x))
	}
	return lower, upper, nil
}

// PoissonLimits are the exact confidence limits of the mean from one count x, each missed with probability at most alpha:
// half the chi-square quantiles at alpha with 2x and at 1 - alpha with 2x + 2 degrees of freedom; the lower one is 0 for none:
//
//	lower = chi2(alpha; 2x) / 2,  upper = chi2(1 - alpha; 2x + 2) / 2
//
// It refuses a negative count and alpha outside (0, 1).
//
// Source: F. Garwood, Biometrika 28 (1936), 437-442.
func PoissonLimits(x int, alpha float64) (lower, upper float64, err error) {
	if err := refusal.NotNegative("counts", []int{x}); err != nil {
		return 0, 0, err
	}
	if !(alpha > 0 && alpha < 1) {
		return 0, 0, refusal.Setting("alpha", alpha, "must lie between 0 and 1")
	}
	if x > 0 {
		lower = ChiSquareQuantile(alpha, 2*float64(x)) / 2
	}
	return lower, ChiSquareQuantileUpper(alpha, 2*float64(x)+2) / 2, nil
}
