package dist

import (
	"fmt"
	"math"
)

// Refine improves the solution coef (p) of a least-squares problem that q has factored, x and y being the matrix and the
// right-hand side it was factored and solved for, by up to three steps of iterative refinement whose residuals are
// accumulated in twice the working precision. What rounding inside the decomposition lost comes back, as long as the
// condition number of x is well below 10^15; what rounding the data lost does not. It returns the sum of squared
// residuals.
//
// Source: A. Bjorck, "Iterative refinement of linear least squares solutions I", BIT 7 (1967), 257-278.
func (q *QR) Refine(coef, x, y []float64) (ss float64) {
	n, p := q.n, q.p
	if len(x) != n*p || len(y) < n {
		panic(fmt.Sprintf("dist: %d and %d values for a %d x %d problem", len(x), len(y), n, p))
	}
	coef, y = coef[:p], y[:n]
	res, f, g, d := make([]float64, n), make([]float64, n), make([]float64, p), make([]float64, p)
	for i := range n {
		t := twice{hi: y[i]}
		for j := range p {
			t.addProduct(-x[j*n+i], coef[j])
		}
		res[i] = t.hi + t.lo
	}
	last := math.Inf(1)
	for range 3 {
		// What the current solution leaves of r + X b = y and of X'r = 0.
		for i := range n {
			t := twice{hi: y[i]}
			t.addProduct(-1, res[i])
			for j := range p {
				t.addProduct(-x[j*n+i], coef[j])
			}
			f[i] = t.hi + t.lo
		}
		for j := range p {
			var t twice
			for i, v := range x[j*n : (j+1)*n] {
				t.addProduct(-v, res[i])
			}
			g[j] = t.hi + t.lo
		}
		// R'd = g; Q'f = (c, e); db = R^-1 (c - d); dr = Q (d, e).
		for j := range p {
			t := g[j]
			for k := range j {
				t -= q.a[j*n+k] * d[k]
			}
			d[j] = t / q.diag[j]
		}
		for j := range p {
			reflect(q.column(j)[j:], f[j:])
		}
		size := 0.0
		for j := p - 1; j >= 0; j-- {
			t := f[j] - d[j]
			for k := j + 1; k < p; k++ {
				t -= q.a[k*n+j] * g[k]
			}
			g[j] = t / q.diag[j]
		}
		for j := range p {
			f[j] = d[j]
			size = math.Max(size, math.Abs(g[j])/(math.Abs(coef[j])+math.SmallestNonzeroFloat64))
		}
		if !(size < last) { // no longer converging: the steps are rounding, or the condition is beyond help
			break
		}
		last = size
		for j := p - 1; j >= 0; j-- {
			reflect(q.column(j)[j:], f[j:])
		}
		for i := range n {
			res[i] += f[i]
		}
		for j := range p {
			coef[j] += g[j]
		}
	}
	var a Accumulator
	for _, v := range res {
		a.Add(v * v)
	}
	return a.Sum()
}

// twice is an unevaluated sum of two doubles.
//
// Source: T. J. Dekker, "A floating-point technique for extending the available precision", Numerische Mathematik 18
// (1971), 224-242, with fused multiplication.
type twice struct{ hi, lo float64 }

func (t *twice) addProduct(a, b float64) {
	p := a * b
	e := math.FMA(a, b, -p)
	s := t.hi + p
	v := s - t.hi
	t.lo += ((t.hi - (s - v)) + (p - v)) + e
	t.hi = s
}
