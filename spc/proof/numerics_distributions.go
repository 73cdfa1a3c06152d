package proof

import (
	"fmt"
	"math"

	"sagwatch/spc/dist"
)

// tails is a line on a distribution; its values are pairs with relative tolerances.
func (r *run) tails(method, cases, source, by, note string, pairs []pair) {
	r.worst(Check{Section: Numerics, Method: method, Case: cases, Source: source, Origin: Computed, By: by, Relative: true, Note: note}, pairs)
}

// noncentralT are t, degrees of freedom, delta, P(T <= t), P(T > t): mpmath 1.2.1 (30 to 40 digits), quadrature of
// Phi(t s - delta), and of Phi(delta - t s), over the density of the chi distribution.
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

func (r *run) noncentralT() {
	const source = "Johnson, Kotz, Balakrishnan, Continuous Univariate Distributions 2 (1995), chapter 31"
	const by = "mpmath 1.2.1"
	const note = "quadrature over the chi distribution in 30 to 40 digits; scipy.stats.nct loses digits in the tails"
	var tails, quantiles, deltas []pair
	for _, c := range noncentralT {
		t, df, delta, cdf, tail := c[0], c[1], c[2], c[3], c[4]
		at := fmt.Sprintf("t = %g, %g degrees of freedom, delta = %g", t, df, delta)
		tails = append(tails, pair{cdf, dist.NoncentralTCDF(t, df, delta), 1e-11, at + ", lower"},
			pair{tail, dist.NoncentralTTail(t, df, delta), 1e-11, at + ", upper"})
		if tail < 0.9 && t > 0 && delta > 0 {
			quantiles = append(quantiles, pair{t, dist.NoncentralTQuantileUpper(tail, df, delta), 1e-10, at})
			deltas = append(deltas, pair{delta, dist.NoncentralTDeltaUpper(t, df, tail), 1e-9, at})
		}
	}
	const cases = "0.5 to 10^6 degrees of freedom, delta to 4000, tails to 1e-41"
	r.tails("Non-central t, both tails", cases, source, by, note, tails)
	r.tails("Non-central t, upper quantile", cases, source, by, note, quantiles)
	r.tails("Non-central t, non-centrality from a tail", cases, source, by, note, deltas)

	const page = "NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.3"
	z := dist.NormalQuantileUpper(0.10)
	t := dist.NoncentralTQuantile(0.99, 42, z*math.Sqrt(43))
	line := Check{Section: Numerics, Method: "Non-central t, quantile", Case: "99 %, 42 degrees of freedom, delta = 8.4037", Source: page,
		Origin: Published, Want: 12.28834, Got: t, Tol: 6e-5}
	r.add(line)
	line.Method, line.Case = "One-sided tolerance factor, exact", "n = 43, content 90 %, confidence 99 %"
	line.Want, line.Got, line.Tol = 1.8740, t/math.Sqrt(43), 5e-5
	r.add(line)
}

