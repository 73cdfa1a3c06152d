package setup

import (
	"sagwatch/spc"
	"sagwatch/spc/monitor"
)

// ruleKeys are the run rules in plain words.
var ruleKeys = []string{"beyond-limits", "run-one-side", "trend", "alternating", "two-of-three-beyond-2s",
	"four-of-five-beyond-1s", "fifteen-within-1s", "eight-outside-1s"}

func readChart(n node) spc.Chart {
	f := n.object("id", "press", "gauge", "product", "characteristic", "kind", "by", "subgroup", "limits", "ewma", "cusum",
		"rules", "baseline", "adjusted", "retired")
	c := spc.Chart{Limits: spc.LimitRule{K: 3}, Rules: []spc.RuleSetting{{Key: "beyond-limits"}}}
	if v, ok := n.required(f, "id"); ok {
		c.ID = v.id()
	}
	if v, ok := f["press"]; ok {
		c.Press = v.id()
	}
	if v, ok := f["gauge"]; ok {
		c.Gauge = v.id()
	}
	if v, ok := f["product"]; ok {
		c.Product = v.id()
	}
	if v, ok := f["kind"]; ok {
		c.Kind = oneOf(v, spc.ChartKinds...)
	} else {
		n.bad("kind is missing")
	}
	if v, ok := f["characteristic"]; ok {
		if c.Kind.OfCounts() {
			c.Characteristic = v.text() // the name of a count
		} else {
			c.Characteristic = v.id()
		}
	} else if c.Kind == spc.TSquared || c.Kind == spc.MEWMA {
		c.Characteristic = monitor.Shape
	} else {
		n.bad("characteristic is missing")
	}
	if v, ok := f["by"]; ok {
		c.By = string(oneOf(v, "mould", "press", "lane", "gauge", "probe"))
	}
	if v, ok := f["subgroup"]; ok {
		c.Subgroup = v.whole(1, 1000)
	}
	if v, ok := f["baseline"]; ok {
		c.Baseline = v.whole(2, 100000)
	}
	if v, ok := f["limits"]; ok {
		c.Limits = readLimitRule(v)
	}
	if v, ok := f["ewma"]; ok {
		c.EWMA = readEWMA(v)
	}
	if v, ok := f["cusum"]; ok {
		c.CUSUM = readCUSUM(v)
	}
	if v, ok := f["rules"]; ok {
		c.Rules = readRules(v)
	}
	if v, ok := f["adjusted"]; ok {
		c.Adjusted = v.boolean()
	}
	if v, ok := f["retired"]; ok {
		c.Retired = v.boolean()
	}
	return c
}

// readEWMA leaves what is not written at 0: the fold then designs it for the run length wanted.
func readEWMA(n node) *spc.EWMA {
	o := n.object("lambda", "l")
	e := &spc.EWMA{}
	if w, ok := o["lambda"]; ok {
		if e.Lambda = w.positive(); e.Lambda > 1 {
			w.bad("lambda lies above 0 and at most at 1, is %g", e.Lambda)
		}
	}
	if w, ok := o["l"]; ok {
		e.L = w.positive()
	}
	return e
}

func readCUSUM(n node) *spc.CUSUM {
	o := n.object("k", "h", "head_start")
	c := &spc.CUSUM{}
	if w, ok := o["k"]; ok {
		c.K = w.positive()
	}
	if w, ok := o["h"]; ok {
		c.H = w.positive()
	}
	if w, ok := o["head_start"]; ok {
		c.HeadStart = w.notNegative()
	}
	return c
}

func readLimitRule(n node) spc.LimitRule {
	f := n.object("k", "probability", "arl0", "lower", "centre", "upper")
	var r spc.LimitRule
	forms := 0
	if v, ok := f["k"]; ok {
		r.K = v.positive()
		forms++
	}
	if v, ok := f["probability"]; ok {
		if r.Probability = v.positive(); r.Probability >= 0.5 {
			v.bad("the probability of a false signal at a point, below 0.5, is %g", r.Probability)
		}
		forms++
	}
	if v, ok := f["arl0"]; ok {
		if r.ARL0 = v.number(); r.ARL0 < 2 {
			v.bad("a run length of at least 2 points, is %g", r.ARL0)
		}
		forms++
	}
	given := false
	for key, to := range map[string]**float64{"lower": &r.Lower, "centre": &r.Centre, "upper": &r.Upper} {
		if v, ok := f[key]; ok && !v.isNull() {
			*to = ptr(v.number())
			given = true
		}
	}
	if given {
		forms++
	}
	if forms != 1 {
		n.bad("give limits in one form: {k}, {probability}, {arl0} or {lower, centre, upper}")
	}
	ascending := func(a, b *float64) bool { return a == nil || b == nil || *a < *b }
	if !ascending(r.Lower, r.Upper) || !ascending(r.Lower, r.Centre) || !ascending(r.Centre, r.Upper) {
		n.bad("lower, centre and upper must rise in this order")
	}
	return r
}

func readRules(n node) []spc.RuleSetting {
	var out []spc.RuleSetting
	seen := map[string]bool{}
	add := func(at node, key string, count int) {
		if seen[key] {
			at.bad("rule %s stands twice", key)
		}
		seen[key] = true
		out = append(out, spc.RuleSetting{Key: key, Count: count})
	}
	for _, item := range n.list() {
		if _, isMap := mapping(item); !isMap {
			add(item, oneOf(item, ruleKeys...), 0)
			continue
		}
		o := item.object(ruleKeys...)
		for _, key := range item.keys() {
			if v, ok := o[key]; ok {
				add(v, key, v.whole(1, 60))
			}
		}
	}
	return out
}
