package surface

import (
	"math"

	"sagwatch/spc"
)

// The shape terms, in the order in which they are made orthogonal. With u = x/h, v = y/h:
const (
	Offset  = iota // 1
	Tilt1          // u
	Tilt2          // v
	Bow            // u^2 + v^2
	Twofold        // u^2 - v^2
	Twist          // 2uv
	Cubic1         // u^3 - 3uv^2
	Cubic2         // 3u^2v - v^3
	Cubic3         // u(u^2 + v^2)
	Cubic4         // v(u^2 + v^2)
	Bow4           // (u^2 + v^2)^2
	Terms
)

// ShapeComputed gives the computed characteristic of each charted shape term, Bow to Bow4.
var ShapeComputed = [Terms]spc.Computed{
	Bow: spc.BowUM, Twofold: spc.TwofoldUM, Twist: spc.TwistUM,
	Cubic1: spc.Cubic1UM, Cubic2: spc.Cubic2UM, Cubic3: spc.Cubic3UM, Cubic4: spc.Cubic4UM, Bow4: spc.Bow4UM,
}

type termRow = [Terms]float64

func monomials(u, v float64) termRow {
	q := u*u + v*v
	return termRow{1, u, v, q, u*u - v*v, 2 * u * v, u * (u*u - 3*v*v), v * (3*u*u - v*v), u * q, v * q, q * q}
}

// determined is the part of a term that must remain beside the earlier ones for the places to tell it from them.
const determined = 1e-5

// Basis is the gauge's fixed basis of shape terms.
type Basis struct {
	h     float64
	rows  []termRow      // P: the orthogonal terms at each place
	unit  []termRow      // P with columns of unit length: orthonormal
	lev   []float64      // diagonal of the projection, all places present
	norm2 termRow        // squared length of each column
	from  [Terms]termRow // P_j = sum_k from[j][k] T_k, with from[j][j] = 1
	has   [Terms]bool
	list  []int // the terms that the places determine
}

// NewBasis makes the eleven terms orthogonal over the places (mm), in their order, each keeping the coefficient 1 of its
// own leading part:
//
//	P_j = T_j - sum_{k<j} (T_j . P_k)/(P_k . P_k) P_k
//
// h in mm is the radius at which a coefficient is read off (the half-diagonal to the product's corner). Terms that the places cannot
// tell from earlier ones (few places, or all on one circle) are left out: Has says which stay.
func NewBasis(places [][2]float64, h float64) (*Basis, error) {
	if !(h > 0 && h < 1e9) {
		return nil, &RefusalError{Reason: Undetermined, Index: -1, Detail: "the shape terms need a positive radius h: give the product's corner_mm"}
	}
	if len(places) == 0 {
		return nil, &RefusalError{Reason: TooFew, Need: 1, Index: -1}
	}
	n := len(places)
	b := &Basis{h: h, rows: make([]termRow, n), unit: make([]termRow, n), lev: make([]float64, n)}
	for i, p := range places {
		b.rows[i] = monomials(p[0]/h, p[1]/h)
		for _, v := range b.rows[i] {
			if math.IsNaN(v) || math.Abs(v) > 1e12 {
				return nil, &RefusalError{Reason: OutsideRange, N: n, Index: i}
			}
		}
	}
	for j := range Terms {
		b.from[j][j] = 1
		own := b.product(j, j)
		for range 2 { // once more against rounding
			for _, k := range b.list {
				f := b.product(j, k) / b.norm2[k]
				for i := range b.rows {
					b.rows[i][j] -= f * b.rows[i][k]
				}
				for c := range Terms {
					b.from[j][c] -= f * b.from[k][c]
				}
			}
		}
		b.norm2[j] = b.product(j, j)
		if len(b.list) < n && b.norm2[j] > determined*determined*own && own > 0 {
			b.has[j] = true
			b.list = append(b.list, j)
			continue
		}
		for i := range b.rows {
			b.rows[i][j] = 0
		}
		b.norm2[j], b.from[j] = 0, termRow{}
	}
	for i := range b.rows {
		for _, j := range b.list {
			q := b.rows[i][j] / math.Sqrt(b.norm2[j])
			b.unit[i][j] = q
			b.lev[i] += q * q
		}
	}
	return b, nil
}

func (b *Basis) product(j, k int) float64 {
	var s float64
	for i := range b.rows {
		s += b.rows[i][j] * b.rows[i][k]
	}
	return s
}

// Has says whether the places determine a term.
func (b *Basis) Has(term int) bool { return b.has[term] }

// Rank is the number of terms that the places determine.
func (b *Basis) Rank() int { return len(b.list) }

// Len is the number of places.
func (b *Basis) Len() int { return len(b.rows) }

