package dist_test

import (
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/dist"
	"sagwatch/spc/internal/ref"
)

// The expected tails were computed in 140-digit decimal arithmetic: the normal tail by the Taylor series of erf, the
// others by the finite sums that exist for whole degrees of freedom (M. Abramowitz and I. A. Stegun, Handbook of
// Mathematical Functions, 1964, 26.7.3 and 26.7.4 for t, 26.4.4 and 26.4.5 for chi-square, 26.6.4 for F).

func TestNormal(t *testing.T) {
	for _, c := range [][2]float64{
		{0.5, 3.08537538725986896362e-1},
		{1.96, 2.49978951482204341366e-2},
		{3, 1.34989803163009452665e-3},
		{4.5, 3.39767312473006040169e-6},
		{6, 9.86587645037698140701e-10},
		{8, 6.22096057427178412352e-16},
		{12, 1.77648211207767899770e-33},
	} {
		ref.Relative(t, c[1], dist.NormalTail(c[0]), 3e-14, fmt.Sprint("tail at ", c[0]))
		ref.Relative(t, c[1], dist.NormalCDF(-c[0]), 3e-14, fmt.Sprint("lower tail at ", -c[0]))
		ref.Relative(t, c[0], dist.NormalQuantileUpper(c[1]), 1e-14, fmt.Sprint("quantile at ", c[1]))
		ref.Relative(t, -c[0], dist.NormalQuantile(c[1]), 1e-14, fmt.Sprint("quantile at ", c[1]))
	}
	ref.Absolute(t, 0, dist.NormalQuantile(0.5), 1e-16, "median")
}

func TestStudentT(t *testing.T) {
	for _, c := range []struct {
		t    float64
		df   float64
		tail float64
	}{
		{1, 1, 2.50000000000000000000e-1},
		{63.65674116287, 1, 5.00000000000012416084e-3},
		{1e6, 1, 3.18309886183684568242e-7},
		{4, 2, 2.85954792089683170661e-2},
		{2.5, 3, 4.38533235040327736251e-2},
		{40, 4, 1.16700816130063429763e-6},
		{2, 7, 4.28096642814880383802e-2},
		{8, 10, 5.88747139483307989103e-6},
		{5, 37, 7.05302728754256219461e-6},
		{7, 44, 5.71581583014085924005e-9},
		{12, 44, 9.04189862382834265373e-16},
		{3, 100, 1.70395767166472476852e-3},
		{6, 100, 1.58624575140142828979e-8},
		{2.5, 1000, 6.28928390054539840487e-3},
		{6, 1000, 1.37768458668873455628e-9},
		{4, 9999, 3.18993572812937924849e-5},
		{3, 30000, 1.35100623563496623612e-3},
		{4.5, 30001, 3.41042801619925355391e-6},
		{5, 100000, 2.87135083932083642664e-7},
		{7, 100000, 1.28782783390799164068e-12},
		{9, 300000, 1.13492706969258428706e-19},
		{6, 20001, 1.00357196509016962106e-9},
		{2, 1000000, 2.27502669256596042106e-2},
		{8, 1000000, 6.2275317166012598e-16},
		{20, 100000, 4.1117469553271811e-89},
	} {
		name := fmt.Sprintf("t = %g, %g degrees of freedom", c.t, c.df)
		ref.Relative(t, c.tail, dist.StudentTTail(c.t, c.df), 1e-10, name)
		ref.Absolute(t, 1-c.tail, dist.StudentTTail(-c.t, c.df), 1e-14, name)
		ref.Relative(t, c.t, dist.StudentTQuantileUpper(c.tail, c.df), 1e-11, name)
		if c.tail > 1e-8 { // 1 - tail still has digits
			ref.Relative(t, -c.t, dist.StudentTQuantileUpper(1-c.tail, c.df), 1e-7, name)
		}
	}
	require.Zero(t, dist.StudentTQuantileUpper(0.5, 3))
	// One degree of freedom is Cauchy's distribution: t = cot(pi p), also far beyond any table.
	for _, p := range []float64{0.4, 1e-3, 1e-8, 1e-15, 1e-100} {
		ref.Relative(t, 1/math.Tan(math.Pi*p), dist.StudentTQuantileUpper(p, 1), 1e-11, fmt.Sprint("Cauchy at ", p))
	}
	// Two: t = (1 - 2p)/sqrt(2 p (1 - p)).
	for _, p := range []float64{0.1, 1e-4, 1e-9, 1e-20} {
		ref.Relative(t, (1-2*p)/math.Sqrt(2*p*(1-p)), dist.StudentTQuantileUpper(p, 2), 1e-11, fmt.Sprint("2 degrees of freedom at ", p))
	}
}

