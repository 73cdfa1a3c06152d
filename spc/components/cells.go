package components

import (
	"cmp"
	"math"
	"slices"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// Cell sums up the values of one level of A (mould) and one of B (cycle, hour, shift).
type Cell struct {
	A    int     `json:"a"`
	B    int     `json:"b"`
	N    int     `json:"n"` // count; a cell with 0 is left out
	Mean float64 `json:"mean"`
	SS   float64 `json:"ss"` // sum of squared deviations from Mean; 0 for one value
}

// Cells sums up rows: value y[i] belongs to the levels a[i] and b[i]. The cells come sorted by b, then a. Refused are
// lengths that differ and values that are not finite.
func Cells(a, b []int, y []float64) ([]Cell, error) {
	if len(a) != len(y) || len(b) != len(y) {
		return nil, refusal.Shapes("%d levels of A and %d of B for %d values", len(a), len(b), len(y))
	}
	if err := refusal.Finite("values", y); err != nil {
		return nil, err
	}
	order := make([]int, len(y))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(i, j int) int {
		return cmp.Or(cmp.Compare(b[i], b[j]), cmp.Compare(a[i], a[j]), cmp.Compare(y[i], y[j]))
	})
	var cells []Cell
	for s := 0; s < len(order); {
		e := s + 1
		for e < len(order) && a[order[e]] == a[order[s]] && b[order[e]] == b[order[s]] {
			e++
		}
		c := Cell{A: a[order[s]], B: b[order[s]], N: e - s, Mean: grandMean(y, order[s:e])}
		var ss dist.Accumulator
		for _, i := range order[s:e] {
			ss.Add(sq(y[i] - c.Mean))
		}
		c.SS = ss.Sum()
		cells = append(cells, c)
		s = e
	}
	return cells, nil
}

// maxDense is the greatest number of levels of the smaller factor: matrices of that size are worked with.
const maxDense = 1000

// table holds crossed data, cells sorted by the factor with more levels, means taken from the grand mean, in units of scale.
type table struct {
	swapped   bool // the factor with more levels is A
	small     int  // levels of the factor with fewer
	large     int
	start     []int // cells of level l of the larger factor are start[l] to start[l+1]
	at        []int // level of the smaller factor of each cell
	n, mean   []float64
	weight    float64 // sum of n
	ssWithin  float64
	dfWithin  float64
	origin    float64
	scale     float64
	size      float64 // greatest absolute mean as given, in units of scale
	total     int     // values
	balanced  bool
	connected bool
}

// newTable checks and arranges cells and checks the options.
func newTable(in []Cell, o Options, allowed ...IntervalMethod) (*table, settings, error) {
	var none settings
	s, err := o.check(2, allowed...)
	if err != nil {
		return nil, none, err
	}
	cells := make([]Cell, 0, len(in))
	t := &table{}
	for i, c := range in {
		switch {
		case c.N < 0:
			return nil, none, &refusal.Error{Reason: refusal.Negative, What: "counts of cells", Index: i, Value: float64(c.N), N: len(in)}
		case c.N == 0:
			continue
		case !(math.Abs(c.Mean) <= 1e150):
			return nil, none, &refusal.Error{Reason: refusal.NonFinite, What: "means of cells", Index: i, Value: c.Mean, N: len(in)}
		case !(c.SS <= 1e300):
			return nil, none, &refusal.Error{Reason: refusal.NonFinite, What: "sums of squares of cells", Index: i, Value: c.SS, N: len(in)}
		case c.SS < 0:
			return nil, none, &refusal.Error{Reason: refusal.Negative, What: "sums of squares of cells", Index: i, Value: c.SS, N: len(in)}
		case c.N == 1 && c.SS > 0:
			return nil, none, refusal.Shapes("cell %d has one value and a sum of squares about it that is not zero", i+1)
		}
		cells = append(cells, c)
	}
	if len(cells) == 0 {
		return nil, none, refusal.Few("cells with values", 0, 3)
	}
	a, la := ranks(cells, func(c *Cell) int { return c.A })
	b, lb := ranks(cells, func(c *Cell) int { return c.B })
	for i, l := range []int{la, lb} {
		if l < 2 {
			return nil, none, refusal.Few("levels of "+s.Names[i], l, 2)
		}
	}
	t.small, t.large = la, lb
	if t.swapped = la > lb; t.swapped {
		a, b, t.small, t.large = b, a, lb, la
	}
	if t.small > maxDense {
		return nil, none, refusal.Setting("the number of levels of the smaller factor", float64(t.small), "1000 at most; take longer time blocks")
	}
	for i := range cells {
		cells[i].A, cells[i].B = a[i], b[i]
	}
	order := func(x, y Cell) int {
		return cmp.Or(cmp.Compare(x.B, y.B), cmp.Compare(x.A, y.A), cmp.Compare(x.N, y.N), cmp.Compare(x.Mean, y.Mean), cmp.Compare(x.SS, y.SS))
	}
	if !slices.IsSortedFunc(cells, order) {
		slices.SortFunc(cells, order)
	}
	if err := t.fill(merged(cells)); err != nil {
		return nil, none, err
	}
	if !t.connected {
		return nil, none, refusal.Shapes("the cells fall into parts that share no level of %s or %s: their variances cannot be told apart", s.Names[0], s.Names[1])
	}
	return t, s, nil
}

