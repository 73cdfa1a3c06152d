package chart

import (
	"math"

	"sagwatch/spc/refusal"
)

// EWMASettings are the settings of an exponentially weighted moving average chart of single values (or of statistics
// of one and the same standard deviation). See spc/runlength for choosing Lambda and L.
type EWMASettings struct {
	Target float64 `json:"target"` // centre line and start, in the characteristic's unit
	Sigma  float64 `json:"sigma"`  // standard deviation of one value
	Lambda float64 `json:"lambda"` // weight of the newest value, in (0, 1]
	Width  Width   `json:"width"`  // limits: L = Width.K standard deviations, 3 if zero
	// Steady takes the limits of a chart that has run for long from the start on, in place of the exact ones.
	Steady bool `json:"steady,omitempty"`
}

func (s EWMASettings) check() error {
	if err := s.Width.check(); err != nil {
		return err
	}
	if err := checkCentre(s.Target); err != nil {
		return err
	}
	if err := checkSigma(s.Sigma); err != nil {
		return err
	}
	if !(s.Lambda > 0 && s.Lambda <= 1) {
		return refusal.Setting("lambda", s.Lambda, "it must be above 0 and at most 1")
	}
	return nil
}

// EWMAState is an EWMA chart between two points: fixed in size, plain to store.
type EWMAState struct {
	Settings EWMASettings `json:"settings"`
	N        int          `json:"n"` // values since the start or the last reset
	Z        float64      `json:"z"`
}

// EWMAPoint is a plotted average with the limits it is held against.
type EWMAPoint struct {
	Z      float64 `json:"z"`
	Limits Limits  `json:"limits"`
	Side   Side    `json:"side"`
}

// NewEWMA starts an EWMA chart at its target. It refuses a lambda outside (0, 1], a target that is not finite, a sigma that
// is not finite and above 0 and a width without a meaning.
func NewEWMA(s EWMASettings) (EWMAState, error) {
	if err := s.check(); err != nil {
		return EWMAState{}, err
	}
	return EWMAState{Settings: s, Z: s.Target}, nil
}

// Step takes in the next value, in the characteristic's unit:
//
//	z_t = lambda x_t + (1 - lambda) z_(t-1),  z_0 = target
//	limits = target ± L sigma sqrt(lambda / (2 - lambda) (1 - (1 - lambda)^(2t)))
//
// t counts from the start or the last reset, so the limits are those of the average's true standard deviation at each
// point. Values of different standard deviations, such as means of cycles of different size, must be standardised by the
// caller, each by its own, with target 0 and sigma 1. It refuses a value that is not finite and leaves the state as it
// was.
//
// Source: Lucas and Saccucci 1990, Exponentially weighted moving average control schemes, Technometrics 32(1); ISO 7870-6;
// NIST/SEMATECH e-Handbook 6.3.2.4 (from memory).
func (s *EWMAState) Step(x float64) (EWMAPoint, error) {
	if !finite(x) {
		return EWMAPoint{}, at(refusal.NonFinite, "values", s.N)
	}
	o := s.Settings
	s.N++
	s.Z += o.Lambda * (x - s.Z)
	v := o.Lambda / (2 - o.Lambda)
	if !o.Steady {
		v *= -math.Expm1(2 * float64(s.N) * math.Log1p(-o.Lambda)) // 1 at lambda = 1
	}
	l := symmetric(o.Target, o.Sigma*math.Sqrt(v), o.Width)
	return EWMAPoint{Z: s.Z, Limits: l, Side: Beyond(l, s.Z)}, nil
}

// Reset starts the chart again at its target, as after a signal that was acted on; the limits are again those of the first
// point.
func (s *EWMAState) Reset() { s.N, s.Z = 0, s.Settings.Target }

// EWMA is the chart of a whole series in time order, without resets. Refusals as for NewEWMA and Step.
func EWMA(x []float64, s EWMASettings) ([]EWMAPoint, error) {
	state, err := NewEWMA(s)
	if err != nil {
		return nil, err
	}
	out := make([]EWMAPoint, len(x))
	for i, v := range x {
		if out[i], err = state.Step(v); err != nil {
			return nil, err
		}
	}
	return out, nil
}
