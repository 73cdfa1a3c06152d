package runlength

import (
	"math"
	"slices"

	"sagwatch/spc/refusal"
)

// IndividualsMR is the chart of individuals together with that of their moving ranges of two, in standard units: it
// signals when |x_i| > L or |x_i - x_(i-1)| > D. L or D may be +Inf, which leaves that chart out.
//
// The usual D is 3.686 (D4 d2 = 3.267 x 1.128). A moving-range chart has no lower limit.
type IndividualsMR struct{ L, D float64 }

// panelNodes is the number of Gauss-Legendre nodes of a panel.
const panelNodes = 12

// RunLength is the run length for independent points of distribution d, which must have a density. With v(x) for what
// follows a point x,
//
//	v(x) = 1 + integral v(y) f(y) dy  over  max(-L, x-D) < y < min(L, x+D)
//
// whose solution has kinks at -L + iD and L - iD: panels between them, subdivided to 1.5 standard deviations, with 12
// nodes each; integrals over part of a panel are those of the polynomial through its nodes. Relative error about
// 1e-9. The first point has no moving range. In the steady state (Options.Before) it has.
//
// It refuses limits not above 0, and both infinite.
//
// Source: S. V. Crowder, "Computation of ARL for combined individual measurement and moving range charts", J. Quality
// Technology 19 (1987), 98-102; equation from memory.
func (c IndividualsMR) RunLength(d Distribution, o Options) (RunLength, error) {
	f, err := dense(d)
	if err != nil {
		return RunLength{}, err
	}
	if err := o.check(); err != nil {
		return RunLength{}, err
	}
	switch {
	case !(c.L > 0):
		return RunLength{}, refusal.Setting("the limit of the individuals", c.L, "it must be above 0")
	case !(c.D > 0):
		return RunLength{}, refusal.Setting("the limit of the moving ranges", c.D, "it must be above 0")
	case math.IsInf(c.L, 1) && math.IsInf(c.D, 1):
		return RunLength{}, refusal.Unsolved("a chart without limits never signals")
	}
	all := []Density{f}
	for _, more := range []Distribution{o.First, o.Before} {
		if more != nil {
			g, err := dense(more)
			if err != nil {
				return RunLength{}, err
			}
			all = append(all, g)
		}
	}
	lo, hi, width := math.Inf(1), math.Inf(-1), math.Inf(1)
	for _, g := range all {
		lo = math.Min(lo, quantile(g, 1e-17))
		hi = math.Max(hi, -quantile(mirrored{g}, 1e-17))
		width = math.Min(width, spread(g))
	}
	lo, hi = math.Max(lo, -c.L), math.Min(hi, c.L)
	if lo >= hi { // all points lie beyond the limits
		return Geometric(1)
	}
	p, err := c.panels(lo, hi, width)
	if err != nil {
		return RunLength{}, err
	}
	first := f
	if o.First != nil {
		first, _ = dense(o.First)
	}
	u := p.fresh()
	if o.Before != nil {
		before, _ := dense(o.Before)
		k := p.kernel(before)
		if _, err := follow(len(p.x)*len(p.x), func() (float64, float64) { return u.step(k) }); err != nil {
			return RunLength{}, err
		}
	}
	later := p.kernel(f)
	kernel := later
	if o.First != nil {
		kernel = p.kernel(first)
	}
	l, err := follow(len(p.x)*len(p.x), func() (float64, float64) {
		k := kernel
		kernel = later
		return u.step(k)
	})
	if err != nil {
		return RunLength{}, err
	}
	return l.result(IntegralEquation, len(p.x))
}

// panels is the quadrature of a moving-range chart.
type panels struct {
	c      IndividualsMR
	lo, hi float64
	edges  []float64
	x, w   []float64 // nodes and weights, panelNodes to a panel
	bary   []float64 // barycentric weights of the nodes of one panel
}

