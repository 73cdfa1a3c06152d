package autocorrelation

import (
	"math"

	"sagwatch/spc/chart"
	"sagwatch/spc/refusal"
)

// Options are the settings of a fit; the zero value estimates the mean.
type Options struct {
	Mean *float64 `json:"mean,omitempty"` // given mean, in the characteristic's unit; nil estimates it
}

// Fit is a model estimated by exact maximum likelihood.
type Fit struct {
	Model   Model   `json:"model"`
	Options Options `json:"options"`
	N       int     `json:"n"` // points present
	Missing int     `json:"missing"`
	// Standard errors from the observed information; those of coefficients the order does not have and of a given mean are 0.
	SEAR1   float64 `json:"se_ar1"`
	SEAR2   float64 `json:"se_ar2"`
	SEMA    float64 `json:"se_ma"`
	SEMean  float64 `json:"se_mean"`
	SESigma float64 `json:"se_sigma"`
	// ProcessSD is the standard deviation of the points themselves that the model gives.
	ProcessSD     float64 `json:"process_sd"`
	SEProcessSD   float64 `json:"se_process_sd"`
	LogLikelihood float64 `json:"log_likelihood"`
	// AIC is -2 log likelihood + 2 k and BIC -2 log likelihood + k log N; k counts coefficients, sigma and an estimated mean.
	AIC        float64           `json:"aic"`
	BIC        float64           `json:"bic"`
	EffectiveN float64           `json:"effective_n"` // independent points whose mean is as good
	Iterations int               `json:"iterations"`
	Warnings   []refusal.Warning `json:"warnings,omitempty"`
}

// enough is the number of points below which estimates are marked as doubtful: the standard error of a coefficient,
// near 1/sqrt(n) at most, is then above a tenth (common practice asks for 50 to 100; no source).
const enough = 100

// FitModel estimates a model of the given order from x in time order (NaN where a point is missing), in the
// characteristic's unit, by maximising the exact Gaussian likelihood
//
//	-2 log L = n log(2 pi) + sum log(Sigma^2 F_t) + sum v_t^2 / (Sigma^2 F_t)
//
// of the residuals v_t one step ahead and their variances Sigma^2 F_t from the Kalman filter that starts from the process
// at rest. Mean and Sigma (denominator n, as maximum likelihood has it) are worked out for given coefficients; coefficients
// range over all stationary and invertible models. Standard errors are those of the observed information: half the matrix of
// second derivatives of -2 log L, inverted. The process's standard deviation has its standard error from them.
//
// It refuses fewer than 10 points for each coefficient (at least 3 points), values that do not vary, infinite values, an
// unknown order, a given mean that is not finite, and a series whose likelihood has no maximum among stationary models (one
// that follows its own past without error, or wanders off). Under 100 points, under an effective sample size below 20 and
// at a moving-average coefficient on the bound of invertibility it warns.
//
// Source: A. C. Harvey, Time Series Models (1981), chapter 4; R. H. Jones, Technometrics 22 (1980), 389-395; G. E. P. Box and
// G. M. Jenkins, Time Series Analysis (1970), chapter 7.
func FitModel(x []float64, order Order, o Options) (*Fit, error) {
	if err := order.check(); err != nil {
		return nil, err
	}
	k := order.coefficients()
	s, err := take(x, max(3, 10*k))
	if err != nil {
		return nil, err
	}
	if o.Mean != nil && !(math.Abs(*o.Mean) <= 1e150) {
		return nil, refusal.Setting("the given mean", *o.Mean, "it must be a finite number")
	}
	l := &exact{y: s.standard, n: s.n, order: order}
	if o.Mean != nil {
		m := (*o.Mean - s.mean) / s.sd
		if !(math.Abs(m) <= 1e6) {
			return nil, refusal.Setting("the given mean", *o.Mean, "it lies more than a million standard deviations from the values")
		}
		l.mean = &m
	}
	u, iterations, settled := l.maximise()
	if !settled {
		return nil, refusal.Unsolved("the likelihood of %v did not come to a maximum in %d steps", order, iterations)
	}
	for _, v := range u[:order.AR] {
		if math.Abs(v) >= bound {
			return nil, refusal.Unsolved("no stationary model fits these points: they wander off, or follow one another without error")
		}
	}
	m := l.model(u)
	p := l.at(m)
	if math.IsInf(p.minus2, 0) || p.sigma2 < 1e-20 {
		return nil, refusal.Unsolved("the points follow one another without error; there is nothing random to describe")
	}
	f := &Fit{Model: m, Options: o, N: s.n, Missing: len(x) - s.n, Iterations: iterations}
	f.Model.Mean = s.mean + s.sd*p.mean
	f.Model.Sigma = s.sd * math.Sqrt(p.sigma2)
	if o.Mean != nil {
		f.Model.Mean = *o.Mean
	}
	f.LogLikelihood = -0.5*p.minus2 - float64(s.n)*math.Log(s.sd)
	parameters := float64(k + 1)
	if o.Mean == nil {
		parameters++
	}
	f.AIC = -2*f.LogLikelihood + 2*parameters
	f.BIC = -2*f.LogLikelihood + parameters*math.Log(float64(s.n))
	if f.ProcessSD, err = f.Model.ProcessSD(); err != nil {
		return nil, err
	}
	if f.EffectiveN, err = f.Model.EffectiveSize(min(s.n, 1e7)); err != nil {
		return nil, err
	}
	if err := f.errors(l, u, p, s.sd); err != nil {
		return nil, err
	}
	f.warn()
	return f, nil
}

