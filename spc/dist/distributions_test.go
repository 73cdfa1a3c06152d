package dist_test

import (
	"errors"
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/dist"
	"sagwatch/spc/internal/ref"
	"sagwatch/spc/refusal"
)

// TestStudentizedRange: q, n, degrees of freedom and P(Q > q), by SciPy 1.10.1 studentized_range.sf (about 1e-12, less far
// out).
func TestStudentizedRange(t *testing.T) {
	for _, c := range []struct {
		q    float64
		n    int
		df   float64
		tail float64
		tol  float64
	}{
		{3.877, 3, 10, 0.049987088753253084, 1e-12},
		{2, 2, 5, 0.21643722926968534, 1e-11},
		{5, 4, 3, 0.1098905971170735, 1e-11},
		{6, 10, 20, 0.01141516446170554, 1e-11},
		{8, 5, 60, 4.4524375856317572e-06, 1e-11}, // Gauss-Legendre with NumPy 1.24.2
		{4, 20, 120, 0.35063284721817267, 1e-12},
	} {
		name := fmt.Sprintf("q = %g, n = %d, %g degrees of freedom", c.q, c.n, c.df)
		ref.Relative(t, c.tail, dist.StudentizedRangeTail(c.q, c.n, c.df), c.tol, name)
		ref.Absolute(t, 1-c.tail, dist.StudentizedRangeCDF(c.q, c.n, c.df), 1e-12, name)
	}
	ref.Relative(t, 3.876776750013158, dist.StudentizedRangeQuantileUpper(0.05, 3, 10), 1e-11, "5 % point")
	// Two values: Q = sqrt 2 |t|, also far out and for few degrees of freedom.
	for _, df := range []float64{1, 2.5, 10, 400} {
		for _, q := range []float64{0.01, 1, 5, 30} {
			name := fmt.Sprintf("q = %g, %g degrees of freedom", q, df)
			ref.Relative(t, 2*dist.StudentTTail(q/math.Sqrt2, df), dist.StudentizedRangeTail(q, 2, df), 1e-10, name)
		}
	}
	require.Equal(t, dist.RangeTail(3, 5), dist.StudentizedRangeTail(3, 5, math.Inf(1)))
	require.Equal(t, dist.RangeCDF(3, 5), dist.StudentizedRangeCDF(3, 5, math.Inf(1)))
	require.Equal(t, 1.0, dist.StudentizedRangeTail(0, 5, 3))
	require.Zero(t, dist.StudentizedRangeCDF(-1, 5, 3))
}

func TestChi(t *testing.T) {
	for _, df := range []float64{0.1, 1, 4, 24, 1000, 1e6} {
		q := dist.ChiQuantileUpper(0.00135, df)
		ref.Relative(t, 0.00135, dist.ChiTail(q, df), 1e-11, "tail of the quantile")
		q = dist.ChiQuantile(0.00135, df)
		ref.Relative(t, 0.00135, dist.ChiCDF(q, df), 1e-11, "CDF of the quantile")
	}
	for _, n := range []int{2, 3, 5, 25, 200, 5000} {
		df := float64(n - 1)
		ref.Relative(t, dist.C4(n), dist.ChiMean(df)/math.Sqrt(df), 5e-14, fmt.Sprint("c4 of ", n))
	}
	// Gamma(0.6)/Gamma(0.1) sqrt 2.
	ref.Relative(t, math.Sqrt2*math.Gamma(0.6)/math.Gamma(0.1), dist.ChiMean(0.2), 1e-13, "few degrees of freedom")
	require.Equal(t, 1.0, dist.ChiTail(-1, 3))
	require.Zero(t, dist.ChiCDF(-1, 3))
}

