package proof

import (
	"fmt"
	"math"

	"sagwatch/spc/chart"
)

func attributeChecks(r *run) {
	counts := r.handbookExample("counts_6_3_3_1")
	source := handbookTitle + "6.3.3.1, defects on 25 wafers"
	var defects []chart.Defects
	for _, c := range r.column("handbook/counts_6_3_3_1.csv", "defects") {
		defects = append(defects, chart.Defects{Count: int(c), Area: 1})
	}
	three, err := chart.DefectChart(chart.CountOf, defects, chart.AttributeOptions{})
	l := limitsOf(three, 1, &err)
	for _, v := range []struct {
		name string
		want float64
		got  float64
	}{{"cbar", 16, l.Centre}, {"ucl", 28, l.Upper}, {"lcl", 4, l.Lower}} {
		c := recomputed("c chart", v.name, source, fmt.Sprint(counts.values[v.name].value), v.want, v.got, 1e-13, err)
		c.By, c.Note = "NumPy 1.24.2", "mean and mean ± 3 sqrt(mean)"
		r.add(c)
	}
	r.add(recomputed("c chart, dispersion test", "statistic", source, "", 37.875, three.Dispersion.Statistic, 1e-12, err))
	c := recomputed("c chart, dispersion test", "p-value", source, "", 0.0357080891904075, three.Dispersion.P, 1e-12, err)
	c.Note = "stats.chisquare of the counts"
	r.add(c)
	adjusted, err := chart.DefectChart(chart.CountPerArea, defects, chart.AttributeOptions{Adjusted: true})
	c = recomputed("u chart, adjusted form", "dispersion factor", "Laney 2002, Quality Engineering 14(4); data "+source, "", 1.3201088577056708, adjusted.SigmaZ, 1e-12, err)
	c.Note = "formula from memory"
	r.add(c)

	proportions := r.handbookExample("proportions_6_3_3_2")
	source = handbookTitle + "6.3.3.2, 30 wafers of 50 chips"
	var rejects []chart.Rejects
	for _, p := range r.column("handbook/proportions_6_3_3_2.csv", "fraction_defective") {
		rejects = append(rejects, chart.Rejects{Rejected: int(math.Round(50 * p)), Inspected: 50})
	}
	p, err := chart.RejectChart(chart.Proportion, rejects, chart.AttributeOptions{})
	l = limitsOf(p, 50, &err)
	r.add(read("p chart", "mean proportion", source, proportions.values["pbar"], p.Level, err))
	for _, v := range []struct {
		name, say string
		want, got float64
	}{{"ucl", "0.4102", 0.41023911859473844, l.Upper}, {"lcl", "0.0524", 0.05242754807192823, l.Lower}} {
		c := recomputed("p chart", v.name, source, v.say, v.want, v.got, 1e-13, err)
		c.By, c.Note = "NumPy 1.24.2", "mean ± 3 sqrt(mean (1 - mean) / 50)"
		r.add(c)
	}
	r.add(recomputed("p chart, dispersion test", "statistic", source, "", 85.40931937984108, p.Dispersion.Statistic, 1e-10, err))
	c = recomputed("p chart, dispersion test", "p-value", source, "", 1.8210951359819366e-07, p.Dispersion.P, 1e-9, err)
	c.Relative, c.Note = true, "stats.chi2_contingency of the 2 x 30 table, without correction"
	r.add(c)
	p, err = chart.RejectChart(chart.Proportion, rejects, chart.AttributeOptions{Adjusted: true})
	l = limitsOf(p, 50, &err)
	c = recomputed("p chart, adjusted form", "dispersion factor", "Laney 2002, Quality Engineering 14(4); data "+source, "", 1.6603086218728396, p.SigmaZ, 1e-12, err)
	c.Note = "formula from memory"
	r.add(c)
	c.Case, c.Want, c.Got, c.Trouble = "upper limit", 0.5283721511057751, l.Upper, trouble(err)
	r.add(c)

	countLimitChecks(r)
	intervalChecks(r)
}

// limitsOf gives the limits for a size; a refusal goes to err unless there is one.
func limitsOf(a chart.AttributeResult, size float64, err *error) chart.Limits {
	l, e := a.Limits(size)
	if *err == nil {
		*err = e
	}
	return l
}

