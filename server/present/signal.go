package present

import (
	"slices"
	"strings"
	"time"

	"sagwatch/spc"
	"sagwatch/spc/monitor"
	"sagwatch/store"
	"sagwatch/web/page"
	"sagwatch/web/plot"
	"sagwatch/web/ui"
)

// SignalOnList is a signal with what its list says of it.
type SignalOnList struct {
	store.Signal
	Def     spc.Chart // Kind "" when the chart is no longer in use
	Product *spc.Product
	Last    *store.SignalLogEntry // what a person did last; nil for nothing
}

// SignalsData is what the list of signals is made from.
type SignalsData struct {
	Rows     []SignalOnList // open ones first, then newest first
	Open     int            // how many are open, whatever is shown
	Filters  []ui.Input
	Filtered bool
	Older    string
	Newer    string
	LastAt   time.Time // line time of the last panel of the plant
}

// chartOf is the chart of a signal as far as it is known.
func chartOf(g *store.Signal, def spc.Chart) spc.Chart {
	if def.Kind == "" {
		def = spc.Chart{ID: g.Chart, Press: g.Press, Gauge: g.Gauge, Product: g.Product}
	}
	return def
}

func signalQuantity(v View, c spc.Chart, p *spc.Product) Quantity {
	d := ChartData{Chart: c, Product: p}
	return d.quantity(v)
}

// what names the charted thing in a sentence: "mean radius of curvature".
func what(c spc.Chart, q Quantity) string {
	if c.Kind == "" {
		return "the chart " + c.ID
	}
	return kindTexts[c.Kind].of + q.Name
}

// Signals makes the list of signals.
func Signals(v View, frame ui.Frame, d SignalsData) page.Signals {
	m := page.Signals{Frame: frame, Filters: d.Filters, Older: d.Older, Newer: d.Newer}
	for i := range d.Rows {
		g := &d.Rows[i]
		c := chartOf(&g.Signal, g.Def)
		q := signalQuantity(v, c, g.Product)
		row := page.SignalRow{Name: place(c, g.Stream) + ": " + what(c, q) + " " + g.Words, Href: SignalHref(g.ID), Raised: v.Moment(g.At), Chart: ChartName(c, q), State: SignalState(g.State), Who: whoDid(v, &g.Signal, g.Last)}
		if c.Kind == "" {
			row.Chart = c.ID + ", no longer in use"
		}
		m.Rows = append(m.Rows, row)
	}
	st := ui.Statement{Where: []ui.Run{{Text: "Signals"}}}
	switch {
	case d.Open == 0:
		st.Say = ui.Say("No signal is open.")
		if !d.LastAt.IsZero() {
			st.Doubts = append(st.Doubts, ui.Say("All charts are quiet as far as panels are gauged: the last was pressed at "+v.Moment(d.LastAt)+"."))
		}
	default:
		st.Say = ui.Say(Capital(ui.Plural(int64(d.Open), "signal is", "signals are")) + " open.")
		st.Doubts = append(st.Doubts, ui.Say("Open means that nobody has acknowledged it, whether the chart has come back or not."))
	}
	st.Acts = append(st.Acts, ui.Act{Text: "Which causes take most", Href: "/pareto"})
	m.Statement = st
	m.Empty = "No signal since the first panel."
	if d.Filtered {
		m.Empty = "No signal fits."
	}
	return m
}

func whoDid(v View, g *store.Signal, last *store.SignalLogEntry) string {
	switch {
	case g.State == store.SignalOpen && g.Reopened:
		return "open again, nobody yet"
	case g.State == store.SignalOpen:
		return "nobody yet, open for " + ui.Lasting(v.Now.Sub(g.Known))
	case last != nil && last.By != "":
		return last.State + " by " + last.By + " " + v.Moment(last.Known)
	}
	return ""
}

// SignalData is what the page of one signal is made from.
type SignalData struct {
	Signal   store.Signal
	Def      spc.Chart // Kind "" when the chart is no longer in use
	Product  *spc.Product
	Streams  []StreamPoint
	Points   []monitor.Point
	Log      []monitor.LimitsInForce
	From, To time.Time
	Events   []spc.Event
	LastAt   time.Time
	Lehr     time.Duration
	Every    time.Duration
	History  []store.SignalLogEntry
	Person   string // who may acknowledge and close; "" when the reader may not
	Note     string // as typed, when it was not saved
	Problems ui.Problems
	Plan     *page.PlanBox
	Choices  []ui.Input // cause and action, of closing
}

