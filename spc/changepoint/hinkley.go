package changepoint

import (
	"math"

	"gonum.org/v1/gonum/integrate/quad"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// StartError is the distribution of the error of the maximum-likelihood start of a step of delta standard deviations,
// with many points on both sides and known levels: p[e] is the probability that the estimate lies e points after the
// true start, equal to that of e points before, e = 0..reach.
//
// The log likelihoods of starts after and before the true one are two independent random walks from 0 with steps
// N(-delta²/2, delta²); the estimate is at e where one of them has the greatest value of both. With M the maximum of a
// walk (0 included), F its distribution function and g_e(x) the density of a walk that reaches its greatest value so far
// at e with the value x,
//
//	p[0] = F(0)^2,  p[e] = F(0) integral g_e(x) F(x) dx,  F(0) = exp(-sum_n Phi(-delta sqrt(n)/2)/n)
//
// g_e by recursion on the reversed walk, which stays above 0: g_1 = density of the step, g_e(x) = integral_0^inf
// g_(e-1)(y) step(x - y) dy; F from the same, F(x) = F(0)(1 + sum_e integral_0^x g_e). Gauss-Legendre
// quadrature.
//
// It refuses delta outside 0.5..20 (smaller steps have no useful estimate) and reach outside 0..1000.
//
// Source: D. V. Hinkley, "Inference about the change-point in a sequence of random variables", Biometrika 57 (1970),
// 1-17; F. Spitzer, "A combinatorial lemma and its application to probability theory", Transactions of the American
// Mathematical Society 82 (1956), 323-339.
func StartError(delta float64, reach int) ([]float64, error) {
	if !(delta >= 0.5 && delta <= 20) {
		return nil, refusal.Setting("the size of the step in standard deviations", delta, "must be from 0.5 to 20")
	}
	if reach < 0 || reach > 1000 {
		return nil, refusal.Setting("reach", float64(reach), "must be from 0 to 1000")
	}
	f0 := neverAbove(delta)
	// In units of delta: steps N(-delta/2, 1), panels of length 1 with 12 nodes, up to where a walk comes with
	// probability exp(-delta width) < 1e-13.
	drift := -delta / 2
	panels := int(math.Ceil(math.Max(8, 30/delta)))
	const nodes = 12
	m := panels * nodes
	x, weight := make([]float64, m), make([]float64, m)
	for i := range panels {
		quad.Legendre{}.FixedLocations(x[i*nodes:(i+1)*nodes], weight[i*nodes:(i+1)*nodes], float64(i), float64(i+1))
	}
	kernel := make([]float64, m*m)
	for i := range m {
		for j := range m {
			kernel[i*m+j] = weight[j] * dist.NormalPDF(x[i]-x[j]-drift)
		}
	}
	g, next := make([]float64, m), make([]float64, m)
	for i := range g {
		g[i] = dist.NormalPDF(x[i] - drift)
	}
	renewal := make([]float64, m) // sum of g_e
	var steps [][]float64
	for e := 1; ; e++ {
		if e <= reach {
			steps = append(steps, append([]float64(nil), g...))
		}
		var mass float64
		for i, v := range g {
			renewal[i] += v
			mass += v * weight[i]
		}
		if e >= reach && mass < 1e-13 {
			break
		}
		for i := range next {
			var s float64
			for j, v := range g {
				s += v * kernel[i*m+j]
			}
			next[i] = s
		}
		g, next = next, g
	}
	below := make([]float64, m) // F at the nodes
	for i := range below {
		s := 1 + dist.NormalCDF(x[i]-drift) - dist.NormalCDF(-drift)
		for j, v := range renewal {
			s += weight[j] * v * (dist.NormalCDF(x[i]-x[j]-drift) - dist.NormalCDF(-x[j]-drift))
		}
		below[i] = f0 * s
	}
	p := make([]float64, reach+1)
	p[0] = f0 * f0
	for e := 1; e <= reach; e++ {
		for i, v := range steps[e-1] {
			p[e] += f0 * v * below[i] * weight[i]
		}
	}
	return p, nil
}

// neverAbove is the probability that a walk with steps N(-delta²/2, delta²) never goes above 0.
func neverAbove(delta float64) float64 {
	return math.Exp(-spitzer(delta))
}

// spitzer is sum_n Phi(-delta sqrt(n)/2)/n.
func spitzer(delta float64) float64 {
	var s dist.Accumulator
	for n := 1.0; ; n++ {
		v := dist.NormalTail(delta*math.Sqrt(n)/2) / n
		s.Add(v)
		if v < 1e-18 {
			return s.Sum()
		}
	}
}

// overshoot is Siegmund's nu(x) = 2 x^-2 exp(-2 sum_n Phi(-x sqrt(n)/2)/n), 1 at 0.
func overshoot(x float64) float64 {
	if x < 0.05 {
		return math.Exp(-0.5825971579 * x) // its series, -zeta(1/2)/sqrt(2 pi); off by less than 1e-5 here
	}
	return 2 / (x * x) * math.Exp(-2*spitzer(x))
}

// AsymptoticARL0 is the mean run length without a change of the two-sided step chart with known parameters, for the limit
// b of the statistic, as b grows:
//
//	ARL0 ~ sqrt(2 pi) exp(b²/2) / (b integral_0^b x nu(x)² dx)
//	nu(x) = 2 x^-2 exp(-2 sum_(n>=1) Phi(-x sqrt(n)/2) / n)
//
// It is a check of the table of limits, not where they come from: at ARL0 of 100 to 2000 it lies up to 7 % below. It
// refuses b outside 1..10.
//
// Source: D. Siegmund, E. S. Venkatraman, "Using the generalized likelihood ratio statistic for sequential detection of a
// change-point", Annals of Statistics 23 (1995), 255-271, theorem 1 (formula from memory).
func AsymptoticARL0(b float64) (float64, error) {
	if !(b >= 1 && b <= 10) {
		return 0, refusal.Setting("the limit", b, "must be from 1 to 10")
	}
	var integral float64
	x, w := make([]float64, 40), make([]float64, 40)
	quad.Legendre{}.FixedLocations(x, w, 0, b)
	for i, v := range x {
		nu := overshoot(v)
		integral += w[i] * v * nu * nu
	}
	return math.Sqrt(2*math.Pi) * math.Exp(b*b/2) / (b * integral), nil
}
