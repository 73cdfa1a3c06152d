package server

import (
	"context"
	"encoding/csv"
	"net/http"
	"strings"
	"time"

	"github.com/go-chi/chi/v5"

	"sagwatch/spc"
	"sagwatch/store"
)

// risks says which panels a fault may concern, as predicates, one a press:
//
//   - glass, or not known: the panels of its moulds, lanes or of the whole press from the earliest credible start on, which lies at the
//     beginning of a cycle;
//   - gauge: what the gauge has measured since the last good check of its master before that start.
//
// It ends where its streams have come back, or where it was closed or a fix holds; while it goes on it is open, and panels that are still
// in the lehr, or come late, belong to it.
func (s *Server) risks(ctx context.Context, g *store.Signal) ([]store.HoldPredicate, error) {
	d := g.Diagnosis
	if d == nil {
		d = &spc.Diagnosis{Kind: spc.KindUndetermined, Streams: []string{g.Stream}, Earliest: g.At}
	}
	until, err := s.riskUntil(ctx, g)
	if err != nil {
		return nil, err
	}
	gauge := g.Gauge
	if d.Gauge != "" {
		gauge = d.Gauge
	}
	whole := d.Extent == spc.ExtentWholeGauge || d.Extent == spc.ExtentOneProbe
	if gauge != "" && (d.Kind == spc.KindGauge || g.Press == "" || whole) {
		return s.gaugeRisks(ctx, g, gauge, until)
	}
	p := store.HoldPredicate{Press: g.Press, From: d.Earliest.Truncate(time.Microsecond), To: until}
	for _, name := range d.Streams {
		switch what, id, _ := strings.Cut(name, ":"); what {
		case "mould":
			p.Moulds = append(p.Moulds, id)
		case "lane":
			p.Lanes = append(p.Lanes, id)
		}
	}
	return []store.HoldPredicate{p}, nil
}

// riskUntil is the line time, exclusive, at which a fault's panels end; zero while it goes on.
func (s *Server) riskUntil(ctx context.Context, g *store.Signal) (time.Time, error) {
	var until time.Time
	after := func(t time.Time) time.Time { return t.Truncate(time.Microsecond).Add(time.Microsecond) }
	switch d := g.Diagnosis; {
	case g.Lasts():
	case d != nil && !d.Returned.IsZero():
		until = after(d.Returned)
	default:
		until = after(g.Over())
	}
	if g.State == store.SignalClosed {
		log, err := s.store.SignalLog(ctx, s.site, g.ID)
		if err != nil {
			return until, err
		}
		for i := len(log) - 1; i >= 0; i-- {
			if e := log[i]; e.State == store.SignalClosed && e.By != "" {
				end := e.FixedFrom
				if end.IsZero() {
					end = e.Known // whoever closed it took it to be over
				}
				if until.IsZero() || end.Before(until) {
					until = end
				}
				break
			}
		}
	}
	return until, nil
}

// gaugeRisks are what a gauge measured since the last good check before a fault began.
func (s *Server) gaugeRisks(ctx context.Context, g *store.Signal, gauge string, until time.Time) ([]store.HoldPredicate, error) {
	began := g.At
	if d := g.Diagnosis; d != nil {
		began = d.EarliestMeasured
		if began.IsZero() {
			began = d.Earliest
		}
	}
	good, err := s.store.GaugeAtRisk(ctx, s.site, gauge, began)
	if err != nil {
		return nil, err
	}
	if good.IsZero() {
		good = began.Add(-time.Microsecond)
	}
	firsts, err := s.store.MeasuredFrom(ctx, s.site, gauge, good)
	if err != nil {
		return nil, err
	}
	var out []store.HoldPredicate
	for _, f := range firsts {
		if g.Press != "" && f.Press != g.Press {
			continue
		}
		p := store.HoldPredicate{Press: f.Press, Gauges: []string{gauge}, From: f.LineAt}
		if g.Press != "" { // else until is by the gauge's clock, and what it measured then may be pressed earlier
			p.To = until
		}
		out = append(out, p)
	}
	return out, nil
}

// atRiskJSON is how many panels a fault may concern.
type atRiskJSON struct {
	AsOf  time.Time `json:"as_of"`
	Count int       `json:"count"`
	First string    `json:"first_panel"`
	Last  string    `json:"last_panel"`
	// InLehr of them are pressed and not measured yet, by the clock.
	InLehr int `json:"in_lehr"`
}

