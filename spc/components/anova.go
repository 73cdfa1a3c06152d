package components

import (
	"math"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// line is one sum of squares of an analysis of variance with the coefficient of each component in the expectation of its
// mean square.
type line struct {
	source string
	levels int
	df, ss float64
	expect []float64
}

// solve makes the result from sums of squares. Line i belongs to component i and the expectations form an upper triangle:
// a line holds its own component and those further down. The residual is last, with expectation 1.
func (s *settings) solve(lines []line, r *Result) {
	k := len(lines)
	r.Table = make([]MeanSquare, k)
	ms, df := make([]float64, k), make([]float64, k)
	for i, l := range lines {
		ms[i], df[i] = l.ss/l.df, l.df
		r.Table[i] = MeanSquare{Source: l.source, DF: l.df, SS: l.ss, MS: l.ss / l.df, Expected: l.expect}
	}
	q := dist.NewMeanSquares(ms, df, s.alpha)
	// coefs[i] are the coefficients of the mean squares in the estimate of component i, by back substitution.
	coefs := make([]combination, k)
	for i := k - 1; i >= 0; i-- {
		c := make(combination, k)
		c[i] = 1
		for j := i + 1; j < k; j++ {
			for m := range c {
				c[m] -= lines[i].expect[j] * coefs[j][m]
			}
		}
		for m := range c {
			c[m] /= lines[i].expect[i]
		}
		coefs[i] = c.clean()
	}
	total := make(combination, k)
	for i, c := range coefs {
		raw := q.Sum(c)
		for m := range total {
			total[m] += c[m]
		}
		comp := Component{Name: lines[i].source, Levels: lines[i].levels, Variance: math.Max(0, raw), Raw: raw, Zero: raw < 0}
		comp.Interval = s.interval(c, q, r.Table, r.Balanced)
		r.Components = append(r.Components, comp)
		if i < k-1 {
			against := make(combination, k)
			for m := range c {
				if m != i {
					against[m] = -lines[i].expect[i] * c[m]
				}
			}
			r.Table[i].test(against, q, r.Table)
		}
	}
	total = total.clean()
	r.Total.Raw = q.Sum(total)
	r.Total.Interval = s.interval(total, q, r.Table, r.Balanced)
}

// test fills in F against the combination of mean squares that is expected where the source has no variance. Nothing is
// tested against a combination that is not above zero.
func (m *MeanSquare) test(against combination, q *dist.MeanSquares, ms []MeanSquare) {
	m.Against = q.Sum(against)
	if !(m.Against > 0) {
		m.Against = 0
		return
	}
	terms := 0
	for i, v := range against {
		if v != 0 {
			terms++
			m.Synthetic = m.Synthetic || math.Abs(v-1) > 1e-9
			m.DFAgainst = ms[i].DF
		}
	}
	m.Synthetic = m.Synthetic || terms > 1
	if m.Synthetic {
		m.DFAgainst = q.DegreesOfFreedom(against)
	}
	m.Tested, m.F = true, m.MS/m.Against
	m.P = dist.FTail(m.F, m.DF, m.DFAgainst)
}

// combination is sum c_i MS_i over the lines of an analysis: an unbiased estimate of a sum of components.
type combination []float64

// clean sets to zero what only rounding keeps from it.
func (c combination) clean() combination {
	most := 0.0
	for _, v := range c {
		most = math.Max(most, math.Abs(v))
	}
	for i, v := range c {
		if math.Abs(v) < 1e-13*most {
			c[i] = 0
		}
	}
	return c
}

// interval gives limits of the component, or sum of components, that c estimates, each missed with probability alpha,
// cut off at zero. A multiple of one mean square is a multiple of chi-square, exactly so for balanced data and for the
// residual. Satterthwaite's limits exist only where the estimate is above zero; else the other method stands in.
func (s *settings) interval(c combination, q *dist.MeanSquares, ms []MeanSquare, balanced bool) Interval {
	last, terms := -1, 0
	for i, v := range c {
		if v != 0 {
			last, terms = i, terms+1
		}
	}
	v := q.Sum(c)
	df, how := 0.0, s.Interval
	switch {
	case terms == 1:
		df, how = ms[last].DF, ChiSquare
	case how == Satterthwaite:
		df = q.DegreesOfFreedom(c)
	}
	i := Interval{Method: how, Approximate: !(balanced || terms == 1 && last == len(ms)-1)}
	// Below this Satterthwaite's chi-square has its lower quantile at nothing.
	if df > 0.05 {
		i.Lower, i.Upper = df*v/dist.ChiSquareQuantileUpper(s.alpha, df), df*v/dist.ChiSquareQuantile(s.alpha, df)
		return i
	}
	i.Method = ModifiedLargeSample
	i.Lower = math.Max(0, v-q.Spread(c, true))
	i.Upper = math.Max(0, v+q.Spread(c, false))
	return i
}

// unit is the power of two above the greatest deviation of n values, by which they are divided so that no product of
// variances overflows. Refused are deviations below 1e-75, of which such products vanish, and above 1e75.
func unit(spread float64, n int) (float64, error) {
	if spread < 1e-75 {
		return 0, refusal.Constant("values", n)
	}
	if spread > 1e75 {
		return 0, refusal.Setting("the greatest deviation of the values from their mean", spread, "1e75 at most")
	}
	_, e := math.Frexp(spread)
	return math.Ldexp(1, e), nil
}

func sq(v float64) float64 { return v * v }

// vanishes tells whether a sum of n squares is no more than the rounding of values up to size leaves.
func vanishes(ss, n, size float64) bool { return !(ss > n*sq(4e-16*size)) }

// tight refuses residuals that are rounding only.
func tight(n int) error { return refusal.Constant("values within the smallest groups", n) }
