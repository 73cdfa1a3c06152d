package proof

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"

	"sagwatch/spc/gaugestudy"
)

const (
	scipyNumPy = "SciPy 1.10.1"
	scipyAndR  = "SciPy 1.10.1, NumPy 1.24.2; R 4.2.2 aov"
	byMemory   = "formula from memory"
)

func gaugeChecks(r *run) {
	singleMasterChecks(r)
	crossedChecks(r)
	agreementChecks(r)
	kappaChecks(r)
	resistivityChecks(r)
	calibrationChecks(r)
	decisionChecks(r)
	riskChecks(r)
	budgetChecks(r)
	linearityChecks(r)
	halfTurnChecks(r)
	halfTurnDriftChecks(r)
}

// remembered are values as remembered, by name.
type remembered []struct {
	Name  string  `json:"name"`
	Value float64 `json:"value"`
}

func (l remembered) of(name string) string {
	for _, v := range l {
		if v.Name == name {
			return shown(v.Value) + " (from memory)"
		}
	}
	return ""
}

func singleMasterChecks(r *run) {
	var f struct {
		Data      []float64
		Reference float64
		Tolerance float64
		Computed  map[string]float64
	}
	r.json("gauge/single_master.json", &f)
	m, err := gaugestudy.SingleMaster(f.Data, gaugestudy.SingleMasterOptions{Reference: f.Reference, Tolerance: f.Tolerance})
	add := func(what string, want, got, tol float64) {
		r.add(Check{Section: Gauge, Method: "Single-master study", Case: "25 readings, " + what, Source: "ISO 22514-7 (Cg, Cgk)",
			Origin: Computed, By: scipyNumPy, Want: want, Got: got, Tol: tol, Relative: true, Trouble: trouble(err), Note: byMemory + "; data invented for the check"})
	}
	c := f.Computed
	add("mean", c["mean"], m.Mean, 1e-12)
	add("standard deviation", c["sd"], m.SD, 1e-11)
	add("bias", c["bias"], m.Bias, 1e-11)
	add("t of the bias", c["t_bias"], m.T, 1e-10)
	add("p of the bias", c["p_bias"], m.P, 1e-10)
	add("Cg", c["Cg"], m.Cg, 1e-11)
	add("Cgk", c["Cgk"], m.Cgk, 1e-10)
	// stats.t.interval, stats.chi2.ppf and stats.nct.cdf solved for the non-centrality, on the data of the file.
	add("bias, lower 95 % limit", 0.0005330819646648184, m.BiasInterval.Lower, 1e-9)
	add("bias, upper 95 % limit", 0.0017869180353326168, m.BiasInterval.Upper, 1e-9)
	add("Cg, lower 95 % limit (chi-square)", 1.5776537303348532, m.CgInterval.Lower, 1e-10)
	add("Cg, upper 95 % limit (chi-square)", 2.8108051528802895, m.CgInterval.Upper, 1e-10)
	add("Cgk, lower 95 % limit (non-central t)", 1.3780470158600422, m.CgkInterval.Lower, 1e-9)
	add("Cgk, upper 95 % limit (non-central t)", 2.499218851750707, m.CgkInterval.Upper, 1e-9)
}

