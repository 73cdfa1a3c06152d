package proof

import (
	"fmt"
	"math"

	"sagwatch/spc/gaugestudy"
)

const decisionFile = "uncertainty/decision_rules.json"

func tolerance(lower, upper num) gaugestudy.Tolerance {
	var t gaugestudy.Tolerance
	if l := float64(lower); !math.IsNaN(l) {
		t.Lower = &l
	}
	if u := float64(upper); !math.IsNaN(u) {
		t.Upper = &u
	}
	return t
}

func decisionChecks(r *run) {
	var f struct {
		Conformance []struct {
			ID, Text            string
			Upper, Lower        num
			Y, U                float64
			Computed, Published float64
		} `json:"conformance_probability"`
		Speed struct {
			Text                string
			V0, Conf            float64
			URel                float64 `json:"u_rel"`
			Computed, Published float64
		}
		Guard []struct {
			Ratio float64 `json:"U_over_tol"`
			Share float64 `json:"conformance_fraction_of_tolerance"`
		} `json:"guard_bands"`
		ISO []struct {
			Z     float64
			OverU float64 `json:"g_over_U"`
		} `json:"iso_14253_1"`
	}
	r.json(decisionFile, &f)
	for _, c := range f.Conformance {
		p, err := gaugestudy.ConformanceProbability(tolerance(c.Lower, c.Upper), c.Y, c.U)
		r.add(Check{Section: Gauge, Method: "Conformance probability", Case: c.Text, Source: "JCGM 106:2012, worked examples", Origin: Computed, By: scipyNumPy,
			Recalled: shown(c.Published) + " (from memory)", Want: c.Computed, Got: p, Tol: 1e-11, Relative: true, Trouble: trouble(err), Note: "inputs from memory"})
	}
	p, err := gaugestudy.ConformanceProbability(gaugestudy.AtLeast(f.Speed.V0), f.Speed.Computed, f.Speed.URel*f.Speed.Computed)
	r.add(Check{Section: Gauge, Method: "Conformance probability", Case: f.Speed.Text + ": the probability there", Source: "JCGM 106:2012, worked examples", Origin: Computed, By: scipyNumPy,
		Recalled: shown(f.Speed.Published) + " km/h (from memory)", Want: f.Speed.Conf, Got: p, Tol: 1e-11, Trouble: trouble(err), Note: "inputs from memory"})
	// norm.cdf((1 - g) / u) - norm.cdf(-g / u) for a tolerance of 1 and g = 2 u, by the shares of the tolerance in the file.
	atEdge := map[float64]float64{0.05: 0.9772498680518208, 0.1: 0.9772498680518208, 0.2: 0.9772498680518201, 0.3: 0.9772483374250842}
	for _, g := range f.Guard {
		whole := gaugestudy.Between(0, 1)
		z, err := gaugestudy.DecisionZones(whole, g.Ratio/2, 2)
		line := Check{Section: Gauge, Method: "Zones of decision", Case: fmt.Sprintf("expanded uncertainty %g of the tolerance, share left for acceptance", g.Ratio), Source: "ISO 14253-1:2017",
			Origin: Memory, Want: g.Share, Got: z.Share, Tol: 1e-14, Trouble: trouble(err), Note: "the rule from memory: shrunk by the expanded uncertainty on each side"}
		r.add(line)
		want, ok := atEdge[g.Ratio]
		if !ok {
			panic(fmt.Errorf("%s: no probability for a ratio of %g", decisionFile, g.Ratio))
		}
		for _, side := range []string{"lower", "upper"} {
			edge := math.NaN()
			if z.Acceptance != nil {
				edge = *z.Acceptance.Lower
				if side == "upper" {
					edge = *z.Acceptance.Upper
				}
			}
			p, err := gaugestudy.ConformanceProbability(whole, edge, g.Ratio/2)
			line.Case = fmt.Sprintf("expanded uncertainty %g of the tolerance, probability of conformity at the %s end of acceptance", g.Ratio, side)
			line.Origin, line.By, line.Want, line.Got, line.Tol, line.Trouble = Computed, scipyNumPy, want, p, 1e-13, trouble(err)
			line.Note = "scipy.stats.norm.cdf; the rule from memory"
			r.add(line)
		}
	}
	for _, c := range f.ISO {
		g, err := gaugestudy.SpecificGuardBand(gaugestudy.AtMost(10), 1, 0.95)
		add := func(what string, want, got float64) {
			r.add(Check{Section: Gauge, Method: "Guard band for 95 % conformity", Case: what, Source: "ISO 14253-1:2017", Origin: Computed, By: scipyNumPy, Want: want, Got: got, Tol: 1e-11,
				Relative: true, Trouble: trouble(err), Note: "the rule from memory"})
		}
		add("one limit, over u", c.Z, g)
		add("one limit, over U = 2u", c.OverU, g/2)
	}
	// scipy.optimize.brentq of norm.cdf((1-g)/0.25) - norm.cdf(-g/0.25) - 0.95
	g, err := gaugestudy.SpecificGuardBand(gaugestudy.Between(0, 1), 0.25, 0.95)
	r.add(Check{Section: Gauge, Method: "Guard band for 95 % conformity", Case: "two limits 4 u apart, over their distance", Source: "JCGM 106:2012, 8.3.2", Origin: Computed, By: scipyNumPy,
		Want: 0.4490531801490491, Got: g, Tol: 1e-10, Relative: true, Trouble: trouble(err)})
}

