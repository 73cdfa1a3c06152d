package surface

import (
	"fmt"
	"math"

	"sagwatch/spc"
)

// Surface is a nominal contour z = f(x, y), with f(0, 0) = 0 and a level apex.
type Surface struct {
	kind spc.ContourKind
	// sign is +1 on a concave side (rising to the edge), -1 on a convex one.
	sign   float64
	rx, ry float64 // sphere: equal
	// ix, iy, ix2, iy2 are 1/rx, 1/ry and their squares.
	ix, iy, ix2, iy2 float64
	a                [7]float64
}

// New compiles a contour for the concave side:
//
//	sphere      z = (x^2 + y^2)/R / (1 + sqrt(1 - (x^2 + y^2)/R^2))
//	biradial    z = (x^2/Rx + y^2/Ry) / (1 + sqrt(1 - x^2/Rx^2 - y^2/Ry^2))
//	polynomial  z = a1 x^2 + a2 x^4 + a3 y^2 + a4 x^2 y^2 + a5 x^4 y^2 + a6 y^4 + a7 x^2 y^4
//
// Radii are in mm, between 1 um and 1e9 mm; coefficients in mm^(1-degree). The polynomial's form is that of US patent
// 6,157,124 (abstract).
func New(c spc.Contour) (*Surface, error) {
	s := &Surface{kind: c.Kind, sign: 1}
	bad := func(format string, args ...any) (*Surface, error) {
		return nil, &RefusalError{Reason: BadContour, Index: -1, Detail: fmt.Sprintf(format, args...)}
	}
	usable := func(r float64) bool { return r >= 1e-3 && r <= 1e9 }
	switch c.Kind {
	case spc.ContourSphere:
		if !usable(c.R) {
			return bad("contour sphere: the radius must lie between 0.001 and 1e9 mm, not %g", c.R)
		}
		s.rx, s.ry = c.R, c.R
	case spc.ContourBiradial:
		if !usable(c.Rx) || !usable(c.Ry) {
			return bad("contour biradial: both radii must lie between 0.001 and 1e9 mm, not %g and %g", c.Rx, c.Ry)
		}
		s.rx, s.ry = c.Rx, c.Ry
		if c.Rx == c.Ry {
			s.kind = spc.ContourSphere
		}
	case spc.ContourPolynomial:
		for i, a := range c.A {
			if math.IsNaN(a) || math.Abs(a) > 1e3 {
				return bad("contour polynomial: coefficient a%d = %g is not a finite number of mm^(1-degree)", i+1, a)
			}
		}
		s.a = c.A
		return s, nil
	default:
		return bad("contour %q is not known: sphere, biradial or polynomial", c.Kind)
	}
	s.ix, s.iy = 1/s.rx, 1/s.ry
	s.ix2, s.iy2 = s.ix*s.ix, s.iy*s.iy
	return s, nil
}

// OnSide is the contour as it lies for a side: a convex side falls to the edge, z = -f(x, y). Any other side is concave.
func (s *Surface) OnSide(side spc.Side) *Surface {
	t := *s
	t.sign = 1
	if side == spc.Convex {
		t.sign = -1
	}
	return &t
}

// Kind is the contour's family; a biradial contour of equal radii is a sphere.
func (s *Surface) Kind() spc.ContourKind { return s.kind }

// jet holds the height and its first and second derivatives.
type jet struct{ z, x, y, xx, xy, yy float64 }

// jet evaluates all of it at (x, y); false outside the contour's range.
func (s *Surface) jet(x, y float64, j *jet) bool {
	if !s.slope(x, y, j) {
		return false
	}
	s.bend(x, y, j)
	return math.Abs(j.xx)+math.Abs(j.yy) < 1e12
}

