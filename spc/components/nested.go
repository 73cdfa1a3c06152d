package components

import (
	"cmp"
	"math"
	"slices"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// OneWay analyses one random factor, groups of values: components "between" and "within" unless the options name them. It
// is Nested with one level; see there.
func OneWay(groups [][]float64, o Options) (*Result, error) {
	if len(o.Names) == 0 {
		o.Names = []string{"between"}
	}
	if o.Residual == "" {
		o.Residual = "within"
	}
	var levels [][]int
	var y []float64
	for i, g := range groups {
		for _, v := range g {
			levels, y = append(levels, []int{i}), append(y, v)
		}
	}
	return Nested(levels, y, o)
}

// Nested analyses factors inside each other, outermost first: levels[i] are the levels of value i, for example {lot,
// wafer}; numbers need be unique only within their parent. With T_k the sum over the groups at depth k of n (mean)^2 the
// sums of squares are SS_k = T_k - T_(k-1), the expectations of the mean squares
//
//	E(MS_k) = sum_(j >= k) sigma_j^2 (S_kj - S_(k-1)j) / df_k + sigma_e^2,  S_kj = sum over groups g, parts h of g at depth j, of n_h^2 / n_g
//
// and the components their solution (ANOVA where balanced, else Henderson's method 1). F of a line is taken against the
// combination of lower mean squares that is expected without its component: the next line where balanced, else put
// together, with Satterthwaite's degrees of freedom.
//
// Refused are shapes that do not match, values that are not finite or do not vary within the smallest groups, fewer than
// two groups at the top, and a factor of which no parent has two.
//
// Source: Searle, Casella, McCulloch (1992), sections 3.6 and 5.3; C. R. Henderson, "Estimation of variance and covariance
// components", Biometrics 9 (1953), 226-252.
func Nested(levels [][]int, y []float64, o Options) (*Result, error) {
	t, s, err := newTree(levels, y, o, ModifiedLargeSample, Satterthwaite)
	if err != nil {
		return nil, err
	}
	lines, err := t.lines(&s)
	if err != nil {
		return nil, err
	}
	r := &Result{Method: Henderson1, Balanced: t.balanced(), N: len(y), Mean: t.origin}
	if r.Balanced {
		r.Method = ANOVA
	}
	s.solve(lines, r)
	last := len(t.groups)
	v := r.Components[last].Variance / float64(len(y))
	for j, share := range t.parts()[0] {
		v += r.Components[j].Variance * share / float64(len(y))
	}
	r.MeanSE = math.Sqrt(v)
	r.finish(t.scale)
	return r, nil
}

// lines are the sums of squares and their expectations, outermost factor first.
func (t *tree) lines(s *settings) ([]line, error) {
	d := len(t.groups)
	n := float64(len(t.y))
	lines := make([]line, d+1)
	inside := t.parts()
	for k := range lines {
		l := &lines[k]
		l.expect = make([]float64, d+1)
		var ss dist.Accumulator
		if k == d {
			l.source, l.df, l.expect[d] = s.Residual, n-float64(len(t.groups[d-1])), 1
			for i, v := range t.y {
				ss.Add(sq(v - t.groups[d-1][t.of[i]].mean))
			}
			l.ss = ss.Sum()
			break
		}
		above := 1
		if k > 0 {
			above = len(t.groups[k-1])
		}
		l.source, l.levels, l.df = s.Names[k], len(t.groups[k]), float64(len(t.groups[k])-above)
		for _, g := range t.groups[k] {
			m := 0.0 // the grand mean
			if k > 0 {
				m = t.groups[k-1][g.parent].mean
			}
			ss.Add(float64(g.end-g.start) * sq(g.mean-m))
		}
		l.ss = ss.Sum()
		for j := k; j < d; j++ {
			l.expect[j] = (inside[k+1][j] - inside[k][j]) / l.df
		}
		l.expect[d] = 1
	}
	if vanishes(lines[d].ss, n, t.size) {
		return nil, tight(len(t.y))
	}
	return lines, nil
}

// tree holds nested data: values sorted so that each group at each depth is a run of them, taken from the grand mean, in
// units of scale.
type tree struct {
	origin float64 // the grand mean
	scale  float64
	size   float64 // greatest absolute value as given, in units of scale
	y      []float64
	groups [][]group // by depth, outermost first
	of     []int     // innermost group of each value
}

type group struct {
	start, end, parent int
	mean               float64 // of the values from the grand mean, in units of scale
}

// newTree checks and sorts nested data and checks the options.
func newTree(levels [][]int, y []float64, o Options, allowed ...IntervalMethod) (*tree, settings, error) {
	var none settings
	if len(levels) != len(y) {
		return nil, none, refusal.Shapes("%d rows of levels for %d values", len(levels), len(y))
	}
	if len(y) < 3 {
		return nil, none, refusal.Few("values", len(y), 3)
	}
	d := len(levels[0])
	if d == 0 {
		return nil, none, refusal.Few("factors", 0, 1)
	}
	for i, l := range levels {
		if len(l) != d {
			return nil, none, refusal.Shapes("row %d has %d levels, the first has %d", i+1, len(l), d)
		}
	}
	s, err := o.check(d, allowed...)
	if err != nil {
		return nil, none, err
	}
	if err := refusal.Finite("values", y); err != nil {
		return nil, none, err
	}
	// Sorted by the values too, so that sums round the same in whatever order the rows come.
	order := make([]int, len(y))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int {
		return cmp.Or(slices.Compare(levels[a], levels[b]), cmp.Compare(y[a], y[b]))
	})
	t := &tree{y: make([]float64, len(y)), groups: make([][]group, d), of: make([]int, len(y))}
	t.origin = grandMean(y, order)
	spread := 0.0
	for _, v := range y {
		t.size, spread = math.Max(t.size, math.Abs(v)), math.Max(spread, math.Abs(v-t.origin))
	}
	if t.scale, err = unit(spread, len(y)); err != nil {
		return nil, none, err
	}
	t.size /= t.scale
	for i, at := range order {
		t.y[i] = (y[at] - t.origin) / t.scale
		opened := i == 0
		for k := range d {
			opened = opened || levels[at][k] != levels[order[i-1]][k]
			if opened {
				g := group{start: i}
				if k > 0 {
					g.parent = len(t.groups[k-1]) - 1
				}
				t.groups[k] = append(t.groups[k], g)
			}
			t.groups[k][len(t.groups[k])-1].end = i + 1
		}
		t.of[i] = len(t.groups[d-1]) - 1
	}
	above := 1
	for k := range t.groups {
		if n := len(t.groups[k]); n <= above {
			what := "levels of " + s.Names[k]
			if k > 0 {
				what += " within one of " + s.Names[k-1]
			}
			return nil, none, refusal.Few(what, 1, 2)
		}
		above = len(t.groups[k])
		for i := range t.groups[k] {
			g := &t.groups[k][i]
			g.mean = dist.Sum(t.y[g.start:g.end]) / float64(g.end-g.start)
		}
	}
	if len(y) == above {
		return nil, none, refusal.Few("values within one of "+s.Names[d-1], 1, 2)
	}
	return t, s, nil
}

