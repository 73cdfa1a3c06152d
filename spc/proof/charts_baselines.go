package proof

import (
	"fmt"
	"math"

	"sagwatch/spc/chart"
	"sagwatch/spc/dist"
)

const handbookTitle = "NIST/SEMATECH e-Handbook of Statistical Methods, "

// recomputed is a check against a value that SciPy gave from the published data, beside the printed one as remembered.
func recomputed(method, what, source, recalled string, want, got, tol float64, err error) Check {
	return Check{Section: Charts, Method: method, Case: what, Source: source, Origin: Computed, By: sciPy, Recalled: recalled, Want: want, Got: got, Tol: tol, Trouble: trouble(err)}
}

// read is a check against a value read in the handbook.
func read(method, what, source string, v handbookValue, got float64, err error) Check {
	return Check{Section: Charts, Method: method, Case: what, Source: source, Origin: Published, Want: v.value, Got: got, Tol: v.tol, Trouble: trouble(err)}
}

func baselineChecks(r *run) {
	ind := r.handbookExample("individuals_6_3_2_2")
	source := handbookTitle + "6.3.2.2, data from memory"
	i, err := chart.Individuals(ind.Inline.X, chart.IndividualsOptions{})
	r.add(recomputed("Individuals chart", "flow rates, mean", source, "50.81", 50.81, i.Limits.Centre, 1e-12, err))
	r.add(recomputed("Individuals chart", "flow rates, mean moving range", source, "1.8778", 1.8777777777777784, i.MeanMovingRange, 1e-12, err))
	c := recomputed("Individuals chart", "flow rates, upper limit", source, "55.8041", 55.80241168005054, i.Limits.Upper, 1e-11, err)
	c.Note = "the page divides by the rounded d2 = 1.128; with 2/sqrt(pi) the limit lies 0.0017 lower"
	r.add(c)

	check := r.handbookExample("checkstd_2_6_2")
	rows := r.csv("handbook/checkstd_2_6_2.csv")
	source = handbookTitle + "2.6.2, check standard for resistivity"
	i, err = chart.Individuals(numbers(rows, "check_std"), chart.IndividualsOptions{From: chart.Overall, Width: chart.Width{K: 2}})
	r.add(read("Individuals chart at 2 sigma", "centre", source, check.values["center"], i.Limits.Centre, err))
	r.add(read("Individuals chart at 2 sigma", "lower limit", source, check.values["lcl"], i.Limits.Lower, err))
	r.add(read("Individuals chart at 2 sigma", "upper limit", source, check.values["ucl"], i.Limits.Upper, err))
	r.add(read("Individuals chart at 2 sigma", "standard deviation", source, check.values["s2"], i.Limits.Sigma, err))

	df := make([]int, len(rows))
	for j := range rows {
		df[j] = int(parse(rows[j]["df"]))
	}
	pooled, total, err := chart.PooledSD(numbers(rows, "stddev"), df)
	r.add(read("Precision chart of a check standard", "pooled standard deviation", source, check.values["s1"], pooled, err))
	limit, err := chart.PooledSDLimit(pooled, total, 5, 0.05)
	r.add(read("Precision chart of a check standard", "upper limit at 0.05", source, check.values["ucl_s"], limit, err))
	r.add(read("Precision chart of a check standard", "F quantile", source, check.values["f_0.95_5_125"], limit*limit/pooled/pooled, err))

	heat := r.handbookExample("heatflow_1_3_5_2")
	x := r.column("handbook/heatflow_zarr13.csv", "y")
	source = handbookTitle + "1.3.5.2, heat flow meter"
	i, err = chart.Individuals(x, chart.IndividualsOptions{From: chart.Overall})
	r.add(read("Individuals chart", "heat flow, mean", source, heat.values["mean"], i.Limits.Centre, err))
	r.add(read("Individuals chart", "heat flow, standard deviation", source, heat.values["sd"], i.SigmaOverall, err))
	// The page's t test that the mean is 5, and its critical value.
	n := float64(len(x))
	r.add(read("Mean of values", "heat flow, t for a mean of 5", source, heat.values["t for mean 5"], (i.Limits.Centre-5)*math.Sqrt(n)/i.SigmaOverall, err))
	r.add(read("Mean of values", "Student's t, 97.5 %, 194 degrees of freedom", source, heat.values["t_0.975_194"], dist.StudentTQuantileUpper(0.025, n-1), err))

	var lew struct {
		Data []float64 `json:"data"`
	}
	r.json("strd/uni_Lew.json", &lew)
	runs := r.handbookExample("runs_1_3_5_13")
	test, err := chart.RunsTest(lew.Data)
	source = handbookTitle + "1.3.5.13, beam deflections (StRD set Lew)"
	r.add(read("Runs test for randomness", "statistic", source, runs.values["Z"], test.Z, err))
	r.add(read("Runs test for randomness", "p-value", source, runs.values["p"], test.P, err))

	gearChecks(r)

	machines := groupsBy(r.csv("handbook/machines_3_2_3_1.csv"), "machine", "diameter")
	source = handbookTitle + "3.2.3.1, diameters by machine (data only)"
	mr, err := chart.MeanRange(machines, chart.Width{})
	r.add(recomputed("Mean and range chart", "five machines, sigma from ranges", source, "", 0.0022356658857007185, mr.SigmaWithin, 1e-14, err))
	ms, err := chart.MeanSD(machines, chart.Width{})
	r.add(recomputed("Mean and standard deviation chart", "five machines, sigma", source, "", 0.0023190976028909078, ms.SigmaWithin, 1e-14, err))

	mass := r.column("handbook/mass_check_2_3_5.csv", "y")
	source = handbookTitle + "2.3.5, mass check standard (data only)"
	i, err = chart.Individuals(mass, chart.IndividualsOptions{})
	r.add(recomputed("Individuals chart", "217 mass checks, mean", source, "", -19.464519170506914, i.Limits.Centre, 1e-12, err))
	r.add(recomputed("Individuals chart", "217 mass checks, sigma from moving ranges", source, "", 0.027695124797714944, i.SigmaWithin, 1e-13, err))
	points, err := chart.EWMA(mass, chart.EWMASettings{Target: -19.4783427, Sigma: 0.03054286621250116, Lambda: 0.2})
	if err == nil {
		c := recomputed("EWMA chart", "217 mass checks, last average", source, "", -19.434078043382385, points[216].Z, 1e-11, nil)
		c.Note = "signal.lfilter; target and sigma from the first 100 values"
		r.add(c)
		r.add(recomputed("EWMA chart", "217 mass checks, upper limit at the 100th", source, "", -19.4477998337875, points[99].Limits.Upper, 1e-11, nil))
	} else {
		r.add(recomputed("EWMA chart", "217 mass checks", source, "", 0, 0, 0, err))
	}
}

