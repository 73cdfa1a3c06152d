package gaugestudy

import (
	"errors"
	"math"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// CubicNames are the shape terms that change sign under the half turn, the only ones that it splits.
var CubicNames = [4]string{"cubic_1", "cubic_2", "cubic_3", "cubic_4"}

// TermSplit is a shape term split by the half turn, in the unit of the deviations at the radius of the farthest place.
type TermSplit struct {
	Term    string    `json:"term"`
	Gauge   float64   `json:"gauge"` // mean over the panels
	GaugeSE float64   `json:"gauge_se"`
	PGauge  float64   `json:"p_gauge"` // two-sided, of no such term in the gauge
	Glass   []float64 `json:"glass"`   // by panel
	GlassSE float64   `json:"glass_se"`
	// Drift is by how much the gauge's term grew from the first reading of a panel to the second; 0 where the order was not balanced.
	Drift float64 `json:"drift"`
}

// outOfDrift takes a drift between the two readings out of the glass's terms: half the difference of the means of the two orders.
func (x *TermSplit) outOfDrift(panels []Turned, first, second float64) {
	side := 0.0
	for q := range panels {
		if panels[q].TurnedFirst {
			side -= x.Glass[q] / second
		} else {
			side += x.Glass[q] / first
		}
	}
	for q := range panels {
		x.Glass[q] -= panels[q].order() * side / 2
	}
	x.Drift = -side
}

// HalfTurnShapeResult splits shape terms into glass and gauge.
type HalfTurnShapeResult struct {
	Panels   int               `json:"panels"`
	RadiusMM float64           `json:"radius_mm"` // at which the terms are read off
	Terms    [4]TermSplit      `json:"terms"`
	Sigma    float64           `json:"sigma"` // of one reading, glass beyond the terms included
	DF       float64           `json:"df"`
	Balanced bool              `json:"balanced"` // panels were read in both orders: a drift between the two readings is taken out
	Warnings []refusal.Warning `json:"warnings,omitempty"`
}

// HalfTurnShape splits the shape terms that change sign under the half turn (the four cubic ones: u^3 - 3uv^2, 3u^2v - v^3,
// u(u^2+v^2), v(u^2+v^2) in u = x/h, v = y/h) on any layout, by least squares in the shape terms:
//
//	(straight - turned)/2  on  1, u, v, cubic terms    gives those of the glass
//	(straight + turned)/2  on  all eleven terms        gives those of the gauge
//
// since the glass's terms change sign between the readings and the gauge's do not. Terms that do not change sign (bow,
// twofold, twist, bow4) stay together, and so does all that is finer than the terms: the glass was not measured at the
// turned places, and values between places are not made up. The scatter is that of the first fit, glass finer than the
// terms included, which makes the standard errors cautious.
//
// Refused: places that do not determine the eleven terms, fewer than 13 places, maps as for HalfTurn.
//
// Source: see HalfTurn; the separation by terms follows from their symmetry.
func HalfTurnShape(places [][2]float64, panels []Turned) (HalfTurnShapeResult, error) {
	if err := checkTurned(places, panels); err != nil {
		return HalfTurnShapeResult{}, err
	}
	n, k := len(places), float64(len(panels))
	if n < 13 {
		return HalfTurnShapeResult{}, refusal.Few("places", n, 13)
	}
	h := scaleOf(places)
	odd := []int{0, 1, 2, 6, 7, 8, 9}
	all := []int{0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10}
	glassQR, glassC, err := designOf(places, h, odd)
	if err != nil {
		return HalfTurnShapeResult{}, err
	}
	gaugeQR, gaugeC, err := designOf(places, h, all)
	if err != nil {
		return HalfTurnShapeResult{}, err
	}
	r := HalfTurnShapeResult{Panels: len(panels), RadiusMM: h, DF: k * float64(n-len(odd))}
	work, y := make([]float64, n), make([]float64, n)
	glass, gauge := make([]float64, len(odd)), make([]float64, len(all))
	ss, size := 0.0, 0.0
	for t := range r.Terms {
		r.Terms[t].Term = CubicNames[t]
	}
	for _, p := range panels {
		size = math.Max(size, math.Max(largest(p.Straight), largest(p.Turned)))
		for i := range y {
			y[i] = (p.Straight[i] - p.Turned[i]) / 2
		}
		ss += glassQR.Solve(glass, work, y)
		for i := range y {
			y[i] = (p.Straight[i] + p.Turned[i]) / 2
		}
		gaugeQR.Solve(gauge, work, y)
		for t := range r.Terms {
			r.Terms[t].Glass = append(r.Terms[t].Glass, glass[3+t])
			r.Terms[t].Gauge += gauge[6+t] / k
		}
	}
	if first, second := orders(panels); first > 0 && second > 0 {
		for t := range r.Terms {
			r.Terms[t].outOfDrift(panels, first, second)
		}
		r.Balanced = true
	}
	half := math.Sqrt(ss / r.DF) // of half a difference, and of half a sum
	r.Sigma = math.Sqrt2 * half
	if steady(r.Sigma, size) {
		return HalfTurnShapeResult{}, refusal.Constant("readings that should differ by chance", 2*n*len(panels))
	}
	for t := range r.Terms {
		x := &r.Terms[t]
		x.GlassSE = half * math.Sqrt(glassC[(3+t)*len(odd)+3+t])
		x.GaugeSE = half * math.Sqrt(gaugeC[(6+t)*len(all)+6+t]/k)
		x.PGauge = bothTails(x.Gauge/x.GaugeSE, r.DF)
	}
	if r.Panels < 5 {
		r.Warnings = append(r.Warnings, refusal.Small("panels", r.Panels, 5))
	}
	return r, nil
}

// designOf factors the chosen terms over the places and gives their cofactor.
func designOf(places [][2]float64, h float64, terms []int) (*dist.QR, []float64, error) {
	n, p := len(places), len(terms)
	x := make([]float64, n*p)
	for i, at := range places {
		values := shapeTerms(at[0]/h, at[1]/h)
		for j, t := range terms {
			x[j*n+i] = values[t]
		}
	}
	q := dist.NewQR(n, p)
	if err := q.Factor(x); err != nil {
		var rank *dist.RankError
		if errors.As(err, &rank) {
			return nil, nil, refusal.Unsolved("the places do not determine the shape terms: too few rings or directions")
		}
		return nil, nil, err
	}
	c := make([]float64, p*p)
	q.Cofactor(c)
	return q, c, nil
}
