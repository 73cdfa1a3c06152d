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
	"sagwatch/spc/autocorrelation"
	"sagwatch/spc/capability"
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
	g, err := newCapabilityGather(src.Catalogue, src.Site, q, from.UTC(), to.UTC())
	if err != nil {
		return nil, err
	}
	in := g.in
	in.IssuedBy, in.IssuedAt, in.Version = by, at.UTC(), src.Version
	if in.Query, err = json.Marshal(in.Asked); err != nil {
		return nil, err
	}
	values := []spc.Computed{}
	for _, c := range g.of {
		if c.computed {
			values = append(values, c.value)
		}
	}
	err = src.Store.Observations(ctx, src.Site, store.ObservationQuery{Press: q.Press, From: in.From, To: in.To, Values: values}, g.add)
	if err == nil {
		err = g.end()
	}
	if err == nil {
		err = g.evidence(ctx, src)
	}
	if err == nil {
		err = g.gauges(ctx, src)
	}
	if err == nil {
		err = g.shares(ctx, src)
	}
	if err != nil {
		return nil, fmt.Errorf("gather the capability of press %s: %w", q.Press, err)
	}
	return in, nil
}

// capabilityGather takes panels in press order.
type capabilityGather struct {
	in      *CapabilityInputs
	site    spc.Site
	zone    *time.Location
	starts  []string
	moulds  map[string]int // stream by mould
	of      []*characteristicScan
	charts  []spc.Chart // of the press and product
	blockTo time.Time
	block   int
	counts  map[string]int // panels by gauge
	other   map[string]int // panels of other products
	raw     bool
	press   spc.Press
	product spc.Product
	cycles  cycleCutter
}

// characteristicScan takes the values of one characteristic.
type characteristicScan struct {
	CapabilityInput
	computed bool
	value    spc.Computed
	pilot    []pilotValue
	kept     *capability.Scan
	left     *capability.Scan
	sum      float64 // of the cycle that is open
	n        int
	means    []float64 // of the cycles, NaN where it has too few panels
	seen     map[string]bool
	lacks    map[string]int // panels without it, by gauge
}

// of is the characteristic of a panel.
func (s *characteristicScan) of(o *store.Obs) (float64, bool) {
	if s.computed {
		return o.Values.Get(s.value)
	}
	x, ok := o.Characteristics[s.Name]
	return x, ok
}

