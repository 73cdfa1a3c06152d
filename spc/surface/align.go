package surface

import (
	"math"

	"sagwatch/spc"
)

// Seat is where a panel sits: its points are those of the contour frame turned by Tilt (about x, then y, both axes
// through the apex) and then shifted, p = Rx(TiltX) Ry(TiltY) q + (X, Y, Z). mm and rad.
type Seat struct{ X, Y, Z, TiltX, TiltY float64 }

// DefaultSeating is what a seating may take up unless the gauge says otherwise.
var DefaultSeating = []spc.Freedom{spc.ShiftZ, spc.TiltX, spc.TiltY}

const (
	freedoms = 5
	// blurred is the part of a freedom's column that must remain beside the others for the contour to tell it from them:
	// below it 3 um at 48 places would leave a shift uncertain by some millimetres.
	blurred = 1e-3
	// singular is the same for freedoms that yield to none.
	singular = 1e-7
	// settled ends the iteration: rms change in mm of the deviations by the step after the one just taken, foretold from
	// the ratio of the last two steps. What is left is below 1e-9 mm.
	settled = 3e-10
	// After so many steps, as when a shift that is hardly determined creeps, the step just taken need only be small, in mm.
	patience = 25
	small    = 1e-6
	// far is the rms change in mm above which the seat is still a guess, and the normal below a point as good as its foot's.
	far = 0.5
	// blunt is what a deviation may err by, in mm, for a foot that is not quite met.
	blunt = 1e-11
	// quickPasses may take such feet; who has not settled by then hangs on the last digit of the normals.
	quickPasses = 5
	// near is the share of the radius of curvature within which a point has no other foot to mistake for its own.
	near         = 0.1
	maxAlignment = 50
)

var freedomOrder = [freedoms]spc.Freedom{spc.ShiftX, spc.ShiftY, spc.ShiftZ, spc.TiltX, spc.TiltY}

// Alignment lays measured points on a contour by the freedoms that a seating allows.
type Alignment struct {
	surface *Surface
	free    [freedoms]bool
	list    []int // indices of the free ones
	dropped []spc.Freedom
	bend    float64 // the contour's greatest curvature at the places, 1/mm
}

// NewAlignment decides, once for a contour and a gauge's places (mm), which of the freedoms the contour can tell apart.
// Shifts x and y that it cannot tell from the others are dropped in this order, x yielding to tilt_y and y to tilt_x
// (on a sphere every shift of these is a tilt). No freedoms given means DefaultSeating.
func NewAlignment(s *Surface, places [][2]float64, allowed []spc.Freedom) (*Alignment, error) {
	if len(allowed) == 0 {
		allowed = DefaultSeating
	}
	a := &Alignment{surface: s}
	for _, f := range allowed {
		k := -1
		for i, name := range freedomOrder {
			if name == f {
				k = i
			}
		}
		if k < 0 {
			return nil, &RefusalError{Reason: Undetermined, Index: -1, Detail: "seating freedom " + string(f) + " is not known: x, y, z, tilt_x or tilt_y"}
		}
		a.free[k] = true
	}
	rows := make([][freedoms]float64, len(places))
	for i, p := range places {
		var j jet
		if !s.jet(p[0], p[1], &j) {
			return nil, &RefusalError{Reason: OutsideRange, N: len(places), Index: i}
		}
		if c, ok := s.Curvature(p[0], p[1]); ok {
			a.bend = max(a.bend, math.Abs(c.Max), math.Abs(c.Min))
		}
		unit := turn(Seat{})
		n := j.normal()
		unit.row(&[3]float64{p[0], p[1], j.z}, &n, &rows[i])
	}
	for k, name := range freedomOrder[:2] {
		if a.free[k] && remaining(rows, a.free, k) < blurred {
			a.free[k] = false
			a.dropped = append(a.dropped, name)
		}
	}
	for k, name := range freedomOrder {
		if !a.free[k] {
			continue
		}
		if remaining(rows, a.free, k) < singular {
			return nil, &RefusalError{Reason: Undetermined, N: len(places), Index: -1,
				Detail: "the used places do not determine the seating freedom " + string(name) + ": they lie too close to one line or one point"}
		}
		a.list = append(a.list, k)
	}
	if len(places) < len(a.list) {
		return nil, &RefusalError{Reason: TooFew, N: len(places), Need: len(a.list), Index: -1}
	}
	return a, nil
}

