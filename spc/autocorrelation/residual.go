package autocorrelation

import (
	"math"

	"sagwatch/spc/refusal"
)

// Residuals follows a series one step ahead: what the model expects of the next point from all before it. It is the state
// of a residual chart between two points, fixed in size and plain to store. Its zero value is of no use: see NewResiduals.
type Residuals struct {
	Model Model `json:"model"`
	N     int   `json:"n"` // points so far, missing ones included
	// A and P are the expectation and the covariance (elements 11, 12 and 22, in units of Sigma^2) of the state
	// (x_t - mean, AR2 (x_(t-1) - mean) + MA e_t) of the next point.
	A [2]float64 `json:"a"`
	P [3]float64 `json:"p"`
}

// Residual is one point of a residual chart.
type Residual struct {
	Expected float64 `json:"expected"` // of the point, in the characteristic's unit
	E        float64 `json:"e"`        // point less expected
	SD       float64 `json:"sd"`       // standard deviation of E: Sigma once the start and any gap are past
	Z        float64 `json:"z"`        // E / SD: independent standard normal while the model holds
	Missing  bool    `json:"missing"`  // there was no point: E and Z are 0
}

// NewResiduals starts with the law of the process at rest, so that the first residual is the first point less the mean,
// with the standard deviation of the process. Refusals as for Model.Check.
func NewResiduals(m Model) (Residuals, error) {
	if err := m.Check(); err != nil {
		return Residuals{}, err
	}
	return Residuals{Model: m, P: m.start()}, nil
}

// start is the covariance of the state of a process at rest.
func (m Model) start() [3]float64 {
	g0, g1 := m.variances()
	return [3]float64{g0, m.AR2*g1 + m.MA, m.AR2*m.AR2*g0 + m.MA*m.MA}
}

// Step takes in the next point, NaN for a missing one, by the Kalman filter in its exact form: the residual is the point
// less its expectation given all points before, whatever gaps there were. It refuses infinite values and a
// state that was not started, and leaves the state as it was.
//
// Source: A. C. Harvey, Time Series Models (1981), chapter 4; R. H. Jones, "Maximum likelihood fitting of ARMA models to time
// series with missing observations", Technometrics 22 (1980), 389-395.
func (r *Residuals) Step(x float64) (Residual, error) {
	m := &r.Model
	if !(r.P[0] > 0) {
		return Residual{}, refusal.Shapes("the state of the residual chart was not started")
	}
	out := Residual{Expected: m.Mean + r.A[0], SD: m.Sigma * math.Sqrt(r.P[0])}
	f1, f2, q := m.AR1, m.AR2, m.MA
	if math.IsNaN(x) {
		out.Missing = true
		p := r.P
		r.A = [2]float64{f1*r.A[0] + r.A[1], f2 * r.A[0]}
		r.P = [3]float64{f1*f1*p[0] + 2*f1*p[1] + p[2] + 1, f2*(f1*p[0]+p[1]) + q, f2*f2*p[0] + q*q}
		r.N++
		return out, nil
	}
	if !(math.Abs(x) <= 1e150) {
		return Residual{}, &refusal.Error{Reason: refusal.NonFinite, What: "values", Index: r.N, Value: x}
	}
	y := x - m.Mean
	out.E = y - r.A[0]
	out.Z = out.E / out.SD
	gain := r.P[1] / r.P[0]
	r.A = [2]float64{f1*y + r.A[1] + gain*out.E, f2 * y}
	r.P = [3]float64{1 + math.Max(0, r.P[2]-gain*r.P[1]), q, q * q}
	r.N++
	return out, nil
}

// Residuals are the residuals of a whole series. Refusals as for NewResiduals and Step.
func (m Model) Residuals(x []float64) ([]Residual, error) {
	s, err := NewResiduals(m)
	if err != nil {
		return nil, err
	}
	out := make([]Residual, len(x))
	for i, v := range x {
		if out[i], err = s.Step(v); err != nil {
			return nil, err
		}
	}
	return out, nil
}
