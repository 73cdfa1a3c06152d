package dist

import (
	"fmt"
	"math"
)

// QR is the Householder decomposition of an n x p matrix X of full column rank, n >= p, for least squares. Once
// factored it is read only and safe for concurrent use. Solving allocates nothing.
//
// Source: G. H. Golub and C. F. Van Loan, Matrix Computations, 4th ed. (2013), algorithms 5.2.1 and 5.3.2.
type QR struct {
	n, p int
	// a is column-major: Householder vectors on and below the diagonal, R above it.
	a    []float64
	diag []float64 // diagonal of R
}

// RankError says that a column of X is a combination of those before it.
type RankError struct{ Column int } // 0-based

// Error names the column.
func (e *RankError) Error() string {
	return fmt.Sprintf("column %d of the least-squares problem depends on the columns before it", e.Column+1)
}

// rankTolerance times a column's length is the least remainder that counts as independent.
const rankTolerance = 1e-15

// NewQR makes room for an n x p problem, n >= p >= 1.
func NewQR(n, p int) *QR {
	if p < 1 || n < p {
		panic(fmt.Sprintf("dist: least squares with %d rows and %d columns", n, p))
	}
	return &QR{n: n, p: p, a: make([]float64, n*p), diag: make([]float64, p)}
}

// Rows and Columns are the size of X.
func (q *QR) Rows() int { return q.n }

// Columns is the number of coefficients.
func (q *QR) Columns() int { return q.p }

// Factor decomposes x, n x p column-major (column j is x[j*n : (j+1)*n]), which is copied. The error is a *RankError
// where a column is, within rounding, a combination of earlier ones or not finite; q is then of no use. With the Householder
// reflections H_1 .. H_p
//
//	H_p ... H_1 X = (R, 0)',  R upper triangular
//
// A number of values other than n p is a mistake of the program and panics.
func (q *QR) Factor(x []float64) error {
	if len(x) != len(q.a) {
		panic(fmt.Sprintf("dist: %d values for a %d x %d matrix", len(x), q.n, q.p))
	}
	copy(q.a, x)
	for j := range q.p {
		c := q.column(j)
		whole := length(c)
		below := c[j:]
		s := length(below)
		if !(s > rankTolerance*whole) || math.IsInf(s, 0) {
			return &RankError{Column: j}
		}
		if below[0] > 0 {
			s = -s
		}
		// v = (x - s e1) / (x1 - s), so that v1 = 1 - x1/s ... is kept as u with u'u/2 = u1.
		for i := range below {
			below[i] /= -s
		}
		below[0]++
		q.diag[j] = s
		for k := j + 1; k < q.p; k++ {
			reflect(below, q.column(k)[j:])
		}
	}
	return nil
}

// reflect applies I - u u'/u1 to y.
func reflect(u, y []float64) {
	y = y[:len(u)]
	t := 0.0
	for i, v := range u {
		t += v * y[i]
	}
	t /= -u[0]
	for i, v := range u {
		y[i] += t * v
	}
}

func (q *QR) column(j int) []float64 { return q.a[j*q.n : (j+1)*q.n] }

// Solve writes to coef (p) the coefficients b that minimise |y - X b|^2 and returns that sum of squares. work (n)
// receives Q'y, whose first p elements are the effects; y is read only and may not be work.
func (q *QR) Solve(coef, work, y []float64) (ss float64) {
	work = work[:q.n]
	copy(work, y[:q.n])
	for j := range q.p {
		reflect(q.column(j)[j:], work[j:])
	}
	coef = coef[:q.p]
	for j := q.p - 1; j >= 0; j-- {
		t := work[j]
		for k := j + 1; k < q.p; k++ {
			t -= q.a[k*q.n+j] * coef[k]
		}
		coef[j] = t / q.diag[j]
	}
	for _, v := range work[q.p:] {
		ss += v * v
	}
	return ss
}

// Cofactor writes (X'X)^-1 to dst, p x p in rows, from R^-1 R^-T. Coefficient j has the standard deviation
// sigma sqrt(dst[j*p+j]).
func (q *QR) Cofactor(dst []float64) {
	p := q.p
	dst = dst[:p*p]
	inv := make([]float64, p*p) // R^-1 by columns
	for j := range p {
		col := inv[j*p : (j+1)*p]
		for i := j; i >= 0; i-- {
			t := 0.0
			if i == j {
				t = 1
			}
			for k := i + 1; k <= j; k++ {
				t -= q.a[k*q.n+i] * col[k]
			}
			col[i] = t / q.diag[i]
		}
	}
	for i := range p {
		for j := range p {
			t := 0.0
			for k := max(i, j); k < p; k++ {
				t += inv[k*p+i] * inv[k*p+j]
			}
			dst[i*p+j] = t
		}
	}
}

// Leverages writes to dst (n) the diagonal of the hat matrix X (X'X)^-1 X': the squared lengths of the rows of Q.
// work needs n elements.
func (q *QR) Leverages(dst, work []float64) {
	dst, work = dst[:q.n], work[:q.n]
	clear(dst)
	for c := range q.p {
		clear(work)
		work[c] = 1
		for j := q.p - 1; j >= 0; j-- {
			reflect(q.column(j)[j:], work[j:])
		}
		for i, v := range work {
			dst[i] += v * v
		}
	}
}

// length is the Euclidean length without overflow or underflow.
func length(x []float64) float64 {
	top := 0.0
	for _, v := range x {
		if math.IsNaN(v) {
			return math.NaN()
		}
		top = math.Max(top, math.Abs(v))
	}
	if top == 0 || math.IsInf(top, 0) {
		return top
	}
	s := 0.0
	for _, v := range x {
		v /= top
		s += v * v
	}
	return top * math.Sqrt(s)
}
