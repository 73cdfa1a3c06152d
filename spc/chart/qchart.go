package chart

import (
	"math"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// QState is a Q chart of single values between two points: fixed in size, plain to store. A Q chart needs no baseline: each
// value is held against those before it in the run. Its zero value knows neither mean nor standard deviation.
type QState struct {
	Mean  *float64     `json:"mean,omitempty"`  // known; nil where not
	Sigma *float64     `json:"sigma,omitempty"` // known; nil where not
	Seen  dist.Moments `json:"seen"`            // count, mean and sum of squares of the values so far
}

// QPoint is one point of a Q chart: a standard normal value, independent of the others, while nothing is wrong. Ready is false
// where the values so far are too few or do not vary.
type QPoint struct {
	Q     float64 `json:"q"`
	Ready bool    `json:"ready"`
}

// Step takes in the r-th value x of the run. With m and s the mean and standard deviation (n-1) of the values before it, Phi
// the normal and G_v the t distribution function with v degrees of freedom:
//
//	both known:      Q = (x - mu) / sigma
//	sigma known:     Q = sqrt((r-1)/r) (x - m) / sigma                          from r = 2
//	mean known:      Q = Phi^-1(G_(r-1)((x - mu) / s_0)),  s_0^2 = sum (x_i - mu)^2 / (r-1)   from r = 2
//	neither known:   Q = Phi^-1(G_(r-2)(sqrt((r-1)/r) (x - m) / s))             from r = 3
//
// Q is held between ± 37, beyond which a double holds no probability. A value that signals stays among those before the next
// ones; leave it out by not taking the stepped state. It refuses a value that is not finite, a known mean that is not and a
// known sigma that is not finite and above 0, and leaves the state as it was.
//
// Source: Quesenberry 1991, SPC Q charts for start-up processes and short or long runs, Journal of Quality Technology 23(3),
// equations (2) to (6) (from memory).
func (s *QState) Step(x float64) (QPoint, error) {
	if !finite(x) {
		return QPoint{}, at(refusal.NonFinite, "values", s.Seen.N)
	}
	if s.Mean != nil {
		if err := checkCentre(*s.Mean); err != nil {
			return QPoint{}, err
		}
	}
	if s.Sigma != nil {
		if err := checkSigma(*s.Sigma); err != nil {
			return QPoint{}, err
		}
	}
	before := s.Seen
	s.Seen.Add(x)
	n := float64(before.N) // r - 1
	shrink := math.Sqrt(n / (n + 1))
	var p QPoint
	switch {
	case s.Mean != nil && s.Sigma != nil:
		p = QPoint{Q: (x - *s.Mean) / *s.Sigma, Ready: true}
	case s.Sigma != nil:
		if before.N >= 1 {
			p = QPoint{Q: shrink * (x - before.Mean) / *s.Sigma, Ready: true}
		}
	case s.Mean != nil:
		// Squares about the known mean, from those about the values' own.
		d := before.Mean - *s.Mean
		if s0 := math.Sqrt((before.SS + n*d*d) / n); before.N >= 1 && !steady(s0, math.Abs(*s.Mean)) {
			p = QPoint{Q: normalOfT((x-*s.Mean)/s0, n), Ready: true}
		}
	default:
		if sd := before.SD(); before.N >= 2 && !steady(sd, math.Abs(before.Mean)) {
			p = QPoint{Q: normalOfT(shrink*(x-before.Mean)/sd, n-1), Ready: true}
		}
	}
	if p.Ready {
		p.Q = max(-37, min(37, p.Q))
	}
	return p, nil
}

// QChart is the Q chart of a whole run in time order with neither mean nor standard deviation known; with m and s the mean
// and standard deviation (n-1) of the r - 1 values before the r-th:
//
//	Q_r = Phi^-1(G_(r-2)(sqrt((r-1)/r) (x_r - m) / s)),  r = 3, 4, ..;  the first two points are not Ready
//
// It refuses a value that is not finite. Source as for QState.Step.
func QChart(x []float64) ([]QPoint, error) {
	var s QState
	out := make([]QPoint, len(x))
	for i, v := range x {
		var err error
		if out[i], err = s.Step(v); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// normalOfT is the standard normal value that lies as far out as t does with df degrees of freedom.
func normalOfT(t, df float64) float64 {
	p := dist.StudentTTail(math.Abs(t), df)
	switch {
	case p >= 0.5:
		return 0
	case p < 1e-300:
		return math.Copysign(37, t)
	}
	return math.Copysign(dist.NormalQuantileUpper(p), t)
}
