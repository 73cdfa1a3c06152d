package setup

import (
	"fmt"
	"time"

	"github.com/goccy/go-yaml"

	"sagwatch/server/plant"
	"sagwatch/spc"
)

// Export writes what is defined now as a set-up file; reading it back changes nothing.
func Export(site string, c *plant.Catalogue) ([]byte, error) {
	s := c.Site(site)
	top := yaml.MapSlice{{Key: "site", Value: site}, {Key: "time_zone", Value: s.TimeZone}}
	if len(s.Shifts) > 0 {
		top = append(top, yaml.MapItem{Key: "shifts", Value: s.Shifts})
	}
	var products, presses, gauges, charts []yaml.MapSlice
	for _, p := range c.Products() {
		products = append(products, exportProduct(*p))
	}
	for _, p := range c.Presses() {
		presses = append(presses, exportPress(*p))
	}
	for _, g := range c.Gauges() {
		gauges = append(gauges, exportGauge(*g))
	}
	for _, ch := range c.Charts() {
		charts = append(charts, exportChart(*ch))
	}
	var causes, actions []yaml.MapSlice
	for _, x := range c.Causes() {
		if c.Own(plant.KindCause, x.ID) {
			causes = append(causes, exportCause(*x))
		}
	}
	for _, x := range c.Actions() {
		if c.Own(plant.KindAction, x.ID) {
			actions = append(actions, exportAction(*x))
		}
	}
	for _, part := range []struct {
		key  string
		list []yaml.MapSlice
	}{{"products", products}, {"presses", presses}, {"gauges", gauges}, {"charts", charts}, {"causes", causes}, {"actions", actions}} {
		if len(part.list) > 0 {
			top = append(top, yaml.MapItem{Key: part.key, Value: part.list})
		}
	}
	out, err := yaml.MarshalWithOptions(top, yaml.Flow(false), yaml.UseJSONMarshaler())
	if err != nil {
		return nil, fmt.Errorf("writing the set-up file: %w", err)
	}
	return out, nil
}

// build collects keys in the order of the reference, leaving out what is not set.
type build yaml.MapSlice

func (b *build) put(key string, v any) { *b = append(*b, yaml.MapItem{Key: key, Value: v}) }

func (b *build) when(ok bool, key string, v any) {
	if ok {
		b.put(key, v)
	}
}

func exportContour(c spc.Contour) yaml.MapSlice {
	var v any
	switch c.Kind {
	case spc.ContourSphere:
		v = c.R
	case spc.ContourBiradial:
		v = []float64{c.Rx, c.Ry}
	default:
		v = c.A[:]
	}
	return yaml.MapSlice{{Key: string(c.Kind), Value: v}}
}

func exportProduct(p spc.Product) yaml.MapSlice {
	var b build
	b.put("id", p.ID)
	if p.Contour != nil {
		b.put("contour", exportContour(*p.Contour))
	}
	b.put("side", string(p.Side))
	if o := p.Outline; o != nil {
		b.put("outline_mm", yaml.MapSlice{{Key: "width", Value: o.WidthMM}, {Key: "height", Value: o.HeightMM}, {Key: "corner", Value: o.CornerMM}})
	}
	if p.CornerMM != nil {
		b.put("corner_mm", p.CornerMM[:])
	}
	if len(p.Limits) > 0 {
		var limits yaml.MapSlice
		for i := range spc.NumComputed {
			if l, ok := p.Limits[i.String()]; ok {
				limits = append(limits, yaml.MapItem{Key: i.String(), Value: []*float64{l.Lower, l.Upper}})
			}
		}
		b.put("limits", limits)
	}
	b.put("k", p.K)
	b.put("minimum_good_points", p.MinimumGoodPoints)
	b.put("suspect_rate", p.SuspectRate)
	b.put("suspect_share", p.SuspectShare)
	var list []yaml.MapSlice
	for _, c := range p.Characteristics {
		var o build
		o.put("name", c.Name)
		o.put("unit", c.Unit)
		o.when(c.Nominal != nil, "nominal", c.Nominal)
		o.when(c.Lower != nil, "lower", c.Lower)
		o.when(c.Upper != nil, "upper", c.Upper)
		o.when(c.U != nil, "u", c.U)
		list = append(list, yaml.MapSlice(o))
	}
	b.when(len(list) > 0, "characteristics", list)
	b.when(p.Retired, "retired", true)
	return yaml.MapSlice(b)
}

func exportPress(p spc.Press) yaml.MapSlice {
	var b build
	b.put("id", p.ID)
	b.put("takt_s", p.TaktS)
	b.put("moulds", p.Moulds)
	b.put("lehr_minutes", p.LehrMinutes)
	b.when(len(p.Lanes) > 0, "lanes", p.Lanes)
	if len(p.Fitted) > 0 {
		var fitted yaml.MapSlice
		for _, m := range p.Moulds {
			if c, ok := p.Fitted[m]; ok {
				fitted = append(fitted, yaml.MapItem{Key: m, Value: c})
			}
		}
		b.put("fitted", fitted)
	}
	b.put("false_signals_per_shift", p.FalseSignals)
	b.when(p.StandardCharts != nil, "standard_charts", p.StandardCharts)
	b.when(p.Retired, "retired", true)
	return yaml.MapSlice(b)
}

