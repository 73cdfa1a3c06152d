package proof

import (
	"fmt"
	"math"

	"sagwatch/spc/autocorrelation"
	"sagwatch/spc/chart"
	"sagwatch/spc/dist"
)

// autocorrelationChecks compares autocorrelations, models and residual charts with the handbook, with R and with likelihoods
// of the whole covariance matrix in 40 digits.
func autocorrelationChecks(r *run) {
	lh := r.residualCharts()
	r.seriesF()
	r.aerosol()
	denseLikelihood(r, lh)
	otherEstimators(r, lh)
}

const rArima = "R 4.2.2 arima(method = \"ML\")"

func serial(method, what, source string, origin Origin, by string, want, got, tol float64, err error) Check {
	return Check{Section: Charts, Method: method, Case: what, Source: source, Origin: origin, By: by, Want: want, Got: got, Tol: tol, Trouble: trouble(err)}
}

// residualCharts goes through the series of residual_charts.json and gives the first of them.
func (r *run) residualCharts() (lh []float64) {
	var file struct {
		Series []struct {
			ID, Source string
			DataFile   string `json:"data_file"`
			Data       []float64
			Computed   map[string]float64
			R          map[string]float64 `json:"ml_fit_R"`
			R210       map[string]float64 `json:"ml_fit_R_arima210"`
			Published  []struct {
				Name  string
				Value float64
			}
		}
	}
	r.json("changepoint/residual_charts.json", &file)
	aerosol := r.column("handbook/aerosol_6_6_2.csv", "size")
	for _, s := range file.Series {
		x := s.Data
		switch s.ID {
		case "luteinizing_hormone":
			lh = x
		case "series_f":
			x = r.column("handbook/series_f_6_4_4_9.csv", "yield")
		case "aerosol_level":
			x = aerosol
		case "aerosol_first_difference":
			x = differences(aerosol)
		case "strd_lew":
			x = r.lew()
		default:
			panic("proof: unknown series " + s.ID)
		}
		recalled := map[string]string{}
		for _, p := range s.Published {
			recalled[p.Name] = shown(p.Value)
		}
		if s.R != nil {
			f, err := autocorrelation.FitModel(x, autocorrelation.AR1, autocorrelation.Options{})
			if err != nil {
				f = &autocorrelation.Fit{}
			}
			for _, v := range []struct {
				name     string
				got, tol float64
			}{{"ar1", f.Model.AR1, 1e-5}, {"mean", f.Model.Mean, 1e-5}, {"sigma2", f.Model.Sigma * f.Model.Sigma, 1e-5 * s.R["sigma2"]}, {"loglik", f.LogLikelihood, 0.005}} {
				want, there := s.R[v.name]
				if !there {
					continue
				}
				c := serial("AR(1) by exact likelihood", s.ID+": "+v.name, s.Source, Computed, rArima, want, v.got, v.tol, err)
				c.Recalled = recalled["ml_fit_R."+v.name]
				c.Note = "R's search stops at 1e-8 of the likelihood, which leaves up to 1e-5 of a coefficient; beside it stands the maximum in 40 digits"
				r.add(c)
			}
		}
		if s.R210 != nil {
			zero := 0.0
			f, err := autocorrelation.FitModel(x, autocorrelation.AR2, autocorrelation.Options{Mean: &zero})
			if err != nil {
				f = &autocorrelation.Fit{}
			}
			for _, v := range []struct {
				name     string
				got, tol float64
			}{{"ar1", f.Model.AR1, 2e-6}, {"ar2", f.Model.AR2, 2e-6}, {"sigma2", f.Model.Sigma * f.Model.Sigma, 2e-6}, {"loglik", f.LogLikelihood, 5e-4}} {
				c := serial("AR(2) by exact likelihood, mean given", s.ID+": "+v.name, s.Source, Computed, rArima, s.R210[v.name], v.got, v.tol, err)
				if v.name == "ar2" {
					c.Recalled = shown(r.handbookExample("aerosol_6_6_2").values["ar2"].value)
				}
				c.Note = "R fits the undifferenced series, whose starting value has a diffuse law of finite variance 1e6: 2e-6 of a coefficient"
				r.add(c)
			}
		}
		r.residualChart(s.ID, s.Source, x, s.Computed)
	}
	return lh
}

