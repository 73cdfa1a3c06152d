package components

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"sagwatch/spc/dist"
)

// nestedModel is the likelihood of nested factors. Its data are the means of the innermost groups, the cells here, whose
// variance about the next group is sigma_d^2 + sigma_e^2/n, and the squares within them.
type nestedModel struct {
	restricted bool
	outer      [][]group // groups of the factors but the innermost, start and end counted in cells
	n, mean    []float64
	logN       float64 // sum of log n
	values     float64
	ss, df     float64 // within cells

	// Room to work in: ones[k] is V_k^-1 1 with V_k the variance from the factors k and further in, grow[k] the factor
	// 1 + sigma_k^2 1'V_(k+1)^-1 1 of each group.
	w, one, r, apply []float64
	ones, grow       [][]float64
	turned, against  [][]float64
}

func newNestedModel(t *tree, restricted bool) *nestedModel {
	d := len(t.groups)
	c := len(t.groups[d-1])
	m := &nestedModel{restricted: restricted, values: float64(len(t.y))}
	var ss dist.Accumulator
	for _, g := range t.groups[d-1] {
		n := float64(g.end - g.start)
		m.n, m.mean = append(m.n, n), append(m.mean, g.mean)
		m.logN += math.Log(n)
		for _, v := range t.y[g.start:g.end] {
			ss.Add(sq(v - g.mean))
		}
	}
	m.ss, m.df = ss.Sum(), m.values-float64(c)
	for k := range d - 1 {
		gs := append([]group(nil), t.groups[k]...)
		for i := range gs {
			gs[i].start, gs[i].end = t.of[gs[i].start], t.of[gs[i].end-1]+1
		}
		m.outer = append(m.outer, gs)
		m.grow = append(m.grow, make([]float64, len(gs)))
		m.ones = append(m.ones, make([]float64, c))
	}
	m.w, m.one, m.r, m.apply = make([]float64, c), make([]float64, c), make([]float64, c), make([]float64, c)
	for range d + 1 {
		m.turned, m.against = append(m.turned, make([]float64, c)), append(m.against, make([]float64, c))
	}
	return m
}

func (m *nestedModel) size() int { return int(m.values) }

// inverse writes V^-1 x to dst.
func (m *nestedModel) inverse(dst, x, theta []float64) {
	for i, v := range x {
		dst[i] = m.w[i] * v
	}
	for k := len(m.outer) - 1; k >= 0; k-- {
		u := m.within(k)
		for i, g := range m.outer[k] {
			s := 0.0
			for _, v := range dst[g.start:g.end] {
				s += v
			}
			s *= theta[k] / m.grow[k][i]
			for c := g.start; c < g.end; c++ {
				dst[c] -= s * u[c]
			}
		}
	}
}

// within is V^-1 1 of the factors further in than k.
func (m *nestedModel) within(k int) []float64 {
	if k == len(m.outer)-1 {
		return m.w
	}
	return m.ones[k+1]
}

