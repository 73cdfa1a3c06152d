package components

import (
	"math"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// Factor says which level of something (mould 3, shift 17) each row of FitMixed belongs to. Numbers of levels are names only.
type Factor struct {
	Name  string
	Level []int
}

// Within is the factor whose levels are those of inner told apart by outer: wafer 1 of cassette 1 and wafer 1 of cassette
// 2 become two levels. Of two crossed factors it is their interaction. It panics where the lengths differ.
func Within(outer, inner Factor) Factor {
	if len(outer.Level) != len(inner.Level) {
		panic("components: factors of different lengths")
	}
	o, _ := numbered(outer.Level)
	in, _ := numbered(inner.Level)
	f := Factor{Name: inner.Name, Level: make([]int, len(o))}
	number := make(map[[2]int32]int, 64)
	for i := range o {
		k := [2]int32{o[i], in[i]}
		n, ok := number[k]
		if !ok {
			n = len(number)
			number[k] = n
		}
		f.Level[i] = n
	}
	return f
}

// Rows are the data of FitMixed: single values, or sums over values that share all their levels.
type Rows struct {
	// Mean is the value, or the mean of the row's values.
	Mean []float64
	// N is the number of values in each row; nil means 1.
	N []int
	// SS is the sum of squared deviations of the row's values from their mean; nil means 0.
	SS []float64
}

// Values are rows of single values.
func Values(y []float64) Rows { return Rows{Mean: y} }

// n is the number of values in row i.
func (r Rows) n(i int) float64 {
	if r.N == nil {
		return 1
	}
	return float64(r.N[i])
}

// check refuses rows that cannot be worked with and gives the number of values.
func (r Rows) check() (int, error) {
	if len(r.Mean) == 0 {
		return 0, refusal.Few("values", 0, 3)
	}
	if err := refusal.Finite("values", r.Mean); err != nil {
		return 0, err
	}
	if r.N != nil && len(r.N) != len(r.Mean) || r.SS != nil && len(r.SS) != len(r.Mean) {
		return 0, refusal.Shapes("%d means need as many counts and sums of squares", len(r.Mean))
	}
	total := len(r.Mean)
	if r.N != nil {
		total = 0
		for i, n := range r.N {
			if n < 1 {
				return 0, refusal.Shapes("row %d stands for %d values; leave empty rows out", i+1, n)
			}
			total += n
		}
	}
	if r.SS != nil {
		if err := refusal.Finite("sums of squares", r.SS); err != nil {
			return 0, err
		}
		for i, v := range r.SS {
			if v < 0 {
				return 0, &refusal.Error{Reason: refusal.Negative, What: "sums of squares", Index: i, Value: v, N: len(r.SS)}
			}
			if v > 0 && r.n(i) == 1 {
				return 0, refusal.Shapes("row %d is a single value and has a sum of squares", i+1)
			}
		}
	}
	return total, nil
}

// origin is the mean of all values, and less the first row's.
func (r Rows) origin(total int) (mean, less float64) {
	var s dist.Accumulator
	for i, v := range r.Mean {
		s.Add(r.n(i) * (v - r.Mean[0]))
	}
	less = s.Sum() / float64(total)
	return r.Mean[0] + less, less
}

// scaled gives the rows less their mean and over their standard deviation, so that the fit works with numbers near one
// whatever the unit, and the sum of squares inside the rows. Refused are values that do not vary.
func (r Rows) scaled(total int) (y []float64, sd, within float64, err error) {
	_, d := r.origin(total)
	var w, s dist.Accumulator
	y = make([]float64, len(r.Mean))
	for i, v := range r.Mean {
		y[i] = (v - r.Mean[0]) - d
		s.Add(r.n(i) * y[i] * y[i])
		if r.SS != nil {
			w.Add(r.SS[i])
		}
	}
	s.Add(w.Sum())
	size := 0.0
	for _, v := range r.Mean {
		size = math.Max(size, math.Abs(v))
	}
	if total < 2 || vanishes(s.Sum(), float64(total), size) {
		return nil, 0, 0, refusal.Constant("values", total)
	}
	sd = math.Sqrt(s.Sum() / float64(total-1))
	for i := range y {
		y[i] /= sd
	}
	return y, sd, w.Sum() / (sd * sd), nil
}

// numbered numbers the levels of a factor from 0 in the order of their first row.
func numbered(level []int) (index []int32, levels int) {
	index = make([]int32, len(level))
	if len(level) == 0 {
		return index, 0
	}
	lo, hi := level[0], level[0]
	for _, l := range level {
		lo, hi = min(lo, l), max(hi, l)
	}
	if span := hi - lo; span >= 0 && span < 4*len(level)+1024 {
		number := make([]int32, span+1)
		for i, l := range level {
			if number[l-lo] == 0 {
				levels++
				number[l-lo] = int32(levels)
			}
			index[i] = number[l-lo] - 1
		}
		return index, levels
	}
	number := make(map[int]int32, 1024)
	for i, l := range level {
		k, ok := number[l]
		if !ok {
			k = int32(levels)
			number[l] = k
			levels++
		}
		index[i] = k
	}
	return index, levels
}

// inside gives, where each of the n levels of inner lies within one level of outer, which; ok is false where not.
func inside(inner []int32, n int, outer []int32) (parent []int32, ok bool) {
	parent = make([]int32, n)
	for i := range parent {
		parent[i] = -1
	}
	for i, l := range inner {
		switch parent[l] {
		case -1:
			parent[l] = outer[i]
		case outer[i]:
		default:
			return nil, false
		}
	}
	return parent, true
}
