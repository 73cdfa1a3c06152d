package fit

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"sagwatch/spc/refusal"
)

// MostTested is the greatest number of values that tests are run on; of more, so many evenly spread ones are taken.
const MostTested = 5000

// PMethod says where a p-value comes from.
type PMethod string

// Sources of p-values.
const (
	ByTable     PMethod = "table for fitted parameters"
	ByBootstrap PMethod = "parametric bootstrap"
)

// Goodness is the outcome of an Anderson-Darling test.
type Goodness struct {
	Family   Family
	A2       float64 // the statistic
	Adjusted float64 // for the number of values, as its table wants it; A2 where there is no adjustment
	P        float64
	PMethod  PMethod
	// Of ByBootstrap: standard error of P, resamples that could be fitted and that could not.
	SE              float64
	Resamples, Lost int
	Seed            uint64
	N               int // values tested
	Of              int // values of the sample
	Fitted          *Fitted
	Warnings        []refusal.Warning
}

// AndersonDarling tests whether a sample comes from a family whose parameters are fitted to it,
//
//	A^2 = -n - (1/n) sum_i (2i-1) [log F(x_(i)) + log(1 - F(x_(n+1-i)))],
//
// with p-values that allow for the fitting. Tables of D'Agostino and Stephens serve the normal (mean and standard
// deviation with denominator n-1) and the lognormal distribution (the same on logarithms), A^2 (1 + 0.75/n + 2.25/n^2);
// the largest-extreme-value and the Weibull distribution, A^2 (1 + 0.2/sqrt n); the exponential, A^2 (1 + 0.6/n), and the
// Rayleigh distribution, whose squares are exponential; the gamma distribution with a shape of at least 1, by its shape.
// For all other families and shapes values are drawn from the fitted distribution and fitted anew, o.Resamples times (0:
// between 199 and 999, the fewer the more values), seeded by o.Seed; then P = (1 + as large)/(1 + resamples) has a
// standard error. Resamples whose likelihood has no maximum are left out and counted as Lost.
//
// Of more than 5000 values, and of a histogram of more, so many evenly spread ones are fitted and tested, and a warning
// says so. Values of a histogram are taken as evenly spread within their bins. Refused is what Fit refuses.
//
// Source: R. B. D'Agostino and M. A. Stephens (eds), Goodness-of-Fit Techniques (1986), sections 4.8 to 4.12, tables 4.7
// to 4.21; tables and formulas from memory, checked by simulation.
func AndersonDarling(s *Sample, family Family, o Resampling) (*Goodness, error) {
	t, warnings, err := s.tested()
	if err != nil {
		return nil, err
	}
	f, err := Fit(t, family)
	if err != nil {
		return nil, err
	}
	g := &Goodness{Family: family, N: t.n, Of: s.n, Fitted: f, Warnings: warnings, PMethod: ByTable}
	n := float64(t.n)
	x := slices.Clone(t.values)
	slices.Sort(x)
	d := f.Distribution
	switch family {
	case Normal, Lognormal:
		p := values(d)
		d, _ = New(family, p[0], p[1]*math.Sqrt(n/(n-1)))
		g.A2 = andersonDarling(x, d)
		g.Adjusted = g.A2 * (1 + 0.75/n + 2.25/(n*n))
		g.P = normalP(g.Adjusted)
	case LargestExtreme, Weibull:
		g.A2 = andersonDarling(x, d)
		g.Adjusted = g.A2 * (1 + 0.2/math.Sqrt(n))
		g.P = ExtremeP(g.A2, t.n)
	case Exponential, Rayleigh:
		g.A2 = andersonDarling(x, d)
		g.Adjusted = g.A2 * (1 + 0.6/n)
		g.P = exponentialP(g.Adjusted)
	default:
		g.A2 = andersonDarling(x, d)
		g.Adjusted = g.A2
		if shape := d.Parameters()[0].Value; family == Gamma && shape >= 1 {
			g.P = normalP(asNormal(g.A2, gammaPointsOf(shape)))
			break
		}
		return g, g.bootstrap(o)
	}
	return g, nil
}

