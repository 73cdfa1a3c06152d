package chart_test

import (
	"fmt"

	"sagwatch/spc/chart"
)

// NIST/SEMATECH e-Handbook 6.3.2.4 (from memory): the average and its limits, which widen to the steady 47.41 and 52.59.
func ExampleEWMA() {
	x := []float64{52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5}
	points, err := chart.EWMA(x, chart.EWMASettings{Target: 50, Sigma: 2.0539, Lambda: 0.3})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, i := range []int{0, 1, 9} {
		p := points[i]
		fmt.Printf("%.2f in %.2f to %.2f: %s\n", p.Z, p.Limits.Lower, p.Limits.Upper, p.Side)
	}
	// Output:
	// 50.60 in 48.15 to 51.85: inside
	// 49.52 in 47.74 to 52.26: inside
	// 50.33 in 47.41 to 52.59: inside
}

// NIST/SEMATECH e-Handbook 6.3.2.3 (from memory): target 325, sigma 0.635, signal at the 14th value.
func ExampleCUSUMState_Step() {
	x := []float64{324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600, 324.625, 325.150, 328.325, 327.250}
	s, err := chart.NewCUSUM(chart.CUSUMSettings{Target: 325, Sigma: 0.635, K: 0.5, H: 4.1959 / 0.635})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, v := range x {
		p, err := s.Step(v)
		if err != nil {
			fmt.Println(err)
			return
		}
		if p.Side != chart.Inside {
			fmt.Printf("value %d: sum %.2f, the shift began %d values ago, level now about %.1f\n", s.N, p.Hi*0.635, p.NHi, s.Level(p.Side))
		}
	}
	s.Reset() // acted on
	// Output: value 14: sum 4.94, the shift began 2 values ago, level now about 327.8
}

func ExampleMedianRange() {
	g := [][]float64{{9, 11, 10}, {10, 13, 9}, {8, 10, 11}, {12, 10, 10}}
	r, _ := chart.MedianRange(g, chart.Width{})
	l, _ := r.MeanLimits(3)
	// The table's factor for n = 3, 1.187 (ISO 7870-2, from memory), times the mean range 2.75.
	fmt.Printf("medians %.2f ± %.2f\n", l.Centre, l.Upper-l.Centre)
	// Output: medians 10.00 ± 3.26
}

func ExampleBetweenWithin() {
	g := [][]float64{{9, 11, 10}, {14, 13, 15}, {8, 10, 9}, {12, 11, 10}}
	r, _ := chart.BetweenWithin(g, chart.BetweenWithinOptions{})
	inside, _ := r.Within.MeanLimits(3)
	fmt.Printf("cycle means as individuals %.1f to %.1f\n", r.Means.Limits.Lower, r.Means.Limits.Upper)
	fmt.Printf("from the spread inside alone %.1f to %.1f\n", inside.Lower, inside.Upper)
	// Output:
	// cycle means as individuals 1.3 to 20.7
	// from the spread inside alone 9.0 to 13.0
}

func ExampleGroupChart_Step() {
	model := chart.GroupModel{Centres: []float64{1107.0, 1107.4, 1108.8, 1106.9}, Sigmas: []float64{0.2, 0.2, 0.2, 0.2}, Alike: true}
	g, err := chart.NewGroupChart(model, chart.Width{})
	if err != nil {
		fmt.Println(err)
		return
	}
	// All moulds ran 2 mm high; the third one 1 mm more.
	p, moulds, _ := g.Step(nil, []chart.StreamValue{{Stream: 0, Value: 1109.1}, {Stream: 1, Value: 1109.3}, {Stream: 2, Value: 1111.8}, {Stream: 3, Value: 1108.9}})
	fmt.Printf("limit %.2f (%s)\n", p.Limit.Z, p.Limit.Method)
	for _, m := range moulds {
		if m.Side != chart.Inside {
			fmt.Printf("mould %d is %s the others: %.2f\n", m.Stream+1, m.Side, m.Z)
		}
	}
	// Output:
	// limit 3.40 (exact)
	// mould 3 is above the others: 4.33
}

