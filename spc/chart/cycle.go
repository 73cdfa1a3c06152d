package chart

import (
	"fmt"
	"math"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// StreamValue is the value of one panel of a cycle and the stream (mould, in the press's order from 0) that made it.
type StreamValue struct {
	Stream int
	Value  float64
}

// CyclePoint is what the panels of one cycle say once each stream's own centre is taken off.
type CyclePoint struct {
	M      int     // panels present
	Effect float64 // e, mean of y = x - c over the panels present
	Mean   float64 // mean of all stream centres + Effect: the plotted cycle mean
	Spread float64 // standard deviation of y about e, denominator M-1
	// HasSpread is false for a cycle of one panel.
	HasSpread bool
}

// Cycle works out one cycle's point from the panels present and all the press's stream centres c_i, both in the
// characteristic's unit:
//
//	y_i = x_i - c_i,  e = mean(y),  cycle mean = mean(c) + e,  spread = sqrt(sum (y_i - e)^2 / (m - 1))
//
// Because the streams' own levels are taken off first, a cycle in which moulds are missing is not shifted by their
// levels. It refuses a cycle without panels, values that are not finite and a stream that has no centre or comes
// twice. No allocation; the first 64 streams are checked for coming twice.
//
// Source: Boyd 1950, Applying the group control chart, Industrial Quality Control 7(3); Epprecht and Simões on charting
// the streams' differences from their common level (both from memory).
func Cycle(panels []StreamValue, centres []float64) (CyclePoint, error) {
	if len(panels) == 0 {
		return CyclePoint{}, refusal.Few("panels in a cycle", 0, 1)
	}
	var seen uint64
	var s, level dist.Accumulator
	for i, p := range panels {
		if p.Stream < 0 || p.Stream >= len(centres) || p.Stream < 64 && seen&(1<<p.Stream) != 0 {
			return CyclePoint{}, badStream(p.Stream, 0)
		}
		if p.Stream < 64 {
			seen |= 1 << p.Stream
		}
		if !finite(p.Value) || !finite(centres[p.Stream]) {
			return CyclePoint{}, at(refusal.NonFinite, "values", i)
		}
		s.Add(p.Value - centres[p.Stream])
	}
	for i, c := range centres {
		if !finite(c) {
			return CyclePoint{}, at(refusal.NonFinite, "stream centres", i)
		}
		level.Add(c)
	}
	pt := CyclePoint{M: len(panels), HasSpread: len(panels) > 1}
	pt.Effect = s.Sum() / float64(pt.M)
	pt.Mean = level.Sum()/float64(len(centres)) + pt.Effect
	if pt.HasSpread {
		var dd dist.Accumulator
		for _, p := range panels {
			d := p.Value - centres[p.Stream] - pt.Effect
			dd.Add(d * d)
		}
		pt.Spread = math.Sqrt(dd.Sum() / float64(pt.M-1))
	}
	return pt, nil
}

// badStream refuses the cycle at index for a stream that comes twice in it or is not there.
func badStream(stream, index int) error {
	return &refusal.Error{Reason: refusal.Mismatch, What: "streams", N: stream, Index: index,
		Detail: fmt.Sprintf("a cycle names stream %d twice, or there is no such stream", stream+1)}
}

// CycleModel is the baseline of a press's cycle charts for one characteristic. Its fields are plain numbers: stored,
// they give the limits of later cycles.
type CycleModel struct {
	Cycles int     `json:"cycles"`
	Panels int     `json:"panels"`
	Centre float64 `json:"centre"` // of the cycle mean: mean(c) + mean(e), or a target (About)
	// CentreFrom is FromTarget where the centre is not the baseline's own.
	CentreFrom CentreFrom `json:"centre_from,omitempty"`
	// SigmaEffect is the standard deviation of e over the cycles, denominator J-1: all the variation there is from
	// cycle to cycle, autocorrelation included.
	SigmaEffect float64 `json:"sigma_effect"`
	// SigmaWithin is the standard deviation of y inside a cycle, pooled; 0 when no cycle has two panels.
	SigmaWithin float64 `json:"sigma_within"`
	DFWithin    int     `json:"df_within"`
	// VarBetween is SigmaEffect^2 - MeanInverse SigmaWithin^2, signed.
	VarBetween  float64           `json:"var_between"`
	MeanInverse float64           `json:"mean_inverse"` // mean of 1/m_j over the baseline's cycles
	Lag1        Autocorrelation   `json:"lag1"`         // of e; zero under 3 cycles
	Warnings    []refusal.Warning `json:"warnings,omitempty"`
}

// Cycles works out the cycle charts of a press from a baseline of J cycles in order, cycle j with m_j panels, and the
// streams' centres c_i:
//
//	e_j        = mean of y_ij = x_ij - c_i over the panels present
//	sigma_e^2  = sum (e_j - mean(e))^2 / (J - 1)
//	sigma_w^2  = sum_j sum_i (y_ij - e_j)^2 / df,  df = sum (m_j - 1), less (number of streams - 1) if fitted
//	var_between = sigma_e^2 - sigma_w^2 mean(1/m_j)
//
// fitted says that the centres were worked out from these same cycles (StreamCentres), which uses up degrees of
// freedom; given ones do not. sigma_e^2 mean-squares the cycle effects as they are, so for independent cycles its
// expectation is exactly var_between + sigma_w^2 mean(1/m_j), whatever the m_j. The streams are taken to vary alike;
// a stream that varies more widens sigma_w for all.
//
// It refuses fewer than 2 cycles, what Cycle refuses (Index is the cycle), and a baseline in which the cycles do not
// vary. Under 100 cycles, under significant lag-1 autocorrelation of e (the limits hold it, but points beyond them come in
// groups) and at a negative var_between it warns.
//
// Source: the moment estimator of the one-way random-effects model with unequal group sizes (Searle, Casella and
// McCulloch 1992, Variance Components, ch. 3, from memory).
func Cycles(cycles [][]StreamValue, centres []float64, fitted bool) (CycleModel, error) {
	if len(cycles) < 2 {
		return CycleModel{}, refusal.Few("cycles", len(cycles), 2)
	}
	points := make([]CyclePoint, len(cycles))
	size := 0.0
	for j, cycle := range cycles {
		pt, err := Cycle(cycle, centres)
		if err != nil {
			here := *err.(*refusal.Error)
			here.Index = j
			return CycleModel{}, &here
		}
		points[j] = pt
		for _, p := range cycle {
			size = max(size, math.Abs(p.Value))
		}
	}
	used := 0
	if fitted {
		used = len(centres) - 1
	}
	m, err := CycleBaseline(points, used)
	if err == nil && steady(m.SigmaEffect, size) {
		return CycleModel{}, refusal.Constant("cycles", len(cycles))
	}
	return m, err
}

// CycleBaseline is Cycles for cycles whose points were worked out before, in order; used is the number of degrees of
// freedom within the cycles that fitting the centres used up, 0 for given ones. The cycles may have different centres,
// as after a mould change: the model's Centre is the mean level of the points plus the mean of e. It refuses fewer than 2
// points, points without panels or with numbers that are not finite (Index is the point) and effects that do not vary;
// formulas, warnings and source as for Cycles.
func CycleBaseline(points []CyclePoint, used int) (CycleModel, error) {
	if len(points) < 2 {
		return CycleModel{}, refusal.Few("cycles", len(points), 2)
	}
	m := CycleModel{Cycles: len(points), CentreFrom: FromData}
	effects := make([]float64, len(points))
	var within, inverse, level dist.Accumulator
	for j, pt := range points {
		if pt.M < 1 {
			return CycleModel{}, &refusal.Error{Reason: refusal.TooFew, What: "panels in a cycle", N: pt.M, Need: 1, Index: j}
		}
		if !finite(pt.Effect) || !finite(pt.Mean) || !finite(pt.Spread) {
			return CycleModel{}, at(refusal.NonFinite, "cycles", j)
		}
		effects[j] = pt.Effect
		level.Add(pt.Mean - pt.Effect)
		m.Panels += pt.M
		m.DFWithin += pt.M - 1
		within.Add(float64(pt.M-1) * pt.Spread * pt.Spread)
		inverse.Add(1 / float64(pt.M))
	}
	mean, sd := moments(effects)
	if steady(sd, largest(effects)) {
		return CycleModel{}, refusal.Constant("cycles", len(points))
	}
	m.Centre, m.SigmaEffect = level.Sum()/float64(m.Cycles)+mean, sd
	m.MeanInverse = inverse.Sum() / float64(m.Cycles)
	m.DFWithin = max(0, m.DFWithin-used)
	if m.DFWithin > 0 {
		m.SigmaWithin = math.Sqrt(within.Sum() / float64(m.DFWithin))
	}
	m.VarBetween = sd*sd - m.SigmaWithin*m.SigmaWithin*m.MeanInverse
	if m.Cycles < enoughPoints {
		m.Warnings = append(m.Warnings, refusal.Small("points", m.Cycles, enoughPoints))
	}
	// Two cycles are too few for a correlation, and say nothing of it.
	if lag1, err := Lag1(effects); err == nil {
		m.Lag1 = lag1
		if m.Lag1.Significant {
			m.Warnings = append(m.Warnings, correlated("cycles", m.Lag1, true))
		}
	}
	if m.VarBetween < 0 {
		m.Warnings = append(m.Warnings, refusal.Warning{Kind: refusal.Doubtful, What: "between cycles", Value: m.VarBetween,
			Detail: "The cycles vary less than the panels inside them suggest; the limits are those of the cycles as they are."})
	}
	return m, nil
}

// About is the same model with the cycle means about a target or standard level, with the baseline's spreads. It refuses a
// target that is not finite.
func (c CycleModel) About(target float64) (CycleModel, error) {
	if err := checkCentre(target); err != nil {
		return CycleModel{}, err
	}
	c.Centre, c.CentreFrom = target, FromTarget
	return c, nil
}

// EffectSigma is the standard deviation of the cycle mean of a cycle of m panels, m at least 1:
//
//	sigma_e(m)^2 = var_between + sigma_w^2 / m               if var_between >= 0
//	             = sigma_e^2 (1/m) / mean(1/m_j)              otherwise
//
// Both agree at var_between = 0, and both give sigma_e for a baseline and a cycle that are complete: the limits of
// complete cycles rest on the variation of the cycles alone, never on the spread inside them.
func (c CycleModel) EffectSigma(m int) (float64, error) {
	if m < 1 {
		return 0, refusal.Few("panels in a cycle", m, 1)
	}
	inv := 1 / float64(m)
	v := c.VarBetween + c.SigmaWithin*c.SigmaWithin*inv
	if c.VarBetween < 0 {
		v = c.SigmaEffect * c.SigmaEffect * inv / c.MeanInverse
	}
	return math.Sqrt(v), nil
}

// MeanLimits are the limits of the cycle mean of a cycle of m panels, charted as an individual: centre ± k EffectSigma(m).
// It refuses m below 1 and a width that is none.
func (c CycleModel) MeanLimits(m int, w Width) (Limits, error) {
	s, err := c.EffectSigma(m)
	if err != nil {
		return Limits{}, err
	}
	return GivenLimits(c.Centre, s, w)
}

// SpreadLimits are the limits of the spread inside a cycle of m panels, m at least 2: those of a standard deviation
// with m-1 degrees of freedom of normal values with SigmaWithin. Formula and refusals as for SDLimits; a model whose cycles have
// one panel each has no SigmaWithin and is refused too.
func (c CycleModel) SpreadLimits(m int, w Width) (Limits, error) {
	return SDLimits(m, c.SigmaWithin, w)
}
