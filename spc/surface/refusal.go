package surface

import "fmt"

// Reason says why there is no result.
type Reason string

// Reasons for a refusal.
const (
	BadContour   Reason = "contour without meaning"
	OutsideRange Reason = "point beyond the contour's range"
	TooFew       Reason = "too few points"
	Undetermined Reason = "places do not determine the unknowns"
	NoMinimum    Reason = "no least-squares seating found"
)

// RefusalError says why the data give no result and, where one is to blame, which point.
type RefusalError struct {
	Reason Reason
	// N is the number of points given, Need the least number needed (0: more would not help).
	N, Need int
	// Index is the 0-based point to blame, -1 where there is no single one.
	Index int
	// Detail says the case in words.
	Detail string
}

// Error tells what is wrong in words.
func (e *RefusalError) Error() string {
	switch {
	case e.Detail != "":
		return e.Detail
	case e.Reason == TooFew:
		return fmt.Sprintf("too few points: %d given, at least %d needed", e.N, e.Need)
	case e.Index >= 0:
		return fmt.Sprintf("%s: point %d of %d", e.Reason, e.Index+1, e.N)
	}
	return string(e.Reason)
}
