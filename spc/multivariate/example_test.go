package multivariate_test

import (
	"fmt"

	"sagwatch/spc/multivariate"
)

// Two characteristics, known law with correlation 0.5.
func known() *multivariate.T2 {
	t, err := multivariate.NewT2([]float64{0, 0}, []float64{1, 0.5, 0.5, 1}, []string{"sag", "twist"})
	if err != nil {
		panic(err)
	}
	return t
}

// The form is read in the NIST/SEMATECH e-Handbook 6.5.4.3.4; SciPy 1.10.1 gives 7.150015754.
func ExamplePhaseTwoLimit() {
	l, err := multivariate.PhaseTwoLimit(2, 30, 0.05)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.9f\n", l)
	// Output: 7.150015754
}

// SciPy 1.10.1 gives 5.578897453.
func ExamplePhaseOneLimit() {
	l, err := multivariate.PhaseOneLimit(2, 30, 0.05)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.9f\n", l)
	// Output: 5.578897453
}

// A textbook example of 20 subgroups of 10 fibres prints 13.72 (from memory); SciPy 1.10.1 gives 13.72074159.
func ExampleSubgroupPhaseOneLimit() {
	l, err := multivariate.SubgroupPhaseOneLimit(2, 20, 10, 0.001)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.8f\n", l)
	// Output: 13.72074159
}

// SciPy 1.10.1 gives 15.16503018.
func ExampleSubgroupPhaseTwoLimit() {
	l, err := multivariate.SubgroupPhaseTwoLimit(2, 20, 10, 0.001)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.8f\n", l)
	// Output: 15.16503018
}

func ExampleKnownLimit() {
	l, err := multivariate.KnownLimit(2, 0.05)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.9f\n", l)
	// Output: 5.991464547
}

// So many observations bring the Phase II limit within a tenth of the one for a known law; SciPy 1.10.1 gives the same numbers.
func ExampleEnough() {
	fmt.Println(multivariate.Enough(2), multivariate.Enough(11))
	// Output: 86 226
}

// SciPy 1.10.1 gives 41.91590229.
func ExampleT2ARL() {
	a, err := multivariate.T2ARL(2, 10.59663473, 1)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.6f\n", a)
	// Output: 41.915902
}

func ExampleT2_Terms() {
	t := known()
	x := []float64{1.5, -1.5}
	s, err := t.Statistic(x)
	if err != nil {
		fmt.Println(err)
		return
	}
	terms, err := t.Terms(x)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("T2 = %.2f\n", s)
	for _, v := range terms {
		fmt.Printf("%s: %.3f by itself, %.3f given the other\n", v.Name, v.Z, v.ZGiven)
	}
	// Output:
	// T2 = 9.00
	// sag: 1.500 by itself, 2.598 given the other
	// twist: -1.500 by itself, -2.598 given the other
}

func ExampleT2_Ordered() {
	parts, err := known().Ordered([]float64{1.5, -1.5}, []int{0, 1})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.2f + %.2f\n", parts[0], parts[1])
	// Output: 2.25 + 6.75
}

// longley are x2, x3 and x4 of NIST StRD Longley.
var longley = [][]float64{{234289, 2356, 1590}, {259426, 2325, 1456}, {258054, 3682, 1616}, {284599, 3351, 1650}, {328975, 2099, 3099}, {346999, 1932, 3594},
	{365385, 1870, 3547}, {363112, 3578, 3350}, {397469, 2904, 3048}, {419180, 2822, 2857}, {442769, 2936, 2798}, {444546, 4681, 2637},
	{482704, 3813, 2552}, {502601, 3931, 2514}, {518173, 4806, 2572}, {554894, 4007, 2827}}

// mpmath 1.2.1 gives the statistics 3.53038483374046, 7.877394844026176 and 8.33435756509691.
func ExampleMEWMAState_Step() {
	b, err := multivariate.Individuals(longley, multivariate.Options{Names: []string{"product", "unemployed", "forces"}})
	if err != nil {
		fmt.Println(err)
		return
	}
	t, err := b.T2()
	if err != nil {
		fmt.Println(err)
		return
	}
	s, err := multivariate.NewMEWMA(multivariate.MEWMASettings{Lambda: 0.2, H: 8}, 3)
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, x := range longley[:3] {
		p, err := s.Step(t, x)
		if err != nil {
			fmt.Println(err)
			return
		}
		fmt.Printf("%.10f %v\n", p.T2, p.Signal)
	}
	// Output:
	// 3.5303848337 false
	// 7.8773948440 false
	// 8.3343575651 true
}

