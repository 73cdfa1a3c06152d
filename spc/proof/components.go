package proof

import (
	"strconv"

	"sagwatch/spc/components"
)

const (
	byLme4      = "R 4.2.2, lme4 1.1-31"
	byRlm       = "R 4.2.2 anova of lm"
	noteLme4    = "lmer, bobyqa with rhoend 1e-10; tolerance: how near its search comes to the maximum"
	nestedTitle = "NIST/SEMATECH e-Handbook of Statistical Methods, "
)

// Yields of dyestuff and assays of penicillin, as in the data sets Dyestuff, Dyestuff2 and Penicillin of lme4.
var (
	dyestuff   = []float64{1545, 1440, 1440, 1520, 1580, 1540, 1555, 1490, 1560, 1495, 1595, 1550, 1605, 1510, 1560, 1445, 1440, 1595, 1465, 1545, 1595, 1630, 1515, 1635, 1625, 1520, 1455, 1450, 1480, 1445}
	dyestuff2  = []float64{7.298, 3.846, 2.434, 9.566, 7.990, 5.220, 6.556, 0.608, 11.788, -0.892, 0.110, 10.386, 13.434, 5.510, 8.166, 2.212, 4.852, 7.092, 9.288, 4.980, 0.282, 9.014, 4.458, 9.446, 7.198, 1.722, 4.782, 8.106, 0.758, 3.758}
	penicillin = []float64{
		27, 23, 26, 23, 23, 21, 27, 23, 26, 23, 23, 21, 25, 21, 25, 24, 24, 20, 26, 23, 25, 23, 23, 20, 25, 22, 26, 22, 23, 20, 24, 22, 25, 23, 22, 19, 24, 20, 23, 21, 22, 19, 26, 22, 26, 24, 24, 21,
		24, 21, 24, 22, 22, 20, 24, 21, 24, 23, 22, 19, 26, 23, 26, 24, 24, 21, 25, 22, 26, 24, 24, 20, 26, 24, 26, 24, 25, 22, 26, 23, 26, 23, 23, 20, 26, 23, 25, 24, 24, 22, 25, 22, 25, 23, 23, 20,
		25, 21, 24, 23, 23, 20, 25, 22, 24, 23, 23, 19, 24, 21, 23, 21, 21, 19, 26, 23, 26, 24, 24, 21, 25, 21, 24, 22, 22, 18, 25, 22, 25, 22, 22, 20, 24, 21, 24, 22, 24, 19, 24, 21, 24, 22, 21, 18}
)

const (
	daviesYield      = "O. L. Davies, P. L. Goldsmith (eds.), Statistical Methods in Research and Production, 4th ed. (1972) (data set Dyestuff of lme4)"
	boxTiaoYield     = "G. E. P. Box, G. C. Tiao, Bayesian Inference in Statistical Analysis (1973) (data set Dyestuff2 of lme4)"
	daviesPenicillin = "O. L. Davies, P. L. Goldsmith (eds.), Statistical Methods in Research and Production, 4th ed. (1972) (data set Penicillin of lme4)"
)

func componentChecks(r *run) {
	furnaceChecks(r)
	lithographyChecks(r)
	oneWayFitChecks(r)
	crossedFitChecks(r)
	profileChecks(r)
}

// nestedRows reads the levels and values of a nested data file, leaving out every drop-th row, the first one included; 0
// for none.
func (r *run) nestedRows(path, outer, inner, value string, drop int) (levels [][]int, y []float64) {
	for i, row := range r.csv(path) {
		if drop > 0 && i%drop == 0 {
			continue
		}
		a, err := strconv.Atoi(row[outer])
		if err != nil {
			panic(err)
		}
		b, err := strconv.Atoi(row[inner])
		if err != nil {
			panic(err)
		}
		levels, y = append(levels, []int{a, b}), append(y, parse(row[value]))
	}
	return levels, y
}

// componentLines is a row of checks of one result against one source.
type componentLines struct {
	r    *run
	base Check
}

func (l componentLines) add(what string, want, got, tol float64) {
	c := l.base
	c.Section, c.Case, c.Want, c.Got, c.Tol, c.Relative = Capability, c.Case+", "+what, want, got, tol, true
	l.r.add(c)
}

// fit compares a likelihood fit; components in their order.
func (l componentLines) fit(res *components.Result, want []float64, mean, se, log, tol float64) {
	if res == nil {
		res = &components.Result{Components: make([]components.Component, len(want))}
	}
	for i, v := range want {
		name := res.Components[i].Name
		if v == 0 {
			c := l.base
			c.Section, c.Case, c.Got = Capability, c.Case+", variance of "+name+", on the bound", res.Components[i].Variance
			l.r.add(c)
			continue
		}
		l.add("variance of "+name, v, res.Components[i].Variance, tol)
	}
	l.add("mean", mean, res.Mean, tol)
	l.add("standard error of the mean", se, res.MeanSE, tol)
	l.add("log likelihood", log, res.LogLikelihood, 1e-11)
}