// classicalTails: values computed with mpmath 1.2.1, 50 digits, from the functions' definitions.
func (r *run) classicalTails() {
	const source = "Abramowitz and Stegun, Handbook of Mathematical Functions (1964), chapters 6 and 26"
	const by = "mpmath 1.2.1"
	r.tails("Normal tail", "x = 0.5 to 12", source, by, "", []pair{
		{3.08537538725986896362e-1, dist.NormalTail(0.5), 1e-13, "x = 0.5"}, {1.34989803163009452665e-3, dist.NormalTail(3), 1e-13, "x = 3"},
		{9.86587645037698140701e-10, dist.NormalTail(6), 1e-13, "x = 6"}, {1.77648211207767899770e-33, dist.NormalTail(12), 1e-13, "x = 12"},
	})
	var p []pair
	for _, c := range [][3]float64{
		{1, 1e6, 0.15865537491678906}, {5, 1e6, 2.8669989354453708e-7}, {6, 20001, 1.0035719650901696e-9},
		{20, 1e5, 4.1117469553271811e-89}, {2, 50000, 0.022752831522148715},
	} {
		p = append(p, pair{c[2], dist.StudentTTail(c[0], c[1]), 1e-11, fmt.Sprintf("t = %g, %g degrees of freedom", c[0], c[1])})
	}
	r.tails("Student's t, tail", "20 000 to 10^6 degrees of freedom, tails to 1e-89", source, by, "", p)
	p = nil
	for _, c := range [][4]float64{
		{9000, 1e4, 0.99999999999987302, 1.2697731705204421e-13}, {10500, 1e4, 0.00024794736798936085, 0.99975205263201064},
		{11000, 1e4, 3.6183295580964793e-12, 0.99999999999638167}, {990000, 1e6, 0.99999999999934998, 6.5001711800858377e-13},
		{1000000, 1e6, 0.4998119368033945, 0.5001880631966055}, {1010000, 1e6, 9.0685288232620769e-13, 0.99999999999909315},
		{203000, 2e5, 1.1736845137221691e-6, 0.99999882631548628},
	} {
		at := fmt.Sprintf("x = %g, %g degrees of freedom", c[0], c[1])
		p = append(p, pair{c[2], dist.ChiSquareTail(c[0], c[1]), 1e-11, at + ", upper"}, pair{c[3], dist.ChiSquareCDF(c[0], c[1]), 1e-11, at + ", lower"})
	}
	r.tails("Chi-square, both tails", "10^4 to 10^6 degrees of freedom, tails to 1e-13", source, by, "", p)
	p = nil
	for _, c := range [][4]float64{
		{8, 5, 1e6, 1.4938810963552223e-7}, {2.5, 40, 1e5, 4.8384255085891149e-7}, {0.01, 3, 1e5, 0.99863038491464432},
		{1.1, 1e4, 1e4, 9.4666664805257364e-7}, {1.02, 1e5, 1e6, 1.1446419107992737e-5}, {0.99, 1e5, 1e6, 0.98376286719866486},
		{30, 2, 1e6, 9.3660482833240682e-14}, {5, 200, 20, 6.1239016738542325e-5},
	} {
		p = append(p, pair{c[3], dist.FTail(c[0], c[1], c[2]), 1e-11, fmt.Sprintf("F = %g, %g and %g degrees of freedom", c[0], c[1], c[2])})
	}
	r.tails("F, tail", "2 to 10^6 degrees of freedom, tails to 1e-13", source, by, "", p)
	p = nil
	for _, c := range [][5]float64{
		{10, 3, 5, 0.29335135222254826, 0.70664864777745174}, {60, 3, 5, 6.3561529731358212e-8, 0.99999993643847027},
		{2, 4, 30, 0.99999765914443427, 2.3408555657266544e-6}, {400, 10, 300, 0.0073879384435902314, 0.99261206155640977},
		{120, 6, 20, 4.2226476835077566e-10, 0.99999999957773523},
	} {
		at := fmt.Sprintf("x = %g, %g degrees of freedom, lambda = %g", c[0], c[1], c[2])
		p = append(p, pair{c[3], dist.NoncentralChiSquareTail(c[0], c[1], c[2]), 1e-11, at + ", upper"},
			pair{c[4], dist.NoncentralChiSquareCDF(c[0], c[1], c[2]), 1e-11, at + ", lower"})
	}
	r.tails("Non-central chi-square, both tails", "lambda to 300", source, by, "", p)
	r.tails("Non-central F, tail", "lambda to 40", source, by, "", []pair{
		{0.082123079869165112, dist.NoncentralFTail(3, 3, 20, 0.5), 1e-11, "F = 3, 3 and 20"},
		{0.10728184935413458, dist.NoncentralFTail(8, 2, 40, 6), 1e-11, "F = 8, 2 and 40"},
		{0.99999723627125532, dist.NoncentralFTail(1, 5, 100, 40), 1e-11, "F = 1, 5 and 100"},
		{0.13966997692590429, dist.NoncentralFTail(2.5, 10, 12, 3), 1e-11, "F = 2.5, 10 and 12"},
	})
}

