package monitor

import "sagwatch/spc"

// standardCharacteristics of a press, of which each has its individuals chart by mould, cycle mean and cycle spread.
var standardCharacteristics = []spc.Computed{spc.RadiusMM, spc.MaxDeviationUM, spc.TwofoldUM, spc.TwistUM}

// StandardSet is the standard charts of a product on a press, with ids
// <press>.<product>.<characteristic>.<kind>[.<by>] and the rule beyond-limits alone. It is empty when the press does not want
// it, or the product has no contour. A press of one mould has no cycle charts. The largest deviation has no lower limit:
// less is never a fault.
//
// Limits share the press's budget of false signals a shift equally among all points of a shift:
//
//	p = false signals a shift / (points of all standard charts in 8 h)
//
// for both sides of a point together (one side of a one-sided chart). That is exact for independent points of known
// distribution; merging points into signals makes fewer of them, autocorrelation and limits from a finite baseline more.
func StandardSet(press spc.Press, product spc.Product) []spc.Chart {
	if press.StandardCharts != nil && !*press.StandardCharts || product.Contour == nil {
		return nil
	}
	p := pointProbability(press)
	var set []spc.Chart
	for _, c := range standardCharacteristics {
		stem := press.ID + "." + product.ID + "." + c.String() + "."
		one := func(kind spc.ChartKind, by string) {
			id := stem + string(kind)
			if by != "" {
				id += "." + by
			}
			limits := spc.LimitRule{Probability: p}
			if c == spc.MaxDeviationUM {
				limits = spc.LimitRule{Probability: min(2*p, 0.5), Side: "upper"}
			}
			set = append(set, spc.Chart{ID: id, Press: press.ID, Product: product.ID, Characteristic: c.String(), Kind: kind, By: by,
				Limits: limits, Rules: beyondLimits(), Standard: true})
		}
		one(spc.Individuals, "mould")
		if len(press.Moulds) >= 2 {
			one(spc.CycleMean, "")
			one(spc.CycleSpread, "")
		}
	}
	return set
}

// shift is the length for which the budget of false signals is stated, s.
const shift = 8 * 3600.0

// pointProbability is the share of the budget that each point of the standard charts gets. Products share a press in turn,
// so one product's points count.
func pointProbability(press spc.Press) float64 {
	budget, takt := press.FalseSignals, press.TaktS
	if budget <= 0 {
		budget = 1
	}
	if takt <= 0 {
		takt = 10
	}
	panels := shift / takt
	points := panels
	if m := len(press.Moulds); m >= 2 {
		points += 2 * panels / float64(m)
	}
	return min(budget/(points*float64(len(standardCharacteristics))), 0.1)
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
