package proof

import (
	"fmt"
	"math"

	"sagwatch/spc/changepoint"
)

const (
	byScipy   = "SciPy 1.10.1"
	cobb      = "G. W. Cobb, \"The problem of the Nile\", Biometrika 65 (1978), 243-251; data READ from the base R data set Nile"
	jarrett   = "R. G. Jarrett, Biometrika 66 (1979), 191-193; Carlin, Gelfand and Smith, Applied Statistics 41 (1992), 389-405; counts from memory, their sum 191 as published"
	hinkley   = "D. V. Hinkley, Biometrika 57 (1970), 1-17"
	hawkins   = "D. M. Hawkins, P. Qiu, C. W. Kang, Journal of Quality Technology 35 (2003), 355-366"
	siegmund  = "D. Siegmund, E. S. Venkatraman, Annals of Statistics 23 (1995), 255-271, theorem 1"
	kassRafte = "R. E. Kass, A. E. Raftery, Journal of the American Statistical Association 90 (1995), 773-795"
)

// lineOf starts a check of this topic.
func lineOf(method, what, source string, want, got, tol float64, err error) Check {
	return Check{Section: ChangePoint, Method: method, Case: what, Source: source, Origin: Computed, By: byScipy,
		Want: want, Got: got, Tol: tol, Relative: true, Trouble: trouble(err)}
}

func changePointChecks(r *run) {
	var f struct {
		Nile struct {
			Data     []float64
			Computed map[string]num
		}
		Coal struct {
			Data     []int
			Computed map[string]num
		}
	}
	r.json("changepoint/changepoint.json", &f)
	nileChecks(r, f.Nile.Data, f.Nile.Computed)
	coalChecks(r, f.Coal.Data, f.Coal.Computed)
	startErrorChecks(r)
	changePointChartChecks(r)
	attributionChecks(r)
}

// quick is enough resampling for checks that look at the likelihood alone.
var quick = changepoint.Options{Resamples: 199}

func nileChecks(r *run, y []float64, computed map[string]num) {
	const method = "Step by maximum likelihood, normal"
	o := quick
	o.SigmaUnknown = true
	e, err := changepoint.Find([]changepoint.Stream{{Y: y}}, o)
	if err != nil {
		r.add(lineOf(method, "Nile 1871-1970", cobb, 0, 1, 0, err))
		return
	}
	s := e.Step.Sizes[0]
	c := lineOf(method, "Nile, last year before the fall", cobb, float64(computed["last_year_before"]), 1870+float64(e.Step.Start), 0, nil)
	c.Recalled = "1898"
	r.add(c)
	c = lineOf(method, "Nile, mean before", cobb, float64(computed["mean_before"]), s.Before[0], 1e-11, nil)
	c.Recalled = "1097.75"
	r.add(c)
	c = lineOf(method, "Nile, mean after", cobb, float64(computed["mean_after"]), s.Before[0]+s.Value, 1e-11, nil)
	c.Recalled = "849.97"
	r.add(c)
	r.add(lineOf(method, "Nile, log likelihood over no change", cobb, float64(computed["log_likelihood_gain"]), e.Step.LogLik, 1e-11, nil))
	r.add(lineOf(method, "Nile, greatest two-sample t", cobb, float64(computed["max_t"]), math.Abs(s.Value/s.SE), 1e-11, nil))
	r.add(lineOf(method, "Nile, variance about the step, denominator n", cobb, float64(computed["sigma2_mle"]), e.Step.Sigma*e.Step.Sigma*98/100, 1e-11, nil))

	d := lineOf("Drift by maximum likelihood, normal", "Nile, log likelihood over no change", cobb, 12.20104909667493, e.Drift.LogLik, 1e-11, nil)
	d.Note = "numpy.linalg.lstsq on a bent line for every start; greatest at the first year"
	r.add(d)
	r.add(lineOf("Drift by maximum likelihood, normal", "Nile, slope a year", cobb, -2.7143054305430563, e.Drift.Sizes[0].Value, 1e-11, nil))

	// AR(1): phi = 0.3, sigma = 150, dense covariance matrix.
	const ar = "Change in an AR(1) process, exact likelihood"
	const how = "phi = 0.3, sigma = 150: generalised least squares and multivariate_normal.logpdf with the full covariance matrix for every start"
	e, err = changepoint.Find([]changepoint.Stream{{Y: y, Sigma: 150, Phi: 0.3}}, quick)
	if err != nil {
		r.add(lineOf(ar, "Nile", cobb, 0, 1, 0, err))
		return
	}
	for _, l := range []struct {
		what      string
		want, got float64
	}{
		{"Nile, step, start", 28, float64(e.Step.Start)},
		{"Nile, step, log likelihood over no change", 15.853485074101627, e.Step.LogLik},
		{"Nile, step, size", -251.01274622610583, e.Step.Sizes[0].Value},
		{"Nile, step, level before", 1099.7003715816388, e.Step.Sizes[0].Before[0]},
		{"Nile, drift, log likelihood over no change", 7.694826796289931, e.Drift.LogLik},
		{"Nile, drift, slope", -2.7427187774654285, e.Drift.Sizes[0].Value},
	} {
		c := lineOf(ar, l.what, cobb, l.want, l.got, 1e-10, nil)
		c.Note = how
		r.add(c)
	}
	gaps := append([]float64(nil), y...)
	for i := 3; i < len(gaps); i += 7 {
		gaps[i] = math.NaN()
	}
	mean := 1100.0
	e, err = changepoint.Find([]changepoint.Stream{{Y: gaps, Sigma: 150, Phi: 0.3, Mean: &mean}}, quick)
	c = lineOf(ar, "Nile with every seventh year missing, mean 1100 known, log likelihood over no change", cobb, 50.99937203225784, e.Step.LogLik, 1e-10, err)
	c.Note = how
	r.add(c)
}

