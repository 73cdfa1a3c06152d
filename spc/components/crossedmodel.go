package components

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// crossedModel is the likelihood of two crossed factors. Its data are the cells' means, whose variance beside the factors
// is sigma_AB^2 + sigma_e^2/n, and the squares within cells. Components in the order smaller factor (S), larger factor (L),
// interaction if any, residual. With D the diagonal part and H = D + sigma_L^2 Z_L Z_L', a block for each level of L with
// weights w and their sum W,
//
//	H^-1 = diag(w) - g w w',  g = sigma_L^2 / (1 + sigma_L^2 W)
//	V^-1 = H^-1 - sigma_S^2 H^-1 Z_S K Z_S' H^-1,  K = (I + sigma_S^2 G)^-1,  G = Z_S' H^-1 Z_S
type crossedModel struct {
	t           *table
	restricted  bool
	interaction bool
	logN        float64

	w, one, r, work []float64 // by cell
	gain            []float64 // g of each level of L
	turned, against [][]float64
	g, q, sq2       []float64 // G, Z_S' H^-1 Z_L Z_L' H^-1 Z_S, Z_S' H^-2 Z_S, rows of the upper triangle
	k               mat.SymDense
}

func newCrossedModel(t *table, s *settings) *crossedModel {
	m := &crossedModel{t: t, restricted: s.Estimator == REML, interaction: s.Interaction}
	for _, n := range t.n {
		m.logN += math.Log(n)
	}
	c := len(t.n)
	m.w, m.one, m.r, m.work = make([]float64, c), make([]float64, c), make([]float64, c), make([]float64, c)
	m.gain = make([]float64, t.large)
	for range m.sources() {
		m.turned, m.against = append(m.turned, make([]float64, c)), append(m.against, make([]float64, c))
	}
	m.g, m.q = make([]float64, t.small*t.small), make([]float64, t.small*t.small)
	if m.interaction {
		m.sq2 = make([]float64, t.small*t.small)
	}
	return m
}

func (m *crossedModel) sources() int {
	if m.interaction {
		return 4
	}
	return 3
}

func (m *crossedModel) size() int { return int(m.t.weight) }

// inverse writes V^-1 x to dst, which may not be x.
func (m *crossedModel) inverse(dst, x []float64, small float64) {
	t := m.t
	h := mat.NewVecDense(t.small, nil)
	raw := h.RawVector().Data
	for l := range t.large {
		lo, hi := t.start[l], t.start[l+1]
		s := 0.0
		for i := lo; i < hi; i++ {
			s += m.w[i] * x[i]
		}
		s *= m.gain[l]
		for i := lo; i < hi; i++ {
			raw[t.at[i]] += m.w[i] * (x[i] - s)
		}
	}
	kh := mat.NewVecDense(t.small, nil)
	kh.MulVec(&m.k, h)
	off := kh.RawVector().Data
	for l := range t.large {
		lo, hi := t.start[l], t.start[l+1]
		s := 0.0
		for i := lo; i < hi; i++ {
			z := x[i] - small*off[t.at[i]]
			dst[i] = z
			s += m.w[i] * z
		}
		s *= m.gain[l]
		for i := lo; i < hi; i++ {
			dst[i] = m.w[i] * (dst[i] - s)
		}
	}
}

