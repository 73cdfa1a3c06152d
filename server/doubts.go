package server

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"time"

	"sagwatch/server/plant"
	"sagwatch/server/present"
	"sagwatch/spc"
	"sagwatch/store"
	"sagwatch/web/ui"
)

// gaugeNamed finds the gauge of a machine's address, retired ones too: what they measured may be in doubt.
func (s *Server) gaugeNamed(r *http.Request) (*spc.Gauge, error) {
	id := pathParam(r, "id")
	g, _ := s.catalogue.Load().Gauge(id, s.cfg.Now())
	if g == nil {
		return nil, notFound("There is no gauge %.64s.", id)
	}
	return g, nil
}

// masterDue tells when the master of a gauge is due after its last check; zero when none is asked for or none was made.
func (s *Server) masterDue(g *spc.Gauge, last *store.Row) time.Time {
	if last == nil {
		return time.Time{}
	}
	return plant.MasterDue(g, last.MeasuredAt.In(s.zone()), s.catalogue.Load().Site(s.site).Shifts)
}

// getMaster handles GET /api/v1/gauges/{id}/master: the last check and when the next is due.
func (s *Server) getMaster(w http.ResponseWriter, r *http.Request) error {
	g, err := s.gaugeNamed(r)
	if err != nil {
		return err
	}
	last, err := s.lastMaster(r.Context(), g)
	if err != nil {
		return err
	}
	masters := make([]string, 0, len(g.Masters))
	for _, m := range g.Masters {
		masters = append(masters, m.Panel)
	}
	out := map[string]any{"gauge": g.ID, "masters": masters, "every_h": g.MasterEveryH, "last": nil, "due": nil, "overdue": false}
	if last != nil {
		out["last"] = asJSON(last)
	}
	if due := s.masterDue(g, last); !due.IsZero() {
		out["due"], out["overdue"] = due.UTC(), !due.After(s.cfg.Now())
	} else if len(g.Masters) > 0 && g.MasterEveryH > 0 {
		out["overdue"] = true // it was never checked
	}
	return writeJSON(w, http.StatusOK, out)
}

// checkJSON is a failed check of a doubt.
type checkJSON struct {
	Measurement int64       `json:"measurement"`
	Panel       string      `json:"panel"`
	MeasuredAt  time.Time   `json:"measured_at"`
	Verdict     spc.Verdict `json:"verdict"`
	MaxErrorUM  *float64    `json:"max_error_um"`
}

// doubtJSON is a stretch of doubt. Its ends are times measured, both exclusive.
type doubtJSON struct {
	From         *time.Time  `json:"from"` // the last good check; null: there was none
	To           *time.Time  `json:"to"`   // the next good check; null: none yet
	Failed       []checkJSON `json:"failed"`
	Measurements int         `json:"measurements"`
	Panels       int         `json:"panels"`
	Undecided    int         `json:"undecided"` // measurements still in doubt
}

type doubtDecisionJSON struct {
	From     *time.Time `json:"from"`
	To       time.Time  `json:"to"`
	Decision string     `json:"decision"`
	Voided   int        `json:"voided,omitempty"`
	Reason   string     `json:"reason"`
	By       string     `json:"by"`
	At       time.Time  `json:"at"`
}

func instant(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	return &t
}

// doubtOf gathers one stretch with how much of it is undecided.
func (s *Server) doubtOf(ctx context.Context, d *store.Doubts, span store.Span) (present.DoubtSpan, error) {
	out := present.DoubtSpan{Span: span}
	rows, err := s.store.Measured(ctx, s.site, span.Gauge, span.From, span.To, 0)
	if err != nil {
		return out, err
	}
	words, err := s.store.Doubtful(ctx, s.site, rows)
	panels := map[store.PanelID]bool{}
	for i := range rows {
		panels[store.PanelID{Press: rows[i].Press, Panel: rows[i].Panel}] = true
		if words[rows[i].ID] != store.NoDoubt {
			out.Undecided = append(out.Undecided, rows[i])
		}
	}
	out.Measurements, out.Panels, out.Words = len(rows), len(panels), words
	for _, x := range d.Decisions {
		if (span.To.IsZero() || x.From.Before(span.To)) && x.To.After(span.From) {
			out.Decisions = append(out.Decisions, x)
		}
	}
	return out, err
}

