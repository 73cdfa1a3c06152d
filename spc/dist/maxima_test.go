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

// TestMaxAbsDeviation: u, m and P(U > u), by convolution of the densities of sums of pairs cut off at +-u with mpmath
// 1.2.1 (22 to 40 digits), another route than the characteristic function.
func TestMaxAbsDeviation(t *testing.T) {
	for _, c := range []struct {
		u    float64
		m    int
		want float64
	}{
		{0.7, 4, 0.82489212058123776},
		{2, 4, 0.075353943331186043},
		{3, 4, 0.0020981046827992752},
		{4.5, 4, 8.1362955512373403e-7},
		{6, 4, 1.7048750064865301e-11},
		{1.2, 6, 0.67555906694187},
		{3, 6, 0.0060239088111766},
	} {
		name := fmt.Sprintf("u = %g, m = %d", c.u, c.m)
		ref.Relative(t, c.want, dist.MaxAbsDeviationTail(c.u, c.m), 3e-13, name)
		ref.Relative(t, c.u, dist.MaxAbsDeviationQuantileUpper(c.want, c.m), 1e-12, name)
	}
	// Far out, and for many values anywhere, it is near the two-sided Bonferroni bound; never above it, nor below the
	// probability of either side from MaxDeviation.
	for _, m := range []int{2, 3, 5, 12, 48, 300} {
		one := dist.NewMaxDeviation(m)
		for _, p := range []float64{0.3, 0.0027, 1e-6} {
			u := dist.MaxAbsDeviationQuantileUpper(p, m)
			ref.Relative(t, p, dist.MaxAbsDeviationTail(u, m), 1e-11, "tail of the quantile")
			require.LessOrEqual(t, p, 2*one.Tail(u)*(1+1e-9), "m = %d, p = %g", m, p)
			require.GreaterOrEqual(t, p, one.Tail(u)*(1-1e-9), "m = %d, p = %g", m, p)
		}
		u := dist.MaxAbsDeviationQuantileUpper(1e-12, m)
		if m > 3 {
			ref.Relative(t, 2*one.Tail(u), 1e-12, 1e-4, fmt.Sprint("both sides, m = ", m))
		}
	}
	require.Equal(t, 1.0, dist.MaxAbsDeviationTail(-1, 5))
	require.Zero(t, dist.MaxAbsDeviationTail(100, 5))
	require.Panics(t, func() { dist.MaxAbsDeviationTail(1, 1) })
}

func TestMaxAbsDeviationBySimulation(t *testing.T) {
	const m, n, p = 9, 100000, 0.05
	u := dist.MaxAbsDeviationQuantileUpper(p, m)
	rng := rand.New(rand.NewPCG(31, 32))
	over := 0
	for range n {
		var x [m]float64
		sum := 0.0
		for i := range x {
			x[i] = rng.NormFloat64()
			sum += x[i]
		}
		for _, v := range x {
			if math.Abs(v-sum/m) > u {
				over++
				break
			}
		}
	}
	ref.Absolute(t, p, float64(over)/n, 4*math.Sqrt(p*(1-p)/n), "share beyond the 5 % point")
}

// TestNormalMaximum: u, m, rho and the one- and two-sided tails, by quadrature with mpmath 1.2.1, 30 digits.
func TestNormalMaximum(t *testing.T) {
	for _, c := range [][5]float64{
		{2.0, 3, 0.5, 0.057466548505471331, 0.11491377921456547},
		{3.0, 10, 0.3, 0.012567328275500002, 0.025132775423066648},
		{5.0, 20, 0.9, 2.4582942332871522e-6, 4.9165884665743043e-6},
		{1.0, 5, 0.99, 0.18776608935833368, 0.37553217871666737},
		{0.5, 4, 0.1, 0.73659836092149813, 0.9780017920570056},
		{8.0, 6, 0.5, 3.7325495484615294e-15, 7.4650990969230588e-15},
	} {
		u, m, rho := c[0], int(c[1]), c[2]
		name := fmt.Sprintf("u = %g, m = %d, rho = %g", u, m, rho)
		ref.Relative(t, c[3], dist.NormalMaximumTail(u, m, rho), 1e-12, name)
		ref.Relative(t, c[4], dist.NormalMaximumAbsTail(u, m, rho), 1e-12, name+", two-sided")
		ref.Absolute(t, u, dist.NormalMaximumQuantileUpper(c[3], m, rho), 1e-11, name+", quantile")
		ref.Absolute(t, u, dist.NormalMaximumAbsQuantileUpper(c[4], m, rho), 1e-11, name+", two-sided quantile")
	}
	// Orthant probabilities in closed form: all of three negative 1/8 + 3 asin(rho)/(4 pi).
	for _, rho := range []float64{0, 0.2, 0.5, 0.9, 0.999, 1} {
		ref.Relative(t, 1-(0.125+3*math.Asin(rho)/(4*math.Pi)), dist.NormalMaximumTail(0, 3, rho), 1e-12, fmt.Sprint("orthant, rho = ", rho))
		// One variable is one variable.
		ref.Relative(t, dist.NormalTail(2.5), dist.NormalMaximumTail(2.5, 1, rho), 1e-12, "one variable")
		ref.Relative(t, 2*dist.NormalTail(2.5), dist.NormalMaximumAbsTail(2.5, 1, rho), 1e-12, "one variable")
	}
	// Independent ones meet Sidak's level, and any stay below Bonferroni's.
	u := dist.NormalQuantileUpper(dist.SidakLevel(0.01, 7) / 2)
	ref.Relative(t, 0.01, dist.NormalMaximumAbsTail(u, 7, 0), 1e-12, "Sidak")
	require.Less(t, dist.NormalMaximumAbsTail(u, 7, 0.6), 0.01)
	require.Less(t, dist.BonferroniLevel(0.01, 7), dist.SidakLevel(0.01, 7))
	require.Equal(t, 1.0, dist.NormalMaximumTail(math.Inf(-1), 3, 0.5))
	require.Panics(t, func() { dist.NormalMaximumTail(1, 3, -0.1) })
	require.Panics(t, func() { dist.NormalMaximumTail(1, 0, 0.1) })
}