// atRisk counts the panels at risk.
func (s *Server) atRisk(ctx context.Context, g *store.Signal) (*atRiskJSON, error) {
	list, err := s.risks(ctx, g)
	if err != nil {
		return nil, err
	}
	// As of the last panel that the charts know: the same set of panels gives the same answer.
	out := &atRiskJSON{AsOf: s.watch.LastAt(g.Press, g.Gauge)}
	for i := range list {
		e, err := s.store.PredicateEnds(ctx, s.site, list[i])
		if err != nil {
			return nil, err
		}
		out.Count += e.Panels
		if out.First == "" {
			out.First = e.First
		}
		if e.Last != "" {
			out.Last = e.Last
		}
		out.InLehr += s.inLehr(&list[i])
	}
	return out, nil
}

// getSignalPanels handles GET /api/v1/signals/{id}/panels?limit=&after=: the panels at risk, in press order, JSON or CSV by Accept, next page
// in Link.
func (s *Server) getSignalPanels(w http.ResponseWriter, r *http.Request) error {
	g, err := s.store.Signal(r.Context(), s.site, chi.URLParam(r, "id"))
	if err != nil {
		return err
	}
	list, err := s.risks(r.Context(), &g)
	if err != nil {
		return err
	}
	q := r.URL.Query()
	limit, err := limitParam(q, 1000, 10_000)
	if err != nil {
		return err
	}
	after, err := uncursor(q.Get("after"))
	if err != nil {
		return err
	}
	type panel struct {
		Press string `json:"press"`
		heldPanelJSON
		Holds []int64 `json:"holds"`
	}
	out := []panel{}
	var next *store.Cursor
	for i := range list {
		p := &list[i]
		ask := store.HoldPanelsQuery{Hold: *p, Limit: limit - len(out)}
		if after != nil {
			if after.Key.Gauge != p.Press { // the press on which the page before ended
				continue
			}
			ask.After = &store.HoldCursor{LineAt: after.Key.LineAt, Panel: after.Key.Panel}
			after = nil
		}
		page, more, err := s.heldList(r, &store.Hold{HoldPredicate: *p}, ask)
		if err != nil {
			return err
		}
		ids := make([]store.PanelID, len(page))
		for k := range page {
			ids[k] = store.PanelID{Press: p.Press, Panel: page[k].Panel}
		}
		holds, err := s.store.HoldsOf(r.Context(), s.site, ids)
		if err != nil {
			return err
		}
		for k := range page {
			one := panel{Press: p.Press, heldPanelJSON: page[k], Holds: []int64{}}
			one.OnHold = false
			for _, h := range holds[ids[k]] {
				one.Holds = append(one.Holds, h.Hold.ID)
				one.OnHold = one.OnHold || h.Bars()
				if one.Decision == nil && h.Decision != nil {
					one.Decision = &decisionJSON{h.Decision.Decision, h.Decision.Reason, h.Decision.By, h.Decision.At}
				}
			}
			out = append(out, one)
		}
		if more != nil {
			next = &store.Cursor{Key: spc.OrderKey{LineAt: more.LineAt, Panel: more.Panel, Gauge: p.Press}}
			break
		}
		if len(out) == limit {
			if i+1 < len(list) {
				next = &store.Cursor{Key: spc.OrderKey{Gauge: list[i+1].Press, LineAt: list[i+1].From.Add(-time.Microsecond)}}
			}
			break
		}
	}
	if next != nil {
		place, err := cursor(next)
		if err != nil {
			return err
		}
		q.Set("after", place)
		w.Header().Set("Link", "<"+r.URL.Path+"?"+q.Encode()+`>; rel="next"`)
	}
	if strings.Contains(r.Header.Get("Accept"), "text/csv") {
		w.Header().Set("Content-Type", "text/csv; charset=utf-8")
		c := csv.NewWriter(w)
		for i := range out {
			if heldCSV(c, out[i].Press, []heldPanelJSON{out[i].heldPanelJSON}, i == 0) != nil {
				return nil
			}
		}
		return nil
	}
	return writeJSON(w, http.StatusOK, map[string]any{"signal": g.ID, "panels": out})
}