// ranks gives each cell the rank of its level among those that occur, and their number.
func ranks(cells []Cell, level func(*Cell) int) ([]int, int) {
	seen := make([]int, len(cells))
	for i := range cells {
		seen[i] = level(&cells[i])
	}
	out := slices.Clone(seen)
	slices.Sort(seen)
	seen = slices.Compact(seen)
	rank := make(map[int]int, len(seen))
	for i, l := range seen {
		rank[l] = i
	}
	for i, l := range out {
		out[i] = rank[l]
	}
	return out, len(seen)
}

// merged pools neighbouring cells of the same levels.
func merged(cells []Cell) []Cell {
	out := cells[:1]
	for _, c := range cells[1:] {
		p := &out[len(out)-1]
		if p.A != c.A || p.B != c.B {
			out = append(out, c)
			continue
		}
		n1, n2 := float64(p.N), float64(c.N)
		d := c.Mean - p.Mean
		p.SS += c.SS + n1*n2/(n1+n2)*d*d
		p.Mean += d * n2 / (n1 + n2)
		p.N += c.N
	}
	return out
}

// fill lays out the cells, whose levels are ranks by now. It refuses those that do not vary, or too much.
func (t *table) fill(cells []Cell) error {
	t.start = make([]int, 1, t.large+1)
	t.at, t.n, t.mean = make([]int, len(cells)), make([]float64, len(cells)), make([]float64, len(cells))
	var weight, first, ss dist.Accumulator
	zero := cells[0].Mean
	t.balanced = len(cells) == t.small*t.large
	for i, c := range cells {
		if i > 0 && c.B != cells[i-1].B {
			t.start = append(t.start, i)
		}
		t.balanced = t.balanced && c.N == cells[0].N
		t.at[i], t.n[i] = c.A, float64(c.N)
		t.size = math.Max(t.size, math.Abs(c.Mean))
		weight.Add(t.n[i])
		first.Add(t.n[i] * (c.Mean - zero))
		ss.Add(c.SS)
		t.total += c.N
	}
	t.start = append(t.start, len(cells))
	t.weight, t.ssWithin = weight.Sum(), ss.Sum()
	t.dfWithin = t.weight - float64(len(cells))
	t.origin = zero + first.Sum()/t.weight
	spread := math.Sqrt(t.ssWithin / t.weight)
	for _, c := range cells {
		spread = math.Max(spread, math.Abs(c.Mean-t.origin))
	}
	var err error
	if t.scale, err = unit(spread, t.total); err != nil {
		return err
	}
	t.size /= t.scale
	t.ssWithin /= t.scale * t.scale
	for i, c := range cells {
		t.mean[i] = (c.Mean - t.origin) / t.scale
	}
	t.connected = t.joined()
	return nil
}

// joined tells whether all levels hang together through the cells.
func (t *table) joined() bool {
	up := make([]int, t.small)
	for i := range up {
		up[i] = i
	}
	root := func(i int) int {
		for up[i] != i {
			up[i] = up[up[i]]
			i = up[i]
		}
		return i
	}
	for l := range t.large {
		first := root(t.at[t.start[l]])
		for _, a := range t.at[t.start[l]:t.start[l+1]] {
			up[root(a)] = first
			first = root(first)
		}
	}
	for i := range up {
		if root(i) != root(0) {
			return false
		}
	}
	return true
}