func (m *crossedModel) at(theta []float64, slopes bool) point {
	t := m.t
	a := t.small
	k := m.sources()
	small, large, rest := theta[0], theta[1], theta[k-1]
	inter := 0.0
	if m.interaction {
		inter = theta[2]
	}
	logDet := float64(len(t.n))*math.Log(rest) - m.logN
	if inter > 0 {
		logDet = 0
		for i, n := range t.n {
			v := inter + rest/n
			m.w[i] = 1 / v
			logDet += math.Log(v)
		}
	} else {
		for i, n := range t.n {
			m.w[i] = n / rest
		}
	}
	clear(m.g)
	clear(m.q)
	clear(m.sq2)
	traceL, traceI := 0.0, 0.0
	for l := range t.large {
		lo, hi := t.start[l], t.start[l+1]
		sum, squares := 0.0, 0.0
		for _, w := range m.w[lo:hi] {
			sum += w
			squares += w * w
		}
		f := 1 + large*sum
		g := large / f
		m.gain[l] = g
		logDet += math.Log(f)
		traceL += sum / f
		traceI += sum - g*squares
		at, ws := t.at[lo:hi], m.w[lo:hi]
		both := 1 / (f * f)
		for i, w := range ws {
			row := at[i] * a
			m.g[row+at[i]] += w
			gw, qw := g*w, both*w
			for j := i; j < len(ws); j++ {
				m.g[row+at[j]] -= gw * ws[j]
				m.q[row+at[j]] += qw * ws[j]
			}
			if m.interaction {
				m.sq2[row+at[i]] += w * w
				for j := i; j < len(ws); j++ {
					m.sq2[row+at[j]] += w * ws[j] * (g*g*squares - g*(w+ws[j]))
				}
			}
		}
	}
	// K and log|I + sigma_S^2 G|.
	gm := mat.NewSymDense(a, m.g)
	lifted := mat.NewSymDense(a, nil)
	for i := range a {
		for j := i; j < a; j++ {
			v := small * gm.At(i, j)
			if i == j {
				v++
			}
			lifted.SetSym(i, j, v)
		}
	}
	var chol mat.Cholesky
	bad := point{log: math.NaN()}
	if !chol.Factorize(lifted) || chol.InverseTo(&m.k) != nil {
		return bad
	}
	logDet += chol.LogDet()
	var p point
	for i := range m.work {
		m.work[i] = 1
	}
	m.inverse(m.one, m.work, small)
	sum := 0.0
	for i, v := range m.one {
		p.meanPrec += v
		sum += v * t.mean[i]
	}
	p.mean = sum / p.meanPrec
	for i, v := range t.mean {
		m.work[i] = v - p.mean
	}
	m.inverse(m.r, m.work, small)
	yPy := 0.0
	for i, v := range m.r {
		yPy += v * m.work[i]
	}
	p.log = logLikelihood(m.restricted, t.weight, logDet+m.logN, t.dfWithin, t.ssWithin, rest, p.meanPrec, yPy)
	if !slopes {
		return p
	}
	trace, quad := make([]float64, k), make([]float64, k)
	trace[0], trace[1] = product(&m.k, m.g, a), traceL-small*product(&m.k, m.q, a)
	if m.interaction {
		trace[2] = traceI - small*product(&m.k, m.sq2, a)
	}
	rS, oneS := make([]float64, a), make([]float64, a)
	for l := range t.large {
		lo, hi := t.start[l], t.start[l+1]
		rL, oneL := 0.0, 0.0
		for i := lo; i < hi; i++ {
			rL += m.r[i]
			oneL += m.one[i]
			rS[t.at[i]] += m.r[i]
			oneS[t.at[i]] += m.one[i]
		}
		quad[1] += rL * rL
		if m.restricted {
			trace[1] -= oneL * oneL / p.meanPrec
		}
		for i := lo; i < hi; i++ {
			m.turned[1][i] = rL
		}
	}
	for i, v := range rS {
		quad[0] += v * v
		if m.restricted {
			trace[0] -= sq(oneS[i]) / p.meanPrec
		}
	}
	for i, r := range m.r {
		m.turned[0][i] = rS[t.at[i]]
		m.turned[k-1][i] = r / t.n[i]
		quad[k-1] += r * r / t.n[i]
		if m.interaction {
			m.turned[2][i] = r
			quad[2] += r * r
			if m.restricted {
				trace[2] -= sq(m.one[i]) / p.meanPrec
			}
		}
	}
	// The sum of sigma_i^2 tr(P V_i) is the rank of P: the residual's trace is what the others leave.
	left := float64(len(t.n))
	if m.restricted {
		left--
	}
	for i := range k - 1 {
		left -= theta[i] * trace[i]
	}
	trace[k-1] = left / rest
	p.finish(trace, quad, t.dfWithin, t.ssWithin, rest)
	for i := range m.turned {
		m.inverse(m.against[i], m.turned[i], small)
	}
	p.average(m.turned, m.against, m.one, t.ssWithin, rest)
	return p
}

// product is the trace of K times a symmetric matrix given by its upper triangle.
func product(k *mat.SymDense, upper []float64, a int) float64 {
	s := 0.0
	for i := range a {
		s += k.At(i, i) * upper[i*a+i]
		for j := i + 1; j < a; j++ {
			s += 2 * k.At(i, j) * upper[i*a+j]
		}
	}
	return s
}
