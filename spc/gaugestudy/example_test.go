package gaugestudy_test

import (
	"fmt"
	"math/rand/v2"

	"sagwatch/spc/chart"
	"sagwatch/spc/gaugestudy"
)

// Data invented; figures as computed with SciPy 1.10.1 (testdata/reference/gauge/single_master.json).
func ExampleSingleMaster() {
	x := []float64{25.001, 25.003, 24.999, 25.002, 25.0, 25.004, 25.001, 24.998, 25.002, 25.001, 25.003, 25.0, 24.999, 25.002, 25.001,
		25.003, 25.002, 25.0, 25.001, 25.002, 24.999, 25.001, 25.003, 25.0, 25.002}
	m, err := gaugestudy.SingleMaster(x, gaugestudy.SingleMasterOptions{Reference: 25, Tolerance: 0.1})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("bias %.5f, t %.3f, Cg %.3f, Cgk %.3f\n", m.Bias, m.T, m.Cg, m.Cgk)
	// Output: bias 0.00116, t 3.819, Cg 2.195, Cgk 1.940
}

func ExampleMeasuringSystem() {
	r, err := gaugestudy.MeasuringSystem{Calibration: 0.5, Repeatability: 1.2, Bias: 0.3}.Judge(60, 15) // um
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("u %.3f, Q %.1f %%, C %.2f\n", r.U, r.QPercent, r.Capability)
	// Output: u 1.334, Q 8.9 %, C 2.25
}

// Three parts, three appraisers, three trials; the figures agree with NumPy and SciPy 1.10.1.
func ExampleCrossed() {
	y := [][][]float64{{{0.29, 0.41, 0.64}, {0.08, 0.25, 0.07}, {0.04, -0.11, -0.15}}, {{-0.56, -0.68, -0.58}, {-0.47, -1.22, -0.68}, {-1.38, -1.13, -0.96}},
		{{1.34, 1.17, 1.27}, {1.19, 0.94, 1.34}, {0.88, 1.09, 0.67}}}
	s, err := gaugestudy.Crossed(y, gaugestudy.StudyOptions{Tolerance: 8})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("repeatability %.3f, reproducibility %.3f, gauge %.1f %% of the study, %d categories\n", s.Repeat.SD, s.Reproduce.SD, s.Gauge.PercentStudy, s.Categories)
	fmt.Println(s.Warnings[0])
	// Output:
	// repeatability 0.183, reproducibility 0.235, gauge 29.3 % of the study, 4 categories
	// This rests on 3 parts; 10 would be enough.
}

func ExampleNested() {
	y := [][][]float64{{{10.1, 10.3}, {11.9, 12.0}, {9.0, 9.3}}, {{12.2, 12.1}, {10.8, 11.1}, {13.0, 12.8}}}
	s, err := gaugestudy.Nested(y, gaugestudy.StudyOptions{})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("repeatability %.3f with %.0f degrees of freedom\n", s.Repeat.SD, s.Repeat.DF)
	// Output: repeatability 0.153 with 6 degrees of freedom
}

func ExampleAverageRange() {
	k := gaugestudy.ConstantsFor(10, 3, 3)
	fmt.Printf("K1 %.4f, K2 %.4f, K3 %.4f\n", k.K1, k.K2, k.K3)
	y := [][][]float64{{{1.0, 1.2}, {1.1, 1.4}}, {{2.0, 2.1}, {2.3, 2.2}}}
	r, err := gaugestudy.AverageRange(y, gaugestudy.StudyOptions{}, nil)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("mean range %.3f\n", r.MeanRange)
	// Output:
	// K1 0.5908, K2 0.5231, K3 0.3146
	// mean range 0.175
}

func ExamplePlan() {
	sheet, err := gaugestudy.Plan(2, 2, 2, 1)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(len(sheet), "runs; the first trial ends with run", sheet[3].Run, "of trial", sheet[3].Trial)
	// Output: 8 runs; the first trial ends with run 4 of trial 1
}

// The line and the standard errors of the handbook (2.3.6.7) come from 40 points; these are the first six.
func ExampleCalibration() {
	line, err := gaugestudy.Calibration([]float64{6.19, 9.17, 1.99, 7.77, 4.00, 10.77}, []float64{6.31, 9.27, 2.21, 8.00, 4.27, 10.93})
	if err != nil {
		fmt.Println(err)
		return
	}
	x, u, err := line.Corrected(8)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("slope %.4f; a reading of 8 stands for %.3f, u = %.3f\n", line.Slope, x, u)
	// Output: slope 0.9883; a reading of 8 stands for 7.830, u = 0.068
}

