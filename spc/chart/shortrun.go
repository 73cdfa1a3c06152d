package chart

import (
	"math"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// ShortRun is what was made of one product, or in one mould, in time order, with its own target in the characteristic's
// unit. Sigma is its own standard deviation where known; 0 where not.
type ShortRun struct {
	Target float64   `json:"target"`
	Sigma  float64   `json:"sigma,omitempty"`
	Values []float64 `json:"values"`
}

// ShortRunResult is the baseline of a chart of deviations from target over several short runs.
type ShortRunResult struct {
	Width           Width             `json:"width"`
	Runs            int               `json:"runs"`
	Values          int               `json:"values"`
	Deviation       Limits            `json:"deviation"`    // of x - target
	MovingRange     Limits            `json:"moving_range"` // inside a run
	MeanMovingRange float64           `json:"mean_moving_range"`
	SigmaWithin     float64           `json:"sigma_within"`
	MeanDeviation   float64           `json:"mean_deviation"` // shown; the centre line is 0
	Warnings        []refusal.Warning `json:"warnings,omitempty"`
}

// DeviationsFromTarget works out the chart of d = x - target over short runs that vary alike, after changes of mould or
// product:
//
//	sigma = mean |d_t - d_(t-1)| / d2(2) over neighbours of one run,  limits of d = 0 ± k sigma
//
// The moving range does not bridge a change, so that a run that is off its target widens no limits. It refuses no run with two
// values, targets and values that are not finite and values that do not vary inside the runs; under 100 values it warns.
// Runs of different spread need Standardised.
//
// Source: difference chart for short runs, Farnum 1992, Control charts for short runs, Journal of Quality Technology 24(3)
// (from memory).
func DeviationsFromTarget(runs []ShortRun, w Width) (ShortRunResult, error) {
	if err := w.check(); err != nil {
		return ShortRunResult{}, err
	}
	r := ShortRunResult{Width: w, Runs: len(runs)}
	var ranges, total dist.Accumulator
	pairs, size := 0, 0.0
	for j, run := range runs {
		if !finite(run.Target) {
			return ShortRunResult{}, at(refusal.NonFinite, "targets", j)
		}
		if err := refusal.Finite("values of a run", run.Values); err != nil {
			return ShortRunResult{}, err
		}
		for i, v := range run.Values {
			total.Add(v - run.Target)
			size = max(size, math.Abs(v))
			if i > 0 {
				ranges.Add(math.Abs(v - run.Values[i-1]))
				pairs++
			}
		}
		r.Values += len(run.Values)
	}
	if pairs < 1 {
		return ShortRunResult{}, refusal.Few("neighbouring values of one run", pairs, 1)
	}
	r.MeanDeviation = total.Sum() / float64(r.Values)
	r.MeanMovingRange = ranges.Sum() / float64(pairs)
	r.SigmaWithin = r.MeanMovingRange / ConstantsFor(2).D2
	if steady(r.SigmaWithin, size) {
		return ShortRunResult{}, refusal.Constant("values inside the runs", r.Values)
	}
	r.Deviation = symmetric(0, r.SigmaWithin, w)
	var err error
	if r.MovingRange, err = RangeLimits(2, r.SigmaWithin, w); err != nil {
		return ShortRunResult{}, err
	}
	if r.Values < enoughPoints {
		r.Warnings = append(r.Warnings, refusal.Small("values", r.Values, enoughPoints))
	}
	return r, nil
}

// StandardisedState is a chart of standardised values between two points: fixed in size, plain to store. Its zero value with
// a Width is the start.
type StandardisedState struct {
	Width Width   `json:"width"`
	N     int     `json:"n"`
	Last  float64 `json:"last"` // z of the point before
}

// StandardisedPoint is one point of the chart of z and of its moving range.
type StandardisedPoint struct {
	Z              float64 `json:"z"`
	Limits         Limits  `json:"limits"` // 0 ± k
	Side           Side    `json:"side"`
	MovingRange    float64 `json:"moving_range"`
	RangeLimits    Limits  `json:"range_limits"`
	HasMovingRange bool    `json:"has_moving_range"` // false at the first point
	RangeSide      Side    `json:"range_side"`
}

// Step takes in a value with the target and the standard deviation of its own product or mould, all in the characteristic's
// unit:
//
//	z = (x - target) / sigma,  limits 0 ± k;  moving range |z_t - z_(t-1)|, limits those of the range of two with sigma 1
//
// so that one chart runs on through changes. It refuses a value or target that is not finite and a sigma that is not finite and
// above 0, and leaves the state as it was.
//
// Source: standardised short-run chart, Farnum 1992 (from memory).
func (s *StandardisedState) Step(x, target, sigma float64) (StandardisedPoint, error) {
	if !finite(x) {
		return StandardisedPoint{}, at(refusal.NonFinite, "values", s.N)
	}
	limits, ranges, err := StandardIndividuals(0, 1, s.Width)
	if err != nil {
		return StandardisedPoint{}, err
	}
	if err := checkCentre(target); err != nil {
		return StandardisedPoint{}, err
	}
	if err := checkSigma(sigma); err != nil {
		return StandardisedPoint{}, err
	}
	z := (x - target) / sigma
	if !finite(z) {
		return StandardisedPoint{}, at(refusal.NonFinite, "standardised values", s.N)
	}
	p := StandardisedPoint{Z: z, Limits: limits, Side: Beyond(limits, z)}
	if s.N > 0 {
		p.HasMovingRange, p.MovingRange, p.RangeLimits = true, math.Abs(z-s.Last), ranges
		p.RangeSide = Beyond(ranges, p.MovingRange)
	}
	s.N, s.Last = s.N+1, z
	return p, nil
}

// Standardised is the chart of several runs one after another, each with its own target and sigma. Refusals as for Step.
func Standardised(runs []ShortRun, w Width) ([]StandardisedPoint, error) {
	s := StandardisedState{Width: w}
	var out []StandardisedPoint
	for _, run := range runs {
		for _, v := range run.Values {
			p, err := s.Step(v, run.Target, run.Sigma)
			if err != nil {
				return nil, err
			}
			out = append(out, p)
		}
	}
	return out, nil
}