// tested is the sample itself, or its spread values where it has more than tests take or is a histogram.
func (s *Sample) tested() (*Sample, []refusal.Warning, error) {
	if s.edges == nil && s.n <= MostTested {
		return s, nil, nil
	}
	t, err := Values(s.spread(MostTested))
	if err != nil {
		return nil, nil, err
	}
	if s.n <= MostTested {
		return t, nil, nil
	}
	return t, []refusal.Warning{{Kind: refusal.Adjusted, What: "values", N: t.n, Detail: fmt.Sprintf(
		"The test ran on %d of the %d values, evenly spread; with so many values it finds departures too small to matter.", t.n, s.n)}}, nil
}

// andersonDarling is A^2 of ascending values.
func andersonDarling(x []float64, d Distribution) float64 {
	n := len(x)
	lf, lt := make([]float64, n), make([]float64, n)
	for i, v := range x {
		lf[i] = math.Log(math.Max(1e-300, d.CDF(v)))
		lt[i] = math.Log(math.Max(1e-300, d.Tail(v)))
	}
	sum := 0.0
	for i := range x {
		sum += float64(2*i+1) * (lf[i] + lt[n-1-i])
	}
	return -float64(n) - sum/float64(n)
}

// bootstrap fills in the p-value from samples of the fitted distribution.
func (g *Goodness) bootstrap(o Resampling) error {
	if o.Resamples <= 0 {
		o.Resamples = max(199, min(999, 500_000/g.N))
	}
	d := g.Fitted.Distribution
	start := values(d)
	a2 := make([]float64, o.Resamples)
	o.Each(func() func(int, *rand.Rand) {
		x := make([]float64, g.N)
		return func(i int, r *rand.Rand) {
			for j := range x {
				x[j] = d.Rand(r)
			}
			a2[i] = math.NaN()
			s, err := Values(x)
			if err != nil {
				return
			}
			p, _, err := estimate(s, g.Family, start)
			if err != nil && noMaximum(err) {
				p, _, err = estimate(s, g.Family, nil) // the start may have been a poor one
			}
			if err != nil {
				return
			}
			if e, err := New(g.Family, p...); err == nil {
				slices.Sort(x)
				a2[i] = andersonDarling(x, e)
			}
		}
	})
	larger := 0
	for _, v := range a2 {
		switch {
		case math.IsNaN(v):
			g.Lost++
		case v >= g.A2:
			larger++
		}
	}
	g.Resamples = o.Resamples - g.Lost
	if g.Resamples < 19 {
		return refusal.Unsolved("only %d of %d samples drawn from the fitted %s distribution could be fitted again, too few for a p-value", g.Resamples, o.Resamples, g.Family)
	}
	g.PMethod, g.Seed = ByBootstrap, o.Seed
	g.P = float64(1+larger) / float64(1+g.Resamples)
	g.SE = math.Sqrt(g.P * (1 - g.P) / float64(g.Resamples))
	if g.Lost*20 > o.Resamples {
		g.Warnings = append(g.Warnings, refusal.Warning{Kind: refusal.Doubtful, Detail: fmt.Sprintf(
			"%d of %d samples drawn from the fitted distribution have no maximum of the likelihood inside and were left out of the p-value.", g.Lost, o.Resamples)})
	}
	return nil
}

// normalP is the p-value of the adjusted A^2 of a normal distribution with fitted mean and standard deviation, table 4.9;
// beyond 10 that of 10.
func normalP(a float64) float64 {
	a = math.Max(0, math.Min(a, 10))
	switch {
	case a < 0.2:
		return 1 - math.Exp(-13.436+101.14*a-223.73*a*a)
	case a < 0.34:
		return 1 - math.Exp(-8.318+42.796*a-59.938*a*a)
	case a < 0.6:
		return math.Exp(0.9177 - 4.279*a - 1.38*a*a)
	}
	return math.Exp(1.2937 - 5.709*a + 0.0186*a*a)
}

// extremePoints are the upper points 25, 10, 5, 2.5 and 1 % of the adjusted A^2 of an extreme-value distribution with both
// parameters fitted, table 4.17. They lie so near those of the normal distribution that its formula serves between and
// beyond them.
var extremePoints = []float64{0.474, 0.637, 0.757, 0.877, 1.038}

