package report

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"sagwatch/server/plant"
	"sagwatch/spc"
	"sagwatch/spc/autocorrelation"
	"sagwatch/spc/capability"
	"sagwatch/spc/fit"
	"sagwatch/store"
)

const (
	// capabilityBeside is into how many stretches a long period is cut that are read side by side.
	capabilityBeside = 2
	// capabilityBegin is how many days of a long period are read before the rest is cut: the grids are chosen from its first values.
	capabilityBegin = 14
)

// panelScan takes the panels of a stretch of time in press order. Stretches that are scanned side by side are joined by follow.
type panelScan struct {
	g       *capabilityGather // what was asked; only read here
	moulds  map[string]int    // stream by mould
	names   []string          // of the streams
	of      []*characteristicScan
	blocks  []CapabilityBlock
	blockTo time.Time
	panels  int
	leftOut int
	first   time.Time
	last    time.Time
	counts  map[string]int // panels by gauge
	other   map[string]int // panels of other products
	raw     []CapabilityRow
	all     bool // every panel is in raw
	cycles  int  // that are over
	cutter  cycleCutter
	// A stretch after another one may begin within a cycle: its head.
	after      bool
	headOpen   bool
	headStream int
	headNumber int64
}

// characteristicScan takes the values of one characteristic.
type characteristicScan struct {
	CapabilityInput
	computed bool
	value    spc.Computed
	at       int // its place among the values that are read
	pilot    []pilotValue
	kept     *capability.Scan
	left     *capability.Scan
	order    *capability.Order // of all of them
	sum      float64           // of the cycle that is open
	n        int
	headSum  float64
	headN    int
	means    []float64       // of the cycles, NaN where it has too few panels
	seen     map[string]bool // gauges that measure it
	lacks    map[string]int  // panels without it, by gauge
}

type pilotValue struct {
	stream, block int
	left          bool
	x             float64
}

func newPanelScan(g *capabilityGather) *panelScan {
	return &panelScan{g: g, moulds: map[string]int{}, counts: map[string]int{}, other: map[string]int{}, all: true, cutter: cycleCutter{last: -1, number: spc.NoCycle}}
}

// stream is the number of a mould.
func (p *panelScan) stream(mould string) int {
	k, ok := p.moulds[mould]
	if !ok {
		k = len(p.names)
		p.moulds[mould], p.names = k, append(p.names, mould)
	}
	return k
}

// fresh is an empty scan of the same question.
func (p *panelScan) fresh() *panelScan {
	b := newPanelScan(p.g)
	for _, m := range p.names {
		b.stream(m)
	}
	for _, s := range p.of {
		c := *s
		b.of = append(b.of, &c)
	}
	return b
}

// beside is a scan of a later stretch, on the same grids.
func (p *panelScan) beside() (*panelScan, error) {
	b := newPanelScan(p.g)
	b.after, b.headOpen, b.all = true, true, false
	for _, m := range p.names {
		b.stream(m)
	}
	for _, s := range p.of {
		c := &characteristicScan{CapabilityInput: CapabilityInput{Name: s.Name, Spec: s.Spec}, at: s.at}
		var err error
		if c.kept, err = capability.NewScan(s.kept.Width, s.kept.Origin); err != nil {
			return nil, err
		}
		if c.left, err = capability.NewScan(s.kept.Width, s.kept.Origin); err != nil {
			return nil, err
		}
		if c.order, err = capability.NewOrder(s.kept.Width, s.kept.Origin); err != nil {
			return nil, err
		}
		b.of = append(b.of, c)
	}
	return b, nil
}

// read scans the period. A long one is read without the panels' serials, unless there are few panels after all.
func (g *capabilityGather) read(ctx context.Context, src *Source) error {
	q := g.values
	if g.in.To.Sub(g.in.From) > capabilityDays*24*time.Hour {
		empty := g.panels.fresh() // before anything is read
		if err := src.Store.Values(ctx, src.Site, q, func(r *store.ValueReader) error { return g.readLong(ctx, r) }); err != nil || g.panels.panels > capabilityRaw {
			return err
		}
		g.panels = empty
	}
	q.Panels = true
	return src.Store.Values(ctx, src.Site, q, func(r *store.ValueReader) error { return r.Read(ctx, g.in.From, g.in.To, g.panels.add) })
}

