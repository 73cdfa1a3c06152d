package fit

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"sagwatch/spc/refusal"
)

// Method says how a distribution was fitted.
type Method string

// Methods.
const (
	MaximumLikelihood Method = "maximum likelihood"
	FourQuantiles     Method = "four quantiles"
)

// Estimate is a fitted parameter with its standard error; HasSE is false where there is none.
type Estimate struct {
	Parameter
	SE    float64 `json:"se"`
	HasSE bool    `json:"has_se"`
}

// Fitted is a distribution fitted to a sample.
type Fitted struct {
	Distribution
	Method Method
	N      int
	Binned bool
	// Estimates are the parameters, in the order of the family.
	Estimates []Estimate
	// Covariance of the parameters from the observed information (the inverse of minus the second derivatives of the log
	// likelihood at its maximum); nil where the likelihood is not curved in all directions, and for other methods.
	Covariance [][]float64
	// LogLikelihood is the sum of the log densities, of a histogram sum n_j log(P_j/width_j), so that the two agree as
	// the bins get fine. AIC = 2k - 2 log L and BIC = k log n - 2 log L with k parameters.
	LogLikelihood, AIC, BIC float64
	// Impossible: values lie outside the support, so that there is no likelihood (only with FourQuantiles).
	Impossible bool
	Iterations int
	Stopped    string // why the search ended, in words
	Warnings   []refusal.Warning
}

// Fit fits a family to a sample by maximum likelihood: of values that of the densities, of a histogram that of the
// probabilities of its bins,
//
//	log L = sum_i log f(x_i),   log L = sum_j n_j log(F(e_(j+1)) - F(e_j)).
//
// Refused are fewer values than the family needs (one more than its parameters, eight for Johnson's), values that do not
// vary, values that are not above zero where the family demands it (with the first of them), and a likelihood without a
// maximum inside: Johnson curves and the three-parameter lognormal that run off to a simpler limit, which is named, or
// to an end of their support, where the likelihood grows without bound. Of those the highest maximum inside is taken.
// With fewer than 50 values (100 for more than two parameters) a warning.
//
// Source: A. Stuart, J. K. Ord, S. Arnold, Kendall's Advanced Theory of Statistics 2A, 6th ed. (1999), chapter 18.
func Fit(s *Sample, family Family) (*Fitted, error) { return fitFrom(s, family, nil) }

// fitFrom is Fit with parameters to start from, for those families that search.
func fitFrom(s *Sample, family Family, start []float64) (*Fitted, error) {
	if err := s.fits(family); err != nil {
		return nil, err
	}
	p, why, err := estimate(s, family, start)
	if err != nil {
		return nil, err
	}
	f := &Fitted{Method: MaximumLikelihood, Iterations: why.iterations, Stopped: why.stopped, Warnings: why.warnings}
	if err := f.finish(s, family, p, why); err != nil {
		return nil, err
	}
	return f, nil
}

// fits refuses what no fit of the family can take.
func (s *Sample) fits(family Family) error {
	sp, ok := specs[family]
	if !ok {
		return refusal.Shapes("there is no family of distributions called %q", family)
	}
	need := len(sp.names) + 1
	if len(sp.names) == 4 {
		need = 8
	}
	if s.n < need {
		return refusal.Few("values", s.n, need)
	}
	if err := s.varies(); err != nil {
		return err
	}
	if sp.positive {
		if err := s.positive(family); err != nil {
			return err
		}
	}
	return nil
}

// positive refuses values that are not above zero; a folded normal variable may be zero.
func (s *Sample) positive(family Family) error {
	x := s.values
	if s.edges != nil {
		x = s.edges[:1]
	}
	for i, v := range x {
		if v < 0 || v == 0 && family != FoldedNormal && s.edges == nil {
			return &refusal.Error{Reason: refusal.OutOfRange, What: fmt.Sprintf("value %d", i+1), Index: i, Value: v, N: s.n,
				Detail: fmt.Sprintf("the %s family needs values above zero", family)}
		}
	}
	return nil
}

