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

// The NIST/SEMATECH e-Handbook, section 6.5.2, prints lambda 0.28 for 42 values of microwave radiation; 0.275937, and the interval
// -0.0178 to 0.5864, by scipy.stats.boxcox_llf (SciPy 1.10.1).
func ExampleFitBoxCox() {
	s, err := fit.Values([]float64{0.15, 0.09, 0.18, 0.1, 0.05, 0.12, 0.08, 0.05, 0.08, 0.1, 0.07, 0.02, 0.01, 0.1, 0.1, 0.1, 0.02, 0.1, 0.01, 0.4, 0.1,
		0.05, 0.03, 0.05, 0.15, 0.1, 0.15, 0.09, 0.08, 0.18, 0.1, 0.2, 0.11, 0.3, 0.02, 0.2, 0.2, 0.3, 0.3, 0.4, 0.3, 0.05})
	if err != nil {
		panic(err)
	}
	b, err := fit.FitBoxCox(s, 0.95)
	if err != nil {
		panic(err)
	}
	fmt.Printf("lambda %.4f, between %.4f and %.4f\n", b.Lambda, b.Lower, b.Upper)
	// Output: lambda 0.2759, between -0.0178 and 0.5864
}

// Limits of the Weibull distribution of ExampleFit at the tails of three standard deviations: 8.0961, 31.1142 and 50.6068
// (scipy.stats.weibull_min, SciPy 1.10.1).
func ExampleProbabilityLimits() {
	d, err := fit.New(fit.Weibull, 4.635383, 33.674237)
	if err != nil {
		panic(err)
	}
	l, err := fit.ProbabilityLimits(d, fit.OuterTail)
	if err != nil {
		panic(err)
	}
	fmt.Printf("%.4f, %.4f, %.4f; standard deviation %.4f\n", l.Lower, l.Centre, l.Upper, l.Sigma)
	// Output: 8.0961, 31.1142, 50.6068; standard deviation 7.5549
}

// scipy.stats.skewtest, kurtosistest and normaltest give p = 0.2925, 0.4293 and 0.4205 (SciPy 1.10.1).
func ExampleShapeOf() {
	s, err := fit.Values(glass)
	if err != nil {
		panic(err)
	}
	h, err := fit.ShapeOf(s)
	if err != nil {
		panic(err)
	}
	fmt.Printf("skewness %.6f (p %.4f), excess kurtosis %.6f (p %.4f), both p %.4f\n", h.Skewness, h.SkewnessP, h.ExcessKurtosis, h.KurtosisP, h.P)
	// Output: skewness 0.405396 (p 0.2925), excess kurtosis -0.713363 (p 0.4293), both p 0.4205
}

// Data of Tietjen and Moore 1972 from the handbook's data files: two suspects, E = 0.292 (0.2919994 with NumPy 1.24.2).
func ExampleTestTietjenMoore() {
	x := []float64{-1.40, -0.44, -0.30, -0.24, -0.22, -0.13, -0.05, 0.06, 0.10, 0.18, 0.20, 0.39, 0.48, 0.63, 1.01}
	r, err := fit.TestTietjenMoore(x, 2, 0.05, fit.Resampling{Seed: 1})
	if err != nil {
		panic(err)
	}
	fmt.Printf("E = %.6f, outliers %v: values %d and %d\n", r.E, r.Outliers, r.Indices[0]+1, r.Indices[1]+1)
	// Output: E = 0.291999, outliers true: values 15 and 1
}

// The curve through four sample quantiles passes them again: the distribution function there is that of -1.572, -0.524, 0.524
// and 1.572.
func ExampleFitFourQuantiles() {
	s, err := fit.Values(glass)
	if err != nil {
		panic(err)
	}
	f, err := fit.FitFourQuantiles(s, 0)
	if err != nil {
		panic(err)
	}
	ps := []float64{0.057975, 0.300139, 0.699861, 0.942025}
	for i, x := range s.Quantiles(nil, ps, nil) {
		fmt.Printf("%.4f at %.4f\n", f.Distribution.CDF(x), ps[i])
	}
	// Output:
	// 0.0580 at 0.0580
	// 0.3001 at 0.3001
	// 0.6999 at 0.6999
	// 0.9420 at 0.9420
}
