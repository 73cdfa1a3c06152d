// Package sphere fits spheres to measured points and works with spherometers.
//
// The fit is geometric (orthogonal-distance) least squares with its cofactor matrix, from which the standard
// uncertainty of the radius, the centre and the corner sag follow. Points that determine no sphere are refused with a
// *RefusalError; no function returns NaN or Inf.
//
// Lengths are millimetres. Everything is safe for concurrent use; inputs are read only.
package sphere

import "math"

// Point is a measured point (x, y, z) in mm.
type Point [3]float64

// Stop says why the iteration ended.
type Stop uint8

// Reasons for ending the iteration.
const (
	// StepSmall: the next step would be below 1e-12 of the radius.
	StepSmall Stop = iota
	// AtRounding: steps no longer shrink and the sum of squares no longer falls: the limit of double precision.
	AtRounding
)

// String says it in words.
func (s Stop) String() string {
	if s == AtRounding {
		return "at the limit of double precision"
	}
	return "step below 1e-12 of the radius"
}

// Fit is a geometric least-squares sphere.
type Fit struct {
	Centre [3]float64 // mm
	Radius float64    // mm, always positive
	N      int        // points used
	SSR    float64    // sum of squared residuals, mm^2
	// Cofactor is (J'J)^-1 in the order x, y, z, R with J the derivatives of the residuals at the solution: the
	// covariance matrix for points of unit standard deviation along the normal (no unit).
	Cofactor [4][4]float64
	// Concave is true where the centre lies on the +z side of the points, as on the concave inside of a faceplate.
	Concave    bool
	Iterations int
	Stop       Stop

	meanNormal [3]float64 // mean of the outward unit normals, for leverages
}

const (
	// maxCoordinate bounds coordinates: at 1e12 mm the spacing of doubles is already 0.1 um.
	maxCoordinate = 1e12
	// minSignificance is how many of its standard uncertainties (from the scatter) a curvature must differ from zero.
	minSignificance = 5
	stepTolerance   = 1e-12
	maxIterations   = 60
	epsilon         = 0x1p-52
)

// FitPoints fits the sphere that minimises
//
//	sum_i (|p_i - c| - R)^2
//
// over centre c and radius R. It starts from the algebraic fit in Taubin's form, in coordinates centred on the points
// and scaled to unit size, and goes on by Gauss-Newton steps with R eliminated, halved where the sum of squares
// would rise, until the next step is below 1e-12 of R.
//
// The fit needs four points or more that do not lie in one plane, and a curvature that differs from zero by five of
// its standard uncertainties; else the error is a *RefusalError. It allocates nothing. A caller with places to leave
// out passes the points that remain.
//
// Source: A. B. Forbes, "Least-squares best-fit geometric elements", NPL Report DITC 140/89 (1989, revised 1991);
// start: G. Taubin, "Estimation of planar curves, surfaces, and nonplanar space curves", IEEE Trans. PAMI 13 (1991),
// 1115-1138, by Newton's method on the secular equation.
func FitPoints(pts []Point) (Fit, error) {
	n := len(pts)
	if n < 4 {
		return Fit{}, &RefusalError{Reason: TooFew, N: n, Need: 4, Index: -1}
	}
	var f fitter
	f.pts = pts
	f.n = float64(n)
	if !f.moments() {
		return Fit{}, refuseRange(pts)
	}
	if !f.start() {
		return Fit{}, refuseShape(pts, f.origin)
	}
	return f.refine()
}

// fitter holds the working figures of one fit; a is the centre relative to origin.
type fitter struct {
	pts    []Point
	n      float64
	origin [3]float64
	// Second moments about origin, divided by n: of the coordinates, of coordinate and squared distance, and the
	// mean and variance of the squared distance.
	xx, xy, xz, yy, yz, zz float64
	gx, gy, gz             float64
	q, qq                  float64
	a                      [3]float64
	r                      float64
	m                      factor3 // of the matrix of second moments over q
	clean                  bool    // scatter below 1e-3 of the radius, by the algebraic fit
}

