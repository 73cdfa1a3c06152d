package dist

import (
	"math"
	"slices"

	"sagwatch/spc/refusal"
)

// NonlinearFit is the outcome of LeastSquares.
type NonlinearFit struct {
	Coef []float64 // p coefficients
	SS   float64   // sum of squared residuals
	DF   int       // n - p
	// Cofactor is (J'J)^-1 at the solution, p x p in rows, nil where J has not full rank there (Flat).
	Cofactor   []float64
	Flat       bool
	Iterations int
}

// ResidualSD is sqrt(SS/DF); NaN without degrees of freedom.
func (f *NonlinearFit) ResidualSD() float64 { return math.Sqrt(f.SS / float64(f.DF)) }

// StandardErrors are s sqrt(Cofactor_jj), the usual first-order ones; nil where Flat.
func (f *NonlinearFit) StandardErrors() []float64 {
	if f.Flat {
		return nil
	}
	p := len(f.Coef)
	out := make([]float64, p)
	for j := range out {
		out[j] = f.ResidualSD() * math.Sqrt(f.Cofactor[j*p+j])
	}
	return out
}

// LeastSquares minimises sum r_i(b)^2 over the p coefficients b from the starting values, for n >= p residuals written
// by residuals(dst, b), by the Levenberg-Marquardt method: each step minimises |r + J s|^2 + mu |D s|^2 by Householder QR,
// D holding the greatest column lengths of J so far (so that the units of the coefficients do not matter), and mu follows
// the ratio of the gained to the predicted reduction. Where jacobian is not nil it writes dr_i/db_j to dst[j*n+i], else
// central differences serve. Near the solution plain Gauss-Newton steps follow as long as they shrink, so that the
// coefficients come out to rounding; where J has not full rank (Flat) they are good to about half the digits.
//
// Refused: fewer residuals than coefficients, starting values or residuals there that are not finite, no convergence in
// 2000 steps. Residuals that are not finite elsewhere only shorten the step. The minimum is a local one.
//
// Source: D. W. Marquardt, J. SIAM 11 (1963), 431-441; J. J. More, "The Levenberg-Marquardt algorithm: implementation and
// theory", Lecture Notes in Mathematics 630 (1978), 105-116 (scaling); H. B. Nielsen, "Damping parameter in Marquardt's
// method", report IMM-REP-1999-05, Technical University of Denmark (1999).
func LeastSquares(n int, residuals func(dst, b []float64), jacobian func(dst, b []float64), start []float64) (*NonlinearFit, error) {
	p := len(start)
	if p == 0 {
		return nil, refusal.Few("coefficients", 0, 1)
	}
	if n < p {
		return nil, refusal.Few("residuals", n, p)
	}
	if err := refusal.Finite("starting values", start); err != nil {
		return nil, err
	}
	m := &marquardt{
		n: n, p: p, residuals: residuals, jacobian: jacobian,
		b: slices.Clone(start), trial: make([]float64, p), step: make([]float64, p), scale: make([]float64, p),
		r: make([]float64, n+p), next: make([]float64, n), j: make([]float64, n*p), rise: make([]float64, n),
		big: make([]float64, (n+p)*p), work: make([]float64, n+p), damped: NewQR(n+p, p), plain: NewQR(n, p),
	}
	if m.ss = m.at(m.r[:n], m.b); math.IsInf(m.ss, 1) {
		return nil, refusal.Unsolved("the residuals at the starting values are not finite")
	}
	for ; m.iterations < 2000; m.iterations++ {
		if m.ss == 0 {
			break
		}
		m.derive(false)
		done, err := m.damp()
		if err != nil {
			return nil, err
		}
		if done {
			break
		}
	}
	if m.iterations == 2000 {
		return nil, refusal.Unsolved("least squares did not converge in 2000 steps")
	}
	m.polish()
	f := &NonlinearFit{Coef: m.b, SS: m.ss, DF: n - p, Iterations: m.iterations}
	m.derive(true)
	if f.Flat = m.plain.Factor(m.j) != nil; !f.Flat {
		f.Cofactor = make([]float64, p*p)
		m.plain.Cofactor(f.Cofactor)
	}
	return f, nil
}

// marquardt is the state of one minimisation.
type marquardt struct {
	n, p                        int
	residuals, jacobian         func(dst, b []float64)
	b, trial, step, scale       []float64
	r, next, j, rise, big, work []float64
	damped, plain               *QR
	ss, mu, grow                float64
	iterations                  int
}

