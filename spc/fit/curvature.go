package fit

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"sagwatch/spc/refusal"
)

// curvature is gradient and second derivatives of f at p in the free coordinates by differences of fourth order, whose
// steps h are set from the curvature itself: a fixed share of the conditional standard error of each coordinate.
type curvature struct {
	f    func(p []float64) float64
	free []int
	h    []float64
	g    []float64
	m    *mat.SymDense // minus the second derivatives
	at   float64
}

// stepShare is that share: small enough for the rest of fourth order, large enough for the rounding of a likelihood of
// millions.
const stepShare = 0.03

// around works out the derivatives; ok is false where f is not curved downwards along a coordinate or not finite.
func (c *curvature) around(p []float64) bool {
	k := len(c.free)
	c.g, c.m = make([]float64, k), mat.NewSymDense(k, nil)
	q := append([]float64(nil), p...)
	c.at = c.f(p)
	if math.IsInf(c.at, 0) || math.IsNaN(c.at) {
		return false
	}
	for a, i := range c.free {
		for try := 0; ; try++ {
			if try == 40 {
				return false
			}
			h := c.h[a]
			at := func(d float64) float64 {
				q[i] = p[i] + d*h
				v := c.f(q)
				q[i] = p[i]
				return v
			}
			u1, d1, u2, d2 := at(1), at(-1), at(2), at(-2)
			second := (16*(u1+d1) - (u2 + d2) - 30*c.at) / (12 * h * h)
			if math.IsNaN(second) || math.IsInf(second, 0) {
				c.h[a] = h / 4
				continue
			}
			if !(second < 0) {
				if try > 20 {
					return false
				}
				c.h[a] = h / 3
				continue
			}
			want := stepShare / math.Sqrt(-second)
			if r := want / h; (r > 1.5 || r < 1/1.5) && try < 20 {
				if r > 10 {
					want = 10 * h
				}
				// Not so far that an infinite value made the step short before.
				if try > 8 {
					want = math.Min(want, h)
				}
				if want != h {
					c.h[a] = want
					continue
				}
			}
			c.g[a] = (8*(u1-d1) - (u2 - d2)) / (12 * h)
			c.m.SetSym(a, a, -second)
			break
		}
	}
	for a := range c.free {
		for b := range a {
			cross := func(d float64) float64 {
				i, j := c.free[a], c.free[b]
				at := func(x, y float64) float64 {
					q[i], q[j] = p[i]+x*d*c.h[a], p[j]+y*d*c.h[b]
					v := c.f(q)
					q[i], q[j] = p[i], p[j]
					return v
				}
				return (at(1, 1) - at(1, -1) - at(-1, 1) + at(-1, -1)) / (4 * d * d * c.h[a] * c.h[b])
			}
			v := (4*cross(1) - cross(2)) / 3
			if math.IsNaN(v) || math.IsInf(v, 0) {
				return false
			}
			c.m.SetSym(a, b, -v)
		}
	}
	return true
}

// target is the log likelihood of a sample as a function of a family's parameters.
func target(s *Sample, family Family) func(p []float64) float64 {
	return func(p []float64) float64 {
		d, err := New(family, p...)
		if err != nil {
			return math.Inf(-1)
		}
		return logLikelihood(s, d)
	}
}

// steps are first guesses of the steps, from rough standard errors.
func steps(s *Sample, family Family, p []float64, free []int) []float64 {
	sp := specs[family]
	_, sd := s.MeanSD()
	root := math.Sqrt(float64(s.n))
	h := make([]float64, len(free))
	for a, i := range free {
		size := math.Abs(p[i])
		if !sp.scale[i] {
			switch sp.units[i] {
			case OfValues:
				size = sd
			case OfLogs:
				size = p[1]
			default:
				size = 1
			}
		}
		h[a] = stepShare * size / root
	}
	return h
}

// covariance is the inverse of minus the second derivatives of the log likelihood at p, in the free parameters; ok is
// false where they are not those of a maximum. curved is those derivatives where a search has them, else nil.
func covariance(s *Sample, family Family, p []float64, free []int, curved *mat.SymDense) ([][]float64, bool) {
	if curved == nil {
		c := &curvature{f: target(s, family), free: free, h: steps(s, family, p, free)}
		if !c.around(p) {
			return nil, false
		}
		curved = c.m
	}
	inv, ok := inverse(curved)
	if !ok {
		return nil, false
	}
	out := make([][]float64, len(free))
	for a := range out {
		out[a] = make([]float64, len(free))
		for b := range out[a] {
			out[a][b] = inv.At(a, b)
		}
	}
	return out, true
}