func (r *run) studentizedRange() {
	const source = "H. L. Harter, Annals of Mathematical Statistics 31 (1960), 1122-1147"
	var p []pair
	for _, c := range []struct {
		q, df, tail float64
		n           int
	}{
		{3.877, 10, 0.049987088753253084, 3}, {2, 5, 0.21643722926968534, 2}, {5, 3, 0.1098905971170735, 4},
		{6, 20, 0.01141516446170554, 10}, {4, 120, 0.35063284721817267, 20},
	} {
		p = append(p, pair{c.tail, dist.StudentizedRangeTail(c.q, c.n, c.df), 1e-10, fmt.Sprintf("q = %g, n = %d, %g degrees of freedom", c.q, c.n, c.df)})
	}
	r.tails("Studentised range, tail", "n = 2 to 20, 3 to 120 degrees of freedom", source, "SciPy 1.10.1", "", p)
	r.tails("Studentised range, far tail", "q = 8, n = 5, 60 degrees of freedom", source, "NumPy 1.24.2 (Gauss-Legendre quadrature)", "",
		[]pair{{4.4524375856317572e-06, dist.StudentizedRangeTail(8, 5, 60), 1e-11, ""}})
	r.add(Check{Section: Numerics, Method: "Studentised range, upper quantile", Case: "5 %, n = 3, 10 degrees of freedom", Source: source + ", table",
		Origin: Computed, By: "SciPy 1.10.1", Recalled: "3.877", Want: 3.876776750013158, Got: dist.StudentizedRangeQuantileUpper(0.05, 3, 10), Tol: 1e-10, Relative: true})
}

func (r *run) normalMaxima() {
	const by = "mpmath 1.2.1"
	var one, two []pair
	for _, c := range [][5]float64{
		{2.0, 3, 0.5, 0.057466548505471331, 0.11491377921456547}, {3.0, 10, 0.3, 0.012567328275500002, 0.025132775423066648},
		{5.0, 20, 0.9, 2.4582942332871522e-6, 4.9165884665743043e-6}, {1.0, 5, 0.99, 0.18776608935833368, 0.37553217871666737},
		{0.5, 4, 0.1, 0.73659836092149813, 0.9780017920570056}, {8.0, 6, 0.5, 3.7325495484615294e-15, 7.4650990969230588e-15},
	} {
		at := fmt.Sprintf("u = %g, m = %g, rho = %g", c[0], c[1], c[2])
		one = append(one, pair{c[3], dist.NormalMaximumTail(c[0], int(c[1]), c[2]), 1e-11, at})
		two = append(two, pair{c[4], dist.NormalMaximumAbsTail(c[0], int(c[1]), c[2]), 1e-11, at})
	}
	r.tails("Greatest of equally correlated normal variables, tail", "m = 3 to 20, rho = 0.1 to 0.99", "C. W. Dunnett, M. Sobel, Biometrika 42 (1955), 258-260", by, "", one)
	r.tails("Greatest absolute of equally correlated normal variables, tail", "m = 3 to 20, rho = 0.1 to 0.99", "C. W. Dunnett, M. Sobel, Biometrika 42 (1955), 258-260", by, "", two)
	two = nil
	for _, c := range [][3]float64{
		{0.7, 4, 0.82489212058123776}, {2, 4, 0.075353943331186043}, {3, 4, 0.0020981046827992752}, {4.5, 4, 8.1362955512373403e-7},
		{6, 4, 1.7048750064865301e-11}, {1.2, 6, 0.67555906694187}, {3, 6, 0.0060239088111766},
	} {
		two = append(two, pair{c[2], dist.MaxAbsDeviationTail(c[0], int(c[1])), 1e-11, fmt.Sprintf("u = %g, m = %g", c[0], c[1])})
	}
	r.tails("Greatest absolute deviation from the mean, tail", "m = 4 and 6, tails to 1e-11",
		"M. Halperin et al., Journal of the American Statistical Association 50 (1955), 185-195", by, "by convolution of sums of pairs, another route than ours", two)
	two = nil
	for _, c := range [][4]float64{
		{0, 0, 0.5, 0.33333333333333333}, {1, 2, 0.3, 0.0086878974147193056}, {3, 3, 0.9, 0.00061040438530377869},
		{-1, 2, -0.7, 0.0043147322107618683}, {4, 5, 0.99, 2.8665157187896793e-7}, {6, -6, 0.2, 9.8658764503761863e-10},
		{5, 5, -0.5, 3.4325734800351084e-25}, {2, 2.001, 0.9999, 0.022418103640199791},
	} {
		two = append(two, pair{c[3], dist.BivariateNormalUpper(c[0], c[1], c[2]), 1e-11, fmt.Sprintf("h = %g, k = %g, rho = %g", c[0], c[1], c[2])})
	}
	r.tails("Bivariate normal, upper quadrant", "rho = -0.7 to 0.9999, to 3e-25", "A. Genz, Statistics and Computing 14 (2004), 251-260", by,
		"by Plackett's integral over the correlation, another route than ours", two)
}