// exponentialP is that of an exponential distribution with fitted scale, table 4.14; beyond 10 that of 10.
func exponentialP(a float64) float64 {
	a = math.Max(0, math.Min(a, 10))
	switch {
	case a < 0.26:
		return 1 - math.Exp(-12.2204+67.459*a-110.3*a*a)
	case a < 0.51:
		return 1 - math.Exp(-6.1327+20.218*a-18.663*a*a)
	case a < 0.95:
		return math.Exp(0.9209 - 3.353*a + 0.300*a*a)
	}
	return math.Exp(0.731 - 3.009*a + 0.15*a*a)
}

// gammaPoints are the upper points 25, 10, 5, 2.5, 1 and 0.5 % of A^2 for a gamma distribution with both parameters
// fitted, by shape, the last for a shape without bound: that of the normal distribution, table 4.21.
var gammaPoints = []struct {
	shape  float64
	points [6]float64
}{
	{1, [6]float64{0.486, 0.657, 0.786, 0.917, 1.092, 1.227}},
	{2, [6]float64{0.477, 0.643, 0.768, 0.894, 1.062, 1.190}},
	{3, [6]float64{0.475, 0.639, 0.762, 0.886, 1.052, 1.178}},
	{4, [6]float64{0.473, 0.637, 0.759, 0.883, 1.048, 1.173}},
	{5, [6]float64{0.472, 0.635, 0.758, 0.881, 1.045, 1.170}},
	{6, [6]float64{0.472, 0.635, 0.757, 0.880, 1.043, 1.168}},
	{8, [6]float64{0.471, 0.634, 0.755, 0.878, 1.041, 1.165}},
	{10, [6]float64{0.471, 0.633, 0.754, 0.877, 1.040, 1.164}},
	{12, [6]float64{0.471, 0.633, 0.754, 0.876, 1.038, 1.162}},
	{15, [6]float64{0.470, 0.632, 0.754, 0.876, 1.038, 1.162}},
	{20, [6]float64{0.470, 0.632, 0.753, 0.875, 1.037, 1.161}},
	{math.Inf(1), [6]float64{0.470, 0.631, 0.752, 0.873, 1.035, 1.159}},
}

// gammaPointsOf are the points of a shape of at least 1, between the table's shapes by 1/shape.
func gammaPointsOf(shape float64) []float64 {
	k := 1
	for gammaPoints[k].shape < shape {
		k++
	}
	lo, hi := gammaPoints[k-1], gammaPoints[k]
	t := (1/lo.shape - 1/shape) / (1/lo.shape - 1/hi.shape)
	out := make([]float64, len(lo.points))
	for i := range out {
		out[i] = lo.points[i] + t*(hi.points[i]-lo.points[i])
	}
	return out
}

// asNormal is the adjusted A^2 of a normal distribution that is as rare as a is where points are the upper points 25, 10,
// 5 % ... of its statistic: between points in proportion, beyond them in the proportion of the last.
func asNormal(a float64, points []float64) float64 {
	limit := gammaPoints[len(gammaPoints)-1].points
	var before, beforeN float64
	for i, at := range points {
		if a <= at {
			return beforeN + (a-before)/(at-before)*(limit[i]-beforeN)
		}
		before, beforeN = at, limit[i]
	}
	return a * beforeN / before
}

// NormalCritical is the critical value of the adjusted A^2 of a normal distribution with fitted mean and standard
// deviation: that whose p-value is alpha, 0 < alpha < 1, for alpha of at least 1e-20.
func NormalCritical(alpha float64) float64 {
	checkProbability(alpha)
	return solve(func(a float64) float64 { return alpha - normalP(a) }, 0, 10)
}

// ExtremeP is the p-value of A^2 of n values and a largest-extreme-value or Weibull distribution with both parameters
// fitted, n >= 1.
func ExtremeP(a2 float64, n int) float64 {
	return normalP(asNormal(a2*(1+0.2/math.Sqrt(float64(n))), extremePoints))
}
