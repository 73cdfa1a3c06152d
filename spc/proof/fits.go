package proof

import (
	"fmt"
	"math"
	"strings"

	"sagwatch/spc/fit"
)

// ofFit is the frame of a check of fitted distributions whose expected value a library gave.
func ofFit(method, what, source, by string, want, got, tol float64, err error) Check {
	return Check{Section: Capability, Method: method, Case: what, Source: source, Origin: Computed, By: by, Want: want, Got: got, Tol: tol, Relative: true, Trouble: trouble(err)}
}

const threeSigma = "the outer percentiles are those of three standard deviations of a normal distribution, 0.1349898 %"

// percentileCase is a distribution of capability.json with its percentiles.
type percentileCase struct {
	Distribution string  `json:"distribution"`
	LSL          float64 `json:"lsl"`
	USL          float64 `json:"usl"`
	Low          float64 `json:"x_0_00135"`
	Median       float64 `json:"x_0_5"`
	High         float64 `json:"x_0_99865"`
	Above        float64 `json:"fraction_above"`
	Below        float64 `json:"fraction_below"`
}

// johnsonCase is a Johnson curve of capability.json.
type johnsonCase struct {
	Data         string             `json:"data"`
	Family       string             `json:"family"`
	ResultFamily string             `json:"result_family"`
	Gamma        float64            `json:"gamma"`
	Delta        float64            `json:"delta"`
	Xi           float64            `json:"xi"`
	Lambda       float64            `json:"lambda_"`
	Z            float64            `json:"z"`
	AtZ          map[string]float64 `json:"quantiles_at_z"`
	Quantiles    []float64          `json:"quantiles"`
	LogLik       *float64           `json:"loglik"`
	Low          float64            `json:"x_0_00135"`
	Median       float64            `json:"x_0_5"`
	High         float64            `json:"x_0_99865"`
}

func (c johnsonCase) parameters() []float64 { return []float64{c.Gamma, c.Delta, c.Xi, c.Lambda} }

func fitChecks(r *run) {
	r.fittedPercentiles()
	r.johnsonCurves()
	r.likelihoodFits()
	r.histogramFits()
	r.normalityTests()
	r.boxCox()
	r.outlierTests()
}