func (m *nestedModel) at(theta []float64, slopes bool) point {
	d := len(theta) - 1
	inner, rest := theta[d-1], theta[d]
	logDet := 0.0
	for i, n := range m.n {
		v := inner + rest/n
		m.w[i] = 1 / v
		logDet += math.Log(v)
	}
	for k := len(m.outer) - 1; k >= 0; k-- {
		u := m.within(k)
		for i, g := range m.outer[k] {
			s := 0.0
			for _, v := range u[g.start:g.end] {
				s += v
			}
			f := 1 + theta[k]*s
			m.grow[k][i] = f
			logDet += math.Log(f)
			for c := g.start; c < g.end; c++ {
				m.ones[k][c] = u[c] / f
			}
		}
	}
	one := m.within(-1)
	var p point
	sum := 0.0
	for i, v := range one {
		p.meanPrec += v
		sum += v * m.mean[i]
	}
	p.mean = sum / p.meanPrec
	for i, v := range m.mean {
		m.apply[i] = v - p.mean
	}
	m.inverse(m.r, m.apply, theta)
	yPy := 0.0
	for i, v := range m.r {
		yPy += v * m.apply[i]
	}
	p.log = logLikelihood(m.restricted, m.values, logDet+m.logN, m.df, m.ss, rest, p.meanPrec, yPy)
	if !slopes {
		return p
	}
	// V_i Py of each source, the residual's in its cells' means.
	trace, quad := make([]float64, d+1), make([]float64, d+1)
	for k, gs := range m.outer {
		for i, g := range gs {
			s, a := 0.0, 0.0
			for c := g.start; c < g.end; c++ {
				s += m.r[c]
				a += one[c]
			}
			for c := g.start; c < g.end; c++ {
				m.turned[k][c] = s
			}
			quad[k] += s * s
			// 1_g' V^-1 1_g, from the group's own level outwards.
			t := 0.0
			for _, v := range m.within(k)[g.start:g.end] {
				t += v
			}
			t /= m.grow[k][i]
			trace[k] += m.outwards(theta, t, k-1, g.parent)
			if m.restricted {
				trace[k] -= a * a / p.meanPrec
			}
		}
	}
	inside := len(m.outer) - 1
	parent := 0
	for c, n := range m.n {
		m.turned[d-1][c], m.turned[d][c] = m.r[c], m.r[c]/n
		quad[d-1] += sq(m.r[c])
		quad[d] += sq(m.r[c]) / n
		if inside >= 0 {
			for m.outer[inside][parent].end <= c {
				parent++
			}
		}
		t := m.outwards(theta, m.w[c], inside, parent)
		if m.restricted {
			t -= sq(one[c]) / p.meanPrec
		}
		trace[d-1] += t
		trace[d] += t / n
	}
	p.finish(trace, quad, m.df, m.ss, rest)
	for i := range m.turned {
		m.inverse(m.against[i], m.turned[i], theta)
	}
	p.average(m.turned, m.against, one, m.ss, rest)
	return p
}

// outwards carries a group's 1_g' V^-1 1_g, within its own parent's variance left out, through its parents from factor k.
func (m *nestedModel) outwards(theta []float64, t float64, k, parent int) float64 {
	for q := t; k >= 0; k-- {
		f := m.grow[k][parent]
		t -= theta[k] * q * q / f
		q /= f
		parent = m.outer[k][parent].parent
	}
	return t
}

// logLikelihood puts the logarithm together; logDet is that of the cells' values times the root of their counts.
func logLikelihood(restricted bool, values, logDet, df, ss, rest, prec, yPy float64) float64 {
	l := logDet + df*math.Log(rest) + yPy + ss/rest
	if restricted {
		values--
		l += math.Log(prec)
	}
	return -(values*math.Log(2*math.Pi) + l) / 2
}

// finish turns traces and quadratic forms of the cells' means into slopes, with the squares within cells.
func (p *point) finish(trace, quad []float64, df, ss, rest float64) {
	p.slope = make([]float64, len(trace))
	last := len(trace) - 1
	trace[last] += df / rest
	quad[last] += ss / (rest * rest)
	for i := range trace {
		p.slope[i] = (quad[i] - trace[i]) / 2
	}
}

// average fills in the average information from V_i Py (turned) and V^-1 V_i Py (against).
func (p *point) average(turned, against [][]float64, one []float64, ss, rest float64) {
	k := len(turned)
	p.info = mat.NewSymDense(k, nil)
	along := make([]float64, k)
	for i, t := range turned {
		for c, v := range t {
			along[i] += v * one[c]
		}
	}
	for i := range k {
		for j := i; j < k; j++ {
			s := 0.0
			for c, v := range turned[i] {
				s += v * against[j][c]
			}
			s -= along[i] * along[j] / p.meanPrec
			if i == k-1 {
				s += ss / (rest * rest * rest)
			}
			p.info.SetSym(i, j, s/2)
		}
	}
}
