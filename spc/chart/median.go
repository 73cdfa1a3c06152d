package chart

import (
	"math"
	"slices"
	"sync"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/mathext"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// Median is the middle value of x, or the mean of the two middle ones. x is left as it is; it must not be empty.
func Median(x []float64) float64 {
	s := slices.Sorted(slices.Values(x))
	n := len(s)
	return s[(n-1)/2] + (s[n/2]-s[(n-1)/2])/2
}

// MedianTail is P(M > m) for the median M of n standard normal values, n at least 1, with relative accuracy in the tail.
// For odd n = 2k-1 the median is the k-th value in order,
//
//	P(M > m) = I_S(m)(k, k),  S = upper normal tail, I the regularised incomplete beta function
//
// and for even n = 2k, over the k-th value m - t,
//
//	P(M > m) = P(X_(k) > m) + n! / ((k-1)! k!) integral_0^inf F(m-t)^(k-1) S(m+t)^k phi(m-t) dt
//
// the remaining k all being above m + t. Relative errors are below 1e-10 for n up to 1000.
//
// Source: joint density of two order statistics (David and Nagaraja 2003, Order Statistics, 3rd ed., 2.1 to 2.3, from
// memory).
func MedianTail(m float64, n int) float64 {
	if n < 1 || math.IsNaN(m) {
		panic("chart: a median needs at least one value and a number")
	}
	if m < 0 {
		return 1 - MedianTail(-m, n)
	}
	upper := dist.NormalTail(m)
	if n%2 == 1 {
		k := float64(n+1) / 2
		return mathext.RegIncBeta(k, k, upper)
	}
	k := float64(n / 2)
	// P(at least k+1 of n above m): P(X_(k) > m).
	above := mathext.RegIncBeta(k+1, k, upper)
	if n == 2 {
		return dist.NormalTail(m * math.Sqrt2)
	}
	lg := func(x float64) float64 { v, _ := math.Lgamma(x); return v }
	front := lg(2*k+1) - lg(k) - lg(k+1)
	// F(m-t) and S(m+t) both fall; beyond this t the integrand is under 1e-20 of its start.
	const panels, nodes = 6, 20
	end := 10.0
	for end > 1e-3 && float64(n-1)*-math.Log(2*dist.NormalTail(end/2)) > 46 {
		end /= 2
	}
	x, weight := make([]float64, nodes), make([]float64, nodes)
	var s dist.Accumulator
	for p := range panels {
		quad.Legendre{}.FixedLocations(x, weight, float64(p)*end/panels, float64(p+1)*end/panels)
		for i, t := range x {
			s.Add(weight[i] * math.Exp(front+(k-1)*math.Log(dist.NormalCDF(m-t))+k*math.Log(dist.NormalTail(m+t))-(m-t)*(m-t)/2) / math.Sqrt(2*math.Pi))
		}
	}
	return above + s.Sum()
}

// MedianQuantileUpper is the m with P(M > m) = p, 0 < p < 1, for the median of n standard normal values, n at least 1; p must
// not be below 1e-300.
func MedianQuantileUpper(p float64, n int) float64 {
	if !(p > 0 && p < 1) {
		panic("chart: a quantile needs a probability inside (0, 1)")
	}
	if p > 0.5 {
		return -MedianQuantileUpper(1-p, n)
	}
	if p == 0.5 {
		return 0
	}
	// The median varies no more than one value does. A tail that is no double any more is far beyond p all the same.
	m, err := dist.Root(func(m float64) float64 { return math.Log(max(MedianTail(m, n), 1e-320) / p) }, 0, dist.NormalQuantileUpper(p)+0.1)
	if err != nil {
		panic(err)
	}
	return m
}

var medianSDs sync.Map // int -> float64

// MedianSD is the standard deviation of the median of n standard normal values, n at least 1, from
//
//	var = 4 integral_0^inf m P(M > m) dm
//
// worked out once for each n and kept; safe for concurrent use.
func MedianSD(n int) float64 {
	if v, ok := medianSDs.Load(n); ok {
		return v.(float64)
	}
	const panels, nodes = 6, 20
	end := min(10.0, 15/math.Sqrt(float64(n))) // 12 or more standard deviations of the median
	x, weight := make([]float64, nodes), make([]float64, nodes)
	var s dist.Accumulator
	for p := range panels {
		quad.Legendre{}.FixedLocations(x, weight, float64(p)*end/panels, float64(p+1)*end/panels)
		for i, m := range x {
			s.Add(4 * weight[i] * m * MedianTail(m, n))
		}
	}
	v := math.Sqrt(s.Sum())
	medianSDs.Store(n, v)
	return v
}

// MedianLimits are the limits of the median of n normal values with known centre and sigma of one value:
//
//	centre ± k sigma MedianSD(n)
//
// or, at probability p, centre ± sigma times the exact quantile of the median at p/2. It refuses n below 1, a centre or
// sigma that is not finite and a sigma that is not above 0.
//
// Source: ISO 7870-2 (from memory), whose factors are 3 MedianSD(n) / d2(n).
func MedianLimits(n int, centre, sigma float64, w Width) (Limits, error) {
	if n < 1 {
		return Limits{}, refusal.Few("values in a subgroup", n, 1)
	}
	l, err := GivenLimits(centre, sigma, w)
	if err != nil {
		return Limits{}, err
	}
	l.Sigma = sigma * MedianSD(n)
	d := w.multiple() * l.Sigma
	if w.Probability > 0 {
		d = sigma * MedianQuantileUpper(w.Probability/2, n)
	}
	l.Lower, l.Upper = centre-d, centre+d
	return l, nil
}

// MedianRange works out a median and range chart from a baseline of subgroups, in time order, of 2 or more values each, sizes
// may differ:
//
//	centre = sum g_j median_j / sum g_j,  g_j = 1 / MedianSD(n_j)^2
//	sigma  as for MeanRange
//
// which is the mean of the medians for equal sizes. Refusals, warnings (of the medians) and source as for MeanRange.
func MedianRange(subgroups [][]float64, w Width) (SubgroupResult, error) {
	r, err := pooledRanges(subgroups, w)
	if err != nil {
		return SubgroupResult{}, err
	}
	r.Kind = Medians
	var num, den dist.Accumulator
	medians := make([]float64, len(subgroups))
	for j, g := range subgroups {
		sd := MedianSD(len(g))
		medians[j] = Median(g)
		num.Add(medians[j] / (sd * sd))
		den.Add(1 / (sd * sd))
	}
	r.Centre = num.Sum() / den.Sum()
	r.neighbours(medians, "subgroup medians")
	return r, nil
}