// grandMean is the mean of the values at the places of order, in that order and in two passes.
func grandMean(y []float64, order []int) float64 {
	n := float64(len(order))
	c := y[order[0]]
	for range 2 {
		var s dist.Accumulator
		for _, i := range order {
			s.Add(y[i] - c)
		}
		c += s.Sum() / n
	}
	return c
}

// parts gives, for each depth k (0 the whole, then the factors) and factor j at or below it, the sum over the groups g
// at k and the groups h of g at j of n_h^2 / n_g.
func (t *tree) parts() [][]float64 {
	d := len(t.groups)
	out := make([][]float64, d+1)
	for k := range out {
		out[k] = make([]float64, d)
		for j := max(0, k-1); j < d; j++ {
			at := 0
			for _, h := range t.groups[j] {
				size := float64(len(t.y))
				if k > 0 {
					for t.groups[k-1][at].end < h.end {
						at++
					}
					size = float64(t.groups[k-1][at].end - t.groups[k-1][at].start)
				}
				out[k][j] += sq(float64(h.end-h.start)) / size
			}
		}
	}
	return out
}

// balanced tells whether at each depth all groups have equally many parts.
func (t *tree) balanced() bool {
	for k, gs := range t.groups {
		size := gs[0].end - gs[0].start
		parts := make([]int, len(gs))
		if k+1 < len(t.groups) {
			for _, h := range t.groups[k+1] {
				parts[h.parent]++
			}
		}
		for i, g := range gs {
			if g.end-g.start != size || parts[i] != parts[0] {
				return false
			}
		}
	}
	return true
}