func crossedChecks(r *run) {
	var f struct {
		Cases []struct {
			ID        string
			Dims      [3]int
			Data      []float64
			Computed  map[string]json.RawMessage
			Ranges    map[string]float64 `json:"average_range"`
			Published remembered
		}
	}
	r.json("gauge/crossed_grr.json", &f)
	sources := map[string]string{
		"montgomery_runger_1993": "D. C. Montgomery, G. C. Runger, Quality Engineering 6(2) (1993), 289-305: 20 parts, 3 operators, 2 readings",
		"msa_manual_example":     "reference manual on measurement systems analysis of the automotive trade: 10 parts, 3 appraisers, 3 trials",
	}
	never, always := 1.0, 0.0
	for _, c := range f.Cases {
		y, plain := cube(c.Data, c.Dims), scalars(c.Computed)
		with, err := gaugestudy.Crossed(y, gaugestudy.StudyOptions{PoolAbove: &never})
		without, err2 := gaugestudy.Crossed(y, gaugestudy.StudyOptions{PoolAbove: &always})
		line := func(s gaugestudy.Study, i int) gaugestudy.MeanSquare {
			if i < len(s.Analysis) {
				return s.Analysis[i]
			}
			return gaugestudy.MeanSquare{}
		}
		add := func(what, name string, want, got float64, trouble string) {
			r.add(Check{Section: Gauge, Method: "Crossed study, analysis of variance", Case: what, Source: sources[c.ID], Origin: Computed, By: scipyAndR,
				Recalled: c.Published.of(name), Want: want, Got: got, Tol: 2e-10, Relative: true, Trouble: trouble,
				Note: "data from memory, they give the published sums of squares; ndc here with 1.41 for sqrt 2 as in the source"})
		}
		for i, name := range []string{"part", "operator", "interaction", "error"} {
			l := line(with, i)
			add("sum of squares, "+name, "ss_"+name, plain["ss_"+name], l.SS, trouble(err))
			add("mean square, "+name, "ms_"+name, plain["ms_"+name], l.MS, trouble(err))
			if name != "error" {
				add("F, "+name, "f_"+name, plain["f_"+name], l.F, trouble(err))
				add("p, "+name, "p_"+name, plain["p_"+name], l.P, trouble(err))
			}
		}
		for _, k := range []struct {
			what  string
			want  map[string]float64
			study gaugestudy.Study
			err   error
		}{{"with_interaction", object(c.Computed["with_interaction"]), with, err}, {"without_interaction", object(c.Computed["without_interaction"]), without, err2}} {
			s := k.study
			for _, v := range []struct {
				name string
				got  float64
			}{{"var_repeat", s.Repeat.Variance}, {"var_operator", s.Appraiser.Variance}, {"var_part", s.Part.Variance}, {"ev", s.Repeat.SD},
				{"av", s.Reproduce.SD}, {"grr", s.Gauge.SD}, {"pv", s.Part.SD}, {"tv", s.Total.SD}, {"pct_grr_tv", s.Gauge.PercentStudy}, {"ndc", s.Distinct * 1.41 / math.Sqrt2}} {
				add(strings.ReplaceAll(k.what, "_", " ")+", "+v.name, k.what+"."+v.name, k.want[v.name], v.got, trouble(k.err))
			}
		}
		if c.ID == "montgomery_runger_1993" {
			crossedLimitChecks(r, y, sources[c.ID])
		}
		if ranges := c.Ranges; ranges != nil {
			a, err := gaugestudy.AverageRange(y, gaugestudy.StudyOptions{}, &gaugestudy.RangeConstants{K1: ranges["K1"], K2: ranges["K2"], K3: ranges["K3"]})
			for _, v := range []struct {
				name string
				got  float64
			}{{"Rbar", a.MeanRange}, {"Xdiff", a.AppraiserRange}, {"Rp", a.PartRange}, {"EV", a.Repeatability}, {"AV", a.Reproducibility},
				{"GRR", a.Gauge}, {"PV", a.Part}, {"TV", a.Total}, {"pct_GRR", a.PercentStudy}, {"ndc", a.Distinct * 1.41 / math.Sqrt2}} {
				r.add(Check{Section: Gauge, Method: "Crossed study, averages and ranges", Case: v.name, Source: sources[c.ID], Origin: Computed, By: "NumPy 1.24.2",
					Recalled: c.Published.of("average_range." + v.name), Want: ranges[v.name], Got: v.got, Tol: 1e-11, Relative: true, Trouble: trouble(err),
					Note: "with the rounded factors K1 to K3 of the printed table; ndc with 1.41 for sqrt 2; some recalled values come from rounded means"})
			}
			exact := gaugestudy.ConstantsFor(c.Dims[0], c.Dims[1], c.Dims[2])
			for _, v := range []struct {
				name     string
				got      float64
				recalled float64
			}{{"K1", exact.K1, ranges["K1"]}, {"K2", exact.K2, ranges["K2"]}, {"K3", exact.K3, ranges["K3"]}} {
				r.add(Check{Section: Gauge, Method: "Factors 1/d2* of averages and ranges", Case: v.name + ", exact against the printed table", Source: sources[c.ID],
					Origin: Memory, Want: v.recalled, Got: v.got, Tol: 6e-5, Note: "table from memory"})
			}
		}
	}
}

