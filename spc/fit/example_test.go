package fit_test

import (
	"fmt"

	"sagwatch/spc/fit"
)

// glass is the strength of 31 glass fibres, from the data files of the NIST/SEMATECH e-Handbook of Statistical Methods.
var glass = []float64{18.830, 20.800, 21.657, 23.030, 23.230, 24.050, 24.321, 25.500, 25.520, 25.800, 26.690, 26.770, 26.780, 27.050,
	27.670, 29.900, 31.110, 33.200, 33.730, 33.760, 33.890, 34.760, 35.750, 35.910, 36.980, 37.080, 37.090, 39.580, 44.045, 45.290, 45.381}

// The numbers are those that SciPy 1.10.1 and mpmath give for the same data.
func ExampleFit() {
	s, err := fit.Values(glass)
	if err != nil {
		panic(err)
	}
	f, err := fit.Fit(s, fit.Weibull)
	if err != nil {
		panic(err)
	}
	for _, e := range f.Estimates {
		fmt.Printf("%s %.6f, standard error %.5f\n", e.Name, e.Value, e.SE)
	}
	fmt.Printf("log likelihood %.6f\n", f.LogLikelihood)
	ps, err := f.Percentiles(fit.Natural, 0.95)
	if err != nil {
		panic(err)
	}
	fmt.Printf("99.865 %% point %.4f, standard error %.5f\n", ps.Of[2].Value, ps.Of[2].SE)
	// Output:
	// shape 4.635383, standard error 0.62922
	// scale 33.674237, standard error 1.38288
	// log likelihood -105.488925
	// 99.865 % point 50.6068, standard error 2.88025
}

func ExampleBinned() {
	s, err := fit.Binned([]float64{15, 20, 25, 30, 35, 40, 45, 50}, []int{1, 6, 9, 6, 6, 1, 2})
	if err != nil {
		panic(err)
	}
	f, err := fit.Fit(s, fit.Normal)
	if err != nil {
		panic(err)
	}
	fmt.Printf("mean %.5f, standard deviation %.5f\n", f.Estimates[0].Value, f.Estimates[1].Value)
	// Output:
	// mean 30.88826, standard deviation 7.19432
}

func ExampleChoose() {
	s, err := fit.Values(glass)
	if err != nil {
		panic(err)
	}
	c, err := fit.Choose(s, fit.Form, nil)
	if err != nil {
		panic(err)
	}
	for _, f := range c.Fitted {
		fmt.Printf("%s, AIC %.3f\n", f.Family(), f.AIC)
	}
	l, err := fit.ProbabilityLimits(c.Best, fit.OuterTail)
	if err != nil {
		panic(err)
	}
	fmt.Printf("limits %.2f and %.2f about %.2f\n", l.Lower, l.Upper, l.Centre)
	// Output:
	// largest-extreme-value, AIC 212.285
	// folded-normal, AIC 213.809
	// limits 16.10 and 66.95 about 29.59
}

// R 4.2.2 gives W = 0.951109973395, p = 0.167506926771.
func ExampleShapiroWilk() {
	s, err := fit.Values(glass)
	if err != nil {
		panic(err)
	}
	r, err := fit.ShapiroWilk(s)
	if err != nil {
		panic(err)
	}
	fmt.Printf("W = %.9f, p = %.8f\n", r.W, r.P)
	// Output:
	// W = 0.951109973, p = 0.16750693
}

func ExampleAndersonDarling() {
	s, err := fit.Values(glass)
	if err != nil {
		panic(err)
	}
	g, err := fit.AndersonDarling(s, fit.Normal, fit.Resampling{})
	if err != nil {
		panic(err)
	}
	fmt.Printf("A2 = %.6f, adjusted %.6f, p = %.6f (%s)\n", g.A2, g.Adjusted, g.P, g.PMethod)
	// Output:
	// A2 = 0.532192, adjusted 0.546314, p = 0.160117 (table for fitted parameters)
}

// The handbook, section 1.3.5.17.1, prints G = 2.4687 and the critical value 2.032.
func ExampleGrubbs() {
	g, err := fit.Grubbs([]float64{199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57}, fit.HighSide, 0.05)
	if err != nil {
		panic(err)
	}
	fmt.Printf("G = %.5f, critical %.3f, outlier %v: %.2f\n", g.G, g.Critical, g.Outlier, g.Value)
	// Output:
	// G = 2.46876, critical 2.032, outlier true: 245.57
}

func ExampleGeneralisedESD() {
	o, err := fit.GeneralisedESD([]float64{199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57}, 2, 0.05)
	if err != nil {
		panic(err)
	}
	for _, s := range o.Suspects {
		fmt.Printf("%.2f: R = %.3f, lambda = %.3f\n", s.Value, s.R, s.Lambda)
	}
	fmt.Println(o.Count, "outlier")
	// Output:
	// 245.57: R = 2.469, lambda = 2.127
	// 199.31: R = 1.275, lambda = 2.020
	// 1 outlier
}

// Four quantiles of the SU curve with gamma -0.8, delta 1.5, xi 10 and lambda 2 give it back.
func ExampleFromFourQuantiles() {
	d, err := fit.FromFourQuantiles(0.524, [4]float64{8.92461907941476, 10.3700800192696, 12.0036590546228, 14.6557327553391})
	if err != nil {
		panic(err)
	}
	for _, p := range d.Parameters() {
		fmt.Printf("%s %.6f\n", p.Name, p.Value)
	}
	// Output:
	// gamma -0.800000
	// delta 1.500000
	// xi 10.000000
	// lambda 2.000000
}

func ExampleSample_Bootstrap() {
	s, err := fit.Values(glass)
	if err != nil {
		panic(err)
	}
	out, err := s.Bootstrap(nil, 1, fit.Resampling{Resamples: 2000, Seed: 1}, func(dst []float64, counts []int) {
		s.Quantiles(dst, []float64{0.5}, counts)
	})
	if err != nil {
		panic(err)
	}
	lower, upper, _, _ := fit.PercentileLimits(out, 0, 0.95)
	fmt.Printf("the median is %.2f, between %.2f and %.2f\n", s.Quantiles(nil, []float64{0.5}, nil)[0], lower, upper)
	// Output:
	// the median is 29.90, between 26.69 and 33.89
}