// remaining is the length of column k beside the other free columns over its own length.
func remaining(rows [][freedoms]float64, free [freedoms]bool, k int) float64 {
	var basis [][]float64
	column := func(k int) ([]float64, float64) {
		c := make([]float64, len(rows))
		for i := range rows {
			c[i] = rows[i][k]
		}
		l := math.Sqrt(sumOfProducts(c, c))
		for range 2 { // once more against rounding
			for _, b := range basis {
				p := sumOfProducts(c, b)
				for i := range c {
					c[i] -= p * b[i]
				}
			}
		}
		if l == 0 {
			return c, 0
		}
		return c, math.Sqrt(sumOfProducts(c, c)) / l
	}
	for o := range free {
		if o == k || !free[o] {
			continue
		}
		c, part := column(o)
		if part < 1e-12 {
			continue
		}
		l := math.Sqrt(sumOfProducts(c, c))
		for i := range c {
			c[i] /= l
		}
		basis = append(basis, c)
	}
	_, part := column(k)
	return part
}

func sumOfProducts(a, b []float64) float64 {
	var s float64
	for i := range a {
		s += a[i] * b[i]
	}
	return s
}

// Free lists the freedoms that are used, in the order x, y, z, tilt_x, tilt_y.
func (a *Alignment) Free() []spc.Freedom {
	out := make([]spc.Freedom, len(a.list))
	for i, k := range a.list {
		out[i] = freedomOrder[k]
	}
	return out
}

// Dropped lists the freedoms that the contour cannot tell apart. It must not be changed.
func (a *Alignment) Dropped() []spc.Freedom { return a.dropped }

// Aligned is the outcome of one alignment and its reusable buffers; slices are in the order of the points.
type Aligned struct {
	Deviations []float64 // mm along the local normal, less the target where one was given
	// Leverages are h_i = J_i (J'J)^-1 J_i' with J the derivatives of the deviations by the free seating: the sum is
	// the number of freedoms, and a deviation's standard deviation is sigma sqrt(1 - h_i).
	Leverages  []float64
	Seat       Seat
	Iterations int
	rows       [][freedoms]float64
	normals    [][3]float64 // of the contour, last met below each point
}

// pose turns and shifts points back into the contour frame, q = M (p - s), M = Ry(-TiltY) Rx(-TiltX).
type pose struct {
	s    [3]float64
	m    [3][3]float64
	axis [3]float64 // the axis of TiltX in the contour frame
}

func turn(t Seat) pose {
	sx, cx := math.Sincos(t.TiltX)
	sy, cy := math.Sincos(t.TiltY)
	return pose{
		s:    [3]float64{t.X, t.Y, t.Z},
		m:    [3][3]float64{{cy, sy * sx, -sy * cx}, {0, cx, sx}, {sy, -cy * sx, cy * cx}},
		axis: [3]float64{cy, 0, sy},
	}
}

func (t *pose) point(p *[3]float64) [3]float64 {
	x, y, z := p[0]-t.s[0], p[1]-t.s[1], p[2]-t.s[2]
	m := &t.m
	return [3]float64{
		m[0][0]*x + m[0][1]*y + m[0][2]*z,
		m[1][1]*y + m[1][2]*z,
		m[2][0]*x + m[2][1]*y + m[2][2]*z,
	}
}

// row is the derivative of the distance of q (normal n at its foot) by x, y, z, tilt_x, tilt_y.
func (t *pose) row(q, n *[3]float64, r *[freedoms]float64) {
	m := &t.m
	r[0] = -(m[0][0]*n[0] + m[2][0]*n[2])
	r[1] = -(m[0][1]*n[0] + m[1][1]*n[1] + m[2][1]*n[2])
	r[2] = -(m[0][2]*n[0] + m[1][2]*n[1] + m[2][2]*n[2])
	cx, cy, cz := q[1]*n[2]-q[2]*n[1], q[2]*n[0]-q[0]*n[2], q[0]*n[1]-q[1]*n[0]
	r[3] = -(t.axis[0]*cx + t.axis[2]*cz)
	r[4] = -cy
}