func (r *run) discreteLimits() {
	const by = "SciPy 1.10.1"
	failed := error(nil)
	var p []pair
	for _, c := range []struct {
		x, n         int
		lower, upper float64
	}{
		{10, 100, 0.04900468922148595, 0.17622259774002266},
		{0, 20, 0.0, 0.1684334709830853},
		{3, 500, 0.0012390575435407506, 0.017433673725913514},
		{990, 1000, 0.9816867569448875, 0.9951944893089507},
	} {
		lo, hi, err := dist.ClopperPearson(c.x, c.n, 0.025)
		if err != nil {
			failed = err
		}
		at := fmt.Sprintf("%d of %d", c.x, c.n)
		p = append(p, pair{c.lower, lo, 1e-10, at + ", lower"}, pair{c.upper, hi, 1e-10, at + ", upper"})
	}
	line := Check{Section: Numerics, Method: "Exact limits of a proportion", Case: "95 %", Source: "C. J. Clopper, E. S. Pearson, Biometrika 26 (1934), 404-413",
		Origin: Computed, By: by, Relative: true, Trouble: trouble(failed), Note: "by quantiles of the beta distribution"}
	r.worst(line, p)
	p = nil
	for _, c := range []struct {
		x            int
		lower, upper float64
	}{
		{0, 0.0, 3.6888794541139363},
		{1, 0.025317807984289876, 5.571643390938898},
		{10, 4.7953886961324335, 18.390356042017775},
		{150, 126.95616130124488, 176.0171660970745},
	} {
		lo, hi, err := dist.PoissonLimits(c.x, 0.025)
		if err != nil {
			failed = err
		}
		at := fmt.Sprintf("count %d", c.x)
		p = append(p, pair{c.lower, lo, 1e-10, at + ", lower"}, pair{c.upper, hi, 1e-10, at + ", upper"})
	}
	line.Method, line.Source, line.Note = "Exact limits of a Poisson mean", "F. Garwood, Biometrika 28 (1936), 437-442", "by quantiles of chi-square"
	line.Trouble = trouble(failed)
	r.worst(line, p)
	p = nil
	add := func(at string, want, got int) { p = append(p, pair{float64(want), float64(got), 0.5, at}) }
	add("n = 50, p = 0.02, lower", 0, dist.BinomialQuantile(0.00135, 50, 0.02))
	add("n = 50, p = 0.02, upper", 5, dist.BinomialQuantileUpper(0.00135, 50, 0.02))
	add("n = 200, p = 0.1, lower", 8, dist.BinomialQuantile(0.00135, 200, 0.1))
	add("n = 200, p = 0.1, upper", 34, dist.BinomialQuantileUpper(0.00135, 200, 0.1))
	add("n = 1000, p = 0.003, lower", 0, dist.BinomialQuantile(0.00135, 1000, 0.003))
	add("n = 1000, p = 0.003, upper", 9, dist.BinomialQuantileUpper(0.00135, 1000, 0.003))
	add("mean 0.5, lower", 0, dist.PoissonQuantile(0.00135, 0.5))
	add("mean 0.5, upper", 4, dist.PoissonQuantileUpper(0.00135, 0.5))
	add("mean 4, lower", 0, dist.PoissonQuantile(0.00135, 4))
	add("mean 4, upper", 11, dist.PoissonQuantileUpper(0.00135, 4))
	add("mean 19.85, lower", 8, dist.PoissonQuantile(0.00135, 19.85))
	add("mean 19.85, upper", 34, dist.PoissonQuantileUpper(0.00135, 19.85))
	r.worst(Check{Section: Numerics, Method: "Binomial and Poisson quantiles", Case: "0.00135 on each side", Source: "Abramowitz and Stegun (1964), 26.5.24, 26.4.21",
		Origin: Computed, By: by}, p)
}