func coalChecks(r *run, y []int, computed map[string]num) {
	const method = "Step by maximum likelihood, Poisson"
	e, err := changepoint.FindCounts(changepoint.Poisson, []changepoint.CountStream{{Counts: y}}, quick)
	if err != nil {
		r.add(lineOf(method, "coal", jarrett, 0, 1, 0, err))
		return
	}
	s := e.Step.Sizes[0]
	c := lineOf(method, "coal-mining disasters, last year before", jarrett, 1850+float64(computed["k"]), 1850+float64(e.Step.Start), 0, nil)
	c.Recalled = "1891"
	r.add(c)
	c = lineOf(method, "coal-mining disasters, rate before", jarrett, float64(computed["rate_before"]), s.Before[0], 1e-11, nil)
	c.Recalled = "3.1"
	r.add(c)
	c = lineOf(method, "coal-mining disasters, rate after", jarrett, float64(computed["rate_after"]), s.Before[0]*math.Exp(s.Value), 1e-11, nil)
	c.Recalled = "0.9"
	r.add(c)
	r.add(lineOf(method, "coal-mining disasters, likelihood ratio", jarrett, float64(computed["lr_statistic"]), 2*e.Step.LogLik, 1e-11, nil))
	const drift = "Drift by maximum likelihood, Poisson"
	const how = "scipy.optimize.minimize, trust-exact, for every start; drift of the logarithm of the rate"
	for _, l := range []struct {
		what           string
		want, got, tol float64
	}{
		{"coal-mining disasters, start", 20, float64(e.Drift.Start), 0},
		{"coal-mining disasters, log likelihood over no change", 31.67633091638369, e.Drift.LogLik, 1e-9},
		{"coal-mining disasters, slope of log rate a year", -0.021242703159372135, e.Drift.Sizes[0].Value, 1e-6},
	} {
		c := lineOf(drift, l.what, jarrett, l.want, l.got, l.tol, nil)
		c.Note = how
		r.add(c)
	}
	ten := make([]float64, len(y))
	for i := range ten {
		ten[i] = 10
	}
	o := quick
	o.Only = changepoint.Step
	e, err = changepoint.FindCounts(changepoint.Binomial, []changepoint.CountStream{{Counts: y, Exposure: ten}}, o)
	if err != nil {
		r.add(lineOf("Step by maximum likelihood, binomial", "coal", jarrett, 0, 1, 0, err))
		return
	}
	c = lineOf("Step by maximum likelihood, binomial", "the same counts as nonconforming of 10, log likelihood over no change", jarrett, 42.758461479300536, e.Step.LogLik, 1e-10, nil)
	c.Note = "scipy.stats.binom.logpmf for every start"
	r.add(c)
	r.add(lineOf("Step by maximum likelihood, binomial", "the same, logarithm of the odds ratio", jarrett, -1.5106566092382836, e.Step.Sizes[0].Value, 1e-10, nil))
}

