package dist_test

import (
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/dist"
	"sagwatch/spc/internal/ref"
)

// noncentralT are t, degrees of freedom, delta, P(T <= t) and P(T > t), computed with mpmath 1.2.1 (30 to 40 digits) by
// quadrature of Phi(t s - delta) and of Phi(delta - t s) over the density of the chi distribution.
var noncentralT = [][5]float64{
	{-3, 1, 0.5, 0.05124517476244805, 0.94875482523755195},
	{0.2, 1, 0.5, 0.3675931199055665, 0.6324068800944335},
	{50, 1, 0.5, 0.9888668154743684, 0.0111331845256316},
	{1, 2.5, 3, 0.027779145642521704, 0.9722208543574783},
	{4, 2.5, 3, 0.60284742326535811, 0.39715257673464189},
	{40, 2.5, 3, 0.9978451495605805, 0.0021548504394195018},
	{-8, 4, -2, 0.016666214186625591, 0.98333378581337441},
	{-1, 4, -2, 0.84212647532729941, 0.15787352467270059},
	{2, 4, -2, 0.99955559535158909, 0.00044440464841091271},
	{4, 9, 10, 9.6996043201227777e-6, 0.99999030039567988},
	{9, 9, 10, 0.28866479852289266, 0.71133520147710734},
	{30, 9, 10, 0.99926645833726502, 0.0007335416627349753},
	{200, 19, 300, 0.0014074488108882571, 0.99859255118911174},
	{310, 19, 300, 0.53623531264549051, 0.46376468735450949},
	{700, 19, 300, 0.99996346069727358, 3.6539302726416326e-5},
	{10, 29, 18, 1.3026856445196417e-6, 0.99999869731435548},
	{18.5, 29, 18, 0.54488045181737723, 0.45511954818262277},
	{40, 29, 18, 0.99999753803403015, 2.4619659698464318e-6},
	{25, 99, 40, 8.8125635630354853e-13, 0.99999999999911874},
	{41, 99, 40, 0.61101046514315323, 0.38898953485684677},
	{70, 99, 40, 0.99999999992161309, 7.838691066281578e-11},
	{-4, 200, 1, 4.8023336712501053e-7, 0.99999951976663287},
	{1, 200, 1, 0.49950184238280471, 0.50049815761719529},
	{8, 200, 1, 0.99999999996201166, 3.7988343468548491e-11},
	{100, 1000, 126, 2.2664948385853329e-25, 1.0},
	{127, 1000, 126, 0.62506484255280563, 0.37493515744719437},
	{160, 1000, 126, 1.0, 1.6003125213881573e-21},
	{380, 9999, 400, 2.0484180641202234e-12, 0.99999999999795158},
	{401, 9999, 400, 0.62868216955594217, 0.37131783044405783},
	{430, 9999, 400, 1.0, 1.5376722832531334e-21},
	{880, 100000, 900, 7.7770081073200949e-20, 1.0},
	{901, 100000, 900, 0.67125512866417791, 0.32874487133582209},
	{930, 100000, 900, 1.0, 3.3205017555858644e-39},
	{690, 1000000, 700, 1.2738544879493463e-19, 1.0},
	{700.3, 1000000, 700, 0.60591099307061286, 0.39408900692938714},
	{715, 1000000, 700, 1.0, 3.5457986159627169e-41},
	{3980, 1000000, 4000, 1.0973833517647791e-11, 0.99999999998902617},
	{4001, 1000000, 4000, 0.63037176001111295, 0.36962823998888705},
	{4030, 1000000, 4000, 1.0, 1.3510918713034561e-23},
	{50, 1, 300, 1.9878056224702181e-9, 0.99999999801219438},
	{400, 1, 300, 0.45325611633007351, 0.54674388366992649},
	{100000, 1, 300, 0.99760634990818676, 0.0023936500918132375},
	{0.1, 0.5, 2, 0.026996326996855985, 0.97300367300314402},
	{3, 0.5, 2, 0.4082379137669253, 0.5917620862330747},
	{1000, 0.5, 2, 0.966532089749918265, 0.033467910250081735},
	{-6, 1000000, 0, 9.8692490617721733e-10, 0.99999999901307509},
	{0.3, 1000000, 0, 0.6179113910105029, 0.3820886089894971},
	{5, 1000000, 0, 0.99999971330010646, 2.8669989354453708e-7},
}

