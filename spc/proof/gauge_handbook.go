package proof

import (
	"fmt"
	"math"
	"slices"

	"sagwatch/spc/gaugestudy"
)

// handbookLine adds a value read in the handbook.
func (r *run) handbookLine(e handbookExample, method, section, name string, got float64, err error, note string) {
	v, ok := e.values[name]
	if !ok {
		panic(fmt.Errorf("handbook/published.json has no value %q", name))
	}
	// Half a unit of the last printed place and a trace for its binary form.
	r.add(Check{Section: Gauge, Method: method, Case: name, Source: "NIST/SEMATECH e-Handbook of Statistical Methods, " + section, Origin: Published,
		Want: v.value, Got: got, Tol: v.tol + 1e-12*math.Abs(v.value), Trouble: trouble(err), Note: note})
}

func resistivityChecks(r *run) {
	const method, section, probe = "Levels of a gauge study", "2.6.1", "2362"
	e := r.handbookExample("resistivity_2_6_1")
	rows := r.csv("handbook/resistivity_gauge_2_6_1.csv")
	wafers, probes := []string{"138", "139", "140", "141", "142"}, []string{"1", "281", "283", "2062", probe}
	study := make([][][]gaugestudy.Occasion, 2)
	means := make([][][]float64, 2)
	for k, run := range []string{"1", "2"} {
		for _, wafer := range wafers {
			var days []gaugestudy.Occasion
			row := make([]float64, len(probes))
			for i, p := range probes {
				n := 0.0
				for _, m := range rows {
					if m["run"] != run || m["wafer"] != wafer || m["probe"] != p {
						continue
					}
					o := gaugestudy.Occasion{Mean: parse(m["average"]), SD: parse(m["stddev"])}
					row[i] += o.Mean
					n++
					if p == probe {
						days = append(days, o)
					}
				}
				row[i] /= n
			}
			study[k], means[k] = append(study[k], days), append(means[k], row)
		}
	}
	l, err := gaugestudy.Levels(study, 6)
	if err != nil {
		r.add(Check{Section: Gauge, Method: method, Case: "refused", Source: section, Origin: Published, Want: 0, Got: 1, Trouble: trouble(err)})
		return
	}
	add := func(name string, got float64, note string) { r.handbookLine(e, method, section, name, got, nil, note) }
	const rounded = "the source works from inputs rounded to 4 or 5 decimals"
	add("s1_run1", l.Level1Run[0], "")
	add("s1_run2", l.Level1Run[1], "")
	add("s1_pooled", l.Level1, "")
	add("s2_run1", l.Level2Run[0], "")
	add("s2_run2", l.Level2Run[1], "")
	add("s2_pooled", l.Level2, "")
	add("s3", l.Level3, "")
	add("mean138_run1", l.Means[0][0], "")
	add("sd138_run1", l.SDs[0][0], "")
	add("mean138_run2", l.Means[1][0], "")
	add("sd138_run2", l.SDs[1][0], "")
	add("mean142_run2", l.Means[1][4], "")
	add("s_days", l.DaysAlone, rounded)
	add("s_runs", l.RunsAlone, rounded)
	b, err := gaugestudy.InstrumentBias(means, slices.Index(probes, probe))
	if err != nil {
		r.add(Check{Section: Gauge, Method: "Bias of a probe among five", Case: "refused", Source: section, Origin: Published, Want: 0, Got: 1, Trouble: trouble(err)})
		return
	}
	for _, v := range []struct {
		name string
		got  float64
	}{{"bias_run1", b.Run[0]}, {"bias_run2", b.Run[1]}, {"bias_overall", b.Mean}, {"s_probe", b.SD}} {
		r.handbookLine(e, "Bias of a probe among five", "2.6.1.4", v.name, v.got, nil, "")
	}
	inputs, err := l.Contributions(1, 1, 6)
	inputs = append(inputs, gaugestudy.Input{Name: "probe", U: b.SD, Sensitivity: 1 / math.Sqrt(b.DF+1), DF: b.DF})
	u, err2 := gaugestudy.Combine(inputs, gaugestudy.BudgetOptions{WholeDF: true})
	if err == nil {
		err = err2
	}
	const budget = "Uncertainty of a gauge from its levels"
	r.handbookLine(e, budget, "2.6.1.6", "u", u.U, err, rounded)
	r.handbookLine(e, budget, "2.6.1.6", "dof_u", math.Round(u.DF), err, "the source rounds the degrees of freedom to a whole number")
	r.handbookLine(e, budget, "2.6.1.6", "expanded_U95", u.Expanded, err, "")

	third := r.handbookExample("probe_level3_2_4_4_3")
	for i, w := range wafers {
		r.handbookLine(third, "Level-3 standard deviations", "2.4.4.3", "s3_"+w, l.Level3Artefact[i], nil, rounded)
	}
	r.handbookLine(third, "Level-3 standard deviations", "2.4.4.3", "s3_pooled", l.Level3, nil, rounded)

	wiring := r.handbookExample("resistivity_wiring_2_6_3")
	for run := 1; run <= 2; run++ {
		column := func(w string) []float64 {
			return r.column("handbook/resistivity_wiring_2_6_3.csv", fmt.Sprint(w, run))
		}
		p, err := gaugestudy.Paired(column("a"), column("b"), 0)
		note := ""
		if run == 2 {
			note = "the source prints 30 degrees of freedom for 30 pairs; 29 is right"
		}
		for _, v := range []struct {
			name string
			got  float64
		}{{"mean", p.Mean}, {"sd", p.SD}, {"t", p.T}} {
			r.handbookLine(wiring, "Difference of two wirings, paired t", "2.6.1.5", fmt.Sprintf("run%d_%s", run, v.name), v.got, err, note)
		}
	}

	e = r.handbookExample("checkstd_2_6_2")
	const file = "handbook/checkstd_2_6_2.csv"
	c, err := gaugestudy.CheckStandard(r.column(file, "check_std"), r.column(file, "stddev"), 5, gaugestudy.CheckStandardOptions{})
	var all []pair
	for _, v := range []struct {
		name string
		got  float64
	}{{"s1", c.Level1}, {"s2", c.Level2}, {"f_0.95_5_125", c.F}, {"ucl_s", c.UpperSD}, {"center", c.Centre}, {"lcl", c.Lower}, {"ucl", c.Upper}} {
		w := e.values[v.name]
		all = append(all, pair{want: w.value, got: v.got, tol: w.tol, what: v.name})
	}
	r.worst(Check{Section: Gauge, Method: "Control of a gauge by a check standard", Case: "levels, centre and limits", Trouble: trouble(err),
		Source: "NIST/SEMATECH e-Handbook of Statistical Methods, 2.6.2", Origin: Published}, all)
}

func calibrationChecks(r *run) {
	e := r.handbookExample("calibration_2_3_6_7")
	const method = "Calibration line"
	const file = "handbook/calibration_line_2_3_6.csv"
	line, err := gaugestudy.Calibration(r.column(file, "c1"), r.column(file, "c2"))
	add := func(name string, got float64, err error, note string) {
		r.handbookLine(e, method, "2.3.6.7", name, got, err, note)
	}
	add("intercept", line.Intercept, err, "")
	add("slope", line.Slope, err, "")
	add("se_intercept", line.SEIntercept, err, "")
	add("se_slope", line.SESlope, err, "")
	rounded := line
	rounded.Intercept, rounded.Slope = 0.2357, 0.9870
	const days = "handbook/linewidth_control_2_3_7.csv"
	c, err := rounded.Control(r.column(days, "x"), r.column(days, "y"), 3, 0.95)
	add("sd_control", c.SD, err, "section 2.3.7, with the line rounded as printed")
	add("t_star", c.T, err, "section 2.3.7")
}
