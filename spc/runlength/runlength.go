package runlength

import (
	"math"
	"sort"

	"sagwatch/spc/refusal"
)

// Route is the way by which a run length was found.
type Route string

// Routes.
const (
	MarkovChain      Route = "markov-chain"
	IntegralEquation Route = "integral-equation"
	ClosedForm       Route = "closed-form"
	MonteCarlo       Route = "monte-carlo"
)

// RunLength is the distribution of the number N of points up to and including the first signal.
type RunLength struct {
	ARL   float64 `json:"arl"`  // average run length, E N, points
	SDRL  float64 `json:"sdrl"` // standard deviation of N, points
	Route Route   `json:"route"`
	// SE is the standard error of ARL; 0 on the exact routes.
	SE float64 `json:"se,omitempty"`
	// States is the size of the chain, or the number of quadrature nodes; 0 on the other routes.
	States int `json:"states,omitempty"`
	// Runs and Censored count simulated runs, and those that were ended before they signalled; ARL is then a lower bound.
	Runs     int               `json:"runs,omitempty"`
	Censored int               `json:"censored,omitempty"`
	Warnings []refusal.Warning `json:"warnings,omitempty"`

	law law
}

// Beyond is P(N > n), 1 for n <= 0.
func (r *RunLength) Beyond(n int) float64 { return r.law.beyond(n) }

// Within is P(N <= n), the probability of a signal within n points.
func (r *RunLength) Within(n int) float64 { return 1 - r.law.beyond(n) }

// Quantile is the least n with P(N <= n) >= p, 0 < p < 1: 0.5 gives the median run length. It refuses other p, and
// one beyond what a simulation shows.
func (r *RunLength) Quantile(p float64) (int, error) {
	if !(p > 0 && p < 1) {
		return 0, refusal.Setting("the probability of a quantile", p, "it must lie between 0 and 1")
	}
	return r.law.quantile(1 - p)
}

// law is P(N > n): worked out one by one at first, then falling by a constant share.
//
//	P(N > n) = head[n]                          n <= K = len(head)-1
//	         = head[K] (1 - hazard)^(n-K)       n >= K
type law struct {
	head   []float64
	hazard float64
}

func (l *law) beyond(n int) float64 {
	k := len(l.head) - 1
	switch {
	case n <= 0:
		return 1
	case n <= k:
		return l.head[n]
	case k < 0 || l.hazard >= 1:
		return 0
	}
	return l.head[k] * math.Exp(float64(n-k)*math.Log1p(-l.hazard))
}

// quantile is the least n with P(N > n) <= q.
func (l *law) quantile(q float64) (int, error) {
	k := len(l.head) - 1
	if i := sort.Search(k+1, func(n int) bool { return l.head[n] <= q }); i <= k {
		return i, nil
	}
	if l.hazard <= 0 {
		return 0, refusal.Unsolved("the run length has no such quantile: the runs were ended before that")
	}
	if l.hazard >= 1 {
		return k + 1, nil
	}
	n := math.Ceil(float64(k) + math.Log(q/l.head[k])/math.Log1p(-l.hazard) - 1e-9)
	if !(n < math.MaxInt32*1e6) {
		return 0, refusal.Unsolved("the run length is beyond all counting")
	}
	return int(n), nil
}

// moments are E N and the standard deviation of N:
//
//	E N = sum_(n>=0) P(N > n),  E N (N-1) / 2 = sum_(n>=0) n P(N > n)
func (l *law) moments() (mean, sd float64) {
	k := len(l.head) - 1
	var s, t float64
	for n := k - 1; n >= 0; n-- {
		s += l.head[n]
		t += float64(n) * l.head[n]
	}
	if last := l.head[k]; last > 0 && l.hazard > 0 {
		h := l.hazard
		s += last / h
		t += last * (float64(k)/h + (1-h)/(h*h))
	}
	return s, math.Sqrt(math.Max(0, 2*t+s-s*s))
}

// longest is the number of points after which a run length that has not become regular is given up, and mostWork the
// number of multiplications, some seconds.
const (
	longest  = 200_000
	mostWork = 6e9
)