// TestNoncentral: Poisson sums with mpmath 1.2.1, 30 digits.
func TestNoncentral(t *testing.T) {
	for _, c := range [][5]float64{
		{10, 3, 5, 0.29335135222254826, 0.70664864777745174},
		{60, 3, 5, 6.3561529731358212e-8, 0.99999993643847027},
		{2, 4, 30, 0.99999765914443427, 2.3408555657266544e-6},
		{400, 10, 300, 0.0073879384435902314, 0.99261206155640977},
		{120, 6, 20, 4.2226476835077566e-10, 0.99999999957773523},
	} {
		name := fmt.Sprintf("x = %g, %g degrees of freedom, lambda = %g", c[0], c[1], c[2])
		ref.Relative(t, c[3], dist.NoncentralChiSquareTail(c[0], c[1], c[2]), 1e-12, name)
		ref.Relative(t, c[4], dist.NoncentralChiSquareCDF(c[0], c[1], c[2]), 1e-12, name)
	}
	for _, c := range [][5]float64{
		{3, 3, 20, 0.5, 0.082123079869165112},
		{8, 2, 40, 6, 0.10728184935413458},
		{1, 5, 100, 40, 0.99999723627125532},
		{2.5, 10, 12, 3, 0.13966997692590429},
	} {
		ref.Relative(t, c[4], dist.NoncentralFTail(c[0], c[1], c[2], c[3]), 1e-12, fmt.Sprint(c))
	}
	// One degree of freedom: (Z + delta)^2. And the square of the non-central t is F.
	ref.Relative(t, dist.NormalTail(3-1.2)+dist.NormalTail(3+1.2), dist.NoncentralChiSquareTail(9, 1, 1.44), 1e-12, "one degree of freedom")
	ref.Relative(t, dist.NoncentralTTail(2.5, 14, 1.2)+dist.NoncentralTCDF(-2.5, 14, 1.2), dist.NoncentralFTail(6.25, 1, 14, 1.44), 1e-11, "square of t")
	ref.Relative(t, dist.ChiSquareTail(7, 3), dist.NoncentralChiSquareTail(7, 3, 0), 1e-15, "central")
	require.Panics(t, func() { dist.NoncentralChiSquareTail(1, 2, -1) })
}

// TestDiscrete: against sums of the probabilities themselves.
func TestDiscrete(t *testing.T) {
	for _, n := range []int{1, 7, 60} {
		for _, p := range []float64{0, 0.001, 0.2, 0.5, 0.97, 1} {
			sum, term := 0.0, 0.0
			for k := 0; k <= n; k++ {
				lg, _ := math.Lgamma(float64(n + 1))
				a, _ := math.Lgamma(float64(k + 1))
				b, _ := math.Lgamma(float64(n - k + 1))
				term = math.Exp(lg-a-b) * math.Pow(p, float64(k)) * math.Pow(1-p, float64(n-k))
				sum += term
				ref.Absolute(t, sum, dist.BinomialCDF(k, n, p), 1e-12, fmt.Sprintf("P(X <= %d), n = %d, p = %g", k, n, p))
				ref.Absolute(t, 1-sum, dist.BinomialTail(k, n, p), 1e-12, fmt.Sprintf("P(X > %d), n = %d, p = %g", k, n, p))
			}
			for _, q := range []float64{1e-6, 0.00135, 0.5, 0.99} {
				k := dist.BinomialQuantile(q, n, p)
				require.GreaterOrEqual(t, dist.BinomialCDF(k, n, p), q)
				require.Less(t, dist.BinomialCDF(k-1, n, p), q)
				k = dist.BinomialQuantileUpper(q, n, p)
				require.LessOrEqual(t, dist.BinomialTail(k, n, p), q)
				require.Greater(t, dist.BinomialTail(k-1, n, p), q)
			}
		}
	}
	for _, mean := range []float64{0, 0.01, 3.7, 200} {
		sum, term := 0.0, math.Exp(-mean)
		for k := range 400 {
			sum += term
			term *= mean / float64(k+1)
			ref.Absolute(t, sum, dist.PoissonCDF(k, mean), 1e-12, fmt.Sprintf("P(X <= %d), mean %g", k, mean))
		}
		for _, q := range []float64{1e-6, 0.00135, 0.5, 0.99} {
			k := dist.PoissonQuantile(q, mean)
			require.GreaterOrEqual(t, dist.PoissonCDF(k, mean), q)
			require.Less(t, dist.PoissonCDF(k-1, mean), q)
			k = dist.PoissonQuantileUpper(q, mean)
			require.LessOrEqual(t, dist.PoissonTail(k, mean), q)
			require.Greater(t, dist.PoissonTail(k-1, mean), q)
		}
	}
	require.Equal(t, 0.0, dist.BinomialCDF(-1, 5, 0.5))
	require.Panics(t, func() { dist.BinomialCDF(1, 5, 1.5) })
	require.Panics(t, func() { dist.PoissonTail(1, -1) })
}

