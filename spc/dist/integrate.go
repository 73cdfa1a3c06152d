package dist

import (
	"math"
	"slices"
	"sync"

	"gonum.org/v1/gonum/integrate/quad"
)

// gaussPoints is the order of the rule in each panel of integrate.
const gaussPoints = 16

// gaussRule are the nodes and weights of Gauss-Legendre quadrature on (-1, 1).
var gaussRule = sync.OnceValue(func() *[2][gaussPoints]float64 {
	var r [2][gaussPoints]float64
	quad.Legendre{}.FixedLocations(r[0][:], r[1][:], -1, 1)
	return &r
})

// panel is the integral of f over (a, b) by one Gauss-Legendre rule.
func panel(f func(float64) float64, a, b float64) float64 {
	r := gaussRule()
	mid, half, s := a+(b-a)/2, (b-a)/2, 0.0
	for i, x := range r[0] {
		s += r[1][i] * f(mid+half*x)
	}
	return s * half
}

// integrate is the integral of f >= 0 between the first and the last of the ascending points, each panel halved until
// its halves agree with it to 1e-12 of the whole. Points belong where f turns sharply.
func integrate(f func(float64) float64, points ...float64) float64 {
	whole := 0.0
	first := make([]float64, len(points)-1)
	for i := range first {
		first[i] = panel(f, points[i], points[i+1])
		whole += first[i]
	}
	r := refinement{f: f, whole: whole, left: 5000}
	for i, w := range first {
		r.halve(points[i], points[i+1], w, 50)
	}
	return r.sum.Sum()
}

// breaks are the ascending points from lo to hi: the ends, multiples of 6.5 about zero, which cut the normal density into
// panels that no rule can overlook, and those of at that lie between.
func breaks(lo, hi float64, at ...float64) []float64 {
	p := append(make([]float64, 0, 24), lo, hi)
	for z := -32.5; z <= 32.5; z += 6.5 {
		at = append(at, z)
	}
	for _, x := range at {
		if x > lo && x < hi {
			p = append(p, x)
		}
	}
	slices.Sort(p)
	return slices.Compact(p)
}

// refinement is the state of one integral; no more than left panels are halved, which only an integrand of noise uses up.
type refinement struct {
	f     func(float64) float64
	whole float64
	sum   Accumulator
	left  int
}

func (r *refinement) halve(a, b, one float64, depth int) {
	m := a + (b-a)/2
	low, high := panel(r.f, a, m), panel(r.f, m, b)
	r.left--
	if d := math.Abs(low + high - one); !(d > 1e-12*math.Max(r.whole, r.sum.Sum())) || depth == 0 || r.left < 0 {
		r.sum.Add(low)
		r.sum.Add(high)
		return
	}
	r.halve(a, m, low, depth-1)
	r.halve(m, b, high, depth-1)
}
