package server

import (
	"context"
	"net/http"
	"net/url"
	"slices"
	"time"

	"github.com/go-chi/chi/v5"

	"sagwatch/server/plant"
	"sagwatch/server/present"
	"sagwatch/spc"
	"sagwatch/store"
	"sagwatch/web/ui"
)

// showPanel handles GET /panels/{press}/{serial}.
func (s *Server) showPanel(w http.ResponseWriter, r *http.Request) error {
	press, serial := pathParam(r, "press"), pathParam(r, "serial")
	ctx := r.Context()
	rows, err := s.store.Panel(ctx, s.site, press, serial)
	if err != nil {
		return err
	}
	if len(rows) == 0 {
		t := notFound("There is no panel %.64s of press %.64s.", serial, press)
		t.Do = "The list of panels finds it by the first characters of its serial."
		return t
	}
	d := present.PanelData{Press: press, Serial: serial, Rows: rows, Verdict: PanelVerdict(rows, s.kindOf), Valid: latestOfKinds(rows, s.kindOf), Kinds: map[int64]spc.GaugeKind{}}
	for i := range rows {
		d.Kinds[rows[i].ID] = s.kindOf(rows[i].Gauge, rows[i].MeasuredAt)
		if rows[i].Counted && rows[i].State == store.Current && d.Kinds[rows[i].ID] != spc.Dimensions {
			d.Counted = rows[i].ID
		}
	}
	for _, m := range d.Valid {
		if d.Shown == nil || d.Kinds[d.Shown.ID] == spc.Dimensions {
			d.Shown = m
		}
	}
	if d.Shown != nil {
		if err := s.panelThen(&d); err != nil {
			return err
		}
		if err := s.panelAround(ctx, &d); err != nil {
			return err
		}
	}
	id := store.PanelID{Press: press, Panel: serial}
	holds, err := s.store.HoldsOf(ctx, s.site, []store.PanelID{id})
	if err != nil {
		return err
	}
	d.Holds = holds[id]
	if d.Changes, err = s.store.Changes(ctx, s.site, press, serial); err != nil {
		return err
	}
	open, err := s.store.Conflicts(ctx, s.site, true)
	if err != nil {
		return err
	}
	ids := make([]int64, len(rows))
	for i := range rows {
		ids[i] = rows[i].ID
	}
	for _, c := range open {
		if slices.Contains(ids, c.Existing) {
			d.Conflicts = append(d.Conflicts, c)
		}
	}
	exclusions, err := s.store.Exclusions(ctx, s.site)
	if err != nil {
		return err
	}
	for _, e := range exclusions {
		if slices.Contains(ids, e.Measurement) {
			d.Exclusions = append(d.Exclusions, e)
		}
	}
	if d.Doubt, err = s.store.Doubtful(ctx, s.site, rows); err != nil {
		return err
	}
	u := who(ctx)
	d.MayCorrect, d.MayVoid = u.May(mayMeasure), u.May(mayVoid)
	f := s.frame(r, "Panel "+serial, ui.AtPanels)
	f.Plots, f.Live = true, "/live?"+url.Values{"press": {press}}.Encode()
	return s.render(w, r, http.StatusOK, present.Panel(s.view(r), f, d).Page())
}

// pathParam is a part of the address as it was before it was escaped.
func pathParam(r *http.Request, name string) string {
	raw := chi.URLParam(r, name)
	if text, err := url.PathUnescape(raw); err == nil && r.URL.RawPath != "" {
		return text
	}
	return raw
}

// panelThen finds the definitions by which the panel was judged and works its places out anew.
func (s *Server) panelThen(d *present.PanelData) error {
	c, m := s.catalogue.Load(), d.Shown
	d.Product, _ = c.Product(m.Product, m.MeasuredAt)
	d.Gauge, _ = c.Gauge(m.Gauge, m.MeasuredAt)
	d.PressDef, _ = c.Press(m.Press, m.MeasuredAt)
	defined := func(kind, id string, number int) present.Defined {
		for _, r := range c.Revisions {
			if r.Kind == kind && r.ID == id && r.Number == number {
				return present.Defined{Number: number, Since: r.EffectiveFrom, By: r.By}
			}
		}
		return present.Defined{Number: number}
	}
	d.ProductRev, d.GaugeRev = defined(plant.KindProduct, m.Product, m.ProductRev), defined(plant.KindGauge, m.Gauge, m.GaugeRev)
	if d.Kinds[m.ID] == spc.Dimensions {
		return nil
	}
	res, plan, err := s.ingest.PlacesOf(m)
	if err != nil {
		return err
	}
	d.Places, d.XY, d.Words, d.Basis = &res, plan.Places(), plan.Words, plan.Basis()
	return nil
}

const (
	// amongBefore and amongAfter are how much of its mould's chart stands round a panel.
	amongBefore = 2 * time.Hour
	amongAfter  = time.Hour
	// masterNear is how far from a panel a check of the master still says something of it.
	masterNear = 24 * time.Hour
)

// panelAround reads what happened round the panel: the chart of its mould, and the master checks before and after it.
func (s *Server) panelAround(ctx context.Context, d *present.PanelData) error {
	m := d.Shown
	if m.Mould != "" && m.Press != "" {
		for _, c := range s.charts() {
			if c.Press != m.Press || c.Product != m.Product || c.Characteristic != spc.RadiusMM.String() || c.Kind != spc.Individuals || c.By != "mould" || d.Chart.ID != "" && !c.Standard {
				continue
			}
			d.Chart = c
		}
	}
	if d.Chart.ID != "" {
		d.AmongFrom, d.AmongTo = m.LineAt.Add(-amongBefore), m.LineAt.Add(amongAfter)
		if last := s.watch.LastAt(m.Press, ""); last.Before(d.AmongTo) && last.After(m.LineAt) {
			d.AmongTo = last.Add(time.Minute)
		} else if !last.After(m.LineAt) {
			d.AmongTo = m.LineAt.Add(time.Minute)
		}
		stream := "mould:" + m.Mould
		var err error
		if d.Among, err = s.points(ctx, d.Chart, stream, d.AmongFrom, d.AmongTo); err != nil {
			return err
		}
		logged, err := s.store.LimitsLog(ctx, s.site, d.Chart.ID, time.Time{})
		if err != nil {
			return err
		}
		d.AmongLog = present.DecodeLimits(logged, stream)
	}
	if d.Gauge == nil || len(d.Gauge.Masters) == 0 {
		return nil
	}
	return s.store.MasterChecks(ctx, s.site, store.MasterQuery{Gauge: m.Gauge, From: m.MeasuredAt.Add(-masterNear), To: m.MeasuredAt.Add(masterNear)}, func(o *store.Obs) error {
		one := *o
		if !one.Key.LineAt.After(m.MeasuredAt) {
			d.MasterBefore = &one
		} else if d.MasterAfter == nil {
			d.MasterAfter = &one
		}
		return nil
	})
}