func furnaceChecks(r *run) {
	const path = "handbook/furnace_3_5_1.csv"
	e := r.handbookExample("furnace_3_5_1")
	levels, y := r.nestedRows(path, "run", "zone", "thickness", 0)
	o := components.Options{Names: []string{"run", "zone"}, Residual: "within"}
	a, err := components.Nested(levels, y, o)
	if err != nil {
		a = &components.Result{Table: make([]components.MeanSquare, 3), Components: make([]components.Component, 3)}
	}
	t, c := a.Table, a.Components
	for _, v := range []struct {
		name string
		got  float64
	}{
		{"ss_run", t[0].SS}, {"ss_zone", t[1].SS}, {"ss_within", t[2].SS}, {"ss_total", t[0].SS + t[1].SS + t[2].SS},
		{"ms_run", t[0].MS}, {"ms_zone", t[1].MS}, {"ms_within", t[2].MS}, {"f_run", t[0].F}, {"f_zone", t[1].F}, {"p_zone", t[1].P},
		{"var_run", c[0].Variance}, {"var_zone", c[1].Variance}, {"var_within", c[2].Variance},
		{"pct_run", 100 * c[0].Share}, {"pct_zone", 100 * c[1].Share}, {"pct_within", 100 * c[2].Share},
	} {
		want := e.values[v.name]
		r.add(Check{Section: Capability, Method: "Variance components, nested", Case: "furnace, " + v.name, Source: nestedTitle + "3.5.1.4",
			Origin: Published, Want: want.value, Got: v.got, Tol: want.tol, Trouble: trouble(err)})
	}
	// ((c_i MS_i)^2 / df_i) and scipy.stats.chi2 on the mean squares of the file's data.
	o.Interval = components.Satterthwaite
	s, err := components.Nested(levels, y, o)
	if err != nil {
		s = &components.Result{Table: make([]components.MeanSquare, 3), Components: make([]components.Component, 3)}
	}
	l := componentLines{r, Check{Method: "Variance components, nested", Case: "furnace", Source: nestedTitle + "3.5.1.4; Satterthwaite (1946)", Origin: Computed, By: scipyNumPy, Trouble: trouble(err)}}
	l.add("p of run", 1.3939030444929372e-07, s.Table[0].P, 1e-10)
	l.add("variance of run, lower 95 % limit (Satterthwaite)", 164.6231683451584, s.Components[0].Interval.Lower, 1e-9)
	l.add("variance of run, upper 95 % limit (Satterthwaite)", 807.3865038681847, s.Components[0].Interval.Upper, 1e-9)
	l.add("variance within, lower 95 % limit (chi-square)", 91.28725072005669, s.Components[2].Interval.Lower, 1e-9)
	l.add("variance within, upper 95 % limit (chi-square)", 167.74085934969276, s.Components[2].Interval.Upper, 1e-9)
	f, err := components.FitNested(levels, y, components.Options{Names: o.Names})
	l.base = Check{Method: "Variance components, REML", Case: "furnace", Source: nestedTitle + "3.5.1 (data)", Origin: Computed, By: byLme4, Note: noteLme4, Trouble: trouble(err)}
	l.fit(f, []float64{312.556921609281, 225.382942932052, 120.892856760495}, 563.035714285734, 4.27625929342886, -721.191005265172, 1e-6)
}