// moments works out the centroid and the moments about it; false if a coordinate is NaN, infinite or too large.
func (f *fitter) moments() bool {
	var sx, sy, sz float64
	for i := range f.pts {
		p := &f.pts[i]
		sx += p[0]
		sy += p[1]
		sz += p[2]
	}
	w := 1 / f.n
	ox, oy, oz := sx*w, sy*w, sz*w
	var xx, xy, xz, yy, yz, zz, gx, gy, gz, qq float64
	for i := range f.pts {
		p := &f.pts[i]
		x, y, z := p[0]-ox, p[1]-oy, p[2]-oz
		x2, y2, z2 := x*x, y*y, z*z
		q := x2 + y2 + z2
		xx += x2
		yy += y2
		zz += z2
		xy += x * y
		xz += x * z
		yz += y * z
		gx += x * q
		gy += y * q
		gz += z * q
		qq += q * q
	}
	f.origin = [3]float64{ox, oy, oz}
	f.xx, f.xy, f.xz, f.yy, f.yz, f.zz = xx*w, xy*w, xz*w, yy*w, yz*w, zz*w
	f.gx, f.gy, f.gz = gx*w, gy*w, gz*w
	f.q = f.xx + f.yy + f.zz
	f.qq = qq*w - f.q*f.q
	// Not NaN and within bounds: comparisons with NaN are false. The spread is bounded with the centroid.
	return math.Abs(ox) <= maxCoordinate && math.Abs(oy) <= maxCoordinate && math.Abs(oz) <= maxCoordinate &&
		f.q <= maxCoordinate*maxCoordinate
}

// start sets the centre and radius of Taubin's algebraic fit. With M the matrix of second moments of the centred
// coordinates u, g = mean(u q), q = |u|^2, the centre is a = (M - eta I)^-1 g / 2, eta being the least root of
//
//	var(q) - 4 mean(q) eta - g'(M - eta I)^-1 g = 0
//
// eta = 0 is the plain algebraic fit, which is biased towards small radii on shallow caps; one Newton step from
// there, to first order in eta, removes all of the bias that matters. False if M is singular: the points lie in one plane.
func (f *fitter) start() bool {
	// Scaled to unit size: distances by s, moments by the matching power.
	if !(f.q > smallest*smallest) {
		return false
	}
	s := math.Sqrt(f.q)
	w := 1 / s
	w2 := w * w
	w3 := w2 * w
	m := sym3{f.xx * w2, f.xy * w2, f.xz * w2, f.yy * w2, f.yz * w2, f.zz * w2}
	g := [3]float64{f.gx * w3, f.gy * w3, f.gz * w3}
	l, ok := m.factor(singular)
	if !ok {
		return false
	}
	a := l.solve(g)
	eta := (f.qq*w2*w2 - dot(g, a)) / (4 + dot(a, a))
	if eta > 0 {
		// (M - eta I)^-1 g to first order in eta; singular never, and exact enough for a start.
		b := l.solve(a)
		a[0] += eta * b[0]
		a[1] += eta * b[1]
		a[2] += eta * b[2]
	}
	// R^2 = |a|^2 + mean(q).
	f.a = [3]float64{0.5 * a[0] * s, 0.5 * a[1] * s, 0.5 * a[2] * s}
	r2 := dot(f.a, f.a) + f.q
	f.r = math.Sqrt(r2)
	f.m = l
	f.clean = eta*f.q < 1e-6*r2
	return f.r <= flattest*s
}

const (
	// singular is the least pivot of the scaled moment matrix: points within 1e-7 of their extent of one plane.
	singular = 1e-14
	// smallest is the least extent in mm that is not taken for one point.
	smallest = 1e-30
	// flattest bounds R over the extent of the points; beyond, no residual can be told from the plane's.
	flattest = 1e8
)