// gearChecks holds the subgroup charts against ten batches of ten gears.
func gearChecks(r *run) {
	gears := groupsBy(r.csv("handbook/gear.csv"), "batch", "diameter")
	source := handbookTitle + "1.4.2, gear diameters (data only)"
	upper := func(s chart.SubgroupResult) (float64, error) { l, err := s.MeanLimits(10); return l.Upper, err }
	mr, err := chart.MeanRange(gears, chart.Width{})
	r.add(recomputed("Mean and range chart", "10 batches of gears, sigma from ranges", source, "", 0.005881386800261288, mr.SigmaWithin, 1e-14, err))
	u, err := upper(mr)
	r.add(recomputed("Mean and range chart", "10 batches of gears, upper limit of means", source, "", 1.0032195734267828, u, 1e-13, err))
	ms, err := chart.MeanSD(gears, chart.Width{})
	r.add(recomputed("Mean and standard deviation chart", "10 batches of gears, sigma", source, "", 0.005739860073604653, ms.SigmaWithin, 1e-14, err))
	u, err = upper(ms)
	r.add(recomputed("Mean and standard deviation chart", "10 batches of gears, upper limit of means", source, "", 1.0030853093849759, u, 1e-13, err))
	md, err := chart.MedianRange(gears, chart.Width{})
	r.add(recomputed("Median and range chart", "10 batches of gears, centre", source, "", 0.9977, md.Centre, 1e-13, err))
	bw, err := chart.BetweenWithin(gears, chart.BetweenWithinOptions{})
	r.add(recomputed("Between/within chart", "10 batches of gears, sigma of means", source, "", 0.0029737836831859217, bw.Means.Limits.Sigma, 1e-14, err))
	r.add(recomputed("Between/within chart", "10 batches of gears, variance between", source, "", 5.548790027926745e-06, bw.VarBetween, 1e-16, err))
	bw, err = chart.BetweenWithin(gears, chart.BetweenWithinOptions{From: chart.Overall})
	r.add(recomputed("Between/within chart", "10 batches of gears, variance between, all variation of the means", source, "", 4.8058450779885244e-06, bw.VarBetween, 1e-16, err))
}

