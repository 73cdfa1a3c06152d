package capability

import (
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"

	"sagwatch/spc/dist"
	"sagwatch/spc/fit"
	"sagwatch/spc/refusal"
)

// Fraction is the fraction of values outside the specification, with its interval; times 1e6 it is in parts per million.
type Fraction struct {
	Below, Above, Total float64
	Interval            Interval // of Total
}

// NormalOutside is the fraction that a normal characteristic has outside,
//
//	below = Phi((L - mean) / sd),  above = Phi((mean - U) / sd)
//
// With one limit the interval is exact, from that of the one-sided index: fraction = Phi(-3 C). With two it is a generalised
// interval: mean and standard deviation are drawn from their fiducial distributions (sd sqrt(df / chi2), mean + z sd* / sqrt(n)),
// 20 000 times from the seed, and the interval holds the middle of the fractions that follow. It refuses as Normal and
// SideInterval.
//
// Source: ISO 22514-2 for the fraction; S. Weerahandi, "Generalized confidence intervals", J. American Statistical Association 88 (1993), 899-905.
func NormalOutside(mean float64, s Sigma, spec Spec, confidence float64, seed uint64) (Fraction, error) {
	i, err := Normal(mean, s.SD, spec)
	if err != nil {
		return Fraction{}, err
	}
	lower, upper := spec.sides()
	f := Fraction{}
	if lower {
		f.Below = dist.NormalTail((mean - spec.Lower) / s.SD)
	}
	if upper {
		f.Above = dist.NormalTail((spec.Upper - mean) / s.SD)
	}
	f.Total = f.Below + f.Above
	if lower != upper {
		side, err := SideInterval(i.CK, s.N, s.DF, confidence)
		if err != nil {
			return Fraction{}, err
		}
		f.Interval = Interval{dist.NormalTail(3 * side.Upper), dist.NormalTail(3 * side.Lower), confidence, side.Method, side.Warnings}
		return f, nil
	}
	if err := level(confidence); err != nil {
		return Fraction{}, err
	}
	if err := sample(i.CK, s.N, s.DF); err != nil {
		return Fraction{}, err
	}
	const draws = 20000
	src := rand.NewPCG(seed, 0)
	r, chi2 := rand.New(src), distuv.ChiSquared{K: s.DF, Src: src}
	totals := make([]float64, draws)
	for k := range totals {
		sd := s.SD * math.Sqrt(s.DF/chi2.Rand())
		m := mean + r.NormFloat64()*sd/math.Sqrt(float64(s.N))
		totals[k] = dist.NormalTail((m-spec.Lower)/sd) + dist.NormalTail((spec.Upper-m)/sd)
	}
	slices.Sort(totals)
	at := func(p float64) float64 { return totals[int(p*(draws-1)+0.5)] }
	f.Interval = Interval{at((1 - confidence) / 2), at((1 + confidence) / 2), confidence, "generalised interval, 20 000 draws", small(s.N, i.CK)}
	return f, nil
}

// Outside is the fraction that a fitted distribution has outside; its interval is the caller's, by resampling (see Bootstrap).
// It refuses what Spec.Check refuses.
func Outside(d fit.Distribution, spec Spec) (Fraction, error) {
	if err := spec.Check(); err != nil {
		return Fraction{}, err
	}
	lower, upper := spec.sides()
	f := Fraction{Interval: Interval{math.NaN(), math.NaN(), 0, "", nil}}
	if lower {
		f.Below = d.CDF(spec.Lower)
	}
	if upper {
		f.Above = d.Tail(spec.Upper)
	}
	f.Total = f.Below + f.Above
	return f, nil
}

// Observed is the fraction of n values that lay outside, with its exact interval for independent values: with k = below + above,
//
//	lower = beta(alpha/2; k, n - k + 1),  upper = beta(1 - alpha/2; k + 1, n - k)
//
// quantiles of the beta distribution; lower is 0 for k = 0 and upper 1 for k = n. It refuses negative
// counts, more outside than there are and a level outside (0, 1).
//
// Source: C. J. Clopper and E. S. Pearson, Biometrika 26 (1934), 404-413.
func Observed(below, above, n int, confidence float64) (Fraction, error) {
	if err := level(confidence); err != nil {
		return Fraction{}, err
	}
	if err := refusal.NotNegative("values outside", []int{below, above, n}); err != nil {
		return Fraction{}, err
	}
	lower, upper, err := dist.ClopperPearson(below+above, n, (1-confidence)/2)
	if err != nil {
		return Fraction{}, err
	}
	d := float64(n)
	return Fraction{float64(below) / d, float64(above) / d, float64(below+above) / d,
		Interval{lower, upper, confidence, "exact binomial (Clopper and Pearson)", nil}}, nil
}