// slope sets the height and the first derivatives, which is all that a distance needs near its foot; false outside the
// contour's range.
func (s *Surface) slope(x, y float64, j *jet) bool {
	g := s.sign
	if s.kind == spc.ContourPolynomial {
		a := &s.a
		p, q := x*x, y*y
		m := a[3] + a[4]*p + a[6]*q
		u, v := a[0]+a[1]*p, a[2]+a[5]*q
		j.z = g * (p*(u+q*m) + q*v)
		j.x = g * 2 * x * (u + a[1]*p + q*(m+a[4]*p))
		j.y = g * 2 * y * (v + a[5]*q + p*(m+a[6]*q))
		return math.Abs(j.z)+math.Abs(j.x)+math.Abs(j.y) < 1e12
	}
	kx, ky := x*s.ix, y*s.iy
	w2 := 1 - kx*kx - ky*ky
	// Steeper than about 84 degrees no gauge reads; NaN fails here too.
	if !(w2 > 0.01) {
		return false
	}
	// z = n/(1 + w) with w = sqrt(w2), n = x^2/Rx + y^2/Ry: differentiate z (1 + w) = n and w^2 = w2.
	w := math.Sqrt(w2)
	id := g / (w * (1 + w)) // one division for 1/w and 1/(1 + w)
	z := (x*kx + y*ky) * w * id
	e := g * z
	j.z = z
	j.x = kx * (2*w + e*s.ix) * id
	j.y = ky * (2*w + e*s.iy) * id
	return true
}

// bend sets the second derivatives beside the height and first ones that slope has set there.
func (s *Surface) bend(x, y float64, j *jet) {
	g := s.sign
	if s.kind == spc.ContourPolynomial {
		a := &s.a
		p, q := x*x, y*y
		j.xx = g * 2 * (a[0] + 6*a[1]*p + q*(a[3]+6*a[4]*p+a[6]*q))
		j.xy = g * 4 * x * y * (a[3] + 2*a[4]*p + 2*a[6]*q)
		j.yy = g * 2 * (a[2] + 6*a[5]*q + p*(a[3]+a[4]*p+6*a[6]*q))
		return
	}
	// Differentiate z (1 + w) = n and w^2 = w2 once more.
	w := math.Sqrt(1 - x*x*s.ix2 - y*y*s.iy2)
	iw, id := 1/w, 1/(1+w)
	wx, wy := -x*s.ix2*iw, -y*s.iy2*iw
	wxx, wxy, wyy := -(s.ix2+wx*wx)*iw, -wx*wy*iw, -(s.iy2+wy*wy)*iw
	j.xx = (g*2*s.ix - 2*j.x*wx - j.z*wxx) * id
	j.xy = -(j.x*wy + j.y*wx + j.z*wxy) * id
	j.yy = (g*2*s.iy - 2*j.y*wy - j.z*wyy) * id
}

// Height is z in mm at (x, y); ok is false outside the contour's range (a sphere's slope of about 84 degrees).
func (s *Surface) Height(x, y float64) (z float64, ok bool) {
	var j jet
	if !s.slope(x, y, &j) {
		return 0, false
	}
	return j.z, true
}

// Normal is the unit normal at (x, y), pointing towards +z:
//
//	n = (-f_x, -f_y, 1) / sqrt(1 + f_x^2 + f_y^2)
func (s *Surface) Normal(x, y float64) (n [3]float64, ok bool) {
	var j jet
	if !s.slope(x, y, &j) {
		return n, false
	}
	return j.normal(), true
}

func (j *jet) normal() [3]float64 {
	w := 1 / math.Sqrt(1+j.x*j.x+j.y*j.y)
	return [3]float64{-j.x * w, -j.y * w, w}
}

// Curvature is how a surface bends at a point, in 1/mm, positive where it bends towards +z.
type Curvature struct {
	X, Y     float64 // normal curvatures of the sections along x and along y
	Max, Min float64 // principal curvatures
	Axis     float64 // direction of Max in the x, y plane, rad in (-pi/2, pi/2], 0 along x; 0 where Max = Min
}

