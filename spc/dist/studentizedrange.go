package dist

import "math"

// StudentizedRangeTail is P(Q > q) of the studentised range Q = R/S: the range of n independent normal values over an
// independent standard deviation with df degrees of freedom,
//
//	P(Q > q) = integral_0^inf P(R > q s) f_S(s) ds,  df S^2 chi-square
//
// with RangeTail inside: the tail keeps its relative accuracy. Infinite df is the range itself.
//
// Source: H. L. Harter, "Tables of range and studentized range", Annals of Mathematical Statistics 31 (1960), 1122-1147.
func StudentizedRangeTail(q float64, n int, df float64) float64 {
	checkSample(n)
	checkNumber(q)
	switch {
	case q <= 0:
		return 1
	case math.IsInf(df, 1):
		return RangeTail(q, n)
	}
	checkDF(df)
	return mixChi(df, func(s float64) float64 { return RangeTail(q*s, n) })
}

// StudentizedRangeCDF is P(Q <= q) (see StudentizedRangeTail), exact for small q.
func StudentizedRangeCDF(q float64, n int, df float64) float64 {
	checkSample(n)
	checkNumber(q)
	switch {
	case q <= 0:
		return 0
	case math.IsInf(df, 1):
		return RangeCDF(q, n)
	}
	checkDF(df)
	return mixChi(df, func(s float64) float64 { return RangeCDF(q*s, n) })
}

// StudentizedRangeQuantileUpper is the q with P(Q > q) = p, 0 < p < 1: the critical value of all pairwise comparisons of
// n means at the level p.
func StudentizedRangeQuantileUpper(p float64, n int, df float64) float64 {
	checkProbability(p)
	checkSample(n)
	return invert(func(q float64) float64 { return StudentizedRangeTail(q, n, df) }, p, 0, 4)
}

// mixChi is the mean of g(S) over S = sqrt(chi-square/df), for g between 0 and 1 and smooth in log s. The trapezoidal
// rule in u = log s, whose error falls faster than any power of the step for such an integrand, halved until it agrees to
// 1e-13.
func mixChi(df float64, g func(s float64) float64) float64 {
	front := chiConstant(df)
	f := func(u float64) float64 {
		e := df*chiLog(u) + front
		if e < -740 {
			return 0
		}
		return math.Exp(e) * g(math.Exp(u))
	}
	// The greatest value: the density's is at u = 0, g may pull it to either side. Golden section on a unimodal function,
	// beyond which both factors have fallen below 1e-300.
	reach := math.Max(1, 700/df)
	if df > 100 {
		reach = math.Sqrt(800 / df)
	}
	lo, hi := -math.Min(reach, 700), math.Min(reach, 4)
	const golden = 0.61803398874989485
	a, b := hi-golden*(hi-lo), lo+golden*(hi-lo)
	fa, fb := f(a), f(b)
	for range 16 {
		if fa < fb || fa == 0 && fb == 0 && a < 0 {
			lo, a, fa = a, b, fb
			b = lo + golden*(hi-lo)
			fb = f(b)
		} else {
			hi, b, fb = b, a, fa
			a = hi - golden*(hi-lo)
			fa = f(a)
		}
	}
	top := (lo + hi) / 2
	most := f(top)
	if most == 0 {
		return 0
	}
	h := 0.7 / math.Sqrt(df+1)
	sum := func(first, step float64) float64 {
		var s Accumulator
		for u := top + first; ; u += step {
			v := f(u)
			s.Add(v)
			if v < 1e-17*most {
				break
			}
		}
		for u := top + first - step; ; u -= step {
			v := f(u)
			s.Add(v)
			if v < 1e-17*most {
				break
			}
		}
		return s.Sum()
	}
	whole := sum(0, h)
	last := whole * h
	for range 8 {
		whole += sum(h/2, h)
		h /= 2
		v := whole * h
		if math.Abs(v-last) <= 1e-13*v {
			return math.Min(1, v)
		}
		last = v
	}
	return math.Min(1, last)
}
