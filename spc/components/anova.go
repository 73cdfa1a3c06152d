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
	for i, l := range lines {
		r.Table[i] = MeanSquare{Source: l.source, DF: l.df, SS: l.ss, MS: l.ss / l.df, Expected: l.expect}
	}
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
		raw := c.estimate(r.Table)
		for m := range total {
			total[m] += c[m]
		}
		comp := Component{Name: lines[i].source, Levels: lines[i].levels, Variance: math.Max(0, raw), Raw: raw, Zero: raw < 0}
		comp.Interval = s.interval(c, r.Table, r.Balanced)
		r.Components = append(r.Components, comp)
		if i < k-1 {
			against := make(combination, k)
			for m := range c {
				if m != i {
					against[m] = -lines[i].expect[i] * c[m]
				}
			}
			r.Table[i].test(against, r.Table)
		}
	}
	total = total.clean()
	r.Total.Raw = total.estimate(r.Table)
	r.Total.Interval = s.interval(total, r.Table, r.Balanced)
}

// test fills in F against the combination of mean squares that is expected where the source has no variance. Nothing is
// tested against a combination that is not above zero.
func (m *MeanSquare) test(against combination, ms []MeanSquare) {
	m.Against = against.estimate(ms)
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
		m.DFAgainst = against.degreesOfFreedom(ms)
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

func (c combination) estimate(ms []MeanSquare) float64 {
	var s dist.Accumulator
	for i, v := range c {
		s.Add(v * ms[i].MS)
	}
	return s.Sum()
}

// degreesOfFreedom is Satterthwaite's approximation
//
//	(sum c_i MS_i)^2 / sum (c_i MS_i)^2 / n_i
//
// 0 where the estimate is not above zero.
//
// Source: F. E. Satterthwaite, "An approximate distribution of estimates of variance components", Biometrics Bulletin 2
// (1946), 110-114.
func (c combination) degreesOfFreedom(ms []MeanSquare) float64 {
	v := c.estimate(ms)
	if !(v > 0) {
		return 0
	}
	den := 0.0
	for i, w := range c {
		den += sq(w*ms[i].MS/v) / ms[i].DF
	}
	return 1 / den
}

// interval gives limits of the component, or sum of components, that c estimates, each missed with probability alpha,
// cut off at zero. A multiple of one mean square is a multiple of chi-square, exactly so for balanced data and for the
// residual. Satterthwaite's limits exist only where the estimate is above zero; else the other method stands in.
func (s *settings) interval(c combination, ms []MeanSquare, balanced bool) Interval {
	last, terms := -1, 0
	for i, v := range c {
		if v != 0 {
			last, terms = i, terms+1
		}
	}
	v := c.estimate(ms)
	df, how := 0.0, s.Interval
	switch {
	case terms == 1:
		df, how = ms[last].DF, ChiSquare
	case how == Satterthwaite:
		df = c.degreesOfFreedom(ms)
	}
	i := Interval{Method: how, Approximate: !(balanced || terms == 1 && last == len(ms)-1)}
	// Below this Satterthwaite's chi-square has its lower quantile at nothing.
	if df > 0.05 {
		i.Lower, i.Upper = df*v/dist.ChiSquareQuantileUpper(s.alpha, df), df*v/dist.ChiSquareQuantile(s.alpha, df)
		return i
	}
	i.Method = ModifiedLargeSample
	i.Lower = math.Max(0, v-math.Sqrt(c.spread(ms, s.alpha, true)))
	i.Upper = math.Max(0, v+math.Sqrt(c.spread(ms, s.alpha, false)))
	return i
}

// spread is the squared distance of the lower (or upper) limit from the estimate by the modified-large-sample method:
// for a sum of positive terms only
//
//	lower: sum G_i^2 c_i^2 MS_i^2,  upper: sum H_i^2 c_i^2 MS_i^2
//	G_i = 1 - n_i / chi2(alpha upper; n_i),  H_i = n_i / chi2(alpha lower; n_i) - 1
//
// and for terms of both signs, c_q > 0 and c_r = -k_r < 0,
//
//	lower: sum G_q^2 c_q^2 MS_q^2 + sum H_r^2 k_r^2 MS_r^2 + sum sum G_qr c_q k_r MS_q MS_r + sum sum G*_qt c_q c_t MS_q MS_t
//	G_qr  = [(F - 1)^2 - G_q^2 F^2 - H_r^2] / F,  F upper alpha point with n_q, n_r degrees of freedom
//	G*_qt = [(1 - (n_q+n_t)/chi2(alpha upper; n_q+n_t))^2 (n_q+n_t)^2 / (n_q n_t) - G_q^2 n_q/n_t - G_t^2 n_t/n_q] / (Q - 1)
//
// over the Q positive terms; the upper one is the lower one of the negated sum.
//
// Source: F. A. Graybill and C.-M. Wang, Journal of the American Statistical Association 75 (1980), 869-873; N. Ting, R. K.
// Burdick, F. A. Graybill, S. Jeyaratnam, T.-F. C. Lu, Journal of Statistical Computation and Simulation 35 (1990), 135-143;
// Burdick and Graybill (1992), sections 3.2 and 3.3 (formulas from memory; their coverage is tested by simulation).
func (c combination) spread(ms []MeanSquare, alpha float64, lower bool) float64 {
	sign := 1.0
	if !lower {
		sign = -1
	}
	g := func(n float64) float64 { return 1 - n/dist.ChiSquareQuantileUpper(alpha, n) }
	h := func(n float64) float64 { return n/dist.ChiSquareQuantile(alpha, n) - 1 }
	var plus, minus []int
	for i, v := range c {
		switch {
		case sign*v > 0:
			plus = append(plus, i)
		case sign*v < 0:
			minus = append(minus, i)
		}
	}
	size := func(i int) float64 { return math.Abs(c[i]) * ms[i].MS }
	v := 0.0
	for _, q := range plus {
		v += sq(g(ms[q].DF) * size(q))
	}
	for _, r := range minus {
		v += sq(h(ms[r].DF) * size(r))
	}
	if !lower && len(plus) == 0 || len(minus) == 0 {
		return v
	}
	for i, q := range plus {
		nq := ms[q].DF
		gq := g(nq)
		for _, r := range minus {
			f := dist.FQuantileUpper(alpha, nq, ms[r].DF)
			v += (sq(f-1) - sq(gq*f) - sq(h(ms[r].DF))) / f * size(q) * size(r)
		}
		for _, t := range plus[i+1:] {
			nt := ms[t].DF
			star := (sq(g(nq+nt)*(nq+nt))/(nq*nt) - sq(gq)*nq/nt - sq(g(nt))*nt/nq) / float64(len(plus)-1)
			v += star * size(q) * size(t)
		}
	}
	return math.Max(0, v)
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