// finish fills in what follows from the parameters, of which the fixed ones lie at a bound and have no standard error.
func (f *Fitted) finish(s *Sample, family Family, p []float64, why search) error {
	d, err := New(family, p...)
	if err != nil {
		return refusal.Unsolved("the fit of a %s distribution went beyond what can be represented: %v", family, err)
	}
	f.Distribution, f.N, f.Binned = d, s.n, s.edges != nil
	f.LogLikelihood = logLikelihood(s, d)
	if math.IsNaN(f.LogLikelihood) || math.IsInf(f.LogLikelihood, 0) {
		return refusal.Unsolved("the likelihood of a %s distribution cannot be worked out for these values", family)
	}
	k := float64(len(p))
	f.AIC, f.BIC = 2*k-2*f.LogLikelihood, k*math.Log(float64(s.n))-2*f.LogLikelihood
	for _, q := range d.Parameters() {
		f.Estimates = append(f.Estimates, Estimate{Parameter: q})
	}
	enough := 50
	if len(p) > 2 {
		enough = 100
	}
	if s.n < enough {
		f.Warnings = append(f.Warnings, refusal.Small("values", s.n, enough))
	}
	if f.Method != MaximumLikelihood {
		return nil
	}
	free := []int{}
	for i := range p {
		if !why.fixed[i] {
			free = append(free, i)
		}
	}
	c, ok := covariance(s, family, p, free, why.curved)
	if !ok {
		f.Warnings = append(f.Warnings, refusal.Warning{Kind: refusal.Doubtful,
			Detail: "The likelihood is too flat about its maximum to give the parameters standard errors."})
		return nil
	}
	for a, i := range free {
		f.Estimates[i].SE, f.Estimates[i].HasSE = math.Sqrt(c[a][a]), true
	}
	if len(free) == len(p) {
		f.Covariance = c
	}
	return nil
}

// finishQuantiles is finish for the method of four quantiles, whose curve need not reach all values.
func (f *Fitted) finishQuantiles(s *Sample, d Distribution) error {
	if math.IsInf(logLikelihood(s, d), -1) {
		f.Warnings = append(f.Warnings, refusal.Warning{Kind: refusal.Doubtful,
			Detail: "Values lie outside the bounds of the curve through the four quantiles, so it has no likelihood."})
		f.Distribution, f.N, f.Binned = d, s.n, s.edges != nil
		f.Impossible = true
		for _, q := range d.Parameters() {
			f.Estimates = append(f.Estimates, Estimate{Parameter: q})
		}
		return nil
	}
	return f.finish(s, d.Family(), values(d), search{})
}

// LogLikelihood is the log likelihood of a sample under a distribution with known parameters (see Fitted); -Inf where
// a value is impossible.
func LogLikelihood(s *Sample, d Distribution) float64 { return logLikelihood(s, d) }

func logLikelihood(s *Sample, d Distribution) float64 {
	var sum, lost float64
	add := func(v float64) { // compensated
		t := sum + v
		if math.Abs(sum) >= math.Abs(v) {
			lost += sum - t + v
		} else {
			lost += v - t + sum
		}
		sum = t
	}
	if s.edges == nil {
		for i, x := range s.at {
			v := d.LogPDF(x)
			if math.IsInf(v, -1) {
				return v
			}
			add(float64(s.count[i]) * v)
		}
		return sum + lost
	}
	upper := false // from the median on the upper tails are taken, so that small probabilities keep their digits
	before := d.CDF(s.edges[0])
	if before > 0.5 {
		upper, before = true, d.Tail(s.edges[0])
	}
	for j, c := range s.count {
		var p float64
		e := s.edges[j+1]
		if upper {
			t := d.Tail(e)
			p, before = before-t, t
		} else {
			v := d.CDF(e)
			p, before = v-before, v
			if v > 0.5 {
				upper, before = true, d.Tail(e)
			}
		}
		if c == 0 {
			continue
		}
		w := e - s.edges[j]
		l := math.Log(p / w)
		if !(p > 1e-290) {
			l = d.LogPDF(s.at[j])
			if math.IsInf(l, -1) {
				return l
			}
		}
		add(float64(c) * l)
	}
	return sum + lost
}

