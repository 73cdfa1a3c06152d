package judge

import (
	"fmt"
	"math"

	"sagwatch/spc"
	"sagwatch/spc/sphere"
)

// takeLocal turns a local-radius reading (r in mm; v as it was read) into a radius; it returns why it cannot, or "".
func (p *Plan) takeLocal(w *Work, place int, r, v float64) string {
	if p.gauge.Sagitta {
		radius, err := p.meter.Radius(r)
		if err != nil {
			return fmt.Sprintf("place %d: %v", place+1, err)
		}
		r = radius
	}
	if !(r > 1e-3) {
		return fmt.Sprintf("place %d: a radius of %g %s cannot be; readings are radii above 0", place+1, v, p.unitName())
	}
	w.local = append(w.local, r)
	w.weights = append(w.weights, p.weights[place])
	return ""
}

// combine works out the radius of a local-radius gauge, combined in curvature:
//
//	1/R = sum w_i / R_i / sum w_i,   u(R) = R^2 sqrt(sum w_i^2 u(1/R_i)^2) / sum w_i
//
// There is no centre, so no seat, no deviations and no shape; the corner sag is that of a sphere of this radius.
func (p *Plan) combine(w *Work, res *spc.Result) string {
	c, err := sphere.CombineRadii(w.local, w.weights)
	if err != nil {
		return err.Error()
	}
	var sum, squares, probe float64
	for i, wt := range w.weights {
		slope, err := p.curvatureSlope(w.local[i])
		if err != nil {
			return fmt.Sprintf("place %d: %v", w.places[i]+1, err)
		}
		sum += wt
		squares += wt * wt
		probe += wt * wt * slope * slope
	}
	r2 := c.Radius * c.Radius
	u := float64(unknown)
	if c.N > 1 {
		fitted := r2 * c.CurvatureS * math.Sqrt(squares) / sum
		set(w, res, spc.RadiusFitUMM, fitted, unknown)
		u = math.Hypot(fitted, p.gauge.RadiusUMM)
	}
	if p.hasSigma {
		u = math.Hypot(r2*p.sigma*math.Sqrt(probe)/sum, p.gauge.RadiusUMM)
	}
	if u >= 0 {
		set(w, res, spc.RadiusUMM, u, unknown)
	}
	set(w, res, spc.RadiusMM, c.Radius, u)
	if r := p.h; r > 0 && r < c.Radius {
		root := math.Sqrt((c.Radius - r) * (c.Radius + r))
		sag := r * r / (c.Radius + root)
		su := float64(unknown)
		if u >= 0 {
			su = sag / root * u
		}
		set(w, res, spc.CornerSagMM, sag, su)
	}
	return ""
}
