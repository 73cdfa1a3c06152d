package server

import (
	"context"
	"encoding/csv"
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/go-chi/chi/v5"

	"sagwatch/server/present"
	"sagwatch/spc"
	"sagwatch/spc/monitor"
	"sagwatch/store"
	"sagwatch/web/page"
	"sagwatch/web/ui"
)

// typedTimes are the ways in which a plant time may be typed.
var typedTimes = []string{"2006-01-02 15:04", "2006-01-02 15:04:05", "2006-01-02T15:04", "2006-01-02"}

// typed reads a plant time as people type it.
func (s *Server) typed(text string) (time.Time, bool) {
	text = strings.TrimSpace(text)
	for _, layout := range typedTimes {
		if t, err := time.ParseInLocation(layout, text, s.zone()); err == nil {
			return t, true
		}
	}
	return time.Time{}, false
}

// howToType is what a field says that cannot be read.
const howToType = "is not a plant time such as 2026-03-04 12:00."

// longestShown bounds the time a chart shows.
const longestShown = 400 * 24 * time.Hour

// showChart handles GET /charts/{id}?stream=&from=&to= and, with .csv behind the id, the same as a file.
func (s *Server) showChart(w http.ResponseWriter, r *http.Request) error {
	id, file := strings.CutSuffix(chi.URLParam(r, "id"), ".csv")
	if file {
		return s.chartFile(w, r, id)
	}
	return s.renderChart(w, r, http.StatusOK, id, r.URL.Query(), nil)
}

// renderChart shows a chart, with the limits' form as it was sent when something in it was wrong.
func (s *Server) renderChart(w http.ResponseWriter, r *http.Request, status int, id string, q url.Values, sent *page.LimitsForm) error {
	c, err := s.chart(id)
	if err != nil {
		return err
	}
	d := present.ChartData{Chart: c, Product: s.productOf(c), Others: s.streamPoints(c), LastAt: s.watch.LastAt(c.Press, c.Gauge)}
	if d.LastAt.Year() < 1900 {
		d.LastAt = time.Time{}
	}
	if err := s.chartStream(&d, q.Get("stream")); err != nil {
		return err
	}
	wrongFrom, wrongTo := s.chartSpan(&d, q)
	if err := s.chartPoints(r.Context(), &d); err != nil {
		return err
	}
	if err := s.chartAround(r.Context(), &d); err != nil {
		return err
	}
	v := s.view(r)
	f := s.frame(r, present.ChartName(c, present.QuantityOfChart(c, d.Product, v.Lengths)), ui.AtCharts)
	f.Plots, f.Live = true, "/live?"+url.Values{"press": {c.Press}, "gauge": {c.Gauge}}.Encode()
	if r.Method == http.MethodPost {
		f.Here = present.ChartHref(c.ID, d.Stream, time.Time{}, time.Time{})
	}
	m := present.Chart(v, f, d)
	if wrongFrom != "" {
		m.Span.From.Value, m.Span.From.Problem = q.Get("from"), wrongFrom
	}
	if wrongTo != "" {
		m.Span.To.Value, m.Span.To.Problem = q.Get("to"), wrongTo
	}
	if who(r.Context()).May(mayEngineer) {
		m.Form = sent
		if sent == nil {
			form := present.LimitsForm(v, &d, url.Values{}, ui.Problems{})
			m.Form = &form
		}
	}
	return s.render(w, r, status, m.Page())
}

// chartStream chooses the stream: the one asked for, else the first whose last point signals, else the first.
func (s *Server) chartStream(d *present.ChartData, name string) error {
	c := d.Chart
	if name != "" {
		kind, rest, ok := strings.Cut(name, ":")
		if !ok || kind == "" || rest == "" || len(name) > 100 {
			return notFound("There is no stream %.60q of the chart %s.", name, c.ID)
		}
		if len(d.Others) > 0 && !slices.ContainsFunc(d.Others, func(o present.StreamPoint) bool { return o.Stream == name }) {
			// One that has had no panel for long may still have a past; an unknown mould has none.
			if p, _ := s.catalogue.Load().Press(c.Press, s.cfg.Now()); kind == "mould" && p != nil && !slices.Contains(p.Moulds, rest) {
				return notFound("Press %s has no mould %.40q.", c.Press, rest)
			}
		}
		d.Stream = name
		return nil
	}
	if whole := "press:" + c.Press; c.Kind == spc.Group && slices.ContainsFunc(d.Others, func(o present.StreamPoint) bool { return o.Stream == whole }) {
		d.Stream = whole // the farthest mould of each cycle
		return nil
	}
	for _, o := range d.Others {
		if len(o.Point.Hits) > 0 {
			d.Stream = o.Stream
			return nil
		}
	}
	switch {
	case len(d.Others) > 0:
		d.Stream = d.Others[0].Stream
	case c.Press != "":
		d.Stream = "press:" + c.Press
	default:
		d.Stream = "gauge:" + c.Gauge
	}
	return nil
}

