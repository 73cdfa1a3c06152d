package chart

import (
	"math"

	"sagwatch/spc/dist"
)

// rangeDist is the distribution of the range of n standard normal values, by the trapezoidal rule over the least
// value x. The integrand is analytic and falls off like a normal density, so the rule converges faster than any power
// of the step.
type rangeDist struct {
	n       float64
	x, tail []float64 // grid and P(X > x)
	density []float64 // of the least value, n phi(x) P(X > x)^(n-1), times the step
}

func newRangeDist(n int) *rangeDist {
	// The density of the least of n values narrows like 1/sqrt(2 log n), and the step with it.
	root := math.Sqrt(2 * math.Log(float64(n)))
	step := 0.25 / (1 + root)
	// The least of n values is below the lower end with a probability under 1e-18, and above 9 likewise.
	lower := -(root + 9)
	d := &rangeDist{n: float64(n)}
	for i := 0; lower+float64(i)*step <= 9; i++ {
		x := lower + float64(i)*step
		q := normalTail(x)
		d.x = append(d.x, x)
		d.tail = append(d.tail, q)
		d.density = append(d.density, d.n*math.Exp(-x*x/2)/math.Sqrt(2*math.Pi)*math.Exp((d.n-1)*math.Log(q))*step)
	}
	return d
}

// above is P(range > w): the others all above the least value x, and not all of them within w of it.
func (d *rangeDist) above(w float64) float64 {
	var s dist.Accumulator
	for i, x := range d.x {
		r := min(normalTail(x+w)/d.tail[i], 1)
		s.Add(-d.density[i] * math.Expm1((d.n-1)*math.Log1p(-r)))
	}
	return s.Sum()
}

// below is P(range <= w), accurate also where it is small.
func (d *rangeDist) below(w float64) float64 {
	var s dist.Accumulator
	for i, x := range d.x {
		if in := normalBetween(x, w); in > 0 {
			s.Add(d.density[i] * math.Exp((d.n-1)*math.Log(in/d.tail[i])))
		}
	}
	return s.Sum()
}

// rangeQuantile is the w with P(range > w) = p, or with P(range <= w) = p when upper is false, for n standard normal
// values.
func rangeQuantile(n int, p float64, upper bool) float64 {
	d := newRangeDist(n)
	return bisect(0, 2*math.Sqrt(2*math.Log(float64(n)))+50, func(w float64) bool {
		if upper {
			return d.above(w) < p
		}
		return d.below(w) > p
	})
}

// bisect finds where past turns from false to true in (lo, hi), to the last bit or nearly so.
func bisect(lo, hi float64, past func(float64) bool) float64 {
	for {
		mid := lo + (hi-lo)/2
		if mid <= lo || mid >= hi || hi-lo <= 1e-15*hi {
			return mid
		}
		if past(mid) {
			hi = mid
		} else {
			lo = mid
		}
	}
}

// normalBetween is P(x < X <= x+w) of a standard normal X, accurate also for small w.
func normalBetween(x, w float64) float64 {
	switch {
	case w < 0.01: // Taylor series about the middle
		m, ww := (x+w/2)*(x+w/2), w*w
		return w * math.Exp(-m/2) / math.Sqrt(2*math.Pi) * (1 + ww*((m-1)/24+ww*(m*(m-6)+3)/1920))
	case x < 0: // the difference of the smaller tails
		return normalTail(-x-w) - normalTail(-x)
	}
	return normalTail(x) - normalTail(x+w)
}

// normalTail is P(X > x) of a standard normal X.
func normalTail(x float64) float64 { return math.Erfc(x/math.Sqrt2) / 2 }