// readLong reads the first days, from which the grids are chosen, and the rest in stretches side by side, of one snapshot.
func (g *capabilityGather) readLong(ctx context.Context, r *store.ValueReader) error {
	g.panels.all = false
	from := g.in.From
	for range capabilityBegin {
		end := plant.ShiftAt(g.starts, from.In(g.zone)).To.UTC()
		if err := r.Read(ctx, from, end, g.panels.add); err != nil {
			return err
		}
		from = end
		if !slices.ContainsFunc(g.panels.of, func(s *characteristicScan) bool { return s.kept == nil }) {
			return g.readBeside(ctx, r, from)
		}
	}
	return r.Read(ctx, from, g.in.To, g.panels.add)
}

// readBeside reads what is left of the period.
func (g *capabilityGather) readBeside(ctx context.Context, r *store.ValueReader, from time.Time) error {
	at := []time.Time{from}
	for i := 1; i < capabilityBeside; i++ { // at the beginnings of days, so that no block lies in two stretches
		about := from.Add(g.in.To.Sub(from) / capabilityBeside * time.Duration(i))
		at = append(at, plant.ShiftAt(g.starts, about.In(g.zone)).From.UTC())
	}
	at = append(at, g.in.To)
	parts := make([]*panelScan, len(at)-1)
	for i := range parts {
		var err error
		if parts[i], err = g.panels.beside(); err != nil {
			return err
		}
	}
	if err := r.ReadBeside(ctx, at, func(part int, v *store.Value) error { return parts[part].add(v) }); err != nil {
		return err
	}
	for i, p := range parts {
		if err := g.panels.follow(p); err != nil {
			return err
		}
		parts[i] = nil
	}
	return nil
}

// add takes the next panel.
func (p *panelScan) add(v *store.Value) error {
	g := p.g
	if v.Product != g.in.Product {
		p.other[v.Product]++
		return nil
	}
	stream, ok := p.moulds[v.Mould]
	if !ok {
		if len(g.in.Asked.Moulds) > 0 {
			return nil
		}
		// A panel without a mould, or of a mould that the press no longer has, was shipped like any other.
		stream = p.stream(v.Mould)
	}
	has := false
	for _, x := range v.X {
		has = has || !math.IsNaN(x)
	}
	if !has { // A gauge of dimensions and one of curvature may both see a panel: what has none of these characteristics is not of this report.
		for _, s := range p.of {
			s.lack(v.Gauge)
		}
		return nil
	}
	at := v.LineAt
	if len(p.blocks) == 0 || !at.Before(p.blockTo) {
		s := plant.ShiftAt(g.starts, at.In(g.zone))
		p.blockTo = s.To
		b := CapabilityBlock{From: s.From.UTC(), Name: s.Name}
		if g.in.Each == "day" {
			b.Name = ""
		}
		p.blocks = append(p.blocks, b)
		if err := p.checkBlocks(); err != nil {
			return err
		}
	}
	reason := v.Excluded
	for i := range g.in.Asked.Exclude {
		if e := &g.in.Asked.Exclude[i]; !at.Before(e.From) && at.Before(e.To) {
			reason = e.Reason
			break
		}
	}
	block := len(p.blocks) - 1
	b := &p.blocks[block]
	b.Panels++
	p.panels++
	if reason != "" {
		b.LeftOut++
		p.leftOut++
		if b.Reason == "" {
			b.Reason = reason
		}
	}
	p.counts[v.Gauge]++
	if p.panels == 1 {
		p.first, p.headStream, p.headNumber = at, stream, v.Cycle
	}
	p.last = at
	if p.cutter.begins(stream, v.Cycle) {
		p.closeCycle()
	}
	var row *CapabilityRow
	if p.all = p.all && p.panels <= capabilityRaw; p.all {
		p.raw = append(p.raw, CapabilityRow{Panel: v.Panel, Mould: stream, Block: block, At: at, LeftOut: reason != "", Values: make([]Number, len(p.of))})
		row = &p.raw[len(p.raw)-1]
	} else {
		p.raw = nil
	}
	for i, s := range p.of {
		x := v.X[s.at]
		if row != nil {
			row.Values[i] = Number(x) // NaN is None
		}
		if math.IsNaN(x) {
			s.lack(v.Gauge)
			continue
		}
		if !s.seen[v.Gauge] {
			if s.seen == nil {
				s.seen = map[string]bool{}
			}
			s.seen[v.Gauge] = true
		}
		if err := s.take(stream, block, reason != "", x); err != nil {
			return err
		}
	}
	return nil
}

