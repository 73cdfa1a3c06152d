package multivariate

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"sagwatch/spc/refusal"
)

// correlation is the correlation matrix of a covariance.
func correlation(cov []float64, p int) []float64 {
	r := make([]float64, p*p)
	for i := range p {
		for j := range p {
			r[i*p+j] = cov[i*p+j] / math.Sqrt(cov[i*p+i]) / math.Sqrt(cov[j*p+j])
		}
		r[i*p+i] = 1
	}
	return r
}

// eigen gives eigenvalues of a symmetric matrix, largest first, and eigenvectors in columns, each with its largest element
// positive.
func eigen(s []float64, p int) (values, vectors []float64, err error) {
	var e mat.EigenSym
	if !e.Factorize(mat.NewSymDense(p, append([]float64(nil), s...)), true) {
		return nil, nil, refusal.Unsolved("the eigenvalues of the covariance could not be worked out")
	}
	up := e.Values(nil)
	var v mat.Dense
	e.VectorsTo(&v)
	values, vectors = make([]float64, p), make([]float64, p*p)
	for k := range p {
		values[k] = up[p-1-k]
		sign, most := 1.0, 0.0
		for j := range p {
			if a := v.At(j, p-1-k); math.Abs(a) > most*(1+1e-9) {
				most, sign = math.Abs(a), math.Copysign(1, a)
			}
		}
		for j := range p {
			vectors[j*p+k] = sign * v.At(j, p-1-k)
		}
	}
	return values, vectors, nil
}

// cholesky writes the lower factor of s (p x p) to c and tells whether s is positive definite beyond rounding.
func cholesky(c, s []float64, p int) bool {
	for i := range p {
		for j := range i + 1 {
			v := s[i*p+j]
			for k := range j {
				v -= c[i*p+k] * c[j*p+k]
			}
			if i == j {
				if !(v > 1e-14*s[i*p+i]) || math.IsInf(v, 0) {
					return false
				}
				c[i*p+i] = math.Sqrt(v)
			} else {
				c[i*p+j] = v / c[j*p+j]
			}
		}
	}
	return true
}
