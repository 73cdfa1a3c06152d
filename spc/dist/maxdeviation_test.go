package dist_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/dist"
	"sagwatch/spc/internal/ref"
)

// TestMaxDeviationOfTwo: |x1 - x2|/2 has the tail erfc(u).
func TestMaxDeviationOfTwo(t *testing.T) {
	d := dist.NewMaxDeviation(2)
	for _, u := range []float64{0, 0.003, 0.1, 0.7, 1.234, 2.5, 3.999, 5} {
		ref.Relative(t, math.Erfc(u), d.Tail(u), 1e-9, fmt.Sprint("u = ", u))
	}
	require.Equal(t, 1.0, d.Tail(-1))
}

// TestMaxDeviationOfThree: the deviations of three values are a round normal cloud in a plane and U > u lies outside an
// equilateral triangle of inradius r = u sqrt(3/2), so that
//
//	P(U > u) = 3/pi integral_0^(pi/3) exp(-r^2 / (2 cos^2 a)) da.
func TestMaxDeviationOfThree(t *testing.T) {
	d := dist.NewMaxDeviation(3)
	for _, u := range []float64{0.05, 0.4, 1.2, 2.22, 3.1, 4.7, 6} {
		const n = 2000 // Simpson
		want := 0.0
		for i := 0; i <= n; i++ {
			w := 2.0 + 2*float64(i%2)
			if i == 0 || i == n {
				w = 1
			}
			c := math.Cos(math.Pi / 3 * float64(i) / n)
			want += w * math.Exp(-0.75*u*u/(c*c))
		}
		want *= 1.0 / (3 * n)
		ref.Relative(t, want, d.Tail(u), 2e-9, fmt.Sprint("u = ", u))
	}
}

// TestMaxDeviationBounds: far out the tail is that of m single deviations less at most the pairs (Bonferroni), and
// quantiles invert.
func TestMaxDeviationBounds(t *testing.T) {
	for _, m := range []int{4, 8, 20, 48} {
		d := dist.NewMaxDeviation(m)
		fm := float64(m)
		for _, p := range []float64{0.5, 0.0027, 1e-4, 1e-9} {
			u := d.QuantileUpper(p)
			ref.Relative(t, p, d.Tail(u), 1e-12, "tail of the quantile")
			single := dist.NormalTail(u * math.Sqrt(fm/(fm-1)))
			require.LessOrEqual(t, p, fm*single*(1+1e-8), "m = %d, p = %g", m, p)
			// Negative correlation: both of a pair exceed u less often than independent ones would.
			require.GreaterOrEqual(t, p, fm*single-fm*(fm-1)/2*single*single-1e-8*p, "m = %d, p = %g", m, p)
		}
	}
}

func TestMaxDeviationBySimulation(t *testing.T) {
	const m, n = 6, 200000
	d := dist.NewMaxDeviation(m)
	u := d.QuantileUpper(0.05)
	rng := rand.New(rand.NewPCG(21, 22))
	over := 0
	for range n {
		var sum, top float64
		for i := range m {
			x := rng.NormFloat64()
			sum += x
			if i == 0 || x > top {
				top = x
			}
		}
		if top-sum/m > u {
			over++
		}
	}
	ref.Absolute(t, 0.05, float64(over)/n, 4*math.Sqrt(0.05*0.95/n), "share beyond the 5 % point")
	require.Panics(t, func() { dist.NewMaxDeviation(1) })
	require.Panics(t, func() { d.QuantileUpper(1e-30) })
}
