// Package dist holds what the other computing packages share: distributions with tails that keep their relative
// accuracy, constants of samples from a normal distribution, maxima of normal variables, exact limits of proportions and
// counts, compensated sums, one-way analysis of variance, linear least squares by QR, nonlinear least squares and roots.
//
// Upper-tail probabilities and quantiles take and give the tail itself, never one minus it. Distributions are functions
// of parameters: arguments outside their domain (NaN, a probability outside (0, 1), degrees of freedom not above zero) are
// a programmer's mistake and panic. What takes data (NewOneWay, LeastSquares, ClopperPearson, PoissonLimits, Root) refuses
// with a *refusal.Error instead.
package dist

import "math"

// Sum adds values by Neumaier's form of compensated summation: the error is one rounding of the result plus N^2
// epsilon^2 sum|x|, epsilon = 2^-53.
//
// Source: A. Neumaier, "Rundungsfehleranalyse einiger Verfahren zur Summation endlicher Summen", ZAMM 54 (1974),
// 39-51, algorithm IV.
func Sum(x []float64) float64 {
	var a Accumulator
	for _, v := range x {
		a.Add(v)
	}
	return a.Sum()
}

// Accumulator is a running compensated sum; its zero value is an empty sum.
type Accumulator struct{ sum, lost float64 }

// Add adds v.
func (a *Accumulator) Add(v float64) {
	t := a.sum + v
	if math.Abs(a.sum) >= math.Abs(v) {
		a.lost += (a.sum - t) + v
	} else {
		a.lost += (v - t) + a.sum
	}
	a.sum = t
}

// Sum is the sum so far.
func (a *Accumulator) Sum() float64 { return a.sum + a.lost }

// MeanSD is the arithmetic mean and the standard deviation with denominator n-1 (0 for one value), in two passes:
//
//	mean = c + sum(x - c)/n,   s^2 = [sum (x - mean)^2 - (sum (x - mean))^2 / n] / (n-1)
//
// It panics for no values.
//
// Source: T. F. Chan, G. H. Golub, R. J. LeVeque, "Algorithms for computing the sample variance", The American
// Statistician 37 (1983), 242-247, the corrected two-pass algorithm (1.7).
func MeanSD(x []float64) (mean, sd float64) {
	if len(x) == 0 {
		panic("dist: mean of no values")
	}
	n := float64(len(x))
	c := x[0]
	var a Accumulator
	for _, v := range x {
		a.Add(v - c)
	}
	mean = c + a.Sum()/n
	if len(x) == 1 {
		return mean, 0
	}
	var s, ss Accumulator
	for _, v := range x {
		d := v - mean
		s.Add(d)
		ss.Add(d * d)
	}
	t := s.Sum()
	return mean, math.Sqrt(math.Max(0, ss.Sum()-t*t/n) / (n - 1))
}

// Moments follows count, mean and sum of squared deviations value by value, in one pass and constant memory; its zero
// value is empty. Not as exact as MeanSD where the mean is many times the standard deviation.
//
// Source: B. P. Welford, "Note on a method for calculating corrected sums of squares and products", Technometrics 4
// (1962), 419-420.
type Moments struct {
	N    int
	Mean float64
	SS   float64 // sum of squared deviations from the mean
}

// Add takes in v.
func (m *Moments) Add(v float64) {
	m.N++
	d := v - m.Mean
	m.Mean += d / float64(m.N)
	m.SS += d * (v - m.Mean)
}

// SD is the standard deviation with denominator n-1, 0 for fewer than two values.
func (m *Moments) SD() float64 {
	if m.N < 2 {
		return 0
	}
	return math.Sqrt(m.SS / float64(m.N-1))
}