// chartSpan reads the time to show; without one, as long as a shift up to now, or up to the last panel when the line stands still.
func (s *Server) chartSpan(d *present.ChartData, q url.Values) (wrongFrom, wrongTo string) {
	c, now := d.Chart, s.now()
	site := s.catalogue.Load().Site(s.site)
	d.Every = 0
	if p, _ := s.catalogue.Load().Press(c.Press, now); p != nil {
		d.Press, d.Lehr = p, p.Lehr()
		d.Every = time.Duration(p.TaktS * float64(time.Second))
		if kind, _ := cutStream(d.Stream); kind == "mould" || c.OfCycles() {
			d.Every *= time.Duration(max(len(p.Moulds), 1))
		}
	}
	if c.Kind.OfCounts() {
		d.Every = 0 // as often as somebody counts
	}
	to := now
	if !d.LastAt.IsZero() && now.Sub(d.LastAt) > d.Lehr+time.Hour {
		to = d.LastAt.Add(time.Minute)
	}
	shift := present.ShiftAt(site.Shifts, to.In(s.zone()))
	length := min(max(shift.To.Sub(shift.From), time.Hour), 24*time.Hour)
	if c.Gauge != "" {
		length = 14 * 24 * time.Hour // master checks are few
	}
	from := to.Add(-length)
	read := func(name string, into *time.Time) string {
		text := q.Get(name)
		if text == "" {
			return ""
		}
		t, ok := s.typed(text)
		if !ok {
			return "“" + cut(text, 40) + "” " + howToType
		}
		*into = t
		return ""
	}
	givenTo := q.Get("to") != ""
	wrongTo = read("to", &to)
	if givenTo && q.Get("from") == "" {
		from = to.Add(-length)
	}
	wrongFrom = read("from", &from)
	switch {
	case !from.Before(to):
		if wrongFrom == "" {
			wrongFrom = "The beginning must lie before the end; a shift's length is shown."
		}
		from = to.Add(-length)
	case to.Sub(from) > longestShown:
		wrongFrom = "At most 400 days are shown at once; the last 400 are."
		from = to.Add(-longestShown)
	}
	d.From, d.To = from, to
	d.Shift = present.ShiftAt(site.Shifts, to.In(s.zone()))
	return wrongFrom, wrongTo
}

func cutStream(stream string) (kind, name string) {
	kind, name, _ = strings.Cut(stream, ":")
	return kind, name
}

// cut shortens what somebody typed, for a sentence that repeats it.
func cut(text string, n int) string {
	if r := []rune(text); len(r) > n {
		return string(r[:n])
	}
	return text
}

// points are the final and the pending points of a stream, in order.
func (s *Server) points(ctx context.Context, c spc.Chart, stream string, from, to time.Time) ([]monitor.Point, error) {
	series, err := s.watch.Series(ctx, c.Press, c.Gauge, c.ID, stream, from, to.Add(time.Microsecond))
	if err != nil {
		return nil, unknownFold(err)
	}
	out := append(series.Points, series.Pending...)
	slices.SortStableFunc(out, func(a, b monitor.Point) int { return a.At.Compare(b.At) })
	return out, nil
}

// longColumns is how many columns a long view has.
const longColumns = 500

// chartPoints reads what is drawn: the points, or the columns of a long time. Cycles and master checks are worked out anew however
// long the time is: a column of single panels would not be theirs.
func (s *Server) chartPoints(ctx context.Context, d *present.ChartData) error {
	c := d.Chart
	long := d.To.Sub(d.From) > present.LongView
	if long && c.Kind == spc.Individuals && c.Press != "" {
		d.Bin = binOf(d.From, d.To, longColumns)
		list, err := s.buckets(ctx, d, d.From, d.To, longColumns)
		if err != nil || len(list) > 0 {
			d.Columns = list
			return err
		}
		return nil
	}
	var err error
	if d.Points, err = s.points(ctx, c, d.Stream, d.From, d.To); err != nil {
		return err
	}
	if c.Kind == spc.CycleMean {
		for _, other := range s.charts() {
			if other.Kind == spc.CycleSpread && other.Press == c.Press && other.Product == c.Product && other.Characteristic == c.Characteristic {
				if d.Scatter, err = s.points(ctx, other, d.Stream, d.From, d.To); err != nil {
					return err
				}
				logged, err := s.store.LimitsLog(ctx, s.site, other.ID, time.Time{})
				if err != nil {
					return err
				}
				d.Spreads = present.DecodeLimits(logged, d.Stream)
				break
			}
		}
	}
	return nil
}

