package sphere

import "math"

// Spherometer is a three-ball or ring spherometer: feet on a circle of radius LegRadius about the middle spindle.
// Readings are the sagitta h, zeroed on a flat. Lengths in mm.
type Spherometer struct {
	LegRadius  float64 // distance of a foot's (ball's) centre from the spindle's axis
	BallRadius float64 // 0 for sharp feet or a ring's edge
	Convex     bool    // the surface bulges towards the instrument
}

// Radius is the surface's radius in mm for the sagitta h > 0 in mm:
//
//	R = a^2/(2 h) + h/2 + b   on a concave surface
//	R = a^2/(2 h) + h/2 - b   on a convex surface
//
// a the leg radius, b the ball radius: the balls' centres lie on a sphere smaller (larger) by b. Refused unless a and
// h are above zero, b is not negative, h <= a (at most a half sphere) and R comes out above zero.
//
// Source: geometry of the circular segment; the ball correction is common practice, no source.
func (s Spherometer) Radius(h float64) (float64, error) {
	if err := s.check(); err != nil {
		return 0, err
	}
	if !(h > 0) || h > s.LegRadius {
		return 0, badArgument("a sagitta of %g mm is not between 0 and the leg radius of %g mm", h, s.LegRadius)
	}
	r := s.LegRadius*(s.LegRadius/(2*h)) + h/2 + s.ball()
	if !(r > 0) || math.IsInf(r, 0) {
		return 0, badArgument("a sagitta of %g mm with balls of radius %g mm gives no radius", h, s.BallRadius)
	}
	return r, nil
}

// Sagitta is the reading in mm on a surface of radius r (mm), the inverse of Radius:
//
//	h = a^2 / (q + sqrt(q^2 - a^2)),  q = R - b concave, R + b convex
func (s Spherometer) Sagitta(r float64) (float64, error) {
	if err := s.check(); err != nil {
		return 0, err
	}
	q := r - s.ball()
	if !(q >= s.LegRadius) || math.IsInf(q, 0) {
		return 0, badArgument("feet on a circle of radius %g mm do not fit a surface of radius %g mm", s.LegRadius, r)
	}
	// (q-a)(q+a) keeps the digits that q^2 - a^2 loses and does not overflow.
	return s.LegRadius / (q + math.Sqrt(q-s.LegRadius)*math.Sqrt(q+s.LegRadius)) * s.LegRadius, nil
}

// RadiusU is the standard uncertainty of Radius in mm, for standard uncertainties uh of the sagitta, ua of the leg
// radius and ub of the ball radius (mm, independent):
//
//	u(R)^2 = (1/2 - a^2/(2 h^2))^2 uh^2 + (a/h)^2 ua^2 + ub^2
//
// Source: JCGM 100:2008, 5.1.2.
func (s Spherometer) RadiusU(h, uh, ua, ub float64) (float64, error) {
	if _, err := s.Radius(h); err != nil {
		return 0, err
	}
	if !(uh >= 0 && ua >= 0 && ub >= 0) {
		return 0, badArgument("a standard uncertainty is negative or not a number (sagitta %g, leg radius %g, ball radius %g mm)", uh, ua, ub)
	}
	k := s.LegRadius / h
	u := math.Hypot(math.Hypot((0.5-0.5*k*k)*uh, k*ua), ub)
	if math.IsInf(u, 0) || math.IsNaN(u) {
		return 0, badArgument("the uncertainty of the radius is beyond all bounds at a sagitta of %g mm", h)
	}
	return u, nil
}

func (s Spherometer) ball() float64 {
	if s.Convex {
		return -s.BallRadius
	}
	return s.BallRadius
}

func (s Spherometer) check() error {
	if !(s.LegRadius > 0) || s.LegRadius > maxCoordinate || !(s.BallRadius >= 0) || s.BallRadius > maxCoordinate {
		return badArgument("a spherometer needs a leg radius above 0 and a ball radius of 0 or more (leg %g mm, ball %g mm)", s.LegRadius, s.BallRadius)
	}
	return nil
}

// Combined sums up radii measured at several places of one surface.
type Combined struct {
	Radius     float64 // 1 over the weighted mean curvature, mm
	Curvature  float64 // weighted mean curvature, 1/mm
	N          int     // values used (weight above 0)
	Min, Max   float64 // least and greatest local radius, mm
	SpreadMM   float64 // standard deviation of the local curvatures (n-1), as a radius: R^2 s(1/R), mm; 0 for one value
	CurvatureS float64 // standard deviation of the local curvatures (n-1 effective denominator), 1/mm
}

// CombineRadii combines local radii (mm, above 0) in curvature, the quantity that a sagitta measures almost linearly:
//
//	k = sum w_i / R_i / sum w_i,   R = 1/k
//	s^2 = sum w_i (1/R_i - k)^2 / (W - sum w_i^2 / W),  W = sum w_i
//
// which is the usual n-1 standard deviation for equal weights. weights may be nil (equal); a weight of 0 leaves a
// value out. Refused: no value left, a radius that is not above zero and finite, a negative weight.
func CombineRadii(radii, weights []float64) (Combined, error) {
	if weights != nil && len(weights) != len(radii) {
		return Combined{}, badArgument("%d weights for %d radii", len(weights), len(radii))
	}
	weight := func(i int) float64 {
		if weights == nil {
			return 1
		}
		return weights[i]
	}
	top := 0.0
	for i, r := range radii {
		w := weight(i)
		if !(w >= 0) || math.IsInf(w, 0) {
			return Combined{}, badArgument("weight %d is %g: it must be 0 or more", i+1, w)
		}
		if w > 0 && (!(r > 1/maxRadius) || r > maxRadius) {
			return Combined{}, badArgument("radius %d is %g mm: it must be above 0 and finite", i+1, r)
		}
		top = math.Max(top, w)
	}
	if top == 0 {
		return Combined{}, badArgument("none of the %d local radii is left to combine", len(radii))
	}
	c := Combined{Min: math.Inf(1)}
	var sw, sw2, sk float64
	for i, r := range radii {
		w := weight(i) / top
		if w == 0 {
			continue
		}
		c.N++
		c.Min, c.Max = math.Min(c.Min, r), math.Max(c.Max, r)
		sw += w
		sw2 += w * w
		sk += w / r
	}
	c.Curvature = sk / sw
	c.Radius = 1 / c.Curvature
	var ss float64
	for i, r := range radii {
		if w := weight(i) / top; w > 0 {
			d := 1/r - c.Curvature
			ss += w * d * d
		}
	}
	if den := sw - sw2/sw; c.N > 1 && den > 0 {
		c.CurvatureS = math.Sqrt(ss / den)
		c.SpreadMM = c.CurvatureS * c.Radius * c.Radius
	}
	return c, nil
}

// maxRadius bounds local radii so that squares and inverses stay finite.
const maxRadius = 1e100