// startErrorChecks compares Hinkley's distribution with a solution by another equation.
func startErrorChecks(r *run) {
	for _, l := range []struct {
		delta float64
		what  string
		want  []float64
	}{
		{1, "step of 1 sigma, 0 to 5 points off", []float64{0.2801851142100293, 0.11389198979580781, 0.06678703763468798, 0.04409466863467667, 0.030955624605240113, 0.022580022463501135}},
		{2, "step of 2 sigma, 0 to 5 points off", []float64{0.6408692838662404, 0.11315022606056663, 0.03786125304295683, 0.015314146505965177, 0.006808321672934239, 0.0032058390221589017}},
		{3, "step of 3 sigma, 0 to 5 points off", []float64{0.8567793647018167, 0.0594682866078739, 0.009589920976710582, 0.0019565978243556693, 0.00044755451946229557, 0.00010961327616755577}},
	} {
		p, err := changepoint.StartError(l.delta, 5)
		c := lineOf("Distribution of the error of the start", l.what, hinkley, 0, 0, 0, err)
		c.Note = "distribution of the walk's maximum from Lindley's integral equation (ours: from the renewals); formula from memory"
		if err != nil {
			r.add(c)
			continue
		}
		var pairs []pair
		for i, v := range l.want {
			pairs = append(pairs, pair{want: v, got: p[i], tol: 1e-9})
		}
		r.worst(c, pairs)
	}
}

func changePointChartChecks(r *run) {
	const method = "Change-point chart, parameters unknown"
	c, err := changepoint.NewChart(changepoint.ChartOptions{ARL0: 200})
	if err != nil {
		r.add(lineOf(method, "limits", hawkins, 0, 1, 0, err))
		return
	}
	var pairs []pair
	for _, v := range []struct {
		n int
		h float64
	}{{10, 5.520922552990611}, {11, 4.954361182772356}, {12, 4.660745733270445}, {14, 4.312760448360409}, {20, 3.870062891860364}, {30, 3.603652933651938}} {
		pairs = append(pairs, pair{want: v.h, got: c.Limit(v.n), tol: 0.015})
	}
	l := lineOf(method, "limits at n = 10 to 30 for a false-alarm rate of 0.005", hawkins, 0, 0, 0, nil)
	l.By = "NumPy 1.24.2"
	l.Note = "600 000 sequences, every split tried, generator seed 1; both sides are Monte Carlo, tolerance 1.5 %"
	r.worst(l, pairs)
	earlyLimitChecks(r)
	for _, n := range []int{20, 50, 200} {
		a := math.Log(0.005)
		ratio := 0.677 + 0.019*a + (1-0.115*a)/float64(n-6)
		r.add(Check{Section: ChangePoint, Method: method, Case: "limit over that at n = 10, rate 0.005, n = " + shown(float64(n)), Source: hawkins + ", interpolation formula",
			Origin: Memory, Want: ratio, Got: c.Limit(n) / c.Limit(10), Tol: 0.04, Relative: true, Note: "formula from memory"})
	}
	for _, v := range []struct{ b, want float64 }{{3.1919, 189.079263889981}, {3.5015, 467.24783372054543}, {3.7169, 936.8309794262912}, {3.9163, 1870.0970014277448}} {
		got, err := changepoint.AsymptoticARL0(v.b)
		l := lineOf("Change-point chart, parameters known", "asymptotic run length at a limit of "+shown(v.b), siegmund, v.want, got, 1e-8, err)
		l.Note = "scipy.integrate.quad over scipy.stats.norm; formula from memory"
		r.add(l)
	}
	// The table itself, against the formula: an expected limit from the wanted run length.
	for _, v := range []struct{ arl0, b float64 }{{200, 3.212322463664776}, {500, 3.5232316084343944}, {1000, 3.736294682529453}, {2000, 3.935007988562811}} {
		k, err := changepoint.NewChart(changepoint.ChartOptions{Known: true, Sigma: 1, ARL0: v.arl0})
		l := lineOf("Change-point chart, parameters known", "limit for a run length of "+shown(v.arl0), siegmund, v.b, 0, 0.01, err)
		if err == nil {
			l.Got = k.Limit(1000)
		}
		l.Note = "scipy.optimize.brentq on the asymptotic formula (from memory), which errs by some 6 % in the run length, 1 % in the limit"
		r.add(l)
	}
}

