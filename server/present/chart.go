package present

import (
	"encoding/json"
	"math"
	"slices"
	"strings"
	"time"

	"sagwatch/spc"
	"sagwatch/spc/monitor"
	"sagwatch/store"
	"sagwatch/web/plot"
	"sagwatch/web/ui"
)

// View is how somebody looks at a page: the plant's clock and their unit of length.
type View struct {
	Zone    *time.Location
	Now     time.Time // plant time
	Lengths ui.Lengths
}

// Moment writes a time as seen from now.
func (v View) Moment(t time.Time) string { return ui.Moment(t.In(v.Zone), v.Now) }

// Quantity is how the values of one characteristic are written.
type Quantity struct {
	Name     string // "radius of curvature"
	Unit     string // as people read it: "mm", "µm", "in", ""
	Factor   float64
	Decimals int
	Sign     bool // a value of either sign: deviations and shape terms
	Whole    bool // counts: whole numbers are written as such, limits between them are not
}

// QuantityOf finds how a characteristic is written: a computed one, or one of the product's own.
func QuantityOf(name string, p *spc.Product, lengths ui.Lengths) Quantity {
	q := Quantity{Name: Characteristic(name), Factor: 1, Unit: CharacteristicUnit(name), Decimals: 3}
	switch {
	case name == "radius_mm":
		q.Name, q.Decimals = "radius of curvature", 2
	case name == "radius_x_mm" || name == "radius_y_mm":
		q.Decimals = 2
	case name == "max_deviation_place":
		q.Decimals = 0
	case q.Unit == "um":
		q.Decimals = 1
		_, shape := shapeNames[name]
		q.Sign = shape || name == "max_deviation_signed_um"
	}
	if p != nil {
		for _, c := range p.Characteristics {
			if c.Name == name {
				q.Unit = c.Unit
			}
		}
	}
	if q.Unit == "mm" && lengths == ui.InInch {
		q.Unit, q.Factor, q.Decimals = "in", 1/ui.MMPerInch, q.Decimals+2
	}
	q.Unit = ui.UnitName(q.Unit)
	return q
}

// Number writes a value without its unit.
func (q Quantity) Number(v float64) string {
	if q.Whole && v == math.Trunc(v) {
		return ui.Number(v, 0)
	}
	if q.Sign {
		return ui.Signed(v*q.Factor, q.Decimals)
	}
	return ui.Number(v*q.Factor, q.Decimals)
}

// Text writes a value with its unit.
func (q Quantity) Text(v float64) string { return ui.WithUnit(q.Number(v), q.Unit) }

// Between writes limits: "1107.16 to 1108.88 mm", "at most 381 µm".
func (q Quantity) Between(l spc.Limits) string {
	switch {
	case l.HasLower && l.HasUpper:
		return q.Number(l.Lower) + " to " + q.Text(l.Upper)
	case l.HasUpper:
		return "at most " + q.Text(l.Upper)
	case l.HasLower:
		return "at least " + q.Text(l.Lower)
	}
	return "none"
}

// StreamName writes a stream: "mould 7", "press A", "gauge CG-1".
func StreamName(stream string) string {
	kind, name := split(stream)
	return kind + " " + name
}

// ChartName says what a chart charts: "Radius of curvature, each mould".
func ChartName(c spc.Chart, q Quantity) string {
	name := Capital(q.Name)
	name += kindTexts[c.Kind].after
	switch {
	case c.Gauge != "":
		return "Master checks, " + q.Name + kindTexts[c.Kind].after
	case (overTime(c.Kind) || allTerms(c.Kind)) && c.OfCycles():
		return name + " of the cycles"
	}
	if c.By != "" && c.By != "press" && c.By != "gauge" {
		return name + ", each " + c.By
	}
	return name
}

