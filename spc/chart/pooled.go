package chart

import (
	"math"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// PooledSD is the standard deviation of repeated measurements from several standard deviations s_j with their degrees of
// freedom, and the degrees of freedom of the pooled one:
//
//	s = sqrt(sum df_j s_j^2 / sum df_j),  df = sum df_j
//
// It refuses none, a different number of each, standard deviations that are negative or not finite and degrees of freedom below 1.
//
// Source: NIST/SEMATECH e-Handbook 2.6.2 and 2.2.3.
func PooledSD(s []float64, df []int) (pooled float64, total int, err error) {
	if len(s) < 1 {
		return 0, 0, refusal.Few("standard deviations", 0, 1)
	}
	if len(s) != len(df) {
		return 0, 0, refusal.Shapes("%d standard deviations and %d degrees of freedom", len(s), len(df))
	}
	if err := refusal.Finite("standard deviations", s); err != nil {
		return 0, 0, err
	}
	var squares dist.Accumulator
	for j, v := range s {
		if v < 0 {
			return 0, 0, &refusal.Error{Reason: refusal.Negative, What: "standard deviations", Index: j, Value: v}
		}
		if df[j] < 1 {
			return 0, 0, &refusal.Error{Reason: refusal.TooFew, What: "degrees of freedom", N: df[j], Need: 1, Index: j}
		}
		total += df[j]
		squares.Add(float64(df[j]) * v * v)
	}
	return math.Sqrt(squares.Sum() / float64(total)), total, nil
}

// PooledSDLimit is the upper limit of later standard deviations with df degrees of freedom, held against a pooled one of
// total degrees of freedom, which a false alarm passes with probability alpha:
//
//	pooled sqrt(F(alpha; df, total))
//
// As the pooled one is itself estimated, this limit holds at any number of baseline values. It refuses degrees of freedom below 1, a
// pooled standard deviation that is not finite and above 0, and alpha outside [1e-100, 0.5].
//
// Source: NIST/SEMATECH e-Handbook 2.6.2, control of precision with a check standard.
func PooledSDLimit(pooled float64, total, df int, alpha float64) (float64, error) {
	if min(total, df) < 1 {
		return 0, refusal.Few("degrees of freedom", min(total, df), 1)
	}
	if err := checkSigma(pooled); err != nil {
		return 0, err
	}
	if !(alpha >= 1e-100 && alpha <= 0.5) {
		return 0, refusal.Setting("the probability of a false alarm", alpha, "it must be from 1e-100 to 0.5")
	}
	return pooled * math.Sqrt(dist.FQuantileUpper(alpha, float64(df), float64(total))), nil
}
