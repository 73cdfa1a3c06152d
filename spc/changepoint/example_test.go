package changepoint_test

import (
	"fmt"
	"math"

	"sagwatch/spc/changepoint"
)

// nile is the annual flow of the Nile at Aswan 1871-1970 in 1e8 m³ (Cobb 1978).
var nile = []float64{
	1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140, 995, 935, 1110, 994, 1020, 960, 1180, 799, 958, 1140,
	1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840, 874, 694, 940, 833, 701, 916, 692, 1020, 1050, 969,
	831, 726, 456, 824, 702, 1120, 1100, 832, 764, 821, 768, 845, 864, 862, 698, 845, 744, 796, 1040, 759,
	781, 865, 845, 944, 984, 897, 822, 1010, 771, 676, 649, 846, 812, 742, 801, 1040, 860, 874, 848, 890,
	744, 749, 838, 1050, 918, 986, 797, 923, 975, 815, 1020, 906, 901, 1170, 912, 746, 919, 718, 714, 740,
}

// The flow of the Nile fell after 1898, from 1097.75 to 849.97 (Cobb 1978; means recalled and computed).
func ExampleFind() {
	r, err := changepoint.Find([]changepoint.Stream{{Y: nile}}, changepoint.Options{SigmaUnknown: true, Resamples: 999})
	if err != nil {
		fmt.Println(err)
		return
	}
	s := r.Step.Sizes[0]
	fmt.Println(r.Shape, "after", 1871+r.Step.Start-1)
	fmt.Printf("from %.2f to %.2f, 95 %% interval of the step %.0f to %.0f\n", s.Before[0], s.Before[0]+s.Value, s.Lower, s.Upper)
	fmt.Printf("95 %% set of the first low year: %d to %d\n", 1871+r.Step.Set95.First, 1871+r.Step.Set95.Last)
	// Output:
	// step after 1898
	// from 1097.75 to 849.97, 95 % interval of the step -304 to -191
	// 95 % set of the first low year: 1898 to 1900
}

// Disasters in British coal mines, 1851-1962: fewer after 1891, 3.1 a year before and 0.9 after (Carlin, Gelfand and Smith
// 1992; recalled and computed).
func ExampleFindCounts() {
	counts := []int{
		4, 5, 4, 0, 1, 4, 3, 4, 0, 6, 3, 3, 4, 0, 2, 6, 3, 3, 5, 4, 5, 3, 1, 4, 4, 1, 5, 5, 3, 4, 2, 5, 2, 2, 3, 4, 2, 1, 3, 2, 2, 1, 1, 1, 1, 3, 0, 0, 1, 0, 1, 1, 0, 0, 3, 1,
		0, 3, 2, 2, 0, 1, 1, 1, 0, 1, 0, 1, 0, 0, 0, 2, 1, 0, 0, 0, 1, 1, 0, 2, 3, 3, 1, 1, 2, 1, 1, 1, 1, 2, 4, 2, 0, 0, 0, 1, 4, 0, 0, 0, 1, 0, 0, 0, 0, 0, 1, 0, 0, 1, 0, 1,
	}
	r, err := changepoint.FindCounts(changepoint.Poisson, []changepoint.CountStream{{Counts: counts}}, changepoint.Options{Only: changepoint.Step, Resamples: 199})
	if err != nil {
		fmt.Println(err)
		return
	}
	s := r.Step.Sizes[0]
	fmt.Printf("after %d: %.1f, then %.1f a year\n", 1851+r.Step.Start-1, s.Before[0], s.Before[0]*math.Exp(s.Value))
	// Output:
	// after 1891: 3.1, then 0.9 a year
}

// How near the estimated start of a step of 1 and of 2 sigma lies to the true one (Hinkley 1970; figures computed).
func ExampleStartError() {
	for _, delta := range []float64{1, 2} {
		p, err := changepoint.StartError(delta, 2)
		if err != nil {
			fmt.Println(err)
			return
		}
		fmt.Printf("%g sigma: exact in %.1f %%, at most 2 off in %.1f %%\n", delta, 100*p[0], 100*(p[0]+2*p[1]+2*p[2]))
	}
	// Output:
	// 1 sigma: exact in 28.0 %, at most 2 off in 64.2 %
	// 2 sigma: exact in 64.1 %, at most 2 off in 94.3 %
}

// Without any Phase I, the chart of Hawkins, Qiu and Kang finds the fall of the Nile as it happens.
func ExampleChart() {
	c, err := changepoint.NewChart(changepoint.ChartOptions{ARL0: 500})
	if err != nil {
		fmt.Println(err)
		return
	}
	var s changepoint.ChartState
	for i, y := range nile {
		if p := c.Step(&s, y); p.Signal {
			fmt.Printf("%d: statistic %.2f above %.2f, since %d\n", 1871+i, p.Statistic, p.Limit, 1871+i-p.Since+1)
			break
		}
	}
	// Output:
	// 1902: statistic 4.33 above 3.99, since 1899
}

// Four moulds rise alike while the master stays: it is the glass, and all moulds.
func ExampleAttribute() {
	a, err := changepoint.Attribute(changepoint.Evidence{
		Shifts: []changepoint.StreamShift{
			{Stream: "1", Value: 0.31, SE: 0.05}, {Stream: "2", Value: 0.28, SE: 0.05},
			{Stream: "3", Value: 0.35, SE: 0.06}, {Stream: "4", Value: 0.29, SE: 0.05},
		},
		Master: &changepoint.MasterChange{Value: 0.01, SE: 0.02},
		Scale:  0.3,
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	h := a.Hypotheses[0]
	fmt.Printf("%s (%.0f %%), shift %.2f ± %.2f\n", h.Cause, 100*h.Weight, h.Size, h.SE)
	fmt.Printf("in common: %.0f %%\n", 100*a.Split.Common)
	// Output:
	// all moulds (100 %), shift 0.30 ± 0.03
	// in common: 100 %
}

// 467.248 by scipy.integrate.quad (SciPy 1.10.1), where the table's limit has 500.
func ExampleAsymptoticARL0() {
	arl, err := changepoint.AsymptoticARL0(3.5015)
	fmt.Printf("%.3f %v\n", arl, err)
	// Output: 467.248 <nil>
}