// Signal makes the page of one signal.
func Signal(v View, frame ui.Frame, d SignalData) page.Signal {
	g := &d.Signal
	c := chartOf(g, d.Def)
	q := signalQuantity(v, c, d.Product)
	whose := place(c, g.Stream)
	m := page.Signal{Frame: frame, State: SignalState(g.State), StateSay: d.stateSay(v), Plan: d.Plan, Caution: Caution, Decide: Decide}
	m.Statement = d.statement(v, c, q, whose)
	m.Stale = d.stale(v)
	drawn := Drawing(v, c, q, d.Points, 0)
	hit := make([]bool, len(drawn))
	n := 0
	for i := range drawn {
		hit[i] = drawn[i].Kind == plot.Signal && !d.Points[i].At.After(g.LastAt) && d.Points[i].Phase == g.Phase
		if hit[i] {
			n++
		}
	}
	one, many := thing(c)
	m.ChartHead = Capital(ui.Plural(int64(n), one, many)) + " made it, marked on the chart"
	gone := g.State == store.SignalWithdrawn || g.Lost
	if gone {
		m.ChartHead = "The chart as it stands now, without this signal"
	}
	if len(d.Points) == 0 {
		m.ChartHead, m.ChartNote = "The chart", "The chart no longer has these points: a definition changed, or panels came late."
	} else {
		pane := plot.Pane{Title: "Where does it stand?", What: statistic(c, q), Main: true, Decimals: q.Decimals, Points: gaps(drawn, d.Every), Limits: Bands(v, c, q, d.Points, d.Log, d.To), SpecUnit: q.Unit}
		if c.Kind == spc.CycleSpread {
			pane.Title = "Does it scatter?"
		}
		if c.Kind == spc.Individuals {
			pane.SpecLower, pane.SpecUpper = specification(d.Product, c.Characteristic, q)
		}
		m.Chart = &plot.Chart{ID: "signal", Title: whose + ": " + statistic(c, q), Desc: m.Statement.Say.String(), From: d.From, To: d.To, Zone: v.Zone, Panes: []plot.Pane{pane}, Events: Lane(d.Events, d.From, d.To, d.Lehr)}
		m.ChartNote = "By time pressed, in line order, from an hour before the signal."
		if c.Gauge != "" {
			m.ChartNote = "By time measured."
		}
		if c.Press != "" && !d.LastAt.IsZero() && d.LastAt.Before(d.To) && d.LastAt.After(d.From) && v.Now.Sub(d.LastAt) < d.Lehr+time.Hour {
			m.Chart.LehrFrom = d.LastAt
		}
	}
	m.Points = d.points(v, c, q, hit)
	if gone {
		m.Points = d.evidence(v, c, q)
	}
	m.Facts = d.facts(v, c, q)
	for _, s := range d.Streams {
		if len(d.Streams) > 1 {
			m.Streams = append(m.Streams, page.Stream{Name: StreamName(s.Stream), Href: ChartHref(c.ID, s.Stream, d.From.In(v.Zone), d.To.In(v.Zone)), Current: s.Stream == g.Stream, State: pointState(s.Point)})
		}
	}
	for i := len(d.History) - 1; i >= 0; i-- {
		m.Log = append(m.Log, logEntry(v, d.History[i]))
	}
	if d.Person != "" {
		m.Acts = d.form()
	}
	return m
}

// Caution stands wherever a page sends somebody to the line or the glass. Common practice in the trade, no source.
var Caution = ui.Warning{Danger: "Caution: crushing, burns and cuts.",
	Words: "Presses, plungers and rotating tables crush: nobody reaches in on the word of a chart; isolate and lock out by the plant's own procedure, authorised people only. Panels are hot well past the lehr, heavy, and their pressed edges cut; broken glass flies: wear eye, hand and forearm protection."}

// Decide says who decides.
const Decide = "Sagwatch advises; the plant's quality system, local codes and the person responsible decide. Statistical limits are not specification limits: a panel inside control limits can still be bad, and one beyond them can be good."

