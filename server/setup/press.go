package setup

import (
	"slices"

	"sagwatch/spc"
)

func readPress(n node) spc.Press {
	f := n.object("id", "takt_s", "moulds", "lehr_minutes", "lanes", "fitted", "false_signals_per_shift", "standard_charts", "retired")
	p := spc.Press{TaktS: 10, FalseSignals: 1}
	if v, ok := n.required(f, "id"); ok {
		p.ID = v.id()
	}
	if v, ok := f["takt_s"]; ok {
		p.TaktS = v.positive()
	}
	if v, ok := n.required(f, "moulds"); ok {
		p.Moulds = readStations(v, "mould")
		if len(p.Moulds) == 0 {
			v.bad("a press has at least one mould")
		}
	}
	if v, ok := f["lehr_minutes"]; ok {
		p.LehrMinutes = v.notNegative()
	}
	if v, ok := f["lanes"]; ok {
		p.Lanes = readStations(v, "lane")
	}
	if v, ok := f["fitted"]; ok && !v.isNull() {
		stations := v.object()
		p.Fitted = spc.Fitted{}
		for _, station := range v.keys() {
			c, ok := stations[station]
			switch {
			case !ok:
			case !slices.Contains(p.Moulds, station):
				c.bad("%q is not one of this press's moulds", station)
			default:
				p.Fitted[station] = c.id()
			}
		}
	}
	if v, ok := f["false_signals_per_shift"]; ok {
		p.FalseSignals = v.positive()
	}
	if v, ok := f["standard_charts"]; ok && !v.isNull() {
		p.StandardCharts = ptr(v.boolean())
	}
	if v, ok := f["retired"]; ok {
		p.Retired = v.boolean()
	}
	return p
}

func readStations(n node, what string) []string {
	var out []string
	for _, item := range n.list() {
		s := item.id()
		if slices.Contains(out, s) {
			item.bad("%s %q stands twice", what, s)
		}
		out = append(out, s)
	}
	return out
}
