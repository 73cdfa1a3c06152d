package sphere

// sym3 is a symmetric 3 x 3 matrix.
type sym3 struct{ xx, xy, xz, yy, yz, zz float64 }

func (m *sym3) mul(v [3]float64) [3]float64 {
	return [3]float64{
		m.xx*v[0] + m.xy*v[1] + m.xz*v[2],
		m.xy*v[0] + m.yy*v[1] + m.yz*v[2],
		m.xz*v[0] + m.yz*v[1] + m.zz*v[2],
	}
}

// factor3 is the decomposition L D L' of a positive definite matrix: unit lower triangle and inverse pivots.
type factor3 struct{ l10, l20, l21, i0, i1, i2 float64 }

// factor decomposes m; false unless every pivot is above least (and not NaN).
func (m *sym3) factor(least float64) (factor3, bool) {
	if !(m.xx > least) {
		return factor3{}, false
	}
	i0 := 1 / m.xx
	l10, l20 := m.xy*i0, m.xz*i0
	d1 := m.yy - l10*m.xy
	if !(d1 > least) {
		return factor3{}, false
	}
	i1 := 1 / d1
	t := m.yz - l20*m.xy
	l21 := t * i1
	d2 := m.zz - l20*m.xz - l21*t
	if !(d2 > least) {
		return factor3{}, false
	}
	return factor3{l10, l20, l21, i0, i1, 1 / d2}, true
}

func (f *factor3) solve(b [3]float64) [3]float64 {
	y1 := b[1] - f.l10*b[0]
	y2 := b[2] - f.l20*b[0] - f.l21*y1
	z := y2 * f.i2
	y := y1*f.i1 - f.l21*z
	x := b[0]*f.i0 - f.l10*y - f.l20*z
	return [3]float64{x, y, z}
}

func (f *factor3) inverse() sym3 {
	// L^-1 is unit lower triangular with -l10, -l21 and m20 = l10 l21 - l20.
	m20 := f.l10*f.l21 - f.l20
	xz := m20 * f.i2
	yz := -f.l21 * f.i2
	return sym3{
		xx: f.i0 + f.l10*f.l10*f.i1 + m20*xz,
		xy: -f.l10*f.i1 + m20*yz,
		xz: xz,
		yy: f.i1 - f.l21*yz,
		yz: yz,
		zz: f.i2,
	}
}

func dot(a, b [3]float64) float64 { return a[0]*b[0] + a[1]*b[1] + a[2]*b[2] }