// S. S. Prabhu and G. C. Runger (1997) print H = 8.64 for an in-control run length of 200 (from memory).
func ExampleMEWMALimit() {
	h, err := multivariate.MEWMALimit(2, 0.1, 200, true)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.2f\n", h)
	// Output: 8.63
}

// C. A. Lowry and others (1992) print 10.2 or so (from memory); SciPy 1.10.1 gives 10.12737193 by the same equation.
func ExampleMEWMADesign_ARL() {
	a, err := multivariate.MEWMADesign{P: 2, Lambda: 0.1, H: 8.64, Steady: true}.ARL(1)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.5f\n", a)
	// Output: 10.12737
}

// NumPy and SciPy give T2 = 113.63302863586998 and the limit 29.75142975296217.
func ExampleBaseline_Explain() {
	b, err := multivariate.Individuals(longley, multivariate.Options{Names: []string{"product", "unemployed", "forces"}})
	if err != nil {
		fmt.Println(err)
		return
	}
	t, err := b.T2()
	if err != nil {
		fmt.Println(err)
		return
	}
	e, err := b.Explain(t, []float64{400000, 2900, 8000}, 0.0027)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("T2 = %.1f, limit %.1f\n", e.T2, e.Limit)
	for _, d := range e.Drivers {
		fmt.Println(d)
	}
	// Output:
	// T2 = 113.6, limit 29.8
	// forces is 7.7 standard deviations above its mean
}

// Jackson (1991) prints 140.45 for the missile data (from memory); SciPy 1.10.1 gives 140.41651329810816.
func ExampleJacksonMudholkarLimit() {
	q, err := multivariate.JacksonMudholkarLimit([]float64{29.33, 16.41}, 0.05)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.8f\n", q)
	// Output: 140.41651330
}

// SciPy 1.10.1 gives 140.80734679480406.
func ExampleBoxLimit() {
	q, err := multivariate.BoxLimit([]float64{29.33, 16.41}, 0.05)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.8f\n", q)
	// Output: 140.80734679
}

// NumPy and SciPy give the share 0.94745, Q = 0.825125635171216 and the limit 0.6056053687160683.
func ExampleComponents_Predict() {
	b, err := multivariate.Individuals(longley, multivariate.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	c, err := b.Components(multivariate.ComponentsOptions{Keep: 2})
	if err != nil {
		fmt.Println(err)
		return
	}
	p, err := c.Predict(longley[7])
	if err != nil {
		fmt.Println(err)
		return
	}
	limit, err := c.Limit(0.05)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("kept %.3f, Q = %.4f, limit %.4f\n", c.Share, p.Q, limit)
	// Output: kept 0.947, Q = 0.8251, limit 0.6056
}

// NumPy gives 5.656489287443163 as the greatest T2, of the eighth observation, and SciPy 9.557178182695118 as the limit.
func ExampleIndividuals() {
	b, err := multivariate.Individuals(longley, multivariate.Options{Names: []string{"product", "unemployed", "forces"}})
	if err != nil {
		fmt.Println(err)
		return
	}
	t, err := b.T2()
	if err != nil {
		fmt.Println(err)
		return
	}
	limit, err := b.PhaseOneLimit(0.0027)
	if err != nil {
		fmt.Println(err)
		return
	}
	s, err := t.Statistic(longley[7])
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("T2 = %.6f, limit %.6f\n%v\n", s, limit, b.Warnings[0])
	// Output:
	// T2 = 5.656489, limit 9.557178
	// This rests on 16 observations; 104 would be enough.
}

// NumPy gives 231.92057116449246 for the first four observations as a subgroup, SciPy the limit 25.992073090712296.
func ExampleSubgroups() {
	b, err := multivariate.Subgroups([][][]float64{longley[:4], longley[4:8], longley[8:12], longley[12:]}, multivariate.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	t, err := b.T2()
	if err != nil {
		fmt.Println(err)
		return
	}
	mean := make([]float64, 3)
	for _, x := range longley[:4] {
		for j, v := range x {
			mean[j] += v / 4
		}
	}
	s, err := t.Statistic(mean)
	if err != nil {
		fmt.Println(err)
		return
	}
	limit, err := b.PhaseOneLimit(0.0027)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("T2 = %.6f, limit %.6f\n", 4*s, limit)
	// Output: T2 = 231.920571, limit 25.992073
}