func (r *run) residualChart(id, source string, x []float64, want map[string]float64) {
	var pairs []pair
	take := func(name string, got float64) {
		w := want[name]
		pairs = append(pairs, pair{w, got, 2e-11 * math.Max(1, math.Abs(w)), name})
	}
	a, err := autocorrelation.ConditionalLeastSquares(x, 1)
	if err == nil {
		var c *autocorrelation.Correlogram
		if c, err = autocorrelation.Correlate(x, 1, 0); err == nil {
			var raw, resid chart.IndividualsResult
			raw, err = chart.Individuals(x, chart.IndividualsOptions{})
			if err == nil {
				resid, err = chart.Individuals(a.Residuals, chart.IndividualsOptions{})
			}
			outside := func(x []float64, l chart.Limits) (n float64) {
				for _, v := range x {
					if chart.Beyond(l, v) != 0 {
						n++
					}
				}
				return n
			}
			take("n", float64(len(x)))
			take("mean", raw.Limits.Centre)
			take("r1", c.R[0])
			take("ols_intercept", a.Intercept)
			take("ols_phi", a.Phi[0])
			take("resid_sd_df", a.ResidualSD)
			take("resid_mean", resid.Limits.Centre)
			take("resid_mrbar", resid.MeanMovingRange)
			take("resid_ucl_mr", resid.Limits.Upper)
			take("resid_ucl_3s", 3*a.ResidualSD)
			take("n_resid_outside_mr_limits", outside(a.Residuals, resid.Limits))
			take("raw_mrbar", raw.MeanMovingRange)
			take("raw_ucl", raw.Limits.Upper)
			take("raw_lcl", raw.Limits.Lower)
			if n, there := want["n_raw_outside"]; there {
				pairs = append(pairs, pair{n, outside(x, raw.Limits), 0.5, "raw points outside"})
			}
		}
	}
	if err != nil {
		pairs = []pair{{0, math.NaN(), 1, ""}}
	}
	c := serial("Residual chart by least squares", id+": regression, residuals, both charts", source, Computed, "NumPy 1.24.2", 0, 0, 0, err)
	r.worst(c, pairs)
}

// lew are the beam deflections of the StRD set.
func (r *run) lew() []float64 {
	var f struct{ Data []num }
	r.json("strd/uni_Lew.json", &f)
	out := make([]float64, len(f.Data))
	for i, v := range f.Data {
		out[i] = float64(v)
	}
	return out
}

func differences(x []float64) []float64 {
	d := make([]float64, len(x)-1)
	for i := range d {
		d[i] = x[i+1] - x[i]
	}
	return d
}

// seriesF compares with the handbook's analysis of Series F.
func (r *run) seriesF() {
	x := r.column("handbook/series_f_6_4_4_9.csv", "yield")
	source := "NIST/SEMATECH e-Handbook 6.4.4.9, Series F (G. E. P. Box and G. M. Jenkins, 1970)"
	want := r.handbookExample("series_f_6_4_4_9").values
	c, err := autocorrelation.Correlate(x, 35, 0)
	var pairs []pair
	for k := 1; k <= 35; k++ {
		v := want[fmt.Sprintf("acf[%d]", k)]
		got := math.NaN()
		if err == nil {
			got = c.R[k-1]
		}
		pairs = append(pairs, pair{v.value, got, v.tol, fmt.Sprintf("lag %d", k)})
	}
	r.worst(serial("Sample autocorrelation", "Series F, lags 1 to 35", source, Published, "", 0, 0, 0, err), pairs)

	yw, err := autocorrelation.YuleWalker(x, 2)
	if err != nil {
		yw = &autocorrelation.Autoregression{Phi: make([]float64, 2)}
	}
	for j, name := range []string{"phi1 (Yule-Walker)", "phi2 (Yule-Walker)"} {
		v := want[name]
		r.add(serial("AR(2) by Yule-Walker equations", "Series F: "+name, source, Published, "", v.value, yw.Phi[j], v.tol, err))
	}
	ls, err := autocorrelation.ConditionalLeastSquares(x, 2)
	if err != nil {
		ls = &autocorrelation.Autoregression{Phi: make([]float64, 2)}
	}
	for j, name := range []string{"phi1 (conditional LS, older edition)", "phi2 (conditional LS, older edition)"} {
		v := want[name]
		r.add(serial("AR(2) by conditional least squares", "Series F: "+name, source, Published, "", v.value, ls.Phi[j], v.tol, err))
	}
	v := want["residual variance (older edition)"]
	line := serial("AR(2) by conditional least squares", "Series F: residual variance", source, Published, "", v.value, ls.ResidualSS/70, v.tol, err)
	line.Note = "sum of squares / 70; the page prints 110.8236 and its own rounded coefficients give 110.8222"
	r.add(line)
	v = want["original variance (older edition)"]
	_, sd := dist.MeanSD(x)
	r.add(serial("Variance of a series", "Series F", source, Published, "", v.value, sd*sd, v.tol, nil))

	// exact likelihood
	sf := []struct {
		order    autocorrelation.Order
		want, se []float64
		ll       float64
	}{
		{autocorrelation.AR2, []float64{-0.340707445353122, 0.187337066388122, 51.226295901939082},
			[]float64{0.12182162, 0.12231117, 1.10075728}, -264.828656242944},
		{autocorrelation.ARMA11, []float64{-0.685644169393331, 0.323668099347559, 51.251923212810389},
			[]float64{0.17323158, 0.21760283, 1.00272379}, -265.068801197854},
	}
	for _, s := range sf {
		r.arma(source, "Series F", x, s.order, s.want, s.se, s.ll)
	}
}

