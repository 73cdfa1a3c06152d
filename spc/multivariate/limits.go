package multivariate

import (
	"math"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

func checkAlpha(alpha float64) error {
	if !(alpha >= 1e-100 && alpha <= 0.5) {
		return refusal.Setting("the probability of the limit", alpha, "it must be from 1e-100 to 0.5")
	}
	return nil
}

func checkTerms(p int) error {
	if p < 1 || p > 64 {
		return refusal.Setting("the number of terms", float64(p), "it must be from 1 to 64")
	}
	return nil
}

func checkLimit(p, m, least int, what string, alpha float64) error {
	if err := checkTerms(p); err != nil {
		return err
	}
	if err := checkAlpha(alpha); err != nil {
		return err
	}
	if m > 1e8 {
		return refusal.Setting("the number of "+what, float64(m), "above 1e8 use the limit for a known law")
	}
	if m < least {
		return refusal.Few(what, m, least)
	}
	return nil
}

// KnownLimit is the upper limit of T^2 where mean and covariance are known: the chi-square quantile with p degrees of
// freedom that is exceeded with probability alpha:
//
//	P(chi2_p > limit) = alpha
//
// It refuses p and alpha out of range, as the other limits.
//
// Source: H. Hotelling, "Multivariate quality control", in: Techniques of Statistical Analysis (1947), 111-184; NIST/SEMATECH
// e-Handbook 6.5.4.3 (both from memory).
func KnownLimit(p int, alpha float64) (float64, error) {
	if err := checkTerms(p); err != nil {
		return 0, err
	}
	if err := checkAlpha(alpha); err != nil {
		return 0, err
	}
	return dist.ChiSquareQuantileUpper(alpha, float64(p)), nil
}

// PhaseOneLimit is the upper limit of T^2 of the m individual observations of p terms that mean and ordinary covariance
// are estimated from, exceeded by each with probability alpha:
//
//	(m - 1)^2 / m * Beta(alpha; p/2, (m - p - 1)/2)
//
// It refuses m below p + 2, p outside 1 to 64 and alpha outside (0, 0.5].
//
// Source: N. D. Tracy, J. C. Young and R. L. Mason, "Multivariate control charts for individual observations", J. Quality
// Technology 24 (1992), 88-95; formula from memory.
func PhaseOneLimit(p, m int, alpha float64) (float64, error) {
	if err := checkLimit(p, m, p+2, "observations", alpha); err != nil {
		return 0, err
	}
	n := float64(m)
	return (n - 1) * (n - 1) / n * dist.BetaQuantileUpper(alpha, float64(p)/2, (n-float64(p)-1)/2), nil
}

// PhaseTwoLimit is the upper limit of T^2 of a further observation about mean and ordinary covariance of m earlier ones:
//
//	p (m + 1)(m - 1) / (m (m - p)) * F(alpha; p, m - p)
//
// Refusals as for PhaseOneLimit.
//
// Source: NIST/SEMATECH e-Handbook 6.5.4.3.4.
func PhaseTwoLimit(p, m int, alpha float64) (float64, error) {
	if err := checkLimit(p, m, p+2, "observations", alpha); err != nil {
		return 0, err
	}
	return futureLimit(float64(p), 1+1/float64(m), float64(m-1), alpha), nil
}

// futureLimit is the limit of d'S^-1 d for d with covariance spread Sigma, and S independent with df degrees of freedom.
func futureLimit(p, spread, df, alpha float64) float64 {
	return spread * p * df / (df - p + 1) * dist.FQuantileUpper(alpha, p, df-p+1)
}

// SubgroupPhaseOneLimit is the upper limit of T^2 = n (mean_i - mean)' S^-1 (mean_i - mean) of the m subgroups of n that mean
// and within-subgroup covariance are estimated from:
//
//	p (m - 1)(n - 1) / (m n - m - p + 1) * F(alpha; p, m n - m - p + 1)
//
// It refuses m below 2, n below 2, m(n - 1) below p, p outside 1 to 64 and alpha outside (0, 0.5].
//
// Source: F. B. Alt (1985); NIST/SEMATECH e-Handbook 6.5.4.3.2; formula from memory.
func SubgroupPhaseOneLimit(p, m, n int, alpha float64) (float64, error) {
	return subgroupLimit(p, m, n, alpha, -1)
}

// SubgroupPhaseTwoLimit is the same for further subgroups:
//
//	p (m + 1)(n - 1) / (m n - m - p + 1) * F(alpha; p, m n - m - p + 1)
//
// Refusals and source as for SubgroupPhaseOneLimit.
func SubgroupPhaseTwoLimit(p, m, n int, alpha float64) (float64, error) {
	return subgroupLimit(p, m, n, alpha, 1)
}

func subgroupLimit(p, m, n int, alpha, sign float64) (float64, error) {
	if n < 2 {
		return 0, refusal.Few("observations in a subgroup", n, 2)
	}
	if n > 1e6 {
		return 0, refusal.Setting("the number of observations in a subgroup", float64(n), "it must be at most 1e6")
	}
	if err := checkLimit(p, m, max(2, (p+n-2)/(n-1)), "subgroups", alpha); err != nil {
		return 0, err
	}
	return futureLimit(float64(p), 1+sign/float64(m), float64(m)*float64(n-1), alpha), nil
}

// PhaseOneLimit is the upper limit of T^2 of the baseline's own observations or subgroups. For a covariance by successive
// differences it is the chi-square limit of a known law, which is approximate: by simulation the rate is up to a third above
// alpha at M = P^2 + 3 P and nearer in longer baselines. Refusals as for the function of the same name.
//
// Source: J. D. Williams, W. H. Woodall, J. B. Birch and J. H. Sullivan, "Distribution of Hotelling's T^2 statistic based on the
// successive differences estimator", J. Quality Technology 38 (2006), 217-229 (from memory).
func (b *Baseline) PhaseOneLimit(alpha float64) (float64, error) {
	switch {
	case b.N > 1:
		return SubgroupPhaseOneLimit(b.P, b.M, b.N, alpha)
	case b.Options.Estimator == Successive:
		if err := checkLimit(b.P, b.M, 2*b.P+4, "observations", alpha); err != nil {
			return 0, err
		}
		return KnownLimit(b.P, alpha)
	}
	return PhaseOneLimit(b.P, b.M, alpha)
}

// PhaseTwoLimit is the upper limit of T^2 of further observations or subgroups about this baseline. For a covariance by
// successive differences it uses their moment degrees of freedom, an approximation. Refusals as for the function of the same
// name.
func (b *Baseline) PhaseTwoLimit(alpha float64) (float64, error) {
	if b.N > 1 {
		return SubgroupPhaseTwoLimit(b.P, b.M, b.N, alpha)
	}
	if err := checkLimit(b.P, b.M, b.P+2, "observations", alpha); err != nil {
		return 0, err
	}
	return futureLimit(float64(b.P), 1+1/float64(b.M), b.DF, alpha), nil
}

// nearness is how near, as a share, the limit with estimated law must come to that with a known one for a baseline to be
// enough.
const nearness = 0.1

// Enough is the least number of individual observations of p terms whose Phase II limit at alpha = 0.0027 lies within a
// tenth of that for a known law. It panics for p outside 1 to 64.
//
// Source of the criterion: C. A. Lowry and D. C. Montgomery, "A review of multivariate control charts", IIE Transactions 27
// (1995), 800-810 (from memory).
func Enough(p int) int {
	return least(p, p+2, func(m int) float64 { return futureLimit(float64(p), 1+1/float64(m), float64(m-1), 0.0027) })
}

// EnoughSubgroups is the same for subgroups of n >= 2.
func EnoughSubgroups(p, n int) int {
	return least(p, max(2, (p+n-2)/(n-1)), func(m int) float64 {
		return futureLimit(float64(p), 1+1/float64(m), float64(m*(n-1)), 0.0027)
	})
}

func least(p, lo int, limit func(m int) float64) int {
	if err := checkTerms(p); err != nil {
		panic("multivariate: " + err.Error())
	}
	want := (1 + nearness) * dist.ChiSquareQuantileUpper(0.0027, float64(p))
	hi := lo
	for limit(hi) > want {
		lo, hi = hi, 2*hi
	}
	for hi-lo > 1 {
		mid := (lo + hi) / 2
		if limit(mid) > want {
			lo = mid
		} else {
			hi = mid
		}
	}
	return hi
}

// SignalProbability is the probability that T^2 of one observation, about a known law, lies beyond the limit when the mean has
// shifted by the statistical distance delta = sqrt(d' Sigma^-1 d); the average run length of the chart is its inverse. For
// means of n observations delta is sqrt(n) times as great. It refuses p outside 1 to 64, a limit not above 0 and delta below
// 0 or above 1e3.
//
// Source: T. W. Anderson, An Introduction to Multivariate Statistical Analysis, 3.3: non-central chi-square, P(chi'^2_p(delta^2) >
// limit).
func SignalProbability(p int, limit, delta float64) (float64, error) {
	if err := checkTerms(p); err != nil {
		return 0, err
	}
	if !(limit > 0 && limit <= 1e6) {
		return 0, refusal.Setting("the limit", limit, "it must be above 0 and at most 1e6")
	}
	if !(delta >= 0 && delta <= 1e3) {
		return 0, refusal.Setting("the shift", delta, "it must be from 0 to 1000 standard deviations")
	}
	return dist.NoncentralChiSquareTail(limit, float64(p), delta*delta), nil
}

// T2ARL is the average run length 1 / SignalProbability of a T^2 chart about a known law. Refusals as for SignalProbability,
// and a run length beyond 1e300.
func T2ARL(p int, limit, delta float64) (float64, error) {
	s, err := SignalProbability(p, limit, delta)
	if err != nil {
		return 0, err
	}
	if arl := 1 / s; !math.IsInf(arl, 0) && arl < 1e300 {
		return arl, nil
	}
	return 0, refusal.Unsolved("the chart would practically never signal")
}