// follow advances a process point by point until the probability of a signal, given none so far, stays the same. step
// gives that probability and how far the distribution over the states moved (sum of absolute differences).
//
// It stops where what is left of the approach, taken as geometric, is below 1e-13 of the probability, or where hardly a
// run is left. cost is about how many multiplications a step takes.
func follow(cost int, step func() (hazard, moved float64)) (law, error) {
	l := law{head: []float64{1}}
	const back = 12 // the rate of the approach is taken over this many points, as it may swing
	var past [back]float64
	before := math.Inf(1)
	most := int(math.Min(longest, mostWork/float64(cost+1)))
	for n := 0; n < most; n++ {
		h, moved := step()
		if !(h >= 0 && h <= 1+1e-9) {
			return l, refusal.Unsolved("the run length cannot be worked out: the probability of a signal came out as %g", h)
		}
		h = math.Min(h, 1)
		left := l.head[n] * (1 - h)
		l.head, l.hazard = append(l.head, left), h
		if left < 1e-18 {
			l.hazard = 1
			return l, nil
		}
		d := moved
		if h > 0 {
			d = math.Max(d, math.Abs(h-before)/h)
		} else if moved < 1e-13 && n > 100 {
			return l, refusal.Unsolved("such a chart never signals")
		}
		if old := past[n%back]; n >= back && h > 0 {
			rate := math.Pow(math.Max(d, 1e-17)/math.Max(old, 1e-17), 1.0/back)
			if d < 3e-15 || rate < 1 && d/(1-rate) < 1e-13 {
				return l, nil
			}
			if d < 1e-12 && n > 5000 { // rounding keeps it from coming nearer
				return l, nil
			}
		}
		past[n%back], before = d, h
	}
	return l, refusal.Unsolved("the run length does not become regular within %d points", most)
}

// result makes a RunLength of an exact law.
func (l law) result(route Route, states int) (RunLength, error) {
	r := RunLength{Route: route, States: states, law: l}
	r.ARL, r.SDRL = l.moments()
	if math.IsNaN(r.ARL+r.SDRL) || math.IsInf(r.ARL+r.SDRL, 0) {
		return RunLength{}, refusal.Unsolved("the run length is beyond all counting")
	}
	return r, nil
}

// Geometric is the run length of a chart that signals at each point with probability p, independently:
//
//	ARL = 1/p,  SDRL = sqrt(1-p)/p,  P(N > n) = (1-p)^n
//
// for 0 < p <= 1, else it refuses.
func Geometric(p float64) (RunLength, error) {
	if !(p > 0 && p <= 1) {
		return RunLength{}, refusal.Setting("the probability of a signal", p, "it must be above 0 and at most 1")
	}
	r := RunLength{Route: ClosedForm, law: law{head: []float64{1}, hazard: p}}
	r.ARL, r.SDRL = r.law.moments()
	if math.IsInf(r.ARL, 0) || math.IsInf(r.SDRL, 0) || math.IsNaN(r.SDRL) {
		return RunLength{}, refusal.Unsolved("the run length is beyond all counting")
	}
	return r, nil
}

// First is the run length of charts that run side by side on independent points, up to the first signal of any:
//
//	P(N > n) = prod P(N_i > n)
//
// for charts of one point at a time each. It refuses an empty list. The result's Route is Monte Carlo where one of
// them is (then without a standard error of its own), else the first one's.
func First(charts ...RunLength) (RunLength, error) {
	if len(charts) == 0 {
		return RunLength{}, refusal.Few("charts", 0, 1)
	}
	k, stay := 0, 1.0
	route := charts[0].Route
	for i := range charts {
		c := &charts[i]
		if len(c.law.head) == 0 {
			return RunLength{}, refusal.Shapes("chart %d has no run length", i+1)
		}
		k = max(k, len(c.law.head)-1)
		stay *= 1 - c.law.hazard
		if c.Route == MonteCarlo {
			route = MonteCarlo
		}
	}
	l := law{head: make([]float64, k+1), hazard: 1 - stay}
	if stay > 0.5 { // without cancellation
		sum := 0.0
		for i := range charts {
			sum += math.Log1p(-charts[i].law.hazard)
		}
		l.hazard = -math.Expm1(sum)
	}
	for n := range l.head {
		l.head[n] = 1
		for i := range charts {
			l.head[n] *= charts[i].law.beyond(n)
		}
	}
	return l.result(route, 0)
}
