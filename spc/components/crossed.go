package components

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// Crossed analyses two crossed random factors, with their interaction where the options ask for it. Balanced, it is the
// usual two-way analysis; else Henderson's method 3: sums of squares are reductions by fitting constants,
//
//	SS_A = R(A | mu, B),  SS_B = R(B | mu, A),  SS_AB = R(AB | mu, A, B),  SS_e the rest
//
// with expectations from the traces of their quadratic forms. Empty cells are allowed as long as the levels hang
// together. F of A and B is taken against the combination of the interaction and residual mean squares that is expected
// without them (Satterthwaite's degrees of freedom where unbalanced); without interaction it is exact.
//
// Refused are fewer than two levels of a factor, more than 1000 of the smaller one, no degrees of freedom for the residual
// or interaction, negative counts or sums of squares, values that are not finite or do not vary within cells (beyond the
// factors without interaction), and tables that fall apart.
//
// Source: Searle, Casella, McCulloch (1992), sections 4.3 and 5.4, 5.5; C. R. Henderson, Biometrics 9 (1953), 226-252.
func Crossed(cells []Cell, o Options) (*Result, error) {
	t, s, err := newTable(cells, o, ModifiedLargeSample, Satterthwaite)
	if err != nil {
		return nil, err
	}
	lines, err := t.lines(&s)
	if err != nil {
		return nil, err
	}
	r := &Result{Method: Henderson3, Balanced: t.balanced, N: t.total, Mean: t.origin}
	if r.Balanced {
		r.Method = ANOVA
	}
	s.solve(lines, r)
	r.MeanSE = math.Sqrt(t.meanVariance(r.Components, s.Interaction))
	r.finish(t.scale)
	return r, nil
}

// lines are the sums of squares and their expectations, A, B, interaction if any, residual.
func (t *table) lines(s *settings) ([]line, error) {
	a, b, c := float64(t.small), float64(t.large), float64(len(t.n))
	if err := s.room(t); err != nil {
		return nil, err
	}
	f, ok := t.additive()
	if !ok {
		return nil, refusal.Unsolved("the counts of the cells differ too much for the levels to be told apart")
	}
	byLarge, byLargeMeans := t.parts(true)
	bySmall, bySmallMeans := t.parts(false)
	var ssSmall, ssLarge, ssInter dist.Accumulator
	for l := range t.large {
		for i := t.start[l]; i < t.start[l+1]; i++ {
			fit := f.small[t.at[i]] + f.large[l]
			ssSmall.Add(t.n[i] * sq(fit-byLargeMeans[l]))
			ssLarge.Add(t.n[i] * sq(fit-bySmallMeans[t.at[i]]))
			ssInter.Add(t.n[i] * sq(t.mean[i]-fit))
		}
	}
	k := 3
	if s.Interaction {
		k = 4
	}
	names := s.Names
	lines := make([]line, k)
	set := func(i, levels int, df, ss, own, inter float64) {
		e := make([]float64, k)
		e[i], e[k-1] = own/df, 1
		if s.Interaction {
			e[2] = inter / df
		}
		lines[i] = line{source: names[i], levels: levels, df: df, ss: ss, expect: e}
	}
	first, second := t.places()
	set(first, t.small, a-1, ssSmall.Sum(), t.weight-byLarge, f.trace-byLarge)
	set(second, t.large, b-1, ssLarge.Sum(), t.weight-bySmall, f.trace-bySmall)
	residual, df := t.ssWithin, t.dfWithin
	if s.Interaction {
		left := c - a - b + 1
		lines[2] = line{source: names[0] + " x " + names[1], df: left, ss: ssInter.Sum(), expect: []float64{0, 0, (t.weight - f.trace) / left, 1}}
	} else {
		residual, df = residual+ssInter.Sum(), df+c-a-b+1
	}
	rest := make([]float64, k)
	rest[k-1] = 1
	lines[k-1] = line{source: s.Residual, df: df, ss: residual, expect: rest}
	if vanishes(residual, t.weight, t.size) {
		return nil, tight(t.total)
	}
	return lines, nil
}

// meanVariance is the variance of the plain mean: the sum over each source's groups of (n/N)^2 times its component.
func (t *table) meanVariance(c []Component, interaction bool) float64 {
	nSmall, nLarge := make([]float64, t.small), make([]float64, t.large)
	inter := 0.0
	for l := range t.large {
		for i := t.start[l]; i < t.start[l+1]; i++ {
			nSmall[t.at[i]] += t.n[i]
			nLarge[l] += t.n[i]
			inter += sq(t.n[i] / t.weight)
		}
	}
	first, second := t.places()
	v := c[len(c)-1].Variance / t.weight
	for _, n := range nSmall {
		v += c[first].Variance * sq(n/t.weight)
	}
	for _, n := range nLarge {
		v += c[second].Variance * sq(n/t.weight)
	}
	if interaction {
		v += c[2].Variance * inter
	}
	return v
}

