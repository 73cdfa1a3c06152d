package dist_test

import (
	"math"
	"testing"

	"sagwatch/spc/dist"
)

// A probability must come out of any numbers whatever, between 0 and 1 and never NaN, with lower and upper tail making
// one.
func FuzzTails(f *testing.F) {
	f.Add(1.5, 10.0, 3.0, 0.5)
	f.Add(-400.0, 1.0, 300.0, 0.999999)
	f.Add(1e300, 1e6, -4000.0, -1.0)
	f.Add(1e-300, 1e-3, 0.0, 1e-12)
	f.Add(0.0, 2e9, 38.0, -0.9999999999)
	f.Fuzz(func(t *testing.T, x, df, delta, rho float64) {
		if math.IsNaN(x) || !(df > 1e-3 && df < 1e9) || !(math.Abs(delta) < 1e4) || !(math.Abs(rho) <= 1) {
			t.Skip()
		}
		pair := func(what string, lower, upper float64) {
			if !(lower >= 0 && lower <= 1+1e-12 && upper >= 0 && upper <= 1+1e-12) || math.Abs(lower+upper-1) > 1e-8 {
				t.Errorf("%s of x = %g, df = %g, delta = %g, rho = %g: %g and %g", what, x, df, delta, rho, lower, upper)
			}
		}
		pair("non-central t", dist.NoncentralTCDF(x, df, delta), dist.NoncentralTTail(x, df, delta))
		pair("Student's t", dist.StudentTTail(-x, df), dist.StudentTTail(x, df))
		pair("chi-square", dist.ChiSquareCDF(x, df), dist.ChiSquareTail(x, df))
		if df < 1e5 {
			pair("non-central chi-square", dist.NoncentralChiSquareCDF(x, df, math.Abs(delta)), dist.NoncentralChiSquareTail(x, df, math.Abs(delta)))
		}
		if x > 0 && !math.IsInf(x, 1) && x > 1e-100 {
			pair("F", dist.FTail(1/x, 3, df), dist.FTail(x, df, 3))
		}
		pair("bivariate normal", dist.BivariateNormalRectangle(x, math.Inf(1), delta, math.Inf(1), rho)+
			dist.BivariateNormalRectangle(x, math.Inf(1), math.Inf(-1), delta, rho), dist.NormalCDF(x))
		pair("normal maximum", 1-dist.NormalMaximumTail(x, 5, math.Abs(rho)), dist.NormalMaximumTail(x, 5, math.Abs(rho)))
		if p := dist.MaxAbsDeviationTail(math.Abs(x), 2+int(math.Min(df, 200))); !(p >= 0 && p <= 1) {
			t.Errorf("greatest deviation beyond %g: %g", x, p)
		}
	})
}

// Quantiles must invert their tails.
func FuzzQuantiles(f *testing.F) {
	f.Add(0.05, 10.0, 3.0)
	f.Add(1e-12, 1.0, 300.0)
	f.Add(0.999999, 1e6, -300.0)
	f.Add(0.5, 0.7, 0.0)
	f.Fuzz(func(t *testing.T, p, df, delta float64) {
		if !(p > 1e-15 && p < 1-1e-9) || !(df > 0.5 && df < 1e6) || !(math.Abs(delta) < 1000) {
			t.Skip()
		}
		near := func(what string, got float64) {
			if !(math.Abs(got-p) <= 1e-8*p) {
				t.Errorf("%s at %g, df = %g, delta = %g: tail %g", what, p, df, delta, got)
			}
		}
		near("non-central t", dist.NoncentralTCDF(dist.NoncentralTQuantile(p, df, delta), df, delta))
		near("non-central t, upper", dist.NoncentralTTail(dist.NoncentralTQuantileUpper(p, df, delta), df, delta))
		near("delta", dist.NoncentralTCDF(delta, df, dist.NoncentralTDelta(delta, df, p)))
		near("chi-square", dist.ChiSquareTail(dist.ChiSquareQuantileUpper(p, df), df))
		near("F", dist.FTail(dist.FQuantileUpper(p, df, 7), df, 7))
		near("greatest deviation", dist.MaxAbsDeviationTail(dist.MaxAbsDeviationQuantileUpper(p, 2+int(df)%60), 2+int(df)%60))
	})
}

// Least squares of any data ends with a finite answer or a refusal.
func FuzzLeastSquares(f *testing.F) {
	f.Add(1.0, 2.0, 3.0, 4.0, 1.0, 0.1)
	f.Add(0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
	f.Add(1e150, -1e150, 1e-150, 7.0, 1e10, -3.0)
	f.Fuzz(func(t *testing.T, y0, y1, y2, y3, b0, b1 float64) {
		y := []float64{y0, y1, y2, y3}
		fit, err := dist.LeastSquares(4, func(dst, b []float64) {
			for i := range dst {
				dst[i] = y[i] - b[0]*math.Exp(b[1]*float64(i))
			}
		}, nil, []float64{b0, b1})
		if err != nil {
			return
		}
		for _, v := range append(fit.Coef, fit.SS) {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				t.Errorf("%v from %v", fit, y)
			}
		}
	})
}

func FuzzOneWay(f *testing.F) {
	f.Add(1.0, 2.0, 3.0, 4.0)
	f.Add(1e150, -1e150, 1e150, -1e150)
	f.Add(math.NaN(), 0.0, 0.0, 0.0)
	f.Add(5e-324, 0.0, 0.0, 0.0)
	f.Fuzz(func(t *testing.T, a, b, c, d float64) {
		v, err := dist.NewOneWay([][]float64{{a, b}, {c}, {d}})
		if err == nil && (math.IsNaN(v.F) || !(v.P >= 0 && v.P <= 1)) {
			t.Errorf("%+v of %g %g %g %g", v, a, b, c, d)
		}
	})
}
