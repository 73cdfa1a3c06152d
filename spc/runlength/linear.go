package runlength

import (
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/mat"

	"sagwatch/spc/refusal"
)

// linear is a chart whose statistic is z' = a z + b x for independent points x, b > 0, and that signals when |z'| > h.
// An EWMA has a = 1 - lambda, b = lambda; a first-order autoregression that is plotted itself has a = phi and b = the
// standard deviation of its innovations.
//
// Its average run length from z obeys the integral equation
//
//	L(z) = 1 + integral_(-h)^h L(y) f((y - a z) / b) / b dy
//
// which is solved by Nystrom's method on Gauss-Legendre nodes.
//
// Source: S. V. Crowder, "A simple method for studying run-length distributions of exponentially weighted moving
// average charts", Technometrics 29 (1987), 401-407.
type linear struct{ a, b, h float64 }

// nodes is the number of Gauss-Legendre nodes that resolve a kernel of width w on an interval of half-length half:
// their distance in the middle, pi half / n, is then below w/1.6, at which the quadrature of a normal density is good to
// better than 1e-13.
func nodes(half, w float64) (int, error) {
	n := 16 + math.Ceil(5.2*half/w)
	if !(n <= 600) {
		return 0, refusal.Unsolved("the points spread too little for this chart to be worked out (%.3g of its limits)", w/half)
	}
	if n == 26 { // the one rule that the library has wrong: its weights sum to 1 % too little (gonum v0.17)
		n++
	}
	return int(n), nil
}

// gauss gives nodes and weights on (lo, hi).
func gauss(n int, lo, hi float64) (x, w []float64) {
	x, w = make([]float64, n), make([]float64, n)
	quad.Legendre{}.FixedLocations(x, w, lo, hi)
	return x, w
}

// out is the probability that the next value lies beyond the limits ±h.
func (c linear) out(d Distribution, z, h float64) float64 {
	return d.Tail((h-c.a*z)/c.b) + d.CDF((-h-c.a*z)/c.b)
}

// arl solves the integral equation and gives L(start).
func (c linear) arl(d Density, start float64) (float64, int, error) {
	n, err := nodes(c.h, c.b*spread(d))
	if err != nil {
		return 0, 0, err
	}
	x, w := gauss(n, -c.h, c.h)
	m := mat.NewDense(n, n, nil)
	one := make([]float64, n)
	for i := range n {
		row := m.RawRowView(i)
		for j := range n {
			row[j] = -w[j] * d.PDF((x[j]-c.a*x[i])/c.b) / c.b
		}
		row[i]++
		one[i] = 1
	}
	l, err := solve(m, mat.NewDense(n, 1, one))
	if err != nil {
		return 0, 0, err
	}
	arl := 1.0
	for j := range n {
		arl += w[j] * d.PDF((x[j]-c.a*start)/c.b) / c.b * l.At(j, 0)
	}
	if !(arl >= 1-1e-9) || math.IsInf(arl, 0) {
		return 0, 0, refusal.Unsolved("the run length is beyond what can be worked out")
	}
	return math.Max(1, arl), n, nil
}

// solve is m^-1 b. A badly conditioned m (a very long run length) is no error, a singular one is.
func solve(m, b *mat.Dense) (*mat.Dense, error) {
	var lu mat.LU
	lu.Factorize(m)
	var x mat.Dense
	if err := lu.SolveTo(&x, false, b); err != nil {
		if c, ok := err.(mat.Condition); !ok || math.IsInf(float64(c), 0) || float64(c) > 1e15 {
			return nil, refusal.Unsolved("the run length is beyond what can be worked out")
		}
	}
	return &x, nil
}

// phase is which distribution points have: before the run, at its first point, afterwards.
type phase int

const (
	beforeIt phase = iota
	firstPoint
	afterwards
)

// density follows the probability density of the statistic among the charts that have not signalled, on nodes that
// scale with the limits.
type density struct {
	c     linear
	unit  []float64 // nodes on (-1, 1)
	w     []float64 // their weights
	u     []float64 // probability at each node: density times weight; sums to 1
	next  []float64
	h     float64 // the present half-width
	point bool    // all probability is still at z
	z     float64
	k     [3][]float64 // by phase, the kernel n x n between nodes at the settled limits
}

func (c linear) density(n int, start float64) *density {
	p := &density{c: c, u: make([]float64, n), next: make([]float64, n), h: c.h, point: true, z: start}
	p.unit, p.w = gauss(n, -1, 1)
	return p
}

// step takes the next point to limits ±h; d is the distribution of points in this phase.
func (p *density) step(d Density, phase phase, h float64) (hazard, moved float64) {
	n := len(p.unit)
	clear(p.next)
	switch {
	case p.point:
		hazard = p.c.out(d, p.z, h)
		for j := range n {
			p.next[j] = h * p.w[j] * d.PDF((h*p.unit[j]-p.c.a*p.z)/p.c.b) / p.c.b
		}
		p.point = false
	default:
		var k []float64
		if h == p.h && h == p.c.h {
			if p.k[phase] == nil {
				p.k[phase] = make([]float64, n*n)
				p.fill(p.k[phase], d, h)
			}
			k = p.k[phase]
		}
		row := make([]float64, n)
		for i, ui := range p.u {
			if ui < 1e-300 {
				continue
			}
			hazard += ui * p.c.out(d, p.h*p.unit[i], h)
			if k != nil {
				row = k[i*n : (i+1)*n]
			} else {
				p.line(row, i, d, h)
			}
			for j, v := range row {
				p.next[j] += ui * v
			}
		}
	}
	left := 0.0
	for _, v := range p.next {
		left += v
	}
	if left > 0 {
		for j := range p.next {
			p.next[j] /= left
			moved += math.Abs(p.next[j] - p.u[j])
		}
	}
	if p.h != h {
		moved = 1
	}
	p.u, p.next, p.h = p.next, p.u, h
	return math.Min(1, hazard), moved
}

func (p *density) line(row []float64, i int, d Density, h float64) {
	from := p.c.a * p.h * p.unit[i]
	for j := range row {
		row[j] = h * p.w[j] * d.PDF((h*p.unit[j]-from)/p.c.b) / p.c.b
	}
}

func (p *density) fill(k []float64, d Density, h float64) {
	n := len(p.unit)
	for i := range n {
		p.line(k[i*n:(i+1)*n], i, d, h)
	}
}

// law follows a chart from start: limits gives the half-width at point i = 1, 2, ... of the run, which must settle.
func (c linear) law(d Density, o Options, start float64, limits func(i int) float64) (RunLength, error) {
	width := spread(d)
	first := d
	var before Density
	var err error
	if o.First != nil {
		if first, err = dense(o.First); err != nil {
			return RunLength{}, err
		}
		width = math.Min(width, spread(first))
	}
	if o.Before != nil {
		if before, err = dense(o.Before); err != nil {
			return RunLength{}, err
		}
		width = math.Min(width, spread(before))
	}
	n, err := nodes(c.h, c.b*width)
	if err != nil {
		return RunLength{}, err
	}
	p := c.density(n, start)
	if before != nil {
		if _, err := follow(n*n, func() (float64, float64) { return p.step(before, beforeIt, c.h) }); err != nil {
			return RunLength{}, err
		}
		limits = func(int) float64 { return c.h }
	}
	i := 0
	l, err := follow(n*n, func() (float64, float64) {
		i++
		if i == 1 {
			return p.step(first, firstPoint, limits(1))
		}
		return p.step(d, afterwards, limits(i))
	})
	if err != nil {
		return RunLength{}, err
	}
	return l.result(IntegralEquation, n)
}
