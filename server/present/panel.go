package present

import (
	"fmt"
	"math"
	"strconv"
	"time"

	"sagwatch/spc"
	"sagwatch/spc/monitor"
	"sagwatch/spc/surface"
	"sagwatch/store"
	"sagwatch/web/page"
	"sagwatch/web/plot"
	"sagwatch/web/ui"
)

var shapeNames = map[string]string{"bow_um": "Bow", "twofold_um": "Two-fold", "twist_um": "Twist", "cubic_1_um": "Cubic 1", "cubic_2_um": "Cubic 2",
	"cubic_3_um": "Cubic 3", "cubic_4_um": "Cubic 4", "bow4_um": "Fourth-order bow"}

// Defined is the revision of a definition by which a panel was judged.
type Defined struct {
	Number int
	Since  time.Time
	By     string
}

// PanelData is what the page of one panel is made from.
type PanelData struct {
	Press, Serial string
	Rows          []store.Row       // all measurements, line order
	Verdict       spc.Verdict       // of the panel
	Holds         []store.PanelHold // every hold it belongs to, newest first; those that were settled too
	Kinds         map[int64]spc.GaugeKind
	// Shown is the latest valid curvature measurement, else the latest valid one; nil when all are void. Valid is the latest of each
	// gauge kind: what the panel's verdict combines.
	Shown *store.Row
	Valid []*store.Row
	// Definitions by which Shown was judged.
	Product                   *spc.Product
	Gauge                     *spc.Gauge
	PressDef                  *spc.Press
	ProductRev, GaugeRev      Defined
	Places                    *spc.Result // of Shown, worked out anew; nil without places
	XY                        [][2]float64
	Words                     func(place int) string
	Basis                     *surface.Basis
	Chart                     spc.Chart // of its mould's radius; ID "" for none
	Among                     []monitor.Point
	AmongLog                  []monitor.LimitsInForce
	AmongFrom, AmongTo        time.Time
	Counted                   int64 // the measurement that feeds charts
	MasterBefore, MasterAfter *store.Obs
	Changes                   []store.Change
	Conflicts                 []store.ConflictEntry
	Exclusions                []spc.Exclusion
	MayCorrect, MayVoid       bool
	Doubt                     map[int64]string // of Rows: store.InDoubt and so on
}

// k is the coverage factor of the product's decision rule.
func (d *PanelData) k() float64 {
	if d.Product != nil && d.Product.K > 0 {
		return d.Product.K
	}
	return 2
}

// Panel makes the page of one panel.
func Panel(v View, frame ui.Frame, d PanelData) page.Panel {
	m := page.Panel{Frame: frame, Statement: d.statement(v), Steps: d.steps(v), History: d.history(v), Log: d.log(v)}
	if d.Shown == nil {
		m.Refusal = "Every measurement of this panel is void or was replaced; nothing is judged."
		m.Then = []ui.Fact{}
		return m
	}
	m.Refusal = readable(d.Shown.Result.Refusal)
	for _, r := range d.Valid {
		for _, reason := range r.Result.Reasons {
			m.Reasons = append(m.Reasons, readable(reason))
		}
	}
	m.Measured = d.measured(v)
	d.maps(v, &m)
	d.among(v, &m)
	m.Sphere, m.Shape = d.sphere(v), d.shape()
	m.Around = d.around(v)
	m.Then = d.then(v)
	m.Why = d.why(v)
	for _, c := range d.Conflicts {
		m.Conflicts = append(m.Conflicts, ui.Entry{At: v.Moment(c.ReceivedAt), State: ui.Is(ui.Held, "waits"), Text: ui.Say("From "+c.Source+", measured "+v.Moment(c.Row.MeasuredAt)+". ").Link("See both contents.", "/setup#conflict-"+strconv.FormatInt(c.ID, 10))})
	}
	id := strconv.FormatInt(d.Shown.ID, 10)
	if d.MayCorrect {
		m.Acts = append(m.Acts, ui.Act{Text: "Correct this measurement", Href: "/measurements/" + id + "/correct"})
	}
	if d.MayVoid {
		m.Acts = append(m.Acts, ui.Act{Text: "Void this measurement", Href: "/measurements/" + id + "/void", Grave: true})
	}
	return m
}

// itemName writes an item's characteristic at the start of a line.
func itemName(name string, q Quantity) string {
	if q.Unit == "" {
		return Capital(q.Name)
	}
	return Capital(q.Name) + ", " + q.Unit
}