// statistic says what one point is, with its unit.
func statistic(c spc.Chart, q Quantity) string {
	unit := ""
	if q.Unit != "" {
		unit = ", " + q.Unit
	}
	_, many := thing(c)
	switch {
	case c.Kind == spc.CycleMean:
		return q.Name + ", mean of each cycle" + unit
	case c.Kind == spc.CycleSpread:
		return "standard deviation inside each cycle, " + q.Name + unit
	case c.Kind == spc.Group:
		return "deviation of " + q.Name + " from its cycle" + unit
	case ofSubgroups(c.Kind):
		return kindTexts[c.Kind].of + q.Name + " of each subgroup" + unit
	case c.Kind.OfCounts():
		return kindTexts[c.Kind].of + q.Name + unit
	case allTerms(c.Kind):
		return kindTexts[c.Kind].of + q.Name + ", " + many
	case c.Kind == spc.ChangePoint:
		return "likelihood ratio of a step in " + q.Name + ", " + many + unit
	case overTime(c.Kind):
		return kindTexts[c.Kind].of + q.Name + ", " + many + unit
	}
	if c.Gauge != "" {
		return q.Name + " of every master check" + unit
	}
	return q.Name + " of every panel" + unit
}

// thing is what a chart counts.
func thing(c spc.Chart) (one, many string) {
	switch {
	case c.Gauge != "":
		return "master check", "master checks"
	case c.OfCycles():
		return "cycle", "cycles"
	case ofSubgroups(c.Kind):
		return "subgroup", "subgroups"
	case c.Kind == spc.IntervalChart:
		return "interval", "intervals"
	case c.Kind.OfCounts():
		return "count", "counts"
	}
	return "panel", "panels"
}

// place says whose chart it is: "Mould 7 on press A", "Press A", "Gauge CG-1".
func place(c spc.Chart, stream string) string {
	kind, _ := split(stream)
	if c.Press != "" && kind != "press" && stream != "" {
		return Capital(StreamName(stream)) + " on press " + c.Press
	}
	if stream == "" {
		return map[bool]string{true: "Press " + c.Press, false: "Gauge " + c.Gauge}[c.Press != ""]
	}
	return Capital(StreamName(stream))
}

// PanelHref is the page of a panel; "" for one without press.
func PanelHref(press, serial string) string {
	if press == "" || serial == "" {
		return ""
	}
	return "/panels/" + pathPart(press) + "/" + pathPart(serial)
}

// Drawing turns the points of one stream into a pane's points: the points of a rule's hit are all marked, its words stand at the
// last of them.
func Drawing(v View, c spc.Chart, q Quantity, points []monitor.Point, mark int64) []plot.Point {
	out := make([]plot.Point, len(points))
	judged := make([]int, 0, len(points)) // indices, to follow a mask back
	excused := map[string]bool{}
	for i := range points {
		p := &points[i]
		d := plot.Point{At: p.At, Value: p.Value * q.Factor, Href: PanelHref(c.Press, p.Panel),
			Title: q.Text(p.Value) + sizeWords(c, p.N) + ", " + ui.ClockSeconds(p.At.In(v.Zone)) + ", panel " + p.Panel, Gap: i > 0 && p.Phase != points[i-1].Phase}
		switch {
		case p.Excluded != "":
			d.Kind = plot.Hollow
			if !excused[p.Excluded] {
				d.Reason, excused[p.Excluded] = p.Excluded, true
			}
		case p.Hollow:
			d.Kind = plot.Hollow
		default:
			judged = append(judged, i)
		}
		if mark != 0 && p.Measurement == mark {
			d.Kind, d.Words = plot.Signal, "this panel"
		}
		out[i] = d
		if mark != 0 || !signals(p) {
			continue // a jump alone is no signal: the pane of changes shows it
		}
		for _, h := range p.Hits {
			for back := range 64 {
				if j := len(judged) - 1 - back; h.Rule != monitor.Jumped && h.Mask&(1<<back) != 0 && j >= 0 {
					out[judged[j]].Kind = plot.Signal
				}
			}
		}
		out[i].Kind, out[i].Words = plot.Signal, hitWords(p.Hits)
	}
	return out
}