// TestBivariateNormal: h, k, rho and P(X > h, Y > k) by Plackett's integral over the correlation with mpmath 1.2.1, 60
// digits, another route.
func TestBivariateNormal(t *testing.T) {
	inf := math.Inf(1)
	for _, c := range [][4]float64{
		{0, 0, 0.5, 1.0 / 3},
		{1, 2, 0.3, 0.0086878974147193056},
		{3, 3, 0.9, 0.00061040438530377869},
		{-1, 2, -0.7, 0.0043147322107618683},
		{4, 5, 0.99, 2.8665157187896793e-7},
		{6, -6, 0.2, 9.8658764503761863e-10},
		{5, 5, -0.5, 3.4325734800351084e-25},
		{2, 2.001, 0.9999, 0.022418103640199791},
	} {
		h, k, rho := c[0], c[1], c[2]
		name := fmt.Sprintf("h = %g, k = %g, rho = %g", h, k, rho)
		ref.Relative(t, c[3], dist.BivariateNormalUpper(h, k, rho), 1e-12, name)
		ref.Relative(t, c[3], dist.BivariateNormalUpper(k, h, rho), 1e-12, name+", exchanged")
		// The four quadrants about (h, k) make the whole.
		whole := dist.BivariateNormalUpper(h, k, rho) + dist.BivariateNormalRectangle(-inf, h, k, inf, rho) +
			dist.BivariateNormalRectangle(h, inf, -inf, k, rho) + dist.BivariateNormalRectangle(-inf, h, -inf, k, rho)
		ref.Absolute(t, 1, whole, 1e-13, name+", quadrants")
	}
	for _, rho := range []float64{-1, -0.3, 0, 0.8, 1} {
		ref.Relative(t, 0.25+math.Asin(rho)/(2*math.Pi)+1e-300, dist.BivariateNormalUpper(0, 0, rho)+1e-300, 1e-12, fmt.Sprint("quadrant, rho = ", rho))
		require.Zero(t, dist.BivariateNormalRectangle(2, 1, -1, 1, rho))
	}
	require.Panics(t, func() { dist.BivariateNormalUpper(0, 0, 1.1) })
}

// The least and the greatest of five parallel stations stay within these limits, in standard deviations about their
// common mean, in 99.73 % of the cycles.
func ExampleMaxAbsDeviationQuantileUpper() {
	fmt.Printf("%.4f\n", dist.MaxAbsDeviationQuantileUpper(0.0027, 5))
	// Output: 3.0926
}

// A one-sided multiple comparison of three treatments with a control on known sigma (rho = 1/2) at 5 %: 2.06 in C. W.
// Dunnett's table (Journal of the American Statistical Association 50, 1955), from memory.
func ExampleNormalMaximumQuantileUpper() {
	fmt.Printf("%.4f\n", dist.NormalMaximumQuantileUpper(0.05, 3, 0.5))
	// Output: 2.0621
}

func BenchmarkMaxAbsDeviationQuantileUpper(b *testing.B) {
	for b.Loop() {
		dist.MaxAbsDeviationQuantileUpper(0.0027, 12)
	}
}

func BenchmarkBivariateNormalRectangle(b *testing.B) {
	for b.Loop() {
		dist.BivariateNormalRectangle(-1, 2, -1.5, 0.5, 0.7)
	}
}