func ExampleLine_Control() {
	// The line of the handbook, 2.3.7, as printed there, with the residual standard deviation and its degrees of freedom.
	line := gaugestudy.Line{Intercept: 0.2357, Slope: 0.9870, ResidualSD: 0.06203, DF: 38, SESlope: 0.00344058, TotalWeight: 40}
	c, err := line.Control([]float64{0.76, 3.29, 8.89}, []float64{1.12, 3.49, 9.11}, 3, 0.95)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("t* %.6f, limit %.4f, W %.4f %.4f %.4f\n", c.T, c.Limit, c.Points[0].W, c.Points[1].W, c.Points[2].W)
	// Output: t* 2.497575, limit 0.1570, W 0.1359 0.0072 0.1012
}

func ExampleLinearity() {
	l, err := gaugestudy.Linearity([]float64{2, 4, 6, 8}, [][]float64{{2.7, 2.5, 2.4}, {4.6, 4.4, 4.3}, {6.1, 5.9, 6.0}, {7.6, 7.7, 7.8}}, gaugestudy.LinearityOptions{})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("bias %.3f %+.3f x, p of the slope %.5f\n", l.Line.Intercept, l.Line.Slope, l.PSlope)
	// Output: bias 0.900 -0.147 x, p of the slope 0.00001
}

// J. M. Bland and D. G. Altman, Lancet i (1986), 307-310: mean -2.1 and standard deviation 38.8 l/min (data from memory).
func ExampleLimitsOfAgreement() {
	large := []float64{494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427}
	mini := []float64{512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451}
	a, err := gaugestudy.LimitsOfAgreement(large, mini, gaugestudy.AgreementOptions{Z: 2})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.1f, %.1f; from %.1f to %.1f\n", a.Mean, a.SD, a.Lower, a.Upper)
	d, err := gaugestudy.Deming(large, mini, 1, 0)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.4f + %.6f x\n", d.Intercept, d.Slope)
	// Output:
	// -2.1, 38.8; from -79.6 to 75.4
	// 15.2316 + 0.970881 x
}

func ExampleStability() {
	hours := []float64{0, 4, 8, 12, 16, 20}
	s, err := gaugestudy.Stability(hours, []float64{0.5, -0.3, 0.2, -0.6, 0.4, 0.1}, chart.IndividualsOptions{}, 0)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("stable %v, drift %.4f an hour (p = %.2f)\n", s.Stable, s.Drift, s.PDrift)
	// Output: stable true, drift -0.0050 an hour (p = 0.87)
}

func ExampleCheckStandard() {
	c, err := gaugestudy.CheckStandard([]float64{97.070, 97.049, 97.048, 97.084}, []float64{0.085, 0.052, 0.038, 0.036}, 5, gaugestudy.CheckStandardOptions{})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("s1 %.4f, centre %.3f, limits %.3f and %.3f\n", c.Level1, c.Centre, c.Lower, c.Upper)
	// Output: s1 0.0563, centre 97.063, limits 97.028 and 97.098
}

// Two runs of the same two artefacts over three days.
func ExampleLevels() {
	day := func(mean float64) gaugestudy.Occasion { return gaugestudy.Occasion{Mean: mean, SD: 0.07} }
	l, err := gaugestudy.Levels([][][]gaugestudy.Occasion{
		{{day(95.10), day(95.15), day(95.05)}, {day(99.30), day(99.35), day(99.28)}},
		{{day(95.14), day(95.18), day(95.12)}, {day(99.31), day(99.27), day(99.36)}}}, 6)
	if err != nil {
		fmt.Println(err)
		return
	}
	inputs, err := l.Contributions(1, 1, 6)
	if err != nil {
		fmt.Println(err)
		return
	}
	b, err := gaugestudy.Combine(inputs, gaugestudy.BudgetOptions{})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("levels %.4f, %.4f, %.4f; u %.4f\n", l.Level1, l.Level2, l.Level3, b.U)
	// Output: levels 0.0700, 0.0411, 0.0234; u 0.0409
}

func ExampleInstrumentBias() {
	r, err := gaugestudy.InstrumentBias([][][]float64{{{95.09, 95.12, 95.13}, {99.30, 99.32, 99.34}}}, 0)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.4f\n", r.Mean)
	// Output: -0.0217
}

func ExamplePaired() {
	r, err := gaugestudy.Paired([]float64{95.1162, 95.0569, 95.0598, 95.1487}, []float64{95.0993, 95.0657, 95.0622, 95.1625}, 0)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.4f, t %.2f with %.0f degrees of freedom\n", r.Mean, r.T, r.DF)
	// Output: -0.0020, t -0.30 with 3 degrees of freedom
}