func TestChiSquare(t *testing.T) {
	for _, c := range []struct{ x, df, tail, cdf float64 }{
		{3.84, 1, 5.00435212487050989477e-2, 9.49956478751294901052e-1},
		{30, 1, 4.32046305782749729478e-8, 9.99999956795369421725e-1},
		{0.5, 3, 9.18891411654675859364e-1, 8.11085883453241406359e-2},
		{60, 5, 1.21545697771830389483e-11, 9.99999999987845430223e-1},
		{9, 4, 6.10994809603326857288e-2, 9.38900519039667314271e-1},
		{100, 20, 1.25960845916609075062e-12, 9.99999999998740391541e-1},
		{150, 47, 1.09412738325558373333e-12, 9.99999999998905872617e-1},
		{200, 100, 1.17845007209794224462e-8, 9.99999988215499279021e-1},
		{90, 199, 9.99999999998273697960e-1, 1.72630203979621590350e-12},
		{700, 500, 7.72899211121665176330e-9, 9.99999992271007888783e-1},
		// By quadrature of the density with mpmath 1.2.1, 50 digits.
		{9000, 10000, 0.99999999999987302, 1.2697731705204421e-13},
		{11000, 10000, 3.6183295580964793e-12, 0.99999999999638167},
		{990000, 1000000, 0.99999999999934998, 6.5001711800858377e-13},
		{1000000, 1000000, 0.4998119368033945, 0.5001880631966055},
		{1005000, 1000000, 0.00020767800946703003, 0.99979232199053297},
		{1010000, 1000000, 9.0685288232620769e-13, 0.99999999999909315},
	} {
		name := fmt.Sprintf("x = %g, %g degrees of freedom", c.x, c.df)
		ref.Relative(t, c.tail, dist.ChiSquareTail(c.x, c.df), 1e-11, name)
		ref.Relative(t, c.cdf, dist.ChiSquareCDF(c.x, c.df), 1e-11, name)
		if c.tail < 0.5 {
			ref.Relative(t, c.x, dist.ChiSquareQuantileUpper(c.tail, c.df), 1e-11, name)
		}
		if c.cdf < 0.5 {
			ref.Relative(t, c.x, dist.ChiSquareQuantile(c.cdf, c.df), 1e-11, name)
		}
	}
}