// TestExactLimits: the limits meet their defining equations; 10 of 100 at 95 % gives 0.0490 to 0.1762 (Clopper and
// Pearson), 0 of n the closed form 1 - alpha^(1/n), and 0 counts -log alpha.
func TestExactLimits(t *testing.T) {
	for _, n := range []int{1, 20, 1000, 2000000} {
		for _, x := range []int{0, 1, 7, 20, 999, n} {
			if x > n {
				continue
			}
			lo, hi, err := dist.ClopperPearson(x, n, 0.025)
			require.NoError(t, err)
			if x > 0 {
				ref.Relative(t, 0.025, dist.BinomialTail(x-1, n, lo), 1e-9, "lower limit")
			} else {
				require.Zero(t, lo)
				ref.Relative(t, -math.Expm1(math.Log(0.025)/float64(n)), hi, 1e-12, "none")
			}
			if x < n {
				ref.Relative(t, 0.025, dist.BinomialCDF(x, n, hi), 1e-9, "upper limit")
			} else {
				require.Equal(t, 1.0, hi)
			}
			lo, hi, err = dist.PoissonLimits(x, 0.05)
			require.NoError(t, err)
			ref.Relative(t, 0.05, dist.PoissonCDF(x, hi), 1e-9, "upper Poisson limit")
			if x > 0 {
				ref.Relative(t, 0.05, dist.PoissonTail(x-1, lo), 1e-9, "lower Poisson limit")
			}
		}
	}
	for want, f := range map[refusal.Reason]func() error{
		refusal.TooFew:     func() error { _, _, err := dist.ClopperPearson(0, 0, 0.05); return err },
		refusal.Negative:   func() error { _, _, err := dist.ClopperPearson(-1, 5, 0.05); return err },
		refusal.Mismatch:   func() error { _, _, err := dist.ClopperPearson(6, 5, 0.05); return err },
		refusal.OutOfRange: func() error { _, _, err := dist.ClopperPearson(1, 5, 0); return err },
	} {
		var e *refusal.Error
		require.True(t, errors.As(f(), &e))
		require.Equal(t, want, e.Reason)
	}
	_, _, err := dist.PoissonLimits(-1, 0.05)
	require.Error(t, err)
	_, _, err = dist.PoissonLimits(1, 1)
	require.Error(t, err)
}

// Critical value of all pairwise comparisons of three means at 5 %, 10 degrees of freedom: 3.877 in the tables of H. L.
// Harter (1960), from memory.
func ExampleStudentizedRangeQuantileUpper() {
	fmt.Printf("%.3f\n", dist.StudentizedRangeQuantileUpper(0.05, 3, 10))
	// Output: 3.877
}

// The 95 % interval for a proportion seen as 10 of 100.
func ExampleClopperPearson() {
	lo, hi, _ := dist.ClopperPearson(10, 100, 0.025)
	fmt.Printf("%.4f to %.4f\n", lo, hi)
	// Output: 0.0490 to 0.1762
}

// The 95 % interval for a mean from one count of 10: 4.795 to 18.390 (Garwood 1936, from memory).
func ExamplePoissonLimits() {
	lo, hi, _ := dist.PoissonLimits(10, 0.025)
	fmt.Printf("%.3f to %.3f\n", lo, hi)
	// Output: 4.795 to 18.390
}

func BenchmarkStudentizedRangeTail(b *testing.B) {
	for b.Loop() {
		dist.StudentizedRangeTail(3.877, 3, 10)
	}
}
