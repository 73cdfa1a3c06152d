package components

import (
	"math"
	"slices"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// MixedResult is the outcome of FitMixed.
type MixedResult struct {
	Result
	Confidence float64 `json:"confidence"`
	// Covariance of the components' estimates, in their order; zero for those at zero.
	Covariance [][]float64 `json:"covariance"`
}

// maxCrossed is the greatest number of levels of all factors outside the nested chain together: matrices of that size are
// worked with.
const maxCrossed = 500

// FitMixed estimates the components of any number of random factors by REML or ML (o.Estimator), balanced or not:
//
//	y = mu + sum_k u_k[level_k] + e,   u_k ~ N(0, sigma_k^2),  e ~ N(0, sigma_e^2)
//
// The factors may be nested in each other or crossed, as long as, beside a chain of factors each inside the next (cell in
// hour in shift), the others (mould, lane) have no more than 500 levels together; the function finds the chain. Nested
// factors need levels of their own: Within makes them. A mould x shift interaction is a factor made by Within as well, and
// joins the chain if it is inside shift. Counts, means and sums of squares of rows are all the data that matter, so a year
// of panels comes as its cells. Names of factors are theirs; o.Names is not used.
//
// The deviance, -2 log of the (restricted) likelihood of FitNested, is minimised over the logarithms of the components by
// Newton's method on differences; a component that falls below a hundred millionth of what could be seen is zero, and
// is let off again where the deviance falls from there. Standard errors and Covariance come from the observed information
// (second derivatives of the deviance), of components above zero. Intervals: LogWald, or Profile; a component at zero always
// has its upper limit from the profile. An evaluation costs the sum over innermost groups of the squared number of
// their crossed levels, plus that over the groups around them: 22 moulds crossed with 8760 hours, 190 000 rows, take well
// below a second.
//
// Refused are factors with one level, or as many as there are values, two that split the data alike, more crossed levels than
// 500, lengths that differ, values not finite, values that do not vary and what leaves no residual.
//
// Source: H. D. Patterson and R. Thompson, Biometrika 58 (1971), 545-554; S. R. Searle, G. Casella, C. E. McCulloch, Variance
// Components (1992), chapter 6 and appendix M.5; profile limits: D. J. Venzon and S. H. Moolgavkar, Applied Statistics 37
// (1988), 87-94.
func FitMixed(rows Rows, factors []Factor, o Options) (*MixedResult, error) {
	o.Names = nil
	s, err := o.check(len(factors), LogWald, Profile)
	if err != nil {
		return nil, err
	}
	m, err := newMixed(rows, factors, s)
	if err != nil {
		return nil, err
	}
	if err := m.climb(); err != nil {
		return nil, err
	}
	return m.result(rows)
}

// mixed is a fit under way. Ratios gamma are those of the components to the residual.
type mixed struct {
	s        settings
	f        *forest
	names    []string
	levels   []int
	greatest []float64 // by factor: values in its largest level
	chainAt  []int     // by chain level, the factor
	crossAt  []int     // by crossed factor, the factor
	sd       float64
	zero     []bool
	x        []float64 // logarithms of the ratios, in the order of the factors
	best     minimum
	chain    []float64 // room for at
	cross    []float64
}

func newMixed(rows Rows, factors []Factor, s settings) (*mixed, error) {
	total, err := rows.check()
	if err != nil {
		return nil, err
	}
	if len(factors) == 0 {
		return nil, refusal.Few("factors", 0, 1)
	}
	m := &mixed{s: s}
	index := make([][]int32, len(factors))
	for k, f := range factors {
		if len(f.Level) != len(rows.Mean) {
			return nil, refusal.Shapes("%s has levels for %d rows of %d", f.Name, len(f.Level), len(rows.Mean))
		}
		var n int
		index[k], n = numbered(f.Level)
		switch {
		case n < 2:
			return nil, refusal.Few("levels of "+f.Name, n, 2)
		case n == total:
			return nil, refusal.Shapes("each value has its own level of %s, which cannot be told from the residual", f.Name)
		}
		size := make([]float64, n)
		for i, l := range index[k] {
			size[l] += rows.n(i)
		}
		m.names, m.levels, m.greatest = append(m.names, f.Name), append(m.levels, n), append(m.greatest, slices.Max(size))
	}
	y, sd, within, err := rows.scaled(total)
	if err != nil {
		return nil, err
	}
	m.sd = sd
	up, err := m.arrange(index)
	if err != nil {
		return nil, err
	}
	pick := func(at []int) (ix [][]int32, n []int) {
		for _, k := range at {
			ix, n = append(ix, index[k]), append(n, m.levels[k])
		}
		return ix, n
	}
	chain, chainLevels := pick(m.chainAt)
	crossed, crossedLevels := pick(m.crossAt)
	m.f = plant(y, rows, total, within, chain, crossed, chainLevels, crossedLevels, up)
	m.chain, m.cross = make([]float64, len(m.chainAt)), make([]float64, len(m.crossAt))
	m.start(y, rows, index)
	return m, nil
}

// arrange finds the chain, from the factor with the most levels outwards, and what stays crossed.
func (m *mixed) arrange(index [][]int32) (up [][]int32, err error) {
	order := make([]int, len(index))
	for k := range order {
		order[k] = k
	}
	slices.SortStableFunc(order, func(a, b int) int { return m.levels[b] - m.levels[a] })
	crossed := 0
	for i, k := range order {
		for _, e := range order[:i] {
			if m.levels[e] == m.levels[k] {
				if _, same := inside(index[e], m.levels[e], index[k]); same {
					return nil, refusal.Shapes("%s and %s split the data alike and cannot be told apart", m.names[e], m.names[k])
				}
			}
		}
		if len(m.chainAt) == 0 {
			m.chainAt = append(m.chainAt, k)
			continue
		}
		last := m.chainAt[len(m.chainAt)-1]
		if parent, ok := inside(index[last], m.levels[last], index[k]); ok {
			m.chainAt, up = append(m.chainAt, k), append(up, parent)
			continue
		}
		m.crossAt = append(m.crossAt, k)
		crossed += m.levels[k]
	}
	slices.Sort(m.crossAt)
	if crossed > maxCrossed {
		return nil, refusal.Setting("the number of levels of the factors that cross the others", float64(crossed), "500 at most; take longer time blocks or leave a factor out")
	}
	return up, nil
}

// start takes the variances of the factors' means, less what the values inside explain, for a start.
func (m *mixed) start(y []float64, rows Rows, index [][]int32) {
	m.x, m.zero = make([]float64, len(index)), make([]bool, len(index))
	for k, ix := range index {
		n, sum := make([]float64, m.levels[k]), make([]float64, m.levels[k])
		for i, l := range ix {
			n[l] += rows.n(i)
			sum[l] += rows.n(i) * y[i]
		}
		v, inverse := 0.0, 0.0
		for l := range n {
			v += sq(sum[l] / n[l])
			inverse += 1 / n[l]
		}
		v = (v - inverse) / float64(len(n)) // the values have variance one
		m.x[k] = math.Log(math.Min(10, math.Max(v, 0.01)))
	}
}

// parts of the deviance at given logarithms of ratios; those of zero components are not looked at.
func (m *mixed) parts(ratio func(k int) float64) parts {
	for i, k := range m.chainAt {
		m.chain[i] = ratio(k)
	}
	for i, k := range m.crossAt {
		m.cross[i] = ratio(k)
	}
	return m.f.at(m.chain, m.cross)
}

// free is N - 1, of ML N.
func (m *mixed) free() float64 {
	if m.s.Estimator == REML {
		return float64(m.f.total - 1)
	}
	return float64(m.f.total)
}

// deviance is -2 log likelihood with residual variance v, all in units of the scale.
func (m *mixed) deviance(p parts, v float64) float64 {
	if !p.ok {
		return math.Inf(1)
	}
	d := m.free()*math.Log(2*math.Pi*v) + p.logDet + p.rss/v
	if m.s.Estimator == REML {
		d += math.Log(p.ones)
	}
	return d
}

// active are the factors whose components are not held at zero.
func (m *mixed) active() []int {
	var a []int
	for k, z := range m.zero {
		if !z {
			a = append(a, k)
		}
	}
	return a
}

// profiled is the deviance by the logarithms of the active ratios, at the best residual variance.
func (m *mixed) profiled(active []int) func([]float64) float64 {
	return func(x []float64) float64 {
		p := m.parts(spread(active, x))
		return m.deviance(p, p.rss/m.free())
	}
}

// spread gives ratios from the logarithms of the active ones, zero elsewhere.
func spread(active []int, x []float64) func(k int) float64 {
	return func(k int) float64 {
		if i := slices.Index(active, k); i >= 0 {
			return math.Exp(x[i])
		}
		return 0
	}
}

// nothing is the logarithm of the ratio at which a component no longer shows: a hundred millionth of the residual variance
// of its largest level's mean.
func (m *mixed) nothing(k int) float64 { return math.Log(1e-8 / m.greatest[k]) }

// without is the deviance at x with component k taken out.
func (m *mixed) without(active []int, x []float64, k int) float64 {
	at := spread(active, x)
	p := m.parts(func(j int) float64 {
		if j == k {
			return 0
		}
		return at(j)
	})
	return m.deviance(p, p.rss/m.free())
}

// climb finds the least deviance.
func (m *mixed) climb() error {
	steps, released := 0, 0
	for {
		active := m.active()
		x, floor := make([]float64, len(active)), make([]float64, len(active))
		for i, k := range active {
			x[i], floor[i] = m.x[k], m.nothing(k)
		}
		m.best = descend(m.profiled(active), x, floor, func(i int, x []float64, value float64) bool {
			return m.without(active, x, active[i]) <= value+1e-14*math.Abs(value)
		})
		steps += m.best.iterations
		fell := false
		for i, k := range active {
			m.x[k] = m.best.x[i]
		}
		for i, k := range active {
			if m.x[k] > 23 {
				return refusal.Constant("values within the smallest groups", m.f.total)
			}
			if i == m.best.dropped || m.x[k] <= floor[i]+2 {
				m.zero[k], fell = true, true
			}
		}
		if fell {
			continue
		}
		if !m.best.converged {
			return refusal.Unsolved("no maximum of the likelihood was found in %d steps", steps)
		}
		freed := false
		for k, z := range m.zero {
			if !z || released > 2*len(m.zero) {
				continue
			}
			try := spread(active, m.best.x)
			small := 1e-4 / m.greatest[k]
			p := m.parts(func(j int) float64 {
				if j == k {
					return small
				}
				return try(j)
			})
			if m.deviance(p, p.rss/m.free()) < m.best.value-1e-9 {
				m.zero[k], m.x[k], freed = false, math.Log(10*small), true
				released++
			}
		}
		if !freed {
			m.best.iterations = steps
			return nil
		}
	}
}

// result brings the minimum into units of the values.
func (m *mixed) result(rows Rows) (*MixedResult, error) {
	active := m.active()
	p := m.parts(spread(active, m.best.x))
	v := p.rss / m.free()
	r := &MixedResult{Confidence: 1 - 2*m.s.alpha}
	r.Result = Result{Method: m.s.Estimator, N: m.f.total, Converged: true, Iterations: m.best.iterations}
	mean, _ := rows.origin(m.f.total)
	r.Mean = mean + m.sd*p.mean
	r.MeanSE = math.Sqrt(v / p.ones)
	r.LogLikelihood = -(m.best.value + 2*m.free()*math.Log(m.sd)) / 2
	cov := m.covariance(active, v)
	z := dist.NormalQuantileUpper(m.s.alpha)
	last := len(m.names)
	variances := make([]float64, last+1)
	for k := range m.names {
		variances[k] = v * spread(active, m.best.x)(k)
	}
	variances[last] = v
	total := 0.0
	for k, w := range variances {
		c := Component{Name: m.s.Residual, Variance: w, Raw: w, SE: math.Sqrt(math.Max(0, cov[k][k]))}
		if k < last {
			c.Name, c.Levels, c.Zero = m.names[k], m.levels[k], m.zero[k]
		}
		switch {
		case c.Zero || m.s.Interval == Profile:
			var err error
			if c.Interval, err = m.profile(k, variances); err != nil {
				return nil, err
			}
		default:
			c.Interval = logWald(w, c.SE, z)
		}
		r.Components = append(r.Components, c)
		total += w
	}
	for i := range cov {
		for j := range cov {
			r.Total.SE += cov[i][j]
		}
	}
	r.Total.Raw, r.Total.SE = total, math.Sqrt(math.Max(0, r.Total.SE))
	r.Total.Interval = logWald(total, r.Total.SE, z)
	r.finish(m.sd)
	for i := range cov {
		for j := range cov {
			cov[i][j] *= sq(sq(m.sd))
		}
	}
	r.Covariance = cov
	return r, nil
}
