package components

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// covariance is the inverse of the average information of the components above zero, zero elsewhere. Where that is singular
// (as with tied values) the observed information takes its place, by differences of the slopes; ok is false where that is
// singular as well.
func (b *maximum) covariance(m model) (out *mat.SymDense, ok bool) {
	var at []int
	for i, v := range b.theta {
		if v > 0 {
			at = append(at, i)
		}
	}
	out = mat.NewSymDense(len(b.theta), nil)
	average := mat.NewSymDense(len(at), nil)
	for i, f := range at {
		for j := i; j < len(at); j++ {
			average.SetSym(i, j, b.point.info.At(f, at[j]))
		}
	}
	inv, ok := inverse(average)
	if !ok {
		inv, ok = inverse(b.observed(m, at))
	}
	if ok {
		for i, f := range at {
			for j := i; j < len(at); j++ {
				out.SetSym(f, at[j], inv.At(i, j))
			}
		}
	}
	return out, ok
}

// observed is minus the second derivative of the logarithm along the components at, by central differences of the slopes.
func (b *maximum) observed(m model, at []int) *mat.SymDense {
	h := mat.NewDense(len(at), len(at), nil)
	theta := append([]float64(nil), b.theta...)
	for i, f := range at {
		step := 1e-4 * b.theta[f]
		theta[f] = b.theta[f] + step
		up := m.at(theta, true)
		theta[f] = b.theta[f] - step
		down := m.at(theta, true)
		theta[f] = b.theta[f]
		if math.IsNaN(up.log) || math.IsNaN(down.log) {
			return mat.NewSymDense(len(at), nil)
		}
		for j, g := range at {
			h.Set(i, j, (down.slope[g]-up.slope[g])/(2*step))
		}
	}
	out := mat.NewSymDense(len(at), nil)
	for i := range at {
		for j := i; j < len(at); j++ {
			out.SetSym(i, j, (h.At(i, j)+h.At(j, i))/2)
		}
	}
	return out
}

// inverse inverts an information matrix, scaled by its diagonal; ok is false where it is not positive or nearly singular.
func inverse(a *mat.SymDense) (inv mat.SymDense, ok bool) {
	n := a.SymmetricDim()
	d := make([]float64, n)
	for i := range d { // NaN as well is not positive
		if d[i] = math.Sqrt(a.At(i, i)); !(d[i] > 0) {
			return inv, false
		}
	}
	scaled := mat.NewSymDense(n, nil)
	for i := range d {
		for j := i; j < n; j++ {
			scaled.SetSym(i, j, a.At(i, j)/d[i]/d[j])
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(scaled) || !(chol.Cond() < 1e12) || chol.InverseTo(&inv) != nil {
		return inv, false
	}
	for i := range d {
		for j := i; j < n; j++ {
			inv.SetSym(i, j, inv.At(i, j)/d[i]/d[j])
		}
	}
	return inv, true
}
