package server

import (
	"errors"
	"net/http"
	"strconv"

	"sagwatch/server/report"
)

// getCapability handles GET /api/v1/capability?press=&product=&mould=&characteristic=&from=&to=&first_panel=&last_panel=&wanted=: the
// figures of a period of line time, or of a lot, with their intervals, methods, formulas, inputs and sources. Nothing is issued.
func (s *Server) getCapability(w http.ResponseWriter, r *http.Request) error {
	v := r.URL.Query()
	from, to, err := span(v)
	if err != nil {
		return err
	}
	q := report.CapabilityQuery{Press: v.Get("press"), Product: v.Get("product"), Moulds: v["mould"], Characteristics: v["characteristic"], FirstPanel: v.Get("first_panel"), LastPanel: v.Get("last_panel")}
	if (from.IsZero() || to.IsZero()) && !q.Lot() {
		return badInput("from", "from and to are missing: the period in RFC 3339 times, to exclusive. Or give a lot by first_panel and last_panel.")
	}
	if x := v.Get("wanted"); x != "" {
		if q.Wanted, err = strconv.ParseFloat(x, 64); err != nil || !(q.Wanted > 0) {
			return badInput("wanted", "wanted=%.20q is not a number above 0.", x)
		}
	}
	c, err := s.asked.Work(r.Context(), s.reportSource(), q, from, to, source(r.Context()), s.cfg.Now())
	var wrong *report.AskError
	if errors.As(err, &wrong) {
		return badInput(wrong.Field, "%s", wrong.Say)
	}
	if err != nil {
		return err
	}
	type ofJSON struct {
		Characteristic string   `json:"characteristic"`
		Unit           string   `json:"unit"`
		Model          string   `json:"model"`
		Stable         bool     `json:"stable"`
		Supported      bool     `json:"supported"` // the figures may be called capability, not performance only
		Refused        string   `json:"refused,omitempty"`
		Against        []string `json:"against"`
	}
	type figureJSON struct {
		ID      string        `json:"id"`
		Name    string        `json:"name"`
		Of      string        `json:"of"`
		Unit    string        `json:"unit"`
		Value   report.Number `json:"value"`
		Lower   report.Number `json:"lower"`
		Upper   report.Number `json:"upper"`
		Level   float64       `json:"level,omitempty"`
		Method  string        `json:"interval_method,omitempty"`
		Formula string        `json:"formula,omitempty"`
		Inputs  string        `json:"inputs,omitempty"`
		Source  string        `json:"source,omitempty"`
		Missing string        `json:"missing,omitempty"`
	}
	out := struct {
		Statement       string       `json:"statement"`
		Panels          int          `json:"panels"`
		Characteristics []ofJSON     `json:"characteristics"`
		Figures         []figureJSON `json:"figures"`
	}{Statement: c.Said().String(), Panels: c.Panels, Characteristics: []ofJSON{}, Figures: []figureJSON{}}
	for _, o := range c.Worked {
		out.Characteristics = append(out.Characteristics, ofJSON{o.Name, o.Unit, string(o.Family), o.Grade.Stable, o.Refused == "" && o.Supported(), o.Refused, orEmpty(o.Against)})
	}
	for _, f := range c.Figures {
		out.Figures = append(out.Figures, figureJSON{f.ID, f.Name, f.Of, f.Unit, f.Value, f.Lower, f.Upper, f.Level, f.Method, f.Formula, f.Inputs, f.Source, f.Missing})
	}
	return writeJSON(w, http.StatusOK, out)
}
