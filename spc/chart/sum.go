package chart

import "math"

// sum adds with the error carried along (Neumaier 1974), so that the result does not depend noticeably on the size of
// the numbers before it.
type sum struct{ s, c float64 }

func (a *sum) add(x float64) {
	t := a.s + x
	if math.Abs(a.s) >= math.Abs(x) {
		a.c += (a.s - t) + x
	} else {
		a.c += (x - t) + a.s
	}
	a.s = t
}

func (a *sum) value() float64 { return a.s + a.c }

// moments gives the mean and the standard deviation with denominator n-1 (0 for one value) in two passes. The second
// pass also corrects the mean for its own rounding (Chan, Golub and LeVeque 1983).
func moments(x []float64) (mean, sd float64) {
	n := float64(len(x))
	if n == 0 {
		return 0, 0
	}
	var s sum
	for _, v := range x {
		s.add(v)
	}
	mean = s.value() / n
	var d, dd sum
	for _, v := range x {
		d.add(v - mean)
		dd.add((v - mean) * (v - mean))
	}
	if n == 1 {
		return mean, 0
	}
	ss := dd.value() - d.value()*d.value()/n
	return mean, math.Sqrt(max(ss, 0) / (n - 1))
}
