package runlength

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"sagwatch/spc/refusal"
)

// Sides says on which side a cumulative sum looks.
type Sides int8

// Sides of a CUSUM.
const (
	TwoSided Sides = iota
	UpperOnly
	LowerOnly
)

// CUSUM is a tabular cumulative sum chart of points in standard units (target 0):
//
//	S+_i = max(0, S+_(i-1) + x_i - K),  S-_i = max(0, S-_(i-1) - x_i - K),  S±_0 = HeadStart
//	signal when S+ > H or S- > H
//
// Sources: E. S. Page, Biometrika 41 (1954), 100-115; J. M. Lucas and R. B. Crosier, "Fast initial response for CUSUM
// quality-control schemes", Technometrics 24 (1982), 199-205.
type CUSUM struct {
	K, H      float64
	HeadStart float64 // H/2 for a fast initial response
	Sides     Sides
}

func (c CUSUM) check() error {
	switch {
	case !(c.K >= 0 && c.K <= 20):
		return refusal.Setting("the reference value k", c.K, "it must be 0 to 20 standard deviations")
	case !(c.H > 0 && c.H <= 200):
		return refusal.Setting("the decision interval h", c.H, "it must be above 0 and at most 200 standard deviations")
	case !(c.HeadStart >= 0 && c.HeadStart <= c.H):
		return refusal.Setting("the head start", c.HeadStart, "it must lie between 0 and h")
	case c.Sides == TwoSided && c.HeadStart > c.H/2+c.K:
		return refusal.Setting("the head start", c.HeadStart, "of a two-sided chart it must not exceed h/2 + k")
	case c.Sides < TwoSided || c.Sides > LowerOnly:
		return refusal.Setting("the sides of a cumulative sum", float64(c.Sides), "two, upper only or lower only")
	}
	return nil
}

// ARL is the average run length alone, zero state. One-sided, with L(s) from S_0 = s, the integral equation
//
//	L(s) = 1 + F(K - s) L(0) + integral_0^H L(y) f(y - s + K) dy
//
// is solved on Gauss-Legendre nodes, by cycles that end at 0 or with a signal: L(0) = m(0) / p(0), m the mean length
// of a cycle and p its probability of a signal, each without cancellation. Two-sided, without head start
// 1/L = 1/L+ + 1/L-, with head start s
//
//	L = [L+(s) L-(0) + L+(0) L-(s) - L+(0) L-(0)] / [L+(0) + L-(0)]
//
// which is exact as one side is at 0 when the other signals. Relative error about 1e-11 for normal points.
//
// It refuses a distribution without a density or that is none, K outside 0 to 20, H outside (0, 200], a head start outside
// 0 to H (two-sided: above H/2 + K), other sides, and a run length beyond all counting.
//
// Sources: D. Brook and D. A. Evans, "An approach to the probability distribution of CUSUM run length", Biometrika 59 (1972),
// 539-549; Lucas and Crosier 1982.
func (c CUSUM) ARL(d Distribution) (float64, error) {
	f, err := dense(d)
	if err != nil {
		return 0, err
	}
	if err := c.check(); err != nil {
		return 0, err
	}
	switch c.Sides {
	case UpperOnly:
		_, start, err := c.cycles(f)
		return start, err
	case LowerOnly:
		_, start, err := c.cycles(mirrored{f})
		return start, err
	}
	up, upStart, upErr := c.cycles(f)
	low, lowStart, lowErr := c.cycles(mirrored{f})
	switch { // a side that is beyond all counting makes no difference
	case upErr != nil:
		return lowStart, lowErr
	case lowErr != nil:
		return upStart, nil
	}
	// The form above with the larger of the two divided out.
	if up > low {
		up, upStart, low, lowStart = low, lowStart, up, upStart
	}
	q := up / low
	return (upStart + q*(lowStart-low)) / (1 + q), nil
}

// cycles solves the upper side: L(0) and L(HeadStart).
func (c CUSUM) cycles(d Density) (zero, start float64, err error) {
	n, err := nodes(c.H/2, spread(d))
	if err != nil {
		return 0, 0, err
	}
	x, w := gauss(n, 0, c.H)
	m, b := mat.NewDense(n, n, nil), mat.NewDense(n, 2, nil)
	for i := range n {
		row := m.RawRowView(i)
		for j := range n {
			row[j] = -w[j] * d.PDF(x[j]-x[i]+c.K)
		}
		row[i]++
		b.Set(i, 0, 1)
		b.Set(i, 1, d.Tail(c.H-x[i]+c.K))
	}
	sol, err := solve(m, b)
	if err != nil {
		return 0, 0, err
	}
	from := func(s float64) (length, signal float64) {
		length, signal = 1, d.Tail(c.H-s+c.K)
		for j := range n {
			k := w[j] * d.PDF(x[j]-s+c.K)
			length += k * sol.At(j, 0)
			signal += k * sol.At(j, 1)
		}
		return length, signal
	}
	length, signal := from(0)
	// However small, the probability is good to its last digits: elimination of this matrix adds up positive terms alone.
	zero = length / signal
	if start = zero; c.HeadStart > 0 {
		length, signal = from(c.HeadStart)
		start = length + math.Max(0, 1-signal)*zero
	}
	if math.IsNaN(zero) || zero > 1e150 {
		return 0, 0, refusal.Unsolved("the run length is beyond all counting")
	}
	return zero, start, nil
}

