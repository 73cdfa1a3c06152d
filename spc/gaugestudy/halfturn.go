package gaugestudy

import (
	"math"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// Removed says which terms a seating takes up, or are taken out as shape, before maps are compared.
type Removed string

// What is taken out of every map. The zero value means RemoveSeating.
const (
	RemoveSeating Removed = "seating" // offset and two tilts
	RemoveShape   Removed = "shape"   // the eleven shape terms
	RemoveNothing Removed = "nothing"
)

// HalfTurnOptions are the settings of the comparison of turned readings.
type HalfTurnOptions struct {
	Remove Removed `json:"remove,omitempty"`
	// WithinMM is how far from the turned place a partner may lie, 0: 0.5 mm.
	WithinMM   float64 `json:"within_mm,omitempty"`
	Confidence float64 `json:"confidence,omitempty"` // 0: 0.95
}

// Turned are the deviations of one panel at all places (um or mm), as it lay first and after half a turn about the gauge's
// axis.
type Turned struct {
	Straight []float64 `json:"straight"`
	Turned   []float64 `json:"turned"`
	// TurnedFirst says that the turned reading was taken before the other. Panels in both orders let a drift of the gauge between the
	// two readings be told from the half turn.
	TurnedFirst bool `json:"turned_first,omitempty"`
}

// order is 1 for a panel that was read straight first, -1 for one that was read turned first.
func (p *Turned) order() float64 {
	if p.TurnedFirst {
		return -1
	}
	return 1
}

// orders counts the panels read straight first and turned first.
func orders(panels []Turned) (straight, turned float64) {
	for _, p := range panels {
		if p.TurnedFirst {
			turned++
		} else {
			straight++
		}
	}
	return straight, turned
}

// PlaceSplit is what the half turn says of one place. Places that are partners have the same figures with the other sign
// (Common: the same sign).
type PlaceSplit struct {
	Place   int     `json:"place"`   // from 0
	Partner int     `json:"partner"` // itself in the middle
	Gauge   float64 `json:"gauge"`   // the part that stays, mean over the panels: half the difference of the probes' biases
	Glass   float64 `json:"glass"`   // the part that turns, mean over the panels: half the difference of the glass at the places
	SE      float64 `json:"se"`      // of Gauge; of Glass too, as far as the gauge goes
	T       float64 `json:"t"`       // Gauge / SE
	P       float64 `json:"p"`       // two-sided, of no bias anywhere (Sidak over the pairs)
	// Common is the part that is alike at both places, of glass and gauge together: the half turn cannot split it.
	Common float64 `json:"common"`
	// Drift is by how much the gauge read more here at the second reading of a panel than at the first, mean over the panels; 0 where
	// the order was not balanced.
	Drift float64 `json:"drift"`
}

// HalfTurnResult splits a map of deviations into glass and gauge.
type HalfTurnResult struct {
	Options HalfTurnOptions `json:"options"`
	Panels  int             `json:"panels"`
	Pairs   int             `json:"pairs"`
	Places  []PlaceSplit    `json:"places"`
	// Each is the turning part of each panel, by place, less the drift where the order was balanced: with few panels, what those of one
	// order share by chance goes with it.
	Each  [][]float64 `json:"each"`
	Sigma float64     `json:"sigma"` // standard deviation of one reading, from what neither glass nor gauge explains
	DF    float64     `json:"df"`
	// F tests of no part that stays (gauge), of none that turns (glass).
	FGauge   float64 `json:"f_gauge"`
	PGauge   float64 `json:"p_gauge"`
	FGlass   float64 `json:"f_glass"`
	PGlass   float64 `json:"p_glass"`
	DFGauge  float64 `json:"df_gauge"`
	DFGlass  float64 `json:"df_glass"`
	PChanged float64 `json:"p_changed"` // of a part that stays being the same under all panels; 1 for one panel
	// Root mean squares over the places, less what the scatter of the readings puts there.
	GaugeRMS  float64 `json:"gauge_rms"`
	GlassRMS  float64 `json:"glass_rms"` // of the panels
	CommonRMS float64 `json:"common_rms"`
	// Balanced: panels were read in both orders, so that a drift between the two readings is in none of the parts above. DriftRMS is the
	// part of it that is alike at both places, FDrift tests it being none. Not balanced, a drift that differs between a place and its
	// partner stands in Glass, and all else of it in Sigma; PDrift then tells of one in the part that is alike (1 for one panel).
	Balanced bool              `json:"balanced"`
	DriftRMS float64           `json:"drift_rms"`
	FDrift   float64           `json:"f_drift"`
	PDrift   float64           `json:"p_drift"`
	DFDrift  float64           `json:"df_drift"`
	Warnings []refusal.Warning `json:"warnings,omitempty"`
}

// HalfTurn compares readings of panels as they lay and after half a turn. A place i with its partner i' at (-x, -y), glass
// G and probe bias B give
//
//	straight_i = G_i + B_i + e,  turned_i = G_i' + B_i + e
//
// so that, per panel and pair,
//
//	gauge_i = (straight_i - straight_i' + turned_i - turned_i')/4   estimates (B_i - B_i')/2
//	glass_i = (straight_i - straight_i' - turned_i + turned_i')/4   estimates (G_i - G_i')/2
//	error   = (straight_i + straight_i' - turned_i - turned_i')/2   has no part of either
//
// and what is alike at both places (their common part) cannot be told apart by half a turn: a bias b of one probe shows
// as b/2 and -b/2 at the two places with b/2 in common. Before that, the terms named in Remove are taken out of every map
// by least squares over all places; they commute with the half turn. The gauge's part is averaged over the panels, whose
// differences in it join the error. F tests compare mean squares with the error's.
//
// A gauge that drifts by D between the first and the second reading of a panel adds s (D_i - D_i')/4 to -glass_i and
// -s (D_i + D_i')/2 to error, where s = 1 for panels read straight first and -1 for those read turned first. With both orders among the
// panels, D is fitted by least squares and taken out of glass and error: the mean of glass is then that of the means of the two orders.
//
// Refused: places that are not symmetric under the half turn (HalfTurnShape takes them), fewer than 2 pairs left after the
// removed terms, maps of another length, values that are not finite (leave the panel out, or both places of the pair),
// readings that agree exactly.
//
// Source: reversal method as of roundness and straightness measurement, R. R. Donaldson, "A simple method for separating
// spindle error from test ball roundness error", CIRP Annals 21 (1972), 125-126 (from memory); analysis of variance follows
// from the model.
func HalfTurn(places [][2]float64, panels []Turned, o HalfTurnOptions) (HalfTurnResult, error) {
	level, err := confidence(o.Confidence)
	if err != nil {
		return HalfTurnResult{}, err
	}
	o.Confidence = level
	if o.WithinMM == 0 {
		o.WithinMM = 0.5
	}
	if err := positive("distance to a partner", o.WithinMM); err != nil {
		return HalfTurnResult{}, err
	}
	if err := checkTurned(places, panels); err != nil {
		return HalfTurnResult{}, err
	}
	partner, err := partners(places, o.WithinMM)
	if err != nil {
		return HalfTurnResult{}, err
	}
	out, err := newRemover(places, o.Remove)
	if err != nil {
		return HalfTurnResult{}, err
	}
	o.Remove = out.what
	n, k := len(places), float64(len(panels))
	r := HalfTurnResult{Options: o, Panels: len(panels), PChanged: 1}
	middles := 0
	for i, j := range partner {
		switch {
		case i == j:
			middles++
		case i < j:
			r.Pairs++
		}
	}
	oddDF, evenDF := float64(r.Pairs-out.odd), float64(r.Pairs+middles-out.even)
	if oddDF < 2 || evenDF < 2 {
		return HalfTurnResult{}, refusal.Few("pairs of places", r.Pairs, max(out.odd, out.even)+2)
	}
	first, second := orders(panels) // of panels read straight first and turned first
	r.Balanced = first > 0 && second > 0
	gauge, glass, common := make([]float64, n), make([]float64, n), make([]float64, n)
	even, side, signed := make([]float64, n), make([]float64, n), make([]float64, n) // signed means: of the error, of glass by order, of glass
	each := make([][]float64, len(panels))                                           // the gauge's part by panel
	var errorSS, glassSS dist.Accumulator
	size := 0.0
	a, b := make([]float64, n), make([]float64, n)
	for q, panel := range panels {
		size = math.Max(size, math.Max(largest(panel.Straight), largest(panel.Turned)))
		out.apply(a, panel.Straight)
		out.apply(b, panel.Turned)
		own, turning := make([]float64, n), make([]float64, n)
		for i, j := range partner {
			own[i] = (a[i] - a[j] + b[i] - b[j]) / 4
			turning[i] = (a[i] - a[j] - b[i] + b[j]) / 4
			gauge[i] += own[i] / k
			glass[i] += turning[i] / k
			common[i] += (a[i] + a[j] + b[i] + b[j]) / 4 / k
			even[i] += panel.order() * (a[i] + a[j] - b[i] - b[j]) / 2 / k
			signed[i] += panel.order() * turning[i] / k
			if panel.TurnedFirst {
				side[i] -= turning[i] / second
			} else {
				side[i] += turning[i] / first
			}
			errorSS.Add(sq((a[i]+a[j]-b[i]-b[j])/2) / 2)
			glassSS.Add(2 * sq(turning[i]))
		}
		each[q] = own
		r.Each = append(r.Each, turning)
	}
	var gaugeSS, changeSS dist.Accumulator
	for i := range gauge {
		gaugeSS.Add(2 * k * sq(gauge[i]))
		for q := range each {
			changeSS.Add(2 * sq(each[q][i]-gauge[i]))
		}
	}
	r.DFGauge, r.DFGlass = oddDF, k*oddDF
	r.DF = k * evenDF
	ss, glassLeft, glassDF := errorSS.Sum(), glassSS.Sum(), k*oddDF
	driftSS, alike := 0.0, 0.0
	for i := range even {
		driftSS += k * sq(even[i]) / 2
	}
	r.DFDrift = evenDF
	if r.Balanced {
		// The drift goes out of the error, of each panel's glass, and of their mean.
		ss, r.DF = math.Max(0, ss-driftSS), (k-1)*evenDF
		r.DFGlass = (k - 1) * oddDF
		glassDF = (k - 2 + k*(1/first+1/second)/4) * oddDF
		alike = glassLeft
		glassLeft = 0
		for i := range glass {
			alike -= 2 * k * sq(signed[i])
			glass[i] = 0
		}
		for q := range panels {
			for i := range glass {
				r.Each[q][i] -= panels[q].order() * side[i] / 2
				glassLeft += 2 * sq(r.Each[q][i])
				if panels[q].TurnedFirst {
					glass[i] += r.Each[q][i] / second / 2
				} else {
					glass[i] += r.Each[q][i] / first / 2
				}
			}
		}
	} else {
		alike = glassLeft
	}
	within := ss / r.DF
	changeDF := (k - 1) * oddDF
	if changeDF > 0 && within > 0 {
		r.PChanged = dist.FTail(changeSS.Sum()/changeDF/within, changeDF, r.DF)
	}
	r.DF += changeDF
	v := (ss + changeSS.Sum()) / r.DF
	r.Sigma = math.Sqrt(v)
	if steady(r.Sigma, size) {
		return HalfTurnResult{}, refusal.Constant("readings that should differ by chance", 2*n*len(panels))
	}
	r.FGauge, r.FGlass = gaugeSS.Sum()/oddDF/v, math.Max(0, alike)/r.DFGlass/v
	r.drift(driftSS, k, errorSS.Sum()+changeSS.Sum(), v)
	r.PGauge, r.PGlass = dist.FTail(r.FGauge, oddDF, r.DF), dist.FTail(r.FGlass, r.DFGlass, r.DF)
	N := float64(n)
	r.GaugeRMS = math.Sqrt(math.Max(0, gaugeSS.Sum()-oddDF*v) / (2 * k * N))
	r.GlassRMS = math.Sqrt(math.Max(0, glassLeft-glassDF*v) / (2 * k * N))
	if r.Balanced {
		r.DriftRMS = math.Sqrt(math.Max(0, driftSS-evenDF*v) * 2 / (k * N))
	}
	commonSS := 0.0
	for i, j := range partner {
		s := PlaceSplit{Place: i, Partner: j, Gauge: gauge[i], Glass: glass[i], Common: common[i], P: 1}
		if r.Balanced {
			s.Drift = -even[i] - side[i]
		}
		commonSS += 2 * k * sq(common[i])
		if i != j {
			s.SE = math.Sqrt(math.Max(0, v*(0.5-out.oddLeverage[i])/(2*k)))
			if s.SE > 0 {
				s.T = s.Gauge / s.SE
				s.P = -math.Expm1(float64(r.Pairs) * math.Log1p(-math.Min(1-1e-16, bothTails(s.T, r.DF))))
			}
		}
		r.Places = append(r.Places, s)
	}
	r.CommonRMS = math.Sqrt(math.Max(0, commonSS-evenDF*v) / (2 * k * N))
	if r.PChanged < 1-level {
		r.Warnings = append(r.Warnings, refusal.Warning{Kind: refusal.Doubtful, What: "gauge", Value: r.PChanged,
			Detail: "The part that stays differs from panel to panel: the gauge moved during the study, or a panel was not seated alike."})
	}
	if !r.Balanced {
		r.Warnings = append(r.Warnings, refusal.Warning{Kind: refusal.Doubtful, What: "order", Value: r.PDrift,
			Detail: "Every panel was read in the same order: a drift of the gauge from the first reading to the second can't be told from the glass. Read half of the panels turned first."})
	}
	if r.Panels < 5 {
		r.Warnings = append(r.Warnings, refusal.Small("panels", r.Panels, 5))
	}
	return r, nil
}

// drift tests the drift in the part that is alike at both places, with v the error without it where the order was balanced, and else
// all that scatters.
func (r *HalfTurnResult) drift(ss, k, scatter, v float64) {
	r.PDrift = 1
	df := r.DF
	if !r.Balanced {
		if df -= r.DFDrift; k < 2 || !(scatter > ss) {
			return
		}
		v = (scatter - ss) / df
	}
	if v > 0 {
		r.FDrift = ss / r.DFDrift / v
		r.PDrift = dist.FTail(r.FDrift, r.DFDrift, df)
	}
}

func checkTurned(places [][2]float64, panels []Turned) error {
	if len(places) < 4 {
		return refusal.Few("places", len(places), 4)
	}
	if len(panels) < 1 {
		return refusal.Few("panels", 0, 1)
	}
	for i, p := range places {
		if !(math.Abs(p[0]) <= 1e9 && math.Abs(p[1]) <= 1e9) {
			return &refusal.Error{Reason: refusal.NonFinite, What: "places", Index: i, N: len(places)}
		}
	}
	for q, p := range panels {
		if len(p.Straight) != len(places) || len(p.Turned) != len(places) {
			return refusal.Shapes("panel %d has %d and %d deviations for %d places", q+1, len(p.Straight), len(p.Turned), len(places))
		}
		for _, m := range [][]float64{p.Straight, p.Turned} {
			if err := refusal.Finite("deviations", m); err != nil {
				return err
			}
		}
	}
	return nil
}

// partners finds the place at (-x, -y) of each, one to one.
func partners(places [][2]float64, within float64) ([]int, error) {
	out := make([]int, len(places))
	for i, p := range places {
		at, best := -1, math.Inf(1)
		for j, q := range places {
			if d := math.Hypot(p[0]+q[0], p[1]+q[1]); d < best {
				at, best = j, d
			}
		}
		if best > within {
			return nil, refusal.Shapes("place %d at (%.6g, %.6g) mm has no place at (%.6g, %.6g) (the nearest is %.3g mm off): values between places cannot be made up; split the shape terms only",
				i+1, p[0], p[1], -p[0], -p[1], best)
		}
		out[i] = at
	}
	for i, j := range out {
		if out[j] != i {
			return nil, refusal.Shapes("places %d and %d lie within the same distance of a turned place: give a smaller distance", i+1, out[j]+1)
		}
	}
	return out, nil
}

// shapeTerms are 1, u, v, the quadratic, the cubic and the quartic term at (u, v), in the order of the shape terms.
func shapeTerms(u, v float64) [11]float64 {
	r2 := u*u + v*v
	return [11]float64{1, u, v, r2, u*u - v*v, 2 * u * v, u*u*u - 3*u*v*v, 3*u*u*v - v*v*v, u * r2, v * r2, r2 * r2}
}

var termIsOdd = [11]bool{1: true, 2: true, 6: true, 7: true, 8: true, 9: true}

// remover takes terms out of a map by least squares.
type remover struct {
	what        Removed
	columns     [][]float64 // orthonormal
	odd, even   int         // how many of each
	oddLeverage []float64
}

func newRemover(places [][2]float64, what Removed) (*remover, error) {
	terms := 0
	switch what {
	case "", RemoveSeating:
		what, terms = RemoveSeating, 3
	case RemoveShape:
		terms = 11
	case RemoveNothing:
	default:
		return nil, refusal.Shapes("what is to be removed, %q, is not known: seating, shape or nothing", what)
	}
	r := &remover{what: what, oddLeverage: make([]float64, len(places))}
	h := scaleOf(places)
	for t := range terms {
		c := make([]float64, len(places))
		for i, p := range places {
			c[i] = shapeTerms(p[0]/h, p[1]/h)[t]
		}
		before := norm(c)
		for range 2 { // twice is enough for orthogonality to rounding
			for _, q := range r.columns {
				f := dot(q, c)
				for i := range c {
					c[i] -= f * q[i]
				}
			}
		}
		length := norm(c)
		if !(length > 1e-9*before) {
			continue // the places do not determine this term, so no map has a part of its own there
		}
		for i := range c {
			c[i] /= length
			if termIsOdd[t] {
				r.oddLeverage[i] += sq(c[i])
			}
		}
		r.columns = append(r.columns, c)
		if termIsOdd[t] {
			r.odd++
		} else {
			r.even++
		}
	}
	return r, nil
}

func (r *remover) apply(dst, m []float64) {
	copy(dst, m)
	for _, q := range r.columns {
		f := dot(q, dst)
		for i := range dst {
			dst[i] -= f * q[i]
		}
	}
}

func scaleOf(places [][2]float64) float64 {
	h := 0.0
	for _, p := range places {
		h = math.Max(h, math.Hypot(p[0], p[1]))
	}
	if h == 0 {
		return 1
	}
	return h
}

func dot(a, b []float64) float64 {
	var s dist.Accumulator
	for i := range a {
		s.Add(a[i] * b[i])
	}
	return s.Sum()
}

func norm(a []float64) float64 { return math.Sqrt(dot(a, a)) }
