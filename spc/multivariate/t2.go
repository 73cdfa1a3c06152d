package multivariate

import (
	"fmt"
	"math"

	"sagwatch/spc/refusal"
)

// T2 is Hotelling's statistic about a given mean and covariance, of a baseline or known. Read only once made, safe for
// concurrent use.
type T2 struct {
	p         int
	mean      []float64
	cov       []float64
	factor    []float64 // lower Cholesky factor of cov
	precision []float64 // inverse of cov
	names     []string
}

// NewT2 takes mean (p) and covariance (p x p in rows); names of the terms are for words and may be nil. It refuses p outside
// 1 to 64, shapes that do not belong together, numbers that are not finite, and a covariance that is not symmetric or not
// positive definite beyond rounding.
func NewT2(mean, cov []float64, names []string) (*T2, error) {
	p := len(mean)
	if err := checkTerms(p); err != nil {
		return nil, err
	}
	if len(cov) != p*p {
		return nil, refusal.Shapes("the covariance has %d numbers, %d terms need %d", len(cov), p, p*p)
	}
	if len(names) != 0 && len(names) != p {
		return nil, refusal.Shapes("there are %d names for %d terms", len(names), p)
	}
	if err := refusal.Finite("the mean", mean); err != nil {
		return nil, err
	}
	if err := refusal.Finite("the covariance", cov); err != nil {
		return nil, err
	}
	for i := range p {
		for j := range i {
			a, b := cov[i*p+j], cov[j*p+i]
			if !(math.Abs(a-b) <= 1e-9*math.Sqrt(math.Abs(cov[i*p+i]))*math.Sqrt(math.Abs(cov[j*p+j]))) {
				return nil, refusal.Shapes("the covariance is not symmetric: terms %d and %d", i+1, j+1)
			}
		}
	}
	t := &T2{p: p, mean: append([]float64(nil), mean...), cov: append([]float64(nil), cov...), factor: make([]float64, p*p), precision: make([]float64, p*p)}
	for j := range p {
		if len(names) > 0 {
			t.names = append(t.names, names[j])
		} else {
			t.names = append(t.names, fmt.Sprintf("term %d", j+1))
		}
	}
	if !cholesky(t.factor, t.cov, p) {
		return nil, refusal.Unsolved("the covariance is not positive definite: some terms are told by others")
	}
	for j := range p { // columns of the inverse
		var e [64]float64
		e[j] = 1
		t.forward(e[:p])
		for i := p - 1; i >= 0; i-- {
			for k := i + 1; k < p; k++ {
				e[i] -= t.factor[k*p+i] * e[k]
			}
			e[i] /= t.factor[i*p+i]
		}
		for i := range p {
			t.precision[i*p+j] = e[i]
		}
	}
	for _, v := range t.precision {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return nil, refusal.Unsolved("the covariance is too small or too large to be worked with; choose other units")
		}
	}
	return t, nil
}

// P is the number of terms.
func (t *T2) P() int { return t.p }

// Mean is a copy of the mean.
func (t *T2) Mean() []float64 { return append([]float64(nil), t.mean...) }

// Covariance is a copy of the covariance, p x p in rows.
func (t *T2) Covariance() []float64 { return append([]float64(nil), t.cov...) }

// forward solves L z = d in place.
func (t *T2) forward(d []float64) {
	p := t.p
	for i := range d {
		for k, v := range d[:i] {
			d[i] -= t.factor[i*p+k] * v
		}
		d[i] /= t.factor[i*p+i]
	}
}

// quadratic is d' S^-1 d; d is overwritten.
func (t *T2) quadratic(d []float64) float64 {
	t.forward(d)
	s := 0.0
	for _, v := range d {
		s += v * v
	}
	return s
}

func (t *T2) deviations(d, x []float64) error {
	if len(x) != t.p {
		return refusal.Shapes("the observation has %d terms, the chart has %d", len(x), t.p)
	}
	if err := refusal.Finite("the terms", x); err != nil {
		return err
	}
	for i, v := range x {
		d[i] = v - t.mean[i]
	}
	return nil
}