func lithographyChecks(r *run) {
	const path = "handbook/lithography_6_6_1.csv"
	e := r.handbookExample("lithography_6_6_1")
	levels, y := r.nestedRows(path, "cassette", "wafer", "linewidth", 0)
	o := components.Options{Names: []string{"cassette", "wafer"}, Residual: "site"}
	f, err := components.FitNested(levels, y, o)
	l := componentLines{r, Check{Method: "Variance components, REML", Case: "lithography", Source: nestedTitle + "6.6.1 (data)", Origin: Computed, By: byLme4, Note: noteLme4, Trouble: trouble(err)}}
	l.fit(f, []float64{0.2645237762957205, 0.0499703912933735, 0.1754962341689669}, 2.53228434444453, 0.0988062620043412, -322.748680449438, 1e-6)
	a, err := components.Nested(levels, y, o)
	if err != nil {
		a = &components.Result{Table: make([]components.MeanSquare, 3), Components: make([]components.Component, 3)}
	}
	// anova(lm(linewidth ~ cassette/wafer)) and the components from its mean squares.
	for _, v := range []struct {
		name      string
		want, got float64
	}{
		{"ss_cassette", 127.4029317088791, a.Table[0].SS}, {"ss_wafer", 25.5208902961857, a.Table[1].SS}, {"ss_site", 63.1786451118748, a.Table[2].SS},
		{"ms_cassette", 4.393204541685487, a.Table[0].MS}, {"ms_wafer", 0.425348171603095, a.Table[1].MS}, {"ms_site", 0.175496236421874, a.Table[2].MS},
		{"var_cassette", 0.2645237580054928, a.Components[0].Variance}, {"var_wafer", 0.0499703870362442, a.Components[1].Variance},
		{"var_site", 0.1754962364218744, a.Components[2].Variance},
	} {
		r.add(Check{Section: Capability, Method: "Variance components, nested", Case: "lithography, " + v.name, Source: nestedTitle + "6.6.1.3",
			Origin: Computed, By: byRlm, Recalled: shown(e.values[v.name].value) + " (from memory)", Want: v.want, Got: v.got, Tol: 1e-11, Relative: true,
			Trouble: trouble(err), Note: "the data were read, the printed table remembered"})
	}
	// Unbalanced: rows 1, 8, 15, ... left out.
	levels, y = r.nestedRows(path, "cassette", "wafer", "linewidth", 7)
	a, err = components.Nested(levels, y, o)
	if err != nil {
		a = &components.Result{Table: make([]components.MeanSquare, 3), Components: make([]components.Component, 3)}
	}
	l.base = Check{Method: "Variance components, Henderson 1", Case: "lithography less every 7th row", Source: nestedTitle + "6.6.1 (data)", Origin: Computed, By: byRlm, Trouble: trouble(err)}
	l.add("SS of cassette", 113.7625558101940, a.Table[0].SS, 1e-11)
	l.add("SS of wafer", 23.2717151265722, a.Table[1].SS, 1e-11)
	l.add("SS of site", 52.0911942380830, a.Table[2].SS, 1e-11)
	l.base.By, l.base.Note = scipyNumPy, "expectations as traces of full projection matrices, numpy.linalg.svd"
	l.add("variance of cassette", 0.27521398, a.Components[0].Variance, 3e-8)
	l.add("variance of wafer", 0.04963845, a.Components[1].Variance, 2e-7)
	l.add("F of cassette, against a combination", 10.031913355560448, a.Table[0].F, 1e-10)
	l.add("degrees of freedom against it (Satterthwaite)", 59.1934041970026, a.Table[0].DFAgainst, 1e-10)
	f, err = components.FitNested(levels, y, o)
	l.base = Check{Method: "Variance components, REML", Case: "lithography less every 7th row", Source: nestedTitle + "6.6.1 (data)", Origin: Computed, By: byLme4, Note: noteLme4, Trouble: trouble(err)}
	l.fit(f, []float64{0.2752609880346066, 0.0495031347319756, 0.1764422640882018}, 2.53033911867635, 0.100927933961801, -283.289215297737, 1e-6)
	o.Estimator = components.ML
	f, err = components.FitNested(levels, y, o)
	l.base.Method, l.base.Trouble = "Variance components, ML", trouble(err)
	l.fit(f, []float64{0.2650777601142947, 0.0495001936328228, 0.1764431983215304}, 2.53034587826428, 0.099231930596245, -281.906283960832, 1e-6)
}

func oneWayFitChecks(r *run) {
	levels := make([][]int, len(dyestuff))
	for i := range levels {
		levels[i] = []int{i / 5}
	}
	o := components.Options{Names: []string{"batch"}, Interval: components.Profile}
	f, err := components.FitNested(levels, dyestuff, o)
	l := componentLines{r, Check{Method: "Variance components, REML", Case: "yields of 6 batches", Source: daviesYield, Origin: Computed, By: byLme4, Note: noteLme4, Trouble: trouble(err)}}
	l.fit(f, []float64{1764.04996796472, 2451.25000694256}, 1527.5, 19.3834120205621, -159.827138421129, 1e-6)
	if err != nil {
		f = &components.Result{Components: make([]components.Component, 2)}
	}
	l.base.By, l.base.Note = scipyNumPy, "closed-form likelihood of balanced groups, optimize.minimize_scalar inside optimize.brentq"
	l.add("variance of batch, lower 95 % limit (profile)", 245.14782516128366, f.Components[0].Interval.Lower, 1e-7)
	l.add("variance of batch, upper 95 % limit (profile)", 10214.361409686322, f.Components[0].Interval.Upper, 1e-7)
	l.add("residual variance, lower 95 % limit (profile)", 1461.5423283939253, f.Components[1].Interval.Lower, 1e-7)
	l.add("residual variance, upper 95 % limit (profile)", 4577.5606873275265, f.Components[1].Interval.Upper, 1e-7)
	o.Estimator = components.ML
	f, err = components.FitNested(levels, dyestuff, o)
	l.base = Check{Method: "Variance components, ML", Case: "yields of 6 batches", Source: daviesYield, Origin: Computed, By: byLme4, Note: noteLme4, Trouble: trouble(err)}
	l.fit(f, []float64{1388.33338323472, 2451.24998471866}, 1527.5, 17.6945536826941, -163.663529940568, 1e-6)
	f, err = components.FitNested(levels, dyestuff2, components.Options{Names: o.Names})
	l.base = Check{Method: "Variance components, REML", Case: "yields of 6 batches, invented by Box and Tiao", Source: boxTiaoYield, Origin: Computed, By: byLme4, Note: noteLme4, Trouble: trouble(err)}
	l.fit(f, []float64{0, 13.8063096275862}, 5.6656, 0.678388031232524, -80.9141389061442, 1e-6)
}

