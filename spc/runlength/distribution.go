package runlength

import (
	"math"
	"math/rand/v2"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// Distribution is what a plotted point follows, in the unit of the chart; continuous. Tail is P(X > x) and keeps its
// relative accuracy far out, CDF is P(X <= x). Skewed characteristics bring their own, as a fitted model.
type Distribution interface {
	Tail(x float64) float64
	CDF(x float64) float64
}

// Density is a Distribution with its probability density, as EWMA, CUSUM and moving ranges need it.
type Density interface {
	Distribution
	PDF(x float64) float64
}

// Normal is a normal point. A chart in standard units in control has Normal{0, 1}; after a shift of the mean by d and
// a change of the standard deviation to r times, Normal{d, r}.
type Normal struct{ Mean, SD float64 }

// Standard is a normal point in control, in standard units.
var Standard = Normal{0, 1}

// Tail is P(X > x).
func (n Normal) Tail(x float64) float64 { return dist.NormalTail((x - n.Mean) / n.SD) }

// CDF is P(X <= x).
func (n Normal) CDF(x float64) float64 { return dist.NormalCDF((x - n.Mean) / n.SD) }

// PDF is the density.
func (n Normal) PDF(x float64) float64 { return dist.NormalPDF((x-n.Mean)/n.SD) / n.SD }

// Rand draws a point.
func (n Normal) Rand(r *rand.Rand) float64 { return n.Mean + n.SD*r.NormFloat64() }

// Moved is a point of d moved by Shift, as skewed characteristics shift. The spread stays.
type Moved struct {
	Distribution
	Shift float64
}

// Tail is P(X > x).
func (m Moved) Tail(x float64) float64 { return m.Distribution.Tail(x - m.Shift) }

// CDF is P(X <= x).
func (m Moved) CDF(x float64) float64 { return m.Distribution.CDF(x - m.Shift) }

// mirrored is -X.
type mirrored struct{ Density }

func (m mirrored) Tail(x float64) float64 { return m.Density.CDF(-x) }
func (m mirrored) CDF(x float64) float64  { return m.Density.Tail(-x) }
func (m mirrored) PDF(x float64) float64  { return m.Density.PDF(-x) }

// known refuses a distribution that is none.
func known(d Distribution) error {
	switch n := d.(type) {
	case nil:
		return refusal.Shapes("the distribution of the points is missing")
	case Normal:
		if !(math.Abs(n.Mean) <= 1e6) {
			return refusal.Setting("the mean of the points", n.Mean, "it must be a number within ±1e6 of the chart's unit")
		}
		if !(n.SD > 1e-6 && n.SD <= 1e6) {
			return refusal.Setting("the standard deviation of the points", n.SD, "it must be above 0 (1e-6 to 1e6 of the chart's unit)")
		}
	case Moved:
		if !(math.Abs(n.Shift) <= 1e12) {
			return refusal.Setting("the shift of the points", n.Shift, "it must be a finite number")
		}
		return known(n.Distribution)
	}
	return nil
}

// dense refuses a distribution without density.
func dense(d Distribution) (Density, error) {
	if err := known(d); err != nil {
		return nil, err
	}
	if m, ok := d.(Moved); ok {
		in, err := dense(m.Distribution)
		if err != nil {
			return nil, err
		}
		return movedDensity{m, in}, nil
	}
	f, ok := d.(Density)
	if !ok {
		return nil, refusal.Shapes("the distribution of the points needs a density (PDF) for this chart")
	}
	return f, nil
}

type movedDensity struct {
	Moved
	in Density
}

func (m movedDensity) PDF(x float64) float64 { return m.in.PDF(x - m.Shift) }

// between is P(a < X <= b), from the tail on the upper half.
func between(d Distribution, a, b float64) float64 {
	if !(a < b) {
		return 0
	}
	if low := d.CDF(a); low < 0.5 {
		return math.Max(0, d.CDF(b)-low)
	}
	return math.Max(0, d.Tail(a)-d.Tail(b))
}

// quantile is the x with P(X <= x) = p by bisection, for any distribution.
func quantile(d Distribution, p float64) float64 {
	lo, hi := -1.0, 1.0
	for d.CDF(lo) > p && lo > -1e15 {
		lo *= 2
	}
	for d.CDF(hi) < p && hi < 1e15 {
		hi *= 2
	}
	for range 200 {
		mid := lo + (hi-lo)/2
		if mid == lo || mid == hi {
			break
		}
		if d.CDF(mid) < p {
			lo = mid
		} else {
			hi = mid
		}
	}
	return hi
}

// spread is a measure of the width of d, its standard deviation where d is normal.
func spread(d Distribution) float64 {
	if n, ok := d.(Normal); ok {
		return n.SD
	}
	s := (quantile(d, 0.75) - quantile(d, 0.25)) / 1.349
	if !(s > 1e-9) {
		return 1e-9
	}
	return s
}

// sampler is how to draw from d: by its own Rand, else by inversion.
func sampler(d Distribution) func(*rand.Rand) float64 {
	switch s := d.(type) {
	case interface{ Rand(*rand.Rand) float64 }:
		return s.Rand
	case interface{ Quantile(float64) float64 }:
		return func(r *rand.Rand) float64 { return s.Quantile(open(r)) }
	case Moved:
		in := sampler(s.Distribution)
		return func(r *rand.Rand) float64 { return s.Shift + in(r) }
	}
	return func(r *rand.Rand) float64 { return quantile(d, open(r)) }
}

// open is uniform on (0, 1), without its ends.
func open(r *rand.Rand) float64 { return (float64(r.Uint64()>>12) + 0.5) / (1 << 52) }