// Align finds the seating that minimises the sum of squared deviations, sum (d_i - target_i)^2, over the free
// freedoms by Gauss-Newton steps with exact derivatives, until what is left is below 1e-9 mm (1e-6 mm where shifts along
// x or y are all but undetermined). target (mm, nil: zero) is as long as pts. It allocates only to grow the buffers of out.
//
// Refused: fewer points than freedoms, points that do not determine them, points off the contour's range.
func (a *Alignment) Align(out *Aligned, pts [][3]float64, target []float64) error {
	return a.align(a.surface, out, pts, target)
}

// AlignTo is Align on another contour of the same family and about the same curvature, such as a master's certified sphere.
func (a *Alignment) AlignTo(s *Surface, out *Aligned, pts [][3]float64, target []float64) error {
	return a.align(s, out, pts, target)
}

func (a *Alignment) align(s *Surface, out *Aligned, pts [][3]float64, target []float64) error {
	n, m := len(pts), len(a.list)
	out.grow(n)
	out.Seat, out.Iterations = Seat{}, 0
	if n < m || n == 0 {
		return &RefusalError{Reason: TooFew, N: n, Need: max(m, 1), Index: -1}
	}
	var theta [freedoms]float64
	var step [freedoms]float64 // packed, subtracted from the seat
	rough := s.kind != spc.ContourSphere
	prev := 0.0
	for it := 1; it <= maxAlignment; it++ {
		t := turn(Seat{theta[0], theta[1], theta[2], theta[3], theta[4]})
		bad := -1
		switch {
		case s.kind == spc.ContourSphere:
			bad = a.sphereRows(s, &t, out, pts)
		case rough:
			bad = a.roughRows(s, &t, out, pts)
		case it <= quickPasses && !a.free[0] && !a.free[1]:
			out.follow(&step, m)
			for i := range target {
				out.Deviations[i] += target[i]
			}
			bad = a.quickRows(s, &t, out, pts)
		default:
			bad = a.rows(s, &t, out, pts)
		}
		if bad >= 0 {
			return &RefusalError{Reason: OutsideRange, N: n, Index: bad}
		}
		for i := range target {
			out.Deviations[i] -= target[i]
		}
		var g [freedoms]float64
		var h [freedoms][freedoms]float64
		out.normalEquations(&h, &g, m)
		if !factor(&h, m) {
			return &RefusalError{Reason: Undetermined, N: n, Index: -1, Detail: "the good places do not determine the seating: they lie too close to one line or one point"}
		}
		// With L L' = J'J: y = L^-1 J'd has |y| = |J step|, the change of the deviations.
		forward(&h, m, &g)
		var change float64
		for j := range m {
			change += g[j] * g[j]
		}
		out.Iterations = it
		backward(&h, m, &g)
		step = g
		for j, k := range a.list {
			theta[k] -= step[j]
		}
		limit := float64(n) * settled * settled
		if prev > change {
			limit = math.Max(limit, math.Sqrt(prev*float64(n))*settled) // change^2/prev <= n settled^2
		}
		if it > patience {
			limit = math.Max(limit, float64(n)*small*small)
		}
		prev = change
		if !rough && change <= limit {
			// The step is so small that the deviations follow it linearly: no further pass is needed.
			out.follow(&step, m)
			out.Seat = Seat{theta[0], theta[1], theta[2], theta[3], theta[4]}
			out.leverages(&h, m)
			return nil
		}
		rough = rough && change > far*far*float64(n)
		if !(math.Abs(theta[3])+math.Abs(theta[4]) < 1) {
			break
		}
	}
	return &RefusalError{Reason: NoMinimum, N: n, Index: -1, Detail: "the points cannot be laid on the nominal contour: the seating does not settle"}
}