// crossedLimitChecks compare limits worked out from the mean squares of the case and SciPy's chi2 and f quantiles.
func crossedLimitChecks(r *run, y [][][]float64, source string) {
	never := 1.0
	s, err := gaugestudy.Crossed(y, gaugestudy.StudyOptions{PoolAbove: &never})
	w, err2 := gaugestudy.Crossed(y, gaugestudy.StudyOptions{PoolAbove: &never, Intervals: gaugestudy.Satterthwaite})
	if err == nil {
		err = err2
	}
	for _, v := range []struct {
		what         string
		lower, upper float64
		got          gaugestudy.Interval
	}{
		{"parts", 2.427899938991914, 4.6970430712688565, s.Part.SDInterval},
		{"gauge", 0.8286355347244898, 1.4723109535216248, s.Gauge.SDInterval},
		{"whole study", 2.5998211805814666, 4.795950144487437, s.Total.SDInterval},
		{"distinct categories", 2.9693545502678518, 7.252647595321012, s.DistinctCI},
		{"gauge, Satterthwaite", 0.8170265938998776, 1.0820816352869473, w.Gauge.SDInterval},
	} {
		for _, end := range []struct {
			name      string
			want, got float64
		}{{"lower", v.lower, v.got.Lower}, {"upper", v.upper, v.got.Upper}} {
			r.add(Check{Section: Gauge, Method: "Crossed study, 95 % limits", Case: v.what + ", " + end.name, Source: source + "; limits: R. K. Burdick, G. A. Larsen, J. Quality Technology 29 (1997)",
				Origin: Computed, By: scipyNumPy, Want: end.want, Got: end.got, Tol: 1e-8, Relative: true, Trouble: trouble(err),
				Note: byMemory + "; quantiles and mean squares by SciPy; coverage is tested by simulation"})
		}
	}
}

// object decodes an object of numbers.
func object(raw json.RawMessage) map[string]float64 {
	var m map[string]float64
	if err := json.Unmarshal(raw, &m); err != nil {
		panic(err)
	}
	return m
}

// scalars are the plain numbers of an object.
func scalars(raw map[string]json.RawMessage) map[string]float64 {
	m := map[string]float64{}
	for name, v := range raw {
		var x float64
		if json.Unmarshal(v, &x) == nil {
			m[name] = x
		}
	}
	return m
}

// cube makes parts x appraisers x trials of values in that order.
func cube(data []float64, dims [3]int) [][][]float64 {
	if len(data) != dims[0]*dims[1]*dims[2] {
		panic(fmt.Errorf("%d readings for a study of %v", len(data), dims))
	}
	var out [][][]float64
	for part := range slices.Chunk(data, dims[1]*dims[2]) {
		out = append(out, slices.Collect(slices.Chunk(part, dims[2])))
	}
	return out
}

func agreementChecks(r *run) {
	var f struct {
		Large     []float64 `json:"large_meter"`
		Mini      []float64 `json:"mini_meter"`
		Computed  map[string]float64
		Published remembered
	}
	r.json("gauge/bland_altman.json", &f)
	source := "J. M. Bland, D. G. Altman, Lancet i (1986), 307-310: 17 pairs"
	two, err := gaugestudy.LimitsOfAgreement(f.Large, f.Mini, gaugestudy.AgreementOptions{Z: 2})
	usual, err2 := gaugestudy.LimitsOfAgreement(f.Large, f.Mini, gaugestudy.AgreementOptions{})
	add := func(what, name string, want, got, tol float64) {
		t := trouble(err)
		if t == "" {
			t = trouble(err2)
		}
		r.add(Check{Section: Gauge, Method: "Limits of agreement of two gauges", Case: what, Source: source, Origin: Computed, By: scipyNumPy,
			Recalled: f.Published.of(name), Want: want, Got: got, Tol: tol, Relative: true, Trouble: t, Note: "data from memory"})
	}
	c := f.Computed
	add("mean difference", "mean_difference", c["mean_difference"], two.Mean, 1e-11)
	add("standard deviation", "sd", c["sd"], two.SD, 1e-11)
	add("lower limit, 2 sd", "lower_2sd", c["lower_2sd"], two.Lower, 1e-11)
	add("upper limit, 2 sd", "upper_2sd", c["upper_2sd"], two.Upper, 1e-11)
	exact, err3 := gaugestudy.LimitsOfAgreement(f.Large, f.Mini, gaugestudy.AgreementOptions{Z: 1.959963984540054})
	if err == nil {
		err = err3
	}
	add("lower limit, exact 95 % factor", "", c["lower_196"], exact.Lower, 1e-11)
	add("upper limit, exact 95 % factor", "", c["upper_196"], exact.Upper, 1e-11)
	add("correlation", "correlation", c["correlation"], usual.Correlation, 1e-11)
	// mean + sd stats.nct.ppf(0.025 and 0.975, 16, 1.96 sqrt(17)) / sqrt(17); stats.linregress of differences on means.
	add("exact interval of the upper limit, lower end", "", 48.860767069911276, usual.UpperInterval.Lower, 1e-9)
	add("exact interval of the upper limit, upper end", "", 119.9275336668272, usual.UpperInterval.Upper, 1e-9)
	add("trend of the differences", "", 0.02868744515254922, usual.Trend, 1e-10)
	add("p of the trend", "", 0.7494985336493291, usual.PTrend, 1e-10)

	var d struct {
		Fits []struct {
			Ratio     float64 `json:"ratio_var_y_over_var_x"`
			Slope     float64
			Intercept float64
		}
	}
	r.json("gauge/deming.json", &d)
	deming := func(what string, want, got, tol float64, err error) {
		r.add(Check{Section: Gauge, Method: "Deming regression", Case: what, Source: "W. E. Deming, Statistical Adjustment of Data (1943); data of Bland and Altman 1986",
			Origin: Computed, By: "SciPy 1.10.1 (closed form; repeated with scipy.odr)", Want: want, Got: got, Tol: tol, Relative: true, Trouble: trouble(err)})
	}
	for _, fit := range d.Fits {
		g, err := gaugestudy.Deming(f.Large, f.Mini, fit.Ratio, 0)
		deming(fmt.Sprintf("ratio %g, slope", fit.Ratio), fit.Slope, g.Slope, 1e-11, err)
		deming(fmt.Sprintf("ratio %g, intercept", fit.Ratio), fit.Intercept, g.Intercept, 1e-11, err)
		if fit.Ratio == 1 { // scipy.odr refitted with each pair left out
			deming("ratio 1, jackknife error of the slope", 0.13901704264103926, g.SESlope, 1e-6, err)
			deming("ratio 1, jackknife error of the intercept", 69.47951142346646, g.SEIntercept, 1e-6, err)
		}
	}
}