func ewmaCUSUMChecks(r *run) {
	e := r.handbookExample("ewma_6_3_2_4")
	source := handbookTitle + "6.3.2.4, data from memory"
	points, err := chart.EWMA(e.Inline.X, chart.EWMASettings{Target: 50, Sigma: 2.0539, Lambda: 0.3})
	want := []float64{50.6, 49.52, 50.564, 50.184799999999996, 50.15935999999999, 49.21155199999999, 49.74808639999999, 49.853660479999995,
		50.25756233599999, 50.33029363519999, 50.111205544639986, 49.35784388124799, 49.52049071687359, 50.05434350181151, 49.37804045126805,
		49.92462831588763, 50.72723982112134, 51.22906787478493, 51.94034751234945, 51.988243258644616}
	var z, recalled []pair
	for i, w := range want {
		got := math.NaN()
		if err == nil && i < len(points) {
			got = points[i].Z
		}
		name := fmt.Sprintf("ewma[%d]", i+1)
		z = append(z, pair{w, got, 1e-11, name})
		recalled = append(recalled, pair{e.values[name].value, got, e.values[name].tol, name})
	}
	r.worst(Check{Section: Charts, Method: "EWMA chart", Case: "20 averages", Source: source, Origin: Computed, By: sciPy, Note: "signal.lfilter"}, z)
	r.worst(Check{Section: Charts, Method: "EWMA chart", Case: "20 averages as printed", Source: source, Origin: Memory}, recalled)
	steady, err := chart.NewEWMA(chart.EWMASettings{Target: 50, Sigma: 2.0539, Lambda: 0.3, Steady: true})
	var p chart.EWMAPoint
	if err == nil {
		p, err = steady.Step(52)
	}
	c := recomputed("EWMA chart", "steady upper limit", source, "52.5884", 52.588431738126616, p.Limits.Upper, 1e-11, err)
	c.Note = "the page rounds the factor to 0.4201"
	r.add(c)

	s := r.handbookExample("cusum_6_3_2_3")
	source = handbookTitle + "6.3.2.3, data from memory"
	hi := []float64{0, 0, 0, 0, 0.032500000000022844, 0, 0, 0, 0, 0, 0, 0, 3.0074999999999887, 4.939999999999989, 7.447499999999978, 10.629999999999978,
		11.98749999999999, 14.444999999999965, 16.002499999999966, 19.03499999999999}
	lo := []float64{0, 0.007499999999988627, 0, 0.33249999999997726, 0, 0, 0.5575, 0.7150000000000227, 0.1725, 0.25499999999997724, 0.31249999999997724,
		0, 0, 0, 0, 0, 0, 0, 0, 0}
	const sigma = 0.635
	sums, err := chart.CUSUM(s.Inline.X, chart.CUSUMSettings{Target: 325, Sigma: sigma, K: 0.5, H: 4.1959 / sigma})
	var upper, lower, printed []pair
	first := 0.0
	for i := range hi {
		gotHi, gotLo := math.NaN(), math.NaN()
		if err == nil && i < len(sums) {
			gotHi, gotLo = sums[i].Hi*sigma, sums[i].Lo*sigma
			if first == 0 && sums[i].Side == chart.Above {
				first = float64(i + 1)
			}
		}
		nameHi, nameLo := fmt.Sprintf("S_hi[%d]", i+1), fmt.Sprintf("S_lo[%d]", i+1)
		upper = append(upper, pair{hi[i], gotHi, 1e-10, nameHi})
		lower = append(lower, pair{lo[i], gotLo, 1e-10, nameLo})
		printed = append(printed, pair{s.values[nameHi].value, gotHi, s.values[nameHi].tol, nameHi}, pair{s.values[nameLo].value, gotLo, s.values[nameLo].tol, nameLo})
	}
	check := Check{Section: Charts, Method: "Tabular CUSUM", Case: "20 upper sums", Source: source, Origin: Computed, By: "NumPy 1.24.2", Note: "the plain sum less its running minimum, by cumsum and minimum.accumulate"}
	r.worst(check, upper)
	check.Case = "20 lower sums"
	r.worst(check, lower)
	r.worst(Check{Section: Charts, Method: "Tabular CUSUM", Case: "40 sums as printed", Source: source, Origin: Memory}, printed)
	c = recomputed("Tabular CUSUM", "first signal", source, "14", 14, first, 0, err)
	c.By, c.Note = "NumPy 1.24.2", "the first of the sums computed above that is over h = 4.1959"
	r.add(c)

	qChecks(r)
}

// qChecks holds Q values of a run with neither mean nor standard deviation known against SciPy's t and normal distributions.
func qChecks(r *run) {
	want := []float64{-0.46624894678777223, 1.3197199164546736, 1.5847545368766716, -1.6470998781003738, -0.40346604003104675, 0.5427739570791219,
		0.09617772144908922, -0.04616586772755257, -0.0814603767980838, 1.4826886295455464, 1.1003394104595077, -1.161647448931449, 1.6595089809373975,
		0.013460732184896993, 0.9086069774418131, 0.6230231773899043, 0.28083335004917725, -1.9433095537089164, -0.604527271476292, 0.0711186491587029,
		-0.10854205174375177, 1.531362226000355, 0.11656062842995517}
	points, err := chart.QChart(r.column("handbook/checkstd_2_6_2.csv", "check_std"))
	var pairs []pair
	for i, w := range want {
		got := math.NaN()
		if err == nil && i+2 < len(points) && points[i+2].Ready {
			got = points[i+2].Q
		}
		pairs = append(pairs, pair{w, got, 1e-9, fmt.Sprintf("value %d", i+3)})
	}
	r.worst(Check{Section: Charts, Method: "Q chart, nothing known", Case: "23 values of the check standard", Source: "Quesenberry 1991, J. Quality Technology 23(3); data " + handbookTitle + "2.6.2",
		Origin: Computed, By: sciPy, Note: "stats.t and stats.norm; formula from memory"}, pairs)
}