// binOf is the width of one of n columns.
func binOf(from, to time.Time, n int) time.Duration { return to.Sub(from) / time.Duration(n) }

func (s *Server) buckets(ctx context.Context, d *present.ChartData, from, to time.Time, n int) ([]store.Bucket, error) {
	q := store.BucketQuery{Press: d.Chart.Press, Product: d.Chart.Product, Characteristic: d.Chart.Characteristic, From: micro(from), To: micro(to), N: n}
	if kind, name := cutStream(d.Stream); kind == "mould" {
		q.Mould = name
	}
	return s.store.Buckets(ctx, s.site, q)
}

// longestSignal is how long before the time shown a signal that goes on in it may have begun.
const longestSignal = 7 * 24 * time.Hour

// month is how far back the drawing above a chart goes.
const month = 30 * 24 * time.Hour

// chartAround reads what stands beside the points: limits, signals, events, the last thirty days.
func (s *Server) chartAround(ctx context.Context, d *present.ChartData) error {
	c := d.Chart
	logged, err := s.store.LimitsLog(ctx, s.site, c.ID, time.Time{})
	if err != nil {
		return err
	}
	d.Log = present.DecodeLimits(logged, d.Stream)
	posted, err := s.store.PostedLimits(ctx, s.site, c.ID)
	if err != nil {
		return err
	}
	for _, p := range posted {
		if (p.Stream == "" || p.Stream == d.Stream) && p.EffectiveFrom.After(d.LastAt) {
			d.Waiting = append(d.Waiting, p)
		}
	}
	list, err := s.store.Signals(ctx, s.site, store.SignalFilter{Chart: c.ID, From: micro(d.From.Add(-longestSignal)), To: micro(d.To).Add(time.Microsecond), Limit: mostOpen})
	if err != nil {
		return err
	}
	for _, g := range list {
		if g.Stream == d.Stream && g.State != store.SignalWithdrawn && !g.LastAt.Before(d.From) {
			d.Signals = append(d.Signals, g)
		}
	}
	if d.Events, err = s.store.Events(ctx, s.site, store.EventFilter{Press: c.Press, Gauge: c.Gauge, From: micro(d.From), To: micro(d.To)}); err != nil {
		return err
	}
	if c.Press == "" || c.Kind == spc.CycleSpread || c.Kind.OfCounts() || d.LastAt.IsZero() || d.To.Sub(d.From) > present.LongView {
		return nil
	}
	to := d.LastAt.Truncate(time.Hour).Add(time.Hour)
	list2, err := s.monthOf(ctx, d, to)
	if err != nil {
		return err
	}
	if len(list2) > 0 && list2[0].At.Before(d.From.Add(-time.Hour)) {
		d.Month, d.MonthFrom, d.MonthTo = list2, to.Add(-month), to
	}
	return nil
}

func (s *Server) monthOf(ctx context.Context, d *present.ChartData, to time.Time) ([]store.Bucket, error) {
	return s.buckets(ctx, d, to.Add(-month), to, present.MonthColumns)
}

// chartFile writes the points of a chart as CSV: full precision, UTC.
func (s *Server) chartFile(w http.ResponseWriter, r *http.Request, id string) error {
	c, err := s.chart(id)
	if err != nil {
		return err
	}
	q := r.URL.Query()
	d := present.ChartData{Chart: c, Product: s.productOf(c), Others: s.streamPoints(c), LastAt: s.watch.LastAt(c.Press, c.Gauge)}
	if err := s.chartStream(&d, q.Get("stream")); err != nil {
		return err
	}
	if wrongFrom, wrongTo := s.chartSpan(&d, q); wrongFrom != "" || wrongTo != "" {
		return badInput("from", "%s", strings.TrimSpace(wrongFrom+" "+wrongTo))
	}
	if d.To.Sub(d.From) > longestPoints {
		return badInput("from", "One file covers at most 32 days; ask for the rest separately.")
	}
	points, err := s.points(r.Context(), c, d.Stream, d.From, d.To)
	if err != nil {
		return err
	}
	w.Header().Set("Content-Type", "text/csv; charset=utf-8")
	w.Header().Set("Content-Disposition", `attachment; filename="chart.csv"`)
	out := csv.NewWriter(w)
	if out.Write([]string{"chart", "stream", "at", "panel", "measurement", "value", "moving_range", "n", "complete", "phase", "lower", "centre", "upper", "limits", "signals", "excluded"}) != nil {
		return nil
	}
	for i := range points {
		j := pointOf(points[i])
		num := func(v *float64) string {
			if v == nil {
				return ""
			}
			return number(*v, true)
		}
		line := []string{c.ID, d.Stream, j.At.UTC().Format(time.RFC3339Nano), j.Panel, strconv.FormatInt(j.Measurement, 10), number(j.Value, true), num(j.MovingRange),
			strconv.Itoa(j.N), strconv.FormatBool(j.Complete), strconv.Itoa(j.Phase), num(j.Lower), num(j.Centre), num(j.Upper), string(j.Limits), strings.Join(j.Words, "; "), j.Excluded}
		if out.Write(line) != nil {
			return nil // the browser has gone
		}
	}
	out.Flush()
	return nil
}

