package sphere

import "fmt"

// Reason says why points determine no sphere.
type Reason string

// Reasons for a refusal.
const (
	TooFew      Reason = "too few points"
	NotFinite   Reason = "a coordinate is not a finite number"
	OutOfRange  Reason = "a coordinate is too large"
	Repeated    Reason = "points repeated"
	Collinear   Reason = "points on one line"
	OneCircle   Reason = "points on one circle"
	Coplanar    Reason = "points in one plane"
	Flat        Reason = "curvature not distinguishable from zero"
	NoMinimum   Reason = "no least-squares sphere found"
	BadArgument Reason = "argument out of range"
)

// RefusalError says that the data determine no result, why, and what would be enough.
type RefusalError struct {
	Reason Reason
	// N is the number of points (or values) given, Need the least number that is needed (0: more would not help).
	N, Need int
	// Index is the 0-based place of the offending point or value, -1 where no single one is to blame.
	Index int
	// Detail adds a sentence about the case, or is empty.
	Detail string
}

// Error tells what is wrong and what to do, in words.
func (e *RefusalError) Error() string {
	switch e.Reason {
	case TooFew:
		return fmt.Sprintf("too few points for a sphere: %d given, at least %d needed", e.N, e.Need)
	case NotFinite:
		return fmt.Sprintf("value %d of %d is not a finite number: leave it out", e.Index+1, e.N)
	case OutOfRange:
		return fmt.Sprintf("value %d of %d is beyond %g mm: check the unit", e.Index+1, e.N, maxCoordinate)
	case Repeated:
		return fmt.Sprintf("fewer than %d different points among %d: points are repeated", e.Need, e.N)
	case Collinear:
		return fmt.Sprintf("all %d points lie on one line: no sphere is determined", e.N)
	case OneCircle:
		return fmt.Sprintf("all %d points lie on one circle: many spheres pass through it, add points off the circle", e.N)
	case Coplanar:
		return fmt.Sprintf("all %d points lie in one plane: the radius would be infinite", e.N)
	case Flat:
		return fmt.Sprintf("the curvature of the %d points cannot be told from zero within their scatter: the radius would be meaningless", e.N)
	case BadArgument:
		return e.Detail
	}
	return fmt.Sprintf("no least-squares sphere found for the %d points: they do not look like part of a sphere", e.N)
}