// doubted writes a value with its expanded uncertainty and unit, to the digits that the uncertainty allows.
func doubted(q Quantity, x, expanded float64) string {
	dec := min(ui.DoubtDecimals(expanded*q.Factor), 6)
	return ui.WithUnit(ui.Doubted(x*q.Factor, expanded*q.Factor, dec), q.Unit)
}

func (d *PanelData) quantity(v View, name string) Quantity {
	return QuantityOf(name, d.Product, v.Lengths)
}

// statement is the verdict in words with the numbers that prove it.
func (d *PanelData) statement(v View) ui.Statement {
	st := ui.Statement{Where: []ui.Run{{Text: "Panels", Href: "/panels"}, {Text: "press " + d.Press}}}
	first := d.Rows[0]
	if first.Mould != "" {
		st.Where = append(st.Where, ui.Run{Text: "mould " + first.Mould, Href: "/panels?press=" + queryPart(d.Press) + "&mould=" + queryPart(first.Mould)})
	}
	if first.Lane != "" {
		st.Where = append(st.Where, ui.Run{Text: "lehr lane " + first.Lane})
	}
	name := "Panel " + d.Serial
	var by = map[spc.Verdict][]string{}
	suspect := false
	for _, r := range d.Valid {
		suspect = suspect || len(r.Result.SuspectPlaces) > 0
		for _, it := range r.Result.Items {
			by[it.Verdict] = append(by[it.Verdict], d.quantity(v, it.Name).Name)
		}
	}
	are := func(words []string) string {
		if len(words) == 1 {
			return list(words) + " is"
		}
		return list(words) + " are"
	}
	switch d.Verdict {
	case spc.Conforms:
		st.Say = ui.Say(name + " conforms: its " + are(by[spc.Conforms]) + " proven inside.")
	case spc.DoesNotConform:
		st.Say = ui.Say(name + " does not conform: its " + are(by[spc.DoesNotConform]) + " proven outside.")
		if len(by[spc.DoesNotConform]) == 0 {
			st.Say = ui.Say(name + " does not conform.")
		}
	case spc.Undecided:
		st.Say = ui.Say(name + " is undecided.")
		switch {
		case len(by[spc.Undecided]) > 0:
			st.Say = ui.Say(name + " is undecided: its " + are(by[spc.Undecided]) + " too close to the limit to say.")
		case suspect:
			st.Say = ui.Say(name + " is undecided: one place stands alone. Seat it again and measure again.")
		}
	default:
		st.Say = ui.Say(name + " is not judged.")
	}
	d.sayHeld(v, &st, name)
	for _, r := range d.Valid {
		if state, in := DoubtState(d.Doubt[r.ID]); in {
			st.Doubts = append(st.Doubts, ui.Sentence{}.Link("What "+r.Gauge+" measured is "+state.Word, DoubtHref(r.Gauge)).And(": a check of its master failed. The verdict does not stand until somebody decides."))
		}
	}
	var s ui.Sentence
	for _, r := range d.Valid {
		for _, it := range r.Result.Items {
			if it.Value == nil || it.U == nil {
				continue
			}
			q := d.quantity(v, it.Name)
			words := q.Name + " "
			if len(s) == 0 {
				words = Capital(words)
			} else {
				words = ", " + words
			}
			if why := d.whyOf(it.Name); why != "" {
				s = s.And(words).Why(doubted(q, *it.Value, d.k()**it.U), why)
			} else {
				s = s.And(words + doubted(q, *it.Value, d.k()**it.U))
			}
			if it.Lower == nil && it.Upper != nil {
				s = s.And(" of " + ui.Number(*it.Upper*q.Factor, limitDecimals(*it.Upper*q.Factor)))
			}
		}
	}
	if len(s) > 0 {
		st.Doubts = append(st.Doubts, s.And(" (k = "+ui.Number(d.k(), limitDecimals(d.k()))+")."))
	}
	if d.Gauge != nil && len(d.Gauge.Masters) > 0 {
		st.Doubts = append(st.Doubts, ui.Say(d.masterWords(v)))
	}
	return st
}

func (d *PanelData) masterWords(v View) string {
	was := func(o *store.Obs) string {
		if o.Verdict == spc.Conforms {
			return "in order"
		}
		return "not in order"
	}
	words := "No check of the master panel came in the day before it"
	if d.MasterBefore != nil {
		words = "The master panel was " + was(d.MasterBefore) + " before it, at " + v.Moment(d.MasterBefore.Key.LineAt)
	}
	if d.MasterAfter != nil {
		return words + ", and " + was(d.MasterAfter) + " after it, at " + v.Moment(d.MasterAfter.Key.LineAt) + "."
	}
	return words + "; no check has come after it yet."
}

