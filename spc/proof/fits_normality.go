package proof

import (
	"fmt"
	"strings"

	"sagwatch/spc/fit"
)

// normalityTests compares tests of the normal distribution on five public data sets.
func (r *run) normalityTests() {
	var file struct {
		Normality []struct {
			Data     string  `json:"data"`
			N        int     `json:"n"`
			Mean     float64 `json:"mean"`
			SD       float64 `json:"sd"`
			AD       float64 `json:"ad"`
			Adjusted float64 `json:"ad_adjusted"`
			P        float64 `json:"ad_p"`
			W        float64 `json:"sw_w_R"`
			WP       float64 `json:"sw_p_R"`
		} `json:"normality"`
	}
	r.json("capability/capability.json", &file)
	columns := map[string]string{"handbook/microwave_6_5_2.csv": "radiation", "handbook/gear.csv": "diameter"}
	// scipy.stats skew, kurtosis (biased and not), skewtest, kurtosistest, normaltest.
	shapes := map[string][]float64{
		"handbook/glass_strength_fuller2.csv": {0.4053964979717568, -0.713363134560181, 0.4263079867392757, -0.6217101098248445, 1.0526372481517152, 0.29250727889520256, -0.7904266003608593, 0.42927867247617923, 1.7328193867544412, 0.42045841720987387},
		"handbook/fatigue_birnsaun.csv":       {0.14000906862446597, -0.23386126165487342, 0.14212865914190526, -0.18402235300759706, 0.6086992959192286, 0.5427237738047783, -0.25495827013421407, 0.7987553299032423, 0.43551855236239545, 0.8043190371142566},
		"handbook/microwave_6_5_2.csv":        {1.2343483249040326, 0.8532474926959042, 1.2805434357986014, 1.1219713651428709, 3.131627014442071, 0.001738405722693826, 1.4737243782396752, 0.1405558163330266, 11.978951300601276, 0.0025049771899362527},
		"handbook/heatflow_zarr13.csv":        {-0.008558366184117394, 0.06477725468244344, -0.00862485348480005, 0.09788132372747294, -0.05051390672130317, 0.9597128675916586, 0.43056532194531044, 0.6667844606312643, 0.18793815123411736, 0.9103109126087555},
		"handbook/gear.csv":                   {-0.10695759026715326, 1.414441567406353, -0.10859332512144367, 1.550284160792776, -0.46369925980626897, 0.6428632275826258, 2.3444431946472175, 0.019055513005716954, 5.7114308964725335, 0.05751465763710901},
	}
	for _, c := range file.Normality {
		column := "y"
		if v, ok := columns[c.Data]; ok {
			column = v
		}
		s := r.sample(c.Data, column)
		what := fmt.Sprintf("%d values of %s", s.N(), strings.TrimSuffix(strings.TrimPrefix(c.Data, "handbook/"), ".csv"))
		mean, sd := s.MeanSD()
		ad, err := fit.AndersonDarling(s, fit.Normal, fit.Resampling{})
		check := ofFit("Anderson-Darling test for a normal distribution", what, "D'Agostino and Stephens 1986, table 4.9", sciPy, 0, 0, 0, err)
		check.Note = "p-value formula from memory"
		if err == nil {
			r.worst(check, []pair{{c.Mean, mean, 1e-12, "mean"}, {c.SD, sd, 1e-12, "standard deviation"}, {c.AD, ad.A2, 2e-10, "A2"},
				{c.Adjusted, ad.Adjusted, 2e-10, "adjusted A2"}, {c.P, ad.P, 1e-7, "p-value"}})
		} else {
			r.add(check)
		}
		sw, err := fit.ShapiroWilk(s)
		check = ofFit("Shapiro-Wilk test", what, "Royston 1995, AS R94, Applied Statistics 44(4), 547-551", "R 4.2.2 shapiro.test", 0, 0, 0, err)
		if err == nil {
			r.worst(check, []pair{{c.W, sw.W, 1e-11, "W"}, {c.WP, sw.P, 1e-9, "p-value"}})
		} else {
			r.add(check)
		}
		sh, err := fit.ShapeOf(s)
		check = ofFit("Skewness and kurtosis with their tests", what, "D'Agostino 1970; Anscombe and Glynn 1983; D'Agostino and Pearson 1973", sciPy, 0, 0, 0, err)
		check.Note = "formula from memory"
		if err != nil {
			r.add(check)
			continue
		}
		got := []float64{sh.Skewness, sh.ExcessKurtosis, sh.SkewnessAdjusted, sh.KurtosisAdjusted, sh.SkewnessZ, sh.SkewnessP, sh.KurtosisZ, sh.KurtosisP, sh.K2, sh.P}
		var pairs []pair
		for k, name := range []string{"skewness", "excess kurtosis", "adjusted skewness", "adjusted kurtosis", "z of skewness", "its p", "z of kurtosis", "its p", "K2", "its p"} {
			pairs = append(pairs, pair{shapes[c.Data][k], got[k], 1e-9, name})
		}
		r.worst(check, pairs)
	}
	var pairs []pair
	glass := r.sample("handbook/glass_strength_fuller2.csv", "y")
	var err error
	for _, c := range []struct {
		family fit.Family
		a2     float64
	}{{fit.LargestExtreme, 0.39803685892613316}, {fit.Weibull, 0.5973412207669782}, {fit.Gamma, 0.43868642315311845}, {fit.Exponential, 8.527236674556725},
		{fit.Rayleigh, 4.39172386821901}, {fit.Lognormal, 0.3888328964003769}} {
		g, e := fit.AndersonDarling(glass, c.family, fit.Resampling{})
		if e != nil {
			err, g = e, &fit.Goodness{}
		}
		pairs = append(pairs, pair{c.a2, g.A2, 1e-9, string(c.family)})
	}
	check := ofFit("Anderson-Darling statistic of fitted families", "31 values of glass_strength_fuller2", "D'Agostino and Stephens 1986, section 4.2", sciPy, 0, 0, 0, err)
	check.Note = "scipy.stats logcdf and logsf at the fits above; the normal, exponential and extreme-value ones agree with scipy.stats.anderson"
	r.worst(check, pairs)
	// The points of the extreme-value distribution that scipy.stats.anderson(dist="gumbel_r") gives for 31 values.
	check = ofFit("Anderson-Darling test for an extreme-value distribution", "p-value at the library's critical values 0.458 to 1.002 for 31 values", "D'Agostino and Stephens 1986, table 4.17", sciPy, 0, 0, 0, nil)
	check.Relative, check.Note = false, "critical values of scipy.stats.anderson, three digits; our points from memory"
	pairs = nil
	for i, level := range []float64{0.25, 0.1, 0.05, 0.025, 0.01} {
		a2 := []float64{0.458, 0.615, 0.731, 0.847, 1.002}[i]
		pairs = append(pairs, pair{level, fit.ExtremeP(a2, 31), 0.02*level + 0.0005, fmt.Sprintf("%g", level)})
	}
	r.worst(check, pairs)
	ad := r.handbookExample("normality_1_3_5_14")
	v := ad.values["critical 0.05"]
	critical := fit.NormalCritical(0.05)
	r.add(Check{Section: Capability, Method: "Anderson-Darling test for a normal distribution", Case: "critical value of the adjusted A2 at 5 %", Source: handbookTitle + "1.3.5.14",
		Origin: Published, Want: v.value, Got: critical, Tol: v.tol, Note: "the p-value formula gives 0.7532 at 5 %, the table prints 0.752"})
}

