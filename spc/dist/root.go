package dist

import (
	"math"

	"sagwatch/spc/refusal"
)

// Root is a zero of the continuous f between a and b, at which its signs must differ, to the last digit that f allows:
// Brent's combination of bisection, secant and inverse quadratic interpolation. Refused where the signs agree or f is
// NaN.
//
// Source: R. P. Brent, Algorithms for Minimization without Derivatives (1973), chapter 4, procedure zero.
func Root(f func(float64) float64, a, b float64) (float64, error) {
	fa, fb := f(a), f(b)
	if fa == 0 {
		return a, nil
	}
	if fb == 0 {
		return b, nil
	}
	if !(fa < 0) == !(fb < 0) || math.IsNaN(fa) || math.IsNaN(fb) {
		return 0, refusal.Unsolved("no change of sign between %.6g and %.6g", a, b)
	}
	c, fc := a, fa
	d := b - a
	e := d
	for range 300 {
		if (fb > 0) == (fc > 0) {
			c, fc = a, fa
			d = b - a
			e = d
		}
		if math.Abs(fc) < math.Abs(fb) {
			a, b, c = b, c, b
			fa, fb, fc = fb, fc, fb
		}
		tol := 4.5e-16*math.Abs(b) + 5e-324
		m := (c - b) / 2
		if math.Abs(m) <= tol || fb == 0 {
			return b, nil
		}
		if math.Abs(e) < tol || math.Abs(fa) <= math.Abs(fb) {
			d, e = m, m
		} else {
			var p, q float64
			s := fb / fa
			if a == c {
				p, q = 2*m*s, 1-s
			} else {
				v, r := fa/fc, fb/fc
				p = s * (2*m*v*(v-r) - (b-a)*(r-1))
				q = (v - 1) * (r - 1) * (s - 1)
			}
			if p > 0 {
				q = -q
			} else {
				p = -p
			}
			if 2*p < math.Min(3*m*q-math.Abs(tol*q), math.Abs(e*q)) {
				e, d = d, p/q
			} else {
				d, e = m, m
			}
		}
		a, fa = b, fb
		if math.Abs(d) > tol {
			b += d
		} else {
			b += math.Copysign(tol, m)
		}
		fb = f(b)
		if math.IsNaN(fb) {
			return 0, refusal.Unsolved("no value at %.6g", b)
		}
	}
	return b, nil
}
