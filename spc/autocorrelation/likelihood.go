package autocorrelation

import "math"

// exact is the exact Gaussian likelihood of a standardised series as a function of a model's coefficients alone: mean
// and sigma at their best values for given coefficients are worked out beside.
type exact struct {
	y     []float64 // standardised, NaN where missing
	n     int       // points present
	order Order
	mean  *float64 // given mean, standardised; nil where it is estimated
}

// profile is the likelihood at one set of coefficients.
type profile struct {
	minus2 float64 // -2 log likelihood
	mean   float64 // generalised least squares estimate or the given mean
	sigma2 float64 // innovation variance, denominator n
	unit   float64 // sum of the squared standardised innovations of a constant 1: the mean's information times sigma^2
}

// at runs the Kalman filter over the series and, with the same gains, over a constant 1. Innovations are linear in the
// series, so that those of y - mean are v - mean w: mean and sigma follow by generalised least squares.
func (l *exact) at(m Model) profile {
	f1, f2, q := m.AR1, m.AR2, m.MA
	p := m.start()
	var a1, a2, b1, b2 float64 // states of the series and of the constant
	var svv, svw, sww, logs float64
	det := 1.0
	for _, y := range l.y {
		if y != y {
			a1, a2 = f1*a1+a2, f2*a1
			b1, b2 = f1*b1+b2, f2*b1
			p = [3]float64{f1*f1*p[0] + 2*f1*p[1] + p[2] + 1, f2*(f1*p[0]+p[1]) + q, f2*f2*p[0] + q*q}
			continue
		}
		v, w := y-a1, 1-b1
		if p[0] == 1 { // settled: the usual case, without divisions
			svv += v * v
			svw += v * w
			sww += w * w
			a1, a2 = f1*y+a2+p[1]*v, f2*y
			b1, b2 = f1+b2+p[1]*w, f2
			continue
		}
		inv := 1 / p[0]
		if det *= p[0]; det > 1e200 || det < 1e-200 {
			logs += math.Log(det)
			det = 1
		}
		svv += v * v * inv
		svw += v * w * inv
		sww += w * w * inv
		gain := p[1] * inv
		a1, a2 = f1*y+a2+gain*v, f2*y
		b1, b2 = f1+b2+gain*w, f2
		p = [3]float64{1 + math.Max(0, p[2]-gain*p[1]), q, q * q}
	}
	logs += math.Log(det)
	r := profile{unit: sww}
	if l.mean != nil {
		r.mean = *l.mean
	} else {
		r.mean = svw / sww
	}
	n := float64(l.n)
	r.sigma2 = (svv - 2*r.mean*svw + r.mean*r.mean*sww) / n
	r.minus2 = n*(math.Log(2*math.Pi*r.sigma2)+1) + logs
	if math.IsNaN(r.minus2) || r.sigma2 <= 0 {
		r.minus2 = math.Inf(1)
	}
	return r
}

// model turns free parameters u (any real numbers) into coefficients: partial autocorrelations are tanh u, so that every u
// is a stationary and invertible model.
//
// Source: O. Barndorff-Nielsen and G. Schou, J. Multivariate Analysis 3 (1973), 408-419; R. H. Jones (1980).
func (l *exact) model(u []float64) Model {
	m := Model{Order: l.order}
	switch l.order.AR {
	case 1:
		m.AR1 = math.Tanh(u[0])
	case 2:
		m.AR2 = math.Tanh(u[1])
		m.AR1 = math.Tanh(u[0]) * (1 - m.AR2)
	}
	if l.order.MA == 1 {
		m.MA = math.Tanh(u[l.order.AR])
	}
	return m
}

// coefficients lists a model's coefficients in the order of the free parameters.
func (m Model) coefficients() []float64 {
	c := []float64{m.AR1, m.AR2}[:m.Order.AR]
	if m.Order.MA == 1 {
		c = append(c, m.MA)
	}
	return c
}

// bound is the greatest |u| looked at: partial autocorrelations and moving-average coefficients up to tanh 5 = 0.99991.
const bound = 5

// step is the step of the numerical derivatives: gradients, of fourth order, are then good to about 1e-12.
const step = 1e-3

func (l *exact) value(u []float64) float64 { return l.at(l.model(u)).minus2 }

// derivatives gives gradient and Hessian of -2 log likelihood in u.
func (l *exact) derivatives(u []float64, f0 float64) (grad []float64, hess [][]float64) {
	k := len(u)
	grad, hess = make([]float64, k), make([][]float64, k)
	v := append([]float64(nil), u...)
	at := func(i int, di float64, j int, dj float64) float64 {
		v[i] += di
		v[j] += dj
		f := l.value(v)
		copy(v, u)
		return f
	}
	for i := range k {
		hess[i] = make([]float64, k)
		p1, m1, p2, m2 := at(i, step, i, 0), at(i, -step, i, 0), at(i, 2*step, i, 0), at(i, -2*step, i, 0)
		grad[i] = (8*(p1-m1) - (p2 - m2)) / (12 * step)
		hess[i][i] = (16*(p1+m1) - (p2 + m2) - 30*f0) / (12 * step * step)
		for j := range i {
			h := (at(i, step, j, step) - at(i, step, j, -step) - at(i, -step, j, step) + at(i, -step, j, -step)) / (4 * step * step)
			hess[i][j], hess[j][i] = h, h
		}
	}
	return grad, hess
}