// boxCox compares the power transformation of the handbook's microwave data.
func (r *run) boxCox() {
	var file struct {
		BoxCox struct {
			Data   string     `json:"data"`
			Lambda float64    `json:"lambda_mle"`
			LogLik float64    `json:"loglik_at_mle"`
			CI     [2]float64 `json:"ci95"`
		} `json:"boxcox"`
	}
	r.json("capability/capability.json", &file)
	b, err := fit.FitBoxCox(r.sample(file.BoxCox.Data, "radiation"), 0.95)
	if err != nil {
		b = &fit.BoxCox{}
	}
	source := handbookTitle + "6.5.2"
	published := r.handbookExample("boxcox_6_5_2").values
	r.add(Check{Section: Capability, Method: "Box-Cox transformation", Case: "42 values of microwave radiation, lambda to two digits", Source: source, Origin: Published,
		Want: published["lambda to two digits"].value, Got: b.Lambda, Tol: published["lambda to two digits"].tol, Trouble: trouble(err)})
	r.add(Check{Section: Capability, Method: "Box-Cox transformation", Case: "42 values of microwave radiation, lambda to one digit", Source: source, Origin: Published,
		Want: published["lambda to one digit"].value, Got: b.Lambda, Tol: 0.05, Trouble: trouble(err), Note: "half a unit of the printed digit"})
	check := ofFit("Box-Cox transformation", "42 values of microwave radiation, lambda with its 95 % limits", source, sciPy, 0, 0, 0, err)
	check.Note = "scipy.stats.boxcox"
	r.worst(check, []pair{{file.BoxCox.Lambda, b.Lambda, 3e-8, "lambda"}, {file.BoxCox.LogLik, b.LogLikelihood, 1e-9, "log likelihood"},
		{file.BoxCox.CI[0], b.Lower, 3e-6, "lower limit"}, {file.BoxCox.CI[1], b.Upper, 1e-6, "upper limit"}})
	check = ofFit("Box-Cox transformation", "42 values of microwave radiation, with 30 digits", source, mpmath, 0, 0, 0, err)
	check.Note = "mpmath.findroot on the slope of the likelihood"
	r.worst(check, []pair{{0.27593727901983, b.Lambda, 1e-11, "lambda"}, {106.51923146494, b.LogLikelihood, 1e-12, "log likelihood"},
		{-0.0177868317929, b.Lower, 1e-9, "lower limit"}, {0.586381245442, b.Upper, 1e-11, "upper limit"}})
}