// fittedPercentiles checks percentiles and far tails of distributions with given parameters.
func (r *run) fittedPercentiles() {
	var file struct {
		Percentile []percentileCase `json:"percentile"`
	}
	r.json("capability/capability.json", &file)
	families := map[string]struct {
		family fit.Family
		params []float64
	}{
		"normal mean 10 sd 2":                     {fit.Normal, []float64{10, 2}},
		"lognormal mu 0 sigma 0.5":                {fit.Lognormal, []float64{0, 0.5}},
		"Weibull shape 2 scale 10":                {fit.Weibull, []float64{2, 10}},
		"gamma shape 4 scale 1":                   {fit.Gamma, []float64{4, 1}},
		"folded normal c 0 (half normal) scale 3": {fit.FoldedNormal, []float64{0, 3}},
		"Rayleigh scale 2":                        {fit.Rayleigh, []float64{2}},
	}
	source := "ISO 22514-2:2017, percentile method"
	for _, c := range file.Percentile {
		f, ok := families[c.Distribution]
		if !ok {
			panic(fmt.Errorf("capability.json has a distribution that no check knows: %s", c.Distribution))
		}
		d, err := fit.New(f.family, f.params...)
		if err != nil {
			panic(err)
		}
		check := ofFit("Percentiles of a distribution", c.Distribution, source, sciPy, 0, 0, 0, nil)
		check.Note = threeSigma
		r.worst(check, []pair{{c.Low, d.Quantile(fit.OuterTail), 2e-11, "0.135 %"}, {c.Median, d.Quantile(0.5), 2e-11, "50 %"}, {c.High, d.QuantileUpper(fit.OuterTail), 2e-11, "99.865 %"}})
		r.worst(ofFit("Fraction outside limits", c.Distribution, source, sciPy, 0, 0, 0, nil), []pair{
			{c.Above, d.Tail(c.USL), 2e-10, "above"}, {c.Below, d.CDF(c.LSL), 2e-10, "below"}})
	}
	at := func(family fit.Family, params ...float64) fit.Distribution {
		d, err := fit.New(family, params...)
		if err != nil {
			panic(err)
		}
		return d
	}
	moments := func(d fit.Distribution, mean, sd float64) []pair {
		m, s, _ := d.Moments()
		return []pair{{mean, m, 1e-9, "mean"}, {sd, s, 1e-9, "standard deviation"}}
	}
	g, fn, ln := at(fit.LargestExtreme, 5, 2), at(fit.FoldedNormal, 2, 2.5), at(fit.Lognormal3, math.Log(2), 0.4, 3)
	note := ofFit("Percentiles of a distribution", "largest extreme value, location 5, scale 2", "scipy.stats.gumbel_r", sciPy, 0, 0, 0, nil)
	r.worst(note, append(moments(g, 6.1544313298030655, 2.565099660323728), pair{1.223543654772473, g.Quantile(0.00135), 1e-13, "0.135 %"},
		pair{18.213950613072925, g.QuantileUpper(0.00135), 1e-13, "99.865 %"}, pair{2.5109991242183983e-08, g.Tail(40), 1e-12, "tail above 40"}))
	note.Case, note.Source = "folded normal, mu 2, sigma 2.5", "scipy.stats.foldnorm"
	r.worst(note, append(moments(fn, 2.601036169473827, 1.8667112377357462), pair{0.005825163121330976, fn.Quantile(0.00135), 1e-10, "0.135 %"},
		pair{9.501132293512539, fn.QuantileUpper(0.00135), 1e-11, "99.865 %"}))
	note.Case, note.Source, note.By = "three-parameter lognormal, mu log 2, sigma 0.4, threshold 3", "mpmath.erfc", mpmath
	r.worst(note, []pair{{25.02702231250323863876477, ln.QuantileUpper(1e-9), 1e-12, "1e-9 above"}})
	su, sb, wb := at(fit.JohnsonSU, -0.8, 1.5, 10, 2), at(fit.JohnsonSB, 0.5, 0.9, 2, 10), at(fit.Weibull, 1.7, 3)
	note = ofFit("Mean, standard deviation and density", "Johnson SU -0.8, 1.5, 10, 2", "scipy.stats.johnsonsu", sciPy, 0, 0, 0, nil)
	r.worst(note, append(moments(su, 11.3961613904082, 1.9888957531265068), pair{-2.943570800003024, su.LogPDF(14), 1e-13, "log density at 14"}))
	note.Case, note.Source = "Johnson SB 0.5, 0.9, 2, 10", "scipy.stats.johnsonsb"
	r.worst(note, append(moments(sb, 5.906134251256506, 2.1609458849684784), pair{-1.77380409815177, sb.LogPDF(4), 1e-13, "log density at 4"}))
	note.Case, note.Source = "Weibull, shape 1.7, scale 3", "scipy.stats.weibull_min"
	r.worst(note, moments(wb, 2.676733507497972, 1.620707698881166))
}