// arma compares an exact fit with R's: coefficients and mean, their standard errors, log likelihood.
func (r *run) arma(source, name string, x []float64, order autocorrelation.Order, want, se []float64, ll float64) {
	f, err := autocorrelation.FitModel(x, order, autocorrelation.Options{})
	if err != nil {
		f = &autocorrelation.Fit{}
	}
	got, gotSE := estimates(f)
	var pairs []pair
	for i, w := range want {
		tol := 3e-6
		if i == len(want)-1 { // the mean
			tol = 3e-6 * math.Abs(w)
		}
		if order == autocorrelation.ARMA11 {
			tol *= 3
		}
		pairs = append(pairs, pair{w, got[i], tol, fmt.Sprintf("parameter %d", i+1)})
	}
	method := order.String() + " by exact likelihood"
	c := serial(method, name+": coefficients and mean", source, Computed, rArima, 0, 0, 0, err)
	c.Note = "R's search stops where its likelihood is flat, about 1e-6 from the maximum"
	r.worst(c, pairs)
	pairs = nil
	for i, w := range se {
		pairs = append(pairs, pair{w, gotSE[i], 5e-3 * w, fmt.Sprintf("parameter %d", i+1)})
	}
	c = serial(method, name+": standard errors", source, Computed, rArima, 0, 0, 0, err)
	c.Note = "R differentiates numerically with a step of 1e-3"
	r.worst(c, pairs)
	r.add(serial(method, name+": log likelihood", source, Computed, rArima, ll, f.LogLikelihood, 1e-8, err))
}

// estimates lists coefficients and mean with their standard errors.
func estimates(f *autocorrelation.Fit) (b, se []float64) {
	m := f.Model
	if m.Order.AR > 0 {
		b, se = append(b, m.AR1), append(se, f.SEAR1)
	}
	if m.Order.AR > 1 {
		b, se = append(b, m.AR2), append(se, f.SEAR2)
	}
	if m.Order.MA > 0 {
		b, se = append(b, m.MA), append(se, f.SEMA)
	}
	b, se = append(b, m.Mean), append(se, f.SEMean)
	for len(b) < 4 {
		b, se = append(b, math.NaN()), append(se, math.NaN())
	}
	return b, se
}

// aerosol compares with the handbook's analysis of the aerosol particle sizes.
func (r *run) aerosol() {
	d := differences(r.column("handbook/aerosol_6_6_2.csv", "size"))
	source := "NIST/SEMATECH e-Handbook 6.6.2.3 and 6.6.2.4, aerosol particle size"
	zero := 0.0
	f, err := autocorrelation.FitModel(d, autocorrelation.AR2, autocorrelation.Options{Mean: &zero})
	if err != nil {
		f = &autocorrelation.Fit{}
	}
	want := r.handbookExample("aerosol_6_6_2").values
	line := read("Differences of a series", "aerosol: how many", source, want["n_diff"], float64(len(d)), nil)
	line.Note = "the page says 559 after naming the series differenced; 559 levels have 558 differences"
	r.add(line)
	line = read("AR(2) of differences by exact likelihood", "aerosol: first coefficient", source, want["ar1"], f.Model.AR1, err)
	line.Note = "the page fits by least squares with values forecast backwards, which differs in the fourth decimal"
	r.add(line)
	var q autocorrelation.Portmanteau
	res, err := f.Model.Residuals(d)
	if err == nil {
		e := make([]float64, len(res))
		for i, v := range res {
			e[i] = v.Z
		}
		q, err = autocorrelation.LjungBox(e, 24, 0)
	}
	line = read("Ljung-Box test of residuals", "aerosol: Q of 24 lags", source, want["ljung_box_24"], q.Q, err)
	line.Note = "the page's residuals are those of its own fit, see the first coefficient"
	r.add(line)
	r.add(read("Ljung-Box test of residuals", "critical value at 0.05, 24 degrees of freedom", source, want["chi2_24_0.95"], dist.ChiSquareQuantileUpper(0.05, 24), nil))
	r.add(read("Ljung-Box test of residuals", "median of chi-square, 24 degrees of freedom", source, want["chi2_24_0.50"], dist.ChiSquareQuantile(0.5, 24), nil))
}

