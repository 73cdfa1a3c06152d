package runlength_test

import (
	"fmt"

	"sagwatch/spc/rules"
	"sagwatch/spc/runlength"
)

// Champ and Woodall 1987, Technometrics 29, table 1: limits, two of three, four of five and eight on one side (rule set
// C1234; 91.75, 9.22 and 3.13 from memory, computed with SciPy 1.10.1).
func ExampleShewhart_RunLength() {
	set := rules.Default()
	set, _ = set.With(rules.TwoOfThree, 2)
	set, _ = set.With(rules.FourOfFive, 4)
	set, _ = set.With(rules.RunOneSide, 8)
	chart := runlength.Sigma(3, set)
	for _, shift := range []float64{0, 1, 2} {
		r, err := chart.RunLength(runlength.Normal{Mean: shift, SD: 1}, runlength.Options{})
		if err != nil {
			fmt.Println(err)
			return
		}
		fmt.Printf("shift %g: %.2f points (%s, %d states)\n", shift, r.ARL, r.Route, r.States)
	}
	// Output:
	// shift 0: 91.75 points (markov-chain, 295 states)
	// shift 1: 9.22 points (markov-chain, 295 states)
	// shift 2: 3.13 points (markov-chain, 295 states)
}

// Two of two between 2 and 3 sigma, rule C5 of Champ and Woodall, with limits: 278.04 in control by computation with
// SciPy 1.10.1.
func ExampleZones_RunLength() {
	chart := runlength.Zones{
		{Count: 1, From: -3, To: 3, Outside: true},
		{Count: 2, From: 2, To: 3},
		{Count: 2, From: -3, To: -2},
	}
	r, err := chart.RunLength(runlength.Standard, runlength.Options{})
	median, _ := r.Quantile(0.5)
	fmt.Printf("%.2f points, half of the runs within %d %v\n", r.ARL, median, err)
	// Output:
	// 278.04 points, half of the runs within 193 <nil>
}

// Lucas and Saccucci 1990, Technometrics 32: lambda 0.1, L 2.814, ARL 500, 31.3 and 10.3 at shifts 0, 0.5 and 1 (from
// memory; converged values 499.58, 31.297 and 10.331, SciPy 1.10.1).
func ExampleEWMA_RunLength() {
	chart := runlength.EWMA{Lambda: 0.1, L: 2.814}
	for _, shift := range []float64{0, 0.5, 1} {
		r, err := chart.RunLength(runlength.Normal{Mean: shift, SD: 1}, runlength.Options{})
		if err != nil {
			fmt.Println(err)
			return
		}
		fmt.Printf("shift %g: %.3f points, standard deviation %.1f\n", shift, r.ARL, r.SDRL)
	}
	// Output:
	// shift 0: 499.580 points, standard deviation 491.4
	// shift 0.5: 31.297 points, standard deviation 22.5
	// shift 1: 10.331 points, standard deviation 4.8
}

// Lucas and Crosier 1982, Technometrics 24: k 0.5, h 5 with and without a head start of h/2; 465 and 430 in control, 10.4
// and 6.35 at a shift of 1 (from memory; SciPy 1.10.1 gives 465.44, 430.39, 10.376 and 6.347).
func ExampleCUSUM_ARL() {
	for _, head := range []float64{0, 2.5} {
		chart := runlength.CUSUM{K: 0.5, H: 5, HeadStart: head}
		inControl, _ := chart.ARL(runlength.Standard)
		shifted, err := chart.ARL(runlength.Normal{Mean: 1, SD: 1})
		fmt.Printf("head start %g: %.2f and %.3f points %v\n", head, inControl, shifted, err)
	}
	// Output:
	// head start 0: 465.44 and 10.376 points <nil>
	// head start 2.5: 430.39 and 6.347 points <nil>
}

// Crowder 1989 and Lucas and Saccucci 1990 find lambda between 0.1 and 0.2 for a shift of one standard deviation; the
// figures agree with scipy.optimize (SciPy 1.10.1): 0.13362, 2.8826, 10.2047.
func ExampleDesignEWMA() {
	d, err := runlength.DesignEWMA(500, 1)
	fmt.Printf("lambda %.3f, L %.3f: %.3f points at the shift %v\n", d.Lambda, d.L, d.ARL1, err)
	// Output:
	// lambda 0.134, L 2.883: 10.205 points at the shift <nil>
}

// h by scipy.optimize.brentq (SciPy 1.10.1): 5.070704.
func ExampleDesignCUSUM() {
	d, err := runlength.DesignCUSUM(500, 1)
	fmt.Printf("k %.1f, h %.3f: %.3f points at the shift %v\n", d.K, d.H, d.ARL1, err)
	// Output:
	// k 0.5, h 5.071: 10.517 points at the shift <nil>
}

// One false signal a shift over three charts of a press, one panel in 10 s and six moulds: 3840 points a shift, each with
// the same run length. SciPy 1.10.1: norm.isf(1/7680) = 3.6518, norm.isf(1/3840) = 3.4698, and L = 3.5802 by brentq.
func ExampleBudget_Split() {
	shares, err := runlength.Budget{FalseSignals: 1, Charts: []runlength.BudgetChart{
		{Name: "radius by mould", Kind: runlength.PointChart, PointsPerShift: 2880},
		{Name: "radius, cycle mean", Kind: runlength.EWMAChart, Lambda: 0.2, PointsPerShift: 480},
		{Name: "radius, cycle spread", Kind: runlength.PointChart, Side: "upper", PointsPerShift: 480},
	}}.Split()
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, s := range shares {
		fmt.Printf("%s: limit %.3f, %.3f false signals a shift\n", s.Name, s.Limit, s.FalseSignals)
	}
	// Output:
	// radius by mould: limit 3.652, 0.750 false signals a shift
	// radius, cycle mean: limit 3.580, 0.125 false signals a shift
	// radius, cycle spread: limit 3.470, 0.125 false signals a shift
}

