package autocorrelation_test

import (
	"fmt"

	"sagwatch/spc/autocorrelation"
	"sagwatch/spc/chart"
)

// seriesF are 70 consecutive yields of a batch process, Series F of Box and Jenkins (1970), as in the NIST/SEMATECH e-Handbook
// 6.4.4.9.
var seriesF = []float64{47, 64, 23, 71, 38, 64, 55, 41, 59, 48, 71, 35, 57, 40, 58, 44, 80, 55, 37, 74, 51, 57, 50, 60, 45, 57,
	50, 45, 25, 59, 50, 71, 56, 74, 50, 58, 45, 54, 36, 54, 48, 55, 45, 57, 50, 62, 44, 64, 43, 52, 38, 59, 55, 41, 53, 49, 34, 35,
	54, 45, 68, 38, 50, 60, 39, 59, 40, 57, 54, 23}

// The handbook prints -0.389878319, 0.304394082 and -0.165554717.
func ExampleCorrelate() {
	c, err := autocorrelation.Correlate(seriesF, 3, 0.95)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.9f\nband ±%.3f\n", c.R, c.White)
	// Output:
	// [-0.389878319 0.304394082 -0.165554717]
	// band ±0.234
}

// The handbook prints -0.3198 and 0.1797.
func ExampleYuleWalker() {
	a, err := autocorrelation.YuleWalker(seriesF, 2)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.4f\n", a.Phi)
	// Output: [-0.3198 0.1797]
}

// The handbook's older edition prints -0.3397 and 0.1904.
func ExampleConditionalLeastSquares() {
	a, err := autocorrelation.ConditionalLeastSquares(seriesF, 2)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.4f\n", a.Phi)
	// Output: [-0.3397 0.1904]
}

// R 4.2.2 ar.burg gives -0.332248421453483 and 0.18300818983024.
func ExampleBurg() {
	a, err := autocorrelation.Burg(seriesF, 2)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.9f\n", a.Phi)
	// Output: [-0.332248421 0.183008190]
}

// R 4.2.2 gives X-squared = 25.351, p-value = 0.004719 for the 48 hormone values of P. J. Diggle (1990).
func ExampleLjungBox() {
	q, err := autocorrelation.LjungBox(lh, 10, 0)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("Q = %.3f with %d degrees of freedom, p = %.6f\n", q.Q, q.DF, q.P)
	// Output: Q = 25.351 with 10 degrees of freedom, p = 0.004719
}

// R 4.2.2 prints for arima(lh, order = c(1,0,0)): ar1 0.5739, intercept 2.4133, s.e. 0.1161 and 0.1466, sigma^2 0.1975, log
// likelihood -29.38, aic 64.76.
func ExampleFitModel() {
	f, err := autocorrelation.FitModel(lh, autocorrelation.AR1, autocorrelation.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("coefficient %.4f (%.2f), mean %.4f (%.2f), sigma² %.4f\n", f.Model.AR1, f.SEAR1, f.Model.Mean, f.SEMean, f.Model.Sigma*f.Model.Sigma)
	fmt.Printf("log likelihood %.2f, AIC %.2f\n", f.LogLikelihood, f.AIC)
	l, err := f.Limits(chart.Width{})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("limits of the points %.2f to %.2f, each ±%.2f\n", l.Limits.Lower, l.Limits.Upper, l.SE)
	for _, w := range l.Warnings {
		fmt.Println(w)
	}
	// Output:
	// coefficient 0.5739 (0.12), mean 2.4133 (0.15), sigma² 0.1975
	// log likelihood -29.38, AIC 64.76
	// limits of the points 0.79 to 4.04, each ±0.27
	// This rests on 48 points; 100 would be enough.
	// This rests on 13 effectively independent points; 20 would be enough. The process moves too slowly beside this baseline for its true spread to be known; limits are likely too narrow.
}

// By BIC the 70 yields are an autoregression of first order; by AIC R's second order is hardly better (537.96 against 537.66).
func ExampleChoose() {
	c, err := autocorrelation.Choose(seriesF, autocorrelation.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, f := range c.All {
		fmt.Printf("%v: AIC %.2f, BIC %.2f\n", f.Model.Order, f.AIC, f.BIC)
	}
	fmt.Println(c.Best.Model.Order)
	// Output:
	// independent points: AIC 548.47, BIC 552.96
	// AR(1): AIC 537.96, BIC 544.70
	// AR(2): AIC 537.66, BIC 546.65
	// ARMA(1,1): AIC 538.14, BIC 547.13
	// AR(1)
}

func ExampleResiduals_Step() {
	s, err := autocorrelation.NewResiduals(autocorrelation.Model{Order: autocorrelation.AR1, AR1: 0.5, Mean: 10, Sigma: 1})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, x := range []float64{12, 11, 9} {
		r, err := s.Step(x)
		if err != nil {
			fmt.Println(err)
			return
		}
		fmt.Printf("expected %.2f, residual %.2f, standardised %.3f\n", r.Expected, r.E, r.Z)
	}
	// Output:
	// expected 10.00, residual 2.00, standardised 1.732
	// expected 11.00, residual 0.00, standardised 0.000
	// expected 10.50, residual -1.50, standardised -1.500
}

// Sigma / sqrt(1 - 0.8²) is 1/0.6; 100 points with correlations 0.8^k are worth as much as 11.6 independent ones.
func ExampleModel_EffectiveSize() {
	m := autocorrelation.Model{Order: autocorrelation.AR1, AR1: 0.8, Sigma: 1}
	sd, err := m.ProcessSD()
	if err != nil {
		fmt.Println(err)
		return
	}
	n, err := m.EffectiveSize(100)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.4f %.1f\n", sd, n)
	// Output: 1.6667 11.6
}

func ExampleARBias() {
	fmt.Printf("%.3f\n", autocorrelation.ARBias(0.9, 100))
	// Output: -0.037
}