// denseLikelihood compares with the maximum of the likelihood of the whole covariance matrix, with and without gaps.
func denseLikelihood(r *run, lh []float64) {
	gaps := append([]float64(nil), lh...)
	for _, i := range []int{4, 5, 19, 32} {
		gaps[i] = math.NaN()
	}
	const by = "mpmath 1.2.1 (40 digits)"
	source := "Multivariate normal likelihood of the 48 hormone values (P. J. Diggle, 1990, table A.1)"
	for _, c := range []struct {
		name     string
		x        []float64
		order    autocorrelation.Order
		want, se []float64 // coefficients, mean, sigma^2
		ll       float64
	}{
		{"AR(1)", lh, autocorrelation.AR1, []float64{0.573924388379293, 2.41328560775413, 0.197489551630284},
			[]float64{0.116205564236, 0.146611624692, 0.0403206915884}, -29.379162386264},
		{"ARMA(1,1)", lh, autocorrelation.ARMA11, []float64{0.452200156248159, 0.198169175431047, 2.41007665724713, 0.192312136152326},
			[]float64{0.176937273611, 0.170520358314, 0.135750904048, 0.0392631443216}, -28.7620331971865},
		{"ARMA(1,1), values 5, 6, 20 and 33 missing", gaps, autocorrelation.ARMA11, []float64{0.413893255928106, 0.237570034118897, 2.42995352494868, 0.187949467450946},
			[]float64{0.191255567608, 0.185795893078, 0.131003691867, 0.0401701500497}, -26.4582967656039},
	} {
		f, err := autocorrelation.FitModel(c.x, c.order, autocorrelation.Options{})
		if err != nil {
			f = &autocorrelation.Fit{}
		}
		b, se := estimates(f)
		k := len(c.want) - 1
		b, se = append(b[:k:k], f.Model.Sigma*f.Model.Sigma), append(se[:k:k], 2*f.Model.Sigma*f.SESigma)
		var pairs, errors []pair
		for i, w := range c.want {
			pairs = append(pairs, pair{w, b[i], 1e-9, fmt.Sprintf("parameter %d", i+1)})
			errors = append(errors, pair{c.se[i], se[i], 1e-5 * c.se[i], fmt.Sprintf("parameter %d", i+1)})
		}
		line := serial("ARMA by exact likelihood", c.name+": coefficients, mean, sigma squared", source, Computed, by, 0, 0, 0, err)
		line.Note = "Cholesky factor of the covariance of all values present, Newton's method over all parameters together"
		r.worst(line, pairs)
		line.Case = c.name + ": standard errors"
		line.Note = "second derivatives of all parameters together, inverted"
		r.worst(line, errors)
		r.add(serial("ARMA by exact likelihood", c.name+": log likelihood", source, Computed, by, c.ll, f.LogLikelihood, 1e-11, err))
	}
}

// otherEstimators compares Burg's estimates, partial autocorrelations and the portmanteau test with R.
func otherEstimators(r *run, lh []float64) {
	source := "48 hormone values (P. J. Diggle, 1990, table A.1)"
	b, err := autocorrelation.Burg(lh, 2)
	if err != nil {
		b = &autocorrelation.Autoregression{Phi: make([]float64, 2)}
	}
	r.worst(serial("AR(2) by Burg's method", "coefficients and residual variance", source, Computed, "R 4.2.2 ar.burg", 0, 0, 0, err), []pair{
		{0.707684219011478, b.Phi[0], 1e-12, "phi 1"}, {-0.218885030921955, b.Phi[1], 1e-12, "phi 2"},
		{0.188028281276603, b.ResidualSD * b.ResidualSD, 1e-12, "residual variance"}})
	c, err := autocorrelation.Correlate(lh, 10, 0)
	if err != nil {
		c = &autocorrelation.Correlogram{Partial: make([]float64, 10)}
	}
	var pairs []pair
	for i, w := range []float64{0.575524475524475, -0.223409972864297, -0.226940201650241, 0.102768377006222, -0.07593441965331, 0.0675579345259662} {
		pairs = append(pairs, pair{w, c.Partial[i], 1e-13, fmt.Sprintf("lag %d", i+1)})
	}
	r.worst(serial("Partial autocorrelation", "lags 1 to 6", source, Computed, "R 4.2.2 pacf", 0, 0, 0, err), pairs)
	q, err := c.LjungBox(10, 0)
	r.worst(serial("Ljung-Box test", "10 lags: Q and its probability", source, Computed, "R 4.2.2 Box.test", 0, 0, 0, err),
		[]pair{{25.3509303605002, q.Q, 1e-11, "Q"}, {0.00471855659525622, q.P, 1e-14, "probability"}})
}
