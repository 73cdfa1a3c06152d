package dist

import "math"

// MeanSquares are independent mean squares, each sigma_i^2 chi-square_i / n_i, with what confidence limits of their sums need.
type MeanSquares struct {
	ms, df []float64
	g, h   []float64   // by mean square
	both   [][]float64 // g of two lines' degrees of freedom together
	f      [][]float64 // upper alpha point of F of two
}

// NewMeanSquares takes mean squares and their degrees of freedom, as many; limits miss with the probability alpha on each side.
func NewMeanSquares(ms, df []float64, alpha float64) *MeanSquares {
	k := &MeanSquares{ms: ms, df: df}
	g := func(n float64) float64 { return 1 - n/ChiSquareQuantileUpper(alpha, n) }
	for i, a := range df {
		k.g = append(k.g, g(a))
		k.h = append(k.h, a/ChiSquareQuantile(alpha, a)-1)
		both, f := make([]float64, len(df)), make([]float64, len(df))
		for j, b := range df {
			if i != j {
				both[j], f[j] = g(a+b), FQuantileUpper(alpha, a, b)
			}
		}
		k.both, k.f = append(k.both, both), append(k.f, f)
	}
	return k
}

// Sum is sum c_i MS_i.
func (k *MeanSquares) Sum(c []float64) float64 {
	var s Accumulator
	for i, v := range c {
		s.Add(v * k.ms[i])
	}
	return s.Sum()
}

// DegreesOfFreedom is Satterthwaite's approximation for sum c_i MS_i
//
//	(sum c_i MS_i)^2 / sum (c_i MS_i)^2 / n_i
//
// 0 where the sum is not above zero.
//
// Source: F. E. Satterthwaite, "An approximate distribution of estimates of variance components", Biometrics Bulletin 2
// (1946), 110-114.
func (k *MeanSquares) DegreesOfFreedom(c []float64) float64 {
	v, den := k.Sum(c), 0.0
	if !(v > 0) {
		return 0
	}
	for i, w := range c {
		part := w * k.ms[i] / v
		den += part * part / k.df[i]
	}
	return 1 / den
}

// Spread is the distance of the lower (or upper) limit of sum c_i MS_i from it by the modified-large-sample method:
// the root, for a sum of positive terms only, of
//
//	lower: sum G_i^2 c_i^2 MS_i^2,  upper: sum H_i^2 c_i^2 MS_i^2
//	G_i = 1 - n_i / chi2(alpha upper; n_i),  H_i = n_i / chi2(alpha lower; n_i) - 1
//
// and for terms of both signs, c_q > 0 and c_r = -k_r < 0,
//
//	lower: sum G_q^2 c_q^2 MS_q^2 + sum H_r^2 k_r^2 MS_r^2 + sum sum G_qr c_q k_r MS_q MS_r + sum sum G*_qt c_q c_t MS_q MS_t
//	G_qr  = [(F - 1)^2 - G_q^2 F^2 - H_r^2] / F,  F upper alpha point with n_q, n_r degrees of freedom
//	G*_qt = [(1 - (n_q+n_t)/chi2(alpha upper; n_q+n_t))^2 (n_q+n_t)^2 / (n_q n_t) - G_q^2 n_q/n_t - G_t^2 n_t/n_q] / (Q - 1)
//
// over the Q positive terms; the upper one is the lower one of the negated sum. It is exact where a single mean square,
// or all but one with infinite degrees of freedom, are left.
//
// Source: F. A. Graybill and C.-M. Wang, Journal of the American Statistical Association 75 (1980), 869-873; N. Ting, R. K.
// Burdick, F. A. Graybill, S. Jeyaratnam, T.-F. C. Lu, Journal of Statistical Computation and Simulation 35 (1990), 135-143;
// for gauge studies R. K. Burdick and G. A. Larsen, Journal of Quality Technology 29 (1997), 261-273 (formulas from memory).
func (k *MeanSquares) Spread(c []float64, lower bool) float64 {
	sq := func(v float64) float64 { return v * v }
	sign := 1.0
	if !lower {
		sign = -1
	}
	var plus, minus []int
	v := 0.0
	scale := 0.0 // so that no square overflows
	for i, w := range c {
		scale = math.Max(scale, math.Abs(w)*k.ms[i])
	}
	if scale == 0 {
		return 0
	}
	size := func(i int) float64 { return math.Abs(c[i]) * k.ms[i] / scale }
	for i, w := range c {
		switch {
		case sign*w > 0:
			plus = append(plus, i)
			v += sq(k.g[i] * size(i))
		case sign*w < 0:
			minus = append(minus, i)
			v += sq(k.h[i] * size(i))
		}
	}
	if len(minus) == 0 {
		return scale * math.Sqrt(v)
	}
	for i, q := range plus {
		for _, r := range minus {
			f := k.f[q][r]
			v += (sq(f-1) - sq(k.g[q]*f) - sq(k.h[r])) / f * size(q) * size(r)
		}
		nq := k.df[q]
		for _, t := range plus[i+1:] {
			nt := k.df[t]
			star := (sq(k.both[q][t]*(nq+nt))/(nq*nt) - sq(k.g[q])*nq/nt - sq(k.g[t])*nt/nq) / float64(len(plus)-1)
			v += star * size(q) * size(t)
		}
	}
	return scale * math.Sqrt(math.Max(0, v))
}
