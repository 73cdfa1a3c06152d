package gaugestudy

import (
	"math"

	"sagwatch/spc/chart"
	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// StabilityResult says whether a gauge stays what it was.
type StabilityResult struct {
	Chart  chart.IndividualsResult `json:"chart"`
	Beyond []int                   `json:"beyond"` // checks beyond the limits of the values, from 0
	Moving []int                   `json:"moving"` // checks whose moving range is beyond its limit
	// Drift is the slope of the errors on time, per hour, with its confidence interval and two-sided p value.
	Drift         float64           `json:"drift_per_hour"`
	DriftInterval Interval          `json:"drift_interval"`
	PDrift        float64           `json:"p_drift"`
	Mean          float64           `json:"mean"` // of the errors
	MeanInterval  Interval          `json:"mean_interval"`
	PMean         float64           `json:"p_mean"` // two-sided, of no bias
	Stable        bool              `json:"stable"` // nothing beyond and PDrift at least 1 - confidence
	Warnings      []refusal.Warning `json:"warnings,omitempty"`
}

// Stability charts the errors of master checks (reading less certified value, in time order) as individuals with moving
// ranges, and tests whether they drift: slope of the error on hours, by least squares. Errors that resemble their neighbours
// make the test of the drift and the interval of the mean too sure; the chart's warning says so.
//
// Refused: lengths that differ, fewer than 5 checks, hours that go back, values that are not finite or do not vary.
//
// Source: common practice (individuals chart of the master, ISO 7870-2); the slope is the usual t test.
func Stability(hours, errors []float64, o chart.IndividualsOptions, level float64) (StabilityResult, error) {
	level, err := confidence(level)
	if err != nil {
		return StabilityResult{}, err
	}
	if len(hours) != len(errors) {
		return StabilityResult{}, refusal.Shapes("%d times and %d checks: each check needs its time", len(hours), len(errors))
	}
	if len(errors) < 5 {
		return StabilityResult{}, refusal.Few("checks", len(errors), 5)
	}
	if err := refusal.Finite("times", hours); err != nil {
		return StabilityResult{}, err
	}
	for i := 1; i < len(hours); i++ {
		if hours[i] < hours[i-1] {
			return StabilityResult{}, refusal.Shapes("check %d is earlier than the one before it: give them in time order", i+1)
		}
	}
	var r StabilityResult
	if r.Chart, err = chart.Individuals(errors, o); err != nil {
		return StabilityResult{}, err
	}
	l, err := fitLine(hours, errors, nil)
	if err != nil {
		return StabilityResult{}, err
	}
	for i, v := range errors {
		if beyond(v, r.Chart.Limits) {
			r.Beyond = append(r.Beyond, i)
		}
		if i > 0 && beyond(math.Abs(v-errors[i-1]), r.Chart.MovingRange) {
			r.Moving = append(r.Moving, i)
		}
	}
	a := (1 - level) / 2
	r.Drift, r.PDrift = l.Slope, ratioP(l.Slope, l.SESlope, l.DF)
	r.DriftInterval = about(l.Slope, dist.StudentTQuantileUpper(a, l.DF)*l.SESlope)
	mean, sd := dist.MeanSD(errors)
	n := float64(len(errors))
	r.Mean, r.PMean = mean, ratioP(mean, sd/math.Sqrt(n), n-1)
	r.MeanInterval = about(mean, dist.StudentTQuantileUpper(a, n-1)*sd/math.Sqrt(n))
	r.Stable = len(r.Beyond) == 0 && len(r.Moving) == 0 && r.PDrift >= 1-level
	r.Warnings = r.Chart.Warnings
	return r, nil
}

func beyond(v float64, l chart.Limits) bool {
	return l.HasLower && v < l.Lower || l.HasUpper && v > l.Upper
}

// CheckStandardOptions are the settings of the control of a gauge by a check standard; the zero value is the published way.
type CheckStandardOptions struct {
	Multiple float64 `json:"multiple,omitempty"` // limits of the values at centre ± Multiple sd, 0: 2
	Alpha    float64 `json:"alpha,omitempty"`    // chance of a false signal of the short-term spread, 0: 0.05
}

// CheckStandardResult is the control of a gauge by a check standard: a panel that is measured again and again, several
// readings at a time.
type CheckStandardResult struct {
	Options CheckStandardOptions `json:"options"`
	N       int                  `json:"n"`
	Level1  float64              `json:"level_1"` // short-term standard deviation, pooled
	DF1     float64              `json:"df_1"`
	Level2  float64              `json:"level_2"` // standard deviation of the values from occasion to occasion
	DF2     float64              `json:"df_2"`
	Centre  float64              `json:"centre"`
	Lower   float64              `json:"lower"`
	Upper   float64              `json:"upper"`
	F       float64              `json:"f"`        // upper critical value of the spread of one occasion
	UpperSD float64              `json:"upper_sd"` // limit of an occasion's standard deviation
	// Beyond are occasions whose value, Spread those whose standard deviation is beyond its limit, from 0.
	Beyond   []int             `json:"beyond"`
	Spread   []int             `json:"spread"`
	Warnings []refusal.Warning `json:"warnings,omitempty"`
}

// CheckStandard works out limits from a baseline of occasions, each giving the mean values[i] and the standard deviation
// sds[i], with df degrees of freedom, of its readings:
//
//	s1 = sqrt(mean sds^2),  s2 = sd(values),  value: mean ± multiple s2,  spread: s1 sqrt(F(alpha upper; df, n df))
//
// Refused: lengths that differ, fewer than 3 occasions, values that are not finite or do not vary, standard deviations
// below zero or all zero, df below 1. It warns under 20 occasions.
//
// Source: NIST/SEMATECH e-Handbook of Statistical Methods, 2.6.2 and 2.2.2.
func CheckStandard(values, sds []float64, df float64, o CheckStandardOptions) (CheckStandardResult, error) {
	if o.Multiple == 0 {
		o.Multiple = 2
	}
	if o.Alpha == 0 {
		o.Alpha = 0.05
	}
	if err := positive("multiple of the standard deviation", o.Multiple); err != nil {
		return CheckStandardResult{}, err
	}
	if !(o.Alpha >= 1e-12 && o.Alpha <= 0.5) {
		return CheckStandardResult{}, refusal.Setting("chance of a false signal", o.Alpha, "must be from 1e-12 to 0.5")
	}
	if !(df >= 1 && df <= 1e6) {
		return CheckStandardResult{}, refusal.Setting("degrees of freedom of an occasion", df, "must be from 1 to 1e6")
	}
	if len(values) != len(sds) {
		return CheckStandardResult{}, refusal.Shapes("%d values and %d standard deviations: each occasion has both", len(values), len(sds))
	}
	if len(values) < 3 {
		return CheckStandardResult{}, refusal.Few("occasions", len(values), 3)
	}
	if err := refusal.Finite("values", values); err != nil {
		return CheckStandardResult{}, err
	}
	s1, err := pooled(sds)
	if err != nil {
		return CheckStandardResult{}, err
	}
	r := CheckStandardResult{Options: o, N: len(values), Level1: s1, DF1: df * float64(len(values)), DF2: float64(len(values) - 1)}
	r.Centre, r.Level2 = dist.MeanSD(values)
	if steady(r.Level2, largest(values)) {
		return CheckStandardResult{}, refusal.Constant("values", len(values))
	}
	r.Lower, r.Upper = r.Centre-o.Multiple*r.Level2, r.Centre+o.Multiple*r.Level2
	r.F = dist.FQuantileUpper(o.Alpha, df, r.DF1)
	r.UpperSD = s1 * math.Sqrt(r.F)
	for i := range values {
		if values[i] < r.Lower || values[i] > r.Upper {
			r.Beyond = append(r.Beyond, i)
		}
		if sds[i] > r.UpperSD {
			r.Spread = append(r.Spread, i)
		}
	}
	if r.N < 20 {
		r.Warnings = append(r.Warnings, refusal.Small("occasions", r.N, 20))
	}
	return r, nil
}

// pooled is the root of the mean square of standard deviations of equal degrees of freedom.
func pooled(sds []float64) (float64, error) {
	if err := refusal.Finite("standard deviations", sds); err != nil {
		return 0, err
	}
	var s dist.Accumulator
	for i, v := range sds {
		if v < 0 {
			return 0, &refusal.Error{Reason: refusal.Negative, What: "standard deviations", Index: i, Value: v, N: len(sds)}
		}
		s.Add(v * v)
	}
	if s.Sum() == 0 {
		return 0, refusal.Constant("readings of an occasion", len(sds))
	}
	return math.Sqrt(s.Sum() / float64(len(sds))), nil
}