// inverse of a positive definite matrix, worked out on its correlations; ok is false where it is not positive definite
// beyond what the differences can tell.
func inverse(m *mat.SymDense) (*mat.SymDense, bool) {
	k := m.SymmetricDim()
	r := mat.NewSymDense(k, nil)
	for a := range k {
		for b := range a + 1 {
			r.SetSym(a, b, m.At(a, b)/math.Sqrt(m.At(a, a)*m.At(b, b)))
		}
	}
	var ch mat.Cholesky
	if !ch.Factorize(r) || ch.Cond() > 1e10 {
		return nil, false
	}
	var inv mat.SymDense
	if err := ch.InverseTo(&inv); err != nil {
		return nil, false
	}
	for a := range k {
		for b := range a + 1 {
			v := inv.At(a, b) / math.Sqrt(m.At(a, a)*m.At(b, b))
			if math.IsNaN(v) || math.IsInf(v, 0) {
				return nil, false
			}
			inv.SetSym(a, b, v)
		}
	}
	return &inv, true
}

// refine climbs from p, the fit to the middles of a histogram's bins, to the maximum of the probabilities of the bins by
// Newton's method with halved steps.
func refine(s *Sample, family Family, p []float64, why *search) ([]float64, error) {
	var free []int
	for i := range p {
		if !why.fixed[i] {
			free = append(free, i)
		}
	}
	f := target(s, family)
	c := &curvature{f: f, free: free, h: steps(s, family, p, free)}
	const most = 60
	for why.iterations = 1; why.iterations <= most; why.iterations++ {
		if !c.around(p) {
			return nil, refusal.Unsolved("the likelihood of a %s distribution has no maximum near that of the bins' middles: the bins are too coarse", family)
		}
		step, ok := newtonStep(c.m, c.g)
		if !ok {
			return nil, refusal.Unsolved("the likelihood of a %s distribution is too flat to be maximised on these bins", family)
		}
		gain := 0.0
		for a := range free {
			gain += step[a] * c.g[a]
		}
		moved := false
		for t := 1.0; t > 1e-6; t /= 2 {
			q := append([]float64(nil), p...)
			for a, i := range free {
				q[i] += t * step[a]
			}
			if v := f(q); v >= c.at {
				p, moved = q, true
				break
			}
		}
		if gain < 1e-9 || !moved {
			if gain > 1e-2 {
				return nil, refusal.Unsolved("the search for the greatest likelihood of a %s distribution did not converge", family)
			}
			why.curved = c.m
			why.stopped = converged + " on the probabilities of the bins"
			if family == FoldedNormal {
				p[0] = math.Abs(p[0])
			}
			return p, nil
		}
	}
	return nil, refusal.Unsolved("the search for the greatest likelihood of a %s distribution did not converge in %d steps", family, most)
}

// newtonStep solves m step = g, with m made positive definite where it is not.
func newtonStep(m *mat.SymDense, g []float64) ([]float64, bool) {
	k := len(g)
	for ridge := 0.0; ridge < 1e3; ridge = 10*ridge + 1e-4 {
		r := mat.NewSymDense(k, nil)
		for a := range k {
			for b := range a + 1 {
				v := m.At(a, b) / math.Sqrt(m.At(a, a)*m.At(b, b))
				if a == b {
					v = 1 + ridge
				}
				r.SetSym(a, b, v)
			}
		}
		var ch mat.Cholesky
		if !ch.Factorize(r) {
			continue
		}
		rhs := mat.NewVecDense(k, nil)
		for a := range k {
			rhs.SetVec(a, g[a]/math.Sqrt(m.At(a, a)))
		}
		var x mat.VecDense
		if err := ch.SolveVecTo(&x, rhs); err != nil {
			continue
		}
		out := make([]float64, k)
		for a := range k {
			out[a] = x.AtVec(a) / math.Sqrt(m.At(a, a))
			if math.IsNaN(out[a]) || math.IsInf(out[a], 0) {
				return nil, false
			}
		}
		return out, true
	}
	return nil, false
}
