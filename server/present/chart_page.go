package present

import (
	"net/url"
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

// LongView is how much time a chart shows before single points give way to columns.
const LongView = 3 * 24 * time.Hour

// tableRows is how many points the table under a chart shows; the file has all.
const tableRows = 500

// ChartData is what the page of one stream of a chart is made from.
type ChartData struct {
	Chart     spc.Chart
	Product   *spc.Product // nil for a gauge's charts
	Press     *spc.Press   // nil for a gauge's charts
	Stream    string
	Others    []StreamPoint // latest point of each stream of the chart
	From, To  time.Time
	Points    []monitor.Point // those that are final, then the pending ones
	Scatter   []monitor.Point // of the companion chart that asks whether the cycles scatter; nil for none
	Columns   []store.Bucket  // in place of Points in a long view
	Bin       time.Duration   // width of a column
	Month     []store.Bucket  // the last thirty days; nil when they are shown anyway
	MonthFrom time.Time
	MonthTo   time.Time
	Log       []monitor.LimitsInForce // of this stream, oldest first
	Spreads   []monitor.LimitsInForce // of the companion
	Waiting   []spc.PostedLimits      // stored, for panels that are not measured yet; oldest first
	Signals   []store.Signal          // of this stream in the time shown, newest first
	Events    []spc.Event
	LastAt    time.Time // line time of the last panel measured
	Lehr      time.Duration
	Every     time.Duration // between two points of the stream
	Shift     Shift         // that holds at To
}

// StreamPoint is a stream with its latest point.
type StreamPoint struct {
	Stream string
	Point  monitor.Point
}

// ChartHref is the address of a chart's page.
func ChartHref(id, stream string, from, to time.Time) string {
	q := url.Values{}
	if stream != "" {
		q.Set("stream", stream)
	}
	if !from.IsZero() {
		q.Set("from", ui.ForField(from))
		q.Set("to", ui.ForField(to))
	}
	out := "/charts/" + pathPart(id)
	if len(q) > 0 {
		out += "?" + q.Encode()
	}
	return out
}

func pathPart(s string) string { return url.PathEscape(s) }

// SignalHref is the address of a signal's page.
func SignalHref(id string) string { return "/signals/" + pathPart(id) }

// quantity of a chart: a spread has no sign whatever its characteristic has.
func (d *ChartData) quantity(v View) Quantity {
	return QuantityOfChart(d.Chart, d.Product, v.Lengths)
}

// trailing counts the judged points at the end that have a hit, and gives the words of the last.
func trailing(points []monitor.Point) (n int, words string, since time.Time) {
	for i := len(points) - 1; i >= 0; i-- {
		p := &points[i]
		if p.Excluded != "" || p.Hollow {
			continue
		}
		if !signals(p) {
			break
		}
		if n == 0 {
			words = hitWords(p.Hits)
		}
		n++
		since = p.At
	}
	return n, words, since
}

// Chart makes the page of one stream of a chart.
func Chart(v View, frame ui.Frame, d ChartData) page.Chart {
	q := d.quantity(v)
	m := page.Chart{Frame: frame, Statement: d.statement(v, q), Itself: Itself(v, d.Chart, d.Press, d.Log), Alarms: alarms(v, &d, q), Limits: append(waitingRows(v, q, d.Waiting), limitRows(v, q, d.Log)...)}
	for _, s := range d.Others {
		if len(d.Others) > 1 {
			m.Streams = append(m.Streams, page.Stream{Name: StreamName(s.Stream), Href: ChartHref(d.Chart.ID, s.Stream, d.From, d.To), Current: s.Stream == d.Stream, State: pointState(s.Point)})
		}
	}
	m.Span = d.span(v)
	if d.Month != nil {
		m.Long = d.month(v, q)
	}
	_, many := thing(d.Chart)
	switch {
	case d.Columns != nil:
		m.Main = d.columns(v, q)
		m.Note = "By time pressed, in line order. Each column reaches from the least to the greatest value in it, the mean on top."
		m.Twin, m.TwinSay = columnsTable(v, q, d.Columns), "The same as a table: "+ui.Plural(int64(len(d.Columns)), "column", "columns")
	case len(d.Points) > 0:
		m.Main = d.drawing(v, q)
		m.Note = "By time pressed, in line order."
		if d.Chart.Gauge != "" {
			m.Note = "By time measured."
		}
		m.Twin, m.TwinMore = d.twin(v, q)
		m.TwinSay = "The same as a table: " + ui.Count(int64(len(d.Points))) + " " + many
	default:
		m.Empty = "No " + strings.TrimSuffix(many, "s") + " of " + StreamName(d.Stream) + " between " + v.Moment(d.From) + " and " + v.Moment(d.To) + "."
		if !d.LastAt.IsZero() {
			m.Empty += " The last was at " + v.Moment(d.LastAt) + "."
		}
	}
	if len(d.Points) > 0 || d.Columns != nil {
		csv := "/charts/" + pathPart(d.Chart.ID) + ".csv?" + strings.TrimPrefix(ChartHref("", d.Stream, d.From, d.To), "/charts/?")
		m.CSV = csv
		if d.Chart.Press != "" {
			b := url.Values{"press": {d.Chart.Press}, "from": {ui.ForField(d.From)}, "to": {ui.ForField(d.To)}}
			if kind, name := split(d.Stream); kind == "mould" {
				b.Set("mould", name)
			}
			m.Behind = "/panels?" + b.Encode()
		}
	}
	for i := range d.Signals {
		s := &d.Signals[i]
		m.Signals = append(m.Signals, ui.Entry{At: v.Moment(s.At), State: SignalState(s.State), Text: ui.Sentence{}.Link(Capital(s.Words)+" at "+q.Text(s.Value), SignalHref(s.ID)).And(", panel " + s.Panel)})
	}
	m.NoLimits = "No limits yet."
	if n := len(d.Points); n > 0 {
		if p := d.Points[n-1]; p.Need > 0 {
			m.NoLimits = "No limits yet, " + ui.Count(int64(p.Have)) + " of " + ui.Count(int64(p.Need)) + " " + many + "."
		}
	}
	return m
}

func pointState(p monitor.Point) ui.State {
	if signals(&p) {
		return ui.Is(ui.Bad, hitWords(p.Hits))
	}
	return ui.State{} // quiet unless something is wrong
}

// statement says how the stream stands at the end of the time shown.
func (d *ChartData) statement(v View, q Quantity) ui.Statement {
	c := d.Chart
	whose := place(c, d.Stream)
	where := []ui.Run{{Text: "Charts", Href: "/charts"}}
	if c.Press != "" {
		where = append(where, ui.Run{Text: "press " + c.Press})
	} else {
		where = append(where, ui.Run{Text: "gauge " + c.Gauge})
	}
	if c.Product != "" {
		where = append(where, ui.Run{Text: "product " + c.Product})
	}
	where = append(where, ui.Run{Text: ChartName(c, q)})
	st := ui.Statement{Where: where}
	one, many := thing(c)
	what := kindTexts[c.Kind].of + q.Name
	if d.Columns != nil {
		n, low, high := 0, d.Columns[0].Min, d.Columns[0].Max
		for _, b := range d.Columns {
			n += b.Count
			low, high = min(low, b.Min), max(high, b.Max)
		}
		st.Say = ui.Say(whose + " ran from " + q.Number(low) + " to " + q.Text(high) + " in " + ui.Lasting(d.To.Sub(d.From)) + ", " + ui.Count(int64(n)) + " panels.")
		st.Doubts = append(st.Doubts, ui.Say("In so long a time columns stand for panels, and none is left out. "+Capital(ui.Plural(int64(len(d.Signals)), "signal began", "signals began"))+" in it."))
		return st
	}
	var last *monitor.Point
	for i := len(d.Points) - 1; i >= 0; i-- {
		if p := &d.Points[i]; p.Excluded == "" && !p.Hollow {
			last = p
			break
		}
	}
	if last == nil {
		st.Say = ui.Say(whose + " shows no " + what + " in this time.")
		for _, o := range d.Others {
			if o.Stream == d.Stream && o.Point.N == 0 && o.Point.Need > 0 {
				st.Say = ui.Say(whose + " has no limits yet for " + what + ", and shows nothing before: " + ui.Count(int64(o.Point.Have)) + " of " + ui.Count(int64(o.Point.Need)) + " " + many + ".")
			}
		}
		return st
	}
	n, words, since := trailing(d.Points)
	hits, lastHit := 0, time.Time{}
	judged := 0
	for i := range d.Points {
		if signals(&d.Points[i]) {
			hits, lastHit = hits+1, d.Points[i].At
		}
		if d.Points[i].Source != "" && d.Points[i].Excluded == "" && !d.Points[i].Hollow {
			judged++
		}
	}
	doubt := ui.Say("The last " + one + " reads " + q.Text(last.Value) + sizeWords(c, last.N) + " at " + v.Moment(last.At))
	if last.Source != "" {
		doubt = doubt.And("; the limits " + limitWords(last.Source) + " are " + q.Between(last.Limits))
	}
	doubt = doubt.And(".")
	switch {
	case n == 1:
		st.Say = ui.Say(whose + ": the last " + what + ", " + q.Text(last.Value) + ", lies " + words + ".")
		if !strings.HasPrefix(words, "beyond") {
			st.Say = ui.Say(whose + ": " + what + " signals, " + words + ".")
		}
	case n > 1 && strings.HasPrefix(words, "beyond"):
		st.Say = ui.Say(whose + " has been " + strings.Replace(words, "beyond", "beyond the", 1) + " since " + v.Moment(since) + ", " + ui.Plural(int64(n), one, many) + " in a row.")
	case n > 1:
		st.Say = ui.Say(whose + ": the last " + ui.Plural(int64(n), one, many) + " signal since " + v.Moment(since) + ", " + words + ".")
	case last.Source == "" && last.Need > 0:
		st.Say = ui.Say(whose + " has no limits yet for " + what + ": " + ui.Count(int64(last.Have)) + " of " + ui.Count(int64(last.Need)) + " " + many + ".")
	case last.Source == "":
		st.Say = ui.Say(whose + " has no limits for " + what + " in this time.")
	case hits > 0:
		st.Say = ui.Say(whose + " is back inside its limits at " + q.Text(last.Value) + "; its last signal point was at " + v.Moment(lastHit) + ".")
		doubt = doubt.And(" " + Capital(ui.InWords(int64(hits))) + " of " + ui.Count(int64(judged)) + " judged " + many + " in this time signal.")
	default:
		first := d.Points[0].At
		st.Say = ui.Say(whose + " has been steady for " + ui.Lasting(last.At.Sub(first)) + ", " + ui.Plural(int64(judged), one, many) + ", at " + q.Text(last.Limits.Centre) + ".")
		if !last.Limits.HasCentre {
			st.Say = ui.Say(whose + " has been steady for " + ui.Lasting(last.At.Sub(first)) + ", " + ui.Plural(int64(judged), one, many) + ".")
		}
	}
	for i := range d.Signals {
		if s := &d.Signals[i]; s.State == store.SignalOpen || s.State == store.SignalAcknowledged {
			doubt = doubt.And(" ").Link("The signal of "+v.Moment(s.At)+" is "+s.State+".", SignalHref(s.ID))
			break
		}
	}
	st.Doubts = append(st.Doubts, doubt)
	return st
}

func limitWords(s spc.LimitSource) string {
	switch s {
	case spc.Frozen:
		return "(frozen)"
	case spc.Guard:
		return "(a guard: the spread before about the new centre)"
	}
	return "(provisional)"
}

// span is the sentence that says which time is shown.
func (d *ChartData) span(v View) page.TimeSpan {
	from, to := d.From.In(v.Zone), d.To.In(v.Zone)
	end := v.Now
	if !d.LastAt.IsZero() && end.Sub(d.LastAt) > d.Lehr+time.Hour {
		end = d.LastAt.In(v.Zone).Add(time.Minute) // nothing came for long: what there is
	}
	day := time.Date(end.Year(), end.Month(), end.Day(), 0, 0, 0, 0, v.Zone)
	href := func(from, to time.Time) string { return ChartHref(d.Chart.ID, d.Stream, from, to) }
	s := page.TimeSpan{Action: "/charts/" + pathPart(d.Chart.ID),
		Keep: []ui.Input{{ID: "stream", Name: "stream", Type: "hidden", Value: d.Stream}},
		From: ui.Input{ID: "from", Name: "from", Label: "From, plant time", Value: ui.ForField(from)},
		To:   ui.Input{ID: "to", Name: "to", Label: "To, plant time", Value: ui.ForField(to)}}
	s.Or = append(s.Or, ui.Run{Text: "this shift", Href: href(d.Shift.From, end)}, ui.Run{Text: "the day", Href: href(day, end)},
		ui.Run{Text: "three days", Href: href(end.Add(-LongView), end)}, ui.Run{Text: "thirty days", Href: href(end.Add(-30*24*time.Hour), end)})
	return s
}

// drawing is the chart with its companions on one axis.
func (d *ChartData) drawing(v View, q Quantity) *plot.Chart {
	c := d.Chart
	until := d.To
	points := Drawing(v, c, q, d.Points, 0)
	main := plot.Pane{Title: "Where does it stand?", What: statistic(c, q), Main: true, Points: points, Decimals: q.Decimals,
		Limits: Bands(v, c, q, d.Points, d.Log, until)}
	if c.Kind == spc.CycleSpread {
		main.Title = "Does it scatter?"
	}
	if c.Kind == spc.Individuals {
		main.SpecLower, main.SpecUpper = specification(d.Product, c.Characteristic, q)
		main.SpecUnit = q.Unit
	}
	panes := []plot.Pane{}
	if d.Scatter != nil {
		sq, sc := q, c
		sq.Sign, sc.Kind = false, spc.CycleSpread
		sq.Decimals++
		panes = append(panes, plot.Pane{Title: "Does it scatter?", What: statistic(sc, sq), Points: aside(Drawing(v, sc, sq, d.Scatter, 0)), Decimals: sq.Decimals,
			Limits: Bands(v, sc, sq, d.Scatter, d.Spreads, until)})
	}
	panes = append(panes, main)
	if c.Kind == spc.Individuals {
		if jumps := Jumps(q, d.Points, points); len(jumps) > 0 {
			one, _ := thing(c)
			unit := ""
			if q.Unit != "" {
				unit = ", " + q.Unit
			}
			panes = append(panes, plot.Pane{Title: "Did it jump?", What: "change from one " + one + " to the next" + unit, Stems: true, Points: jumps, ZeroLabel: "no change",
				Decimals: q.Decimals, Limits: JumpBands(q, d.Points, until)})
		}
	}
	for i := range panes {
		panes[i].Points = gaps(panes[i].Points, d.Every)
	}
	out := &plot.Chart{ID: "main", Title: place(c, d.Stream) + ": " + statistic(c, q), Desc: d.statement(v, q).Say.String(), From: d.From, To: d.To, Zone: v.Zone, Panes: panes, Events: Lane(d.Events, d.From, d.To, d.Lehr)}
	if c.Press != "" && !d.LastAt.IsZero() && d.To.Sub(d.LastAt) > 5*time.Minute && v.Now.Sub(d.LastAt) < d.Lehr+time.Hour && d.LastAt.After(d.From) {
		out.LehrFrom = d.LastAt
	}
	return out
}

// Lane lists events for the lane under the axis. One at a gauge is moved back by the lehr time to meet the glass that it touched.
func Lane(events []spc.Event, from, to time.Time, lehr time.Duration) []plot.Event {
	var out []plot.Event
	for _, e := range events {
		at := e.At
		if e.Press == "" {
			at = at.Add(-lehr)
		}
		if !at.Before(from) && !at.After(to) {
			out = append(out, plot.Event{At: at, Words: EventWords(e)})
		}
	}
	slices.SortStableFunc(out, func(a, b plot.Event) int { return a.At.Compare(b.At) })
	return out
}

// gaps breaks the line where more time than three points take lies between two.
func gaps(points []plot.Point, every time.Duration) []plot.Point {
	if every <= 0 {
		return points
	}
	for i := 1; i < len(points); i++ {
		if points[i].At.Sub(points[i-1].At) > every*5/2 {
			points[i].Gap = true
		}
	}
	return points
}

func specification(p *spc.Product, name string, q Quantity) (lower, upper *float64) {
	if p == nil {
		return nil, nil
	}
	l := p.Limits[name]
	lower, upper = l.Lower, l.Upper
	for _, c := range p.Characteristics {
		if c.Name == name {
			lower, upper = c.Lower, c.Upper
		}
	}
	scaled := func(x *float64) *float64 {
		if x == nil {
			return nil
		}
		y := *x * q.Factor
		return &y
	}
	return scaled(lower), scaled(upper)
}

// Columns turns buckets into a pane's columns; signals are counted into the column in which they begin.
func Columns(v View, q Quantity, buckets []store.Bucket, bin time.Duration, signals []store.Signal, href func(from, to time.Time) string) []plot.Column {
	out := make([]plot.Column, len(buckets))
	for i, b := range buckets {
		out[i] = plot.Column{At: b.At.Add(bin / 2), Min: b.Min * q.Factor, Max: b.Max * q.Factor, Mean: b.Mean * q.Factor, N: b.Count,
			Title: v.Moment(b.At) + ": " + ui.Count(int64(b.Count)) + " panels from " + q.Number(b.Min) + " to " + q.Text(b.Max) + ", mean " + q.Text(b.Mean)}
		if href != nil {
			out[i].Href = href(b.At, b.At.Add(bin))
		}
		for j := range signals {
			if at := signals[j].At; !at.Before(b.At) && at.Before(b.At.Add(bin)) {
				out[i].Signals++
			}
		}
	}
	return out
}

// columns is the chart of a long time.
func (d *ChartData) columns(v View, q Quantity) *plot.Chart {
	pane := plot.Pane{Title: "Where does it stand?", What: statistic(d.Chart, q), Main: true, Decimals: q.Decimals,
		Columns: Columns(v, q, d.Columns, d.Bin, d.Signals, nil), SpecUnit: q.Unit}
	pane.SpecLower, pane.SpecUpper = specification(d.Product, d.Chart.Characteristic, q)
	for i, l := range d.Log {
		to := d.To
		if i+1 < len(d.Log) {
			to = d.Log[i+1].From
		}
		s := spanOf(q, l.Limits, l.From, to)
		s.Provisional = l.Source != spc.Frozen
		pane.Limits = append(pane.Limits, s)
	}
	return &plot.Chart{ID: "main", Title: place(d.Chart, d.Stream) + ": " + statistic(d.Chart, q), Desc: d.statement(v, q).Say.String(), From: d.From, To: d.To, Zone: v.Zone,
		Panes: []plot.Pane{pane}, Events: Lane(d.Events, d.From, d.To, d.Lehr)}
}

// month is the drawing of the last thirty days above the chart.
func (d *ChartData) month(v View, q Quantity) *plot.Chart {
	low, high := d.Month[0].Min, d.Month[0].Max
	for _, b := range d.Month {
		low, high = min(low, b.Min), max(high, b.Max)
	}
	unit := ""
	if q.Unit != "" {
		unit = ", " + q.Unit
	}
	bin := d.MonthTo.Sub(d.MonthFrom) / MonthColumns
	return &plot.Chart{ID: "month", Title: "Thirty days of " + StreamName(d.Stream), Desc: q.Name + " of every panel, each column from the least to the greatest, the mean on top: least " + q.Text(low) + ", greatest " + q.Text(high), From: d.MonthFrom, To: d.MonthTo, Zone: v.Zone,
		Panes: []plot.Pane{{Title: "Thirty days of " + StreamName(d.Stream), What: q.Name + ", least to greatest" + unit, Height: 60, Decimals: q.Decimals,
			Columns: Columns(v, q, d.Month, bin, nil, nil)}},
		Bracket: &plot.Bracket{From: d.From, To: d.To, Words: "shown below"}}
}

// MonthColumns is how many columns thirty days make: one for two units of the drawing.
const MonthColumns = 600

func queryPart(s string) string { return url.QueryEscape(s) }
