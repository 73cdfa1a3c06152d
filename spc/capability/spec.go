package capability

import (
	"math"

	"sagwatch/spc/refusal"
)

// Spec is the specification of a characteristic, in its unit.
type Spec struct {
	Lower    float64 `json:"lower"`
	Upper    float64 `json:"upper"`
	HasLower bool    `json:"has_lower"`
	HasUpper bool    `json:"has_upper"`
	// Target is the wanted value; without one the middle of two limits counts.
	Target    float64 `json:"target"`
	HasTarget bool    `json:"has_target"`
	// Bound: Lower is no limit that somebody set but one that nature does (a form error is never below zero). It counts as
	// none: such a characteristic is judged at its upper limit alone.
	Bound bool `json:"bound,omitempty"`
}

// sides tells which limits count.
func (s Spec) sides() (lower, upper bool) { return s.HasLower && !s.Bound, s.HasUpper }

// Check refuses a specification without a limit, with one that is not finite, or whose limits are crossed.
func (s Spec) Check() error {
	lower, upper := s.sides()
	if !lower && !upper {
		return refusal.Shapes("the specification has no limit that counts, so nothing can be said about keeping it")
	}
	for _, v := range []struct {
		has   bool
		value float64
	}{{s.HasLower, s.Lower}, {s.HasUpper, s.Upper}, {s.HasTarget, s.Target}} {
		if v.has && !(math.Abs(v.value) <= 1e150) {
			return refusal.Finite("limits", []float64{v.value})
		}
	}
	if s.HasLower && s.HasUpper && !(s.Lower < s.Upper) {
		return refusal.Crossed(s.Lower, s.Upper)
	}
	return nil
}

// Middle is the target, or the middle of two limits; false where there is neither.
func (s Spec) Middle() (float64, bool) {
	lower, upper := s.sides()
	switch {
	case s.HasTarget:
		return s.Target, true
	case lower && upper:
		return s.Lower + (s.Upper-s.Lower)/2, true
	}
	return 0, false
}

// level refuses a confidence level outside (0, 1).
func level(confidence float64) error {
	if !(confidence > 0 && confidence < 1) {
		return refusal.Setting("the confidence level", confidence, "must lie between 0 and 1")
	}
	return nil
}