// NIST/SEMATECH e-Handbook 6.3.3.1 has a mean of 16 defects a wafer and limits 4 and 28 (from memory).
func ExampleDefectLimits() {
	three, _ := chart.DefectLimits(chart.CountOf, 1, 16, chart.Width{})
	exact, _ := chart.DefectLimits(chart.CountOf, 1, 16, chart.Width{Probability: 0.0027})
	_, above, _ := chart.CountRates(chart.CountOf, 1, 16, three)
	fmt.Printf("%g to %g at 3 sigma, above with probability %.4f; %g to %g at probability 0.0027\n", three.Lower, three.Upper, above, exact.Lower, exact.Upper)
	// Output: 4 to 28 at 3 sigma, above with probability 0.0022; 5 to 29 at probability 0.0027
}

func ExampleRejectChart() {
	x := []chart.Rejects{{4, 200}, {9, 210}, {3, 190}, {22, 205}, {5, 200}, {2, 195}}
	r, err := chart.RejectChart(chart.Proportion, x, chart.AttributeOptions{})
	if err != nil {
		fmt.Println(err)
		return
	}
	l, _ := r.Limits(200)
	fmt.Printf("%.4f, upper limit for 200: %.4f, dispersion p = %.1e\n", r.Level, l.Upper, r.Dispersion.P)
	for _, w := range r.Warnings {
		fmt.Println(w)
	}
	// Output:
	// 0.0375, upper limit for 200: 0.0778, dispersion p = 6.3e-07
	// This rests on 6 subgroups; 25 would be enough.
	// The counts vary more from one subgroup to the next than chance alone gives them; the adjusted form allows for it.
}

func ExampleTimeLimits() {
	l, _ := chart.TimeLimits(1, 40, chart.Width{Probability: 0.0027}) // hours between rejects, 40 on average
	fmt.Printf("%.2f to %.0f h, median %.1f h\n", l.Lower, l.Upper, l.Centre)
	// Output: 0.05 to 264 h, median 27.7 h
}

func ExamplePanelLimits() {
	l, _ := chart.PanelLimits(1, 0.001, chart.Width{Probability: 0.0027})
	fmt.Printf("%.0f to %.0f panels to the next reject\n", l.Lower, l.Upper)
	// Output: 2 to 6605 panels to the next reject
}

func ExampleStandardisedState_Step() {
	var s chart.StandardisedState
	// Two products on one chart.
	a, _ := s.Step(1107.9, 1107.5, 0.2)
	b, _ := s.Step(900.1, 901.0, 0.3)
	fmt.Printf("z %.1f then %.1f, moving range %.1f of %.2f, %s\n", a.Z, b.Z, b.MovingRange, b.RangeLimits.Upper, b.RangeSide)
	// Output: z 2.0 then -3.0, moving range 5.0 of 3.69, above
}

func ExampleRunsTest() {
	// A sawtooth: more runs than chance gives.
	r, _ := chart.RunsTest([]float64{1, 9, 2, 8, 1, 9, 2, 8, 1, 9, 2, 8, 1, 9, 2, 8, 1, 9, 2, 8})
	fmt.Printf("%d runs, %.0f expected, p = %.1e\n", r.Runs, r.Expected, r.P)
	// Output: 20 runs, 11 expected, p = 3.5e-05
}

func ExampleIntervals() {
	t := []float64{12, 40, 7, 55, 31, 2, 90, 20}
	r, _ := chart.Intervals(t, chart.IntervalOptions{})
	fmt.Printf("mean %.1f, upper limit %.0f\n", r.Mean, r.Limits.Upper)
	// Output: mean 32.1, upper limit 212
}

