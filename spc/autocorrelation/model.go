package autocorrelation

import (
	"fmt"
	"math"

	"sagwatch/spc/chart"
	"sagwatch/spc/refusal"
)

// Order counts the autoregressive (0 to 2) and moving-average (0 or 1) coefficients of a model.
type Order struct {
	AR int `json:"ar"`
	MA int `json:"ma"`
}

// Orders by their usual names.
var (
	White  = Order{}     // independent points
	AR1    = Order{1, 0} // first-order autoregression
	AR2    = Order{2, 0}
	ARMA11 = Order{1, 1}
)

// String is the usual notation, "ARMA(1,1)".
func (o Order) String() string {
	switch {
	case o == White:
		return "independent points"
	case o.MA == 0:
		return fmt.Sprintf("AR(%d)", o.AR)
	case o.AR == 0:
		return fmt.Sprintf("MA(%d)", o.MA)
	}
	return fmt.Sprintf("ARMA(%d,%d)", o.AR, o.MA)
}

func (o Order) check() error {
	if o.AR < 0 || o.AR > 2 {
		return refusal.Setting("the autoregressive order", float64(o.AR), "it must be 0, 1 or 2")
	}
	if o.MA < 0 || o.MA > 1 {
		return refusal.Setting("the moving-average order", float64(o.MA), "it must be 0 or 1")
	}
	return nil
}

// coefficients is their number.
func (o Order) coefficients() int { return o.AR + o.MA }

// Model is a stationary, invertible autoregressive moving-average model of a series,
//
//	x_t - Mean = AR1 (x_(t-1) - Mean) + AR2 (x_(t-2) - Mean) + e_t + MA e_(t-1)
//
// with independent normal e of standard deviation Sigma. Mean and Sigma are in the characteristic's unit. It is plain data.
type Model struct {
	Order Order   `json:"order"`
	AR1   float64 `json:"ar1"`
	AR2   float64 `json:"ar2"`
	MA    float64 `json:"ma"`
	Mean  float64 `json:"mean"`
	Sigma float64 `json:"sigma"`
}

// Check refuses orders beyond AR 2 and MA 1, coefficients that the order does not have, a model that is not stationary
// (it needs |AR2| < 1 and |AR1| < 1 - AR2) or not invertible (|MA| < 1), and a Sigma that is not finite and above 0.
func (m Model) Check() error {
	if err := m.Order.check(); err != nil {
		return err
	}
	if m.Order.AR < 1 && m.AR1 != 0 || m.Order.AR < 2 && m.AR2 != 0 || m.Order.MA < 1 && m.MA != 0 {
		return refusal.Shapes("the model has coefficients beyond its order %v", m.Order)
	}
	if !(math.Abs(m.AR2) < 1 && math.Abs(m.AR1) < 1-m.AR2) {
		return refusal.Unsolved("the model is not stationary: coefficients %.6g and %.6g let the process wander off", m.AR1, m.AR2)
	}
	if !(math.Abs(m.MA) < 1) {
		return refusal.Setting("the moving-average coefficient", m.MA, "it must lie between -1 and 1")
	}
	if !(math.Abs(m.Mean) <= 1e150) {
		return refusal.Setting("the mean", m.Mean, "it must be a finite number")
	}
	if !(m.Sigma > 0 && m.Sigma <= 1e150) {
		return refusal.Setting("sigma", m.Sigma, "it must be finite and above 0")
	}
	return nil
}

// variances are the variance of x and its autocovariance at lag 1, in units of Sigma^2, from the Yule-Walker equations.
func (m Model) variances() (g0, g1 float64) {
	f1, f2, q := m.AR1, m.AR2, m.MA
	g0 = (f1*(1+f2)*q/(1-f2) + 1 + q*(f1+q)) * (1 - f2) / ((1 + f2) * (1 - f2 - f1) * (1 - f2 + f1))
	return g0, (f1*g0 + q) / (1 - f2)
}

// ProcessSD is the standard deviation of the points themselves, in the characteristic's unit. For AR(1) it is
// Sigma / sqrt(1 - AR1^2), for ARMA(1,1) Sigma sqrt((1 + 2 AR1 MA + MA^2) / (1 - AR1^2)).
//
// Source: Box and Jenkins (1970), 3.2.3 and 3.4.3. Refusals as for Check.
func (m Model) ProcessSD() (float64, error) {
	if err := m.Check(); err != nil {
		return 0, err
	}
	g0, _ := m.variances()
	return m.Sigma * math.Sqrt(g0), nil
}