// errors works out the standard errors. The covariance of the coefficients is that of the likelihood with mean and sigma at
// their best (its Hessian is the Schur complement of the whole one); mean and sigma^2 add their own spread at given
// coefficients to what follows from the coefficients'.
func (f *Fit) errors(l *exact, u []float64, p profile, scale float64) error {
	k := len(u)
	n := float64(l.n)
	free := make([]int, 0, k) // a coefficient on its bound is held there
	for i, v := range u {
		if math.Abs(v) < bound {
			free = append(free, i)
		}
	}
	_, hess := l.derivatives(u, p.minus2)
	info := make([][]float64, len(free))
	for a, i := range free {
		for _, j := range free {
			info[a] = append(info[a], hess[i][j]/2)
		}
	}
	cov := make([][]float64, len(free))
	for a := range free {
		unit := make([]float64, len(free))
		unit[a] = 1
		c, ok := solveDamped(info, unit, 0)
		if !ok {
			return refusal.Unsolved("the points do not tell the coefficients of %v apart: a model with fewer describes them as well", l.order)
		}
		cov[a] = c
	}
	// derivative of a function of the model along each free parameter
	slope := func(g func(m Model, p profile) float64) []float64 {
		d := make([]float64, len(free))
		v := append([]float64(nil), u...)
		for a, i := range free {
			v[i] = u[i] + step
			m := l.model(v)
			up := g(m, l.at(m))
			v[i] = u[i] - step
			m = l.model(v)
			d[a] = (up - g(m, l.at(m))) / (2 * step)
			v[i] = u[i]
		}
		return d
	}
	spread := func(a, b []float64) float64 {
		s := 0.0
		for i := range a {
			for j := range b {
				s += a[i] * cov[i][j] * b[j]
			}
		}
		return math.Max(0, s)
	}
	own := func(g func(m Model, p profile) float64) float64 { d := slope(g); return spread(d, d) }
	f.SEAR1 = math.Sqrt(own(func(m Model, _ profile) float64 { return m.AR1 }))
	f.SEAR2 = math.Sqrt(own(func(m Model, _ profile) float64 { return m.AR2 }))
	f.SEMA = math.Sqrt(own(func(m Model, _ profile) float64 { return m.MA }))
	if l.mean == nil {
		f.SEMean = scale * math.Sqrt(p.sigma2/p.unit+own(func(_ Model, p profile) float64 { return p.mean }))
	}
	// log sigma has the variance 1/(2n) at given coefficients
	logSigma := own(func(_ Model, p profile) float64 { return 0.5 * math.Log(p.sigma2) })
	f.SESigma = f.Model.Sigma * math.Sqrt(1/(2*n)+logSigma)
	logSD := own(func(m Model, p profile) float64 { g0, _ := m.variances(); return 0.5 * math.Log(p.sigma2*g0) })
	f.SEProcessSD = f.ProcessSD * math.Sqrt(1/(2*n)+logSD)
	return nil
}

