package chart

import "sagwatch/spc/refusal"

// CUSUMSettings are the settings of a tabular cumulative sum chart of single values (or of statistics of one and the
// same standard deviation). See spc/runlength for choosing K and H.
type CUSUMSettings struct {
	Target float64 `json:"target"` // in the characteristic's unit
	Sigma  float64 `json:"sigma"`  // standard deviation of one value
	K      float64 `json:"k"`      // reference value in sigma: half the shift to be found soonest
	H      float64 `json:"h"`      // decision interval in sigma
	// HeadStart is where both sums start, in sigma (fast initial response); H/2 is usual, 0 is none.
	HeadStart float64 `json:"head_start,omitempty"`
}

func (s CUSUMSettings) check() error {
	if err := checkCentre(s.Target); err != nil {
		return err
	}
	if err := checkSigma(s.Sigma); err != nil {
		return err
	}
	if !(s.K >= 0 && s.K <= 1e6) {
		return refusal.Setting("the reference value k", s.K, "it must be 0 or more, in sigma")
	}
	if !(s.H > 0 && s.H <= 1e6) {
		return refusal.Setting("the decision interval h", s.H, "it must be above 0, in sigma")
	}
	if !(s.HeadStart >= 0 && s.HeadStart < s.H) {
		return refusal.Setting("the head start", s.HeadStart, "it must be 0 or more and below the decision interval")
	}
	return nil
}

// CUSUMState is a tabular CUSUM between two points: fixed in size, plain to store.
type CUSUMState struct {
	Settings CUSUMSettings `json:"settings"`
	N        int           `json:"n"`  // values since the start or the last reset
	Hi       float64       `json:"hi"` // upper sum, in sigma
	Lo       float64       `json:"lo"` // lower sum, in sigma, positive
	// NHi and NLo count the values since the sum was last 0: a signal's shift began NHi (NLo) values ago, this one counted.
	NHi int `json:"n_hi"`
	NLo int `json:"n_lo"`
}

// CUSUMPoint is one point of both sums. The sums are in sigma; times Settings.Sigma they are in the characteristic's unit.
type CUSUMPoint struct {
	Hi   float64 `json:"hi"`
	Lo   float64 `json:"lo"`
	NHi  int     `json:"n_hi"`
	NLo  int     `json:"n_lo"`
	Side Side    `json:"side"` // Above where Hi > H, Below where Lo > H; the greater sum where both are
}

// NewCUSUM starts a CUSUM at its head start. It refuses a target that is not finite, a sigma that is not finite and above 0,
// a negative k, an h not above 0 and a head start outside [0, h).
func NewCUSUM(s CUSUMSettings) (CUSUMState, error) {
	if err := s.check(); err != nil {
		return CUSUMState{}, err
	}
	c := CUSUMState{Settings: s}
	c.Reset()
	return c, nil
}

// Reset starts both sums again at the head start, as after a signal that was acted on.
func (s *CUSUMState) Reset() {
	s.N, s.NHi, s.NLo = 0, 0, 0
	s.Hi, s.Lo = s.Settings.HeadStart, s.Settings.HeadStart
}

// Step takes in the next value, in the characteristic's unit: with u = (x - target) / sigma,
//
//	hi_t = max(0, hi_(t-1) + u - k),  lo_t = max(0, lo_(t-1) - u - k),  signal where one is above h
//
// Values of different standard deviations, such as means of cycles of different size, must be standardised by the
// caller, each by its own, with target 0 and sigma 1. The sums run on past a signal until Reset. It refuses a value that is
// not finite and leaves the state as it was.
//
// Source: Lucas and Crosier 1982, Fast initial response for CUSUM quality-control schemes, Technometrics 24(3); ISO 7870-4;
// NIST/SEMATECH e-Handbook 6.3.2.3 (from memory).
func (s *CUSUMState) Step(x float64) (CUSUMPoint, error) {
	if !finite(x) {
		return CUSUMPoint{}, at(refusal.NonFinite, "values", s.N)
	}
	o := s.Settings
	u := (x - o.Target) / o.Sigma
	if !finite(u) {
		return CUSUMPoint{}, at(refusal.NonFinite, "values in sigma", s.N)
	}
	s.N++
	s.Hi, s.NHi = summed(s.Hi+u-o.K, s.NHi)
	s.Lo, s.NLo = summed(s.Lo-u-o.K, s.NLo)
	p := CUSUMPoint{Hi: s.Hi, Lo: s.Lo, NHi: s.NHi, NLo: s.NLo}
	switch {
	case s.Hi > o.H && s.Hi >= s.Lo:
		p.Side = Above
	case s.Lo > o.H:
		p.Side = Below
	}
	return p, nil
}

// summed holds a sum at 0 and counts the values since.
func summed(sum float64, n int) (float64, int) {
	if sum <= 0 {
		return 0, 0
	}
	return min(sum, 1e150), n + 1
}

// Level estimates where the process has been since a sum was last 0, in the characteristic's unit:
//
//	target + sigma (k + (hi - h0) / n_hi)   for Above,  target - sigma (k + (lo - h0) / n_lo)   for Below
//
// h0 is the head start while the sum has not been 0 since it, else 0. Inside, or for a sum that is 0, it is the target.
//
// Source: Montgomery, Introduction to Statistical Quality Control, 9.1.3 (from memory).
func (s *CUSUMState) Level(side Side) float64 {
	o := s.Settings
	sum, n := s.Hi, s.NHi
	if side == Below {
		sum, n = s.Lo, s.NLo
	}
	if side == Inside || n == 0 {
		return o.Target
	}
	if n == s.N {
		sum -= o.HeadStart
	}
	return o.Target + float64(side)*o.Sigma*(o.K+sum/float64(n))
}

// CUSUM is the chart of a whole series in time order, without resets. Refusals as for NewCUSUM and Step.
func CUSUM(x []float64, s CUSUMSettings) ([]CUSUMPoint, error) {
	state, err := NewCUSUM(s)
	if err != nil {
		return nil, err
	}
	out := make([]CUSUMPoint, len(x))
	for i, v := range x {
		if out[i], err = state.Step(v); err != nil {
			return nil, err
		}
	}
	return out, nil
}
