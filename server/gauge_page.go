package server

import (
	"net/http"
	"net/url"
	"strings"

	"github.com/go-chi/chi/v5"

	"sagwatch/server/present"
	"sagwatch/spc"
	"sagwatch/store"
	"sagwatch/web/ui"
)

// beforeShown is how many panels before the latest one the gauge's page lists.
const beforeShown = 6

// showGauges handles GET /gauge: at which gauge do you stand?
func (s *Server) showGauges(w http.ResponseWriter, r *http.Request) error {
	gauges, err := s.gaugesFacts(r.Context())
	if err != nil {
		return err
	}
	m := present.GaugePicker(gauges, s.now())
	m.Frame = s.frame(r, "Gauges", ui.AtGauge)
	return s.render(w, r, http.StatusOK, m.Page())
}

// gaugeOf finds the gauge of a page's address, as it is defined now.
func (s *Server) gaugeOf(r *http.Request) (*spc.Gauge, error) {
	id, err := url.PathUnescape(chi.URLParam(r, "id"))
	if err != nil {
		return nil, notFound("There is no gauge under this address.")
	}
	g, _ := s.catalogue.Load().Gauge(id, s.cfg.Now())
	if g == nil || g.Retired {
		return nil, &Trouble{Status: http.StatusNotFound, Say: "There is no gauge " + id + ".", Do: "The list of gauges stands under Gauge."}
	}
	return g, nil
}

// glassCaution is shown where a page sends somebody to the glass.
const glassCaution = "Panels are heavy, hot well past the lehr, and their pressed edges cut: eye, hand and forearm protection."

// showGauge handles GET /gauge/{id}?panel=: the latest measurement of the gauge, or that of a serial that was scanned.
func (s *Server) showGauge(w http.ResponseWriter, r *http.Request) error {
	g, err := s.gaugeOf(r)
	if err != nil {
		return err
	}
	f := s.frame(r, "Gauge "+g.ID, ui.AtGauge)
	f.Live, f.Plots, f.Gauge, f.At, f.Caution = "/live?gauge="+url.QueryEscape(g.ID), true, true, "gauge "+g.ID, glassCaution
	u := who(r.Context())
	facts := present.GaugePageFacts{Now: s.now(), Lengths: f.Lengths, Asked: strings.TrimSpace(r.URL.Query().Get("panel")),
		MayKeyIn: u.May(mayMeasure), MayOthers: u.May(mayMeasure)}
	facts.Def, facts.Shifts, facts.Zone = g, s.catalogue.Load().Site(s.site).Shifts, s.zone()
	if facts.Doubtful, err = s.doubtful(r.Context(), g.ID); err != nil {
		return err
	}
	if err := s.gaugeFacts(r, &facts); err != nil {
		return err
	}
	m := present.Gauge(facts)
	m.Frame = f
	switch r.URL.Query().Get("stored") {
	case "new":
		m.Frame.Said = "The readings of panel " + facts.Asked + " are stored."
	case "already":
		m.Frame.Said = "The same readings of panel " + facts.Asked + " were stored already; nothing was changed."
	}
	return s.render(w, r, http.StatusOK, m.Page())
}

func (s *Server) gaugeFacts(r *http.Request, f *present.GaugePageFacts) error {
	ctx := r.Context()
	rows, err := s.store.LatestPanels(ctx, s.site, "", f.Def.ID, beforeShown+1)
	if err != nil {
		return err
	}
	if f.Master, err = s.lastMaster(ctx, f.Def); err != nil {
		return err
	}
	if len(rows) > 0 {
		f.Last, f.Shown = &rows[0], &rows[0]
	}
	if f.Asked != "" {
		found, err := s.onGauge(r, f.Def.ID, f.Asked)
		if err != nil {
			return err
		}
		if found != nil {
			f.Shown, f.Found = found, true
			f.Newer = f.Last != nil && f.Last.ID != found.ID
		}
	}
	if f.Shown == nil {
		return nil
	}
	for _, row := range rows {
		if row.ID != f.Shown.ID && !row.MeasuredAt.After(f.Shown.MeasuredAt) && len(f.Before) < beforeShown {
			f.Before = append(f.Before, row)
		}
	}
	again, _, err := s.store.Measurements(ctx, s.site, store.MeasurementFilter{Gauge: f.Def.ID, Panel: f.Shown.Panel, Press: f.Shown.Press})
	if err != nil {
		return err
	}
	for i := range again {
		if !again[i].MeasuredAt.After(f.Shown.MeasuredAt) && again[i].Purpose != spc.Study {
			f.Readings++
		}
	}
	if f.Held, err = s.heldPanels(ctx, append([]store.Row{*f.Shown}, f.Before...)); err != nil {
		return err
	}
	f.Product, _ = s.catalogue.Load().Product(f.Shown.Product, f.Shown.MeasuredAt)
	if f.Def.Kind != spc.Dimensions {
		res, plan, err := s.ingest.PlacesOf(f.Shown)
		if err != nil {
			s.log.Warn("the places of a panel cannot be drawn", "gauge", f.Def.ID, "measurement", f.Shown.ID, "error", err)
			return nil // the verdict stands without its picture
		}
		f.Places, f.Plan = &res, plan
	}
	return nil
}

// onGauge finds the latest measurement of a panel on a gauge; nil when there is none.
func (s *Server) onGauge(r *http.Request, gauge, panel string) (*store.Row, error) {
	rows, _, err := s.store.Measurements(r.Context(), s.site, store.MeasurementFilter{Gauge: gauge, Panel: panel, Descending: true})
	if err != nil || len(rows) == 0 {
		return nil, err
	}
	latest := &rows[0]
	for i := range rows {
		if rows[i].MeasuredAt.After(latest.MeasuredAt) {
			latest = &rows[i]
		}
	}
	return latest, nil
}
