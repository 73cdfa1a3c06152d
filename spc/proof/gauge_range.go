package proof

import "sagwatch/spc/gaugestudy"

// linearityChecks compare a study of bias across the range, with unequal numbers of readings, against SciPy's linregress,
// bartlett and f.sf (lack of fit from the sums of squares within and about the line).
func linearityChecks(r *run) {
	l, err := gaugestudy.Linearity([]float64{2, 4, 6, 8, 10}, [][]float64{{2.7, 2.5, 2.4, 2.5, 2.7, 2.3}, {5.1, 3.9, 4.2, 5.0, 3.8},
		{5.8, 5.7, 5.9, 5.9, 6.0, 6.1}, {7.6, 7.7, 7.8, 7.7}, {9.1, 9.3, 9.5, 9.3, 9.4, 9.5, 9.4}}, gaugestudy.LinearityOptions{})
	if err != nil {
		l.Masters = make([]gaugestudy.MasterBias, 5)
	}
	for _, v := range []struct {
		what      string
		want, got float64
	}{
		{"slope", -0.15055653192735782, l.Line.Slope},
		{"intercept", 0.8712360867018154, l.Line.Intercept},
		{"standard error of the slope", 0.01776514206284131, l.Line.SESlope},
		{"standard error of the intercept", 0.11992645778120249, l.Line.SEIntercept},
		{"p of the slope", 5.899947202576016e-09, l.PSlope},
		{"p of lack of fit", 0.6487361636197375, l.PLackOfFit},
		{"p of equal scatter (Bartlett)", 0.00035404167995203547, l.PSpread},
		{"95 % band at 4, lower end", 0.13734686335859114, l.Masters[1].Band.Lower},
		{"95 % band at 4, upper end", 0.4006730546261771, l.Masters[1].Band.Upper},
		{"p of the bias at 4", 0.21791658039576287, l.Masters[1].P},
		{"95 % limit of the bias at 4, upper", 1.1603608068958189, l.Masters[1].Interval.Upper},
	} {
		r.add(Check{Section: Gauge, Method: "Linearity and bias across the range", Case: v.what, Source: "N. R. Draper, H. Smith, Applied Regression Analysis (1998), chapters 1-3; M. S. Bartlett (1937)",
			Origin: Computed, By: scipyNumPy, Want: v.want, Got: v.got, Tol: 1e-9, Relative: true, Trouble: trouble(err),
			Note: "scipy.stats.linregress, bartlett, f.sf, ttest_1samp on five masters with 4 to 7 readings, data invented; " + byMemory})
	}
}

// halfTurnChecks compare the split of turned readings against numpy.linalg.lstsq in the same model with a variable for every
// part: odd gauge map, odd glass map and common map of each panel, and scipy.stats.f.sf of the residual sums with a part left
// out.
func halfTurnChecks(r *run) {
	h, err := gaugestudy.HalfTurn([][2]float64{{-100, -80}, {0, -80}, {100, -80}, {-100, 0}, {100, 0}, {-100, 80}, {0, 80}, {100, 80}}, []gaugestudy.Turned{
		{Straight: []float64{6.2, 0.1, -0.2, 0.3, 0.0, 0.2, -0.1, 0.1}, Turned: []float64{5.8, -0.1, 0.1, 0.0, 0.2, -0.2, 0.0, 0.3}},
		{Straight: []float64{6.0, -0.2, 0.1, 0.2, 0.1, 0.0, 0.2, -0.1}, Turned: []float64{6.1, 0.0, -0.1, 0.1, -0.2, 0.1, 0.1, 0.0}},
	}, gaugestudy.HalfTurnOptions{Remove: gaugestudy.RemoveNothing})
	if err != nil {
		h.Places = make([]gaugestudy.PlaceSplit, 8)
	}
	for _, v := range []struct {
		what      string
		want, got float64
	}{
		{"part that stays, place 1", 2.975, h.Places[0].Gauge},
		{"its standard error", 0.04254287053471278, h.Places[0].SE},
		{"p of no gauge part", 1.4958950808257983e-15, h.PGauge},
		{"p of no glass part", 0.04050827704688462, h.PGlass},
	} {
		r.add(Check{Section: Gauge, Method: "Glass or gauge by half a turn", Case: v.what, Source: "R. R. Donaldson, CIRP Annals 21 (1972), 125-126 (reversal); least squares in the model",
			Origin: Computed, By: "NumPy 1.24.2, SciPy 1.10.1", Want: v.want, Got: v.got, Tol: 1e-8, Relative: true, Trouble: trouble(err),
			Note: "full least squares with a variable for each part, 8 places and 2 panels invented; the reversal principle from memory"})
	}
}

// halfTurnDriftChecks compare the split of panels read in both orders, on a gauge that drifts from the first reading to the second.
func halfTurnDriftChecks(r *run) {
	var f struct {
		Places      [][2]float64
		TurnedFirst []bool `json:"turned_first"`
		Straight    [][]float64
		Turned      [][]float64
		Gauge       []float64 `json:"gauge_odd"`
		Glass       []float64 `json:"glass_odd"`
		Drift       []float64
		Sigma       float64
		F           float64 `json:"f_drift"`
		P           float64 `json:"p_drift"`
	}
	r.json("gauge/half_turn.json", &f)
	var panels []gaugestudy.Turned
	for q := range f.Straight {
		panels = append(panels, gaugestudy.Turned{Straight: f.Straight[q], Turned: f.Turned[q], TurnedFirst: f.TurnedFirst[q]})
	}
	h, err := gaugestudy.HalfTurn(f.Places, panels, gaugestudy.HalfTurnOptions{Remove: gaugestudy.RemoveNothing})
	if err != nil {
		h.Places = make([]gaugestudy.PlaceSplit, len(f.Places))
	}
	for _, v := range []struct {
		what      string
		want, got float64
	}{
		{"part that stays, place 1", f.Gauge[0], h.Places[0].Gauge},
		{"part that turns, place 1", f.Glass[0], h.Places[0].Glass},
		{"drift, place 1", f.Drift[0], h.Places[0].Drift},
		{"drift, place 6", f.Drift[5], h.Places[5].Drift},
		{"scatter of one reading", f.Sigma, h.Sigma},
		{"F of no drift", f.F, h.FDrift},
		{"p of no drift", f.P, h.PDrift},
	} {
		r.add(Check{Section: Gauge, Method: "Glass or gauge by half a turn, in both orders", Case: v.what, Source: "R. R. Donaldson, CIRP Annals 21 (1972), 125-126 (reversal); least squares in the model",
			Origin: Computed, By: "R 4.2.2", Want: v.want, Got: v.got, Tol: 1e-8, Relative: true, Trouble: trouble(err),
			Note: "lm.fit with a variable for each part, 8 places and 5 panels invented, two of them turned first; the reversal principle from memory"})
	}
}
