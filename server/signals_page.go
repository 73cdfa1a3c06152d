package server

import (
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/go-chi/chi/v5"

	"sagwatch/server/present"
	"sagwatch/store"
	"sagwatch/web/ui"
)

// signalsShown is how many signals one page of the list has.
const signalsShown = 50

// showSignals handles GET /signals?state=&press=&before=&id=: those open first, then the others, newest first.
func (s *Server) showSignals(w http.ResponseWriter, r *http.Request) error {
	q, v := r.URL.Query(), s.view(r)
	state, press := q.Get("state"), q.Get("press")
	if !slices.Contains(signalStates, state) {
		state = ""
	}
	open, err := s.openSignals(r)
	if err != nil {
		return err
	}
	d := present.SignalsData{Open: len(open), Filtered: state != "" || press != ""}
	f := store.SignalFilter{Press: press, Limit: signalsShown}
	if state != "" {
		f.States = []string{state}
	} else {
		f.States = []string{store.SignalAcknowledged, store.SignalClosed, store.SignalWithdrawn}
	}
	var rows []store.Signal
	if state == "" && q.Get("before") == "" {
		for _, g := range open {
			if press == "" || g.Press == press {
				rows = append(rows, g)
			}
		}
	}
	if at := q.Get("before"); at != "" {
		t, err := timeParam(q, "before")
		if err != nil {
			return err
		}
		f.Before = &store.SignalCursor{At: t, ID: q.Get("id")}
	}
	others, err := s.store.Signals(r.Context(), s.site, f)
	if err != nil {
		return err
	}
	rows = append(rows, others...)
	for i := range rows {
		g := present.SignalOnList{Signal: rows[i]}
		if c, err := s.chart(rows[i].Chart); err == nil {
			g.Def, g.Product = c, s.productOf(c)
		}
		if g.State == store.SignalAcknowledged || g.State == store.SignalClosed {
			log, err := s.store.SignalLog(r.Context(), s.site, g.ID)
			if err != nil {
				return err
			}
			for j := range log {
				if log[j].By != "" {
					g.Last = &log[j]
				}
			}
		}
		d.Rows = append(d.Rows, g)
	}
	keep := url.Values{}
	for name, x := range map[string]string{"state": state, "press": press} {
		if x != "" {
			keep.Set(name, x)
		}
	}
	if f.Before != nil {
		d.Newer = "/signals?" + keep.Encode()
	}
	if len(others) == signalsShown {
		last := others[len(others)-1]
		keep.Set("before", last.At.UTC().Format(time.RFC3339Nano))
		keep.Set("id", last.ID)
		d.Older = "/signals?" + keep.Encode()
	}
	which := ui.Input{ID: "state", Name: "state", Label: "State", Options: []ui.Option{{Value: "", Label: "any", Selected: state == ""}}}
	for _, x := range signalStates {
		which.Options = append(which.Options, ui.Option{Value: x, Label: x, Selected: x == state})
	}
	presses := ui.Input{ID: "press", Name: "press", Label: "Press", Options: []ui.Option{{Value: "", Label: "every press", Selected: press == ""}}}
	for _, p := range s.catalogue.Load().Presses() {
		presses.Options = append(presses.Options, ui.Option{Value: p.ID, Label: p.ID, Selected: p.ID == press})
		if last := s.watch.LastAt(p.ID, ""); last.Year() > 1900 && last.After(d.LastAt) {
			d.LastAt = last
		}
	}
	d.Filters = []ui.Input{which, presses}
	fr := s.frame(r, "Signals", ui.AtSignals)
	fr.Live = "/live?" + url.Values{"press": {press}}.Encode()
	return s.render(w, r, http.StatusOK, present.Signals(v, fr, d).Page())
}

// showSignal handles GET /signals/{id}.
func (s *Server) showSignal(w http.ResponseWriter, r *http.Request) error {
	return s.renderSignal(w, r, http.StatusOK, "", ui.Problems{})
}

// signalAround is how much of the chart stands before and after a signal; of master checks, which are few, more.
const (
	signalAround = time.Hour
	masterAround = 7 * 24 * time.Hour
	// signalLongest bounds the drawing of a signal that goes on for days; the chart's own page has the rest.
	signalLongest = 3 * 24 * time.Hour
)

