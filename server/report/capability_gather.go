package report

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"sagwatch/server/plant"
	"sagwatch/server/watch"
	"sagwatch/spc"
	"sagwatch/spc/fit"
	"sagwatch/spc/monitor"
	"sagwatch/store"
)

// GatherCapability reads what a capability report is made from: one pass over the panels of the period, of which it keeps fine
// histograms by mould and shift (day, beyond 100 days), so that memory does not follow the number of panels. By is who issues
// it, at the moment of issue. An *AskError says what is wrong with the question.
func GatherCapability(ctx context.Context, src *Source, q CapabilityQuery, from, to time.Time, by string, at time.Time) (*CapabilityInputs, error) {
	from, to, err := lot(ctx, src, &q, from, to)
	if err != nil {
		return nil, err
	}
	g, err := gatherPanels(ctx, src, q, from, to)
	if err != nil {
		return nil, err
	}
	return g.inputs(ctx, src, by, at)
}

// gatherPanels is the pass over the panels between two line times.
func gatherPanels(ctx context.Context, src *Source, q CapabilityQuery, from, to time.Time) (*capabilityGather, error) {
	g, err := newCapabilityGather(src.Catalogue, src.Site, q, from.UTC(), to.UTC())
	if err != nil {
		return nil, err
	}
	if err = g.read(ctx, src); err == nil {
		err = g.end()
	}
	if err != nil {
		return nil, fmt.Errorf("gather the capability of press %s: %w", q.Press, err)
	}
	return g, nil
}

// inputs adds what is read quickly: signals, limits, gauges. The gather itself stays as it is and serves again.
func (g *capabilityGather) inputs(ctx context.Context, src *Source, by string, at time.Time) (*CapabilityInputs, error) {
	again, in := *g, *g.in
	in.Of, in.Definitions, in.Notes = slices.Clone(in.Of), slices.Clone(in.Definitions), slices.Clone(in.Notes)
	g, again.in = &again, &in
	in.IssuedBy, in.IssuedAt, in.Version = by, at.UTC(), src.Version
	var err error
	if in.Query, err = json.Marshal(in.Asked); err != nil {
		return nil, err
	}
	if err = g.evidence(ctx, src); err == nil {
		err = g.gauges(ctx, src)
	}
	if err == nil {
		err = g.shares(ctx, src)
	}
	if err != nil {
		return nil, fmt.Errorf("gather the capability of press %s: %w", in.Press, err)
	}
	return &in, nil
}

// capabilityGather is what was asked, and what the pass over the panels gave.
type capabilityGather struct {
	in      *CapabilityInputs
	zone    *time.Location
	starts  []string
	charts  []spc.Chart // of the press and product
	press   spc.Press
	values  store.ValueQuery
	panels  *panelScan
	product spc.Product
	site    spc.Site
}