func (f *Fit) warn() {
	if f.N < enough {
		f.Warnings = append(f.Warnings, refusal.Small("points", f.N, enough))
	}
	const least = 20
	if f.EffectiveN < least {
		w := refusal.Small("effectively independent points", int(f.EffectiveN), least)
		w.Detail = "The process moves too slowly beside this baseline for its true spread to be known; limits are likely too narrow."
		f.Warnings = append(f.Warnings, w)
	}
	if f.Model.Order.MA == 1 && math.Abs(math.Atanh(f.Model.MA)) > bound-1e-6 {
		f.Warnings = append(f.Warnings, refusal.Warning{Kind: refusal.Adjusted, What: "moving-average coefficient", Value: f.Model.MA,
			Detail: "The moving-average coefficient lies on the bound of what can be inverted; the points may be differences of independent ones."})
	}
}

// Limits are limits of a chart of the points themselves (see Model.RawLimits) with what is known about their doubt.
type Limits struct {
	Limits chart.Limits `json:"limits"`
	// SE is the standard error of either limit that estimating mean and spread leaves, taken as independent.
	SE float64 `json:"se"`
	// Bias is the leading bias of the first coefficient (see ARBias; order AR(1) only, 0 otherwise). The estimated spread
	// inherits its sign.
	Bias     float64           `json:"bias"`
	Warnings []refusal.Warning `json:"warnings,omitempty"`
}

// Limits are the widened limits Mean ± k ProcessSD of a chart of the points themselves. Refusals as for Model.RawLimits.
func (f *Fit) Limits(w chart.Width) (Limits, error) {
	l, err := f.Model.RawLimits(w)
	if err != nil {
		return Limits{}, err
	}
	k := (l.Upper - l.Centre) / l.Sigma
	out := Limits{Limits: l, SE: math.Hypot(f.SEMean, k*f.SEProcessSD), Warnings: f.Warnings}
	if f.Model.Order == AR1 {
		out.Bias = ARBias(f.Model.AR1, f.N)
	}
	return out, nil
}

// Choice is the outcome of Choose.
type Choice struct {
	Best *Fit   `json:"best"`
	All  []*Fit `json:"all"` // the fits compared, in the order asked for; an order that could not be fitted is left out
}

// Choose fits each order (independent points, AR(1), AR(2) and ARMA(1,1) where none is given) and takes the one with the
// least BIC. An order without a fit is left out; if none has one, the first refusal is given.
//
// Source: G. Schwarz, "Estimating the dimension of a model", Annals of Statistics 6 (1978), 461-464.
func Choose(x []float64, o Options, orders ...Order) (*Choice, error) {
	if len(orders) == 0 {
		orders = []Order{White, AR1, AR2, ARMA11}
	}
	c := &Choice{}
	var refused error
	for _, order := range orders {
		f, err := FitModel(x, order, o)
		if err != nil {
			if refused == nil {
				refused = err
			}
			continue
		}
		c.All = append(c.All, f)
		if c.Best == nil || f.BIC < c.Best.BIC {
			c.Best = f
		}
	}
	if c.Best == nil {
		return nil, refused
	}
	return c, nil
}
