package chart

import (
	"math"
	"sync"

	"sagwatch/spc/dist"
)

// Constants are the expected values that turn the spread of n normal values into their standard deviation.
type Constants struct {
	N           int
	D2          float64 // mean of the range over sigma
	D3          float64 // standard deviation of the range over sigma
	C4          float64 // mean of the standard deviation (denominator n-1) over sigma
	C5          float64 // standard deviation of the standard deviation over sigma, sqrt(1 - c4^2)
	MedianRange float64 // median of the range over sigma, d4 in tables
}

// Factors are the 3-sigma factors of the tables. D1 to D4 here are the factors of the range chart, not the constants
// d2 and d3.
type Factors struct {
	A, A2, A3      float64 // limits of means from sigma, mean range, mean standard deviation
	B3, B4, B5, B6 float64 // limits of standard deviations from their mean (3, 4) and from sigma (5, 6)
	D1, D2, D3, D4 float64 // limits of ranges from sigma (1, 2) and from their mean (3, 4)
	E2, E3         float64 // limits of individual values from mean range and mean standard deviation
}

var constants sync.Map // int -> *Constants

// ConstantsFor computes the constants for subgroups of n values, n at least 2; it panics below. They are computed once
// and kept; safe for concurrent use. Relative errors are below 1e-12.
//
//	d2 = int S(w) dw,  d3^2 = 2 int w S(w) dw - d2^2,  S(w) = P(range > w) over w >= 0
//	c4 = sqrt(2/(n-1)) Gamma(n/2) / Gamma((n-1)/2)
//
// Source: Tippett 1925, On the extreme individuals and the range of samples, Biometrika 17 (d2, d3); ISO 7870-2 and
// ASTM E2587 for their use (from memory).
func ConstantsFor(n int) Constants {
	if n < 2 {
		panic("chart: constants need a subgroup of at least 2 values")
	}
	if c, ok := constants.Load(n); ok {
		return *c.(*Constants)
	}
	c := computeConstants(n)
	constants.Store(n, &c)
	return c
}

// Factors gives the 3-sigma factors that follow from the constants.
func (c Constants) Factors() Factors {
	root := math.Sqrt(float64(c.N))
	r, s := 3*c.D3/c.D2, 3*c.C5/c.C4
	return Factors{
		A: 3 / root, A2: 3 / (c.D2 * root), A3: 3 / (c.C4 * root),
		B3: max(0, 1-s), B4: 1 + s, B5: max(0, c.C4-3*c.C5), B6: c.C4 + 3*c.C5,
		D1: max(0, c.D2-3*c.D3), D2: c.D2 + 3*c.D3, D3: max(0, 1-r), D4: 1 + r,
		E2: 3 / c.D2, E3: 3 / c.C4,
	}
}

func computeConstants(n int) Constants {
	c := Constants{N: n, C4: dist.C4(n), C5: c5(n), MedianRange: dist.RangeQuantileUpper(0.5, n)}
	c.D2, c.D3 = dist.RangeMoments(n)
	return c
}

// c4Series is the size from which the series in 1/(n-1) is used; its error there is below 1e-16.
const c4Series = 200

// c4Complement is 1 - c4 by the series.
func c4Complement(n int) float64 {
	u := 1 / float64(n-1)
	return u * (1./4 - u*(1./32+u*(5./128-u*(21./2048+u*(399./8192-u*869./65536)))))
}

// c5 is sqrt(1 - c4^2), without cancellation at large n.
func c5(n int) float64 {
	if n >= c4Series {
		d := c4Complement(n)
		return math.Sqrt(d * (2 - d))
	}
	c := dist.C4(n)
	return math.Sqrt((1 - c) * (1 + c))
}
