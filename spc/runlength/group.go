package runlength

import (
	"math"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// Group is a chart of the extreme of M streams at a time, each in standard units: it signals when any lies beyond ±L.
// With Deviations each stream is judged by its deviation from the mean of all M, over the standard deviation
// sqrt((M-1)/M) of that deviation; else the streams are judged as they are and are independent.
//
// Sources: D. F. Boyd, "Applying the group chart for X and R", Industrial Quality Control 7 (1950); L. S. Nelson, "Control
// chart for multiple stream processes", J. Quality Technology 18 (1986), 255-256; both from memory.
type Group struct {
	M          int
	L          float64
	Deviations bool
}

func (c Group) check() error {
	if !(c.L > 0 && c.L <= 37) {
		return refusal.Setting("the limit of the group chart", c.L, "it must be above 0 and at most 37 standard deviations")
	}
	if c.M < 1 || c.Deviations && c.M < 2 || c.M > 1000 {
		return refusal.Setting("the number of streams", float64(c.M), "it must be 1 to 1000, and 2 or more for deviations from their mean")
	}
	return nil
}

// RunLength is the run length after a shift by that many standard deviations of one stream, 0 in control, for points
// that are independent from one time to the next. The probability p of a signal is
//
//	independent streams   1 - [1 - 2 T(L)]^(M-1) [1 - T(L - shift) - T(L + shift)],  T the upper normal tail
//	deviations            1 - P(all |d_i| <= L sqrt((M-1)/M))
//
// the latter as the density at 0 of the sum of M truncated normal values, by Fourier inversion of the product of their
// characteristic functions; the sum is bounded, so the trapezoidal rule has no error but that of its end. Absolute
// error of p about 1e-11 in control and 1e-9 after a shift. The run length is geometric, ARL = 1/p.
//
// It refuses L outside (0, 37], M outside 1 to 1000 (deviations: 2 to 1000), a shift beyond ±1000 standard deviations, and a
// p that cannot be told from 0.
func (c Group) RunLength(shift float64) (RunLength, error) {
	if err := c.check(); err != nil {
		return RunLength{}, err
	}
	if !(math.Abs(shift) <= 1e3) {
		return RunLength{}, refusal.Setting("the shift", shift, "it must lie within ±1000 standard deviations")
	}
	p := 0.0
	switch {
	case !c.Deviations:
		in := Normal{shift, 1}
		p = -math.Expm1(float64(c.M-1)*math.Log1p(-2*dist.NormalTail(c.L)) + math.Log1p(-math.Min(1, in.Tail(c.L)+in.CDF(-c.L))))
	case c.M == 2: // one deviation is minus the other
		in := Normal{shift / math.Sqrt2, 1}
		p = in.Tail(c.L) + in.CDF(-c.L)
	default:
		var err error
		if p, err = c.deviations(shift); err != nil {
			return RunLength{}, err
		}
	}
	return Geometric(math.Min(1, p))
}

func (c Group) deviations(shift float64) (float64, error) {
	m := float64(c.M)
	u := c.L * math.Sqrt((m-1)/m)
	// Given that their sum is 0, values y_i with |y_i + mean_i| <= u.
	one, other := shift*(1-1/m), -shift/m
	lo1, hi1, lo, hi := -u-one, u-one, -u-other, u-other
	if bonferroni := m * 2 * dist.NormalTail(c.L); shift == 0 && bonferroni < 1e-9 {
		return bonferroni, nil // two at a time are rarer still by far, and the remainder below would be rounding
	}
	if own := (Normal{shift * math.Sqrt((m-1)/m), 1}); between(own, -c.L, c.L) < 1e-12 {
		return 1, nil // the shifted stream is beyond by itself
	}
	// The sum lies within (m-1) lo + lo1 and (m-1) hi + hi1, a width of 2 m u.
	step := 2 * math.Pi / (2.1 * m * u)
	// In absolute value a factor is at most about 2 phi(edge)/t beyond, so the product to the power m falls below 1e-13, or
	// 1e-11 after a shift, which needs no more.
	end, rest := 9.5, 1e-13
	if shift != 0 {
		rest = 1e-11
	}
	if edge := 2 * dist.NormalPDF(math.Min(math.Abs(hi), math.Abs(lo))) * math.Pow(rest, -1/m); edge > end {
		end = math.Min(edge, 400)
	}
	n := 40 + int(2*end*u/math.Pi)
	x, w := gauss(n, lo, hi)
	x1, w1 := gauss(n, lo1, hi1)
	for i := range n {
		w[i] *= dist.NormalPDF(x[i])
		w1[i] *= dist.NormalPDF(x1[i])
	}
	cf := func(t float64, x, w []float64) complex128 {
		var re, im float64
		for i := range x {
			s, co := math.Sincos(t * x[i])
			re += w[i] * co
			im += w[i] * s
		}
		return complex(re, im)
	}
	var total float64
	for k := 0; ; k++ {
		t := float64(k) * step
		if t > end {
			break
		}
		f := cf(t, x, w)
		g := f
		if shift != 0 {
			g = cf(t, x1, w1)
		}
		// f to the power m-1
		r, a := math.Hypot(real(f), imag(f)), math.Atan2(imag(f), real(f))
		if r > 0 {
			s, co := math.Sincos(a * (m - 1))
			v := math.Pow(r, m-1) * (co*real(g) - s*imag(g))
			if k > 0 {
				v *= 2
			}
			total += v
		}
	}
	stay := total * step / (2 * math.Pi) * math.Sqrt(2*math.Pi*m)
	p := 1 - stay
	if !(p > 0) && p > -1e-9 {
		p = 1e-16
	}
	if !(p > 0 && p <= 1+1e-9) {
		return 0, refusal.Unsolved("the probability of a signal of the group chart came out as %g", p)
	}
	return p, nil
}