// Curvature evaluates at (x, y), with W = sqrt(1 + f_x^2 + f_y^2):
//
//	X = f_xx / ((1 + f_x^2) W),  Y = f_yy / ((1 + f_y^2) W)
//
// and the principal curvatures H +- sqrt(H^2 - K) from the mean and Gaussian curvature. Source: M. do Carmo,
// Differential Geometry of Curves and Surfaces (1976), section 3-3.
func (s *Surface) Curvature(x, y float64) (c Curvature, ok bool) {
	var j jet
	if !s.jet(x, y, &j) {
		return c, false
	}
	e, f, g := 1+j.x*j.x, j.x*j.y, 1+j.y*j.y
	w2 := e*g - f*f
	w := math.Sqrt(w2)
	l, m, n := j.xx/w, j.xy/w, j.yy/w
	mean := (e*n - 2*f*m + g*l) / (2 * w2)
	gauss := (l*n - m*m) / w2
	d := math.Sqrt(math.Max(0, mean*mean-gauss))
	c = Curvature{X: l / e, Y: n / g, Max: mean + d, Min: mean - d}
	// The direction (cos, sin) of Max is a null vector of II - Max I.
	p, q, r := l-c.Max*e, m-c.Max*f, n-c.Max*g
	if scale := math.Abs(l) + math.Abs(m) + math.Abs(n); d > 1e-12*scale {
		if math.Abs(p)+math.Abs(q) >= math.Abs(q)+math.Abs(r) {
			c.Axis = axis(-q, p)
		} else {
			c.Axis = axis(r, -q)
		}
	}
	return c, true
}

// axis is the direction of the line along (x, y), in (-pi/2, pi/2].
func axis(x, y float64) float64 {
	a := math.Atan2(y, x)
	switch {
	case a > math.Pi/2:
		return a - math.Pi
	case a <= -math.Pi/2:
		return a + math.Pi
	}
	return a
}

// Distance is the signed distance in mm of p from the contour along the local normal, positive above, and the foot
// point's x and y. The foot solves
//
//	x - a + (z - f(a, b)) f_x(a, b) = 0,  y - b + (z - f(a, b)) f_y(a, b) = 0
//
// by Newton's method from (x, y); a sphere has it closed. ok is false where the contour does not reach the foot.
func (s *Surface) Distance(p [3]float64) (d float64, foot [2]float64, ok bool) {
	var n [3]float64
	d, n, ok = s.distance(&p)
	if !ok {
		return 0, foot, false
	}
	return d, [2]float64{p[0] - d*n[0], p[1] - d*n[1]}, true
}

// distance is Distance with the unit normal at the foot, which is the distance's derivative by the point.
func (s *Surface) distance(p *[3]float64) (d float64, n [3]float64, ok bool) {
	x, y, z := p[0], p[1], p[2]
	if s.kind == spc.ContourSphere {
		// With the centre at (0, 0, sign R): e = |p - c|^2 - R^2 without cancelling.
		r := s.rx
		e := x*x + y*y + z*(z-2*s.sign*r)
		rho := math.Sqrt(r*r + e)
		w := s.sign / rho
		n = [3]float64{-x * w, -y * w, (s.sign*r - z) * w}
		// On the near half of the sphere only, and not beyond 84 degrees.
		return -s.sign * e / (rho + r), n, n[2] > 0.1
	}
	var j jet
	a, b, det := x, y, 0.0
	for range 30 {
		if !s.slope(a, b, &j) {
			return 0, n, false
		}
		t := z - j.z
		g1, g2 := x-a+t*j.x, y-b+t*j.y
		// The distance errs by half the curvature times the square of the foot's error, which is about g over det. det is
		// 0 before the first step: that there is a foot at all is never taken for granted.
		if g1*g1+g2*g2 < 1e-10*det*det {
			n = j.normal()
			return (x-a)*n[0] + (y-b)*n[1] + t*n[2], n, true
		}
		s.bend(a, b, &j)
		m11, m12, m22 := 1+j.x*j.x-t*j.xx, j.x*j.y-t*j.xy, 1+j.y*j.y-t*j.yy
		det = m11*m22 - m12*m12
		if !(det > 1e-6 && det < 1e12) {
			return 0, n, false // at the centre of curvature or beyond: no foot of its own
		}
		inv := 1 / det
		a += (g1*m22 - g2*m12) * inv
		b += (m11*g2 - m12*g1) * inv
	}
	return 0, n, false
}