func riskChecks(r *run) {
	var f struct {
		Risks struct {
			Rows []struct {
				Rule     string
				U0       float64
				Um       float64 `json:"u_m"`
				T, A     float64
				Consumer float64 `json:"consumer_risk"`
				Producer float64 `json:"producer_risk"`
			}
		}
	}
	r.json(decisionFile, &f)
	add := func(what string, want, got, tol float64, err error) {
		r.add(Check{Section: Gauge, Method: "Global risk", Case: what, Source: "JCGM 106:2012, 9.5", Origin: Computed, By: "SciPy 1.10.1 (quadrature over the true value)",
			Want: want, Got: got, Tol: tol, Relative: true, Trouble: trouble(err), Note: "resistor example, inputs from memory"})
	}
	var limit gaugestudy.Tolerance
	for _, c := range f.Risks.Rows {
		limit = gaugestudy.Between(-c.T, c.T)
		g, err := gaugestudy.GlobalRisk(gaugestudy.Process{SD: c.U0}, c.Um, limit, gaugestudy.Between(-c.A, c.A))
		add(c.Rule+", bad and accepted", c.Consumer, g.Consumer, 1e-8, err)
		add(c.Rule+", good and refused", c.Producer, g.Producer, 1e-8, err)
	}
	// scipy.integrate.quad of norm.pdf(x) times the chance of acceptance at x, over the bad (good) true values, epsrel 1e-12
	type row struct {
		what              string
		p                 gaugestudy.Process
		u                 float64
		t, a              gaugestudy.Tolerance
		consumer, produce float64
	}
	for _, c := range []row{
		{"upper limit only, simple acceptance", gaugestudy.Process{Mean: 0.3, SD: 1}, 0.25, gaugestudy.AtMost(2), gaugestudy.AtMost(2), 0.007243286271724622, 0.012226831224061846},
		{"upper limit only, guard band 0.3", gaugestudy.Process{Mean: 0.3, SD: 1}, 0.25, gaugestudy.AtMost(2), gaugestudy.AtMost(1.7), 0.001105668885484382, 0.04374040070203262},
		{"off centre, guard band 0.05", gaugestudy.Process{Mean: 0.05, SD: 0.12}, 0.04, gaugestudy.Between(-0.2, 0.2), gaugestudy.Between(-0.15, 0.15), 0.0031658420930332576, 0.15042644245979533},
	} {
		g, err := gaugestudy.GlobalRisk(c.p, c.u, c.t, c.a)
		add(c.what+", bad and accepted", c.consumer, g.Consumer, 1e-10, err)
		add(c.what+", good and refused", c.produce, g.Producer, 1e-10, err)
	}
	// scipy.optimize.brentq over the same quadrature
	g, _, err := gaugestudy.GuardBand(gaugestudy.Process{SD: 0.12}, 0.04, gaugestudy.Between(-0.2, 0.2), 0.001)
	add("guard band for a risk of 0.001", 0.06790170507813656, g, 1e-9, err)
}

func budgetChecks(r *run) {
	var f struct {
		GUM struct {
			Inputs    map[string]float64
			Computed  map[string]float64
			Published remembered
		}
	}
	r.json(decisionFile, &f)
	in, want := f.GUM.Inputs, f.GUM.Computed
	add := func(name string, got, tol float64, err error) {
		r.add(Check{Section: Gauge, Method: "Uncertainty budget", Case: "calibration of an end gauge, " + name, Source: "JCGM 100:2008 (GUM), annex H.1", Origin: Computed, By: scipyNumPy,
			Recalled: f.GUM.Published.of(name), Want: want[name], Got: got, Tol: tol, Relative: true, Trouble: trouble(err), Note: "inputs from memory"})
	}
	d, err := gaugestudy.Combine([]gaugestudy.Input{{Name: "repeated observations", U: in["u_dbar"], Sensitivity: 1, DF: in["nu_dbar"]},
		{Name: "comparator, random", U: in["u_d1"], Sensitivity: 1, DF: in["nu_d1"]}, {Name: "comparator, systematic", U: in["u_d2"], Sensitivity: 1, DF: in["nu_d2"]}}, gaugestudy.BudgetOptions{})
	add("u_d", d.U, 1e-11, err)
	add("nu_d", d.DF, 1e-11, err)
	nm := in["lS_mm"] * 1e6
	alpha := gaugestudy.Input{Name: "difference of expansion", U: gaugestudy.Rectangular(in["delta_alpha_half_width"]), Sensitivity: nm * in["theta_bar"], DF: in["nu_dalpha"]}
	theta := gaugestudy.Input{Name: "difference of temperature", U: gaugestudy.Rectangular(in["delta_theta_half_width"]), Sensitivity: nm * in["alpha_S"], DF: in["nu_dtheta"]}
	all, err := gaugestudy.Combine([]gaugestudy.Input{{Name: "standard", U: in["u_lS"], Sensitivity: 1, DF: in["nu_lS"]},
		{Name: "difference", U: d.U, Sensitivity: 1, DF: d.DF}, alpha, theta}, gaugestudy.BudgetOptions{Confidence: 0.99, WholeDF: true})
	if len(all.Contributions) == 4 {
		add("c_dalpha", all.Contributions[2], 1e-11, err)
		add("c_dtheta", all.Contributions[3], 1e-11, err)
	}
	add("u_c", all.U, 1e-11, err)
	add("nu_eff", all.DF, 1e-11, err)
	add("t99_16", all.K, 1e-10, err)
	add("U99", all.Expanded, 1e-10, err)
}