func TestF(t *testing.T) {
	for _, c := range []struct{ x, d1, d2, tail float64 }{
		{4, 2, 10, 5.29221494013446459720e-2},
		{40, 2, 44, 1.26090338064683105943e-10},
		{3, 6, 30, 2.03830008427274833593e-2},
		{25, 4, 7, 3.05866800736145106122e-4},
		{0.2, 10, 10, 9.91049938398618096835e-1},
		{8, 12, 200, 3.62800242020201295642e-12},
		{2, 40, 41, 1.48180822941518119815e-2},
		// By quadrature of the density with mpmath 1.2.1, 50 digits.
		{8, 5, 1e6, 1.4938810963552223e-7},
		{2.5, 40, 1e5, 4.8384255085891149e-7},
		{0.01, 3, 1e5, 0.99863038491464432},
		{1.1, 1e4, 1e4, 9.4666664805257364e-7},
		{1.02, 1e5, 1e6, 1.1446419107992737e-5},
		{0.99, 1e5, 1e6, 0.98376286719866486},
		{30, 2, 1e6, 9.3660482833240682e-14},
		{5, 200, 20, 6.1239016738542325e-5},
	} {
		name := fmt.Sprintf("F = %g, %g and %g degrees of freedom", c.x, c.d1, c.d2)
		ref.Relative(t, c.tail, dist.FTail(c.x, c.d1, c.d2), 1e-11, name)
		ref.Relative(t, c.x, dist.FQuantileUpper(c.tail, c.d1, c.d2), 1e-11, name)
		// X = d1 F/(d2 + d1 F) follows the beta distribution with d1/2 and d2/2.
		x := c.d1 * c.x / (c.d2 + c.d1*c.x)
		ref.Relative(t, c.tail, dist.BetaTail(x, c.d1/2, c.d2/2), 1e-11, name)
		ref.Relative(t, x, dist.BetaQuantileUpper(c.tail, c.d1/2, c.d2/2), 1e-11, name)
	}
	// Closed forms: beta(1, b) has the tail (1-x)^b, beta(a, 1) has x^a below.
	ref.Relative(t, math.Pow(0.7, 5), dist.BetaTail(0.3, 1, 5), 1e-13, "beta(1, 5)")
	ref.Relative(t, 1-math.Pow(0.3, 4), dist.BetaTail(0.3, 4, 1), 1e-13, "beta(4, 1)")
}

func TestMistakesPanic(t *testing.T) {
	nan := math.NaN()
	for i, f := range []func(){
		func() { dist.NormalQuantile(0) }, func() { dist.NormalQuantileUpper(nan) },
		func() { dist.StudentTQuantileUpper(1, 5) }, func() { dist.StudentTQuantileUpper(0.1, 0) },
		func() { dist.StudentTTail(nan, 3) }, func() { dist.ChiSquareTail(1, -1) }, func() { dist.FTail(1, nan, 1) },
		func() { dist.C4(1) }, func() { dist.RangeTail(1, 1) }, func() { dist.RangeCDF(nan, 3) },
		func() { dist.MeanSD(nil) }, func() { dist.NewQR(1, 2) },
	} {
		require.Panics(t, f, "%d", i)
	}
}

// TestRangeOfTwo: the range of two is |x1 - x2|, sqrt 2 times a normal deviate: P(R > w) = erfc(w/2).
func TestRangeOfTwo(t *testing.T) {
	for _, c := range [][2]float64{
		{0.01, 9.94358151179968449719e-1},
		{1, 4.79500122186953462317e-1},
		{4, 4.67773498104726583793e-3},
		{8, 1.54172579002800188522e-8},
		{12, 2.15197367124989131166e-17},
	} {
		ref.Relative(t, c[1], dist.RangeTail(c[0], 2), 1e-12, fmt.Sprint("w = ", c[0]))
		ref.Relative(t, c[0], dist.RangeQuantileUpper(c[1], 2), 1e-10, fmt.Sprint("p = ", c[1]))
		ref.Relative(t, math.Erf(c[0]/2), dist.RangeCDF(c[0], 2), 1e-12, fmt.Sprint("w = ", c[0]))
	}
}

// TestBetaCDF: both tails add to one, the lower one keeps its digits: I_x(a, 1) = x^a.
func TestBetaCDF(t *testing.T) {
	for _, x := range []float64{1e-200, 1e-12, 0.02, 0.3, 0.5, 0.97} {
		for _, a := range []float64{0.5, 1, 1.5} {
			ref.Relative(t, math.Pow(x, a), dist.BetaCDF(x, a, 1), 1e-12, "x^a")
			require.InDelta(t, 1, dist.BetaCDF(x, a, 7.5)+dist.BetaTail(x, a, 7.5), 1e-14)
		}
	}
	require.Zero(t, dist.BetaCDF(0, 2, 3))
	require.Equal(t, 1.0, dist.BetaCDF(1, 2, 3))
	require.Panics(t, func() { dist.BetaCDF(math.NaN(), 2, 3) })
}