func ExampleQChart() {
	points, _ := chart.QChart([]float64{97.070, 97.049, 97.048, 97.084, 97.106})
	fmt.Printf("%.4f %.4f %.4f\n", points[2].Q, points[3].Q, points[4].Q)
	// Output: -0.4662 1.3197 1.5848
}

// The table factors for subgroups of five (ISO 7870-2, from memory): with a mean range of 1, sigma = 1/d2 = 1/2.326, the limits
// of means are ± A2 = 0.577 and the upper limit of ranges is D4 = 2.114.
func ExampleMeanLimits() {
	const sigma = 1 / 2.326
	means, err := chart.MeanLimits(5, 0, sigma, chart.Width{})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.3f to %.3f\n", means.Lower, means.Upper)
	// Output: -0.577 to 0.577
}

// D4 = 2.114 for subgroups of five, and no lower limit (ISO 7870-2, from memory).
func ExampleRangeLimits() {
	ranges, err := chart.RangeLimits(5, 1/2.326, chart.Width{})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("centre %.3f, upper %.3f, lower limit %v\n", ranges.Centre, ranges.Upper, ranges.HasLower)
	// Output: centre 1.000, upper 2.114, lower limit false
}

// B3 = 0.284 and B4 = 1.716 for subgroups of ten, c4 = 0.9727 (ISO 7870-2, from memory).
func ExampleSDLimits() {
	sd, err := chart.SDLimits(10, 1/0.9727, chart.Width{})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.3f to %.3f about %.3f\n", sd.Lower, sd.Upper, sd.Centre)
	// Output: 0.284 to 1.716 about 1.000
}

// The standard deviation of the median of three is 0.66983 (scipy.integrate.quad, SciPy 1.10.1).
func ExampleMedianLimits() {
	l, err := chart.MedianLimits(3, 10, 1, chart.Width{})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("10 ± %.6f\n", l.Upper-10)
	// Output: 10 ± 2.009487
}

// NIST/SEMATECH e-Handbook 6.3.3.2: wafers of 50 chips, mean proportion 0.2313, limits 0.0524 and 0.4102 (from memory).
func ExampleRejectLimits() {
	l, err := chart.RejectLimits(chart.Proportion, 50, 0.2313, chart.Width{})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.4f to %.4f\n", l.Lower, l.Upper)
	// Output: 0.0524 to 0.4102
}

// NIST/SEMATECH e-Handbook 6.3.3.1: defects on 25 wafers, mean 16, limits 4 and 28 (from memory). The dispersion about the
// mean is chi-square with 24 degrees of freedom, p = 0.0357 (SciPy 1.10.1).
func ExampleDefectChart() {
	var x []chart.Defects
	for _, n := range []int{16, 14, 28, 16, 12, 20, 10, 12, 10, 17, 19, 17, 14, 16, 15, 13, 14, 16, 11, 20, 11, 19, 16, 31, 13} {
		x = append(x, chart.Defects{Count: n, Area: 1})
	}
	r, err := chart.DefectChart(chart.CountOf, x, chart.AttributeOptions{})
	if err != nil {
		fmt.Println(err)
		return
	}
	l, err := r.Limits(1)
	fmt.Printf("%g, limits %g and %g, dispersion p = %.4f %v\n", l.Centre, l.Lower, l.Upper, r.Dispersion.P, err)
	for i, v := range x {
		if chart.Beyond(l, float64(v.Count)) == chart.Above {
			fmt.Println("above: wafer", i+1)
		}
	}
	// Output:
	// 16, limits 4 and 28, dispersion p = 0.0357 <nil>
	// above: wafer 24
}

// NIST/SEMATECH e-Handbook 2.6.2 prints, for a check standard, s1 = 0.06139 with 125 degrees of freedom,
// F(0.05; 5, 125) = 2.286771 and the limit 0.09283.
func ExamplePooledSDLimit() {
	limit, err := chart.PooledSDLimit(0.06139, 125, 5, 0.05)
	fmt.Printf("%.5f %v\n", limit, err)
	// Output: 0.09283 <nil>
}