// Statistic is T^2 = (x - mean)' S^-1 (x - mean) of one observation; that of a subgroup is n times the one of its mean. It
// allocates nothing. It refuses observations of another length and numbers that are not finite.
//
// Source: H. Hotelling, "Multivariate quality control", in Techniques of Statistical Analysis (1947); NIST/SEMATECH e-Handbook
// 6.5.4.3.
func (t *T2) Statistic(x []float64) (float64, error) {
	var d [64]float64
	if err := t.deviations(d[:], x); err != nil {
		return 0, err
	}
	s := t.quadratic(d[:t.p])
	if math.IsInf(s, 0) || math.IsNaN(s) {
		return 0, refusal.Unsolved("the observation lies too far off for T2 to be worked out")
	}
	return s, nil
}

// Term is what one term has to do with a T^2.
type Term struct {
	Index     int     `json:"index"` // from 0
	Name      string  `json:"name"`
	Deviation float64 `json:"deviation"` // from the mean, in the term's unit
	// Z is the deviation in standard deviations; its square is the unconditional term T^2_j.
	Z float64 `json:"z"`
	// ZGiven is the deviation from what the other terms predict, in standard deviations of that prediction; its square is the
	// conditional term T^2_j.rest = T^2 - T^2 of the other terms.
	ZGiven float64 `json:"z_given"`
}

// Terms are the unconditional terms and those conditional on all the others,
//
//	T^2_j = (x_j - mean_j)^2 / s_jj,  T^2_j.rest = (S^-1 (x - mean))_j^2 / (S^-1)_jj
//
// for every term. Refusals as for Statistic.
//
// Source: R. L. Mason, N. D. Tracy and J. C. Young, "Decomposition of T^2 for multivariate control chart interpretation", J.
// Quality Technology 27 (1995), 99-108; the second form is the inverse of a partitioned matrix.
func (t *T2) Terms(x []float64) ([]Term, error) {
	var d [64]float64
	if err := t.deviations(d[:], x); err != nil {
		return nil, err
	}
	p := t.p
	out := make([]Term, p)
	for j := range p {
		g := 0.0
		for i := range p {
			g += t.precision[j*p+i] * d[i]
		}
		out[j] = Term{Index: j, Name: t.names[j], Deviation: d[j], Z: d[j] / math.Sqrt(t.cov[j*p+j]), ZGiven: g / math.Sqrt(t.precision[j*p+j])}
	}
	return out, nil
}

// Ordered is the decomposition of T^2 in a given order of all terms (from 0), whose p parts are independent in control and
// sum to T^2:
//
//	T^2 = T^2_a + T^2_b.a + T^2_c.ab + ...
//
// Refusals as for Statistic, and an order that is not one of all terms.
//
// Source: Mason, Tracy and Young (1995).
func (t *T2) Ordered(x []float64, order []int) ([]float64, error) {
	var d [64]float64
	if err := t.deviations(d[:], x); err != nil {
		return nil, err
	}
	seen := make([]bool, t.p)
	for _, j := range order {
		if j < 0 || j >= t.p || seen[j] || len(order) != t.p {
			return nil, refusal.Shapes("the order must name each of the %d terms once", t.p)
		}
		seen[j] = true
	}
	if len(order) != t.p {
		return nil, refusal.Shapes("the order must name each of the %d terms once", t.p)
	}
	z, _ := t.parts(d[:t.p], order)
	for i, v := range z {
		z[i] = v * v
	}
	return z, nil
}

// parts is L^-1 d of the terms in the given order, L the Cholesky factor of their covariance: element i is the deviation of
// term order[i] from what those before it predict, in standard deviations. The sum of squares is their T^2.
func (t *T2) parts(d []float64, order []int) (z []float64, t2 float64) {
	q := len(order)
	c, s := make([]float64, q*q), make([]float64, q*q)
	for a, i := range order {
		for b, j := range order {
			s[a*q+b] = t.cov[i*t.p+j]
		}
	}
	cholesky(c, s, q)
	z = make([]float64, q)
	for a, i := range order {
		v := d[i]
		for b := range a {
			v -= c[a*q+b] * z[b]
		}
		z[a] = v / c[a*q+a]
		t2 += z[a] * z[a]
	}
	return z, t2
}