func (c IndividualsMR) panels(lo, hi, width float64) (*panels, error) {
	p := &panels{c: c, lo: lo, hi: hi}
	p.edges = []float64{lo, hi}
	if (hi-lo)/width > 60 || (hi-lo)/c.D > 30 {
		return nil, refusal.Unsolved("the limits are too far from the spread of the points for this chart to be worked out")
	}
	for i := 1.0; i*c.D < hi-lo; i++ {
		p.edges = append(p.edges, lo+i*c.D, hi-i*c.D)
	}
	slices.Sort(p.edges)
	p.edges = slices.CompactFunc(p.edges, func(a, b float64) bool { return math.Abs(b-a) < 1e-9*(hi-lo) })
	for i := len(p.edges) - 1; i > 0; i-- {
		a, b := p.edges[i-1], p.edges[i]
		n := int(math.Ceil((b - a) / (1.5 * width)))
		for j := n - 1; j > 0; j-- {
			p.edges = slices.Insert(p.edges, i, a+(b-a)*float64(j)/float64(n))
		}
	}
	for i := 1; i < len(p.edges); i++ {
		x, w := gauss(panelNodes, p.edges[i-1], p.edges[i])
		p.x, p.w = append(p.x, x...), append(p.w, w...)
	}
	unit, _ := gauss(panelNodes, -1, 1)
	for i := range unit {
		b := 1.0
		for j := range unit {
			if i != j {
				b *= unit[i] - unit[j]
			}
		}
		p.bary = append(p.bary, 1/b)
	}
	return p, nil
}

// mrKernel takes one point to the next.
type mrKernel struct {
	first, to []float64 // of a first point, and n x n
	firstOut  float64
	out       []float64 // probability of a signal
}

func (p *panels) kernel(d Density) *mrKernel {
	n := len(p.x)
	k := &mrKernel{first: make([]float64, n), to: make([]float64, n*n), out: make([]float64, n)}
	for j := range n {
		k.first[j] = p.w[j] * d.PDF(p.x[j])
	}
	k.firstOut = d.CDF(p.lo) + d.Tail(p.hi)
	for i, x := range p.x {
		row := k.to[i*n : (i+1)*n]
		lo, hi := math.Max(p.lo, x-p.c.D), math.Min(p.hi, x+p.c.D)
		k.out[i] = d.CDF(lo) + d.Tail(hi)
		for e := 1; e < len(p.edges); e++ {
			a, b := p.edges[e-1], p.edges[e]
			from, to := math.Max(a, lo), math.Min(b, hi)
			part := row[(e-1)*panelNodes : e*panelNodes]
			switch {
			case from >= to:
			case from == a && to == b:
				copy(part, k.first[(e-1)*panelNodes:e*panelNodes])
			default:
				p.partial(part, p.x[(e-1)*panelNodes:e*panelNodes], from, to, d)
			}
		}
	}
	return k
}

// partial integrates f times each polynomial that is 1 at one node of the panel and 0 at the others.
func (p *panels) partial(dst, nodes []float64, from, to float64, d Density) {
	y, w := gauss(panelNodes+4, from, to)
	var l [panelNodes]float64
	for q, t := range y {
		total, at := 0.0, -1
		for j, x := range nodes {
			if t == x {
				at = j
				break
			}
			l[j] = p.bary[j] / (t - x)
			total += l[j]
		}
		fw := w[q] * d.PDF(t)
		if at >= 0 {
			dst[at] += fw
			continue
		}
		for j := range l {
			dst[j] += fw * l[j] / total
		}
	}
}

// mrDensity is the probability at each node.
type mrDensity struct {
	u, v  []float64
	fresh bool
}

func (p *panels) fresh() *mrDensity {
	return &mrDensity{make([]float64, len(p.x)), make([]float64, len(p.x)), true}
}

func (m *mrDensity) step(k *mrKernel) (hazard, moved float64) {
	n := len(m.u)
	if m.fresh {
		m.fresh = false
		hazard = k.firstOut
		copy(m.v, k.first)
	} else {
		clear(m.v)
		for i, ui := range m.u {
			hazard += ui * k.out[i]
			for j, x := range k.to[i*n : (i+1)*n] {
				m.v[j] += ui * x
			}
		}
	}
	left := 0.0
	for _, x := range m.v {
		left += x
	}
	if left > 0 {
		for j := range m.v {
			m.v[j] /= left
			moved += math.Abs(m.v[j] - m.u[j])
		}
	}
	m.u, m.v = m.v, m.u
	return math.Max(0, math.Min(1, hazard)), moved
}
