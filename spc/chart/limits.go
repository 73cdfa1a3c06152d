package chart

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"sagwatch/spc"
	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
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
	if w.Probability != 0 && !(w.Probability >= 1e-100 && w.Probability <= 0.5) {
		return refusal.Setting("the probability of the limits", w.Probability, "it must be from 1e-100 to 0.5, or 0 for limits at k sigma")
	}
	if !(w.K >= 0 && w.K <= 1e6) {
		return refusal.Setting("the sigma multiple of the limits", w.K, "it must be above 0 and at most 1e6, or 0 for the usual 3")
	}
	return nil
}

// tail is the probability beyond one of the limits of a normal statistic.
func (w Width) tail() float64 {
	if w.Probability > 0 {
		return w.Probability / 2
	}
	return dist.NormalTail(w.multiple())
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
	if err := checkCentre(centre); err != nil {
		return Limits{}, err
	}
	if err := checkSigma(sigma); err != nil {
		return Limits{}, err
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

// checkCentre refuses a given centre that is not finite.
func checkCentre(centre float64) error {
	if !finite(centre) {
		return refusal.Setting("the given centre", centre, "it must be a finite number")
	}
	return nil
}

// checkSigma refuses a given standard deviation that is not positive and finite.
func checkSigma(sigma float64) error {
	if !finite(sigma) || sigma <= 0 {
		return refusal.Setting("the given sigma", sigma, "it must be finite and above 0")
	}
	return nil
}

// at refuses data for a reason at one place, from 0.
func at(reason refusal.Reason, what string, index int) error {
	return &refusal.Error{Reason: reason, What: what, Index: index}
}
