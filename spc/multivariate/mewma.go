package multivariate

import (
	"math"

	"sagwatch/spc/refusal"
)

// MEWMASettings are the settings of a multivariate exponentially weighted moving average chart. See MEWMALimit for H.
type MEWMASettings struct {
	Lambda float64 `json:"lambda"` // weight of the newest observation, in (0, 1]
	H      float64 `json:"h"`      // limit of the statistic
	// Steady takes the covariance of an average that has run for long from the start on, in place of the exact one.
	Steady bool `json:"steady,omitempty"`
}

func (s MEWMASettings) check() error {
	if !(s.Lambda > 0 && s.Lambda <= 1) {
		return refusal.Setting("lambda", s.Lambda, "it must be above 0 and at most 1")
	}
	if !(s.H > 0 && s.H <= 1e6) {
		return refusal.Setting("the limit", s.H, "it must be above 0 and at most 1e6")
	}
	return nil
}

// MEWMAState is a multivariate EWMA between two observations: fixed in size for its number of terms, plain to store.
type MEWMAState struct {
	Settings MEWMASettings `json:"settings"`
	N        int           `json:"n"` // observations since the start or the last reset
	Z        []float64     `json:"z"` // average of the deviations from the mean, in the terms' units
}

// MEWMAPoint is a plotted statistic.
type MEWMAPoint struct {
	T2     float64 `json:"t2"`
	Limit  float64 `json:"limit"`
	Signal bool    `json:"signal"`
}

// NewMEWMA starts a chart of p terms at their mean. It refuses a lambda outside (0, 1], a limit not above 0 and p outside 1
// to 64.
func NewMEWMA(s MEWMASettings, p int) (MEWMAState, error) {
	if err := s.check(); err != nil {
		return MEWMAState{}, err
	}
	if err := checkTerms(p); err != nil {
		return MEWMAState{}, err
	}
	return MEWMAState{Settings: s, Z: make([]float64, p)}, nil
}

// Step takes in the next observation about the mean and covariance of t:
//
//	z_i = lambda (x_i - mean) + (1 - lambda) z_(i-1),  z_0 = 0
//	T^2_i = z_i' S_z^-1 z_i,  S_z = lambda/(2 - lambda) [1 - (1 - lambda)^(2i)] S
//
// with the bracket, the exact covariance at each point, unless Steady. It signals where T^2 > H. It changes Z in place and
// allocates nothing. Refusals as for T2.Statistic, and a chart of another number of terms; the state is then as it was.
//
// Source: C. A. Lowry, W. H. Woodall, C. W. Champ and S. E. Rigdon, "A multivariate exponentially weighted moving average control
// chart", Technometrics 34 (1992), 46-53.
func (s *MEWMAState) Step(t *T2, x []float64) (MEWMAPoint, error) {
	if len(s.Z) != t.p {
		return MEWMAPoint{}, refusal.Shapes("the average has %d terms, the chart has %d", len(s.Z), t.p)
	}
	var d [64]float64
	if err := t.deviations(d[:], x); err != nil {
		return MEWMAPoint{}, err
	}
	o := s.Settings
	var z [64]float64
	for i := range t.p {
		z[i] = s.Z[i] + o.Lambda*(d[i]-s.Z[i])
		d[i] = z[i]
	}
	q := t.quadratic(d[:t.p]) / o.variance(s.N+1)
	if math.IsInf(q, 0) || math.IsNaN(q) {
		return MEWMAPoint{}, refusal.Unsolved("the observation lies too far off for T2 to be worked out")
	}
	copy(s.Z, z[:t.p])
	s.N++
	return MEWMAPoint{T2: q, Limit: o.H, Signal: q > o.H}, nil
}

// variance is that of the average of unit-variance observations after n of them.
func (s MEWMASettings) variance(n int) float64 {
	v := s.Lambda / (2 - s.Lambda)
	if !s.Steady {
		v *= -math.Expm1(2 * float64(n) * math.Log1p(-s.Lambda)) // 1 at lambda = 1
	}
	return v
}

// Reset starts the chart again at its mean, as after a signal that was acted on.
func (s *MEWMAState) Reset() {
	s.N = 0
	clear(s.Z)
}

// MEWMA is the chart of a whole series of observations in time order, without resets. Refusals as for NewMEWMA and Step.
func MEWMA(t *T2, x [][]float64, s MEWMASettings) ([]MEWMAPoint, error) {
	state, err := NewMEWMA(s, t.p)
	if err != nil {
		return nil, err
	}
	out := make([]MEWMAPoint, len(x))
	for i, row := range x {
		if out[i], err = state.Step(t, row); err != nil {
			return nil, err
		}
	}
	return out, nil
}
