package multivariate

import (
	"math"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// ComponentsOptions are the settings of principal components; the zero value takes the correlation matrix and keeps 0.9 of its
// variance.
type ComponentsOptions struct {
	Keep  int     `json:"keep,omitempty"`  // components kept; 0 takes as few as have the share
	Share float64 `json:"share,omitempty"` // of the variance, 0.9 where 0
	// Covariance takes the covariance instead of the correlation matrix, for terms of one unit whose sizes matter.
	Covariance bool `json:"covariance,omitempty"`
}

// Components are the principal components of a baseline: the directions in which panels usually differ, and the chart of what
// lies outside them. Plain data, read only once made, safe for concurrent use.
type Components struct {
	P       int       `json:"p"`
	Keep    int       `json:"keep"`
	Names   []string  `json:"names"`
	Mean    []float64 `json:"mean"`
	Scale   []float64 `json:"scale"`   // a term is divided by it: its standard deviation, or 1
	Values  []float64 `json:"values"`  // all p eigenvalues, largest first
	Vectors []float64 `json:"vectors"` // eigenvectors, p x p in rows, column k for Values[k]
	Share   float64   `json:"share"`   // of the variance that is kept
}

// Components works out the principal components of the baseline. It refuses fewer than 2 terms, a number kept outside 1 to
// p - 1 (there must be something outside) and a share outside (0, 1).
//
// Source: J. E. Jackson and G. S. Mudholkar, "Control procedures for residuals associated with principal component analysis",
// Technometrics 21 (1979), 341-349.
func (b *Baseline) Components(o ComponentsOptions) (*Components, error) {
	if b.P < 2 {
		return nil, refusal.Few("terms", b.P, 2)
	}
	if o.Share == 0 {
		o.Share = 0.9
	}
	if !(o.Share > 0 && o.Share < 1) {
		return nil, refusal.Setting("the share of the variance kept", o.Share, "it must lie between 0 and 1")
	}
	if o.Keep < 0 || o.Keep >= b.P {
		return nil, refusal.Setting("the number of components kept", float64(o.Keep), "it must be at least 1 and below the number of terms, or 0 for a share")
	}
	c := &Components{P: b.P, Names: b.Names, Mean: append([]float64(nil), b.Mean...), Scale: make([]float64, b.P)}
	s := b.Cov
	for j := range c.Scale {
		c.Scale[j] = 1
		if !o.Covariance {
			c.Scale[j] = math.Sqrt(b.Cov[j*b.P+j])
		}
	}
	if !o.Covariance {
		s = correlation(b.Cov, b.P)
	}
	var err error
	if c.Values, c.Vectors, err = eigen(s, b.P); err != nil {
		return nil, err
	}
	total := dist.Sum(c.Values)
	kept := 0.0
	for c.Keep < b.P-1 && (o.Keep > 0 && c.Keep < o.Keep || o.Keep == 0 && kept < o.Share*total) {
		kept += c.Values[c.Keep]
		c.Keep++
	}
	c.Share = kept / total
	return c, nil
}

// Prediction is an observation seen by the components.
type Prediction struct {
	Scores []float64 `json:"scores"` // along the components kept
	// T2 is the sum of squared scores over their variances; its limit with known law is chi-square with Keep degrees of freedom.
	T2 float64 `json:"t2"`
	// Q is the squared prediction error, the sum of Residuals squared.
	Q float64 `json:"q"`
	// Residuals are what the components kept leave of each term, in units of its Scale; their squares tell which terms drive Q.
	Residuals []float64 `json:"residuals"`
}

// Predict splits an observation into what the components kept tell and the rest:
//
//	y = (x - mean) / scale,  score_k = v_k' y,  residual = y - sum_(k<=keep) score_k v_k,  Q = |residual|^2
//
// It refuses observations of another length and numbers that are not finite.
func (c *Components) Predict(x []float64) (Prediction, error) {
	if len(x) != c.P {
		return Prediction{}, refusal.Shapes("the observation has %d terms, the chart has %d", len(x), c.P)
	}
	if err := refusal.Finite("the terms", x); err != nil {
		return Prediction{}, err
	}
	p := Prediction{Scores: make([]float64, c.Keep), Residuals: make([]float64, c.P)}
	for j, v := range x {
		p.Residuals[j] = (v - c.Mean[j]) / c.Scale[j]
	}
	for k := range c.Keep {
		s := 0.0
		for j, v := range x {
			s += c.Vectors[j*c.P+k] * (v - c.Mean[j]) / c.Scale[j]
		}
		p.Scores[k] = s
		p.T2 += s * s / c.Values[k]
		for j := range p.Residuals {
			p.Residuals[j] -= s * c.Vectors[j*c.P+k]
		}
	}
	for _, r := range p.Residuals {
		p.Q += r * r
	}
	if math.IsNaN(p.Q+p.T2) || math.IsInf(p.Q+p.T2, 0) {
		return Prediction{}, refusal.Unsolved("the observation lies too far off for its prediction error to be worked out")
	}
	return p, nil
}

// Limit is the upper limit of Q that is exceeded with probability alpha in control, by Box's weighted chi-square (see BoxLimit)
// of the eigenvalues not kept, taken as known. Refusals as for BoxLimit.
func (c *Components) Limit(alpha float64) (float64, error) { return BoxLimit(c.Values[c.Keep:], alpha) }

// sums are the sums of the first three powers of eigenvalues.
func sums(values []float64, alpha float64) (t1, t2, t3 float64, err error) {
	if err := checkAlpha(alpha); err != nil {
		return 0, 0, 0, err
	}
	if len(values) == 0 {
		return 0, 0, 0, refusal.Few("components outside the model", 0, 1)
	}
	if err := refusal.Finite("the eigenvalues", values); err != nil {
		return 0, 0, 0, err
	}
	top := 0.0
	for i, v := range values {
		if v < 0 {
			return 0, 0, 0, &refusal.Error{Reason: refusal.Negative, What: "the eigenvalues", Index: i, Value: v, N: len(values)}
		}
		top = math.Max(top, v)
	}
	if top == 0 {
		return 0, 0, 0, refusal.Constant("residuals of the components", len(values))
	}
	if top > 1e90 || top < 1e-90 {
		return 0, 0, 0, refusal.Setting("the greatest eigenvalue", top, "choose units in which it lies between 1e-90 and 1e90")
	}
	for _, v := range values {
		t1 += v
		t2 += v * v
		t3 += v * v * v
	}
	return t1, t2, t3, nil
}

// JacksonMudholkarLimit is the upper limit of the squared prediction error from the eigenvalues that are not kept, exceeded
// with probability alpha:
//
//	Q = t1 [z sqrt(2 t2 h0^2) / t1 + 1 + t2 h0 (h0 - 1) / t1^2]^(1/h0),  h0 = 1 - 2 t1 t3 / (3 t2^2),  ti = sum of values^i
//
// z is the upper normal quantile of alpha; where h0 is negative the sign of z turns with it. It refuses alpha outside (0, 0.5],
// no eigenvalues or negative ones, and eigenvalues for which the approximation fails (h0 near 0, or no real root).
//
// Source: J. E. Jackson and G. S. Mudholkar, Technometrics 21 (1979), 341-349; formula from memory.
func JacksonMudholkarLimit(values []float64, alpha float64) (float64, error) {
	t1, t2, t3, err := sums(values, alpha)
	if err != nil {
		return 0, err
	}
	h := 1 - 2*t1*t3/(3*t2*t2)
	z := math.Copysign(dist.NormalQuantileUpper(alpha), h)
	inside := z*math.Sqrt(2*t2*h*h)/t1 + 1 + t2*h*(h-1)/(t1*t1)
	q := t1 * math.Pow(inside, 1/h)
	if math.Abs(h) < 1e-6 || !(inside > 0) || math.IsInf(q, 0) || !(q > 0) {
		return 0, refusal.Unsolved("the normal approximation does not hold for these eigenvalues; use the weighted chi-square")
	}
	return q, nil
}

// BoxLimit is the upper limit of the squared prediction error by a chi-square of the same mean and variance,
//
//	Q = g chi2(alpha; h),  g = t2 / t1,  h = t1^2 / t2,  ti = sum of values^i
//
// exact where the eigenvalues that are not kept are equal. It refuses alpha outside (0, 0.5], no eigenvalues and negative
// ones.
//
// Source: G. E. P. Box, Annals of Mathematical Statistics 25 (1954), 290-302; P. Nomikos and J. F. MacGregor, "Multivariate SPC
// charts for monitoring batch processes", Technometrics 37 (1995), 41-59; from memory.
func BoxLimit(values []float64, alpha float64) (float64, error) {
	t1, t2, _, err := sums(values, alpha)
	if err != nil {
		return 0, err
	}
	return t2 / t1 * dist.ChiSquareQuantileUpper(alpha, t1*t1/t2), nil
}
