// Package refusal holds the one way in which the statistical packages say no, and the one way in which they say "yes, but":
// an Error where data or a setting give no result, a Warning beside a result that one may show but not trust.
package refusal

import (
	"fmt"
	"math"
	"strconv"
)

// Reason says why there is no result.
type Reason string

// Reasons of refusal.
const (
	TooFew        Reason = "too-few"        // N of What, Need at least
	NonFinite     Reason = "non-finite"     // What at Index is NaN, infinite or beyond ±1e150
	ZeroVariance  Reason = "zero-variance"  // What do not vary
	Negative      Reason = "negative"       // What at Index is below zero and cannot be
	LimitsCrossed Reason = "limits-crossed" // a lower limit is not below the upper one
	OutOfRange    Reason = "out-of-range"   // the setting What has Value; Detail says what is allowed
	Mismatch      Reason = "mismatch"       // shapes that do not belong together; Detail says which
	NoSolution    Reason = "no-solution"    // the numbers have no answer (no maximum of the likelihood, singular covariance); Detail says why
)

// Error says why there is no result and, where that is a number, what would be enough.
type Error struct {
	Reason Reason
	What   string  // what is refused, in words, plural for a kind of data: "subgroups", "values", "lambda"
	N      int     // what there is
	Need   int     // what would be enough
	Index  int     // the offending value, from 0; -1 where there is none
	Value  float64 // the offending value or setting
	Detail string  // the case in words, where the reason alone does not tell
}

// Error says what is refused and what is needed.
func (e *Error) Error() string {
	var s string
	switch e.Reason {
	case TooFew:
		s = fmt.Sprintf("needs at least %d %s, has %d", e.Need, e.What, e.N)
	case NonFinite:
		s = fmt.Sprintf("%s: number %d is not a number that can be worked with", e.What, e.Index+1)
	case ZeroVariance:
		s = fmt.Sprintf("the %s do not vary", e.What)
	case Negative:
		s = fmt.Sprintf("%s: number %d is %s and cannot be below zero", e.What, e.Index+1, number(e.Value))
	case LimitsCrossed:
		s = "the lower limit is not below the upper limit"
	case OutOfRange:
		s = fmt.Sprintf("%s is %s", e.What, number(e.Value))
	case Mismatch, NoSolution:
		if e.Detail != "" {
			return e.Detail
		}
		s = string(e.Reason)
	default:
		s = string(e.Reason)
	}
	if e.Detail != "" {
		s += ": " + e.Detail
	}
	return s
}

func number(v float64) string { return strconv.FormatFloat(v, 'g', 6, 64) }

// Few refuses n of what where need are needed.
func Few(what string, n, need int) error {
	return &Error{Reason: TooFew, What: what, N: n, Need: need, Index: -1}
}

// Constant refuses values that do not vary.
func Constant(what string, n int) error {
	return &Error{Reason: ZeroVariance, What: what, N: n, Index: -1}
}

// Setting refuses a setting; allowed completes the sentence "lambda is 2: …".
func Setting(what string, v float64, allowed string) error {
	return &Error{Reason: OutOfRange, What: what, Value: v, Index: -1, Detail: allowed}
}

// Crossed refuses a lower limit that is not below the upper one.
func Crossed(lower, upper float64) error {
	return &Error{Reason: LimitsCrossed, Index: -1, Value: lower, Detail: fmt.Sprintf("lower %s, upper %s", number(lower), number(upper))}
}

// Shapes refuses inputs whose shapes do not belong together, in words.
func Shapes(format string, args ...any) error {
	return &Error{Reason: Mismatch, Index: -1, Detail: fmt.Sprintf(format, args...)}
}

// Unsolved says why the numbers have no answer.
func Unsolved(format string, args ...any) error {
	return &Error{Reason: NoSolution, Index: -1, Detail: fmt.Sprintf(format, args...)}
}

// Finite refuses the first value that is NaN, infinite or so large (beyond ±1e150) that its square is.
func Finite(what string, x []float64) error {
	for i, v := range x {
		if !(math.Abs(v) <= 1e150) {
			return &Error{Reason: NonFinite, What: what, Index: i, Value: v, N: len(x)}
		}
	}
	return nil
}

// NotNegative refuses the first count that is below zero.
func NotNegative(what string, counts []int) error {
	for i, c := range counts {
		if c < 0 {
			return &Error{Reason: Negative, What: what, Index: i, Value: float64(c), N: len(counts)}
		}
	}
	return nil
}

// WarningKind says what is doubtful about a result.
type WarningKind string

// Kinds of warnings.
const (
	SmallSample    WarningKind = "small-sample"   // N of What; Enough would be enough
	Autocorrelated WarningKind = "autocorrelated" // neighbouring What ("points" where empty) have lag-1 correlation Value, beyond its band
	Adjusted       WarningKind = "adjusted"       // something was set to a bound or left out; Detail says what
	Doubtful       WarningKind = "doubtful"       // Detail says why
)

// Warning says what is doubtful about a result and, where that is a number, what would be enough.
type Warning struct {
	Kind   WarningKind `json:"kind"`
	What   string      `json:"what,omitempty"`
	N      int         `json:"n,omitempty"`
	Enough int         `json:"enough,omitempty"`
	Value  float64     `json:"value,omitempty"`
	Detail string      `json:"detail,omitempty"`
}

// String is the sentence for the page.
func (w Warning) String() string {
	switch w.Kind {
	case SmallSample:
		s := fmt.Sprintf("This rests on %d %s; %d would be enough.", w.N, w.What, w.Enough)
		if w.Detail != "" {
			s += " " + w.Detail
		}
		return s
	case Autocorrelated:
		what := w.What
		if what == "" {
			what = "points"
		}
		s := fmt.Sprintf("Neighbouring %s are correlated (%.2f).", what, w.Value)
		if w.Detail != "" {
			s += " " + w.Detail
		}
		return s
	}
	return w.Detail
}

// Small warns that n of what is little; enough would be enough.
func Small(what string, n, enough int) Warning {
	return Warning{Kind: SmallSample, What: what, N: n, Enough: enough}
}
