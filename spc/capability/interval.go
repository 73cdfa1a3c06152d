package capability

import (
	"fmt"
	"math"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// Interval is a confidence interval; a side without a limit is infinite.
type Interval struct {
	Lower    float64
	Upper    float64
	Level    float64
	Method   string
	Warnings []refusal.Warning
}

// sample refuses fewer than two values, degrees of freedom that are not above zero and an index that is not a number.
func sample(c float64, n int, df float64) error {
	switch {
	case n < 2:
		return refusal.Few("values", n, 2)
	case !(df > 0 && df <= 1e9):
		return refusal.Setting("the degrees of freedom", df, "must be above 0")
	case !(math.Abs(c) <= 1e6):
		return refusal.Finite("indices", []float64{c * 1e145})
	}
	return nil
}

// CInterval is the exact interval of Cp or Pp for independent normal values whose sigma has df degrees of freedom:
//
//	C sqrt(chi2(alpha/2; df) / df) .. C sqrt(chi2(1 - alpha/2; df) / df)
//
// It refuses an index that is not above zero, fewer than two values, and a level outside (0, 1).
//
// Source: ISO 22514-4; Y.-M. Chou, D. B. Owen, S. A. Borrego, J. Quality Technology 22 (1990), 223-229.
func CInterval(c float64, n int, df, confidence float64) (Interval, error) {
	if err := level(confidence); err != nil {
		return Interval{}, err
	}
	if err := sample(c, n, df); err != nil {
		return Interval{}, err
	}
	if !(c > 0) {
		return Interval{}, refusal.Setting("the index", c, "must be above 0")
	}
	a := (1 - confidence) / 2
	return Interval{c * math.Sqrt(dist.ChiSquareQuantile(a, df)/df), c * math.Sqrt(dist.ChiSquareQuantileUpper(a, df)/df), confidence,
		"chi-square, exact for independent normal values", small(n, 0)}, nil
}

// bound is the exact limit of a one-sided index that lies below the true one with probability p: 3 sqrt(n) C follows a
// non-central t distribution with df degrees of freedom about 3 sqrt(n) times the true index.
func bound(c float64, n int, df, p float64) float64 {
	root := 3 * math.Sqrt(float64(n))
	return dist.NoncentralTDelta(root*c, df, p) / root
}

// SideInterval is the exact two-sided interval of Cpl or Cpu (Ppl, Ppu) for independent normal values, from the non-central t
// distribution: the true indices C0 at which
//
//	P(T <= 3 sqrt(n) C) = 1 - alpha/2 and alpha/2,  T non-central t with df degrees of freedom about 3 sqrt(n) C0
//
// The mean is that of n values and sigma has df degrees of freedom. It refuses a level outside (0, 1), fewer than two values, degrees
// of freedom that are not above zero or beyond 1e9, and an index beyond ±1e6; the index may be negative.
//
// Source: Chou, Owen and Borrego 1990 (see CInterval).
func SideInterval(c float64, n int, df, confidence float64) (Interval, error) {
	if err := level(confidence); err != nil {
		return Interval{}, err
	}
	if err := sample(c, n, df); err != nil {
		return Interval{}, err
	}
	a := (1 - confidence) / 2
	return Interval{bound(c, n, df, 1-a), bound(c, n, df, a), confidence, "non-central t, exact for independent normal values", small(n, c)}, nil
}

// SideLower is the exact one-sided lower limit of Cpl or Cpu at the level confidence: the true index C0 at which
//
//	P(T <= 3 sqrt(n) C) = confidence,  T non-central t with df degrees of freedom about 3 sqrt(n) C0
//
// Its Upper is infinite. It refuses as SideInterval: a level outside (0, 1), fewer than two values, degrees of freedom that are not
// above zero or beyond 1e9, an index beyond ±1e6.
//
// Source: Chou, Owen and Borrego 1990 (see CInterval).
func SideLower(c float64, n int, df, confidence float64) (Interval, error) {
	if err := level(confidence); err != nil {
		return Interval{}, err
	}
	if err := sample(c, n, df); err != nil {
		return Interval{}, err
	}
	return Interval{bound(c, n, df, confidence), math.Inf(1), confidence, "non-central t, exact, one-sided", small(n, c)}, nil
}

// CKBissell is the approximate interval of Cpk or Ppk,
//
//	CK ± z sqrt(1 / (9 n) + CK^2 / (2 df))
//
// It refuses as SideInterval.
//
// Source: A. F. Bissell, "How reliable is your capability index?", Applied Statistics 39 (1990), 331-340.
func CKBissell(ck float64, n int, df, confidence float64) (Interval, error) {
	if err := level(confidence); err != nil {
		return Interval{}, err
	}
	if err := sample(ck, n, df); err != nil {
		return Interval{}, err
	}
	h := dist.NormalQuantileUpper((1-confidence)/2) * math.Sqrt(1/(9*float64(n))+ck*ck/(2*df))
	return Interval{ck - h, ck + h, confidence, "normal approximation (Bissell)", small(n, ck)}, nil
}

// CKBounds is the interval of Cpk or Ppk from the exact limits of the two one-sided indices: it covers with at least the level
// confidence for independent normal values.
//
//	lower = min(lower limit of CL, lower limit of CU), each at 1 - alpha/2
//	upper = min(upper limit of CL, upper limit of CU), each at 1 - alpha/4
//
// CK lies below the lower limit only where the lesser index lies below its own, and above the upper one only where one of
// the two does. With one limit of specification it is SideInterval. It refuses indices that are both NaN, and as SideInterval.
//
// Source: R. H. Kushler and P. Hurley, "Confidence bounds for capability indices", J. Quality Technology 24 (1992), 188-195; from memory.
func CKBounds(i Indices, n int, df, confidence float64) (Interval, error) {
	switch {
	case math.IsNaN(i.CL) && math.IsNaN(i.CU):
		return Interval{}, refusal.Shapes("neither one-sided index is there")
	case math.IsNaN(i.CL):
		return SideInterval(i.CU, n, df, confidence)
	case math.IsNaN(i.CU):
		return SideInterval(i.CL, n, df, confidence)
	}
	if err := level(confidence); err != nil {
		return Interval{}, err
	}
	for _, c := range []float64{i.CL, i.CU} {
		if err := sample(c, n, df); err != nil {
			return Interval{}, err
		}
	}
	a := 1 - confidence
	return Interval{min(bound(i.CL, n, df, 1-a/2), bound(i.CU, n, df, 1-a/2)), min(bound(i.CL, n, df, a/4), bound(i.CU, n, df, a/4)), confidence,
		fmt.Sprintf("pair of exact one-sided limits (non-central t), the lower ones each at %.4g %% and the upper ones at %.4g %%, wider than those of one side, since either side may be the nearer one", 100*(1-a/2), 100*(1-a/4)), small(n, i.CK)}, nil
}

// CpmInterval is the approximate interval of Cpm,
//
//	Cpm sqrt(chi2(alpha/2; v) / v) .. Cpm sqrt(chi2(1 - alpha/2; v) / v),  v = n (1 + d^2)^2 / (1 + 2 d^2),  d = (mean - T) / sd
//
// with the middle for the target T where there is none. It refuses as Cpm, fewer than two values, an index beyond 1e6 and a level
// outside (0, 1).
//
// Source: R. A. Boyles, "The Taguchi capability index", J. Quality Technology 23 (1991), 17-26; formula from memory.
func CpmInterval(mean, sd float64, n int, s Spec, confidence float64) (Interval, error) {
	c, err := Cpm(mean, sd, s)
	if err != nil {
		return Interval{}, err
	}
	if err := level(confidence); err != nil {
		return Interval{}, err
	}
	if err := sample(c, n, float64(n-1)); err != nil {
		return Interval{}, err
	}
	t, _ := s.Middle()
	d2 := (mean - t) / sd * (mean - t) / sd
	v := float64(n) * (1 + d2) * (1 + d2) / (1 + 2*d2)
	if !(v <= 1e12) {
		v = 1e12
	}
	a := (1 - confidence) / 2
	return Interval{c * math.Sqrt(dist.ChiSquareQuantile(a, v)/v), c * math.Sqrt(dist.ChiSquareQuantileUpper(a, v)/v), confidence, "chi-square approximation (Boyles)", small(n, c)}, nil
}
