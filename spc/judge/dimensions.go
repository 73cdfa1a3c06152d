package judge

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"time"

	"sagwatch/spc"
)

// Dimensions judges a measurement of a dimensions gauge: each characteristic of the product by its limits and its
// stated u with the product's k, two-sided or one-sided. A gauge with values: n also gives, in mm,
//
//	mean = sum x_i / n,   sd = sqrt(sum (x_i - mean)^2 / (n - 1)),   range = max - min
//
// of the good readings (null, out of range and declared faulty ones left out), which the product's characteristics or
// limits named mean, sd and range judge; a limit's mean has the uncertainty probe_u / sqrt(n). Counts are carried by the
// measurement and judged by nothing.
//
// A characteristic without value, limit or uncertainty is listed as not judged; so is one that the product does not
// define. Buffers of res are reused as Judge does.
func Dimensions(g spc.Gauge, p spc.Product, m *spc.Measurement, res *spc.Result) {
	*res = spc.Result{Verdict: spc.NotJudged, Reasons: res.Reasons[:0], Items: res.Items[:0],
		SuspectPlaces: res.SuspectPlaces[:0], FaultyProbes: res.FaultyProbes[:0],
		DeviationsUM: res.DeviationsUM[:0], ResidualsUM: res.ResidualsUM[:0]}
	k := p.K
	if !(k > 0) {
		k = defaultK
	}
	good := 0
	if g.Values > 0 {
		if len(m.Readings) != g.Values {
			res.Refusal = fmt.Sprintf("%d readings; gauge %s sends %d", len(m.Readings), g.ID, g.Values)
			res.Reasons = append(res.Reasons, res.Refusal)
			return
		}
		good = describeReadings(&g, m.Readings, m.MeasuredAt, res)
	}
	var t tally
	judge := func(it *spc.Item, v float64, ok bool, u *float64) {
		if ok && (math.IsNaN(v) || math.IsInf(v, 0)) {
			ok = false
		}
		known := u != nil && *u >= 0 && !math.IsInf(*u, 0)
		std := 0.0
		if known {
			std = *u
		}
		setNumbers(it, v, ok, std, known)
		switch {
		case !ok:
			it.Why = "the measurement brings no value"
		case it.Lower == nil && it.Upper == nil:
			it.Why = "there is no limit"
		case !known:
			it.Why = "its uncertainty is unknown: the product states no u"
		default:
			it.Verdict = Decide(v, k*std, it.Lower, it.Upper)
		}
		t.add(it.Verdict)
	}
	for i := range p.Characteristics {
		c := &p.Characteristics[i]
		v, ok := m.Characteristics[c.Name]
		if !ok && g.Values > 0 {
			if of, is := ofReadings(c.Name); is {
				v, ok = res.Values.Get(of)
				v /= spc.Unit(c.Unit).MM()
			}
		}
		judge(appendItem(res, c.Name, c.Unit, c.Lower, c.Upper), v, ok, c.U)
	}
	for _, of := range [...]spc.Computed{spc.MeanValue, spc.SDValue, spc.RangeValue} {
		l, limited := p.Limits[of.String()]
		if !limited || g.Values == 0 || defined(&p, of.String()) {
			continue
		}
		var u *float64
		if of == spc.MeanValue && g.ProbeUUM != nil && good > 0 {
			u = pointer(*g.ProbeUUM * 1e-3 / math.Sqrt(float64(good)))
		}
		v, ok := res.Values.Get(of)
		it := appendItem(res, of.String(), "mm", l.Lower, l.Upper)
		judge(it, v, ok, u)
		if ok && u == nil {
			it.Why = "no uncertainty is worked out for it"
		}
	}
	for _, name := range slices.Sorted(maps.Keys(m.Characteristics)) {
		if !defined(&p, name) {
			it := appendItem(res, name, "", nil, nil)
			judge(it, m.Characteristics[name], true, nil)
			it.Why = "product " + p.ID + " does not define it"
		}
	}
	res.Verdict = t.verdict(0)
	for _, v := range [...]spc.Verdict{spc.DoesNotConform, spc.Undecided} {
		for i := range res.Items {
			if res.Items[i].Verdict == v {
				res.Reasons = append(res.Reasons, itemReason(res.Items[i].Name, &res.Items[i], k))
			}
		}
	}
	if res.Verdict == spc.NotJudged {
		notJudged(res, p.ID)
	}
}

// describeReadings sets mean, sd and range, and returns the number of good readings.
func describeReadings(g *spc.Gauge, readings []float64, at time.Time, res *spc.Result) int {
	unit := g.Unit.MM()
	n, mean, ss := 0, 0.0, 0.0
	low, high := math.Inf(1), math.Inf(-1)
	for i, v := range readings {
		bad := !(math.Abs(v*unit) <= maxSpan) || g.Range != nil && (v < g.Range[0] || v > g.Range[1])
		for _, f := range g.Faulty {
			bad = bad || f.Place == i+1 && !at.Before(f.From)
		}
		if bad {
			res.FaultyProbes = append(res.FaultyProbes, i+1)
			continue
		}
		// Updated mean and sum of squares: B. P. Welford, Technometrics 4 (1962), 419-420.
		x := v * unit
		n++
		d := x - mean
		mean += d / float64(n)
		ss += d * (x - mean)
		low, high = math.Min(low, x), math.Max(high, x)
	}
	if n > 0 {
		res.Values.Set(spc.MeanValue, mean)
		res.Values.Set(spc.RangeValue, high-low)
	}
	if n > 1 {
		res.Values.Set(spc.SDValue, math.Sqrt(math.Max(0, ss)/float64(n-1)))
	}
	return n
}

func ofReadings(name string) (spc.Computed, bool) {
	c, ok := spc.ComputedByName(name)
	return c, ok && (c == spc.MeanValue || c == spc.SDValue || c == spc.RangeValue)
}

func defined(p *spc.Product, name string) bool {
	for i := range p.Characteristics {
		if p.Characteristics[i].Name == name {
			return true
		}
	}
	return false
}