// limitDecimals is as many decimals as a stated limit has, at most six.
func limitDecimals(x float64) int {
	s := strconv.FormatFloat(x, 'f', -1, 64)
	for i := range s {
		if s[i] == '.' {
			return min(len(s)-i-1, 6)
		}
	}
	return 0
}

func (d *PanelData) steps(v View) []page.Step {
	first := d.Rows[0]
	clock := func(t time.Time) string {
		t = t.In(v.Zone)
		if t.YearDay() == v.Now.YearDay() && t.Year() == v.Now.Year() {
			return ui.ClockSeconds(t)
		}
		return ui.Date(t) + " " + ui.ClockSeconds(t)
	}
	pressed := page.Step{Name: "Pressed", At: clock(first.LineAt), Text: "press " + d.Press}
	if first.Mould != "" {
		pressed.Text += ", mould " + first.Mould
	}
	if first.Casting != "" {
		pressed.Text += " (" + first.Casting + ")"
	}
	if first.LineEstimated {
		pressed.Text += "; the time is estimated from the time gauged less the lehr time"
	}
	steps := []page.Step{pressed}
	if d.PressDef != nil && d.PressDef.LehrMinutes > 0 {
		lane := "about " + ui.Number(d.PressDef.LehrMinutes, 0) + " minutes by the press's definition"
		if first.Lane != "" {
			lane = "lane " + first.Lane + ", " + lane
		}
		steps = append(steps, page.Step{Name: "Through the lehr", At: "until about " + clock(first.LineAt.Add(d.PressDef.Lehr())), Text: lane})
	}
	const most = 6
	for i := range d.Rows {
		r := &d.Rows[i]
		if r.State != store.Current || len(d.Rows) > most && i < len(d.Rows)-most {
			continue
		}
		name := "Gauged"
		if r.Purpose == spc.Recheck || !r.Counted {
			name = "Gauged again"
		}
		if r.Purpose == spc.Study {
			name = "In a study"
		}
		if d.Kinds[r.ID] == spc.Dimensions {
			name = "Dimensions"
		}
		text := "by " + r.Gauge
		if n := len(r.Readings); n > 0 {
			good := 0
			for _, x := range r.Readings {
				if !math.IsNaN(x) {
					good++
				}
			}
			text += fmt.Sprintf(", %d of %d places read", good, n)
		}
		steps = append(steps, page.Step{Name: name, At: clock(r.MeasuredAt), Text: text, State: VerdictHeld(r.Result.Verdict, d.bars())})
	}
	return append(steps, page.Step{Name: "Now", At: ui.Clock(v.Now), State: VerdictHeld(d.Verdict, d.bars()), Now: true, Text: "by the latest valid measurement of each kind of gauge"})
}

// measured lists what was judged, then what was worked out and has no limit.
func (d *PanelData) measured(v View) page.Measured {
	k := d.k()
	m := page.Measured{Limits: "Limits then", Doubt: "Doubt (k = " + ui.Number(k, limitDecimals(k)) + ")"}
	if d.Product != nil {
		m.Limits = "Limits (" + d.Product.ID + ", revision " + strconv.Itoa(d.ProductRev.Number) + ")"
	}
	for _, r := range d.Valid {
		for _, it := range r.Result.Items {
			m.Rows = append(m.Rows, d.measuredItem(v, it))
		}
	}
	if d.Places == nil {
		return m
	}
	have := func(name string) bool {
		for _, it := range d.Shown.Result.Items {
			if it.Name == name {
				return true
			}
		}
		return false
	}
	for _, c := range []spc.Computed{spc.CornerSagMM, spc.RadiusXMM, spc.RadiusYMM, spc.TwofoldUM, spc.TwistUM} {
		x, ok := d.Shown.Result.Values.Get(c)
		if !ok || have(c.String()) {
			continue
		}
		q := d.quantity(v, c.String())
		row := page.MeasuredRow{ID: "item-" + c.String(), Name: itemName(c.String(), q), Value: q.Number(x), Doubt: "unknown", Limits: "no limit", State: ui.Is(ui.None, "not judged"), Why: d.whyOf(c.String())}
		if u, known := d.doubtOf(c); known {
			dec := ui.DoubtDecimals(k * u * q.Factor)
			row.Value = ui.Number(x*q.Factor, dec)
			if q.Sign {
				row.Value = ui.Signed(x*q.Factor, dec)
			}
			row.Doubt = ui.PlusMinus + ui.NoBreak + ui.Number(k*u*q.Factor, dec)
		}
		m.Rows = append(m.Rows, row)
	}
	return m
}