// johnsonCurves checks that four exact quantiles give back their curve, and fits to public data.
func (r *run) johnsonCurves() {
	var file struct {
		Exact []johnsonCase `json:"johnson_exact"`
		Fits  []johnsonCase `json:"johnson_fits"`
	}
	r.json("capability/capability.json", &file)
	source := "Slifker and Shapiro 1980, Technometrics 22(2), 239-246"
	for i, c := range file.Exact {
		what := fmt.Sprintf("curve %d, %s, through its own four quantiles", i+1, c.Family)
		d, err := fit.FromFourQuantiles(c.Z, [4]float64{c.AtZ["-3z"], c.AtZ["-z"], c.AtZ["z"], c.AtZ["3z"]})
		check := Check{Section: Capability, Method: "Johnson curve from four quantiles", Case: what, Source: source, Origin: Computed, By: sciPy, Note: "formula from memory", Trouble: trouble(err)}
		if err != nil {
			r.add(check)
			continue
		}
		// Parameters beside each other in size, so that a zero gamma or xi is compared as well.
		var pairs []pair
		for k, p := range d.Parameters() {
			pairs = append(pairs, pair{c.parameters()[k], p.Value, 1e-9 * math.Max(1, math.Abs(c.Xi)+c.Lambda), p.Name})
		}
		check.Note += "; the parameters are those the quantiles were computed from"
		r.worst(check, pairs)
		check.Method, check.Note = "Percentiles of a distribution", threeSigma
		r.worst(check, []pair{{c.Low, d.Quantile(fit.OuterTail), 1e-9 * (1 + math.Abs(c.Low)), "0.135 %"},
			{c.Median, d.Quantile(0.5), 1e-9 * (1 + math.Abs(c.Median)), "50 %"}, {c.High, d.QuantileUpper(fit.OuterTail), 1e-9 * (1 + math.Abs(c.High)), "99.865 %"}})
	}
	for _, c := range file.Fits {
		s := r.sample(c.Data, "y")
		if c.LogLik != nil {
			d, err := fit.New(fit.JohnsonSU, c.parameters()...)
			if err != nil {
				panic(err)
			}
			r.add(ofFit("Log likelihood", "Johnson SU -0.25, 2, 1350, 700 on 101 fatigue lives", "data: Birnbaum and Saunders 1958, JASA 53(281), 151-160", sciPy,
				*c.LogLik, fit.LogLikelihood(s, d), 1e-12, nil))
			continue
		}
		f, err := fit.FitFourQuantiles(s, 0)
		check := Check{Section: Capability, Method: "Johnson curve from four quantiles", Case: "101 fatigue lives, z = 0.524, sample quantiles of type 7", Source: source,
			Origin: Computed, By: sciPy, Relative: true, Note: "formula from memory", Trouble: trouble(err)}
		if err != nil {
			r.add(check)
			continue
		}
		var pairs []pair
		for k, e := range f.Estimates {
			pairs = append(pairs, pair{c.parameters()[k], e.Value, 1e-9, e.Name})
		}
		if got := map[fit.Family]string{fit.JohnsonSU: "SU", fit.JohnsonSB: "SB"}[f.Family()]; got != c.ResultFamily {
			check.Trouble = "the family is " + got
		}
		r.worst(check, pairs)
	}
}

// sample is a column of a reference file.
func (r *run) sample(path, column string) *fit.Sample {
	s, err := fit.Values(r.column(path, column))
	if err != nil {
		panic(err)
	}
	return s
}

// fitCase is a published data set with the parameters of greatest likelihood that a library finds.
type fitCase struct {
	data   string
	family fit.Family
	by     string
	params []float64
	ll     float64
	se     []float64 // from the observed information, where worked out
}