// at writes the residuals and gives their sum of squares, +Inf where it is not finite.
func (m *marquardt) at(r, b []float64) float64 {
	m.residuals(r, b)
	var a Accumulator
	for _, v := range r {
		a.Add(v * v)
	}
	if s := a.Sum(); s <= math.MaxFloat64 {
		return s
	}
	return math.Inf(1)
}

// derive fills the Jacobian at b; entries that are not finite become zero.
func (m *marquardt) derive(fine bool) {
	n := m.n
	if m.jacobian != nil {
		m.jacobian(m.j, m.b)
	} else {
		m.differences(fine)
	}
	for i, v := range m.j {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			m.j[i] = 0
		}
	}
	for k := range m.p {
		m.scale[k] = math.Max(m.scale[k], length(m.j[k*n:(k+1)*n]))
	}
}

// differences fills the Jacobian by central differences of second order or, fine, of fourth order.
func (m *marquardt) differences(fine bool) {
	step := 6e-6 // about the cube root of the rounding
	if fine {
		step = 5e-5
	}
	copy(m.trial, m.b)
	for k := range m.p {
		col := m.j[k*m.n : (k+1)*m.n]
		clear(col)
		h := step * math.Abs(m.b[k])
		if h == 0 {
			h = step
		}
		h = (m.b[k] + h) - m.b[k] // exactly the difference that is taken
		add := func(d, weight float64) {
			m.trial[k] = m.b[k] + d
			m.residuals(m.rise, m.trial)
			m.trial[k] = m.b[k] - d
			m.residuals(m.next, m.trial)
			for i, v := range m.rise {
				col[i] += weight * (v - m.next[i])
			}
		}
		if fine { // (8 (f(h) - f(-h)) - (f(2h) - f(-2h))) / 12h
			add(h, 8/(12*h))
			add(2*h, -1/(12*h))
		} else {
			add(h, 1/(2*h))
		}
		m.trial[k] = m.b[k]
	}
}

// damp takes damped steps until one lowers the sum of squares, and says whether that is all that can be gained.
func (m *marquardt) damp() (done bool, err error) {
	n, p, rows := m.n, m.p, m.n+m.p
	if m.iterations == 0 {
		m.mu, m.grow = 1e-3, 2
	}
	for range 200 {
		clear(m.big)
		for k := range p {
			copy(m.big[k*rows:], m.j[k*n:(k+1)*n])
			d := m.scale[k]
			if d == 0 {
				d = 1 // the coefficient has no effect here
			}
			m.big[k*rows+n+k] = math.Sqrt(m.mu) * d
		}
		for i := range n {
			m.r[i] = -m.r[i]
		}
		clear(m.r[n:])
		bad := m.damped.Factor(m.big) != nil
		left := 0.0
		if !bad {
			left = m.damped.Solve(m.step, m.work, m.r)
		}
		for i := range n {
			m.r[i] = -m.r[i]
		}
		if bad {
			m.mu = math.Max(m.mu, 1e-12) * 10
			continue
		}
		far := 0.0
		for k, s := range m.step {
			m.trial[k] = m.b[k] + s
			far = math.Max(far, math.Abs(s)/(math.Abs(m.b[k])+1e-300))
		}
		ss := m.at(m.next, m.trial)
		predicted := m.ss - left
		if ss < m.ss {
			ratio := (m.ss - ss) / predicted
			small := m.ss-ss <= 1e-13*m.ss && predicted <= 1e-13*m.ss
			copy(m.b, m.trial)
			copy(m.r[:n], m.next)
			m.ss = ss
			t := 2*ratio - 1
			m.mu *= math.Max(1.0/3, 1-t*t*t)
			m.grow = 2
			return small && m.mu < 1, nil
		}
		if far < 1e-14 || predicted <= 1e-15*m.ss && m.mu < 1 {
			return true, nil
		}
		m.mu *= m.grow
		m.grow *= 2
	}
	return true, nil
}

// polish takes Gauss-Newton steps, of which the sum of squares no longer tells anything, as long as they shrink.
func (m *marquardt) polish() {
	last := math.Inf(1)
	for range 20 {
		m.derive(true)
		if m.plain.Factor(m.j) != nil {
			return
		}
		for i := range m.n {
			m.work[i] = -m.r[i]
		}
		m.plain.Solve(m.step, m.next, m.work)
		far := 0.0
		for k, s := range m.step {
			m.trial[k] = m.b[k] + s
			far = math.Max(far, math.Abs(s)*m.scale[k])
		}
		if !(far < last) || far == 0 {
			return
		}
		ss := m.at(m.next, m.trial)
		if !(ss <= m.ss*(1+1e-9)) {
			return
		}
		last = far
		copy(m.b, m.trial)
		copy(m.r[:m.n], m.next)
		m.ss = ss
	}
}
