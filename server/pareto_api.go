package server

import (
	"encoding/csv"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"sagwatch/server/present"
	"sagwatch/store"
)

// paretoQuery reads the parameters of a Pareto of the machine interface.
func paretoQuery(r *http.Request) (f store.ParetoFilter, by present.ParetoBy, err error) {
	q := r.URL.Query()
	f = store.ParetoFilter{Press: q.Get("press"), Product: q.Get("product"), Mould: q.Get("mould")}
	if f.From, f.To, err = span(q); err != nil {
		return f, by, err
	}
	if by = present.ParetoBy(q.Get("by")); by == "" {
		by = present.BySignals
	}
	if !slices.Contains(present.ParetoBys, by) {
		return f, by, badInput("by", "by=%.20q is not known; use signals, panels or hours.", by)
	}
	return f, by, nil
}

func wantsCSV(r *http.Request) bool { return strings.Contains(r.Header.Get("Accept"), "text/csv") }

// getParetoCauses handles GET /api/v1/pareto/causes?press=&product=&mould=&from=&to=&by=: what closed signals were closed with, as
// JSON or, by Accept, as CSV.
func (s *Server) getParetoCauses(w http.ResponseWriter, r *http.Request) error {
	f, by, err := paretoQuery(r)
	if err != nil {
		return err
	}
	if wantsCSV(r) {
		return s.causesCSV(w, r, f, by)
	}
	p, err := s.pareto(r, f, by)
	if err != nil {
		return err
	}
	type row struct {
		Cause      string     `json:"cause"` // "" for signals closed without naming one
		Name       string     `json:"name"`
		Words      []string   `json:"words,omitempty"`
		Signals    int        `json:"signals"`
		Interval   [2]float64 `json:"signals_share_interval_95"`
		Panels     *int64     `json:"panels_at_risk"` // null: not counted at any closing
		Counted    int        `json:"panels_counted_signals"`
		Hours      float64    `json:"hours_open"`
		Share      float64    `json:"share"`
		Cumulative float64    `json:"cumulative_share"`
	}
	rows := []row{}
	for _, x := range p.Rows {
		out := row{x.ID, x.Name, x.Words, x.Signals, [2]float64{x.Lower, x.Upper}, nil, x.Counted, x.Hours, x.Share, x.Cumulative}
		if x.Counted > 0 {
			out.Panels = &x.Panels
		}
		rows = append(rows, out)
	}
	return writeJSON(w, http.StatusOK, map[string]any{"by": by, "signals": p.Signals, "enough": p.Signals >= present.ParetoLeast, "causes": rows})
}

func (s *Server) pareto(r *http.Request, f store.ParetoFilter, by present.ParetoBy) (present.Pareto, error) {
	closings, err := s.store.Closings(r.Context(), s.site, f)
	if err != nil {
		return present.Pareto{}, err
	}
	return present.ParetoOf(closings, s.catalogue.Load(), by)
}

func (s *Server) causesCSV(w http.ResponseWriter, r *http.Request, f store.ParetoFilter, by present.ParetoBy) error {
	p, err := s.pareto(r, f, by)
	if err != nil {
		return err
	}
	w.Header().Set("Content-Type", "text/csv; charset=utf-8")
	out := csv.NewWriter(w)
	_ = out.Write([]string{"cause", "name", "signals", "signals_share_lower_95", "signals_share_upper_95", "panels_at_risk", "panels_counted_signals", "hours_open", "share_by_" + string(by), "cumulative_share"})
	for _, x := range p.Rows {
		panels := ""
		if x.Counted > 0 {
			panels = strconv.FormatInt(x.Panels, 10)
		}
		_ = out.Write([]string{x.ID, x.Name, strconv.Itoa(x.Signals), figure(x.Lower), figure(x.Upper), panels, strconv.Itoa(x.Counted), figure(x.Hours), figure(x.Share), figure(x.Cumulative)})
	}
	out.Flush() // the client may have gone
	return nil
}

// getParetoDefects handles GET /api/v1/pareto/defects?press=&product=&mould=&from=&to=: counts of visual findings by kind, as JSON
// or, by Accept, as CSV. Pieces that do not conform and defects on units are ranked apart.
func (s *Server) getParetoDefects(w http.ResponseWriter, r *http.Request) error {
	f, _, err := paretoQuery(r)
	if err != nil {
		return err
	}
	if wantsCSV(r) {
		return s.defectsCSV(w, r, f)
	}
	counts, err := s.store.DefectCounts(r.Context(), s.site, f)
	if err != nil {
		return err
	}
	type row struct {
		Defect     string  `json:"defect"`
		Found      int64   `json:"found"`
		Of         int64   `json:"of"`
		Share      float64 `json:"share"`
		Cumulative float64 `json:"cumulative_share"`
	}
	ranked := func(pieces bool) []row {
		rows := []row{}
		list, _ := present.DefectPareto(counts, pieces)
		for _, x := range list {
			rows = append(rows, row{x.Name, x.Found, x.Of, x.Share, x.Cumulative})
		}
		return rows
	}
	return writeJSON(w, http.StatusOK, map[string]any{"nonconforming": ranked(true), "defects": ranked(false)})
}

func (s *Server) defectsCSV(w http.ResponseWriter, r *http.Request, f store.ParetoFilter) error {
	counts, err := s.store.DefectCounts(r.Context(), s.site, f)
	if err != nil {
		return err
	}
	w.Header().Set("Content-Type", "text/csv; charset=utf-8")
	out := csv.NewWriter(w)
	_ = out.Write([]string{"counted", "defect", "found", "of", "share", "cumulative_share", "measurements"})
	for _, kind := range []struct {
		pieces bool
		name   string
	}{{true, "nonconforming of inspected"}, {false, "defects on units"}} {
		list, _ := present.DefectPareto(counts, kind.pieces)
		for _, x := range list {
			_ = out.Write([]string{kind.name, x.Name, strconv.FormatInt(x.Found, 10), strconv.FormatInt(x.Of, 10), figure(x.Share), figure(x.Cumulative), strconv.FormatInt(x.Measurements, 10)})
		}
	}
	out.Flush() // the client may have gone
	return nil
}
