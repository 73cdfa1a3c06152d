package chart

import (
	"fmt"

	"sagwatch/spc/refusal"
)

// CentreFrom says where a centre line comes from.
type CentreFrom string

// Origins of a centre line. The zero value means FromData.
const (
	FromData     CentreFrom = "data"     // the baseline's own centre
	FromTarget   CentreFrom = "target"   // a wanted level; the spread is the baseline's
	FromStandard CentreFrom = "standard" // centre and spread are both given
)

// Exclusion takes the point at Index, from 0, out of a baseline. The reason is the caller's to record, and must be there.
type Exclusion struct {
	Index  int    `json:"index"`
	Reason string `json:"reason"`
}

// Without gives the baseline that is left (Phase I) once the excluded points are out, in a new slice. It refuses an exclusion
// without a reason, a place that is not there and one named twice.
func Without[T any](points []T, excluded []Exclusion) ([]T, error) {
	out := make(map[int]bool, len(excluded))
	for _, e := range excluded {
		switch {
		case e.Index < 0 || e.Index >= len(points):
			return nil, refusal.Shapes("point %d is excluded, but there are %d points", e.Index+1, len(points))
		case out[e.Index]:
			return nil, refusal.Shapes("point %d is excluded twice", e.Index+1)
		case e.Reason == "":
			return nil, refusal.Shapes("point %d is excluded without a reason: say why it does not belong to the baseline", e.Index+1)
		}
		out[e.Index] = true
	}
	kept := make([]T, 0, len(points)-len(excluded))
	for i, p := range points {
		if !out[i] {
			kept = append(kept, p)
		}
	}
	return kept, nil
}

// CheckLimits refuses frozen or given limits that cannot be charted: numbers that are not finite, a lower limit not
// below the upper one, a centre that is not between them.
func CheckLimits(l Limits) error {
	for _, v := range []struct {
		has  bool
		what string
		v    float64
	}{{l.HasLower, "lower limit", l.Lower}, {l.HasCentre, "centre", l.Centre}, {l.HasUpper, "upper limit", l.Upper}} {
		if v.has && !finite(v.v) {
			return refusal.Setting("the "+v.what, v.v, "it must be a finite number")
		}
	}
	switch {
	case l.HasLower && l.HasUpper && l.Lower >= l.Upper:
		return refusal.Crossed(l.Lower, l.Upper)
	case l.HasCentre && (l.HasLower && l.Centre < l.Lower || l.HasUpper && l.Centre > l.Upper):
		return refusal.Setting("the centre", l.Centre, "it must lie between the limits")
	}
	return nil
}

// Side says on which side of its limits a point lies.
type Side int

// Sides. A point on a limit is inside.
const (
	Below  Side = -1
	Inside Side = 0
	Above  Side = 1
)

// String is the side in a word.
func (s Side) String() string {
	switch s {
	case Below:
		return "below"
	case Inside:
		return "inside"
	case Above:
		return "above"
	}
	return fmt.Sprintf("side %d", int(s))
}

// Beyond says on which side of the limits the value lies (Phase II: the limits are frozen).
func Beyond(l Limits, value float64) Side {
	switch {
	case l.HasUpper && value > l.Upper:
		return Above
	case l.HasLower && value < l.Lower:
		return Below
	}
	return Inside
}
