package server

import (
	"net/http"
	"net/url"
	"strings"
	"time"

	"sagwatch/server/present"
	"sagwatch/spc"
	"sagwatch/store"
	"sagwatch/web/ui"
)

// panelsShown is how many measurements one page of the list has.
const panelsShown = 50

var verdictsListed = []struct {
	v     spc.Verdict
	label string
}{{spc.Conforms, "conforms"}, {spc.DoesNotConform, "does not conform"}, {spc.Undecided, "undecided"}, {spc.NotJudged, "not judged"}}

// showPanels handles GET /panels?press=&mould=&verdict=&serial=&from=&to=&after=.
func (s *Server) showPanels(w http.ResponseWriter, r *http.Request) error {
	q, v := r.URL.Query(), s.view(r)
	f := store.MeasurementFilter{Press: q.Get("press"), Mould: strings.TrimSpace(q.Get("mould")), PanelPrefix: strings.TrimSpace(q.Get("serial")), Descending: true, Limit: panelsShown}
	d := present.PanelsData{}
	wrong := map[string]string{}
	read := func(name, label string, into *time.Time) {
		text := q.Get(name)
		if text == "" {
			return
		}
		t, ok := s.typed(text)
		if !ok {
			wrong[name] = "“" + cut(text, 40) + "” " + howToType
			d.Problems.Items = append(d.Problems.Items, ui.Problem{Field: name, Name: label, Text: ": " + wrong[name]})
			return
		}
		*into = micro(t)
	}
	read("from", "From", &f.From)
	read("to", "To", &f.To)
	if len(d.Problems.Items) > 0 {
		d.Problems.Head = "This time is not shown"
	}
	verdict := ""
	for _, l := range verdictsListed {
		if q.Get("verdict") == string(l.v) {
			f.Verdicts, verdict = []spc.Verdict{l.v}, string(l.v)
		}
	}
	var err error
	if f.After, err = uncursor(q.Get("after")); err != nil {
		return err
	}
	rows, next, err := s.store.Measurements(r.Context(), s.site, f)
	if err != nil {
		return err
	}
	d.Rows = rows
	if d.Doubt, err = s.store.Doubtful(r.Context(), s.site, rows); err != nil {
		return err
	}
	if d.Held, err = s.heldPanels(r.Context(), rows); err != nil {
		return err
	}
	d.Filtered = f.Press != "" || f.Mould != "" || f.PanelPrefix != "" || verdict != "" || !f.From.IsZero() || !f.To.IsZero()
	if err := s.countPanels(r, f, &d); err != nil {
		return err
	}
	address := func(after string) string {
		out := url.Values{}
		for _, name := range []string{"press", "mould", "verdict", "serial", "from", "to"} {
			if x := q.Get(name); x != "" {
				out.Set(name, x)
			}
		}
		if after != "" {
			out.Set("after", after)
		}
		if len(out) == 0 {
			return "/panels"
		}
		return "/panels?" + out.Encode()
	}
	if next != nil {
		at, err := cursor(next)
		if err != nil {
			return err
		}
		d.Older = address(at)
	}
	if f.After != nil {
		d.Newer = address("")
	}
	press := ui.Input{ID: "press", Name: "press", Label: "Press", Optional: false, Options: []ui.Option{{Value: "", Label: "every press", Selected: f.Press == ""}}}
	for _, p := range s.catalogue.Load().Presses() {
		press.Options = append(press.Options, ui.Option{Value: p.ID, Label: p.ID, Selected: p.ID == f.Press})
	}
	which := ui.Input{ID: "verdict", Name: "verdict", Label: "Verdict", Options: []ui.Option{{Value: "", Label: "any", Selected: verdict == ""}}}
	for _, l := range verdictsListed {
		which.Options = append(which.Options, ui.Option{Value: string(l.v), Label: l.label, Selected: string(l.v) == verdict})
	}
	text := func(name, label string) ui.Input {
		return ui.Input{ID: name, Name: name, Label: label, Value: q.Get(name), Problem: wrong[name], Max: 64}
	}
	d.Filters = []ui.Input{press, text("mould", "Mould"), which, text("serial", "Serial begins with"), text("from", "From"), text("to", "To")}
	d.EmptySay = "No panel fits. Leave a field empty to ask for all."
	if !d.Filtered {
		d.EmptySay = "Panels appear here as gauges send them."
	}
	fr := s.frame(r, "Panels", ui.AtPanels)
	if f.After == nil && f.To.IsZero() {
		fr.Live = "/live?" + url.Values{"press": {f.Press}}.Encode()
	}
	return s.render(w, r, http.StatusOK, present.Panels(v, fr, d).Page())
}

// countPanels counts verdicts of the time asked for, or of the day up to the last panel pressed.
func (s *Server) countPanels(r *http.Request, f store.MeasurementFilter, d *present.PanelsData) error {
	if f.PanelPrefix != "" || len(d.Rows) == 0 {
		return nil
	}
	v := s.view(r)
	c := store.CountQuery{Press: f.Press, Mould: f.Mould, From: f.From, To: f.To}
	switch {
	case !f.From.IsZero() && !f.To.IsZero():
		d.CountsSay = "From " + v.Moment(f.From) + " to " + v.Moment(f.To) + ","
	case !f.From.IsZero():
		d.CountsSay = "Since " + v.Moment(f.From) + ","
	default:
		if c.To.IsZero() {
			c.To = d.Rows[0].LineAt.Add(time.Microsecond)
		}
		c.From = c.To.Add(-24 * time.Hour)
		d.CountsSay = "In the day to " + v.Moment(c.To) + ","
	}
	counts, err := s.store.VerdictCounts(r.Context(), s.site, c)
	d.Counts = counts
	if err != nil {
		return err
	}
	d.Barred, err = s.store.BarredCounts(r.Context(), s.site, c)
	return err
}