func exportGauge(g spc.Gauge) yaml.MapSlice {
	var b build
	b.put("id", g.ID)
	b.put("kind", string(g.Kind))
	b.put("unit", string(g.Unit))
	if len(g.Places) > 0 {
		places := make([]any, len(g.Places))
		for i, p := range g.Places {
			at := []float64{p.X, p.Y}
			if p.Z != 0 {
				at = append(at, p.Z)
			}
			places[i] = at
			if p.Unused {
				places[i] = yaml.MapSlice{{Key: "at", Value: at}, {Key: "used", Value: false}}
			}
		}
		b.put("places", places)
	}
	b.when(g.Values > 0, "values", g.Values)
	b.when(g.ProbeUUM != nil, "probe_u_um", g.ProbeUUM)
	b.when(g.PlaceUUM != 0, "place_u_um", g.PlaceUUM)
	b.when(g.RadiusUMM != 0, "radius_u_mm", g.RadiusUMM)
	b.when(g.Range != nil, "range", g.Range)
	b.when(g.Resolution != 0, "resolution", g.Resolution)
	if g.Kind != spc.Dimensions {
		b.put("seating", g.Seating)
	}
	b.when(g.ApexDistanceMM != 0, "apex_distance_mm", g.ApexDistanceMM)
	if g.Kind == spc.Deviation {
		b.put("reading_sign", g.ReadingSign)
		b.when(g.DirectionNormal, "direction", "normal")
		if g.MasterContour != nil {
			b.put("master_contour", exportContour(*g.MasterContour))
		}
	}
	b.when(g.Sagitta, "reading", "sagitta")
	b.when(g.LegRadiusMM != 0, "leg_radius_mm", g.LegRadiusMM)
	b.when(g.BallRadiusMM != 0, "ball_radius_mm", g.BallRadiusMM)
	var masters []yaml.MapSlice
	for _, m := range g.Masters {
		var o build
		o.put("panel", m.Panel)
		o.put("product", m.Product)
		o.when(m.RadiusMM != nil, "radius_mm", m.RadiusMM)
		o.when(m.RadiusUMM != nil, "radius_u_mm", m.RadiusUMM)
		o.when(len(m.DeviationsUM) > 0, "deviations_um", m.DeviationsUM)
		o.when(m.UUM != 0, "u_um", m.UUM)
		o.put("allowed_um", m.AllowedUM)
		if m.ValidTo != nil {
			o.put("valid_to", m.ValidTo.Format(time.RFC3339))
		}
		masters = append(masters, yaml.MapSlice(o))
	}
	b.when(len(masters) > 0, "masters", masters)
	b.when(g.MasterEveryH != 0, "master_every_h", g.MasterEveryH)
	var faulty []yaml.MapSlice
	for _, f := range g.Faulty {
		faulty = append(faulty, yaml.MapSlice{{Key: "place", Value: f.Place}, {Key: "from", Value: f.From.Format(time.RFC3339)}})
	}
	b.when(len(faulty) > 0, "faulty", faulty)
	b.when(g.Retired, "retired", true)
	return yaml.MapSlice(b)
}

func exportChart(c spc.Chart) yaml.MapSlice {
	var b build
	b.put("id", c.ID)
	b.when(c.Press != "", "press", c.Press)
	b.when(c.Gauge != "", "gauge", c.Gauge)
	b.when(c.Product != "", "product", c.Product)
	b.when(c.Characteristic != "", "characteristic", c.Characteristic)
	b.put("kind", string(c.Kind))
	b.when(c.By != "", "by", c.By)
	b.when(c.Subgroup != 0, "subgroup", c.Subgroup)
	var l build
	l.when(c.Limits.K != 0, "k", c.Limits.K)
	l.when(c.Limits.Probability != 0, "probability", c.Limits.Probability)
	l.when(c.Limits.ARL0 != 0, "arl0", c.Limits.ARL0)
	l.when(c.Limits.Lower != nil, "lower", c.Limits.Lower)
	l.when(c.Limits.Centre != nil, "centre", c.Limits.Centre)
	l.when(c.Limits.Upper != nil, "upper", c.Limits.Upper)
	b.put("limits", yaml.MapSlice(l))
	if e := c.EWMA; e != nil {
		var s build
		s.when(e.Lambda != 0, "lambda", e.Lambda)
		s.when(e.L != 0, "l", e.L)
		b.when(len(s) > 0, "ewma", yaml.MapSlice(s))
	}
	if q := c.CUSUM; q != nil {
		var s build
		s.when(q.K != 0, "k", q.K)
		s.when(q.H != 0, "h", q.H)
		s.when(q.HeadStart != 0, "head_start", q.HeadStart)
		b.when(len(s) > 0, "cusum", yaml.MapSlice(s))
	}
	rules := make([]any, len(c.Rules))
	for i, r := range c.Rules {
		rules[i] = r.Key
		if r.Count != 0 {
			rules[i] = yaml.MapSlice{{Key: r.Key, Value: r.Count}}
		}
	}
	b.put("rules", rules)
	b.when(c.Baseline != 0, "baseline", c.Baseline)
	b.when(c.Adjusted, "adjusted", true)
	b.when(c.Retired, "retired", true)
	return yaml.MapSlice(b)
}
