package gaugestudy

import (
	"math"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// AgreementOptions are the settings of a comparison of two gauges; the zero value is the published way.
type AgreementOptions struct {
	Z          float64 `json:"z,omitempty"`          // limits at mean ± Z sd, 0: 1.96
	Confidence float64 `json:"confidence,omitempty"` // 0: 0.95
}

// AgreementResult are the limits of agreement of two gauges.
type AgreementResult struct {
	Options      AgreementOptions `json:"options"`
	N            int              `json:"n"`
	Mean         float64          `json:"mean"` // of the differences first - second
	MeanInterval Interval         `json:"mean_interval"`
	SD           float64          `json:"sd"`
	Lower        float64          `json:"lower"` // limits of agreement
	Upper        float64          `json:"upper"`
	// LowerInterval and UpperInterval are the exact confidence intervals of the limits; the Approximate ones those of the
	// source, limit ± t sqrt(1/n + Z^2/(2(n-1))) sd.
	LowerInterval    Interval `json:"lower_interval"`
	UpperInterval    Interval `json:"upper_interval"`
	LowerApproximate Interval `json:"lower_approximate"`
	UpperApproximate Interval `json:"upper_approximate"`
	Correlation      float64  `json:"correlation"` // of the two gauges: says nothing about agreement
	// Trend is the slope of the differences on the means of a pair, with its two-sided p value.
	Trend    float64           `json:"trend"`
	PTrend   float64           `json:"p_trend"`
	Warnings []refusal.Warning `json:"warnings,omitempty"`
}

// LimitsOfAgreement compares two gauges that read the same panels once each, x[i] and y[i]: between the limits lie about
// 95 of 100 differences
//
//	mean(d) ± Z sd(d),  d = x - y
//
// The exact interval of a limit, a quantile of a normal distribution, has the ends mean + sd t'/sqrt(n), t' the
// quantiles of the non-central t distribution with n - 1 degrees of freedom at Z sqrt(n). It warns where differences
// grow with the size (p of the trend below 0.05) and under 40 panels.
//
// Refused: lengths that differ, fewer than 3 panels, values that are not finite, differences that do not vary.
//
// Source: J. M. Bland and D. G. Altman, Lancet i (1986), 307-310; exact intervals: A. Carkeet, Optometry and Vision
// Science 92 (2015), e71-e80 (formula from memory).
func LimitsOfAgreement(x, y []float64, o AgreementOptions) (AgreementResult, error) {
	level, err := confidence(o.Confidence)
	if err != nil {
		return AgreementResult{}, err
	}
	o.Confidence = level
	if o.Z == 0 {
		o.Z = 1.96
	}
	if !(o.Z > 0 && o.Z <= 10) {
		return AgreementResult{}, refusal.Setting("multiple of the standard deviation", o.Z, "must be above 0 and at most 10")
	}
	if err := pairs(x, y); err != nil {
		return AgreementResult{}, err
	}
	d, m := make([]float64, len(x)), make([]float64, len(x))
	for i := range x {
		d[i], m[i] = x[i]-y[i], (x[i]+y[i])/2
	}
	r := AgreementResult{Options: o, N: len(x)}
	r.Mean, r.SD = dist.MeanSD(d)
	size := math.Max(largest(x), largest(y))
	if steady(r.SD, size) {
		return AgreementResult{}, refusal.Constant("differences", len(x))
	}
	n, df, a := float64(r.N), float64(r.N-1), (1-level)/2
	t := dist.StudentTQuantileUpper(a, df)
	r.MeanInterval = about(r.Mean, t*r.SD/math.Sqrt(n))
	r.Lower, r.Upper = r.Mean-o.Z*r.SD, r.Mean+o.Z*r.SD
	root := math.Sqrt(n)
	near, far := dist.NoncentralTQuantile(a, df, o.Z*root)/root, dist.NoncentralTQuantileUpper(a, df, o.Z*root)/root
	r.UpperInterval = Interval{r.Mean + near*r.SD, r.Mean + far*r.SD}
	r.LowerInterval = Interval{r.Mean - far*r.SD, r.Mean - near*r.SD}
	half := t * r.SD * math.Sqrt(1/n+sq(o.Z)/(2*df))
	r.LowerApproximate, r.UpperApproximate = about(r.Lower, half), about(r.Upper, half)
	r.PTrend = 1
	if l, err := fitLine(m, d, nil); err == nil {
		r.Trend, r.PTrend = l.Slope, ratioP(l.Slope, l.SESlope, l.DF)
	}
	r.Correlation = correlation(x, y)
	if r.PTrend < 0.05 {
		r.Warnings = append(r.Warnings, refusal.Warning{Kind: refusal.Doubtful, What: "trend", Value: r.Trend,
			Detail: "The differences change with the size of the value; one pair of limits does not hold over the range."})
	}
	if r.N < 40 {
		r.Warnings = append(r.Warnings, refusal.Small("panels", r.N, 40))
	}
	return r, nil
}

func pairs(x, y []float64) error {
	if len(x) != len(y) {
		return refusal.Shapes("%d readings of the first gauge and %d of the second: each panel needs both", len(x), len(y))
	}
	if len(x) < 3 {
		return refusal.Few("panels", len(x), 3)
	}
	if err := refusal.Finite("readings of the first gauge", x); err != nil {
		return err
	}
	return refusal.Finite("readings of the second gauge", y)
}

// scatter are the means and the sums of squares and products about them.
func scatter(x, y []float64) (mx, my, sxx, sxy, syy float64) {
	mx, _ = dist.MeanSD(x)
	my, _ = dist.MeanSD(y)
	var a, b, c dist.Accumulator
	for i := range x {
		dx, dy := x[i]-mx, y[i]-my
		a.Add(dx * dx)
		b.Add(dx * dy)
		c.Add(dy * dy)
	}
	return mx, my, a.Sum(), b.Sum(), c.Sum()
}

// correlation is Pearson's, 0 where one does not vary.
func correlation(x, y []float64) float64 {
	_, _, sxx, sxy, syy := scatter(x, y)
	if sxx == 0 || syy == 0 {
		return 0
	}
	return sxy / math.Sqrt(sxx) / math.Sqrt(syy)
}

// DemingResult is a line through two gauges that both err.
type DemingResult struct {
	Ratio             float64           `json:"ratio"` // variance of an error of y over that of x, as given
	N                 int               `json:"n"`
	Slope             float64           `json:"slope"`
	Intercept         float64           `json:"intercept"`
	SESlope           float64           `json:"se_slope"` // jackknife
	SEIntercept       float64           `json:"se_intercept"`
	SlopeInterval     Interval          `json:"slope_interval"`
	InterceptInterval Interval          `json:"intercept_interval"`
	Warnings          []refusal.Warning `json:"warnings,omitempty"`
}

// Deming fits y = intercept + slope x where both gauges err, ratio being the variance of an error of y over that of x (1:
// alike):
//
//	slope = [S_yy - ratio S_xx + sqrt((S_yy - ratio S_xx)^2 + 4 ratio S_xy^2)] / (2 S_xy)
//
// with standard errors by leaving out one panel at a time and t with n - 2 degrees of freedom. Two gauges agree where the
// interval of the slope holds 1 and that of the intercept 0.
//
// Refused: lengths that differ, fewer than 5 panels, values that are not finite, a ratio not above zero, readings of
// which those of one gauge do not vary or that are not correlated (the line has no direction, with a panel left out too).
// It warns under 40 panels.
//
// Source: W. E. Deming, Statistical Adjustment of Data (1943); jackknife: K. Linnet, Clinical Chemistry 39 (1993),
// 424-432 (formula from memory).
func Deming(x, y []float64, ratio, level float64) (DemingResult, error) {
	level, err := confidence(level)
	if err != nil {
		return DemingResult{}, err
	}
	if !(ratio >= 1e-12 && ratio <= 1e12) {
		return DemingResult{}, refusal.Setting("ratio of error variances", ratio, "must be from 1e-12 to 1e12")
	}
	if err := pairs(x, y); err != nil {
		return DemingResult{}, err
	}
	if len(x) < 5 {
		return DemingResult{}, refusal.Few("panels", len(x), 5)
	}
	r := DemingResult{Ratio: ratio, N: len(x)}
	if r.Slope, r.Intercept, err = demingLine(x, y, ratio); err != nil {
		return DemingResult{}, err
	}
	n := float64(r.N)
	slopes, intercepts := make([]float64, r.N), make([]float64, r.N)
	lx, ly := make([]float64, r.N-1), make([]float64, r.N-1)
	for i := range x {
		lx, ly = append(append(lx[:0], x[:i]...), x[i+1:]...), append(append(ly[:0], y[:i]...), y[i+1:]...)
		if slopes[i], intercepts[i], err = demingLine(lx, ly, ratio); err != nil {
			return DemingResult{}, err
		}
	}
	_, s := dist.MeanSD(slopes)
	_, c := dist.MeanSD(intercepts)
	r.SESlope, r.SEIntercept = s*(n-1)/math.Sqrt(n), c*(n-1)/math.Sqrt(n)
	t := dist.StudentTQuantileUpper((1-level)/2, n-2)
	r.SlopeInterval, r.InterceptInterval = about(r.Slope, t*r.SESlope), about(r.Intercept, t*r.SEIntercept)
	if r.N < 40 {
		r.Warnings = append(r.Warnings, refusal.Small("panels", r.N, 40))
	}
	return r, nil
}

func demingLine(x, y []float64, ratio float64) (slope, intercept float64, err error) {
	mx, my, sxx, sxy, syy := scatter(x, y)
	n := float64(len(x))
	if steady(math.Sqrt(sxx/n), largest(x)) || steady(math.Sqrt(syy/n), largest(y)) {
		return 0, 0, refusal.Constant("readings of a gauge", len(x))
	}
	if math.Abs(sxy) <= 1e-12*math.Sqrt(sxx)*math.Sqrt(syy) {
		return 0, 0, refusal.Unsolved("the readings of the two gauges are not correlated: no line goes through them")
	}
	d := syy - ratio*sxx
	root := math.Hypot(d, 2*math.Sqrt(ratio)*sxy)
	if d >= 0 {
		slope = (d + root) / (2 * sxy)
	} else { // the same without cancellation
		slope = 2 * ratio * sxy / (root - d)
	}
	if !(math.Abs(slope) <= 1e100) {
		return 0, 0, refusal.Unsolved("the line through the two gauges' readings is upright")
	}
	return slope, my - slope*mx, nil
}