// doubtful counts what is in doubt of a gauge and undecided.
func (s *Server) doubtful(ctx context.Context, gauge string) (n int, err error) {
	d, err := s.store.Doubts(ctx, s.site, gauge)
	if err != nil {
		return 0, err
	}
	for _, span := range d.Spans {
		if d.Accepted(span) {
			continue // most of the past: not read again for each page
		}
		x, err := s.doubtOf(ctx, &d, span)
		if err != nil {
			return 0, err
		}
		n += len(x.Undecided)
	}
	return n, nil
}

// getDoubts handles GET /api/v1/gauges/{id}/doubts.
func (s *Server) getDoubts(w http.ResponseWriter, r *http.Request) error {
	g, err := s.gaugeNamed(r)
	if err != nil {
		return err
	}
	d, err := s.store.Doubts(r.Context(), s.site, g.ID)
	if err != nil {
		return err
	}
	spans, decisions := []doubtJSON{}, []doubtDecisionJSON{}
	for _, span := range d.Spans {
		x, err := s.doubtOf(r.Context(), &d, span)
		if err != nil {
			return err
		}
		j := doubtJSON{From: instant(span.From), To: instant(span.To), Measurements: x.Measurements, Panels: x.Panels, Undecided: len(x.Undecided)}
		for _, c := range span.Failed {
			j.Failed = append(j.Failed, checkJSON{c.ID, c.Panel, c.MeasuredAt, c.Verdict, c.Error})
		}
		spans = append(spans, j)
	}
	for _, x := range d.Decisions {
		decisions = append(decisions, doubtDecisionJSON{instant(x.From), x.To, x.Decision, x.Voided, x.Reason, x.By, x.At})
	}
	return writeJSON(w, http.StatusOK, map[string]any{"gauge": g.ID, "doubts": spans, "decisions": decisions})
}

// getAtRisk handles GET /api/v1/gauges/{id}/at-risk?began=: what the gauge measured since the last good check of its master before a fault
// began at the earliest.
func (s *Server) getAtRisk(w http.ResponseWriter, r *http.Request) error {
	g, err := s.gaugeNamed(r)
	if err != nil {
		return err
	}
	began, err := timeParam(r.URL.Query(), "began")
	if err != nil {
		return err
	}
	if began.IsZero() {
		return badInput("began", "began is missing: when the fault began at the earliest, RFC 3339.")
	}
	limit, err := limitParam(r.URL.Query(), 1000, 10_000)
	if err != nil {
		return err
	}
	since, err := s.store.GaugeAtRisk(r.Context(), s.site, g.ID, began)
	if err != nil {
		return err
	}
	count, panels, err := s.store.CountMeasured(r.Context(), s.site, g.ID, since, time.Time{})
	if err != nil {
		return err
	}
	rows, err := s.store.Measured(r.Context(), s.site, g.ID, since, time.Time{}, limit)
	if err != nil {
		return err
	}
	list, err := s.withHolds(r.Context(), rows)
	if err != nil {
		return err
	}
	return writeJSON(w, http.StatusOK, map[string]any{"gauge": g.ID, "since": instant(since), "as_of": s.cfg.Now().UTC(), "count": count, "panels": panels, "measurements": list})
}

// decideDoubt checks and keeps a decision. Without an end it holds up to the next good check, or up to now where there is none.
func (s *Server) decideDoubt(ctx context.Context, g *spc.Gauge, u Who, d store.DoubtDecision) (int, error) {
	if err := mayDecideDoubt(u, d.Decision); err != nil {
		return 0, err
	}
	d.Gauge, d.Reason = g.ID, strings.TrimSpace(d.Reason)
	if d.Reason == "" {
		return 0, badInput("reason", "Say why: whoever meets these panels in a year has only this line.")
	}
	known, err := s.store.Doubts(ctx, s.site, g.ID)
	if err != nil {
		return 0, err
	}
	var span *store.Span
	for i := range known.Spans {
		if known.Spans[i].From.Equal(d.From) {
			span = &known.Spans[i]
		}
	}
	if span == nil {
		return 0, &Trouble{Status: http.StatusConflict, Field: "from", Say: "Nothing is in doubt from there: a check came in between, or was made void. Look again."}
	}
	end := span.To
	if end.IsZero() {
		end = s.cfg.Now().UTC().Truncate(time.Microsecond)
	}
	if d.To.IsZero() || d.To.After(end) {
		d.To = end
	}
	if !d.To.After(d.From) {
		return 0, badInput("to", "The stretch ends before it begins.")
	}
	return s.store.DecideDoubt(ctx, s.site, d)
}