// hitWords are the words of a point's first rule; that it jumped is said only where there is nothing else.
func hitWords(hits []monitor.Hit) string {
	words := ""
	for _, h := range hits {
		if h.Rule != monitor.Jumped {
			return h.Words
		}
		words = h.Words
	}
	return words
}

// signals is true of a point that completes a rule; a jump alone opens no signal.
func signals(p *monitor.Point) bool {
	return slices.ContainsFunc(p.Hits, func(h monitor.Hit) bool { return h.Rule != monitor.Jumped })
}

// aside keeps the words of a companion pane's last signal only: there is no room for more.
func aside(points []plot.Point) []plot.Point {
	seen := false
	for i := len(points) - 1; i >= 0; i-- {
		if points[i].Words != "" && seen {
			points[i].Words = ""
		}
		seen = seen || points[i].Words != ""
	}
	return points
}

// Jumps are the changes from each point to the next, for the pane that asks whether it jumped.
func Jumps(q Quantity, points []monitor.Point, drawn []plot.Point) []plot.Point {
	var out []plot.Point
	for i := 1; i < len(points); i++ {
		if !points[i].HasMR {
			continue
		}
		before := i - 1
		for before > 0 && (points[before].Excluded != "" || points[before].Hollow) {
			before--
		}
		d := drawn[i]
		d.Value = (points[i].Value - points[before].Value) * q.Factor
		d.Title = "change " + ui.WithUnit(ui.Signed(d.Value, q.Decimals), q.Unit) + ", " + d.Title
		d.Reason, d.Words = "", ""
		if d.Kind == plot.Signal {
			d.Kind = plot.Measured
		}
		if slices.ContainsFunc(points[i].Hits, func(h monitor.Hit) bool { return h.Rule == monitor.Jumped }) {
			d.Kind = plot.Signal
		}
		out = append(out, d)
	}
	return out
}

// band is a stretch of points under one set of limits.
type band struct {
	from, to  time.Time // of its first and last point
	first     *monitor.Point
	limits    spc.Limits // of a point of full size
	mr        spc.Limits
	source    spc.LimitSource
	hasLimits bool
}

// bands cuts points where their limits change. Cycles of fewer panels have their own, wider limits; the band shows those of the
// fullest cycle. Counts have those of their own size, each.
func bands(c spc.Chart, points []monitor.Point) []band {
	var out []band
	most := 0
	for i := range points {
		p := &points[i]
		n := len(out) - 1
		if n >= 0 && out[n].source == spc.Guard && p.Source == "" && out[n].first.Phase == p.Phase {
			continue // a cycle without all its moulds has no guard; the guard goes on behind it
		}
		same := n >= 0 && out[n].source == p.Source && out[n].first.Phase == p.Phase
		switch {
		case same && c.Kind.OfCounts():
			same = p.Limits == out[n].limits
		case same && p.N == most && p.Limits != out[n].limits:
			same = nearly(p.Limits, out[n].limits)
		}
		if !same {
			out = append(out, band{from: p.At, first: p, limits: p.Limits, mr: p.MRLimits, source: p.Source, hasLimits: p.Source != ""})
			most, n = p.N, n+1
		}
		if p.N > most {
			most, out[n].limits, out[n].mr = p.N, p.Limits, p.MRLimits
		}
		out[n].to = p.At
	}
	return out
}

// Bands draws the limits of a pane. Words say what begins where a revision begins.
func Bands(v View, c spc.Chart, q Quantity, points []monitor.Point, log []monitor.LimitsInForce, until time.Time) []plot.LimitSpan {
	var out []plot.LimitSpan
	all := bands(c, points)
	for i, b := range all {
		if !b.hasLimits {
			continue
		}
		to := until
		if i+1 < len(all) {
			to = all[i+1].from
			if all[i+1].first.Phase != b.first.Phase {
				to = b.to
			}
		}
		from := b.from
		if c.Kind.OfCounts() { // a step lies half-way between the points
			if i > 0 && all[i-1].first.Phase == b.first.Phase {
				from = from.Add(-b.from.Sub(all[i-1].to) / 2)
			}
			if i+1 < len(all) && to.Equal(all[i+1].from) {
				to = to.Add(-to.Sub(b.to) / 2)
			}
		}
		span := spanOf(q, b.limits, from, to)
		span.Provisional = b.source != spc.Frozen
		if c.Kind == spc.CycleSpread && span.Lower <= 0 {
			span.HasLower = false
		}
		if (overTime(c.Kind) || c.Kind.OfCounts()) && i > 0 && all[i-1].source == b.source && all[i-1].first.Phase == b.first.Phase && !begins(b, log) {
			out = append(out, span) // the same limits, nearer to those they settle at
			continue
		}
		if guards := b.source == spc.Guard; !guards || i == 0 || all[i-1].source != spc.Guard || all[i-1].first.Phase != b.first.Phase {
			span.Words = revision(c, b, log) // a guard moves with every point: that is said once
		}
		out = append(out, span)
	}
	return out
}