func newCapabilityGather(c *plant.Catalogue, site string, q CapabilityQuery, from, to time.Time) (*capabilityGather, error) {
	switch {
	case !from.Before(to):
		return nil, ask("to", "The period must end after it begins.")
	case to.Sub(from) > capabilityLongest:
		return nil, ask("to", "The period may last 400 days at most.")
	case q.Wanted < 0 || q.Wanted > 10 || math.IsNaN(q.Wanted):
		return nil, ask("wanted", "The wanted index must lie above 0 and be at most 10.")
	}
	if q.Wanted == 0 {
		q.Wanted = capabilityWanted
	}
	press, _ := c.Press(q.Press, to)
	if press == nil {
		return nil, ask("press", "There is no press %q.", q.Press)
	}
	product, _ := c.Product(q.Product, to)
	if product == nil {
		return nil, ask("product", "There is no product %q.", q.Product)
	}
	for i, e := range q.Exclude {
		if !e.From.Before(e.To) {
			return nil, ask("exclude", "What is left out must end after it begins.")
		}
		if strings.TrimSpace(e.Reason) == "" {
			return nil, ask("exclude", "Leaving panels out of Cp and Cpk needs its reason.")
		}
		q.Exclude[i].From, q.Exclude[i].To = e.From.UTC(), e.To.UTC()
	}
	settings := c.Site(site)
	g := &capabilityGather{site: settings, starts: settings.Shifts, press: *press, product: *product, values: store.ValueQuery{Press: q.Press}}
	name := settings.TimeZone
	g.zone = time.UTC
	if zone, err := time.LoadLocation(name); err == nil && name != "" {
		g.zone = zone
	} else {
		name = "UTC"
	}
	g.in = &CapabilityInputs{Asked: q, Each: "shift", Head: Head{Kind: store.CapabilityReport, Site: site, Plant: site, Zone: name, Press: q.Press, Product: q.Product, From: from, To: to}}
	if to.Sub(from) > capabilityDays*24*time.Hour || len(g.starts) == 0 {
		g.in.Each = "day"
		g.starts = g.starts[:min(len(g.starts), 1)]
	}
	g.panels = newPanelScan(g)
	for _, m := range press.Moulds {
		if len(q.Moulds) == 0 || slices.Contains(q.Moulds, m) {
			g.panels.stream(m)
		}
	}
	for _, m := range q.Moulds {
		if !slices.Contains(press.Moulds, m) {
			return nil, ask("moulds", "Press %s has no mould %q.", q.Press, m)
		}
	}
	names := q.Characteristics
	if len(names) == 0 {
		names = Specified(product)
	}
	if len(names) == 0 {
		return nil, ask("characteristics", "Product %s has no characteristic with a specification, so there is nothing to be capable of. An engineer gives its limits in the set-up file.", q.Product)
	}
	if len(names) > capabilityMost {
		return nil, ask("characteristics", "One report takes %d characteristics at most.", capabilityMost)
	}
	for _, n := range names {
		s, err := newCharacteristicScan(product, n)
		if err != nil {
			return nil, err
		}
		if m, ok := q.Models[n]; ok {
			if m.Family != Empirical && !slices.Contains(fit.Allowed(s.Kind), m.Family) {
				return nil, ask("models", "%s cannot be described by the distribution %q.", plant.Characteristic(n), m.Family)
			}
			if strings.TrimSpace(m.Reason) == "" {
				return nil, ask("models", "A model other than the usual one needs its reason.")
			}
		}
		g.panels.of = append(g.panels.of, s)
	}
	for n := range q.Models {
		if !slices.Contains(names, n) {
			return nil, ask("models", "A model is given for %q, which is not in the report.", n)
		}
	}
	for _, chart := range watch.Charts(c, q.Press, "") {
		if (chart.Product == "" || chart.Product == q.Product) && !chart.Retired && !chart.Quiet && chart.Kind.WorkedOut() {
			g.charts = append(g.charts, chart)
		}
	}
	for _, s := range g.panels.of {
		if s.computed {
			s.at = len(g.values.Computed)
			g.values.Computed = append(g.values.Computed, s.value)
		}
	}
	for _, s := range g.panels.of {
		if !s.computed {
			s.at = len(g.values.Computed) + len(g.values.Named)
			g.values.Named = append(g.values.Named, s.Name)
		}
	}
	g.define(c, plant.KindProduct, q.Product)
	g.define(c, plant.KindPress, q.Press)
	return g, nil
}

// Specified lists the characteristics of a product that have a limit of specification: computed ones, then its own.
func Specified(p *spc.Product) []string {
	var out []string
	for c := range spc.NumComputed {
		if l, ok := p.Limits[c.String()]; ok && (l.Lower != nil || l.Upper != nil) {
			out = append(out, c.String())
		}
	}
	for _, c := range p.Characteristics {
		if c.Lower != nil || c.Upper != nil {
			out = append(out, c.Name)
		}
	}
	return out
}

// KindOf says which distributions usually describe a characteristic of a product: a form error is never below zero, and one that is the
// greatest of many points has a kind of its own. One of the product's own is taken for a form error where it has an upper limit alone, or
// zero below: flatness, twist, play.
func KindOf(p *spc.Product, name string) fit.Kind {
	if c, ok := spc.ComputedByName(name); ok {
		switch {
		case c == spc.MaxDeviationUM || c == spc.ContourPVUM || c == spc.FormUM || c == spc.RangeValue || c == spc.MasterMaxErrorUM:
			return fit.Maximum
		case monitor.Skewed(c):
			return fit.Form
		}
		return fit.Measured
	}
	for _, c := range p.Characteristics {
		if c.Name == name && c.Upper != nil && (c.Lower == nil || *c.Lower == 0) {
			return fit.Form
		}
	}
	return fit.Measured
}