// At is the value of each orthogonal term at place i.
func (b *Basis) At(i int) [Terms]float64 { return b.rows[i] }

// Shape is the outcome of one fit of the shape terms and its reusable buffers; slices are in the order of the values.
type Shape struct {
	Coef     [Terms]float64 // in the unit of the values, at radius h; 0 for a term that the places do not determine
	Residual []float64
	// Leverage is the diagonal of the projection on the terms: the sum is Rank, and a residual's standard deviation
	// is sigma sqrt(1 - h_i).
	Leverage []float64
	SSR      float64 // sum of squared residuals
	DOF      int     // values less terms
	// Q holds an orthonormal basis of the terms, one row a value: Q Q' is the projection.
	Q   []termRow
	all bool
	l   [Terms]termRow // Cholesky factor of the present rows' P'P in unit columns, diagonal inverted
	b   *Basis
}

// Fit works out the least-squares coefficients of the values d. present holds the ascending places (0-based) that the
// values belong to; nil means all. With all places the coefficients are d . P_j / P_j . P_j; with places missing they are
// those of least squares in the same basis. It allocates only to grow the buffers of out.
//
// Refused: places that do not determine the terms.
func (b *Basis) Fit(out *Shape, present []int, d []float64) error {
	n := len(d)
	if present == nil && n != len(b.rows) || present != nil && n != len(present) {
		panic("surface: number of values differs from number of places")
	}
	out.grow(n)
	out.b, out.all = b, present == nil || n == len(b.rows)
	out.DOF = n - len(b.list)
	if n < len(b.list) {
		return &RefusalError{Reason: TooFew, N: n, Need: len(b.list), Index: -1}
	}
	// In unit columns: a = Q'd.
	var a termRow
	if out.all {
		for i := range d {
			u := &b.unit[i]
			for j := range u {
				a[j] += u[j] * d[i]
			}
		}
		copy(out.Leverage, b.lev)
		copy(out.Q, b.unit)
	} else if !out.partial(present, d, &a) {
		return &RefusalError{Reason: Undetermined, N: n, Index: -1, Detail: "the good places do not determine the shape terms: too many are missing in one part of the panel"}
	}
	out.SSR = 0
	for i := range d {
		q := &out.Q[i]
		e := d[i]
		for j := range q {
			e -= q[j] * a[j]
		}
		out.Residual[i] = e
		out.SSR += e * e
	}
	out.Coef = termRow{}
	if !out.all {
		// Q = U L'^-1, so U's coefficients are L'^-1 a.
		for k := len(b.list) - 1; k >= 0; k-- {
			j := b.list[k]
			s := a[j]
			for _, i := range b.list[k+1:] {
				s -= out.l[i][j] * a[i]
			}
			a[j] = s * out.l[j][j]
		}
	}
	for _, j := range b.list {
		out.Coef[j] = a[j] / math.Sqrt(b.norm2[j])
	}
	return nil
}

// partial orthonormalises the present rows and sets a = Q'd; false if they do not determine the terms.
func (o *Shape) partial(present []int, d []float64, a *termRow) bool {
	b := o.b
	// U'U over the present rows is I less the missing rows' part: few are missing.
	var g [Terms]termRow
	for _, j := range b.list {
		g[j][j] = 1
	}
	next := 0
	for i := range b.unit {
		if next < len(present) && present[next] == i {
			next++
			continue
		}
		u := &b.unit[i]
		for j := range u {
			for k := 0; k <= j; k++ {
				g[j][k] -= u[j] * u[k]
			}
		}
	}
	if next != len(present) {
		panic("surface: present places are not ascending or out of range")
	}
	for ji, j := range b.list {
		s := g[j][j]
		for _, k := range b.list[:ji] {
			s -= g[j][k] * g[j][k]
		}
		if !(s > determined) {
			return false
		}
		inv := 1 / math.Sqrt(s)
		g[j][j] = inv
		for _, i := range b.list[ji+1:] {
			v := g[i][j]
			for _, k := range b.list[:ji] {
				v -= g[i][k] * g[j][k]
			}
			g[i][j] = v * inv
		}
	}
	o.l = g
	for r, i := range present {
		q := &o.Q[r]
		*q = b.unit[i]
		var h float64
		for j := range q {
			s := q[j]
			for k := range j {
				s -= g[j][k] * q[k]
			}
			s *= g[j][j] // 0 for a term that is not determined
			q[j] = s
			h += s * s
			a[j] += s * d[r]
		}
		o.Leverage[r] = h
	}
	return true
}

func (o *Shape) grow(n int) {
	if cap(o.Q) < n {
		o.Residual, o.Leverage, o.Q = make([]float64, n), make([]float64, n), make([]termRow, n)
	}
	o.Residual, o.Leverage, o.Q = o.Residual[:n], o.Leverage[:n], o.Q[:n]
}