// likelihoodFits compares fits with independent maximisations of the same likelihood.
func (r *run) likelihoodFits() {
	const glass, fatigue, microwave, rosner = "glass_strength_fuller2.csv", "fatigue_birnsaun.csv", "microwave_6_5_2.csv", "rosner.csv"
	cases := []fitCase{
		{glass, fit.Normal, sciPy, []float64{30.81141935483871, 7.135432110586343}, -104.90435167640189, nil},
		{glass, fit.Lognormal, sciPy, []float64{3.4012419713241333, 0.23108283231067364}, -104.0112450499748, nil},
		{glass, fit.Weibull, sciPy, []float64{4.635383302666803, 33.674236820781935}, -105.48892466284238, []float64{0.6292225080757, 1.38287976438}},
		{glass, fit.Gamma, sciPy, []float64{18.931534436094005, 1.6275183323806577}, -104.11560837457738, []float64{4.766855101477, 0.415270392498}},
		{glass, fit.LargestExtreme, sciPy, []float64{27.39966366005934, 5.986813394587727}, -104.14256846564113, []float64{1.135118761218, 0.8456562633932}},
		{glass, fit.Rayleigh, sciPy, []float64{22.36356360315274}, -118.22234548484249, nil},
		{glass, fit.Exponential, sciPy, []float64{30.81141935483871}, -137.26444676572908, nil},
		{glass, fit.Lognormal3, mpmath, []float64{3.166617516263464, 0.2917820936084541, 6.066864977925458}, -103.9680492214626, nil},
		{glass, fit.JohnsonSB, mpmath, []float64{0.3023698585362798, 0.8097400580889925, 17.86955649318651, 30.43816374095675}, -102.4126317807632,
			[]float64{0.3340750752207, 0.2662933355059, 1.306620103289, 5.013032337506}},
		{fatigue, fit.Normal, sciPy, []float64{1400.9108910891089, 389.3820211517677}, -745.7334448978607, nil},
		{fatigue, fit.Lognormal, sciPy, []float64{7.202109549151671, 0.3044539565382265}, -750.6130795726035, nil},
		{fatigue, fit.Weibull, sciPy, []float64{3.9463256094005845, 1545.9567477645096}, -746.0764813114357, nil},
		{fatigue, fit.Gamma, sciPy, []float64{11.855118041108224, 118.16929078490651}, -747.2707423468765, nil},
		{fatigue, fit.LargestExtreme, sciPy, []float64{1208.9614746526545, 371.2412552145255}, -750.8238776846772, nil},
		{fatigue, fit.FoldedNormal, mpmath, []float64{1400.902932710411, 389.4106525143929}, -745.73236540277, []float64{38.74857007472, 27.4127797495}},
		{fatigue, fit.JohnsonSB, mpmath, []float64{0.7159718524996189, 2.740991182162454, -552.8401998307335, 4470.273468030331}, -745.4099318439185, nil},
		{microwave, fit.Lognormal, sciPy, []float64{-2.3841074608581883, 0.8942335042558544}, 45.232205555192614, nil},
		{microwave, fit.Weibull, sciPy, []float64{1.3392958791284728, 0.14011529577725035}, 46.843881444791045, nil},
		{microwave, fit.Gamma, sciPy, []float64{1.6577262228343719, 0.07741527615694567}, 47.01906584985748, nil},
		{microwave, fit.LargestExtreme, sciPy, []float64{0.08552355942792197, 0.06797478772588984}, 44.47083507769929, nil},
		{microwave, fit.Rayleigh, sciPy, []float64{0.11463710859345096}, 39.81011890560414, nil},
		{microwave, fit.Lognormal3, mpmath, []float64{-2.095157635027046, 0.6522938056307649, -0.02267358792299901}, 46.3461305262667, nil},
		{microwave, fit.JohnsonSB, mpmath, []float64{0.990589353656758, 0.7486941076635134, 0.003999567330920673, 0.4674427323230921}, 47.51013147686182, nil},
		{rosner, fit.JohnsonSU, mpmath, []float64{-0.8405893583486595, 1.139612175154521, 1.488838474866688, 0.7202266543614279}, -77.56600715783595, nil},
		{rosner, fit.Lognormal3, mpmath, []float64{1.515154033816139, 0.238638907570624, -2.362986001644336}, -81.0695979272784, nil},
	}
	columns := map[string]string{microwave: "radiation"}
	for _, c := range cases {
		column := "y"
		if v, ok := columns[c.data]; ok {
			column = v
		}
		s := r.sample("handbook/"+c.data, column)
		f, err := fit.Fit(s, c.family)
		what := fmt.Sprintf("%s, %d values of %s", c.family, s.N(), strings.TrimSuffix(c.data, ".csv"))
		check := ofFit("Fit by maximum likelihood", what, handbookTitle+"data file", c.by, 0, 0, 0, err)
		if err != nil {
			r.add(check)
			continue
		}
		check.Note = "root of the likelihood equations by scipy.optimize.brentq, or closed form; log likelihood by scipy.stats"
		tol := 1e-10
		if c.by == mpmath {
			check.Note = "root of the likelihood equations by mpmath.findroot with 30 digits"
			tol = 2e-7 // of the flat directions of a Johnson curve; the likelihood agrees to 12 digits
		}
		pairs := []pair{{c.ll, f.LogLikelihood, 1e-12, "log likelihood"}}
		for k, e := range f.Estimates {
			pairs = append(pairs, pair{c.params[k], e.Value, tol, e.Name})
		}
		r.worst(check, pairs)
		if c.se == nil {
			continue
		}
		check = ofFit("Standard errors of a fit", what, handbookTitle+"data file", mpmath, 0, 0, 0, nil)
		check.Note = "inverse of the second derivatives of the log likelihood, mpmath.diff with 30 digits; ours by differences"
		pairs = nil
		for k, e := range f.Estimates {
			pairs = append(pairs, pair{c.se[k], e.SE, 2e-5, e.Name})
		}
		r.worst(check, pairs)
	}

	s := r.sample("handbook/"+glass, "y")
	var ps *fit.Percentiles
	f, err := fit.Fit(s, fit.Weibull)
	if err == nil {
		ps, err = f.Percentiles(fit.Natural, 0.95)
	}
	check := ofFit("Percentiles with standard errors", "weibull, 31 values of glass_strength_fuller2", handbookTitle+"data file", mpmath, 0, 0, 0, err)
	check.Note = "delta method with derivatives by mpmath.diff"
	if err != nil {
		r.add(check)
		return
	}
	r.worst(check, []pair{
		{8.0960920610996, ps.Of[0].Value, 1e-11, "0.135 %"}, {1.70570590661, ps.Of[0].SE, 1e-6, "its standard error"},
		{31.114207073326, ps.Of[1].Value, 1e-11, "50 %"}, {1.42370411213, ps.Of[1].SE, 1e-6, "its standard error"},
		{50.606830494469, ps.Of[2].Value, 1e-11, "99.865 %"}, {2.88024904821, ps.Of[2].SE, 1e-6, "its standard error"}})
}