func (s *Server) renderSignal(w http.ResponseWriter, r *http.Request, status int, note string, problems ui.Problems) error {
	ctx := r.Context()
	g, err := s.store.Signal(ctx, s.site, chi.URLParam(r, "id"))
	if err != nil {
		return err
	}
	d := present.SignalData{Signal: g, Note: note, Problems: problems, LastAt: s.watch.LastAt(g.Press, g.Gauge)}
	if d.History, err = s.store.SignalLog(ctx, s.site, g.ID); err != nil {
		return err
	}
	around := signalAround
	if g.Press == "" {
		around = masterAround
	}
	first := g.At
	for _, e := range g.Evidence {
		if e.At.Before(first) {
			first = e.At
		}
	}
	d.From, d.To = first.Add(-around), g.LastAt.Add(around)
	if !g.Ended && s.now().Sub(g.LastAt) < 24*time.Hour {
		d.To = s.now()
	}
	if d.To.Sub(d.From) > signalLongest && g.Press != "" {
		d.To = d.From.Add(signalLongest)
	}
	if c, err := s.chart(g.Chart); err == nil {
		cd := present.ChartData{Chart: c, Stream: g.Stream, LastAt: d.LastAt}
		s.chartSpan(&cd, url.Values{}) // for the lehr time and the rhythm of the stream
		d.Def, d.Product, d.Lehr, d.Every, d.Streams = c, s.productOf(c), cd.Lehr, cd.Every, s.streamPoints(c)
		if g.Press == "" {
			d.Every = 0
		}
		if d.Points, err = s.points(ctx, c, g.Stream, d.From, d.To); err != nil {
			return err
		}
		logged, err := s.store.LimitsLog(ctx, s.site, c.ID, time.Time{})
		if err != nil {
			return err
		}
		d.Log = present.DecodeLimits(logged, g.Stream)
		if d.Events, err = s.store.Events(ctx, s.site, store.EventFilter{Press: g.Press, Gauge: g.Gauge, From: micro(d.From), To: micro(d.To)}); err != nil {
			return err
		}
	}
	if u := who(ctx); u.May(maySignals) {
		d.Person = u.Display
		if d.Choices, err = s.closeChoices(r, &g); err != nil {
			return err
		}
	}
	if d.Plan, err = s.planBox(r, &g); err != nil {
		return err
	}
	f := s.frame(r, "Signal", ui.AtSignals)
	f.Plots, f.Caution = true, present.Caution.Danger
	f.Live = "/live?" + url.Values{"press": {g.Press}, "gauge": {g.Gauge}}.Encode()
	if r.Method == http.MethodPost {
		f.Here = present.SignalHref(g.ID)
	}
	return s.render(w, r, status, present.Signal(s.view(r), f, d).Page())
}

// doAcknowledge handles POST /signals/{id}/acknowledge: note.
func (s *Server) doAcknowledge(w http.ResponseWriter, r *http.Request) error {
	return s.changeFromPage(w, r, store.SignalChange{State: store.SignalAcknowledged, Note: strings.TrimSpace(r.PostFormValue("note"))})
}

// doClose handles POST /signals/{id}/close: cause, action, note.
func (s *Server) doClose(w http.ResponseWriter, r *http.Request) error {
	if err := require(r, maySignals); err != nil {
		return err
	}
	c, problems := s.closing(r)
	if len(problems.Items) > 0 {
		return s.renderSignal(w, r, http.StatusUnprocessableEntity, c.Note, problems)
	}
	return s.changeFromPage(w, r, c)
}

func (s *Server) changeFromPage(w http.ResponseWriter, r *http.Request, c store.SignalChange) error {
	if err := require(r, maySignals); err != nil {
		return err
	}
	id := chi.URLParam(r, "id")
	c.By = source(r.Context())
	was, err := s.store.Signal(r.Context(), s.site, id)
	if err != nil {
		return err
	}
	if err := s.change(r.Context(), &was, c); err != nil {
		return err
	}
	http.Redirect(w, r, present.SignalHref(id), http.StatusSeeOther)
	return nil
}