// roughRows sets the deviations and their derivatives by the free freedoms, packed, with the normal straight below each
// point in place of its foot's: off by half the curvature times the square of the foot's way. It returns a point off the
// contour's range, or -1.
func (a *Alignment) roughRows(s *Surface, t *pose, out *Aligned, pts [][3]float64) int {
	var j jet
	for i := range pts {
		q := t.point(&pts[i])
		if !s.slope(q[0], q[1], &j) {
			return i
		}
		n := j.normal()
		out.Deviations[i] = (q[2] - j.z) * n[2]
		out.normals[i] = n
		a.row(t, &q, &n, &out.rows[i])
	}
	return -1
}

// rows is roughRows with each point's own foot.
func (a *Alignment) rows(s *Surface, t *pose, out *Aligned, pts [][3]float64) int {
	for i := range pts {
		q := t.point(&pts[i])
		d, n, ok := s.distance(&q)
		if !ok {
			return i
		}
		out.Deviations[i], out.normals[i] = d, n
		a.row(t, &q, &n, &out.rows[i])
	}
	return -1
}

// quickRows is rows with the foot where the deviation foreseen and the last normal put it. That nearly always meets it:
// a foot missed by r along the contour leaves an error of half the curvature times r^2. Where that is too much, or the
// point so far off that another foot may be nearer, Newton's method takes over. Shifts along x and y are too poorly
// determined for it: a normal that errs by 1e-7 already moves them.
func (a *Alignment) quickRows(s *Surface, t *pose, out *Aligned, pts [][3]float64) int {
	var j jet
	for i := range pts {
		q := t.point(&pts[i])
		d, n := out.Deviations[i], out.normals[i]
		fx, fy := q[0]-d*n[0], q[1]-d*n[1]
		ok := s.slope(fx, fy, &j)
		if ok {
			n = j.normal()
			x, y, z := q[0]-fx, q[1]-fy, q[2]-j.z
			d = x*n[0] + y*n[1] + z*n[2]
			x, y, z = x-d*n[0], y-d*n[1], z-d*n[2]
			ok = math.Abs(d)*a.bend < near && (x*x+y*y+z*z)*a.bend < 2*blunt
		}
		if !ok {
			if d, n, ok = s.distance(&q); !ok {
				return i
			}
		}
		out.Deviations[i], out.normals[i] = d, n
		a.row(t, &q, &n, &out.rows[i])
	}
	return -1
}

// row is pose.row of the free freedoms alone, packed.
func (a *Alignment) row(t *pose, q, n *[3]float64, r *[freedoms]float64) {
	t.row(q, n, r)
	for j, k := range a.list {
		r[j] = r[k] // list is ascending, so nothing unread is overwritten
	}
}

// sphereRows is rows for a sphere, whose distances hang on its centre alone: with the panel's sphere at c = s + sign R w,
// w the turned z axis, d = sign (R - |p - c|) and the derivative by a freedom is -n . dc/dfreedom.
func (a *Alignment) sphereRows(s *Surface, t *pose, out *Aligned, pts [][3]float64) int {
	r, sign := s.rx, s.sign
	w := t.m[2]
	sx, cx, cy := t.m[1][2], t.m[1][1], t.m[0][0]
	k := -sign * r
	by := [freedoms][3]float64{{-1, 0, 0}, {0, -1, 0}, {0, 0, -1},
		{0, -k * cy * cx, -k * cy * sx}, {k * cy, k * t.m[0][1], k * t.m[0][2]}}
	var v [freedoms][3]float64
	for j, f := range a.list {
		v[j] = by[f]
	}
	m := len(a.list)
	ax, ay, az := sign*r*w[0], sign*r*w[1], sign*r*w[2]
	for i := range pts {
		x, y, z := pts[i][0]-t.s[0], pts[i][1]-t.s[1], pts[i][2]-t.s[2]
		e := x*(x-2*ax) + y*(y-2*ay) + z*(z-2*az) // |p - c|^2 - R^2
		rho := math.Sqrt(r*r + e)
		g := sign / rho
		nx, ny, nz := (ax-x)*g, (ay-y)*g, (az-z)*g
		if !(nx*w[0]+ny*w[1]+nz*w[2] > 0.1) {
			return i
		}
		out.Deviations[i] = -sign * e / (rho + r)
		row := &out.rows[i]
		for j := range m {
			row[j] = nx*v[j][0] + ny*v[j][1] + nz*v[j][2]
		}
	}
	return -1
}