// sum follows one upper side: an atom at 0 and a density on (0, H).
type sum struct {
	c     CUSUM
	x, w  []float64
	u, v  []float64 // [0] the atom, then density times weight; sums to 1
	point bool
	s     float64
	k     [3][]float64 // by phase, (n+1) x (n+1)
	out   [3][]float64 // by phase, the probability of a signal
}

func (c CUSUM) sum(n int, start float64) *sum {
	p := &sum{c: c, u: make([]float64, n+1), v: make([]float64, n+1), point: start > 0, s: start}
	p.x, p.w = gauss(n, 0, c.H)
	p.u[0] = 1
	return p
}

func (p *sum) line(row []float64, d Density, s float64) (out float64) {
	row[0] = d.CDF(p.c.K - s)
	for j, y := range p.x {
		row[j+1] = p.w[j] * d.PDF(y-s+p.c.K)
	}
	return d.Tail(p.c.H - s + p.c.K)
}

func (p *sum) step(d Density, phase phase) (hazard, moved float64) {
	n := len(p.u)
	clear(p.v)
	if p.point {
		hazard = p.line(p.v, d, p.s)
		p.point = false
	} else {
		if p.k[phase] == nil {
			p.k[phase], p.out[phase] = make([]float64, n*n), make([]float64, n)
			for i := range n {
				s := 0.0
				if i > 0 {
					s = p.x[i-1]
				}
				p.out[phase][i] = p.line(p.k[phase][i*n:(i+1)*n], d, s)
			}
		}
		for i, ui := range p.u {
			if ui < 1e-300 {
				continue
			}
			hazard += ui * p.out[phase][i]
			for j, k := range p.k[phase][i*n : (i+1)*n] {
				p.v[j] += ui * k
			}
		}
	}
	left := 0.0
	for _, x := range p.v {
		left += x
	}
	if left > 0 {
		for j := range p.v {
			p.v[j] /= left
			moved += math.Abs(p.v[j] - p.u[j])
		}
	}
	p.u, p.v = p.v, p.u
	return math.Min(1, hazard), moved
}

// side is the law of the upper side from start, or from the steady state.
func (c CUSUM) side(start float64, d, first, before Density) (law, int, error) {
	width := math.Min(spread(d), spread(first))
	if before != nil {
		width = math.Min(width, spread(before))
	}
	n, err := nodes(c.H/2, width)
	if err != nil {
		return law{}, 0, err
	}
	p := c.sum(n, start)
	if before != nil {
		if _, err := follow(n*n, func() (float64, float64) { return p.step(before, beforeIt) }); err != nil {
			return law{}, 0, err
		}
	}
	i := 0
	l, err := follow(n*n, func() (float64, float64) {
		if i++; i == 1 {
			return p.step(first, firstPoint)
		}
		return p.step(d, afterwards)
	})
	return l, n + 1, err
}

