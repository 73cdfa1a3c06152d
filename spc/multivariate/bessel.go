package multivariate

import "math"

// radial is the density of the length of a normal vector of dim terms with unit variance, at distance s where its mean has
// the length nu:
//
//	f(s) = s^(dim-1) exp(-(s - nu)^2 / 2) B(nu s),  B(x) = exp(-x) I_q(x) / x^q,  q = dim/2 - 1
//
// the non-central chi density. B is smooth and falls slowly; it is worked out once on a grid and interpolated by cubic
// Hermite pieces of its logarithm, to about 1e-11.
//
// Source: M. Abramowitz and I. A. Stegun (1964), 9.6.10 and 26.4.25.
type radial struct {
	dim  int
	step float64 // of t = log(1 + x)
	log  []float64
	der  []float64 // d log B / dt times step
}

// newRadial serves arguments nu s up to most.
func newRadial(dim int, most float64) *radial {
	q := float64(dim)/2 - 1
	end := math.Log1p(most) * (1 + 1e-12)
	n := 24 + int(end*160)
	r := &radial{dim: dim, step: end / float64(n), log: make([]float64, n+2), der: make([]float64, n+2)}
	for i := range r.log {
		x := math.Expm1(float64(i) * r.step)
		b := logB(q, x)
		r.log[i] = b
		// B' = -B + x B_(q+1), as (I_q/x^q)' = I_(q+1)/x^q
		r.der[i] = (-1 + x*math.Exp(logB(q+1, x)-b)) * (1 + x) * r.step
	}
	return r
}

// logB is log B(x).
func (r *radial) logB(x float64) float64 {
	t := math.Log1p(x) / r.step
	i := min(int(t), len(r.log)-2)
	u := t - float64(i)
	v := 1 - u
	return r.log[i]*v*v*(1+2*u) + r.log[i+1]*u*u*(1+2*v) + u*v*(r.der[i]*v-r.der[i+1]*u)
}

// density is f(s) without the factor s^(dim-1).
func (r *radial) density(s, nu float64) float64 {
	return math.Exp(r.logB(nu*s) - 0.5*(s-nu)*(s-nu))
}

// logB is log(exp(-x) I_q(x) / x^q), q >= -1/2, x >= 0: the ascending series summed from its greatest term both ways. All its
// terms are positive.
func logB(q, x float64) float64 {
	h := x * x / 4
	k := math.Floor((math.Sqrt(q*q+x*x) - q) / 2)
	k = math.Max(0, k)
	sum := 1.0
	for t, j := 1.0, k; ; j++ {
		t *= h / ((j + 1) * (j + 1 + q))
		sum += t
		if t < 1e-17*sum {
			break
		}
	}
	for t, j := 1.0, k; j > 0; j-- {
		t *= j * (j + q) / h
		sum += t
		if t < 1e-17*sum {
			break
		}
	}
	a, _ := math.Lgamma(k + 1)
	b, _ := math.Lgamma(k + q + 1)
	peak := -x - a - b - q*math.Ln2
	if k > 0 {
		peak += k * math.Log(h)
	}
	return peak + math.Log(sum)
}