// Refused says why a family could not be fitted.
type Refused struct {
	Family Family
	Err    error
}

// Kind is the kind of a characteristic, by which distributions are allowed.
type Kind string

// Kinds of characteristics.
const (
	Measured Kind = "measured" // may lie on either side of its target: radius, thickness
	Form     Kind = "form"     // never below zero, zero is best: form error, rms
	Maximum  Kind = "maximum"  // as Form, and the greatest of many points: greatest deviation, peak to valley
)

// Defaults are the families of which Choose takes the best unless told otherwise: the normal distribution for measured
// characteristics; for form errors the folded normal and the largest-extreme-value distribution; for the greatest of many
// points the largest-extreme-value distribution. Never the normal for either.
//
// Source: ISO 22514-2 (models of form and position characteristics); from memory.
func Defaults(k Kind) []Family {
	switch k {
	case Form:
		return []Family{FoldedNormal, LargestExtreme}
	case Maximum:
		return []Family{LargestExtreme}
	}
	return []Family{Normal}
}

// Allowed are all families in the order in which they suit the kind: those that may describe it by its nature first. Any of the
// others may still be right, as a normal distribution is for form errors far from zero; who takes one says why.
func Allowed(k Kind) []Family {
	first := []Family{Normal, Lognormal, Weibull, Gamma, LargestExtreme, Lognormal3, JohnsonSB, JohnsonSU}
	switch k {
	case Form:
		first = []Family{FoldedNormal, LargestExtreme, Rayleigh, Lognormal, Weibull, Gamma, JohnsonSB, JohnsonSU}
	case Maximum:
		first = []Family{LargestExtreme, FoldedNormal, Rayleigh, Lognormal, Weibull, Gamma, JohnsonSB, JohnsonSU}
	}
	for _, f := range Families {
		if !slices.Contains(first, f) {
			first = append(first, f)
		}
	}
	return first
}

// Choice is the outcome of Choose.
type Choice struct {
	Best    *Fitted
	Fitted  []*Fitted // by AIC, the best first
	Refused []Refused
}

// Choose fits families (nil: Defaults(kind)) and takes the one with the least AIC. For form errors and maxima the normal family is
// refused: it must be taken on purpose, by Fit. An error comes only where no family could be fitted: the refusal of the first.
func Choose(s *Sample, kind Kind, families []Family) (*Choice, error) {
	if families == nil {
		families = Defaults(kind)
	}
	c := &Choice{}
	for _, family := range families {
		var f *Fitted
		var err error
		if kind != Measured && family == Normal {
			err = refusal.Shapes("a form error is not normally distributed by its nature: it cannot be below zero")
		} else {
			f, err = Fit(s, family)
		}
		if err != nil {
			c.Refused = append(c.Refused, Refused{family, err})
			continue
		}
		at := len(c.Fitted)
		for at > 0 && c.Fitted[at-1].AIC > f.AIC {
			at--
		}
		c.Fitted = append(c.Fitted, nil)
		copy(c.Fitted[at+1:], c.Fitted[at:])
		c.Fitted[at] = f
	}
	if len(c.Fitted) == 0 {
		if len(c.Refused) == 0 {
			return nil, refusal.Few("families", 0, 1)
		}
		return nil, c.Refused[0].Err
	}
	c.Best = c.Fitted[0]
	return c, nil
}

// noMaximum tells whether an error says that a likelihood has no maximum.
func noMaximum(err error) bool {
	var e *refusal.Error
	return errors.As(err, &e) && e.Reason == refusal.NoSolution
}
