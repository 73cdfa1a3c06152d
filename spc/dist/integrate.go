package dist

import (
	"math"
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
	var a Accumulator
	whole := 0.0
	first := make([]float64, len(points)-1)
	for i := range first {
		first[i] = panel(f, points[i], points[i+1])
		whole += first[i]
	}
	for i, w := range first {
		refine(f, points[i], points[i+1], w, whole, 40, &a)
	}
	return a.Sum()
}

func refine(f func(float64) float64, a, b, one, whole float64, depth int, sum *Accumulator) {
	m := a + (b-a)/2
	left, right := panel(f, a, m), panel(f, m, b)
	if d := math.Abs(left + right - one); d <= 1e-12*math.Max(whole, sum.Sum()) || depth == 0 || m == a || m == b {
		sum.Add(left)
		sum.Add(right)
		return
	}
	refine(f, a, m, left, whole, depth-1, sum)
	refine(f, m, b, right, whole, depth-1, sum)
}
