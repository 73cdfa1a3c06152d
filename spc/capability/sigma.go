package capability

import (
	"math"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// Sigma is an estimate of the standard deviation within, or over all, in the characteristic's unit.
type Sigma struct {
	SD       float64
	DF       float64 // degrees of freedom that its confidence limits rest on
	N        int     // values
	Method   string
	Warnings []refusal.Warning
}

// Group is the moments of one rational subgroup: the panels of a cycle, or of a shift.
type Group struct {
	N        int
	Mean, SS float64 // SS: sum of squared deviations from the mean
}

// Pooled is the standard deviation inside groups,
//
//	sd^2 = sum SS / sum (n - 1)
//
// with sum (n - 1) degrees of freedom, exact for normal values of one sigma. It refuses groups that are not finite, negative
// sums, none with two values, and no variation.
//
// Source: ISO 22514-2; ASTM E2587.
func Pooled(groups []Group) (Sigma, error) {
	var ss dist.Accumulator
	df, n := 0, 0
	for i, g := range groups {
		if !(g.SS >= 0 && g.SS <= 1e300) || g.N < 0 {
			return Sigma{}, &refusal.Error{Reason: refusal.NonFinite, What: "groups", Index: i, Value: g.SS, N: len(groups)}
		}
		if g.N > 1 {
			df += g.N - 1
			ss.Add(g.SS)
		}
		n += g.N
	}
	if df == 0 {
		return Sigma{}, refusal.Few("values in one group", min(n, 1), 2)
	}
	if !(ss.Sum() > 0) {
		return Sigma{}, refusal.Constant("values inside the groups", n)
	}
	s := Sigma{SD: math.Sqrt(ss.Sum() / float64(df)), DF: float64(df), N: n, Method: "pooled standard deviation inside groups"}
	if len(groups) < 25 {
		s.Warnings = append(s.Warnings, refusal.Small("groups", len(groups), 25)) // common practice, no source
	}
	return s, nil
}

// Overall is the standard deviation of all values of the groups about their common mean, denominator n - 1. It refuses as Pooled.
func Overall(groups []Group) (mean float64, s Sigma, err error) {
	var sum, ss dist.Accumulator
	n := 0
	for i, g := range groups {
		if !(g.SS >= 0 && g.SS <= 1e300) || !(math.Abs(g.Mean) <= 1e150) || g.N < 0 {
			return 0, Sigma{}, &refusal.Error{Reason: refusal.NonFinite, What: "groups", Index: i, Value: g.Mean, N: len(groups)}
		}
		n += g.N
		sum.Add(float64(g.N) * g.Mean)
	}
	if n < 2 {
		return 0, Sigma{}, refusal.Few("values", n, 2)
	}
	mean = sum.Sum() / float64(n)
	for _, g := range groups {
		ss.Add(g.SS)
		ss.Add(float64(g.N) * (g.Mean - mean) * (g.Mean - mean))
	}
	if !(ss.Sum() > 0) {
		return 0, Sigma{}, refusal.Constant("values", n)
	}
	return mean, Sigma{SD: math.Sqrt(ss.Sum() / float64(n-1)), DF: float64(n - 1), N: n, Method: "standard deviation of all values"}, nil
}

// MovingRange is the mean moving range of values in order over d2 = 2/sqrt(pi). Its degrees of freedom are those of a chi
// variable of the same coefficient of variation,
//
//	var(MR / d2) / sigma^2 = [(pi/2 - 1)(m-1) + 2 (m-2) c] / (m-1)^2,  c = sqrt(3)/2 + pi/12 - 1
//
// It refuses fewer than three values, values that are not finite and no variation.
//
// Source: ISO 7870-2; P. B. Patnaik, Biometrika 37 (1950), 78-87, for the degrees of freedom.
func MovingRange(x []float64) (Sigma, error) {
	m := len(x)
	if m < 3 {
		return Sigma{}, refusal.Few("values", m, 3)
	}
	if err := refusal.Finite("values", x); err != nil {
		return Sigma{}, err
	}
	var sum dist.Accumulator
	for i := 1; i < m; i++ {
		sum.Add(math.Abs(x[i] - x[i-1]))
	}
	if !(sum.Sum() > 0) {
		return Sigma{}, refusal.Constant("values", m)
	}
	k := float64(m - 1)
	c := math.Sqrt(3)/2 + math.Pi/12 - 1
	s := Sigma{SD: sum.Sum() / k * math.Sqrt(math.Pi) / 2, DF: dist.ChiDF(((math.Pi/2-1)*k + 2*(k-1)*c) / (k * k)), N: m, Method: "mean moving range / d2"}
	if m < 100 {
		s.Warnings = append(s.Warnings, refusal.Small("values", m, 100)) // common practice, no source
	}
	return s, nil
}

// RangeMean is the mean range of groups of n values over d2(n), degrees of freedom as MovingRange from the range's own variance.
// It refuses as MovingRange, n below 2 or above 100.
//
// Source: ISO 7870-2; Patnaik 1950.
func RangeMean(ranges []float64, n int) (Sigma, error) {
	if n < 2 || n > 100 {
		return Sigma{}, refusal.Setting("the group size", float64(n), "must be 2 to 100")
	}
	if len(ranges) == 0 {
		return Sigma{}, refusal.Few("groups", 0, 1)
	}
	if err := refusal.Finite("ranges", ranges); err != nil {
		return Sigma{}, err
	}
	for i, r := range ranges {
		if r < 0 {
			return Sigma{}, &refusal.Error{Reason: refusal.Negative, What: "ranges", Index: i, Value: r, N: len(ranges)}
		}
	}
	mean := dist.Sum(ranges) / float64(len(ranges))
	if !(mean > 0) {
		return Sigma{}, refusal.Constant("values inside the groups", n*len(ranges))
	}
	d2, d3 := dist.RangeMoments(n)
	s := Sigma{SD: mean / d2, DF: dist.ChiDF(d3 / d2 * d3 / d2 / float64(len(ranges))), N: n * len(ranges), Method: "mean range / d2"}
	if len(ranges) < 25 {
		s.Warnings = append(s.Warnings, refusal.Small("groups", len(ranges), 25)) // common practice, no source
	}
	return s, nil
}