func crossedFitChecks(r *run) {
	var a, b, ka, kb []int
	var kept []float64
	for i, v := range penicillin {
		a, b = append(a, i/6), append(b, i%6)
		if k := i + 1; k%5 != 0 && k%7 != 3 {
			ka, kb, kept = append(ka, i/6), append(kb, i%6), append(kept, v)
		}
	}
	o := components.Options{Names: []string{"plate", "sample"}}
	for _, c := range []struct {
		what, method  string
		a, b          []int
		y             []float64
		estimator     components.Method
		want          []float64
		mean, se, log float64
	}{
		{"24 plates crossed with 6 samples", "REML", a, b, penicillin, components.REML, []float64{0.716908139486440, 3.730916350623240, 0.302415469903567}, 22.9722222222228, 0.808573232106765, -165.430294495543},
		{"99 of the 144 cells", "REML", ka, kb, kept, components.REML, []float64{0.718003860844236, 3.976777219167582, 0.313682161152187}, 23.0229467658454, 0.83423092112061, -124.59031663055},
		{"99 of the 144 cells", "ML", ka, kb, kept, components.ML, []float64{0.715746861418803, 3.338927772079783, 0.313745525634713}, 23.0229450236308, 0.767814801776245, -125.285167986966},
	} {
		cells, err := components.Cells(c.a, c.b, c.y)
		if err != nil {
			panic(err)
		}
		o.Estimator = c.estimator
		f, err := components.FitCrossed(cells, o)
		l := componentLines{r, Check{Method: "Variance components, " + c.method, Case: c.what, Source: daviesPenicillin, Origin: Computed, By: byLme4, Note: noteLme4, Trouble: trouble(err)}}
		l.fit(f, c.want, c.mean, c.se, c.log, 2e-6)
	}
	// The furnace's zones taken as crossed with its runs, rows 1, 6, 11, ... left out.
	levels, y := r.nestedRows("handbook/furnace_3_5_1.csv", "run", "zone", "thickness", 5)
	a, b = a[:0], b[:0]
	for _, l := range levels {
		a, b = append(a, l[0]), append(b, l[1])
	}
	cells, err := components.Cells(a, b, y)
	if err != nil {
		panic(err)
	}
	o = components.Options{Names: []string{"run", "zone"}, Interaction: true}
	h, err := components.Crossed(cells, o)
	if err != nil {
		h = &components.Result{Table: make([]components.MeanSquare, 4), Components: make([]components.Component, 4)}
	}
	l := componentLines{r, Check{Method: "Variance components, Henderson 3", Case: "furnace, crossed, less every 5th row", Source: nestedTitle + "3.5.1 (data)", Origin: Computed, By: byRlm, Trouble: trouble(err)}}
	l.add("SS of run after zone", 46660.3722060071, h.Table[0].SS, 1e-11)
	l.add("SS of zone after run", 1040.45394779473, h.Table[1].SS, 1e-10)
	l.add("SS of the interaction", 29651.06986172906, h.Table[2].SS, 1e-11)
	l.add("SS of the residual", 6828, h.Table[3].SS, 1e-11)
	l.base.By, l.base.Note = scipyNumPy, "expectations as traces of full projection matrices, numpy.linalg.svd"
	l.add("variance of run", 282.75999668, h.Components[0].Raw, 1e-9)
	l.add("variance of zone, negative before it is set to zero", -5.4289973, h.Components[1].Raw, 1e-7)
	l.add("variance of the interaction", 232.03042378, h.Components[2].Raw, 1e-9)
	f, err := components.FitCrossed(cells, o)
	l.base = Check{Method: "Variance components, REML", Case: "furnace, crossed with interaction, less every 5th row", Source: nestedTitle + "3.5.1 (data)", Origin: Computed, By: byLme4, Note: noteLme4, Trouble: trouble(err)}
	l.fit(f, []float64{288.746013468854, 0, 232.751777405418, 140.740788531235}, 562.730401742788, 4.20216308639209, -587.664333123631, 2e-6)
}
