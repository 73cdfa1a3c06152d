package capability

import (
	"math"

	"sagwatch/spc/refusal"
)

// Specification is what a characteristic must keep. Give one limit or both.
type Specification struct {
	Lower *float64 `json:"lower,omitempty"`
	Upper *float64 `json:"upper,omitempty"`
	// Target is wanted by Cpm; nil means the middle of two limits, and no Cpm with one.
	Target *float64 `json:"target,omitempty"`
	// Bound is a physical bound that no value can pass, such as zero for a form error, on the side that has no limit. It is no
	// limit: nothing is judged against it, and only Cp and Pp by the percentile method use it, as the end of the room there is.
	Bound *float64 `json:"bound,omitempty"`
}

// Kind is the kind of a specification.
type Kind string

// Kinds of specifications.
const (
	TwoSided Kind = "two-sided"
	OneSided Kind = "one-sided"
	Bounded  Kind = "one-sided with a physical bound"
)

// Kind is the kind of the specification.
func (s Specification) Kind() Kind {
	switch {
	case s.Lower != nil && s.Upper != nil:
		return TwoSided
	case s.Bound != nil:
		return Bounded
	}
	return OneSided
}

// Check refuses a specification without limits, with crossed or non-finite ones, with a bound beside two limits or on the
// wrong side of the one, and a target outside.
func (s Specification) Check() error {
	var all []float64
	for _, p := range []*float64{s.Lower, s.Upper, s.Target, s.Bound} {
		if p != nil {
			all = append(all, *p)
		}
	}
	if err := refusal.Finite("limits", all); err != nil {
		return err
	}
	lo, hi := s.lower(), s.upper()
	switch {
	case s.Lower == nil && s.Upper == nil:
		return refusal.Few("specification limits", 0, 1)
	case !(lo < hi):
		return refusal.Crossed(lo, hi)
	case s.Bound != nil && s.Lower != nil && s.Upper != nil:
		return refusal.Shapes("a characteristic with both limits has no side left for a physical bound")
	case s.Bound != nil && s.Upper != nil && !(*s.Bound < hi):
		return refusal.Crossed(*s.Bound, hi)
	case s.Bound != nil && s.Lower != nil && !(*s.Bound > lo):
		return refusal.Crossed(lo, *s.Bound)
	case s.Target != nil && !(*s.Target >= lo && *s.Target <= hi):
		return refusal.Setting("the target", *s.Target, "it must lie within the limits")
	}
	return nil
}

// lower and upper are the limits, infinite where there is none.
func (s Specification) lower() float64 { return or(s.Lower, math.Inf(-1)) }
func (s Specification) upper() float64 { return or(s.Upper, math.Inf(1)) }

func or(p *float64, v float64) float64 {
	if p != nil {
		return *p
	}
	return v
}

// target is the target, ok false where there is none.
func (s Specification) target() (float64, bool) {
	switch {
	case s.Target != nil:
		return *s.Target, true
	case s.Lower != nil && s.Upper != nil:
		return *s.Lower + (*s.Upper-*s.Lower)/2, true
	}
	return 0, false
}

// room are the ends between which Cp is reckoned by the percentile method, ok false where there is only one.
func (s Specification) room() (lo, hi float64, ok bool) {
	lo, hi = s.lower(), s.upper()
	if s.Bound != nil {
		if s.Lower == nil {
			lo = *s.Bound
		} else {
			hi = *s.Bound
		}
	}
	return lo, hi, !math.IsInf(lo, 0) && !math.IsInf(hi, 0)
}
