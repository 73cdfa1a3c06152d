package fit

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// search is how a maximum was found.
type search struct {
	iterations int
	stopped    string
	fixed      map[int]bool // parameters at a bound
	warnings   []refusal.Warning
	curved     *mat.SymDense // minus the second derivatives at the maximum in the free parameters, where the search has them
}

const (
	closedForm = "closed form"
	oneRoot    = "root of the likelihood equation"
	converged  = "converged"
)

// estimate gives the parameters of the greatest likelihood: of values by closed form or by their likelihood equations,
// of a histogram from there, taking its middles for values, by Newton's method on the probabilities of the bins.
func estimate(s *Sample, family Family, start []float64) ([]float64, search, error) {
	var p []float64
	why := search{stopped: closedForm}
	var err error
	switch family {
	case Normal:
		m, sd := s.maximumNormal(func(x float64) float64 { return x })
		p = []float64{m, sd}
	case Lognormal:
		m, sd := s.maximumNormal(math.Log)
		p = []float64{m, sd}
	case Exponential:
		p = []float64{s.mean(func(x float64) float64 { return x })}
	case Rayleigh:
		p = []float64{math.Sqrt(s.mean(func(x float64) float64 { return x * x }) / 2)}
	case Weibull:
		why.stopped = oneRoot
		var k, at float64
		if k, at, err = smallestExtreme(s, math.Log); err == nil {
			p = []float64{k, math.Exp(at)}
		}
	case LargestExtreme:
		why.stopped = oneRoot
		var k, at float64
		if k, at, err = smallestExtreme(s, func(x float64) float64 { return -x }); err == nil {
			p = []float64{-at, 1 / k}
		}
	case Gamma:
		why.stopped = oneRoot
		p, err = maximumGamma(s)
	case FoldedNormal:
		why.stopped = oneRoot
		p, err = maximumFolded(s, &why)
	case Lognormal3:
		p, err = maximumLognormal3(s, &why)
	case JohnsonSU:
		p, err = maximumSU(s, start, &why)
	case JohnsonSB:
		p, err = maximumSB(s, start, &why)
	}
	if err != nil {
		return nil, why, err
	}
	if s.edges != nil {
		p, err = refine(s, family, p, &why)
	}
	return p, why, err
}

// mean is the mean of g over the sample.
func (s *Sample) mean(g func(float64) float64) float64 {
	var a dist.Accumulator
	for i, x := range s.at {
		a.Add(float64(s.count[i]) * g(x))
	}
	return a.Sum() / float64(s.n)
}

// maximumNormal are mean and standard deviation (denominator n) of g over the sample.
func (s *Sample) maximumNormal(g func(float64) float64) (mean, sd float64) {
	c := g(s.at[len(s.at)/2])
	d := s.mean(func(x float64) float64 { return g(x) - c })
	mean = c + d
	v := s.mean(func(x float64) float64 { e := g(x) - c - d; return e * e })
	return mean, math.Sqrt(v)
}

// smallestExtreme solves the likelihood equations of P(Y > y) = exp(-exp(k (y - at))) for y = g(x):
//
//	sum y e^(ky) / sum e^(ky) - 1/k = mean(y),   at = log(mean(e^(ky)))/k,
//
// whose left side grows with k.
//
// Source: N. L. Johnson, S. Kotz, N. Balakrishnan, Continuous Univariate Distributions 1, 2nd ed. (1994), 21.5 (Weibull)
// and 2 (1995), 22.9.6 (extreme values).
func smallestExtreme(s *Sample, g func(float64) float64) (k, at float64, err error) {
	top := math.Max(g(s.at[0]), g(s.at[len(s.at)-1]))
	mean, sd := s.maximumNormal(g)
	if !(sd > 0) {
		return 0, 0, refusal.Constant("values", s.n)
	}
	y := make([]float64, len(s.at))
	for i, x := range s.at {
		y[i] = (g(x) - top) / sd
	}
	centre := (mean - top) / sd
	equation := func(k float64) float64 {
		var a, b float64
		for i, v := range y {
			e := float64(s.count[i]) * math.Exp(k*v)
			a += e * (v - centre)
			b += e
		}
		return a/b - 1/k
	}
	lo, hi := 1.2825, 1.2825 // pi/sqrt 6, what the standard deviation says
	for equation(lo) > 0 && lo > 1e-9 {
		lo /= 2
	}
	for equation(hi) < 0 && hi < 1e9 {
		hi *= 2
	}
	if k, err = dist.Root(equation, lo, hi); err != nil {
		return 0, 0, refusal.Unsolved("the likelihood equation of the extreme-value distribution has no root")
	}
	var b float64
	for i, v := range y {
		b += float64(s.count[i]) * math.Exp(k*v)
	}
	return k / sd, top + sd*math.Log(b/float64(s.n))/k, nil
}

// maximumGamma solves log a - psi(a) = log(mean x) - mean(log x) for the shape a.
func maximumGamma(s *Sample) ([]float64, error) {
	m := s.mean(func(x float64) float64 { return x })
	gap := s.mean(func(x float64) float64 { d := x/m - 1; return d - math.Log(x/m) })
	if !(gap > 0) {
		return nil, refusal.Constant("values", s.n)
	}
	equation := func(u float64) float64 { return logLessDigamma(math.Exp(u)) - gap } // u = log a
	guess := (3 - gap + math.Sqrt((gap-3)*(gap-3)+24*gap)) / (12 * gap)
	u, err := dist.Root(equation, math.Log(guess)-1, math.Log(guess)+1)
	if err != nil {
		return nil, refusal.Unsolved("the likelihood equation of the gamma distribution has no root")
	}
	a := math.Exp(u)
	switch {
	case a > greatestGamma:
		return nil, refusal.Unsolved("the likelihood of a gamma distribution runs off to its normal limit: the values vary too little for their size; take a normal distribution")
	case a < leastGamma:
		return nil, refusal.Unsolved("the values spread over too many powers of ten for a gamma distribution")
	}
	return []float64{a, m / a}, nil
}