func spanOf(q Quantity, l spc.Limits, from, to time.Time) plot.LimitSpan {
	return plot.LimitSpan{From: from, To: to, Lower: l.Lower * q.Factor, Centre: l.Centre * q.Factor, Upper: l.Upper * q.Factor,
		HasLower: l.HasLower, HasCentre: l.HasCentre, HasUpper: l.HasUpper}
}

// JumpBands are the limits of changes: as far up as down.
func JumpBands(q Quantity, points []monitor.Point, until time.Time) []plot.LimitSpan {
	var out []plot.LimitSpan
	all := bands(spc.Chart{}, points)
	for i, b := range all {
		if !b.hasLimits || !b.mr.HasUpper {
			continue
		}
		to := until
		if i+1 < len(all) {
			to = all[i+1].from
		}
		out = append(out, plot.LimitSpan{From: b.from, To: to, Lower: -b.mr.Upper * q.Factor, Upper: b.mr.Upper * q.Factor,
			HasLower: true, HasCentre: true, HasUpper: true, Provisional: b.source != spc.Frozen})
	}
	return out
}

func revision(c spc.Chart, b band, log []monitor.LimitsInForce) string {
	_, many := thing(c)
	switch b.source {
	case spc.Guard:
		return "guard: the spread before about the new centre"
	case spc.Provisional:
		for _, l := range log {
			if l.Source == spc.Provisional && l.Phase == b.first.Phase && l.N > 0 {
				return "provisional from " + ui.Count(int64(l.N)) + " " + many
			}
		}
		return "provisional"
	}
	for i := len(log) - 1; i >= 0; i-- {
		if l := log[i]; l.Source == spc.Frozen && !l.From.After(b.from) {
			if l.By == "" {
				return "given in the chart's definition"
			}
			return "frozen, " + l.By
		}
	}
	return "frozen"
}

// EventWords names a happening for the lane under the axis.
func EventWords(e spc.Event) string {
	words := strings.ReplaceAll(e.Kind, "-", " ")
	if e.Mould != "" {
		words += ", mould " + e.Mould
	}
	if e.Text != "" {
		if e.Kind == "note" {
			return e.Text
		}
		words += ": " + e.Text
	}
	return words
}

// DecodeLimits reads the fold's own words about limits; what cannot be read is left out.
func DecodeLimits(logged []store.LimitsInForce, stream string) []monitor.LimitsInForce {
	var out []monitor.LimitsInForce
	for _, l := range logged {
		var in monitor.LimitsInForce
		if (stream == "" || l.Stream == stream) && json.Unmarshal(l.Body, &in) == nil {
			out = append(out, in)
		}
	}
	// A re-fold may say the same limits again with another centre: the latest word about one beginning counts.
	slices.SortStableFunc(out, func(a, b monitor.LimitsInForce) int { return a.From.Compare(b.From) })
	kept := out[:0]
	for _, l := range out {
		if n := len(kept) - 1; n >= 0 && kept[n].From.Equal(l.From) && kept[n].Source == l.Source && kept[n].Phase == l.Phase && kept[n].Stream == l.Stream {
			kept[n] = l
			continue
		}
		kept = append(kept, l)
	}
	return kept
}