// countLimitChecks holds exact limits of counts against SciPy's quantiles: binom.ppf, binom.isf and the same of poisson.
func countLimitChecks(r *run) {
	var binomial, poisson []pair
	shown := func(l chart.Limits, err error) (lower, upper float64) {
		if err != nil {
			return math.NaN(), math.NaN()
		}
		return l.Lower, l.Upper
	}
	for _, c := range []struct {
		n            int
		p, a         float64
		lower, upper float64
	}{
		{50, 0.2313333333333333, 0.0027, 4, 21}, {50, 0.2313333333333333, 0.002, 3, 21}, {50, 0.2313333333333333, 0.05, 6, 18},
		{50, 0.02, 0.0027, 0, 5}, {50, 0.02, 0.002, 0, 5}, {50, 0.02, 0.05, 0, 3}, {100, 0.05, 0.0027, 0, 13}, {100, 0.05, 0.002, 0, 13},
		{100, 0.05, 0.05, 1, 10}, {1000, 0.003, 0.0027, 0, 9}, {1000, 0.003, 0.002, 0, 10}, {1000, 0.003, 0.05, 0, 7}, {20, 0.5, 0.0027, 4, 16},
		{20, 0.5, 0.002, 3, 17}, {20, 0.5, 0.05, 6, 14}, {400, 0.15, 0.0027, 40, 82}, {400, 0.15, 0.002, 39, 83}, {400, 0.15, 0.05, 46, 74},
	} {
		lo, hi := shown(chart.RejectLimits(chart.NumberOf, c.n, c.p, chart.Width{Probability: c.a}))
		what := fmt.Sprintf("n = %d, p = %.4g, probability %g", c.n, c.p, c.a)
		binomial = append(binomial, pair{c.lower, lo, 1e-9, "lower, " + what}, pair{c.upper, hi, 1e-9, "upper, " + what})
	}
	for _, c := range []struct{ mean, a, lower, upper float64 }{
		{0.5, 0.0027, 0, 4}, {0.5, 0.002, 0, 4}, {0.5, 0.05, 0, 2}, {2, 0.0027, 0, 7}, {2, 0.002, 0, 8}, {2, 0.05, 0, 5}, {4, 0.0027, 0, 11},
		{4, 0.002, 0, 11}, {4, 0.05, 1, 8}, {16, 0.0027, 5, 29}, {16, 0.002, 5, 30}, {16, 0.05, 9, 24}, {45.3, 0.0027, 27, 67}, {45.3, 0.002, 26, 67},
		{45.3, 0.05, 33, 59}, {1000, 0.0027, 906, 1096}, {1000, 0.002, 904, 1099}, {1000, 0.05, 938, 1062},
	} {
		lo, hi := shown(chart.DefectLimits(chart.CountOf, 1, c.mean, chart.Width{Probability: c.a}))
		what := fmt.Sprintf("mean %g, probability %g", c.mean, c.a)
		poisson = append(poisson, pair{c.lower, lo, 1e-9, "lower, " + what}, pair{c.upper, hi, 1e-9, "upper, " + what})
	}
	r.worst(Check{Section: Charts, Method: "np chart, probability limits", Case: "18 binomial distributions", Source: "binomial distribution", Origin: Computed, By: sciPy, Note: "stats.binom.ppf and isf; 0 means no lower limit"}, binomial)
	r.worst(Check{Section: Charts, Method: "c chart, probability limits", Case: "18 Poisson distributions", Source: "Poisson distribution", Origin: Computed, By: sciPy, Note: "stats.poisson.ppf and isf; 0 means no lower limit"}, poisson)
}

func intervalChecks(r *run) {
	var times, panels []pair
	for _, c := range []struct {
		r                       int
		a, lower, centre, upper float64
	}{
		{1, 0.0027, 0.0013509120709562737, 0.6931471805599455, 6.607650686531799}, {1, 0.05, 0.025317807984289876, 0.6931471805599455, 3.6888794541139363},
		{2, 0.0027, 0.052883556241241976, 1.6783469900166612, 8.900206279798558}, {2, 0.05, 0.24220927854396496, 1.6783469900166612, 5.571643390938898},
		{5, 0.0027, 0.7918737864551385, 4.670908882795985, 14.39239277169892}, {5, 0.05, 1.6234863901184207, 4.670908882795985, 10.241588675403696},
	} {
		l, err := chart.TimeLimits(c.r, 1, chart.Width{Probability: c.a})
		if err != nil {
			l.Lower = math.NaN()
		}
		what := fmt.Sprintf("%d rejects, probability %g", c.r, c.a)
		times = append(times, pair{c.lower, l.Lower, 1e-10, "lower, " + what}, pair{c.centre, l.Centre, 1e-10, "centre, " + what}, pair{c.upper, l.Upper, 1e-10, "upper, " + what})
	}
	for _, c := range []struct {
		r                          int
		p, a, lower, centre, upper float64
	}{
		{1, 0.001, 0.0027, 2, 693, 6605}, {1, 0.001, 0.05, 26, 693, 3688}, {1, 0.02, 0.0027, 0, 35, 328}, {1, 0.02, 0.05, 2, 35, 183},
		{3, 0.01, 0.0027, 23, 268, 1083}, {3, 0.01, 0.05, 63, 268, 720},
	} {
		l, err := chart.PanelLimits(c.r, c.p, chart.Width{Probability: c.a})
		if err != nil {
			l.Lower = math.NaN()
		}
		what := fmt.Sprintf("%d rejects, p = %g, probability %g", c.r, c.p, c.a)
		panels = append(panels, pair{c.lower, l.Lower, 1e-9, "lower, " + what}, pair{c.centre, l.Centre, 1e-9, "centre, " + what}, pair{c.upper, l.Upper, 1e-9, "upper, " + what})
	}
	r.worst(Check{Section: Charts, Method: "Time between rejects, probability limits", Case: "gamma distribution", Source: "waiting times of a Poisson process", Origin: Computed, By: sciPy, Relative: true, Note: "stats.gamma"}, times)
	r.worst(Check{Section: Charts, Method: "Panels between rejects, probability limits", Case: "negative binomial distribution", Source: "waiting times of Bernoulli trials", Origin: Computed, By: sciPy,
		Note: "stats.nbinom, shifted by the rejects themselves; a lower limit at the least possible count is none and shown as 0"}, panels)
}