type pilotValue struct {
	stream, block int
	left          bool
	x             float64
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
	g := &capabilityGather{site: settings, starts: settings.Shifts, moulds: map[string]int{}, counts: map[string]int{}, other: map[string]int{}, raw: true, press: *press, product: *product, block: -1}
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
	for _, m := range press.Moulds {
		if len(q.Moulds) == 0 || slices.Contains(q.Moulds, m) {
			g.moulds[m] = len(g.in.Moulds)
			g.in.Moulds = append(g.in.Moulds, m)
		}
	}
	for _, m := range q.Moulds {
		if _, ok := g.moulds[m]; !ok {
			return nil, ask("moulds", "Press %s has no mould %q.", q.Press, m)
		}
	}
	g.cycles = cycleCutter{last: -1, number: spc.NoCycle}
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
		g.of = append(g.of, s)
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

// KindOf says which distributions may describe a characteristic of a product: a form error is never below zero and never normal. One of
// the product's own is taken for a form error where it has an upper limit alone, or zero below: flatness, twist, play.
func KindOf(p *spc.Product, name string) fit.Kind {
	if c, ok := spc.ComputedByName(name); ok {
		if monitor.Skewed(c) {
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
	s := &characteristicScan{CapabilityInput: CapabilityInput{Name: name, Kind: KindOf(p, name)}, seen: map[string]bool{}, lacks: map[string]int{}}
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
		s.Spec.Bound = s.Kind == fit.Form && *lower <= 0
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

// add takes the next panel.
func (g *capabilityGather) add(o *store.Obs) error {
	if o.Product != g.in.Product {
		g.other[o.Product]++
		return nil
	}
	stream, ok := g.moulds[o.Mould]
	if !ok {
		if len(g.in.Asked.Moulds) > 0 {
			return nil
		}
		// A panel without a mould, or of a mould that the press no longer has, was shipped like any other.
		stream = len(g.in.Moulds)
		g.moulds[o.Mould] = stream
		g.in.Moulds = append(g.in.Moulds, o.Mould)
	}
	// A gauge of dimensions and one of curvature may both see a panel: what has none of these characteristics is not of this report.
	if !slices.ContainsFunc(g.of, func(s *characteristicScan) bool { _, ok := s.of(o); return ok }) {
		for _, s := range g.of {
			s.lacks[o.Key.Gauge]++
		}
		return nil
	}
	at := o.Key.LineAt
	if g.block < 0 || !at.Before(g.blockTo) {
		s := plant.ShiftAt(g.starts, at.In(g.zone))
		g.blockTo = s.To
		g.block = len(g.in.Blocks)
		if g.block >= capabilityBlockTop {
			return ask("to", "The period has more than %d shifts.", capabilityBlockTop)
		}
		b := CapabilityBlock{From: s.From.UTC(), Name: s.Name}
		if g.in.Each == "day" {
			b.Name = ""
		}
		g.in.Blocks = append(g.in.Blocks, b)
	}
	reason := o.Excluded
	for i := range g.in.Asked.Exclude {
		if e := &g.in.Asked.Exclude[i]; !at.Before(e.From) && at.Before(e.To) {
			reason = e.Reason
			break
		}
	}
	b := &g.in.Blocks[g.block]
	b.Panels++
	g.in.Panels++
	if reason != "" {
		b.LeftOut++
		g.in.LeftOut++
		if b.Reason == "" {
			b.Reason = reason
		}
	}
	g.counts[o.Key.Gauge]++
	if g.in.First.IsZero() {
		g.in.First = at
	}
	g.in.Last = at
	if g.cycles.begins(stream, o.Cycle) {
		g.closeCycle()
	}
	var row *CapabilityRow
	if g.raw = g.raw && g.in.Panels <= capabilityRaw; g.raw {
		g.in.Raw = append(g.in.Raw, CapabilityRow{Panel: o.Key.Panel, Mould: stream, Block: g.block, At: at, LeftOut: reason != "", Values: make([]Number, len(g.of))})
		row = &g.in.Raw[len(g.in.Raw)-1]
	} else {
		g.in.Raw = nil
	}
	for i, s := range g.of {
		x, ok := s.of(o)
		if row != nil {
			row.Values[i] = None
		}
		if !ok {
			s.lacks[o.Key.Gauge]++
			continue
		}
		s.seen[o.Key.Gauge] = true
		if row != nil {
			row.Values[i] = Number(x)
		}
		if err := s.take(stream, g.block, reason != "", x); err != nil {
			return err
		}
	}
	return nil
}

// take counts one value.
func (s *characteristicScan) take(stream, block int, left bool, x float64) error {
	for len(s.Counts) <= stream {
		s.Counts = append(s.Counts, OutsideCount{})
	}
	c := &s.Counts[stream]
	switch {
	case s.Spec.HasLower && !s.Spec.Bound && x < s.Spec.Lower:
		c.Below++
		if !left {
			c.BelowCounted++
		}
	case s.Spec.HasUpper && x > s.Spec.Upper:
		c.Above++
		if !left {
			c.AboveCounted++
		}
	}
	if !left {
		s.sum += x
		s.n++
	}
	if s.kept != nil {
		return s.scan(stream, block, left, x)
	}
	s.pilot = append(s.pilot, pilotValue{stream, block, left, x})
	if len(s.pilot) == capabilityPilot {
		return s.begin()
	}
	return nil
}

func (s *characteristicScan) scan(stream, block int, left bool, x float64) error {
	if left {
		return s.left.Add(stream, block, x)
	}
	return s.kept.Add(stream, block, x)
}

// begin chooses the grid from the first values and counts them.
func (s *characteristicScan) begin() error {
	xs := make([]float64, len(s.pilot))
	for i := range s.pilot {
		xs[i] = s.pilot[i].x
	}
	width, origin, err := capability.GridFor(xs)
	if err != nil {
		// Nothing to go by in the values: a ten-thousandth of what the specification allows.
		width, origin = math.Abs(xs[0])*1e-6, xs[0]
		if s.Spec.HasLower && s.Spec.HasUpper {
			width = (s.Spec.Upper - s.Spec.Lower) / 1e4
		}
		if !(width > 0) {
			width = 1e-6
		}
	}
	if s.kept, err = capability.NewScan(width, origin); err != nil {
		return err
	}
	if s.left, err = capability.NewScan(width, origin); err != nil {
		return err
	}
	for _, p := range s.pilot {
		if err := s.scan(p.stream, p.block, p.left, p.x); err != nil {
			return err
		}
	}
	s.pilot = nil
	return nil
}

// closeCycle keeps the means of the cycle that is over.
func (g *capabilityGather) closeCycle() {
	g.in.Cycles++
	least := (len(g.in.Moulds) + 1) / 2
	for _, s := range g.of {
		mean := math.NaN()
		if s.n >= least && s.n > 0 {
			mean = s.sum / float64(s.n)
		}
		s.means = append(s.means, mean)
		s.sum, s.n = 0, 0
	}
}

// cycleCutter tells where a cycle begins: by its number where panels bring one, else where the table has come round.
type cycleCutter struct {
	last   int
	number int64
}

func (c *cycleCutter) begins(stream int, number int64) bool {
	begin := c.last >= 0 && (number != c.number || number == spc.NoCycle && stream <= c.last)
	c.last, c.number = stream, number
	return begin
}

// end closes the scans.
func (g *capabilityGather) end() error {
	if g.in.Panels > 0 {
		g.closeCycle()
	}
	if !g.raw {
		g.in.Raw = nil
	}
	for _, s := range g.of {
		if s.kept == nil && len(s.pilot) > 0 {
			if err := s.begin(); err != nil {
				return err
			}
		}
		if s.kept != nil {
			s.Grid, s.LeftOut = s.kept.Grid(), s.left.Grid()
			s.kept, s.left = nil, nil
		}
		for gauge, n := range s.lacks {
			if s.seen[gauge] { // one that never measures it lacks nothing
				s.Lacking += n
			}
		}
		for len(s.Counts) < len(g.in.Moulds) {
			s.Counts = append(s.Counts, OutsideCount{})
		}
		if c, err := autocorrelation.Correlate(s.means, 1, 0.99); err == nil {
			s.Evidence.Lag1, s.Evidence.Band, s.Evidence.LagN = Number(c.R[0]), c.White, c.N
		}
		s.means = nil
		s.Evidence.Points, s.Evidence.Expect = g.expected(s.Name)
		g.in.Of = append(g.in.Of, s.CapabilityInput)
	}
	if len(g.counts) > 1 { // several gauges see the same panels
		g.in.Panels, g.in.LeftOut = 0, 0
		for i := range g.in.Of {
			left := g.in.Of[i].LeftOut.N()
			g.in.Panels, g.in.LeftOut = max(g.in.Panels, g.in.Of[i].Grid.N()+left), max(g.in.LeftOut, left)
		}
	}
	for p := range g.other {
		g.in.Products = append(g.in.Products, p)
	}
	slices.Sort(g.in.Products)
	span := spanWords(g.in.From.In(g.zone), g.in.To.In(g.zone))
	if g.in.Asked.Lot() {
		span = g.in.Asked.lotWords()
	}
	g.in.Title = fmt.Sprintf("Capability of press %s, %s, %s", g.in.Press, g.in.Product, span)
	return nil
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