// logLessDigamma is log a - psi(a), a > 0, without the cancellation of the two: by the asymptotic series, and below 20 by
// recurrence from there.
//
// Source: M. Abramowitz and I. A. Stegun, Handbook of Mathematical Functions (1964), 6.3.18 and 6.3.5.
func logLessDigamma(a float64) float64 {
	var below float64
	if a < 20 {
		k := math.Ceil(20 - a)
		below = -math.Log1p(k / a)
		for j := range int(k) {
			below += 1 / (a + float64(j))
		}
		a += k
	}
	r := 1 / (a * a)
	return below + 1/(2*a) + r*(1.0/12-r*(1.0/120-r*(1.0/252-r*(1.0/240-r/132))))
}

// maximumFolded solves mu = mean(x tanh(mu x / sigma^2)), sigma^2 = mean(x^2) - mu^2. mu = 0 always solves it; there is
// another root, then the maximum, just where mean(x^4) < 3 mean(x^2)^2. Otherwise the half-normal distribution, mu = 0,
// is the maximum.
func maximumFolded(s *Sample, why *search) ([]float64, error) {
	m2 := s.mean(func(x float64) float64 { return x * x })
	size := math.Sqrt(m2)
	m4 := s.mean(func(x float64) float64 { v := x / size; return v * v * v * v })
	if m4 >= 3 {
		why.fixed = map[int]bool{0: true}
		why.stopped = "at the bound mu = 0"
		why.warnings = append(why.warnings, refusal.Warning{Kind: refusal.Adjusted, What: "mu",
			Detail: "The likelihood is greatest at mu = 0, the half-normal distribution; mu has no standard error there."})
		return []float64{0, size}, nil
	}
	equation := func(mu float64) float64 {
		v := (1 - mu) * (1 + mu)
		return mu - s.mean(func(x float64) float64 { return x / size * math.Tanh(mu*x/(size*v)) })
	}
	lo := 0.5 * math.Pow((3-m4)/2, 0.25)
	for equation(lo) >= 0 && lo > 1e-8 {
		lo /= 2
	}
	// At the right end the equation is 1 - mean|x|/size, above zero where the values vary.
	hi := 1 - 1e-3*(1-s.mean(func(x float64) float64 { return x / size }))
	for equation(hi) <= 0 && hi < 1-1e-15 {
		hi = 1 - (1-hi)/10
	}
	mu, err := dist.Root(equation, lo, hi)
	if err != nil {
		return nil, refusal.Unsolved("the likelihood equation of the folded normal distribution has no root: the values vary too little")
	}
	return []float64{mu * size, size * math.Sqrt((1-mu)*(1+mu))}, nil
}

// maximumLognormal3 takes the highest maximum inside of the profile likelihood of the threshold t,
//
//	-n log sd(log(x - t)) - sum log(x - t),
//
// which grows without bound as t approaches the least value and has the normal distribution as its limit for t to minus
// infinity.
//
// Source: A. C. Cohen and B. J. Whitten, "Estimation in the three-parameter lognormal distribution", Journal of the
// American Statistical Association 75 (1980), 399-404 (local maximum likelihood).
func maximumLognormal3(s *Sample, why *search) ([]float64, error) {
	_, sd := s.maximumNormal(func(x float64) float64 { return x })
	least := s.at[0]
	n := float64(s.n)
	gap := func(x, a float64) float64 { return (x-least)/sd + math.Exp(a) } // a = log((least - t)/sd)
	profile := func(a float64) float64 {
		m, v := s.maximumNormal(func(x float64) float64 { return math.Log(gap(x, a)) })
		return -math.Log(v) - m
	}
	slope := func(a float64) float64 { // of the profile by a, divided by n exp(a)
		m, v := s.maximumNormal(func(x float64) float64 { return math.Log(gap(x, a)) })
		var cov, inverse float64
		for i, x := range s.at {
			g := gap(x, a)
			c := float64(s.count[i]) / n
			cov += c * (math.Log(g) - m) / g
			inverse += c / g
		}
		return -cov/(v*v) - inverse
	}
	const first, last, step = -7.0, 9.0, 0.25
	best, at := math.Inf(-1), 0.0
	before, middle := math.Inf(1), profile(first)
	for a := first + step; a < last; a += step {
		v := profile(a)
		if middle > before && middle >= v && middle > best {
			best, at = middle, a-step
		}
		before, middle = middle, v
	}
	if math.IsInf(best, -1) {
		return nil, refusal.Unsolved("the likelihood of a three-parameter lognormal distribution has no maximum inside: it runs off to its normal limit or to a threshold at the least value; take a simpler family")
	}
	a, err := dist.Root(slope, at-step, at+step)
	if err != nil {
		return nil, refusal.Unsolved("the threshold of a three-parameter lognormal distribution was not found")
	}
	why.stopped = "highest maximum inside; the likelihood is unbounded as the threshold nears the least value"
	m, v := s.maximumNormal(func(x float64) float64 { return math.Log(gap(x, a)) })
	return []float64{m + math.Log(sd), v, least - sd*math.Exp(a)}, nil
}
