package chart

import (
	"math"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// SigmaFrom says which estimator of the process standard deviation the limits use.
type SigmaFrom string

// Estimators. The zero value means MovingRange.
const (
	MovingRange SigmaFrom = "moving-range" // mean moving range / d2(2): the variation from point to point
	Overall     SigmaFrom = "overall"      // standard deviation, n-1 denominator: all the variation of the baseline
)

// IndividualsOptions are the settings of an individuals chart; the zero value is the published way.
type IndividualsOptions struct {
	From  SigmaFrom `json:"from"`
	Width Width     `json:"width"`
	// Target is the centre line in place of the mean; nil takes the mean.
	Target *float64 `json:"target,omitempty"`
}

// StandardIndividuals are the limits of values and of their moving ranges with centre and sigma both given. Refusals as
// for GivenLimits.
func StandardIndividuals(centre, sigma float64, w Width) (values, movingRange Limits, err error) {
	if values, err = GivenLimits(centre, sigma, w); err != nil {
		return Limits{}, Limits{}, err
	}
	movingRange, err = RangeLimits(2, sigma, w)
	return values, movingRange, err
}

// IndividualsResult is the baseline of an individuals chart.
type IndividualsResult struct {
	Options         IndividualsOptions `json:"options"`
	N               int                `json:"n"`
	Limits          Limits             `json:"limits"`       // of the values
	MovingRange     Limits             `json:"moving_range"` // of the moving ranges
	MeanMovingRange float64            `json:"mean_moving_range"`
	SigmaWithin     float64            `json:"sigma_within"`  // mean moving range / d2(2)
	SigmaOverall    float64            `json:"sigma_overall"` // n-1 denominator
	Lag1            Autocorrelation    `json:"lag1"`
	Warnings        []refusal.Warning  `json:"warnings,omitempty"`
}

// Individuals works out an individuals and moving-range chart from a baseline x in time order, in the
// characteristic's unit:
//
//	centre = mean(x) or a target,  sigma = mean |x_t - x_(t-1)| / d2(2)  or  sd(x),  limits = centre ± k sigma
//	moving range: centre = mean |x_t - x_(t-1)|, upper limit = centre (1 + k d3(2) / d2(2))
//
// The baseline is one phase: excluded points are left out by the caller, and the moving range bridges the gap. It
// refuses another estimator, fewer than 2 values, values that are not finite and a baseline that does not vary. Under 100
// values and under significant lag-1 autocorrelation it warns; limits from the overall standard deviation hold what the
// correlation adds to the variation, and the warning then says that points beyond them come in groups.
//
// Source: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2; ISO 7870-2 (from memory). The handbook divides by
// 1.128, the rounded d2(2).
func Individuals(x []float64, o IndividualsOptions) (IndividualsResult, error) {
	if err := o.Width.check(); err != nil {
		return IndividualsResult{}, err
	}
	if len(x) < 2 {
		return IndividualsResult{}, refusal.Few("values", len(x), 2)
	}
	if err := refusal.Finite("values", x); err != nil {
		return IndividualsResult{}, err
	}
	switch o.From {
	case "":
		o.From = MovingRange
	case MovingRange, Overall:
	default:
		return IndividualsResult{}, refusal.Shapes("a standard deviation comes from %q or %q, not from %q", string(MovingRange), string(Overall), string(o.From))
	}
	r := IndividualsResult{Options: o, N: len(x)}
	centre, sd := moments(x)
	if o.Target != nil {
		centre = *o.Target
		if err := checkCentre(centre); err != nil {
			return IndividualsResult{}, err
		}
	}
	var ranges dist.Accumulator
	for i := 1; i < len(x); i++ {
		ranges.Add(math.Abs(x[i] - x[i-1]))
	}
	r.MeanMovingRange = ranges.Sum() / float64(len(x)-1)
	r.SigmaWithin = r.MeanMovingRange / ConstantsFor(2).D2
	r.SigmaOverall = sd
	if size := largest(x); steady(r.SigmaWithin, size) || steady(sd, size) {
		return IndividualsResult{}, refusal.Constant("values", len(x))
	}
	sigma := r.SigmaWithin
	if o.From == Overall {
		sigma = sd
	}
	r.Limits = symmetric(centre, sigma, o.Width)
	var err error
	if r.MovingRange, err = RangeLimits(2, r.SigmaWithin, o.Width); err != nil {
		return IndividualsResult{}, err
	}
	if len(x) < enoughPoints {
		r.Warnings = append(r.Warnings, refusal.Small("points", len(x), enoughPoints))
	}
	if len(x) >= leastForLag1 {
		if r.Lag1, err = Lag1(x); err != nil {
			return IndividualsResult{}, err
		}
		if r.Lag1.Significant {
			r.Warnings = append(r.Warnings, correlated("points", r.Lag1, o.From == Overall))
		}
	}
	return r, nil
}

// leastForLag1 is the least number of values for a lag-1 correlation.
const leastForLag1 = 3

// Autocorrelation is the sample lag-1 autocorrelation with the band in which it lies in 95 of 100 series without any.
type Autocorrelation struct {
	R           float64 `json:"r"`
	Band        float64 `json:"band"` // half width: R is significant outside ± Band
	N           int     `json:"n"`
	Significant bool    `json:"significant"`
}

// correlated warns of a correlation of neighbouring points beyond its band. Limits that hold all the variation of the
// baseline (held) also hold what the correlation adds, and are passed as often as wanted over the long run, though not one
// by one. Moving ranges between neighbours that resemble each other are too small, between those that repel each other
// too great.
func correlated(what string, a Autocorrelation, held bool) refusal.Warning {
	w := refusal.Warning{Kind: refusal.Autocorrelated, What: what, N: a.N, Value: a.R}
	switch {
	case held && a.R > 0:
		w.Detail = "The limits hold all variation of the baseline; points beyond them come in groups."
	case held:
		w.Detail = "The limits hold all variation of the baseline; points beyond them tend to alternate between both sides."
	case a.R > 0:
		w.Detail = "Limits for independent points signal too often."
	default:
		w.Detail = "Limits from moving ranges are too wide."
	}
	return w
}

// Lag1 is the sample lag-1 autocorrelation of x in time order:
//
//	r = sum (x_t - m)(x_(t+1) - m) / sum (x_t - m)^2,  m = mean(x),  band = ± 1.96 / sqrt(n)
//
// The band is that of large samples; at small n it is a guide. It refuses fewer than 3 values, values that are not finite
// and values that do not vary.
//
// Source: NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.3.1 and 1.3.5.12 (from memory).
func Lag1(x []float64) (Autocorrelation, error) {
	if len(x) < leastForLag1 {
		return Autocorrelation{}, refusal.Few("values", len(x), leastForLag1)
	}
	if err := refusal.Finite("values", x); err != nil {
		return Autocorrelation{}, err
	}
	m, sd := moments(x)
	if steady(sd, largest(x)) {
		return Autocorrelation{}, refusal.Constant("values", len(x))
	}
	var num, den dist.Accumulator
	for i, v := range x {
		den.Add((v - m) * (v - m))
		if i > 0 {
			num.Add((v - m) * (x[i-1] - m))
		}
	}
	const z975 = 1.959963984540054 // normal quantile at 0.975
	a := Autocorrelation{R: num.Sum() / den.Sum(), Band: z975 / math.Sqrt(float64(len(x))), N: len(x)}
	a.Significant = math.Abs(a.R) > a.Band
	return a, nil
}