// doLimits handles POST /charts/{id}/limits.
func (s *Server) doLimits(w http.ResponseWriter, r *http.Request) error {
	if err := require(r, mayEngineer); err != nil {
		return err
	}
	id := chi.URLParam(r, "id")
	c, err := s.chart(id)
	if err != nil {
		return err
	}
	if err := r.ParseForm(); err != nil {
		return badInput("", "The form can't be read.")
	}
	in, problems := s.readLimits(r.PostForm, present.QuantityOfChart(c, s.productOf(c), s.view(r).Lengths))
	if len(problems) == 0 {
		_, err := s.setLimits(r, id, in)
		var t *Trouble
		switch {
		case err == nil:
			http.Redirect(w, r, present.ChartHref(id, r.PostFormValue("shown"), time.Time{}, time.Time{})+"#limits", http.StatusSeeOther)
			return nil
		case errors.As(err, &t) && t.Status == http.StatusUnprocessableEntity:
			problems = append(problems, ui.Problem{Field: fieldOfLimits(t.Field), Text: t.Say})
		default:
			return err
		}
	}
	d := present.ChartData{Chart: c, Product: s.productOf(c), Others: s.streamPoints(c), Stream: r.PostFormValue("shown")}
	form := present.LimitsForm(s.view(r), &d, r.PostForm, ui.Problems{Head: "The limits are not changed yet", Items: problems})
	return s.renderChart(w, r, http.StatusUnprocessableEntity, id, url.Values{"stream": {r.PostFormValue("shown")}}, &form)
}

// fieldOfLimits is the form's field that goes with one of the machine interface.
func fieldOfLimits(name string) string {
	switch name {
	case "baseline":
		return "baseline_from"
	case "lower", "centre", "upper", "reason", "effective_from":
		return name
	}
	return "how"
}

// readLimits reads the limits' form; lengths are in the unit in which the person reads them.
func (s *Server) readLimits(form url.Values, q present.Quantity) (in limitsInput, problems []ui.Problem) {
	in.Stream, in.Reason = form.Get("stream"), strings.TrimSpace(form.Get("reason"))
	moment := func(name, label string) (t time.Time, given bool) {
		text := form.Get(name)
		if strings.TrimSpace(text) == "" {
			return t, false
		}
		t, ok := s.typed(text)
		if !ok {
			problems = append(problems, ui.Problem{Field: name, Name: label, Text: ": “" + cut(text, 40) + "” " + howToType})
		}
		return t, ok
	}
	if form.Get("how") == "given" {
		for _, f := range []struct {
			name, label string
			into        **float64
		}{{"lower", "Lower limit", &in.Lower}, {"centre", "Centre", &in.Centre}, {"upper", "Upper limit", &in.Upper}} {
			text := strings.NewReplacer(ui.Minus, "-", ui.Thin, "", ui.NoBreak, "", " ", "", ",", ".").Replace(form.Get(f.name))
			if text == "" {
				continue
			}
			x, err := strconv.ParseFloat(text, 64)
			if err != nil || x != x || x > 1e9 || x < -1e9 {
				problems = append(problems, ui.Problem{Field: f.name, Name: f.label, Text: ": “" + cut(form.Get(f.name), 40) + "” is not a number."})
				continue
			}
			x /= q.Factor
			*f.into = &x
		}
		if in.Lower == nil && in.Upper == nil && len(problems) == 0 {
			problems = append(problems, ui.Problem{Field: "lower", Name: "Lower or upper limit", Text: ": give at least one of them."})
		}
	} else {
		from, a := moment("baseline_from", "Baseline from")
		to, b := moment("baseline_to", "Baseline to")
		if a && b {
			in.Baseline = &struct {
				From time.Time `json:"from"`
				To   time.Time `json:"to"`
			}{from, to}
		} else if len(problems) == 0 {
			problems = append(problems, ui.Problem{Field: "baseline_from", Name: "Baseline", Text: ": say from when to when the process was steady."})
		}
	}
	if t, ok := moment("effective_from", "In force from"); ok {
		in.EffectiveFrom = &t
	}
	if in.Reason == "" {
		problems = append(problems, ui.Problem{Field: "reason", Name: "Reason", Text: ": new limits need their reason."})
	}
	return in, problems
}