// J. Cohen, 1960; a textbook table of which kappa is 0.4.
func ExampleCohenKappa() {
	k, err := gaugestudy.CohenKappa([][]int{{20, 5}, {10, 15}}, 0)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.2f, standard error %.4f\n", k.Overall.Kappa, k.Overall.SE)
	// Output: 0.40, standard error 0.1270
}

// A widely reproduced example of 10 subjects and 14 raters (from memory): kappa 0.210.
func ExampleFleissKappa() {
	k, err := gaugestudy.FleissKappa([][]int{{0, 0, 0, 0, 14}, {0, 2, 6, 4, 2}, {0, 0, 3, 5, 6}, {0, 3, 9, 2, 0}, {2, 2, 8, 1, 1},
		{7, 7, 0, 0, 0}, {3, 2, 6, 3, 0}, {2, 5, 3, 2, 2}, {6, 5, 2, 1, 0}, {0, 2, 2, 3, 7}}, 0)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.3f\n", k.Overall.Kappa)
	// Output: 0.210
}

func ExampleAttributes() {
	y := [][][]int{{{0, 0}, {1, 1}, {0, 0}, {1, 1}}, {{0, 0}, {1, 0}, {0, 0}, {1, 1}}}
	s, err := gaugestudy.Attributes(y, []int{0, 1, 0, 1}, 2, 0)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("all agree on %d of %d panels, %.1f to %.1f %%\n", s.Between.Agreed, s.Between.Of, s.Between.Interval.Lower, s.Between.Interval.Upper)
	// Output: all agree on 3 of 4 panels, 19.4 to 99.4 %
}

// JCGM 106:2012 (inputs and rounded results from memory): 0.92 and 0.66.
func ExampleConformanceProbability() {
	diode, err := gaugestudy.ConformanceProbability(gaugestudy.AtMost(-5.40), -5.47, 0.05)
	if err != nil {
		fmt.Println(err)
		return
	}
	oil, err := gaugestudy.ConformanceProbability(gaugestudy.Between(12.5, 16.3), 13.6, 1.8)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.2f %.2f\n", diode, oil)
	// Output: 0.92 0.66
}

// The resistors of JCGM 106:2012 (inputs from memory; figures computed with SciPy 1.10.1).
func ExampleGlobalRisk() {
	process, limits := gaugestudy.Process{SD: 0.12}, gaugestudy.Between(-0.2, 0.2)
	r, err := gaugestudy.GlobalRisk(process, 0.04, limits, limits)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("bad and accepted %.4f, good and refused %.4f\n", r.Consumer, r.Producer)
	g, _, err := gaugestudy.GuardBand(process, 0.04, limits, 0.001)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("guard band for 0.001: %.4f\n", g)
	// Output:
	// bad and accepted 0.0189, good and refused 0.0372
	// guard band for 0.001: 0.0679
}

func ExampleSpecificGuardBand() {
	g, err := gaugestudy.SpecificGuardBand(gaugestudy.AtMost(381), 3, 0.95)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.3f\n", g)
	// Output: 4.935
}

func ExampleDecisionZones() {
	z, err := gaugestudy.DecisionZones(gaugestudy.AtMost(381), 3, 2)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(z.Judge(370), z.Judge(380), z.Judge(390))
	// Output: conforms undecided does-not-conform
}

// JCGM 100:2008, H.1: u = 32 nm with 16 degrees of freedom, U99 = 93 nm.
func ExampleCombine() {
	b, err := gaugestudy.Combine([]gaugestudy.Input{{Name: "standard", U: 25, Sensitivity: 1, DF: 18}, {Name: "difference", U: 9.7, Sensitivity: 1, DF: 25.6},
		{Name: "expansion", U: 2.9, Sensitivity: 1, DF: 50}, {Name: "temperature", U: 16.6, Sensitivity: 1, DF: 2}}, gaugestudy.BudgetOptions{Confidence: 0.99, WholeDF: true})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("u %.0f, U %.0f, %.1f degrees of freedom\n", b.U, b.Expanded, b.DF)
	// Output: u 32, U 93, 16.8 degrees of freedom
}