func (p *panelScan) checkBlocks() error {
	if len(p.blocks) > capabilityBlockTop {
		return ask("to", "The period has more than %d shifts.", capabilityBlockTop)
	}
	return nil
}

// lack counts a panel without the characteristic.
func (s *characteristicScan) lack(gauge string) {
	if s.lacks == nil {
		s.lacks = map[string]int{}
	}
	s.lacks[gauge]++
}

// take counts one value.
func (s *characteristicScan) take(stream, block int, left bool, x float64) error {
	c := s.count(stream)
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

// count is what counts a stream's values beyond the limits of specification.
func (s *characteristicScan) count(stream int) *OutsideCount {
	for len(s.Counts) <= stream {
		s.Counts = append(s.Counts, OutsideCount{})
	}
	return &s.Counts[stream]
}

func (s *characteristicScan) scan(stream, block int, left bool, x float64) error {
	if err := s.order.Add(x); err != nil {
		return err
	}
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
	if s.order, err = capability.NewOrder(width, origin); err != nil {
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
func (p *panelScan) closeCycle() {
	if p.headOpen {
		p.headOpen = false
		for _, s := range p.of {
			s.headSum, s.headN = s.sum, s.n
			s.sum, s.n = 0, 0
		}
		return
	}
	p.cycles++
	least := (len(p.names) + 1) / 2
	for _, s := range p.of {
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

// follow takes in the stretch after this one, which began with a block of its own. The other scan is used up. Single panels are not kept.
func (p *panelScan) follow(o *panelScan) error {
	if !o.after {
		return errors.New("a scan that was not made to follow another")
	}
	streams := make([]int, len(o.names)) // of o, numbered as here
	for i, m := range o.names {
		streams[i] = p.stream(m)
	}
	p.all, p.raw = false, nil
	for k, n := range o.counts {
		p.counts[k] += n
	}
	for k, n := range o.other {
		p.other[k] += n
	}
	for i, s := range p.of {
		if err := s.follow(o.of[i], streams, len(p.blocks)); err != nil {
			return err
		}
	}
	if o.panels == 0 {
		return nil
	}
	p.blocks, p.blockTo = append(p.blocks, o.blocks...), o.blockTo
	if p.panels == 0 {
		p.first = o.first
	}
	p.panels, p.leftOut, p.last = p.panels+o.panels, p.leftOut+o.leftOut, o.last

	// The cycle over the cut is put together again.
	if p.cutter.begins(streams[o.headStream], o.headNumber) {
		p.closeCycle()
	}
	for i, s := range p.of {
		head := o.of[i]
		if o.headOpen { // all of it is one cycle, still open
			s.sum, s.n = s.sum+head.sum, s.n+head.n
		} else {
			s.sum, s.n = s.sum+head.headSum, s.n+head.headN
		}
	}
	if !o.headOpen {
		p.closeCycle()
		p.cycles += o.cycles
		for i, s := range p.of {
			s.means = append(s.means, o.of[i].means...)
			s.sum, s.n = o.of[i].sum, o.of[i].n
		}
	}
	p.cutter = cycleCutter{streams[o.cutter.last], o.cutter.number}
	return p.checkBlocks()
}

// follow takes in what the same characteristic had in the stretch after this one, whose blocks are counted from so many on.
func (s *characteristicScan) follow(o *characteristicScan, streams []int, blocks int) error {
	for k, c := range o.Counts {
		t := s.count(streams[k])
		t.Below, t.Above, t.BelowCounted, t.AboveCounted = t.Below+c.Below, t.Above+c.Above, t.BelowCounted+c.BelowCounted, t.AboveCounted+c.AboveCounted
	}
	for gauge := range o.seen {
		if s.seen == nil {
			s.seen = map[string]bool{}
		}
		s.seen[gauge] = true
	}
	for gauge, n := range o.lacks {
		if s.lacks == nil {
			s.lacks = map[string]int{}
		}
		s.lacks[gauge] += n
	}
	moved := func(cells []capability.Cell) []capability.Cell {
		for i := range cells {
			cells[i].Stream, cells[i].Block = streams[cells[i].Stream], cells[i].Block+blocks
		}
		return cells
	}
	s.Grid.Cells = append(s.Grid.Cells, moved(o.kept.Cells())...)
	s.LeftOut.Cells = append(s.LeftOut.Cells, moved(o.left.Cells())...)
	if err := s.order.Follow(o.order); err != nil {
		return err
	}
	o.kept, o.left, o.order = nil, nil, nil
	return nil
}

// grids end the scan; the cells of stretches that followed stand in them already.
func (s *characteristicScan) grids() {
	if s.kept == nil {
		return
	}
	join := func(first capability.Grid, later []capability.Cell) capability.Grid {
		first.Cells = append(first.Cells, later...)
		slices.SortFunc(first.Cells, func(a, b capability.Cell) int {
			return cmp.Or(cmp.Compare(a.Stream, b.Stream), cmp.Compare(a.Block, b.Block))
		})
		return first
	}
	s.Grid = join(s.kept.Grid(), s.Grid.Cells)
	s.LeftOut = join(s.left.Grid(), s.LeftOut.Cells)
	s.kept, s.left = nil, nil
}

// exact is what is asked of the values themselves, where the report does not carry them one by one.
func (s *characteristicScan) exact(carried bool) {
	if !carried && s.order != nil {
		s.Exact = &CapabilityExact{Spread: s.order.Spread(fit.MostTested)}
		copy(s.Exact.Percentiles[:], s.order.Quantiles([]float64{fit.OuterTail, 0.5, 1 - fit.OuterTail}))
	}
	s.order = nil
}

// end closes the scans.
func (g *capabilityGather) end() error {
	p, in := g.panels, g.in
	if p.panels > 0 {
		p.closeCycle()
	}
	in.Moulds, in.Blocks, in.Panels, in.LeftOut, in.Cycles, in.First, in.Last, in.Raw = p.names, p.blocks, p.panels, p.leftOut, p.cycles, p.first, p.last, p.raw
	p.raw = nil
	for _, s := range p.of {
		if s.kept == nil && len(s.pilot) > 0 {
			if err := s.begin(); err != nil {
				return err
			}
		}
		s.grids()
		s.exact(len(in.Raw) > 0)
		for gauge, n := range s.lacks {
			if s.seen[gauge] { // one that never measures it lacks nothing
				s.Lacking += n
			}
		}
		if len(in.Moulds) > 0 {
			s.count(len(in.Moulds) - 1)
		}
		if c, err := autocorrelation.Correlate(s.means, 1, 0.99); err == nil {
			s.Evidence.Lag1, s.Evidence.Band, s.Evidence.LagN = Number(c.R[0]), c.White, c.N
		}
		s.means = nil
		s.Evidence.Points, s.Evidence.Expect = g.expected(s.Name)
		in.Of = append(in.Of, s.CapabilityInput)
	}
	if len(p.counts) > 1 { // several gauges see the same panels
		in.Panels, in.LeftOut = 0, 0
		for i := range in.Of {
			left := in.Of[i].LeftOut.N()
			in.Panels, in.LeftOut = max(in.Panels, in.Of[i].Grid.N()+left), max(in.LeftOut, left)
		}
	}
	for product := range p.other {
		in.Products = append(in.Products, product)
	}
	slices.Sort(in.Products)
	span := spanWords(in.From.In(g.zone), in.To.In(g.zone))
	if in.Asked.Lot() {
		span = in.Asked.lotWords()
	}
	in.Title = fmt.Sprintf("Capability of press %s, %s, %s", in.Press, in.Product, span)
	return nil
}
