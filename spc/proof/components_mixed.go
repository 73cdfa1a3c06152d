package proof

import (
	"strconv"

	"sagwatch/spc/capability"
	"sagwatch/spc/components"
)

// mixedChecks takes 328 of the 450 lithography values, those whose sequence number s has 7s mod 11 >= 3, as wafers in
// cassettes crossed with the five sites.
func mixedChecks(r *run) {
	const path = "handbook/lithography_6_6_1.csv"
	level := func(row map[string]string, name string) int {
		v, err := strconv.Atoi(row[name])
		if err != nil {
			panic(err)
		}
		return v
	}
	var rows components.Rows
	cassette, wafer, site := components.Factor{Name: "cassette"}, components.Factor{Name: "wafer"}, components.Factor{Name: "site"}
	for _, row := range r.csv(path) {
		if level(row, "sequence")*7%11 < 3 {
			continue
		}
		rows.Mean = append(rows.Mean, parse(row["linewidth"]))
		cassette.Level = append(cassette.Level, level(row, "cassette"))
		wafer.Level = append(wafer.Level, level(row, "wafer"))
		site.Level = append(site.Level, level(row, "site"))
	}
	factors := []components.Factor{cassette, components.Within(cassette, wafer), site}
	source := nestedTitle + "6.6.1 (data)"
	for _, c := range []struct {
		method    components.Method
		name      string
		variances [4]float64
		errors    [4]float64
		log       float64
		mean, se  float64
		without   float64 // standard error of the sum of all but cassette
		lme4      [4]float64
		lme4Log   float64
	}{
		{components.REML, "REML", [4]float64{0.2574341492834359, 0.07727924978957995, 0.13203124418092677, 0.039930312717340544},
			[4]float64{0.07552094040262909, 0.016147999537918754, 0.09383826584307219, 0.003690668731913834},
			-76.41983901854799, 2.522617452578962, 0.18965731862908092, 0.09528140435774131,
			[4]float64{0.2574340771209, 0.0772792230605, 0.1320305356529, 0.0399303205841}, -76.4198390185801},
		{components.ML, "ML", [4]float64{0.2545247121754778, 0.0772686017571576, 0.1120892458060394, 0.039932306338486344},
			[4]float64{0.07412931697143162, 0.016146155352608115, 0.07194930167990052, 0.0036910326025547165},
			-75.64472876493232, 2.522612417359084, 0.17856204891252, 0.07381320028227349,
			[4]float64{0.2545234485895, 0.0772690895158, 0.1120901695439, 0.0399322641370}, -75.6447287656309},
	} {
		res, err := components.FitMixed(rows, factors, components.Options{Estimator: c.method})
		base := Check{Section: Capability, Method: "Variance components, nested and crossed factors, " + c.name,
			Case: "328 values, 90 wafers in 30 cassettes, crossed with 5 sites", Source: source, Origin: Computed, Relative: true, Trouble: trouble(err)}
		if err != nil {
			r.add(base)
			continue
		}
		dense := base
		dense.By = "NumPy 1.24.2"
		dense.Note = "Newton iteration with score and observed information from dense 328 x 328 matrices, score below 3e-12"
		var variances, errors, lme []pair
		for i, comp := range res.Components {
			variances = append(variances, pair{c.variances[i], comp.Variance, 2e-9, "variance of " + comp.Name})
			errors = append(errors, pair{c.errors[i], comp.SE, 2e-6, "standard error of " + comp.Name})
			lme = append(lme, pair{c.lme4[i], comp.Variance, 2e-5, "variance of " + comp.Name})
		}
		r.worst(dense, variances)
		r.worst(dense, []pair{{c.mean, res.Mean, 1e-11, "mean"}, {c.se, res.MeanSE, 1e-8, "standard error of the mean"}, {c.log, res.LogLikelihood, 1e-12, "log likelihood"}})
		rest, err := res.Without("cassette")
		if err != nil {
			dense.Trouble = trouble(err)
		}
		dense.Note += "; second derivatives by differences on our side"
		r.worst(dense, append(errors, pair{c.without, rest.SE, 2e-6, "standard error of the sum without cassette"}))
		if c.method == components.REML {
			r.componentSigmas(dense, res)
		}
		base.By, base.Note = byLme4, "lmer, tolerance: how near its search comes to the maximum"
		r.worst(base, append(lme, pair{c.lme4Log, res.LogLikelihood, 3e-11, "log likelihood"}))
		if c.method == components.REML {
			continue
		}
		// Profile limits: confint(profile(lmer(..., REML = FALSE))), squared.
		res, err = components.FitMixed(rows, factors, components.Options{Estimator: components.ML, Interval: components.Profile})
		base.Method = "Variance components, profile-likelihood limits"
		base.Trouble, base.Note = trouble(err), "confint of the profile, which splines interpolate; hence the tolerance"
		if err != nil {
			r.add(base)
			continue
		}
		limits := [4][2]float64{{0.1471684698166, 0.4664535781178}, {0.0518751764723, 0.1181776145662}, {0.0391611219914, 0.5391302570362}, {0.0334927145889, 0.0481338094473}}
		var pairs []pair
		for i, comp := range res.Components {
			pairs = append(pairs, pair{limits[i][0], comp.Interval.Lower, 5e-4, comp.Name + ", lower"}, pair{limits[i][1], comp.Interval.Upper, 5e-4, comp.Name + ", upper"})
		}
		r.worst(base, pairs)
	}
}

// componentSigmas checks the standard deviations that components make together, and their effective degrees of freedom, against
// sum sigma_k^2 and 2 (sum)^2/SE^2 of the dense likelihood.
func (r *run) componentSigmas(c Check, res *components.MixedResult) {
	c.Method = "Standard deviation from components of variance"
	for _, w := range []struct {
		what    string
		without []string
		sd, df  float64
	}{
		{"as it is", nil, 0.7118110395120907, 35.13380060796778},
		{"if the cassettes were alike", []string{"cassette"}, 0.4992402294365382, 13.685226600449795},
	} {
		s, err := capability.FromComponents(res, w.without...)
		line := c
		line.Case, line.Trouble = c.Case+", "+w.what, trouble(err)
		r.worst(line, []pair{{w.sd, s.SD, 1e-9, "standard deviation"}, {w.df, s.DF, 4e-6, "effective degrees of freedom"}})
	}
}