// RunLength is the run length for independent points of distribution d, which must have a density. One-sided it
// follows the distribution of the sum as EWMA does. Two-sided it comes from the laws f+ and f- of the sides by
// themselves, from the head start s and from 0: as one side is at 0 when the other signals, the probabilities g± that
// the chart signals at point n on a side obey
//
//	f+_s(n) = g+(n) + sum_(m<n) g-(m) f+_0(n-m),  and likewise with the sides exchanged
//
// which is solved from n = 1 on. ARL is that of the method ARL. In the steady state (Options.Before) each side starts
// from its own steady distribution; of the two sides together that is right but for terms of the order 1/ARL under
// Before.
//
// It refuses K outside 0 to 20, H outside (0, 200], a head start beyond H, and for a two-sided chart one beyond H/2 + K,
// for which the sides are no longer exclusive.
func (c CUSUM) RunLength(d Distribution, o Options) (RunLength, error) {
	f, err := dense(d)
	if err != nil {
		return RunLength{}, err
	}
	if err := c.check(); err != nil {
		return RunLength{}, err
	}
	first := f
	var before Density
	if o.First != nil {
		if first, err = dense(o.First); err != nil {
			return RunLength{}, err
		}
	}
	if o.Before != nil {
		if before, err = dense(o.Before); err != nil {
			return RunLength{}, err
		}
	}
	mirror := func(d Density) Density {
		if d == nil {
			return nil
		}
		return mirrored{d}
	}
	if c.Sides != TwoSided {
		if c.Sides == LowerOnly {
			f, first, before = mirror(f), mirror(first), mirror(before)
		}
		l, n, err := c.side(c.HeadStart, f, first, before)
		if err != nil {
			return RunLength{}, err
		}
		return l.result(IntegralEquation, n)
	}
	var laws [4]law // upper from the start and from 0, lower likewise
	var n, silent int
	never := law{head: []float64{1}} // a side that is beyond all counting
	for i, side := range []func(Density) Density{func(d Density) Density { return d }, mirror} {
		g := side(f)
		var b Density
		if before != nil {
			b = side(before)
		}
		var k int
		if laws[2*i], k, err = c.side(c.HeadStart, g, side(first), b); err != nil {
			if silent++; silent == 2 {
				return RunLength{}, err
			}
			laws[2*i], laws[2*i+1] = never, never
			continue
		}
		n = k
		laws[2*i+1] = laws[2*i]
		if c.HeadStart > 0 || o.First != nil || before != nil {
			if laws[2*i+1], _, err = c.side(0, g, g, nil); err != nil {
				laws[2*i+1] = never
			}
		}
	}
	l := exclusive(&laws)
	r, err := l.result(IntegralEquation, n)
	if err != nil {
		return r, err
	}
	if o.First == nil && before == nil {
		r.ARL, err = c.ARL(d)
	}
	return r, err
}

// exclusive puts two sides together of which one is at 0 when the other signals.
func exclusive(laws *[4]law) law {
	const most = 6000
	var p [4][]float64 // P(N = n) of each, n from 0
	settled := 0
	for i := range laws {
		settled = max(settled, len(laws[i].head))
	}
	at := func(i, n int) float64 {
		for len(p[i]) <= n {
			m := len(p[i])
			l := &laws[i]
			k := len(l.head) - 1
			switch {
			case m == 0:
				p[i] = append(p[i], 0)
			case m <= k:
				p[i] = append(p[i], l.head[m-1]-l.head[m])
			default:
				p[i] = append(p[i], l.beyond(m-1)*l.hazard)
			}
		}
		return p[i][n]
	}
	l := law{head: []float64{1}}
	up, down := []float64{0}, []float64{0}
	before := math.Inf(1)
	for n := 1; n <= most; n++ {
		a, b := at(0, n), at(2, n)
		at(1, n)
		at(3, n)
		for m := 1; m < n; m++ {
			a -= down[m] * p[1][n-m]
			b -= up[m] * p[3][n-m]
		}
		a, b = math.Max(0, a), math.Max(0, b)
		up, down = append(up, a), append(down, b)
		left := l.head[n-1]
		h := math.Min(1, (a+b)/left)
		l.head, l.hazard = append(l.head, left*(1-h)), h
		if l.head[n] < 1e-13 {
			l.hazard = 1
			break
		}
		if n > settled+5 && h > 0 && math.Abs(h-before) < 1e-13*h+1e-17/left {
			break
		}
		before = h
	}
	return l
}

// Siegmund is the approximate average run length of a one-sided upper CUSUM of normal points with mean shift and
// standard deviation 1, without head start:
//
//	L = [exp(-2 D b) + 2 D b - 1] / (2 D^2),  D = shift - K,  b = H + 1.166;  b^2 for D = 0
//
// It refuses as ARL does, and a result beyond 1e300. For a rough figure; ARL is exact.
//
// Source: D. Siegmund, Sequential Analysis (1985), section 2.6; formula from memory.
func Siegmund(k, h, shift float64) (float64, error) {
	if err := (CUSUM{K: k, H: h, Sides: UpperOnly}).check(); err != nil {
		return 0, err
	}
	if err := known(Normal{shift, 1}); err != nil {
		return 0, err
	}
	d, b := shift-k, h+1.166
	t := 2 * d * b
	if math.Abs(t) < 1e-4 { // the series, free of cancellation
		return b * b * (1 - t/3 + t*t/12), nil
	}
	l := (math.Expm1(-t) + t) / (2 * d * d)
	if !(l < 1e300) {
		return 0, refusal.Unsolved("the run length is beyond all counting")
	}
	return l, nil
}