func kappaChecks(r *run) {
	var f struct {
		Fleiss []struct {
			ID       string
			Counts   [][]int
			Computed struct {
				PBar  float64   `json:"P_bar"`
				PE    float64   `json:"P_e"`
				Kappa float64   `json:"kappa"`
				Each  []float64 `json:"kappa_j"`
				Null  float64   `json:"se_null_fleiss_nee_landis_1979"`
				Z     float64   `json:"z"`
			}
			Published remembered
		}
		Cohen []struct {
			ID        string
			Table     [][]int
			Computed  map[string]float64
			Published remembered
		}
	}
	r.json("gauge/agreement.json", &f)
	for i, c := range f.Fleiss {
		k, err := gaugestudy.FleissKappa(c.Counts, 0)
		source := "J. L. Fleiss, Psychological Bulletin 76 (1971), 378-382, table 1"
		if i > 0 {
			source = "widely reproduced teaching example, 10 subjects and 14 raters"
		}
		add := func(what, name string, want, got, tol float64) {
			r.add(Check{Section: Gauge, Method: "Agreement of many inspectors (Fleiss)", Case: what, Source: source, Origin: Computed, By: "NumPy 1.24.2",
				Recalled: c.Published.of(name), Want: want, Got: got, Tol: tol, Relative: true, Trouble: trouble(err), Note: "table from memory"})
		}
		add("observed agreement", "P_bar", c.Computed.PBar, k.Overall.Observed, 1e-11)
		add("chance agreement", "P_e", c.Computed.PE, k.Overall.Chance, 1e-11)
		add("kappa", "kappa", c.Computed.Kappa, k.Overall.Kappa, 1e-11)
		add("standard error without agreement", "", c.Computed.Null, k.Overall.SENull, 1e-11)
		add("z", "", c.Computed.Z, k.Overall.Z, 1e-11)
		// kappa of the table with each subject left out: sqrt((N-1)/N sum (k - mean k)^2)
		add("standard error, jackknife", "", []float64{0.05505472096528359, 0.10055702324497184}[i], k.Overall.SE, 1e-11)
		for j, want := range c.Computed.Each {
			got := 0.0
			if j < len(k.Category) {
				got = k.Category[j].Kappa.Kappa
			}
			add(fmt.Sprintf("kappa of category %d", j+1), "", want, got, 1e-10)
		}
	}
	for i, c := range f.Cohen {
		k, err := gaugestudy.CohenKappa(c.Table, 0)
		add := func(what, name string, want, got float64) {
			r.add(Check{Section: Gauge, Method: "Agreement of two inspectors (Cohen)", Case: c.ID + ", " + what, Source: "J. Cohen, Educational and Psychological Measurement 20 (1960), 37-46",
				Origin: Computed, By: "NumPy 1.24.2", Recalled: c.Published.of(name), Want: want, Got: got, Tol: 1e-11, Relative: true, Trouble: trouble(err)})
		}
		add("observed agreement", "", c.Computed["po"], k.Overall.Observed)
		add("chance agreement", "", c.Computed["pe"], k.Overall.Chance)
		add("kappa", "kappa", c.Computed["kappa"], k.Overall.Kappa)
		// delta method with complex-step derivatives of kappa in the cell shares
		add("standard error", "", []float64{0.12699606293110036, 0.07212745929334066}[i], k.Overall.SE)
	}
}