// maximise finds the greatest likelihood: the best places of a grid first (ARMA likelihoods can have several maxima), then
// damped Newton steps from each. It says whether the steps settled.
func (l *exact) maximise() (u []float64, iterations int, settled bool) {
	k := l.order.coefficients()
	if k == 0 {
		return nil, 0, true
	}
	best := math.Inf(1)
	for _, start := range l.grid(k) {
		v, f, it, ok := l.newton(start)
		iterations += it
		if f < best-1e-9*math.Abs(best) || u == nil {
			u, best, settled = v, f, ok
		}
	}
	return u, iterations, settled
}

// grid gives the two best places of a grid that are not neighbours. A long series is looked at by its first part.
func (l *exact) grid(k int) [][]float64 {
	short := *l
	const enough = 1000
	if len(short.y) > enough {
		short.y = short.y[:enough]
		short.n = 0
		for _, v := range short.y {
			if v == v {
				short.n++
			}
		}
		if short.n < enough/2 {
			short = *l
		}
	}
	at := []float64{-2, -1.2, -0.7, -0.3, 0, 0.3, 0.7, 1.2, 2}
	if k == 3 {
		at = []float64{-1.5, -0.7, -0.2, 0.2, 0.7, 1.5}
	}
	total := 1
	for range k {
		total *= len(at)
	}
	place := func(c int) []float64 {
		u := make([]float64, k)
		for i := range u {
			u[i] = at[c%len(at)]
			c /= len(at)
		}
		return u
	}
	var first, second []float64
	f1, f2 := math.Inf(1), math.Inf(1)
	all := make([]float64, total)
	for c := range total {
		if all[c] = short.value(place(c)); all[c] < f1 || first == nil {
			first, f1 = place(c), all[c]
		}
	}
	for c := range total {
		u := place(c)
		d := 0.0
		for i := range u {
			d = math.Max(d, math.Abs(u[i]-first[i]))
		}
		if d > 1 && all[c] < f2 {
			second, f2 = u, all[c]
		}
	}
	if k == 1 || second == nil {
		return [][]float64{first}
	}
	return [][]float64{first, second}
}

func (l *exact) newton(u []float64) (at []float64, f float64, iterations int, settled bool) {
	f = l.value(u)
	damp := 1e-3
	for iterations = 1; iterations <= 60; iterations++ {
		grad, hess := l.derivatives(u, f)
		size := 0.0
		for i := range grad {
			size = math.Max(size, math.Abs(hess[i][i]))
		}
		moved := false
		for range 30 {
			s, ok := solveDamped(hess, grad, damp*math.Max(size, 1e-8))
			if ok {
				v := make([]float64, len(u))
				length, cut := 0.0, false
				for i := range u {
					v[i] = math.Max(-bound, math.Min(bound, u[i]-math.Max(-1, math.Min(1, s[i]))))
					length = math.Max(length, math.Abs(v[i]-u[i]))
					cut = cut || math.Abs(v[i]) == bound
				}
				if length < 1e-10 {
					return u, f, iterations, true
				}
				if g := l.value(v); g < f || length < 1e-6 && g <= f+1e-12*math.Abs(f) {
					small := length < 1e-7 && !cut
					u, f, moved = v, g, true
					damp *= 0.05
					if small {
						return u, f, iterations, true
					}
					break
				}
			}
			damp = math.Max(damp*8, 1e-9)
		}
		if !moved { // no step helps: at a maximum to the accuracy of the likelihood itself
			return u, f, iterations, true
		}
	}
	return u, f, iterations, false
}

// solveDamped solves (h + d I) s = g for a symmetric h by Cholesky's method; false where that is not positive definite.
func solveDamped(h [][]float64, g []float64, d float64) ([]float64, bool) {
	k := len(g)
	c := make([][]float64, k)
	s := append([]float64(nil), g...)
	for i := range k {
		c[i] = make([]float64, i+1)
		for j := range i + 1 {
			v := h[i][j]
			if i == j {
				v += d
			}
			for m := range j {
				v -= c[i][m] * c[j][m]
			}
			if i == j {
				if !(v > 0) || math.IsInf(v, 0) {
					return nil, false
				}
				c[i][i] = math.Sqrt(v)
			} else {
				c[i][j] = v / c[j][j]
			}
		}
		for m := range i {
			s[i] -= c[i][m] * s[m]
		}
		s[i] /= c[i][i]
	}
	for i := k - 1; i >= 0; i-- {
		for m := i + 1; m < k; m++ {
			s[i] -= c[m][i] * s[m]
		}
		s[i] /= c[i][i]
	}
	return s, true
}