// A probe that moves by 8 um after 1000 panels of 4 moulds.
func ExampleProbeHealth() {
	h, err := gaugestudy.NewProbeHealth(gaugestudy.ProbeOptions{Probes: 48, Moulds: 4})
	if err != nil {
		fmt.Println(err)
		return
	}
	r := rand.New(rand.NewPCG(1, 2))
	for i := range 1200 {
		residuals := make([]float64, 48)
		for p := range residuals {
			residuals[p] = 3 * r.NormFloat64()
		}
		if i >= 1000 {
			residuals[30] += 8
		}
		step, err := h.Step(i%4, residuals)
		if err != nil {
			fmt.Println(err)
			return
		}
		for _, f := range step.Findings {
			fmt.Printf("panel %d: probe %d moved on moulds %v\n", step.Panel, f.Probe, f.Moulds)
		}
	}
	f := h.Findings()[0]
	fmt.Printf("since panel %d, 8 um within the interval: %v\n", f.Since, f.Interval.Contains(8))
	// Output:
	// panel 1015: probe 30 moved on moulds [1 2 3]
	// since panel 1000, 8 um within the interval: true
}

// One probe reads 6 um too much; two panels, each measured again after half a turn. The figures agree with the full least
// squares in the parts by NumPy and SciPy 1.10.1.
func ExampleHalfTurn() {
	places := [][2]float64{{-100, -80}, {0, -80}, {100, -80}, {-100, 0}, {100, 0}, {-100, 80}, {0, 80}, {100, 80}}
	panels := []gaugestudy.Turned{
		{Straight: []float64{6.2, 0.1, -0.2, 0.3, 0.0, 0.2, -0.1, 0.1}, Turned: []float64{5.8, -0.1, 0.1, 0.0, 0.2, -0.2, 0.0, 0.3}},
		{Straight: []float64{6.0, -0.2, 0.1, 0.2, 0.1, 0.0, 0.2, -0.1}, Turned: []float64{6.1, 0.0, -0.1, 0.1, -0.2, 0.1, 0.1, 0.0}},
	}
	r, err := gaugestudy.HalfTurn(places, panels, gaugestudy.HalfTurnOptions{Remove: gaugestudy.RemoveNothing})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("stays: %.3f and %.3f um at places 1 and 8, standard error %.2f; gauge p = %.0e, glass p = %.2f\n",
		r.Places[0].Gauge, r.Places[7].Gauge, r.Places[0].SE, r.PGauge, r.PGlass)
	// Output: stays: 2.975 and -2.975 um at places 1 and 8, standard error 0.04; gauge p = 1e-15, glass p = 0.04
}

// Places that have no partner: only the terms that change sign are split.
func ExampleHalfTurnShape() {
	r := rand.New(rand.NewPCG(3, 4))
	var places [][2]float64
	p := gaugestudy.Turned{}
	for i := range 48 {
		x, y := 400*r.Float64()-200, 300*r.Float64()-150
		places = append(places, [2]float64{x, y})
		glass := 20e-6 * (x*x*x - 3*x*y*y) / 100 // changes sign when turned
		gauge := float64(i%2) * 0.1
		p.Straight, p.Turned = append(p.Straight, gauge+glass), append(p.Turned, gauge-glass+0.01*r.NormFloat64())
	}
	s, err := gaugestudy.HalfTurnShape(places, []gaugestudy.Turned{p})
	if err != nil {
		fmt.Println(err)
		return
	}
	h := s.RadiusMM
	fmt.Printf("%s of the glass %.3f, planted %.3f\n", s.Terms[0].Term, s.Terms[0].Glass[0], 20e-8*h*h*h)
	// Output: cubic_1 of the glass 2.488, planted 2.489
}

// The peak-flow meters of J. M. Bland and D. G. Altman, Lancet i (1986), 307-310 (data from memory): 15.2316 + 0.970881 x, and
// by leaving one out a standard error of the slope of 0.139017 (NumPy 1.24.2).
func ExampleDeming() {
	large := []float64{494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427}
	mini := []float64{512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451}
	d, err := gaugestudy.Deming(large, mini, 1, 0)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.4f + %.6f x, standard error of the slope %.6f\n", d.Intercept, d.Slope, d.SESlope)
	// Output: 15.2316 + 0.970881 x, standard error of the slope 0.139017
}

// The resistors of JCGM 106:2012 (inputs from memory): the guard band that leaves 0.1 % bad and accepted,
// 0.067902 with 0.201753 good and refused (scipy.integrate.quad and optimize.brentq, SciPy 1.10.1).
func ExampleGuardBand() {
	g, r, err := gaugestudy.GuardBand(gaugestudy.Process{SD: 0.12}, 0.04, gaugestudy.Between(-0.2, 0.2), 0.001)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.6f: bad and accepted %.6f, good and refused %.6f\n", g, r.Consumer, r.Producer)
	// Output: 0.067902: bad and accepted 0.001000, good and refused 0.201753
}
