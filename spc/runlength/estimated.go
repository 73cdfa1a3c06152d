package runlength

import (
	"math"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// Estimate is how centre and standard deviation came from a baseline: the centre is the mean of M points, and sigma has
// about DF degrees of freedom, sigma^2 DF / sigma_true^2 being chi-square. Exact for a pooled standard deviation.
type Estimate struct {
	M  int     `json:"m"`
	DF float64 `json:"df"`
	// Bias is the mean of the estimate of sigma over the true one; 1 for an unbiased one (s/c4, mean moving range / d2).
	Bias float64 `json:"bias"`
	// Spread is the variance of the estimated centre over that of M independent points; 0 means 1, which is right for
	// independent points.
	Spread float64 `json:"spread,omitempty"`
}

// offset is the standard deviation of the estimated centre in true standard deviations of a point.
func (e Estimate) offset() float64 {
	if e.Spread == 0 {
		return 1 / math.Sqrt(float64(e.M))
	}
	return math.Sqrt(e.Spread / float64(e.M))
}

// FromSD is an individuals baseline of m points with sigma from their standard deviation over c4.
func FromSD(m int) Estimate { return Estimate{M: m, DF: float64(m - 1), Bias: 1} }

// FromCorrelatedSD is a baseline of m points of a first-order autoregressive process of coefficient phi, with sigma from
// their overall standard deviation, to first order in 1/m:
//
//	var(mean) = sigma^2 / m (1 + phi)/(1 - phi),  DF = m (1 - phi^2)/(1 + phi^2) - 1
//
// DF is never below 1; the 1 taken off makes it that of FromSD for independent points.
// For Autocorrelated.ARL under Estimated. |phi| at most 0.999; beyond that Estimated refuses it.
//
// Source: M. S. Bartlett, "On the theoretical specification and sampling properties of autocorrelated time-series", J. Royal
// Statistical Society Supplement 8 (1946), 27-41; from memory.
func FromCorrelatedSD(m int, phi float64) Estimate {
	if checkPhi(phi) != nil {
		return Estimate{M: m, DF: -1, Bias: 1}
	}
	return Estimate{M: m, DF: math.Max(1, float64(m)*(1-phi*phi)/(1+phi*phi)-1), Bias: 1, Spread: (1 + phi) / (1 - phi)}
}

// FromMovingRange is an individuals baseline of m points with sigma = mean moving range / d2. The distribution of the
// mean moving range is taken as that of a chi variable with its mean and its exact variance
//
//	var(MRbar / d2) / sigma^2 = [(pi/2 - 1)(m-1) + 2 (m-2) c] / (m-1)^2
//	c = sqrt(3)/2 + pi/12 - 1, the covariance of neighbouring |x_i - x_(i-1)| over d2^2
//
// Source: the two-moment approximation is P. B. Patnaik's, Biometrika 37 (1950), 78-87; variance derived from the
// bivariate normal distribution.
func FromMovingRange(m int) Estimate {
	n := float64(m - 1)
	v := ((math.Pi/2-1)*n + 2*(n-1)*(math.Sqrt(3)/2+math.Pi/12-1)) / (n * n)
	return Estimate{M: m, DF: dist.ChiDF(v), Bias: 1}
}

// Pooled is a baseline of m subgroups of n with sigma pooled over them and corrected by c4; centre and limits are those of
// the subgroup means.
func Pooled(m, n int) Estimate { return Estimate{M: m, DF: float64(m * (n - 1)), Bias: 1} }

func (e Estimate) check() error {
	switch {
	case e.M < 3:
		return refusal.Few("baseline points", e.M, 3)
	case e.M > 100_000_000:
		return refusal.Setting("the number of baseline points", float64(e.M), "at most 100 000 000")
	case !(e.DF >= 1 && e.DF <= 1e12):
		return refusal.Setting("the degrees of freedom of sigma", e.DF, "they must be 1 or more")
	case !(e.Bias > 0.1 && e.Bias < 10):
		return refusal.Setting("the bias of sigma", e.Bias, "it must lie between 0.1 and 10; 1 is unbiased")
	case !(e.Spread >= 0 && e.Spread <= 1e4):
		return refusal.Setting("the variance of the centre", e.Spread, "it must be above 0, in units of that of independent points")
	}
	return nil
}

// below is P(sigma estimate / true <= b).
func (e Estimate) below(b float64) float64 {
	if b <= 0 {
		return 0
	}
	x := b * dist.ChiMean(e.DF) / math.Sqrt(e.DF) / e.Bias
	return dist.ChiSquareCDF(x*x*e.DF, e.DF)
}

// EstimationRange is what the estimation of the parameters leaves of the run length in control.
type EstimationRange struct {
	Wanted   float64           `json:"wanted"` // ARL0 with known parameters
	Lower    float64           `json:"lower"`  // 5 % of such baselines give a shorter ARL0
	Median   float64           `json:"median"`
	Upper    float64           `json:"upper"` // 5 % give a longer one
	Short    float64           `json:"short"` // share of baselines whose ARL0 is below the one wanted
	Warnings []refusal.Warning `json:"warnings,omitempty"`
}

// averages is the quadrature over the estimated centre: Gauss-Legendre on 0 to 8.5 standard errors, both signs alike.
const averages = 32

// conditional is P(ARL0 <= y), where the ARL0 that a baseline leaves is arl(a, b): the centre is off by a true standard
// deviations, and sigma is b times the true one. width gives the b at which arl(a, b) = y.
func (e Estimate) conditional(width func(a float64) (float64, error)) (float64, error) {
	t, w := gauss(averages, 0, 8.5)
	p := 0.0
	for i := range t {
		b, err := width(t[i] * e.offset())
		if err != nil {
			return 0, err
		}
		p += 2 * w[i] * dist.NormalPDF(t[i]) * e.below(b)
	}
	return p, nil
}

// EstimatedShewhart is the range of the actual average run length in control of a chart of single normal points with
// limits at centre ± k sigma, beyond-limits alone, when centre and sigma are estimated as e says. Given the estimates,
// centre off by a and sigma b times the true one,
//
//	ARL0(a, b) = 1 / [T(k b + a) + T(k b - a)],  T the upper normal tail
//
// and the quantiles come from integration over a, normal with variance 1/M, and the distribution of b. Exact to about
// 1e-9 for a pooled standard deviation; a mean moving range is taken as a chi variable (FromMovingRange).
//
// It refuses fewer than 3 baseline points, k outside (0, 20], and warns where 5 % of baselines leave less than half of the
// wanted run length, saying about how many points would be enough.
//
// Sources: C. P. Quesenberry, "The effect of sample size on estimated limits for X-bar and X control charts", J. Quality
// Technology 25 (1993), 237-247; S. Chakraborti, "Run length, average run length and false alarm rate of Shewhart X-bar
// chart: exact derivations by conditioning", Communications in Statistics - Simulation and Computation 29 (2000), 61-81;
// N. A. Saleh, M. A. Mahmoud, M. J. Keefe and W. H. Woodall, "The difficulty in designing Shewhart X-bar and X control charts
// with estimated parameters", J. Quality Technology 47 (2015), 127-138 (from memory).
func EstimatedShewhart(k float64, e Estimate) (EstimationRange, error) {
	if !(k > 0 && k <= 20) {
		return EstimationRange{}, refusal.Setting("the multiple of the limits", k, "it must be above 0 and at most 20")
	}
	if err := e.check(); err != nil {
		return EstimationRange{}, err
	}
	r := EstimationRange{Wanted: 1 / (2 * dist.NormalTail(k))}
	var err error
	if err = e.fill(&r, shewhartWidth(k)); err != nil {
		return r, err
	}
	if r.Lower < r.Wanted/2 {
		enough, err := e.enough(0.05, func(a float64) (float64, error) { return shewhartWidth(k)(a, r.Wanted/2) })
		if err != nil {
			return r, err
		}
		r.warn(e.M, enough)
	}
	return r, nil
}

func (r *EstimationRange) warn(m, enough int) {
	w := refusal.Small("baseline points", m, enough)
	w.Detail = "With so few, one baseline in twenty leaves less than half of the run length in control that is wanted."
	r.Warnings = append(r.Warnings, w)
}

// scaled is the same kind of estimate from m points.
func (e Estimate) scaled(m int) Estimate {
	e.DF *= float64(m) / float64(e.M)
	e.M = m
	return e
}

// shewhartWidth gives the b at which the run length is y when the centre is off by a.
func shewhartWidth(k float64) func(a, y float64) (float64, error) {
	return func(a, y float64) (float64, error) {
		p := 1 / y
		f := func(h float64) float64 { return dist.NormalTail(h+a) + dist.NormalTail(h-a) }
		lo, hi := 0.0, 40+a
		for range 100 {
			mid := (lo + hi) / 2
			if f(mid) > p {
				lo = mid
			} else {
				hi = mid
			}
			if hi-lo < 1e-13*hi {
				break
			}
		}
		return (lo + hi) / 2 / k, nil
	}
}

// fill finds the quantiles.
func (e Estimate) fill(r *EstimationRange, width func(a, y float64) (float64, error)) error {
	at := func(y float64) (float64, error) {
		return e.conditional(func(a float64) (float64, error) { return width(a, y) })
	}
	quantile := func(p float64) (float64, error) {
		lo, hi := math.Log(1.0000001), math.Log(1e300)
		// A bracket about the wanted value first: most ranges are narrow.
		for span := 1.0; span < 600; span *= 2 {
			a, b := math.Max(lo, math.Log(r.Wanted)-span), math.Min(hi, math.Log(r.Wanted)+span)
			pa, err := at(math.Exp(a))
			if err != nil {
				return 0, err
			}
			pb, err := at(math.Exp(b))
			if err != nil {
				return 0, err
			}
			if pa <= p && pb >= p {
				lo, hi = a, b
				break
			}
		}
		for range 60 {
			mid := (lo + hi) / 2
			q, err := at(math.Exp(mid))
			if err != nil {
				return 0, err
			}
			if q < p {
				lo = mid
			} else {
				hi = mid
			}
			if hi-lo < 1e-11 {
				break
			}
		}
		return math.Exp((lo + hi) / 2), nil
	}
	var err error
	if r.Short, err = at(r.Wanted); err != nil {
		return err
	}
	for _, q := range []struct {
		p  float64
		to *float64
	}{{0.05, &r.Lower}, {0.5, &r.Median}, {0.95, &r.Upper}} {
		if *q.to, err = quantile(q.p); err != nil {
			return err
		}
	}
	return nil
}

// GuaranteedMultiple is the multiple k of the estimated sigma at which the actual average run length in control is at
// least arl0 for the share prob of all baselines (0.95, say): limits that are wider than the usual ones by what the
// estimation leaves open.
//
// It refuses arl0 outside 2 to 1e9, prob outside 0.5 to 0.9999, a baseline so short that k would be above 19.9, naming the
// least number of points of the same kind (degrees of freedom in proportion) that is enough, and as EstimatedShewhart.
//
// Source: the criterion is that of A. Gandy and J. T. Kvaløy, "Guaranteed conditional performance of control charts via bootstrap
// methods", Scandinavian J. Statistics 40 (2013), 647-668 (from memory), who meet it by bootstrap; here by the integration of
// EstimatedShewhart.
func GuaranteedMultiple(arl0, prob float64, e Estimate) (float64, error) {
	if err := checkWanted(arl0); err != nil {
		return 0, err
	}
	if !(prob >= 0.5 && prob <= 0.9999) {
		return 0, refusal.Setting("the share of baselines", prob, "it must lie between 0.5 and 0.9999")
	}
	if err := e.check(); err != nil {
		return 0, err
	}
	lo, hi := 0.01, 20.0
	for range 100 {
		k := (lo + hi) / 2
		p, err := e.conditional(func(a float64) (float64, error) { return shewhartWidth(k)(a, arl0) })
		if err != nil {
			return 0, err
		}
		if p > 1-prob {
			lo = k
		} else {
			hi = k
		}
		if hi-lo < 1e-12*hi {
			break
		}
	}
	if hi > widest {
		need, err := e.enough(1-prob, func(a float64) (float64, error) { return shewhartWidth(widest)(a, arl0) })
		if err != nil {
			return 0, err
		}
		return 0, refusal.Few("baseline points", e.M, need)
	}
	return hi, nil
}

// widest is the greatest multiple that GuaranteedMultiple gives.
const widest = 19.9

// enough is the least number of points, of the same kind of estimate, with which no more than a share of baselines leave a
// run length whose b, by centre, is width; exact up to 50, within 2 % above. m points of e are too few.
func (e Estimate) enough(share float64, width func(a float64) (float64, error)) (int, error) {
	few, many := e.M, e.M
	for many < 1<<26 {
		many *= 2
		p, err := e.scaled(many).conditional(width)
		if err != nil {
			return 0, err
		}
		if p <= share {
			break
		}
		few = many
	}
	for many-few > 1+many/50 {
		m := (few + many) / 2
		p, err := e.scaled(m).conditional(width)
		if err != nil {
			return 0, err
		}
		if p <= share {
			many = m
		} else {
			few = m
		}
	}
	return many, nil
}

// Estimated is the same range for any chart: arl gives its average run length in control for points of a distribution in
// the units that the chart believes in (EWMA.ARL, CUSUM.ARL, or Shewhart.RunLength with its rules). Points that are
// standard normal really have mean -a/b and standard deviation 1/b there.
//
// Run lengths are worked out on a grid of 17 offsets and 33 ratios of sigma and interpolated on logarithms; relative
// error about 1e-3. It refuses fewer than 3 baseline points, other fields of e out of their range, what arl refuses, and a
// chart whose run length does not rise with sigma; it warns as EstimatedShewhart.
//
// Source: the conditioning of EstimatedShewhart; for EWMA charts L. A. Jones, C. W. Champ and S. E. Rigdon, "The performance
// of exponentially weighted moving average charts with estimated parameters", Technometrics 43 (2001), 156-167 (from memory).
func Estimated(arl func(Distribution) (float64, error), e Estimate) (EstimationRange, error) {
	if err := e.check(); err != nil {
		return EstimationRange{}, err
	}
	wanted, err := arl(Standard)
	if err != nil {
		return EstimationRange{}, err
	}
	r := EstimationRange{Wanted: wanted}
	g, err := newGrid(arl, e)
	if err != nil {
		return r, err
	}
	if err := e.fill(&r, g.width); err != nil {
		return r, err
	}
	if r.Lower < r.Wanted/2 {
		enough, err := e.enough(0.05, func(a float64) (float64, error) { return g.width(a, r.Wanted/2) })
		if err != nil {
			return r, err
		}
		r.warn(e.M, enough)
	}
	return r, nil
}

// grid is the logarithm of the run length over the offset a and the ratio b.
type grid struct {
	a   []float64
	b   []float64
	log [][]float64 // [a][b], rising in b
}

func newGrid(arl func(Distribution) (float64, error), e Estimate) (*grid, error) {
	const offsets, ratios = 17, 33
	g := &grid{}
	// All but 1e-6 of the ratios, and offsets to 5 standard errors, beyond which the last one stands.
	edge := func(p float64) float64 {
		return dist.ChiQuantile(p, e.DF) / dist.ChiMean(e.DF) * e.Bias
	}
	lo, hi := math.Max(edge(1e-6), 0.02), edge(1-1e-6)
	for j := range ratios {
		g.b = append(g.b, lo*math.Pow(hi/lo, float64(j)/(ratios-1)))
	}
	for i := range offsets {
		a := 5 * e.offset() * float64(i) / (offsets - 1)
		row := make([]float64, ratios)
		for j, b := range g.b {
			v, err := arl(Normal{-a / b, 1 / b})
			if err != nil {
				if j < ratios/2 || i == 0 && j == 0 {
					return nil, err
				}
				v = math.Exp(2*row[j-1] - row[j-2]) // beyond what can be worked out, far above all quantiles
			}
			row[j] = math.Log(v)
			if j > 0 && row[j] < row[j-1]-1e-6 {
				return nil, refusal.Unsolved("the run length of this chart does not rise with its limits, so its range cannot be found")
			}
		}
		g.a, g.log = append(g.a, a), append(g.log, row)
	}
	return g, nil
}

// width is the ratio b at which the run length is y at offset a.
func (g *grid) width(a, y float64) (float64, error) {
	last := len(g.a) - 1
	t := math.Min(a/g.a[last]*float64(last), float64(last))
	i := min(int(t), last-1)
	t -= float64(i)
	// Quadratic in a through three neighbours: the run length is even and smooth in it.
	i0 := min(i, last-2)
	s := t + float64(i-i0)
	q0, q1, q2 := (s-1)*(s-2)/2, s*(2-s), s*(s-1)/2
	at := func(j int) float64 { return q0*g.log[i0][j] + q1*g.log[i0+1][j] + q2*g.log[i0+2][j] }
	want := math.Log(y)
	n := len(g.b)
	j := 0
	for j < n-1 && at(j+1) < want {
		j++
	}
	switch {
	case j == n-1:
		return g.b[n-1], nil
	case at(0) >= want:
		return g.b[0], nil
	}
	// Inverse interpolation on log b through four neighbours, in Newton's form.
	j0 := max(0, min(j-1, n-4))
	var x, f [4]float64
	for k := range 4 {
		x[k], f[k] = at(j0+k), math.Log(g.b[j0+k])
	}
	lo, hi := math.Log(g.b[j]), math.Log(g.b[j+1])
	for k := 1; k < 4; k++ {
		for m := 3; m >= k; m-- {
			f[m] = (f[m] - f[m-1]) / (x[m] - x[m-k])
		}
	}
	v := f[3]
	for m := 2; m >= 0; m-- {
		v = v*(want-x[m]) + f[m]
	}
	if !(v >= lo && v <= hi) { // too uneven for a cubic
		xa, xb := at(j), at(j+1)
		v = lo + (hi-lo)*(want-xa)/(xb-xa)
	}
	return math.Exp(v), nil
}