func (d *SignalData) statement(v View, c spc.Chart, q Quantity, whose string) ui.Statement {
	g := &d.Signal
	st := ui.Statement{Where: []ui.Run{{Text: "Signals", Href: "/signals"}}}
	if c.Press != "" {
		st.Where = append(st.Where, ui.Run{Text: "press " + c.Press})
	} else if c.Gauge != "" {
		st.Where = append(st.Where, ui.Run{Text: "gauge " + c.Gauge})
	}
	if c.Kind != "" {
		st.Where = append(st.Where, ui.Run{Text: ChartName(c, q), Href: ChartHref(c.ID, g.Stream, time.Time{}, time.Time{})})
	} else {
		st.Where = append(st.Where, ui.Run{Text: "chart " + c.ID})
	}
	words, beyond := strings.CutPrefix(g.Words, "beyond ")
	subject := what(c, q)
	if g.State == store.SignalWithdrawn {
		whose = "Withdrawn: " + strings.ToLower(whose[:1]) + whose[1:]
	}
	single := g.Panel == g.LastPanel && g.At.Equal(g.LastAt)
	switch {
	case beyond && single:
		st.Say = ui.Say(whose + ": one " + subject + " lay beyond the " + words + ", at " + v.Moment(g.At) + ".")
	case beyond && (g.Ended || g.State == store.SignalWithdrawn):
		st.Say = ui.Say(whose + ": " + subject + " lay beyond the " + words + " from " + v.Moment(g.At) + " to " + v.Moment(g.LastAt) + ".")
	case beyond:
		st.Say = ui.Say(whose + ": " + subject + " beyond the " + words + " since " + v.Moment(g.At) + ".")
	case g.State == store.SignalWithdrawn || g.Ended || single:
		st.Say = ui.Say(whose + ": " + subject + " signalled at " + v.Moment(g.At) + ", " + g.Words + ".")
	default:
		st.Say = ui.Say(whose + ": " + subject + " signals since " + v.Moment(g.At) + ", " + g.Words + ".")
	}
	doubt := ui.Say("The first point is ")
	if href := PanelHref(c.Press, g.Panel); href != "" {
		doubt = doubt.Link("panel "+g.Panel, href)
	} else {
		doubt = doubt.And("panel " + g.Panel)
	}
	doubt = doubt.And(", " + q.Text(g.Value) + "; the limits then were " + q.Between(g.Limits) + ".")
	if g.Ended {
		doubt = doubt.And(" The chart has come back since " + v.Moment(g.LastAt) + ".")
	} else {
		doubt = doubt.And(" The last point in it was at " + v.Moment(g.LastAt) + ".")
	}
	st.Doubts = append(st.Doubts, doubt)
	st.Doubts = append(st.Doubts, told(v, &g.Fault)...)
	return st
}

func (d *SignalData) stateSay(v View) string {
	g := &d.Signal
	switch g.State {
	case store.SignalOpen:
		out := "for " + ui.Lasting(v.Now.Sub(g.Known)) + ", acknowledged by nobody"
		if g.Reopened {
			out = "again; it had been closed or withdrawn before"
		}
		return out
	case store.SignalAcknowledged, store.SignalClosed:
		for i := len(d.History) - 1; i >= 0; i-- {
			if e := d.History[i]; e.By != "" && e.State == g.State {
				return "by " + e.By + ", " + v.Moment(e.Known)
			}
		}
	}
	return v.Moment(g.Changed)
}

func (d *SignalData) stale(v View) string {
	g := &d.Signal
	var late []string
	for i := len(d.History) - 1; i >= 0 && late == nil; i-- {
		late = d.History[i].Panels
	}
	came := "definitions, limits or measurements changed"
	if n := len(late); n > 0 {
		came = "panel " + list(late[:min(n, 5)]) + " came late"
		if n > 5 {
			came = ui.Count(int64(n)) + " panels came late, the first of them " + late[0]
		}
	}
	switch {
	case g.State == store.SignalWithdrawn:
		return "Withdrawn at " + v.Moment(g.Changed) + ": " + came + ", and worked out anew the chart no longer has this signal."
	case g.Lost:
		return "Worked out anew the chart no longer has this signal (" + came + "). It stays because somebody had acted on it."
	}
	return ""
}

// mostPoints bounds the table of a signal that goes on for long.
const mostPoints = 100

func (d *SignalData) points(v View, c spc.Chart, q Quantity, hit []bool) ui.Table {
	panel := "Panel"
	if c.OfCycles() {
		panel = "Last panel of the cycle"
	}
	head := "Value"
	if q.Unit != "" {
		head += ", " + q.Unit
	}
	t := ui.Table{Label: "The points that made it", Empty: "The points are no longer on the chart.", Cols: []ui.Col{{Head: panel, Whole: true}, {Head: "Pressed"}, {Head: head, Right: true}, {Head: "Limits", Drop: true}, {Head: "Why"}}}
	left := 0
	for i := range d.Points {
		if !hit[i] {
			continue
		}
		if len(t.Rows) == mostPoints {
			left++
			continue
		}
		p := &d.Points[i]
		why := "one of them"
		if len(p.Hits) > 0 {
			var words []string
			for _, h := range p.Hits {
				words = append(words, h.Words)
			}
			why = list(words)
		}
		t.Rows = append(t.Rows, ui.Row{Cells: []ui.Cell{{Text: p.Panel, Href: PanelHref(c.Press, p.Panel)}, ui.Text(v.Moment(p.At)), ui.Text(q.Number(p.Value)), ui.Text(q.Between(p.Limits)), ui.Text(why)}})
	}
	if left > 0 {
		t.Rows = append(t.Rows, ui.Row{Sum: true, Cells: ui.Texts("More", ui.Count(int64(left)), "", "", "on the chart's own page")})
	}
	return t
}