// sqrt((5 0.06^2 + 10 0.03^2) / 15) = sqrt(0.0018).
func ExamplePooledSD() {
	s, df, err := chart.PooledSD([]float64{0.06, 0.03}, []int{5, 10})
	fmt.Printf("%.6f with %d degrees of freedom %v\n", s, df, err)
	// Output: 0.042426 with 15 degrees of freedom <nil>
}

// Streams that vary alike: the greatest of four deviations from their mean passes 2.94025 sigma with probability 0.0027, which
// is 3.39510 of its standard deviations; by Bonferroni 3.39954 (scipy.integrate.quad and stats.norm, SciPy 1.10.1).
func ExampleGroupLimitFor() {
	for _, alike := range []bool{true, false} {
		l, err := chart.GroupLimitFor(4, alike, chart.Width{Probability: 0.0027})
		fmt.Printf("%.5f %s %v\n", l.Z, l.Method, err)
	}
	// Output:
	// 3.39510 exact <nil>
	// 3.39954 bonferroni <nil>
}

// Four cycles of three moulds with given centres: sigma = sqrt(4.68/8) = 0.76485 (NumPy 1.24.2).
func ExampleGroupBaseline() {
	cycles := [][]chart.StreamValue{
		{{Stream: 0, Value: 101}, {Stream: 1, Value: 199}, {Stream: 2, Value: 300}},
		{{Stream: 0, Value: 102}, {Stream: 1, Value: 202.5}, {Stream: 2, Value: 301.5}},
		{{Stream: 0, Value: 99}, {Stream: 1, Value: 200}, {Stream: 2, Value: 298}},
		{{Stream: 0, Value: 100.5}, {Stream: 1, Value: 200.2}, {Stream: 2, Value: 300.8}},
	}
	g, err := chart.GroupBaseline(cycles, []float64{100, 200, 300}, true, false)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.5f of %d degrees of freedom\n", g.Sigmas[0], g.DF)
	fmt.Println(g.Warnings[0])
	// Output:
	// 0.76485 of 8 degrees of freedom
	// This rests on 4 cycles; 100 would be enough.
}

// Two short runs on one chart: mean moving range 0.2, over d2 = 1.128379 (NumPy 1.24.2).
func ExampleDeviationsFromTarget() {
	r, err := chart.DeviationsFromTarget([]chart.ShortRun{
		{Target: 10, Values: []float64{10.1, 9.9, 10.2}},
		{Target: 20, Values: []float64{20.3, 20.0, 20.1, 20.2}},
	}, chart.Width{})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("sigma %.6f, limits ± %.6f, mean deviation %.6f\n", r.SigmaWithin, r.Deviation.Upper, r.MeanDeviation)
	// Output: sigma 0.177245, limits ± 0.531736, mean deviation 0.114286
}

// Cycle effects of mean 0.04 and standard deviation 0.207364 (NumPy 1.24.2) about a level of 10; then about a target of 10.
func ExampleCycleBaseline() {
	var points []chart.CyclePoint
	for _, e := range []float64{0.2, -0.1, 0.3, -0.2, 0} {
		points = append(points, chart.CyclePoint{M: 4, Effect: e, Mean: 10 + e, Spread: 0.1, HasSpread: true})
	}
	m, err := chart.CycleBaseline(points, 0)
	if err != nil {
		fmt.Println(err)
		return
	}
	about, _ := m.About(10)
	for _, c := range []chart.CycleModel{m, about} {
		l, _ := c.MeanLimits(4, chart.Width{})
		fmt.Printf("%.6f ± %.6f from %s\n", l.Centre, l.Upper-l.Centre, c.CentreFrom)
	}
	// Output:
	// 10.040000 ± 0.622093 from data
	// 10.000000 ± 0.622093 from target
}