func (d *PanelData) measuredItem(v View, it spc.Item) page.MeasuredRow {
	q, k := d.quantity(v, it.Name), d.k()
	row := page.MeasuredRow{ID: "item-" + anchorOf(it.Name), Name: itemName(it.Name, q), Doubt: "unknown", Value: "none", Limits: "no limit", State: VerdictOf(it.Verdict), Note: it.Why, Why: d.whyOf(it.Name)}
	limit := func(x float64) string { return ui.Number(x*q.Factor, limitDecimals(math.Round(x*q.Factor*1e4)/1e4)) }
	switch {
	case it.Lower != nil && it.Upper != nil:
		row.Limits = limit(*it.Lower) + " to " + limit(*it.Upper)
	case it.Upper != nil:
		row.Limits = "at most " + limit(*it.Upper)
	case it.Lower != nil:
		row.Limits = "at least " + limit(*it.Lower)
	}
	if it.Verdict == spc.Conforms || it.Verdict == spc.DoesNotConform {
		row.State.Word = "proven " + row.State.Word
	}
	if it.Value == nil {
		return row
	}
	dec := q.Decimals
	span := &plot.Span{ID: anchorOf(it.Name), Value: *it.Value * q.Factor, K: k}
	if it.U != nil {
		dec = ui.DoubtDecimals(k * *it.U * q.Factor)
		row.Doubt = ui.PlusMinus + ui.NoBreak + ui.Number(k**it.U*q.Factor, dec)
		span.U = *it.U * q.Factor
	}
	row.Value, span.Decimals = ui.Number(*it.Value*q.Factor, dec), dec
	scaled := func(x *float64) *float64 {
		if x == nil {
			return nil
		}
		y := *x * q.Factor
		return &y
	}
	span.Lower, span.Upper = scaled(it.Lower), scaled(it.Upper)
	span.Nominal = scaled(d.nominal(it.Name))
	if span.Lower != nil || span.Upper != nil {
		row.Span = span
	}
	return row
}

func (d *PanelData) nominal(name string) *float64 {
	if d.Product == nil {
		return nil
	}
	for _, c := range d.Product.Characteristics {
		if c.Name == name {
			return c.Nominal
		}
	}
	if c := d.Product.Contour; name == "radius_mm" && c != nil && c.Kind == spc.ContourSphere {
		return &c.R
	}
	return nil
}

// doubtOf works out a standard uncertainty that the judge does not carry. Corner sag: the sphere's sag s = R - sqrt(R^2 - h^2) has
// ds/dR = 1 - R / sqrt(R^2 - h^2), and u_s = |ds/dR| u_R. A shape term over all places: u = u_d / sqrt(sum P^2), with u_d^2 =
// probe_u^2 + place_u^2 of one deviation. Source: GUM (JCGM 100:2008), law of propagation of uncertainty, 5.1.2 (from memory).
func (d *PanelData) doubtOf(c spc.Computed) (float64, bool) {
	values := &d.Shown.Result.Values
	switch {
	case c == spc.CornerSagMM:
		r, ok := values.Get(spc.RadiusMM)
		u, known := values.Get(spc.RadiusUMM)
		h := d.corner()
		if !ok || !known || !(h > 0) || r <= h {
			return 0, false
		}
		return math.Abs(1-r/math.Sqrt(r*r-h*h)) * u, true
	case d.Basis != nil && d.Gauge != nil && d.Gauge.ProbeUUM != nil && len(d.Shown.Result.FaultyProbes) == 0:
		for term, computed := range surface.ShapeComputed {
			if computed == c && term >= surface.Bow {
				sum := 0.0
				for i := range d.XY {
					p := d.Basis.At(i)[term]
					sum += p * p
				}
				if sum > 0 {
					return math.Hypot(*d.Gauge.ProbeUUM, d.Gauge.PlaceUUM) / math.Sqrt(sum), true
				}
			}
		}
	}
	return 0, false
}

// corner is the distance from the middle at which corner sag is taken, mm; 0 where the product leaves it to the gauge.
func (d *PanelData) corner() float64 {
	if d.Product != nil && d.Product.CornerMM != nil {
		return math.Hypot(d.Product.CornerMM[0], d.Product.CornerMM[1])
	}
	far := 0.0
	for i, p := range d.XY {
		if d.Gauge != nil && i < len(d.Gauge.Places) && !d.Gauge.Places[i].Unused {
			far = max(far, math.Hypot(p[0], p[1]))
		}
	}
	return far
}