// refine goes on from a, r to the geometric fit.
func (f *fitter) refine() (Fit, error) {
	var (
		prev  = math.Inf(1) // length of the previous step over R
		best  = math.Inf(1) // sum of squares at the last accepted centre
		s     sums
		ba    = f.a
		br    = f.r
		da    [3]float64
		dr    float64
		halve int
	)
	first := 1
	if f.clean {
		prev = f.light()
		ba, br = f.a, f.r
		first = 2
	}
	for it := first; it <= maxIterations; it++ {
		f.full(&s)
		ssr := s.dd
		if !(ssr <= best*(1+1e-9)+f.noise2()) {
			// Uphill: half the step from the last good centre.
			if halve++; halve > 30 || math.IsInf(best, 1) {
				break
			}
			da[0], da[1], da[2], dr = da[0]/2, da[1]/2, da[2]/2, dr/2
			f.a = [3]float64{ba[0] + da[0], ba[1] + da[1], ba[2] + da[2]}
			f.r = br + dr
			if !(f.r > 0) {
				f.r = br
			}
			prev = math.Inf(1)
			continue
		}
		halve = 0
		best, ba, br = ssr, f.a, f.r
		l, ok := s.a.factor(0)
		if !ok {
			break
		}
		da = l.solve(s.g)
		mean := s.d / f.n
		// s.n is the sum of the normals less the reference normal -a/r.
		nx, ny, nz := s.n[0]/f.n-f.a[0]/f.r, s.n[1]/f.n-f.a[1]/f.r, s.n[2]/f.n-f.a[2]/f.r
		dr = mean - (nx*da[0] + ny*da[1] + nz*da[2])
		gain := dot(s.g, da) + s.d*mean
		f.a[0] += da[0]
		f.a[1] += da[1]
		f.a[2] += da[2]
		f.r += dr
		step := math.Sqrt(dot(da, da)+dr*dr) / br
		if !(f.r > 0) || !(step < 1e9) {
			if math.IsInf(f.r, 0) || math.IsNaN(f.r) {
				break
			}
			f.r = math.Max(f.r, br/2)
			prev = math.Inf(1)
			continue
		}
		// Convergence is linear: the ratio of this step to the last one foretells the next.
		next := step
		if step < prev && prev < 1 {
			next = step * (step / prev)
		}
		switch {
		case next < stepTolerance && (step < 1e-6):
			return f.finish(&s, l, math.Max(0, ssr-gain), it, StepSmall)
		case it > 8 && step < 1e-6 && step > prev/2:
			return f.finish(&s, l, math.Max(0, ssr-gain), it, AtRounding)
		}
		prev = step
	}
	return Fit{}, &RefusalError{Reason: f.giveUp(), N: len(f.pts), Index: -1}
}

// noise2 is the sum of squares that rounding of the coordinates alone may cause.
func (f *fitter) noise2() float64 {
	e := epsilon * (math.Abs(f.origin[0]) + math.Abs(f.origin[1]) + math.Abs(f.origin[2]) + math.Sqrt(f.q))
	return f.n * e * e
}

func (f *fitter) giveUp() Reason {
	if f.r > 50*math.Sqrt(f.q) || math.IsNaN(f.r) {
		return Flat
	}
	return NoMinimum
}

// sums are those of one pass over the points: with d = |p - c| - R and v the outward unit normal at each point less
// the reference normal -a/r.
type sums struct {
	d, dd float64
	n     [3]float64 // sum v
	g     [3]float64 // sum (v - mean v) d
	a     sym3       // sum (v - mean v)(v - mean v)'
}

// light makes one Gauss-Newton step with the matrix that the moments already give, mean(v v') = M / R^2 but for terms
// of the order of scatter over radius, and returns the step's length over R. It costs a third of a full step and
// leaves an error of the same small order.
func (f *fitter) light() float64 {
	ox, oy, oz := f.origin[0], f.origin[1], f.origin[2]
	r := f.r
	r2 := r * r
	k := dot(f.a, f.a) - r2
	bx, by, bz := 2*f.a[0], 2*f.a[1], 2*f.a[2]
	var sd, sdd, gx, gy, gz float64
	for i := range f.pts {
		p := &f.pts[i]
		x, y, z := p[0]-ox, p[1]-oy, p[2]-oz
		e := (x*(x-bx) + y*(y-by)) + (z*(z-bz) + k)
		t := math.Sqrt(r2 + e)
		// d/|p-c| = e / (|p-c| (|p-c| + R))
		q := e / (t * (t + r))
		d := q * t
		sd += d
		sdd += d * d
		gx += x * q
		gy += y * q
		gz += z * q
	}
	w := 1 / r
	n := [3]float64{-f.a[0] * w, -f.a[1] * w, -f.a[2] * w} // the reference normal
	h := r2 / (f.n * f.q)
	c := sdd * w
	da := f.m.solve([3]float64{(gx - n[0]*c) * h, (gy - n[1]*c) * h, (gz - n[2]*c) * h})
	dr := sd/f.n - dot(n, da)
	step := math.Sqrt(dot(da, da)+dr*dr) * w
	if !(step < 1e-2) {
		return math.Inf(1) // not in the range of the approximation: leave the start as it is
	}
	f.a[0] += da[0]
	f.a[1] += da[1]
	f.a[2] += da[2]
	f.r += dr
	return step
}