// earlyLimitChecks holds each of the first limits against a simulation of its own, ours having as great a standard error.
func earlyLimitChecks(r *run) {
	const method = "Change-point chart, parameters unknown"
	type limit struct {
		n     int
		h, se float64
	}
	for _, t := range []struct {
		arl0   float64
		limits []limit
	}{
		{200, []limit{{10, 5.51096, 0.00628}, {11, 4.95474, 0.00449}, {12, 4.66541, 0.00356}, {13, 4.47174, 0.00326}, {14, 4.32846, 0.00328}, {15, 4.21170, 0.00264}, {16, 4.12412, 0.00258}, {17, 4.04462, 0.00221}, {18, 3.98082, 0.00238}, {19, 3.92434, 0.00244}, {20, 3.87628, 0.00234}, {21, 3.83488, 0.00207}, {22, 3.79836, 0.00203}, {23, 3.76200, 0.00194}, {24, 3.73515, 0.00181}, {25, 3.71248, 0.00203}}},
		{500, []limit{{10, 6.33696, 0.01127}, {11, 5.69741, 0.00766}, {12, 5.34461, 0.00589}, {13, 5.10263, 0.00575}, {14, 4.93792, 0.00531}, {15, 4.79086, 0.00449}, {16, 4.67575, 0.00412}, {17, 4.57479, 0.00428}, {18, 4.49904, 0.00395}, {19, 4.42322, 0.00374}, {20, 4.36105, 0.00369}, {21, 4.31255, 0.00326}, {22, 4.26698, 0.00292}, {23, 4.21845, 0.00305}, {24, 4.18502, 0.00297}, {25, 4.14689, 0.00302}}},
		{1000, []limit{{10, 7.03262, 0.01817}, {11, 6.28566, 0.01241}, {12, 5.88960, 0.01036}, {13, 5.59407, 0.00899}, {14, 5.39411, 0.00705}, {15, 5.23748, 0.00705}, {16, 5.09422, 0.00677}, {17, 4.97563, 0.00576}, {18, 4.88188, 0.00587}, {19, 4.80062, 0.00491}, {20, 4.72258, 0.00444}, {21, 4.66759, 0.00513}, {22, 4.60136, 0.00446}, {23, 4.55894, 0.00389}, {24, 4.51534, 0.00477}, {25, 4.47674, 0.00448}}},
	} {
		c, err := changepoint.NewChart(changepoint.ChartOptions{ARL0: t.arl0})
		l := lineOf(method, "limits at n = 10 to 25 for a run length of "+shown(t.arl0), hawkins, 0, 0, 0, err)
		l.By = "NumPy 1.24.2"
		l.Note = fmt.Sprintf("3 000 000 sequences, default_rng(25001), every split tried; standard error %.4f at n = 10 and %.4f at n = 25, ours the same; tolerance three of the difference", t.limits[0].se, t.limits[15].se)
		if err != nil {
			r.add(l)
			continue
		}
		var pairs []pair
		for _, v := range t.limits {
			pairs = append(pairs, pair{want: v.h, got: c.Limit(v.n), tol: 3 * math.Sqrt2 * v.se / v.h, what: fmt.Sprintf("n = %d", v.n)})
		}
		r.worst(l, pairs)
	}
}

func attributionChecks(r *run) {
	a, err := changepoint.Attribute(changepoint.Evidence{
		Shifts: []changepoint.StreamShift{{Stream: "1", Value: 2, SE: 0.5}, {Stream: "2", Value: 1.1, SE: 0.4}, {Stream: "3", Value: 1.6, SE: 0.6}},
		Master: &changepoint.MasterChange{Value: 0.3, SE: 0.5}, Scale: 2, DF: 60})
	const method = "Attribution of a change"
	if err != nil {
		r.add(lineOf(method, "three moulds and the master", kassRafte, 0, 1, 0, err))
		return
	}
	want := map[changepoint.CauseKind]float64{
		changepoint.NoCause: 7.841195333410537e-06, changepoint.OneStream: 0.0012194184470973647, changepoint.SomeStreams: 0.03172522520713185,
		changepoint.AllStreams: 0.7824024351925163, changepoint.WholeGauge: 0.18464507995792095,
	}
	for _, h := range a.Hypotheses {
		c := lineOf(method, "three moulds and the master, weight of "+h.Cause.String(), kassRafte, want[h.Cause.Kind], h.Weight, 1e-10, nil)
		c.Note = "scipy.stats.multivariate_normal with the covariance of each hypothesis; formula from memory"
		r.add(c)
	}
	for _, t := range a.Split.Tests {
		switch t.Term {
		case "common":
			r.add(lineOf("Variance split of a change", "common, sum of squares", "weighted analysis of variance", 28.649623904288077, t.SS, 1e-11, nil))
			r.add(lineOf("Variance split of a change", "common, p of F(1, 60)", "weighted analysis of variance; scipy.stats.f", 1.4352705732528007e-06, t.P, 1e-10, nil))
		case "stream":
			r.add(lineOf("Variance split of a change", "streams, sum of squares", "weighted analysis of variance", 2.023987206823037, t.SS, 1e-11, nil))
			r.add(lineOf("Variance split of a change", "streams, p of F(2, 60)", "weighted analysis of variance; scipy.stats.f", 0.36961285721428694, t.P, 1e-10, nil))
		}
	}
}