func newCharacteristicScan(p *spc.Product, name string) (*characteristicScan, error) {
	s := &characteristicScan{CapabilityInput: CapabilityInput{Name: name, Kind: KindOf(p, name)}}
	var lower, upper *float64
	if s.value, s.computed = spc.ComputedByName(name); s.computed {
		l, ok := p.Limits[name]
		if !ok {
			return nil, ask("characteristics", "Product %s has no specification of the %s, so there is nothing to be capable of.", p.ID, plant.Characteristic(name))
		}
		lower, upper, s.Unit = l.Lower, l.Upper, plant.CharacteristicUnit(name)
		if name == spc.RadiusMM.String() && p.Contour != nil && p.Contour.Kind == spc.ContourSphere {
			s.Spec.Target, s.Spec.HasTarget = p.Contour.R, true
		}
	} else {
		i := slices.IndexFunc(p.Characteristics, func(c spc.Characteristic) bool { return c.Name == name })
		if i < 0 {
			return nil, ask("characteristics", "Product %s has no characteristic %q.", p.ID, name)
		}
		c := p.Characteristics[i]
		lower, upper, s.Unit = c.Lower, c.Upper, c.Unit
		if c.Nominal != nil {
			s.Spec.Target, s.Spec.HasTarget = *c.Nominal, true
		}
	}
	if lower != nil {
		s.Spec.Lower, s.Spec.HasLower = *lower, true
		s.Spec.Bound = s.Kind != fit.Measured && *lower <= 0
	}
	if upper != nil {
		s.Spec.Upper, s.Spec.HasUpper = *upper, true
	}
	if s.Spec.HasTarget && (s.Spec.HasLower && s.Spec.Target <= s.Spec.Lower || s.Spec.HasUpper && s.Spec.Target >= s.Spec.Upper) {
		s.Spec.Target, s.Spec.HasTarget = 0, false // a nominal value outside its own limits is no target
	}
	if err := s.Spec.Check(); err != nil {
		return nil, ask("characteristics", "The specification of the %s serves no index: %v.", plant.Characteristic(name), err)
	}
	s.Evidence.Lag1 = None
	return s, nil
}

// define names the revisions in force in the period, and notes those that came into force within it.
func (g *capabilityGather) define(c *plant.Catalogue, kind, id string) {
	r, ok := c.InForce(kind, id, g.in.To)
	if !ok {
		return
	}
	g.in.Definitions = append(g.in.Definitions, revisionWords(kind, id, revisionsDuring(c, kind, id, g.in.From, g.in.To), g.in.Location()))
	if r.Number > 1 && r.EffectiveFrom.After(g.in.From) && kind == plant.KindProduct {
		g.in.Notes = append(g.in.Notes, fmt.Sprintf("Revision %d of product %s came into force within the period: all panels are held against its limits, also those that were judged by others.", r.Number, id))
	}
}

// spanWords writes a period of whole days as dates, the last one included, and any other with its hours.
func spanWords(from, to time.Time) string {
	midnight := func(t time.Time) bool {
		return t.Hour() == 0 && t.Minute() == 0 && t.Second() == 0 && t.Nanosecond() == 0
	}
	if midnight(from) && midnight(to) {
		last := to.AddDate(0, 0, -1)
		switch {
		case last.Equal(from):
			return from.Format("2 January 2006")
		case from.Year() == last.Year() && from.Month() == last.Month():
			return from.Format("2") + " to " + last.Format("2 January 2006")
		case from.Year() == last.Year():
			return from.Format("2 January") + " to " + last.Format("2 January 2006")
		}
		return from.Format("2 January 2006") + " to " + last.Format("2 January 2006")
	}
	return from.Format("2 January 2006 15:04") + " to " + to.Format("2 January 2006 15:04")
}