// block is how many points full works on at a time: few enough for the stack, enough to drown the loops' overhead.
const block = 16

// full makes one pass. Written so that nothing cancels on shallow caps far from the centre: with e = |p-c|^2 - R^2
// from the centred coordinates,
//
//	d = e / (|p-c| + R),   v = (u + a d / R) / |p-c|.
//
// Three short loops over a block of points keep their sums in registers; one long loop is half as fast.
func (f *fitter) full(s *sums) {
	var buf [block][4]float64
	ox, oy, oz := f.origin[0], f.origin[1], f.origin[2]
	r := f.r
	r2 := r * r
	k := dot(f.a, f.a) - r2
	bx, by, bz := 2*f.a[0], 2*f.a[1], 2*f.a[2]
	ex, ey, ez := f.a[0]/r, f.a[1]/r, f.a[2]/r
	var sd, sdd, nx, ny, nz, gx, gy, gz, xx, xy, xz, yy, yz, zz float64
	for pts := f.pts; len(pts) > 0; {
		now := pts[:min(block, len(pts))]
		pts = pts[len(now):]
		vs := buf[:len(now)]
		for i := range now {
			p := &now[i]
			x, y, z := p[0]-ox, p[1]-oy, p[2]-oz
			e := (x*(x-bx) + y*(y-by)) + (z*(z-bz) + k)
			t := math.Sqrt(r2 + e)
			w := t + r
			h := 1 / (t * w)
			d := e * (t * h)
			h *= w
			v := &vs[i]
			v[0], v[1], v[2], v[3] = (x+ex*d)*h, (y+ey*d)*h, (z+ez*d)*h, d
		}
		for i := range vs {
			v := &vs[i]
			x, y, z, d := v[0], v[1], v[2], v[3]
			sd += d
			sdd += d * d
			nx += x
			ny += y
			nz += z
			gx += x * d
			gy += y * d
			gz += z * d
		}
		for i := range vs {
			v := &vs[i]
			x, y, z := v[0], v[1], v[2]
			xx += x * x
			xy += x * y
			xz += x * z
			yy += y * y
			yz += y * z
			zz += z * z
		}
	}
	w := 1 / f.n
	s.d, s.dd = sd, sdd
	s.n = [3]float64{nx, ny, nz}
	m := sd * w
	s.g = [3]float64{gx - nx*m, gy - ny*m, gz - nz*m}
	s.a = sym3{xx - nx*nx*w, xy - nx*ny*w, xz - nx*nz*w, yy - ny*ny*w, yz - ny*nz*w, zz - nz*nz*w}
}

// finish builds the result and checks that the curvature differs from zero.
func (f *fitter) finish(s *sums, l factor3, ssr float64, it int, stop Stop) (Fit, error) {
	fit := Fit{
		Centre: [3]float64{f.origin[0] + f.a[0], f.origin[1] + f.a[1], f.origin[2] + f.a[2]},
		Radius: f.r, N: len(f.pts), SSR: ssr, Concave: f.a[2] > 0, Iterations: it, Stop: stop,
	}
	c := l.inverse()
	m := [3]float64{s.n[0]/f.n - f.a[0]/f.r, s.n[1]/f.n - f.a[1]/f.r, s.n[2]/f.n - f.a[2]/f.r}
	cm := c.mul(m)
	fit.meanNormal = m
	rr := 1/f.n + dot(m, cm)
	fit.Cofactor = [4][4]float64{
		{c.xx, c.xy, c.xz, -cm[0]},
		{c.xy, c.yy, c.yz, -cm[1]},
		{c.xz, c.yz, c.zz, -cm[2]},
		{-cm[0], -cm[1], -cm[2], rr},
	}
	s2 := f.noise2() / f.n
	if n := f.n - 4; n > 0 {
		s2 = math.Max(s2, ssr/n)
	}
	// u(1/R) = u(R)/R^2, so the curvature is worth R/u(R) of its uncertainties.
	if !(f.r*f.r > minSignificance*minSignificance*rr*s2) || !(rr > 0) {
		return Fit{}, &RefusalError{Reason: Flat, N: len(f.pts), Index: -1}
	}
	return fit, nil
}
