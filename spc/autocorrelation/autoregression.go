package autocorrelation

import (
	"errors"
	"math"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// Autoregression is an autoregression x_t = Intercept + sum_j Phi[j-1] x_(t-j) + e_t of any order by one of the estimators that
// need no iteration. Published examples use them; a chart rests on FitModel.
type Autoregression struct {
	Phi       []float64 `json:"phi"`
	Intercept float64   `json:"intercept"` // in the characteristic's unit
	// ResidualSS is the sum of squared residuals, ResidualSD its root mean with the denominator that the estimator has.
	ResidualSS float64   `json:"residual_ss"`
	ResidualSD float64   `json:"residual_sd"`
	Residuals  []float64 `json:"residuals"` // of points p+1 to n
}

func (a *Autoregression) residuals(x []float64) {
	p := len(a.Phi)
	var ss dist.Accumulator
	a.Residuals = make([]float64, 0, len(x)-p)
	for t := p; t < len(x); t++ {
		e := x[t] - a.Intercept
		for j, f := range a.Phi {
			e -= f * x[t-1-j]
		}
		a.Residuals = append(a.Residuals, e)
		ss.Add(e * e)
	}
	a.ResidualSS = ss.Sum()
}

// about sets the intercept for a process with the given mean.
func (a *Autoregression) about(mean float64) {
	left := 1.0
	for _, f := range a.Phi {
		left -= f
	}
	a.Intercept = mean * left
}

func checkAR(x []float64, p int) (series, error) {
	if p < 1 || p > 1000 {
		return series{}, refusal.Setting("the autoregressive order", float64(p), "it must be from 1 to 1000")
	}
	return complete(x, 2*p+3)
}

// YuleWalker solves the Yule-Walker equations sum_j phi_j r_|k-j| = r_k, k = 1..p, of the sample autocorrelations of x. The
// result is always stationary; it is biased towards zero in short series. ResidualSD is sqrt(c_0 (1 - sum phi_j r_j)), c_0
// with denominator n.
//
// It refuses an order outside 1 to 1000, fewer than 2p + 3 values, values that are missing or not finite or do not vary.
//
// Source: Box and Jenkins (1970), 3.2.2 and appendix A3.2; NIST/SEMATECH e-Handbook 6.4.4.9.
func YuleWalker(x []float64, p int) (*Autoregression, error) {
	s, err := checkAR(x, p)
	if err != nil {
		return nil, err
	}
	c, err := Correlate(x, p, 0)
	if err != nil {
		return nil, err
	}
	a := &Autoregression{}
	_, a.Phi = durbin(c.R)
	a.about(s.mean)
	a.residuals(x)
	left := 1.0
	for j, f := range a.Phi {
		left -= f * c.R[j]
	}
	n := float64(len(x))
	a.ResidualSD = s.sd * math.Sqrt((n-1)/n*math.Max(0, left))
	return a, nil
}

// ConditionalLeastSquares regresses x_t on a constant and the p points before it, for t = p+1..n. ResidualSD has the
// denominator n - 2p - 1. The result need not be stationary. Refusals as for YuleWalker, and points that
// follow one another without error.
//
// Source: Box and Jenkins (1970), 7.1; H. B. Mann and A. Wald, Econometrica 11 (1943), 173-220.
func ConditionalLeastSquares(x []float64, p int) (*Autoregression, error) {
	s, err := checkAR(x, p)
	if err != nil {
		return nil, err
	}
	rows := len(x) - p
	design := make([]float64, rows*(p+1))
	for t := range rows {
		design[t] = 1
		for j := range p {
			design[(j+1)*rows+t] = s.standard[p+t-1-j]
		}
	}
	qr := dist.NewQR(rows, p+1)
	if err := qr.Factor(design); err != nil {
		var rank *dist.RankError
		if errors.As(err, &rank) {
			return nil, refusal.Unsolved("the points before lag %d already tell those at that lag without error", rank.Column)
		}
		return nil, err
	}
	b, work := make([]float64, p+1), make([]float64, rows)
	qr.Solve(b, work, s.standard[p:])
	a := &Autoregression{Phi: b[1:]}
	a.about(s.mean)
	a.Intercept += b[0] * s.sd
	a.residuals(x)
	a.ResidualSD = math.Sqrt(a.ResidualSS / float64(rows-p-1))
	if !(a.ResidualSD > 1e-12*s.sd) {
		return nil, refusal.Unsolved("the points follow one another without error; there is nothing random to describe")
	}
	return a, nil
}

// Burg estimates the partial autocorrelations one after another, each by minimising the squared prediction errors forward
// and backward; the result is always stationary. ResidualSD is the root of c_0 prod (1 - a_k^2), c_0 with denominator n.
// Refusals as for YuleWalker.
//
// Source: J. P. Burg, "Maximum entropy spectral analysis", thesis, Stanford University (1975); S. M. Kay, Modern Spectral
// Estimation (1988), 7.6; from memory.
func Burg(x []float64, p int) (*Autoregression, error) {
	s, err := checkAR(x, p)
	if err != nil {
		return nil, err
	}
	n := len(x)
	f, b := append([]float64(nil), s.standard...), append([]float64(nil), s.standard...)
	var phi []float64
	old := make([]float64, p)
	v := float64(n-1) / float64(n)
	for k := range p {
		var num, den dist.Accumulator
		for t := k + 1; t < n; t++ {
			num.Add(2 * f[t] * b[t-1])
			den.Add(f[t]*f[t] + b[t-1]*b[t-1])
		}
		a := 0.0
		if d := den.Sum(); d > 0 {
			a = num.Sum() / d
		}
		for t := n - 1; t > k; t-- {
			f[t], b[t] = f[t]-a*b[t-1], b[t-1]-a*f[t]
		}
		copy(old, phi)
		for j := range phi {
			phi[j] -= a * old[k-1-j]
		}
		phi = append(phi, a)
		v *= 1 - a*a
	}
	r := &Autoregression{Phi: phi}
	r.about(s.mean)
	r.residuals(x)
	r.ResidualSD = s.sd * math.Sqrt(math.Max(0, v))
	return r, nil
}