// places are the places of the smaller and of the larger factor among the components.
func (t *table) places() (small, large int) {
	if t.swapped {
		return 1, 0
	}
	return 0, 1
}

// room refuses tables without degrees of freedom for the interaction or the residual.
func (s *settings) room(t *table) error {
	left := len(t.n) - t.small - t.large + 1
	if s.Interaction {
		if t.dfWithin < 1 {
			return refusal.Few("values in one of the cells (the interaction cannot be told from the residual)", 1, 2)
		}
		if left < 1 {
			return refusal.Few("cells", len(t.n), t.small+t.large)
		}
		return nil
	}
	if float64(left)+t.dfWithin < 1 {
		return refusal.Few("values", t.total, t.small+t.large)
	}
	return nil
}

// parts gives, by the larger (or smaller) factor, the sum over its levels of sum n_cell^2 / n_level, and the levels' means.
func (t *table) parts(large bool) (squares float64, means []float64) {
	levels := t.small
	if large {
		levels = t.large
	}
	n, s2 := make([]float64, levels), make([]float64, levels)
	means = make([]float64, levels)
	for l := range t.large {
		for i := t.start[l]; i < t.start[l+1]; i++ {
			at := l
			if !large {
				at = t.at[i]
			}
			n[at] += t.n[i]
			s2[at] += sq(t.n[i])
			means[at] += t.n[i] * t.mean[i]
		}
	}
	for i := range n {
		squares += s2[i] / n[i]
		means[i] /= n[i]
	}
	return squares, means
}

// constants are the weighted least-squares fit of the additive model to the cells' means, and the trace of Z'PZ with P the
// projection on that model and Z the cells: sum n^2 (leverage of a value of the cell).
type constants struct {
	small, large []float64
	trace        float64
}

// additive fits constants: the larger factor is eliminated level by level, the normal equations of the smaller one are
//
//	[diag(n_a) - sum_b n_b n_b' / n_.b] alpha = sum_b (n_b m_b - n_b mean_b)
//
// singular along the constant vector only, as the levels hang together.
func (t *table) additive() (f constants, ok bool) {
	a := t.small
	c := mat.NewSymDense(a, nil)
	q := make([]float64, a)
	nLarge, meanLarge := make([]float64, t.large), make([]float64, t.large)
	for l := range t.large {
		lo, hi := t.start[l], t.start[l+1]
		n, m := 0.0, 0.0
		for i := lo; i < hi; i++ {
			n += t.n[i]
			m += t.n[i] * t.mean[i]
		}
		m /= n
		nLarge[l], meanLarge[l] = n, m
		for i := lo; i < hi; i++ {
			p := t.at[i]
			q[p] += t.n[i] * (t.mean[i] - m)
			for j := i; j < hi; j++ {
				v := -t.n[i] * t.n[j] / n
				if i == j {
					v += t.n[i]
				}
				c.SetSym(p, t.at[j], c.At(p, t.at[j])+v)
			}
		}
	}
	lift := mat.Trace(c) / sq(float64(a))
	for i := range a {
		for j := i; j < a; j++ {
			c.SetSym(i, j, c.At(i, j)+lift)
		}
	}
	var chol mat.Cholesky
	alpha := mat.NewVecDense(a, nil)
	var inv mat.SymDense
	if !chol.Factorize(c) || chol.SolveVecTo(alpha, mat.NewVecDense(a, q)) != nil || chol.InverseTo(&inv) != nil {
		return f, false
	}
	f.small, f.large = alpha.RawVector().Data, make([]float64, t.large)
	for l := range t.large {
		lo, hi := t.start[l], t.start[l+1]
		m, pp := 0.0, 0.0
		p := make([]float64, hi-lo)
		for i := lo; i < hi; i++ {
			m += t.n[i] * f.small[t.at[i]]
			for j := lo; j < hi; j++ {
				p[i-lo] += inv.At(t.at[i], t.at[j]) * t.n[j] / nLarge[l]
			}
			pp += p[i-lo] * t.n[i] / nLarge[l]
		}
		f.large[l] = meanLarge[l] - m/nLarge[l]
		for i := lo; i < hi; i++ {
			f.trace += sq(t.n[i]) * (1/nLarge[l] + inv.At(t.at[i], t.at[i]) - 2*p[i-lo] + pp)
		}
	}
	return f, true
}