// Limits at 3 sigma from 100 points: 5 % of baselines leave fewer than 120 points between false signals, 5 % more than
// 1198 (scipy.integrate.quad, SciPy 1.10.1: 120.286 and 1198.269).
func ExampleEstimatedShewhart() {
	r, err := runlength.EstimatedShewhart(3, runlength.FromSD(100))
	fmt.Printf("wanted %.1f, 90 %% range %.1f to %.1f %v\n", r.Wanted, r.Lower, r.Upper, err)
	// Output:
	// wanted 370.4, 90 % range 120.3 to 1198.3 <nil>
}

// A chart that nothing here knows: simulated, with its standard error.
func ExampleSimulate() {
	r, err := runlength.Simulate(func() runlength.Stepper { return &farTwice{} }, runlength.Standard,
		runlength.Options{Simulation: runlength.Simulation{Seed: 1, RelSE: 0.02}})
	exact := 1/0.02275013194817921 + 1/(0.02275013194817921*0.02275013194817921)
	fmt.Println(r.Route, r.ARL-4*r.SE < exact && exact < r.ARL+4*r.SE, err)
	// Output:
	// monte-carlo true <nil>
}

// farTwice signals at two points in a row above 2: mean wait 1/p + 1/p^2.
type farTwice struct{ before bool }

func (f *farTwice) Reset() { f.before = false }

func (f *farTwice) Step(x float64) bool {
	signal := f.before && x > 2
	f.before = x > 2
	return signal
}

// Lucas and Saccucci 1990 have L = 2.814 at lambda 0.1 for 500 points (from memory); 2.814310 by scipy.optimize.brentq on the
// integral equation (SciPy 1.10.1).
func ExampleEWMALimit() {
	d, err := runlength.EWMALimit(0.1, 500, false)
	fmt.Printf("%.6f %v\n", d.L, err)
	// Output: 2.814310 <nil>
}

// NIST/SEMATECH e-Handbook 6.3.2.3 has h = 4.77 at k 0.5 for 370 points (from memory); 4.774897 by scipy.optimize.brentq for
// 370.4 (SciPy 1.10.1).
func ExampleCUSUMInterval() {
	d, err := runlength.CUSUMInterval(0.5, 370.4, 0, runlength.TwoSided)
	fmt.Printf("%.6f %v\n", d.H, err)
	// Output: 4.774897 <nil>
}

// Beyond-limits alone: the normal quantile of 1/(2 500), 3.090232 (tables; SciPy 1.10.1).
func ExampleShewhartMultiple() {
	k, r, err := runlength.ShewhartMultiple(rules.Default(), 500)
	fmt.Printf("%.6f: %.1f points %v\n", k, r.ARL, err)
	// Output: 3.090232: 500.0 points <nil>
}

// The limits of ExampleEstimatedShewhart by the general way, whose grid costs a thousandth: 120.286 and 1198.269 by
// scipy.integrate.quad.
func ExampleEstimated() {
	chart := runlength.Sigma(3, rules.Default())
	r, err := runlength.Estimated(func(d runlength.Distribution) (float64, error) {
		l, err := chart.RunLength(d, runlength.Options{})
		return l.ARL, err
	}, runlength.FromSD(100))
	fmt.Printf("90 %% range %.0f to %.0f %v\n", r.Lower, r.Upper, err)
	// Output: 90 % range 120 to 1198 <nil>
}

// Limits at 3.410090 of a standard deviation from 100 points hold 370.4 points in 95 of 100 baselines (scipy.integrate.quad and
// optimize.brentq, SciPy 1.10.1).
func ExampleGuaranteedMultiple() {
	k, err := runlength.GuaranteedMultiple(370.4, 0.95, runlength.FromSD(100))
	fmt.Printf("%.6f %v\n", k, err)
	// Output: 3.410090 <nil>
}

// Six independent streams: the normal quantile of (1 - (1 - 1/500)^(1/6))/2, 3.587697 (SciPy 1.10.1).
func ExampleGroupLimit() {
	g, err := runlength.GroupLimit(6, false, 500)
	fmt.Printf("%.6f %v\n", g.L, err)
	// Output: 3.587697 <nil>
}

// Two charts at 3 and at 3.2 sigma: 1 / (1 - (1 - p1)(1 - p2)) = 245.678 (SciPy 1.10.1).
func ExampleFirst() {
	var charts []runlength.RunLength
	for _, k := range []float64{3, 3.2} {
		r, err := runlength.Sigma(k, rules.Default()).RunLength(runlength.Standard, runlength.Options{})
		if err != nil {
			fmt.Println(err)
			return
		}
		charts = append(charts, r)
	}
	both, err := runlength.First(charts...)
	fmt.Printf("%.3f points %v\n", both.ARL, err)
	// Output: 245.678 points <nil>
}

// phi 0.5: 3.071797 (Nystrom's method with 200 nodes, NumPy 1.24.2, and scipy.optimize.brentq); independent points need 3.090232.
func ExampleWidenedMultiple() {
	c, err := runlength.WidenedMultiple(0.5, 500)
	fmt.Printf("%.6f %v\n", c.K, err)
	// Output: 3.071797 <nil>
}

// phi 0.6: sqrt(1 - 0.36) = 0.8, so that a shift of 1 sigma shows as 1.25 at first and as 0.5 later.
func ExampleResidualShift() {
	first, later, err := runlength.ResidualShift(0.6, 1)
	fmt.Printf("%.2f, then %.2f %v\n", first.Mean, later.Mean, err)
	// Output: 1.25, then 0.50 <nil>
}