// mayDecideDoubt: who may send panels to be measured again, void measurements, or let them stand.
func mayDecideDoubt(u Who, decision string) error {
	need := mayRelease
	switch decision {
	case store.DoubtAccept:
	case store.DoubtRemeasure:
		need = mayHold
	case store.DoubtVoid:
		need = mayVoid
	default:
		return badInput("decision", "decision %q is not known; use %s, %s or %s.", decision, store.DoubtAccept, store.DoubtRemeasure, store.DoubtVoid)
	}
	if u.Scopes == nil && !u.May(need) { // a machine may by its scope
		return &Trouble{Status: http.StatusForbidden, Say: fmt.Sprintf("As %s you may not %s.", article(u.Role), need), Do: "Ask somebody whose role allows it."}
	}
	return nil
}

// postDoubt handles POST /api/v1/gauges/{id}/doubts {from, to, decision, reason}.
func (s *Server) postDoubt(w http.ResponseWriter, r *http.Request) error {
	g, err := s.gaugeNamed(r)
	if err != nil {
		return err
	}
	var in struct {
		From, To         *time.Time
		Decision, Reason string
	}
	if err := body(r, &in); err != nil {
		return err
	}
	d := store.DoubtDecision{Decision: in.Decision, Reason: in.Reason, By: source(r.Context())}
	if in.From != nil {
		d.From = in.From.UTC()
	}
	if in.To != nil {
		d.To = in.To.UTC()
	}
	voided, err := s.decideDoubt(r.Context(), g, who(r.Context()), d)
	if err != nil {
		return err
	}
	return writeJSON(w, http.StatusOK, map[string]any{"gauge": g.ID, "decision": d.Decision, "voided": voided})
}

// showDoubt handles GET /gauge/{id}/doubt: what is in doubt, and what was decided.
func (s *Server) showDoubt(w http.ResponseWriter, r *http.Request) error {
	return s.renderDoubt(w, r, http.StatusOK, nil)
}

func (s *Server) renderDoubt(w http.ResponseWriter, r *http.Request, status int, wrong error) error {
	g, err := s.gaugeNamed(r)
	if err != nil {
		return err
	}
	d, err := s.store.Doubts(r.Context(), s.site, g.ID)
	if err != nil {
		return err
	}
	u := who(r.Context())
	data := present.DoubtData{Gauge: g, MayAccept: u.May(mayRelease), MayRemeasure: u.May(mayHold), MayVoid: u.May(mayVoid), Decision: r.PostFormValue("decision"), Reason: r.PostFormValue("reason")}
	for i := len(d.Spans) - 1; i >= 0; i-- {
		x, err := s.doubtOf(r.Context(), &d, d.Spans[i])
		if err != nil {
			return err
		}
		data.Spans = append(data.Spans, x)
	}
	if wrong != nil {
		t := troubleOf(wrong)
		data.Problem, data.Field, status = t.Say, t.Field, t.Status
	}
	f := s.frame(r, "Doubt of gauge "+g.ID, ui.AtGauge)
	f.At, f.Caution = "gauge "+g.ID, glassCaution
	return s.render(w, r, status, present.Doubt(s.view(r), f, data).Page())
}

// doDoubt handles POST /gauge/{id}/doubt: from, decision, reason.
func (s *Server) doDoubt(w http.ResponseWriter, r *http.Request) error {
	g, err := s.gaugeNamed(r)
	if err != nil {
		return err
	}
	d := store.DoubtDecision{Decision: r.PostFormValue("decision"), Reason: r.PostFormValue("reason"), By: source(r.Context())}
	if from := r.PostFormValue("from"); from != "" {
		if d.From, err = time.Parse(time.RFC3339Nano, from); err != nil {
			return badInput("from", "The form could not be read; nothing was stored.")
		}
	}
	if _, err := s.decideDoubt(r.Context(), g, who(r.Context()), d); err != nil {
		if troubleOf(err).Status >= 500 || troubleOf(err).Status == http.StatusForbidden {
			return err
		}
		return s.renderDoubt(w, r, http.StatusUnprocessableEntity, err)
	}
	http.Redirect(w, r, "/gauge/"+url.PathEscape(g.ID)+"/doubt", http.StatusSeeOther)
	return nil
}