// Covariance is (P'P)^-1 over the values of the last fit: the coefficients' covariance for values of unit standard
// deviation.
func (o *Shape) Covariance() (c [Terms][Terms]float64) {
	b := o.b
	if b == nil {
		return c
	}
	if o.all {
		for _, j := range b.list {
			c[j][j] = 1 / b.norm2[j]
		}
		return c
	}
	// L^-1 column by column, then L'^-1 L^-1.
	var inv [Terms]termRow
	for ci, col := range b.list {
		for ri, r := range b.list[ci:] {
			var s float64
			if ri == 0 {
				s = 1
			}
			for _, k := range b.list[ci : ci+ri] {
				s -= o.l[r][k] * inv[k][col]
			}
			inv[r][col] = s * o.l[r][r]
		}
	}
	for _, i := range b.list {
		for _, j := range b.list {
			var s float64
			for _, k := range b.list {
				s += inv[k][i] * inv[k][j]
			}
			c[i][j] = s / math.Sqrt(b.norm2[i]*b.norm2[j])
		}
	}
	return c
}

// StdErr is the standard error of each coefficient for values of standard deviation sigma: the gauge's stated
// uncertainty, or sqrt(SSR/DOF) for what the residuals say.
func (o *Shape) StdErr(sigma float64) (u [Terms]float64) {
	c := o.Covariance()
	for j := range u {
		u[j] = sigma * math.Sqrt(c[j][j])
	}
	return u
}

// Radii are the principal and axis radii at the apex, in mm, positive on the contour's own side.
type Radii struct {
	X, Y      float64 // 1/curvature along x and y; 0 where the section is flat or bends the other way
	Large     float64 // the principal radii, Large >= Small; 0 likewise
	Small     float64
	SmallAxis float64 // direction of Small in the x, y plane, rad in (-pi/2, pi/2], 0 along x
}

// flat is the curvature in 1/mm below which a radius is not given: a radius of 1e9 mm.
const flat = 1e-9

// Radii adds the quadratic terms (bow, twofold, twist; coefficients coef in mm) to the contour at its apex:
//
//	1/X = f_xx + 2 (A + B)/h^2,   1/Y = f_yy + 2 (A - B)/h^2,   f_xy + 2 C/h^2 for the axis
//
// A, B, C being the amounts of u^2 + v^2, u^2 - v^2 and 2uv in bow P_bow + twofold P_twofold + twist P_twist.
func (b *Basis) Radii(s *Surface, coef *[Terms]float64) Radii {
	var j jet
	s.jet(0, 0, &j) // the apex is always in range
	qa, qb, qc := b.quadratic(coef)
	k := 2 / (b.h * b.h)
	xx, yy, xy := s.sign*(j.xx+k*(qa+qb)), s.sign*(j.yy+k*(qa-qb)), s.sign*(j.xy+k*qc)
	r := Radii{X: radius(xx), Y: radius(yy)}
	mean, d := (xx+yy)/2, math.Hypot((xx-yy)/2, xy)
	r.Small, r.Large = radius(mean+d), radius(mean-d)
	if d > 1e-12*(math.Abs(xx)+math.Abs(yy)) {
		r.SmallAxis = math.Atan2(2*xy, xx-yy) / 2
	}
	return r
}

func (b *Basis) quadratic(coef *[Terms]float64) (qa, qb, qc float64) {
	for j := Bow; j <= Twist; j++ {
		qa += coef[j] * b.from[j][Bow]
		qb += coef[j] * b.from[j][Twofold]
		qc += coef[j] * b.from[j][Twist]
	}
	return qa, qb, qc
}

func radius(k float64) float64 {
	if !(k > flat) || math.IsInf(k, 1) {
		return 0
	}
	return 1 / k
}

// RadiiU is the standard uncertainty in mm of X and Y for deviations of standard deviation sigma (mm); 0 where the
// radius is.
func (b *Basis) RadiiU(r *Radii, o *Shape, sigma float64) (ux, uy float64) {
	c := o.Covariance()
	var gx, gy [Terms]float64
	for j := Bow; j <= Twist; j++ {
		gx[j] = b.from[j][Bow] + b.from[j][Twofold]
		gy[j] = b.from[j][Bow] - b.from[j][Twofold]
	}
	k := 2 / (b.h * b.h) * sigma
	u := func(g *[Terms]float64) float64 {
		var s float64
		for i := Bow; i <= Twist; i++ {
			for j := Bow; j <= Twist; j++ {
				s += g[i] * c[i][j] * g[j]
			}
		}
		return k * math.Sqrt(math.Max(0, s))
	}
	return u(&gx) * r.X * r.X, u(&gy) * r.Y * r.Y
}
