// Package gaugestudy judges a gauge: how far its readings lie from the truth (bias, linearity, calibration), how much
// they scatter (repeatability, reproducibility), how two gauges and several inspectors agree, whether the gauge stays what
// it was (stability, probe health, the half turn), and what its uncertainty means for the verdict on a panel.
//
// Every function takes values in one unit of the caller's choice and gives results in that unit; kappas, risks and
// percentages have none. Standard uncertainties are for k = 1. What data can cause is refused with a *refusal.Error;
// results that one may show but not trust carry Warnings. No value may be beyond ±1e150.
//
// Neighbours: spc/dist has the distributions, spc/chart the charts of the master panel, spc/judge the verdict on a panel.
package gaugestudy

import (
	"math"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// Interval is a confidence interval in the unit of its estimate.
type Interval struct {
	Lower float64 `json:"lower"`
	Upper float64 `json:"upper"`
}

// Contains tells whether v lies in the interval, its ends included.
func (i Interval) Contains(v float64) bool { return i.Lower <= v && v <= i.Upper }

// about is estimate ± half.
func about(estimate, half float64) Interval { return Interval{estimate - half, estimate + half} }

// usualConfidence stands where a caller gives no confidence.
const usualConfidence = 0.95

// confidence gives the level to use for a setting, 0 meaning the usual one.
func confidence(c float64) (float64, error) {
	if c == 0 {
		return usualConfidence, nil
	}
	if !(c >= 0.5 && c <= 0.9999) {
		return 0, refusal.Setting("confidence", c, "must be from 0.5 to 0.9999")
	}
	return c, nil
}

// positive refuses a setting that is not a finite number above zero.
func positive(what string, v float64) error {
	if !(v > 1e-150 && v <= 1e150) {
		return refusal.Setting(what, v, "must be above 0")
	}
	return nil
}

// notNegative refuses a setting that is not a finite number of at least zero.
func notNegative(what string, v float64) error {
	if !(v >= 0 && v <= 1e150) {
		return refusal.Setting(what, v, "must not be below 0")
	}
	return nil
}

// single refuses a setting that is not finite.
func single(what string, v float64) error {
	if !(math.Abs(v) <= 1e150) {
		return refusal.Setting(what, v, "must be a number that can be worked with")
	}
	return nil
}

// sdInterval is the interval of a standard deviation s with df degrees of freedom, by chi-square.
func sdInterval(s, df, level float64) Interval {
	a := (1 - level) / 2
	return Interval{s * math.Sqrt(df/dist.ChiSquareQuantileUpper(a, df)), s * math.Sqrt(df/dist.ChiSquareQuantile(a, df))}
}

// bothTails is the two-sided p value of a t statistic.
func bothTails(t, df float64) float64 { return math.Min(1, 2*dist.StudentTTail(math.Abs(t), df)) }

// steady is true where a standard deviation is no more than rounding of values of the given size.
func steady(sd, size float64) bool { return !(sd > 1e-14*size) }

// largest is the greatest absolute value.
func largest(x []float64) float64 {
	m := 0.0
	for _, v := range x {
		m = math.Max(m, math.Abs(v))
	}
	return m
}
