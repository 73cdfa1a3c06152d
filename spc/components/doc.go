// Package components splits the variance of a characteristic into the parts that come from its sources: mould and time
// block (cycle, hour, shift), or lot, wafer and site inside each other.
//
// Two ways: analysis of variance (OneWay, Nested, Crossed), with F tests and intervals from mean squares; and restricted
// or full maximum likelihood (FitNested, FitCrossed; FitMixed for nested and crossed factors together, such as mould, shift
// and hour), which also serves unbalanced data well. All sources are random
// effects, independent and normal, about one grand mean:
//
//	nested   y = mu + A_i + B_ij + ... + e
//	crossed  y = mu + A_i + B_j [+ AB_ij] + e
//
// Variances are in the square of the unit of the values. What data cannot tell is refused with a *refusal.Error.
// Results depend neither on the order of rows nor on how levels are numbered, beyond rounding.
//
// Sources: S. R. Searle, G. Casella, C. E. McCulloch, Variance Components (1992); R. K. Burdick and F. A. Graybill,
// Confidence Intervals on Variance Components (1992).
package components

import (
	"math"

	"sagwatch/spc/refusal"
)

// Method says how the components were estimated.
type Method string

// Methods. The mean squares of balanced data give one and the same answer by all three.
const (
	ANOVA      Method = "anova"       // balanced
	Henderson1 Method = "henderson-1" // unbalanced nested: sequential sums of squares and their expectations
	Henderson3 Method = "henderson-3" // unbalanced crossed: reductions by fitting constants
	REML       Method = "reml"        // restricted (residual) maximum likelihood
	ML         Method = "ml"          // maximum likelihood; the components come out too small with few levels
)

// IntervalMethod says how confidence limits are worked out.
type IntervalMethod string

// Interval methods. ChiSquare is exact and always used for the residual mean square of an analysis of variance.
const (
	ModifiedLargeSample IntervalMethod = "modified-large-sample" // default of analyses of variance
	Satterthwaite       IntervalMethod = "satterthwaite"
	ChiSquare           IntervalMethod = "chi-square"
	LogWald             IntervalMethod = "log-wald"           // default of likelihood fits: v exp(+-z SE(v)/v)
	Profile             IntervalMethod = "profile-likelihood" // slower, better with few levels
)

// Options of an estimation. The zero value is fit for use.
type Options struct {
	// Confidence of the two-sided intervals, in (0, 1); 0 means 0.95.
	Confidence float64 `json:"confidence,omitempty"`
	// Interval: ModifiedLargeSample (default) or Satterthwaite for analyses of variance, LogWald (default) or Profile for
	// likelihood fits.
	Interval IntervalMethod `json:"interval,omitempty"`
	// Names of the factors, outermost first or A, B; "A", "B", ... where empty.
	Names []string `json:"names,omitempty"`
	// Residual is the name of what is left; "residual" where empty.
	Residual string `json:"residual,omitempty"`
	// Interaction puts a random interaction into the crossed model; it needs cells with more than one value.
	Interaction bool `json:"interaction,omitempty"`
	// Estimator of likelihood fits: REML (default) or ML.
	Estimator Method `json:"estimator,omitempty"`
}

// Interval holds two-sided confidence limits of a variance, never below zero, and how they were found.
type Interval struct {
	Lower  float64        `json:"lower"`
	Upper  float64        `json:"upper"`
	Method IntervalMethod `json:"method"`
	// Approximate is true where the method's assumptions do not hold exactly: mean squares of unbalanced data are neither
	// independent nor multiples of chi-square variables.
	Approximate bool `json:"approximate,omitempty"`
}

// Contains tells whether v lies in the interval, its ends included.
func (i Interval) Contains(v float64) bool { return i.Lower <= v && v <= i.Upper }

// Component is the variance that comes from one source.
type Component struct {
	Name     string  `json:"name"`
	Levels   int     `json:"levels,omitempty"`
	Variance float64 `json:"variance"` // not below zero
	SD       float64 `json:"sd"`       // its square root
	Share    float64 `json:"share"`    // of the total variance, from 0 to 1
	// Raw is the unbiased estimate of an analysis of variance, which may be negative.
	Raw float64 `json:"raw"`
	// SE is the standard error of Variance of a likelihood fit, from the information; 0 at Zero and for analyses
	// of variance.
	SE       float64  `json:"se,omitempty"`
	Interval Interval `json:"interval"`
	// Zero is true where the estimate is on the bound.
	Zero bool `json:"zero,omitempty"`
}

// MeanSquare is one line of an analysis of variance.
type MeanSquare struct {
	Source string  `json:"source"`
	DF     float64 `json:"df"`
	SS     float64 `json:"ss"`
	MS     float64 `json:"ms"`
	// Expected holds the coefficient of each component, in their order, in the expectation of MS.
	Expected []float64 `json:"expected"`
	// F is MS over the mean square that is expected without this source, with DFAgainst degrees of freedom
	// (Satterthwaite's where it is put together from several lines: Synthetic), and P the probability of a greater one
	// where Tested.
	Tested    bool    `json:"tested,omitempty"`
	F         float64 `json:"f,omitempty"`
	P         float64 `json:"p,omitempty"`
	Against   float64 `json:"against,omitempty"`
	DFAgainst float64 `json:"df_against,omitempty"`
	Synthetic bool    `json:"synthetic,omitempty"`
}

