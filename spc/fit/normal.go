package fit

import (
	"math"
	"math/rand/v2"

	"sagwatch/spc/dist"
)

const halfLog2Pi = 0.91893853320467274178 // log(2 pi)/2

// normal has density exp(-z^2/2)/(sd sqrt(2 pi)), z = (x - mean)/sd.
type normal struct{ mean, sd float64 }

func (d normal) Family() Family                  { return Normal }
func (d normal) Parameters() []Parameter         { return parameters(Normal, d.mean, d.sd) }
func (d normal) CDF(x float64) float64           { return dist.NormalCDF((x - d.mean) / d.sd) }
func (d normal) Tail(x float64) float64          { return dist.NormalTail((x - d.mean) / d.sd) }
func (d normal) Quantile(p float64) float64      { return d.mean + d.sd*dist.NormalQuantile(p) }
func (d normal) QuantileUpper(p float64) float64 { return d.mean + d.sd*dist.NormalQuantileUpper(p) }
func (d normal) Moments() (float64, float64, bool) {
	return d.mean, d.sd, true
}
func (d normal) Rand(r *rand.Rand) float64 { return d.mean + d.sd*r.NormFloat64() }
func (d normal) LogPDF(x float64) float64 {
	z := (x - d.mean) / d.sd
	return -z*z/2 - math.Log(d.sd) - halfLog2Pi
}

// lognormal is the distribution of threshold + exp(mu + sigma Z).
type lognormal struct {
	mu, sigma, threshold float64
	family               Family
}

func (d lognormal) Family() Family { return d.family }
func (d lognormal) Parameters() []Parameter {
	if d.family == Lognormal {
		return parameters(Lognormal, d.mu, d.sigma)
	}
	return parameters(Lognormal3, d.mu, d.sigma, d.threshold)
}
func (d lognormal) z(x float64) float64 {
	if x <= d.threshold {
		return math.Inf(-1)
	}
	return (math.Log(x-d.threshold) - d.mu) / d.sigma
}
func (d lognormal) CDF(x float64) float64  { return dist.NormalCDF(d.z(x)) }
func (d lognormal) Tail(x float64) float64 { return dist.NormalTail(d.z(x)) }
func (d lognormal) Quantile(p float64) float64 {
	return clip(d.threshold + math.Exp(d.mu+d.sigma*dist.NormalQuantile(p)))
}
func (d lognormal) QuantileUpper(p float64) float64 {
	return clip(d.threshold + math.Exp(d.mu+d.sigma*dist.NormalQuantileUpper(p)))
}
func (d lognormal) LogPDF(x float64) float64 {
	z := d.z(x)
	if math.IsInf(z, -1) {
		return z
	}
	return -z*z/2 - math.Log(d.sigma) - math.Log(x-d.threshold) - halfLog2Pi
}
func (d lognormal) Moments() (float64, float64, bool) {
	v := d.sigma * d.sigma
	m := math.Exp(d.mu + v/2)
	return finiteMoments(d.threshold+m, m*math.Sqrt(math.Expm1(v)))
}
func (d lognormal) Rand(r *rand.Rand) float64 {
	return clip(d.threshold + math.Exp(d.mu+d.sigma*r.NormFloat64()))
}

// clip keeps a quantile representable.
func clip(x float64) float64 { return math.Max(-math.MaxFloat64, math.Min(math.MaxFloat64, x)) }

func finiteMoments(mean, sd float64) (float64, float64, bool) {
	if math.IsNaN(mean+sd) || math.IsInf(mean+sd, 0) {
		return 0, 0, false
	}
	return mean, sd, true
}

// folded is the distribution of |mu + sigma Z|: the density is
//
//	[phi((x-mu)/sigma) + phi((x+mu)/sigma)] / sigma,  x >= 0.
//
// Source: F. C. Leone, L. S. Nelson, R. B. Nottingham, "The folded normal distribution", Technometrics 3 (1961), 543-550.
type folded struct{ mu, sigma float64 }

func (d folded) Family() Family          { return FoldedNormal }
func (d folded) Parameters() []Parameter { return parameters(FoldedNormal, d.mu, d.sigma) }
func (d folded) CDF(x float64) float64 {
	if !(x > 0) {
		return 0
	}
	a, b := (x-d.mu)/d.sigma, (x+d.mu)/d.sigma
	if b < 1e-3 || x*d.mu < 1e-3*d.sigma*d.sigma && x < 1e-3*d.sigma {
		// The two tails would cancel: density at zero times x, with the next term of its series.
		h, m := x/d.sigma, d.mu/d.sigma
		return 2 * h * dist.NormalPDF(m) * (1 + (m*m-1)*h*h/6)
	}
	return dist.NormalCDF(a) - dist.NormalTail(b)
}
func (d folded) Tail(x float64) float64 {
	if !(x > 0) {
		return 1
	}
	return math.Min(1, dist.NormalTail((x-d.mu)/d.sigma)+dist.NormalTail((x+d.mu)/d.sigma))
}
func (d folded) Quantile(p float64) float64 {
	checkProbability(p)
	if p > 0.5 {
		return solve(func(x float64) float64 { return 1 - p - d.Tail(x) }, 0, d.mu+40*d.sigma)
	}
	return solve(func(x float64) float64 { return d.CDF(x) - p }, 0, d.mu+40*d.sigma)
}
func (d folded) QuantileUpper(p float64) float64 {
	checkProbability(p)
	if p > 0.5 {
		return solve(func(x float64) float64 { return d.CDF(x) - (1 - p) }, 0, d.mu+40*d.sigma)
	}
	// The tail lies between one and two normal tails, on whose logarithm the search is nearly straight.
	lp := math.Log(p)
	hi := d.mu + d.sigma*math.Max(0, dist.NormalQuantileUpper(p/2))
	return solve(func(x float64) float64 { return lp - math.Log(d.Tail(x)) }, 0, hi*(1+1e-12)+1e-12*d.sigma)
}
func (d folded) LogPDF(x float64) float64 {
	if x < 0 {
		return math.Inf(-1)
	}
	z := (x - d.mu) / d.sigma
	return -z*z/2 + math.Log1p(math.Exp(-2*x/d.sigma*(d.mu/d.sigma))) - math.Log(d.sigma) - halfLog2Pi
}
func (d folded) Moments() (float64, float64, bool) {
	r := d.mu / d.sigma
	mean := 2*d.sigma*dist.NormalPDF(r) + d.mu*math.Erf(r/math.Sqrt2)
	return finiteMoments(mean, math.Sqrt(math.Max(0, (d.mu-mean)*(d.mu+mean)+d.sigma*d.sigma)))
}
func (d folded) Rand(r *rand.Rand) float64 { return math.Abs(d.mu + d.sigma*r.NormFloat64()) }

// solve is the root of an increasing f between a and b, or the end that is nearest to having one.
func solve(f func(float64) float64, a, b float64) float64 {
	if f(a) >= 0 {
		return a
	}
	if f(b) <= 0 {
		return b
	}
	x, err := dist.Root(f, a, b)
	if err != nil {
		panic("fit: " + err.Error()) // the signs differ
	}
	return x
}
