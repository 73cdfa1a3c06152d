package monitor

import "sagwatch/spc"

// standardCharacteristics of a press, of which each has its individuals chart by mould, cycle mean and cycle spread.
var standardCharacteristics = []spc.Computed{spc.RadiusMM, spc.MaxDeviationUM, spc.TwofoldUM, spc.TwistUM}

// StandardSet is the standard charts of a product on a press, with ids
// <press>.<product>.<characteristic>.<kind>[.<by>], 3 sigma limits and the rule beyond-limits alone. It is empty when the
// press does not want it, or the product has no contour. A press of one mould has no cycle charts.
func StandardSet(press spc.Press, product spc.Product) []spc.Chart {
	if press.StandardCharts != nil && !*press.StandardCharts || product.Contour == nil {
		return nil
	}
	var set []spc.Chart
	for _, c := range standardCharacteristics {
		stem := press.ID + "." + product.ID + "." + c.String() + "."
		one := func(kind spc.ChartKind, by string) {
			id := stem + string(kind)
			if by != "" {
				id += "." + by
			}
			set = append(set, spc.Chart{ID: id, Press: press.ID, Product: product.ID, Characteristic: c.String(), Kind: kind, By: by,
				Limits: spc.LimitRule{K: 3}, Rules: beyondLimits(), Standard: true})
		}
		one(spc.Individuals, "mould")
		if len(press.Moulds) >= 2 {
			one(spc.CycleMean, "")
			one(spc.CycleSpread, "")
		}
	}
	return set
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