// Result are the components of variance and what they rest on.
type Result struct {
	Method   Method  `json:"method"`
	Balanced bool    `json:"balanced"`
	N        int     `json:"n"`
	Mean     float64 `json:"mean"`
	// MeanSE is the standard error of Mean as an estimate of mu, with the estimated components: unweighted over the values
	// for analyses of variance, by generalised least squares for likelihood fits.
	MeanSE float64 `json:"mean_se"`
	// Components in the order of the factors, interaction if any, residual last.
	Components []Component `json:"components"`
	// Total is the sum of the components; its interval is for the sum of the true ones.
	Total Component `json:"total"`

	Table []MeanSquare `json:"table,omitempty"` // analyses of variance

	// Likelihood fits. LogLikelihood includes all constants; that of REML has log|1'V^-1 1| and (N-1) log 2 pi.
	LogLikelihood float64 `json:"log_likelihood,omitempty"`
	Converged     bool    `json:"converged,omitempty"`
	Iterations    int     `json:"iterations,omitempty"`
	// Covariance of the components' estimates; zero for those at Zero.
	Covariance [][]float64 `json:"covariance,omitempty"`

	Warnings []refusal.Warning `json:"warnings,omitempty"`
}

// enoughLevels is how many levels of a factor tell its standard deviation to about a third (relative standard error
// 1/sqrt(2 (k-1))); common practice.
const enoughLevels = 10

// settings are checked options with their defaults filled in.
type settings struct {
	Options
	alpha float64 // probability of missing on each side
}

// check fills in the defaults for k factors.
func (o Options) check(k int, allowed ...IntervalMethod) (settings, error) {
	s := settings{Options: o}
	if s.Confidence == 0 {
		s.Confidence = 0.95
	}
	if !(s.Confidence > 0 && s.Confidence < 1) {
		return s, refusal.Setting("the confidence", o.Confidence, "must be between 0 and 1")
	}
	s.alpha = (1 - s.Confidence) / 2
	if s.Interval == "" {
		s.Interval = allowed[0]
	}
	known := false
	for _, m := range allowed {
		known = known || m == s.Interval
	}
	if !known {
		return s, refusal.Shapes("the interval method %q does not belong to this estimation; use %q or %q", string(s.Interval), string(allowed[0]), string(allowed[1]))
	}
	switch s.Estimator {
	case "":
		s.Estimator = REML
	case REML, ML:
	default:
		return s, refusal.Shapes("the estimator %q is not known; use %q or %q", string(s.Estimator), string(REML), string(ML))
	}
	if len(s.Names) == 0 {
		s.Names = make([]string, k)
		for i := range s.Names {
			s.Names[i] = letter(i)
		}
	}
	if len(s.Names) != k {
		return s, refusal.Shapes("%d names for %d factors", len(s.Names), k)
	}
	if s.Residual == "" {
		s.Residual = "residual"
	}
	return s, nil
}

// letter names factor i: A, B, ..., Z, A1, B1, ...
func letter(i int) string {
	s := string(rune('A' + i%26))
	for ; i >= 26; i -= 26 {
		s += "'"
	}
	return s
}

// finish brings what was worked out in units of scale back into those of the values and fills in roots, shares, the total
// and the notes on components at zero and few levels. The mean is in its unit already, its standard error is not.
func (r *Result) finish(scale float64) {
	f := scale * scale
	back := func(c *Component) {
		for _, v := range []*float64{&c.Variance, &c.Raw, &c.SE, &c.Interval.Lower, &c.Interval.Upper} {
			*v *= f
		}
	}
	for i := range r.Components {
		back(&r.Components[i])
	}
	back(&r.Total)
	for i := range r.Table {
		r.Table[i].SS *= f
		r.Table[i].MS *= f
		r.Table[i].Against *= f
	}
	r.MeanSE *= scale
	total := 0.0
	for i := range r.Components {
		total += r.Components[i].Variance
	}
	for i := range r.Components {
		c := &r.Components[i]
		c.SD = math.Sqrt(c.Variance)
		if total > 0 {
			c.Share = c.Variance / total
		}
		if c.Zero {
			d := "The data show no variance from \"" + c.Name + "\": its estimate is zero; the upper limit says how much there may be."
			if c.Raw < 0 {
				d = "The estimate of the variance from \"" + c.Name + "\" is negative and shown as zero; the upper limit says how much there may be."
			}
			r.Warnings = append(r.Warnings, refusal.Warning{Kind: refusal.Adjusted, What: c.Name, Value: c.Raw, Detail: d})
		}
		if c.Levels > 0 && c.Levels < enoughLevels {
			r.Warnings = append(r.Warnings, refusal.Small("levels of "+c.Name, c.Levels, enoughLevels))
		}
	}
	r.Total.Name, r.Total.Variance, r.Total.SD = "total", total, math.Sqrt(total)
	if total > 0 {
		r.Total.Share = 1
	}
}