// Autocorrelations are those of the model at lags 1 to lags: rho_1 from the Yule-Walker equations, and from lag 2 on
// rho_k = AR1 rho_(k-1) + AR2 rho_(k-2). Refusals as for Check, and lags outside 1 to 1e7.
func (m Model) Autocorrelations(lags int) ([]float64, error) {
	if err := m.Check(); err != nil {
		return nil, err
	}
	if lags < 1 || lags > 1e7 {
		return nil, refusal.Setting("the number of lags", float64(lags), "it must be from 1 to 1e7")
	}
	g0, g1 := m.variances()
	rho := make([]float64, lags)
	before, now := 1.0, g1/g0
	for k := range rho {
		rho[k] = now
		before, now = now, m.AR1*now+m.AR2*before
	}
	return rho, nil
}

// Inflation is the factor by which correlation multiplies the variance of a mean of n consecutive points:
//
//	Var(mean) = ProcessSD^2 / n * Inflation(n),  Inflation(n) = 1 + 2 sum_(k=1..n-1) (1 - k/n) rho_k
//
// The effective sample size is n / Inflation(n): so many independent points would give a mean as good. Refusals as for
// Check, and n outside 1 to 1e7.
//
// Source: NIST/SEMATECH e-Handbook 6.6.2 background; Box and Jenkins (1970), 2.1.5; from memory.
func (m Model) Inflation(n int) (float64, error) {
	if n < 1 || n > 1e7 {
		return 0, refusal.Setting("the number of points", float64(n), "it must be from 1 to 1e7")
	}
	if n == 1 {
		return 1, m.Check()
	}
	rho, err := m.Autocorrelations(n - 1)
	if err != nil {
		return 0, err
	}
	f := 1.0
	for i, r := range rho {
		f += 2 * (1 - float64(i+1)/float64(n)) * r
	}
	return f, nil
}

// MeanSD is the standard deviation of a mean of n consecutive points, in the characteristic's unit. Refusals as for
// Inflation.
func (m Model) MeanSD(n int) (float64, error) {
	f, err := m.Inflation(n)
	if err != nil {
		return 0, err
	}
	sd, err := m.ProcessSD()
	return sd * math.Sqrt(f/float64(n)), err
}

// EffectiveSize is the number of independent points whose mean is as good as that of n consecutive ones: n / Inflation(n).
// Negative correlation makes it greater than n. Refusals as for Inflation.
func (m Model) EffectiveSize(n int) (float64, error) {
	f, err := m.Inflation(n)
	if err != nil {
		return 0, err
	}
	return float64(n) / f, nil
}

// RawLimits are the limits of a chart of the points themselves at the process's true standard deviation:
//
//	Mean ± k ProcessSD
//
// A point lies beyond them as often as beyond those of independent points, but false signals come in runs. Limits from
// moving ranges would be too narrow by sqrt(1 - rho_1). Fit.Limits gives them together with their doubt. Refusals as for
// Check and chart.GivenLimits.
//
// Source: L. C. Alwan and H. V. Roberts, J. Business & Economic Statistics 6 (1988), 87-95; ISO 7870-9; from memory.
func (m Model) RawLimits(w chart.Width) (chart.Limits, error) {
	sd, err := m.ProcessSD()
	if err != nil {
		return chart.Limits{}, err
	}
	return chart.GivenLimits(m.Mean, sd, w)
}

// ResidualLimits are the limits 0 ± k Sigma of a chart of the residuals one step ahead, once the first points are past.
// Residual.SD gives each residual's own standard deviation. Refusals as for RawLimits.
func (m Model) ResidualLimits(w chart.Width) (chart.Limits, error) {
	if err := m.Check(); err != nil {
		return chart.Limits{}, err
	}
	return chart.GivenLimits(0, m.Sigma, w)
}

// ARBias is the leading bias of the estimated coefficient of a first-order autoregression with estimated mean,
//
//	E(phi^) - phi = -(1 + 3 phi) / n
//
// The estimate lies too low where correlation is positive, and with it the process's standard deviation: a baseline that
// is short beside the memory of the process makes limits too narrow.
//
// Source: F. H. C. Marriott and J. A. Pope, "Bias in the estimation of autocorrelations", Biometrika 41 (1954), 390-402;
// M. G. Kendall, ibid., 403-404 (from memory).
func ARBias(phi float64, n int) float64 { return -(1 + 3*phi) / float64(n) }