func TestNoncentralT(t *testing.T) {
	for _, c := range noncentralT {
		x, df, delta, cdf, tail := c[0], c[1], c[2], c[3], c[4]
		name := fmt.Sprintf("t = %g, %g degrees of freedom, delta = %g", x, df, delta)
		ref.Relative(t, cdf, dist.NoncentralTCDF(x, df, delta), 1e-11, name)
		ref.Relative(t, tail, dist.NoncentralTTail(x, df, delta), 1e-11, name+", tail")
		scale := math.Max(math.Abs(x), 1)
		if cdf < 0.9 {
			ref.Absolute(t, x, dist.NoncentralTQuantile(cdf, df, delta), 1e-11*scale, name+", quantile")
			ref.Absolute(t, delta, dist.NoncentralTDelta(x, df, cdf), 1e-10*scale, name+", delta")
		}
		if tail < 0.9 {
			ref.Absolute(t, x, dist.NoncentralTQuantileUpper(tail, df, delta), 1e-11*scale, name+", upper quantile")
			ref.Absolute(t, delta, dist.NoncentralTDeltaUpper(x, df, tail), 1e-10*scale, name+", delta from the tail")
		}
	}
}

// TestNoncentralTIsStudents: without non-centrality both tails are Student's; at t = 0 the probability is Phi(-delta).
func TestNoncentralTIsStudents(t *testing.T) {
	for _, df := range []float64{1, 2, 7.5, 44, 999, 1e5, 1e6} {
		for _, x := range []float64{0.1, 1, 3, 6} {
			name := fmt.Sprintf("t = %g, %g degrees of freedom", x, df)
			ref.Relative(t, dist.StudentTTail(x, df), dist.NoncentralTTail(x, df, 0), 1e-10, name)
			ref.Relative(t, dist.StudentTTail(x, df), dist.NoncentralTCDF(-x, df, 0), 1e-10, name)
		}
		for _, delta := range []float64{-8, 0.3, 30} {
			ref.Relative(t, dist.NormalCDF(-delta), dist.NoncentralTCDF(0, df, delta), 1e-11, fmt.Sprint("t = 0, delta = ", delta))
		}
	}
	require.Equal(t, 1.0, dist.NoncentralTCDF(math.Inf(1), 3, 1))
	require.Zero(t, dist.NoncentralTCDF(math.Inf(-1), 3, 1))
	for _, f := range []func(){
		func() { dist.NoncentralTCDF(math.NaN(), 3, 1) }, func() { dist.NoncentralTTail(1, 0, 1) },
		func() { dist.NoncentralTQuantile(1, 3, 1) }, func() { dist.NoncentralTDelta(math.Inf(1), 3, 0.5) },
		func() { dist.NoncentralTCDF(1, 3, math.Inf(1)) },
	} {
		require.Panics(t, f)
	}
}

// Exact one-sided tolerance factor for n = 43, content 90 %, confidence 99 %: 1.8740 in the NIST/SEMATECH e-Handbook
// of Statistical Methods, 7.2.6.3.
func ExampleNoncentralTQuantile() {
	const n = 43
	z := dist.NormalQuantileUpper(0.10)
	fmt.Printf("%.4f\n", dist.NoncentralTQuantile(0.99, n-1, z*math.Sqrt(n))/math.Sqrt(n))
	// Output: 1.8740
}

// Exact lower 95 % confidence limit of a one-sided capability index observed as 1.33 on 50 values.
func ExampleNoncentralTDelta() {
	const n, cpu = 50, 1.33
	r := 3 * math.Sqrt(n)
	fmt.Printf("%.4f\n", dist.NoncentralTDelta(cpu*r, n-1, 0.95)/r)
	// Output: 1.0931
}

func BenchmarkNoncentralTCDF(b *testing.B) {
	for b.Loop() {
		dist.NoncentralTCDF(41, 99, 40)
	}
}

func BenchmarkNoncentralTDelta(b *testing.B) {
	for b.Loop() {
		dist.NoncentralTDelta(41, 99, 0.95)
	}
}
