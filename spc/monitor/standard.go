package monitor

import (
	"sagwatch/spc"
	"sagwatch/spc/runlength"
)

// standardCharacteristics of a press, that are charted.
var standardCharacteristics = []spc.Computed{spc.RadiusMM, spc.MaxDeviationUM, spc.TwofoldUM, spc.TwistUM}

// StandardSet is the standard charts of a product on a press, with ids
// <press>.<product>.<characteristic>.<kind>[.<by>] and the rule beyond-limits alone: of each characteristic the cycle mean, the
// group chart of the moulds against their cycle, the moving average of the cycle means for small drifts and the spread inside
// the cycle, and T2 of all shape terms of the cycle means together. It is empty when the press does not want it, or the product has no contour. The largest deviation has no lower
// limit: less is never a fault.
//
// Each mould's own chart of single panels stands beside them, at three sigma: it shows where a mould is and marks its points, but
// opens no signals (Quiet), for what it could say the cycle mean says of all moulds at once and the group chart of one. On a
// press of one mould, which has no cycles, it and the moving average of its panels are the standard set, and signal.
//
// Limits share the press's budget of false signals a shift among the signalling charts, point for point, so that each
// has the average run length in control
//
//	ARL0 = points of all signalling charts in 8 h / false signals a shift
//
// from signal to signal, points merged into signals as the fold does (runlength.Budget). That is exact for independent points
// of known distribution; autocorrelation and limits from a finite baseline make more of them. Wanted run lengths lie between 100
// and 1e6 points, whatever the budget says.
func StandardSet(press spc.Press, product spc.Product) []spc.Chart {
	if press.StandardCharts != nil && !*press.StandardCharts || product.Contour == nil {
		return nil
	}
	share, err := shares.get(shiftOf(press), budget)
	if err != nil {
		return nil // the settings are kept where they can be followed; see shiftOf
	}
	cycles := len(press.Moulds) >= 2
	var set []spc.Chart
	for _, c := range standardCharacteristics {
		stem := press.ID + "." + product.ID + "." + c.String() + "."
		one := func(kind spc.ChartKind, by string, limits spc.LimitRule) *spc.Chart {
			id := stem + string(kind)
			if by != "" {
				id += "." + by
			}
			if c == spc.MaxDeviationUM {
				limits.Side = "upper"
			}
			set = append(set, spc.Chart{ID: id, Press: press.ID, Product: product.ID, Characteristic: c.String(), Kind: kind, By: by,
				Limits: limits, Rules: beyondLimits(), Standard: true})
			return &set[len(set)-1]
		}
		points := spc.LimitRule{ARL0: 1 / share.point}
		if !cycles {
			one(spc.Individuals, "mould", points)
			one(spc.EWMAChart, "mould", spc.LimitRule{ARL0: share.arl0}).EWMA = &spc.EWMA{Lambda: driftWeight}
			continue
		}
		one(spc.CycleMean, "", points)
		one(spc.Group, "", spc.LimitRule{ARL0: share.arl0})
		one(spc.EWMAChart, "", spc.LimitRule{ARL0: share.arl0}).EWMA = &spc.EWMA{Lambda: driftWeight}
		one(spc.CycleSpread, "", points)
		one(spc.Individuals, "mould", spc.LimitRule{K: 3}).Quiet = true
	}
	t2 := spc.Chart{ID: press.ID + "." + product.ID + "." + Shape + "." + string(spc.TSquared), Press: press.ID, Product: product.ID,
		Characteristic: Shape, Kind: spc.TSquared, Limits: spc.LimitRule{ARL0: 1 / share.point}, Rules: beyondLimits(), Standard: true}
	if !cycles {
		t2.ID, t2.By = t2.ID+".mould", "mould"
	}
	return append(set, t2)
}

// driftWeight is the weight of the newest cycle in the moving averages: near the best for drifts and steps of half to one
// standard deviation at the run lengths of a press (Crowder 1989; see runlength.DesignEWMA).
const driftWeight = 0.1

// shift is the length for which the budget of false signals is stated, s.
const shift = 8 * 3600.0

// pressShift is what of a press its budget rests on.
type pressShift struct {
	falseSignals float64
	points       float64 // of one chart in a shift
	moulds       int
}

// shiftOf is a press's shift; what is not given is one false signal, and a panel every 10 s. Products share a press in turn, so
// one product's points count.
func shiftOf(press spc.Press) pressShift {
	s := pressShift{press.FalseSignals, shift / 10, len(press.Moulds)}
	if press.TaktS > 0 {
		s.points = shift / press.TaktS
	}
	charts := 2.0
	if s.moulds >= 2 {
		s.points /= float64(s.moulds)
		charts = 4
	}
	if s.falseSignals <= 0 {
		s.falseSignals = 1
	}
	all := (charts*float64(len(standardCharacteristics)) + 1) * s.points
	s.falseSignals = min(max(s.falseSignals, all/1e6), all/100)
	return s
}

// standardShare is what each point of the standard charts gets of the budget: the run length from signal to signal, and the
// probability of a point beyond its limits, where a signal begins only after Quiet points without.
type standardShare struct{ arl0, point float64 }

var shares worked[pressShift, standardShare]

// budget splits a press's false signals over its standard charts. Their limits follow from the run length each gets.
func budget(s pressShift) (standardShare, error) {
	b := runlength.Budget{FalseSignals: s.falseSignals, Quiet: Quiet}
	add := func(name string, kind runlength.Kind) {
		b.Charts = append(b.Charts, runlength.BudgetChart{Name: name, Kind: kind, PointsPerShift: s.points, Lambda: driftWeight, Streams: max(2, s.moulds)})
	}
	for _, c := range standardCharacteristics {
		add(c.String()+" points", runlength.PointChart)
		add(c.String()+" moving average", runlength.EWMAChart)
		if s.moulds >= 2 {
			add(c.String()+" spread", runlength.PointChart)
			add(c.String()+" group", runlength.GroupChart)
		}
	}
	add("shape", runlength.PointChart) // T2 has its limit at the probability of a normal point's
	list, err := b.Split()
	if err != nil {
		return standardShare{}, err
	}
	return standardShare{arl0: s.points / list[0].FalseSignals, point: list[0].Probability}, nil
}

// masterBaseline is the number of master checks that give provisional limits: at one every four hours, a week's worth.
const masterBaseline = 40

// StandardGaugeCharts is the standard charts of a gauge's master checks, <gauge>.master of the largest error against
// the certificate and <gauge>.master-radius of the radius error; none for a gauge without masters.
func StandardGaugeCharts(g spc.Gauge) []spc.Chart {
	if len(g.Masters) == 0 {
		return nil
	}
	one := func(id string, c spc.Computed) spc.Chart {
		return spc.Chart{ID: g.ID + "." + id, Gauge: g.ID, Characteristic: c.String(), Kind: spc.Individuals, By: "gauge",
			Limits: spc.LimitRule{K: 3}, Rules: beyondLimits(), Baseline: masterBaseline, Standard: true}
	}
	return []spc.Chart{one("master", spc.MasterMaxErrorUM), one("master-radius", spc.MasterRadiusErrorMM)}
}

func beyondLimits() []spc.RuleSetting { return []spc.RuleSetting{{Key: "beyond-limits"}} }