// evidence lists the points of a signal that the chart no longer has, as they were known.
func (d *SignalData) evidence(v View, c spc.Chart, q Quantity) ui.Table {
	t := ui.Table{Label: "The points that made it, as they were known", Empty: "Nothing is kept of its points.", Cols: []ui.Col{{Head: "Panel", Whole: true}, {Head: "Pressed"}, {Head: "Value", Right: true}, {Head: "Why, as it was known"}}}
	for _, e := range d.Signal.Evidence {
		panel := ""
		if n := len(e.Panels); n > 0 {
			panel = e.Panels[n-1]
		}
		t.Rows = append(t.Rows, ui.Row{Cells: []ui.Cell{{Text: panel, Href: PanelHref(c.Press, panel)}, ui.Text(v.Moment(e.At)), ui.Text(q.Text(e.Value)), ui.Text(e.Words)}})
	}
	return t
}

func (d *SignalData) facts(v View, c spc.Chart, q Quantity) []ui.Fact {
	g := &d.Signal
	var out []ui.Fact
	fact := func(name, text string) { out = append(out, ui.Fact{Name: name, Value: ui.Text(text)}) }
	if c.Kind != "" {
		out = append(out, ui.Fact{Name: "Chart", Value: ui.Cell{Text: ChartName(c, q), Href: ChartHref(c.ID, g.Stream, d.From.In(v.Zone), d.To.In(v.Zone))}})
		fact("Rule", RuleWords(c.Rules))
	}
	fact("Limits then", q.Between(g.Limits))
	if g.Limits.HasCentre {
		fact("Centre then", q.Text(g.Limits.Centre))
	}
	count := map[string]int{}
	var order []string
	for _, e := range g.Evidence {
		if count[e.Words] == 0 {
			order = append(order, e.Words)
		}
		count[e.Words]++
	}
	var words []string
	for _, w := range order {
		times := "once"
		if count[w] > 1 {
			times = ui.Plural(int64(count[w]), "time", "times")
		}
		words = append(words, w+" "+times)
	}
	if len(words) > 0 {
		fact("Evidence kept", list(words))
	}
	fact("Found with", "the panel pressed at "+v.Moment(g.FoundAt))
	fact("Known since", v.Moment(g.Known))
	return out
}

func logEntry(v View, e store.SignalLogEntry) ui.Entry {
	out := ui.Entry{At: v.Moment(e.Known), State: SignalState(e.State)}
	var parts []string
	if e.By != "" {
		parts = append(parts, "by "+e.By)
	} else {
		parts = append(parts, "found by the chart: "+e.Signal.Words)
		if e.State == store.SignalWithdrawn {
			parts = []string{"no longer found"}
		}
	}
	for _, p := range []struct{ name, text string }{{"cause", e.Cause}, {"action", e.Action}, {"", e.Note}} {
		if p.text != "" {
			if p.name != "" {
				p.text = p.name + ": " + p.text
			}
			parts = append(parts, p.text)
		}
	}
	if !e.FixedFrom.IsZero() {
		parts = append(parts, "the fix holds from "+v.Moment(e.FixedFrom))
	}
	if n := len(e.Panels); n > 0 {
		parts = append(parts, "late: "+list(e.Panels[:min(n, 5)]))
	}
	out.Text = ui.Say(strings.Join(parts, ". "))
	return out
}

func (d *SignalData) form() *page.SignalForm {
	g := &d.Signal
	if !slices.Contains([]string{store.SignalOpen, store.SignalAcknowledged}, g.State) {
		return nil
	}
	f := &page.SignalForm{Head: "Acknowledge or close", Acknowledge: SignalHref(g.ID) + "/acknowledge", AckLabel: "Acknowledge as " + d.Person,
		Close: SignalHref(g.ID) + "/close", CloseLabel: "Close as " + d.Person, Problems: d.Problems,
		Note: ui.Input{ID: "note", Name: "note", Label: "Note", Help: "What the lists do not say.", Area: true, Optional: true, Value: d.Note, Max: 2000},
		Says: "Your name and the time are added and cannot be changed later; a correction is a second note."}
	if g.State == store.SignalAcknowledged {
		f.Head, f.AckLabel = "Add a note, or close", "Add a note as "+d.Person
	}
	f.Choices = d.Choices
	for _, it := range d.Problems.Items {
		for i := range f.Choices {
			if f.Choices[i].ID == it.Field {
				f.Choices[i].Problem = it.Name + it.Text
			}
		}
	}
	return f
}