// histogramFits checks the likelihood of the bins of a coarse histogram.
func (r *run) histogramFits() {
	x := r.column("handbook/glass_strength_fuller2.csv", "y")
	edges, counts := make([]float64, 8), make([]int, 7)
	for i := range edges {
		edges[i] = 15 + 5*float64(i)
	}
	for _, v := range x {
		counts[int((v-15)/5)]++
	}
	s, err := fit.Binned(edges, counts)
	if err != nil {
		panic(err)
	}
	for _, c := range []fitCase{
		{"", fit.Normal, mpmath, []float64{30.8882551886, 7.194318729337}, -105.7726401205, []float64{1.3178833921, 0.95024207145}},
		{"", fit.Weibull, mpmath, []float64{4.531870029304, 33.7615673817}, -106.530859969, []float64{0.62982317458, 1.4447193725}},
		{"", fit.Gamma, mpmath, []float64{18.80653759905, 1.642347398447}, -104.9304525952, []float64{4.9617089054, 0.43791120164}},
	} {
		f, err := fit.Fit(s, c.family)
		check := ofFit("Fit to a histogram", fmt.Sprintf("%s, 31 values of glass_strength_fuller2 in 7 bins of width 5", c.family), handbookTitle+"data file", mpmath, 0, 0, 0, err)
		if err != nil {
			r.add(check)
			continue
		}
		check.Note = "likelihood of the bins' probabilities, mpmath.findroot with 30 digits"
		pairs := []pair{{c.ll, f.LogLikelihood, 1e-11, "log likelihood"}}
		for k, e := range f.Estimates {
			pairs = append(pairs, pair{c.params[k], e.Value, 1e-7, e.Name}, pair{c.se[k], e.SE, 1e-5, "standard error of " + e.Name})
		}
		r.worst(check, pairs)
	}
}
