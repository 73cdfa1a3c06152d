package chart

import (
	"math"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// RunsResult is the outcome of a runs test for randomness.
type RunsResult struct {
	Runs     int     `json:"runs"`
	Above    int     `json:"above"` // values at or above the median
	Below    int     `json:"below"`
	Expected float64 `json:"expected"`
	Z        float64 `json:"z"` // above 0: more runs than chance gives (sawtooth), below 0: fewer (drift, cycles)
	P        float64 `json:"p"` // two-sided, by the normal distribution
	// Warnings has a small sample, where the normal distribution does not hold yet.
	Warnings []refusal.Warning `json:"warnings,omitempty"`
}

// RunsTest asks of a baseline in time order whether its values come at random, by the runs of values at or above and below
// the median:
//
//	E R = 2 a b / (a + b) + 1,  var R = 2 a b (2 a b - a - b) / ((a + b)^2 (a + b - 1)),  Z = (R - E R) / sd R
//
// It refuses fewer than 4 values, values that are not finite and values none of which lies below the median; with fewer than
// 10 on either side it warns.
//
// Source: NIST/SEMATECH e-Handbook 1.3.5.13; Wald and Wolfowitz 1940, Annals of Mathematical Statistics 11.
func RunsTest(x []float64) (RunsResult, error) {
	if len(x) < 4 {
		return RunsResult{}, refusal.Few("values", len(x), 4)
	}
	if err := refusal.Finite("values", x); err != nil {
		return RunsResult{}, err
	}
	m := Median(x)
	var r RunsResult
	for i, v := range x {
		if v >= m {
			r.Above++
		} else {
			r.Below++
		}
		if i == 0 || (v >= m) != (x[i-1] >= m) {
			r.Runs++
		}
	}
	if r.Below == 0 {
		return RunsResult{}, &refusal.Error{Reason: refusal.ZeroVariance, What: "values", N: len(x), Index: -1, Detail: "none lies below the median"}
	}
	a, b := float64(r.Above), float64(r.Below)
	r.Expected = 2*a*b/(a+b) + 1
	r.Z = (float64(r.Runs) - r.Expected) / math.Sqrt(2*a*b*(2*a*b-a-b)/((a+b)*(a+b)*(a+b-1)))
	r.P = min(1, 2*dist.NormalTail(math.Abs(r.Z)))
	if n := min(r.Above, r.Below); n < 10 {
		r.Warnings = append(r.Warnings, refusal.Small("values on one side of the median", n, 10))
	}
	return r, nil
}
