package chart

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"sagwatch/spc"
)

// Limits are a chart's limits for one plotted point; Sigma is that point's standard deviation.
type Limits = spc.Limits

// Width says how far the limits lie from the centre: K sigma or, when Probability is above 0, at that probability of
// a point beyond either limit while nothing is wrong, half of it on each side. The zero Width is K = 3.
type Width struct {
	K           float64 `json:"k,omitempty"`
	Probability float64 `json:"probability,omitempty"`
}

// check refuses a width without a meaning.
func (w Width) check() error {
	if w.Probability != 0 && !(w.Probability >= 1e-100 && w.Probability <= 0.5) || !(w.K >= 0 && w.K <= 1e6) {
		return &RefusalError{Reason: BadWidth}
	}
	return nil
}

// multiple is the sigma multiple that holds for a normal statistic.
func (w Width) multiple() float64 {
	switch {
	case w.Probability > 0:
		return -distuv.UnitNormal.Quantile(w.Probability / 2)
	case w.K > 0:
		return w.K
	}
	return 3
}

// Reason says why a chart is refused.
type Reason string

// Reasons of refusal.
const (
	TooFew       Reason = "too-few"       // N points or subgroups, Need at least
	NonFinite    Reason = "non-finite"    // the value at Index is NaN, infinite or beyond ±1e150
	ZeroVariance Reason = "zero-variance" // all values are equal: no limits can be drawn
	BadWidth     Reason = "bad-width"     // a sigma multiple outside [0, 1e6] or a probability that is neither 0 nor in [1e-100, 0.5]
	BadSigma     Reason = "bad-sigma"     // a given sigma that is not positive and finite
	SubgroupSize Reason = "subgroup-size" // the subgroup at Index has N values, Need at least
	BadStream    Reason = "bad-stream"    // the cycle at Index names a stream twice or one that is not there
)

// RefusalError says why no limits or statistics are given.
type RefusalError struct {
	Reason Reason
	N      int // what there is
	Need   int // what would be enough, where that is the question
	Index  int // the offending value or subgroup, from 0
}

// Error says what is refused and what is needed.
func (e *RefusalError) Error() string {
	switch e.Reason {
	case TooFew:
		return fmt.Sprintf("chart: needs at least %d, has %d", e.Need, e.N)
	case NonFinite:
		return fmt.Sprintf("chart: value %d is not a number that can be charted", e.Index)
	case ZeroVariance:
		return "chart: the values do not vary, so they give no limits"
	case BadWidth:
		return "chart: limits need a sigma multiple above 0 and at most 1e6, or a probability from 1e-100 to 0.5"
	case BadSigma:
		return "chart: a given centre must be finite, a given sigma finite and above 0"
	case SubgroupSize:
		return fmt.Sprintf("chart: subgroup %d has %d values; it needs at least %d", e.Index, e.N, e.Need)
	case BadStream:
		return fmt.Sprintf("chart: cycle %d names a stream twice or one that has no centre", e.Index)
	}
	return "chart: " + string(e.Reason)
}

// WarningKind says what is doubtful about a result.
type WarningKind string

// Kinds of warnings.
const (
	FewPoints       WarningKind = "few-points"       // N points or subgroups; Enough would be enough
	Autocorrelated  WarningKind = "autocorrelated"   // lag-1 correlation beyond its band
	NegativeBetween WarningKind = "negative-between" // cycles vary less than the panels in them suggest
)

// Warning says what is doubtful about a result and, where that is a number, what would be enough.
type Warning struct {
	Kind   WarningKind `json:"kind"`
	N      int         `json:"n,omitempty"`
	Enough int         `json:"enough,omitempty"`
	Value  float64     `json:"value,omitempty"`
}

// String is the sentence for the page.
func (w Warning) String() string {
	switch w.Kind {
	case FewPoints:
		return fmt.Sprintf("The limits rest on %d points; %d would be enough.", w.N, w.Enough)
	case Autocorrelated:
		return fmt.Sprintf("Neighbouring points are correlated (%.2f); limits for independent points signal too often.", w.Value)
	case NegativeBetween:
		return "The cycles vary less than the panels inside them suggest; the limits are those of the cycles as they are."
	}
	return string(w.Kind)
}

// enoughPoints and enoughSubgroups are the baseline sizes below which limits are marked as doubtful: the standard error
// of the estimated sigma is then above about a tenth. Common practice, no source: 100 individual values (moving
// ranges of neighbours share points and are worth fewer), 25 subgroups.
const (
	enoughPoints    = 100
	enoughSubgroups = 25
)

// GivenLimits are the limits of a normal statistic with known centre and standard deviation (Phase II, or a
// standard given):
//
//	centre ± k sigma
//
// centre and sigma are in the characteristic's unit; sigma is that of the plotted point. It refuses a sigma that is
// not positive and finite.
func GivenLimits(centre, sigma float64, w Width) (Limits, error) {
	if err := w.check(); err != nil {
		return Limits{}, err
	}
	if !finite(centre) || !finite(sigma) || sigma <= 0 {
		return Limits{}, &RefusalError{Reason: BadSigma}
	}
	return symmetric(centre, sigma, w), nil
}

func symmetric(centre, sigma float64, w Width) Limits {
	d := w.multiple() * sigma
	return Limits{Lower: centre - d, Centre: centre, Upper: centre + d, HasLower: true, HasCentre: true, HasUpper: true, Sigma: sigma}
}

// nonNegative gives the limits of a statistic that cannot be below 0; a lower limit at or below 0 is none.
func nonNegative(centre, sigma, lower, upper float64) Limits {
	l := Limits{Centre: centre, Upper: upper, HasCentre: true, HasUpper: true, Sigma: sigma}
	if lower > 0 {
		l.Lower, l.HasLower = lower, true
	}
	return l
}

// finite also leaves out what cannot be squared and summed; no length or time comes near it.
func finite(x float64) bool { return math.Abs(x) <= 1e150 }

// steady reports whether a standard deviation is nothing but the rounding of values of the given size.
func steady(sd, size float64) bool { return sd <= 1e-15*size }

// largest is the greatest absolute value.
func largest(x []float64) float64 {
	m := 0.0
	for _, v := range x {
		m = max(m, math.Abs(v))
	}
	return m
}

// checkFinite refuses the first value that is not finite.
func checkFinite(x []float64) error {
	for i, v := range x {
		if !finite(v) {
			return &RefusalError{Reason: NonFinite, Index: i}
		}
	}
	return nil
}
