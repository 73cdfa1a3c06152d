package server

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/go-chi/chi/v5"

	"sagwatch/server/watch"
	"sagwatch/spc"
	"sagwatch/spc/monitor"
)

// charts lists all charts that are in use, by press then gauge.
func (s *Server) charts() []spc.Chart {
	c := s.catalogue.Load()
	var out []spc.Chart
	for _, p := range c.Presses() {
		if !p.Retired {
			out = append(out, watch.Charts(c, p.ID, "")...)
		}
	}
	for _, g := range c.Gauges() {
		if !g.Retired {
			out = append(out, watch.Charts(c, "", g.ID)...)
		}
	}
	return out
}

// chart finds a chart by its id.
func (s *Server) chart(id string) (spc.Chart, error) {
	all := s.charts()
	if i := slices.IndexFunc(all, func(c spc.Chart) bool { return c.ID == id }); i >= 0 {
		return all[i], nil
	}
	return spc.Chart{}, notFound("There is no chart %.80q.", id)
}

// getCharts handles GET /api/v1/charts: definitions with their streams and latest points.
func (s *Server) getCharts(w http.ResponseWriter, _ *http.Request) error {
	type streamJSON struct {
		Stream string `json:"stream"`
		// Last is absent while the first limits are waited for and nothing is plotted before.
		Last *pointJSON `json:"last,omitempty"`
		Have int        `json:"have,omitempty"`
		Need int        `json:"need,omitempty"`
	}
	type chartJSON struct {
		spc.Chart
		WorkedOut bool         `json:"worked_out"`
		Streams   []streamJSON `json:"streams"`
	}
	out := []chartJSON{}
	for _, c := range s.charts() {
		j := chartJSON{Chart: c, WorkedOut: true, Streams: []streamJSON{}}
		for _, l := range s.watch.Streams(c.Press, c.Gauge, c.ID) {
			stream := streamJSON{Stream: l.Stream, Have: l.Point.Have, Need: l.Point.Need}
			if l.Point.N > 0 {
				last := pointOf(l.Point)
				stream.Last = &last
			}
			j.Streams = append(j.Streams, stream)
		}
		out = append(out, j)
	}
	// Charts that are defined but that this release does not work out are named, so that nobody waits for their signals.
	for _, c := range s.catalogue.Load().Charts() {
		if !c.Kind.WorkedOut() && !c.Retired {
			out = append(out, chartJSON{Chart: *c, Streams: []streamJSON{}})
		}
	}
	return writeJSON(w, http.StatusOK, map[string]any{"charts": out})
}

// pointJSON is one point of a chart.
type pointJSON struct {
	Stream      string          `json:"stream"`
	At          time.Time       `json:"at"`
	Panel       string          `json:"panel"`
	Measurement int64           `json:"measurement"`
	Value       float64         `json:"value"`
	MovingRange *float64        `json:"moving_range,omitempty"`
	N           int             `json:"n"`
	Phase       int             `json:"phase"`
	Lower       *float64        `json:"lower"`
	Centre      *float64        `json:"centre"`
	Upper       *float64        `json:"upper"`
	Spread      *float64        `json:"spread,omitempty"` // of a subgroup: its range or standard deviation
	SpreadLower *float64        `json:"spread_lower,omitempty"`
	SpreadUpper *float64        `json:"spread_upper,omitempty"`
	Limits      spc.LimitSource `json:"limits,omitempty"` // provisional | frozen | guard; absent: none yet
	Have        int             `json:"have,omitempty"`
	Need        int             `json:"need,omitempty"`
	Complete    bool            `json:"complete"`
	Open        bool            `json:"open,omitempty"` // a cycle that is not known to be over: judged by nothing
	Rules       []string        `json:"rules,omitempty"`
	Words       []string        `json:"words,omitempty"`
	Excluded    string          `json:"excluded,omitempty"`
}

func pointOf(p monitor.Point) pointJSON {
	when := func(v float64, ok bool) *float64 {
		if !ok {
			return nil
		}
		return &v
	}
	out := pointJSON{Stream: p.Stream, At: p.At, Panel: p.Panel, Measurement: p.Measurement, Value: p.Value, MovingRange: when(p.MR, p.HasMR), N: p.N, Phase: p.Phase,
		Lower: when(p.Limits.Lower, p.Limits.HasLower), Centre: when(p.Limits.Centre, p.Limits.HasCentre), Upper: when(p.Limits.Upper, p.Limits.HasUpper),
		Limits: p.Source, Have: p.Have, Need: p.Need, Complete: p.Complete, Open: p.Hollow, Excluded: p.Excluded}
	if s := p.Spread; s != nil {
		out.Spread, out.SpreadLower, out.SpreadUpper = &s.Value, when(s.Limits.Lower, s.Limits.HasLower), when(s.Limits.Upper, s.Limits.HasUpper)
	}
	for _, h := range p.Hits {
		out.Rules = append(out.Rules, h.Rule)
		out.Words = append(out.Words, h.Words)
	}
	return out
}

// longestPoints bounds one answer; a longer time is asked for in parts.
const longestPoints = 32 * 24 * time.Hour

// getPoints handles GET /api/v1/charts/{id}/points?stream=&from=&to= (line time; default: the last day).
func (s *Server) getPoints(w http.ResponseWriter, r *http.Request) error {
	c, err := s.chart(chi.URLParam(r, "id"))
	if err != nil {
		return err
	}
	q := r.URL.Query()
	from, to, err := span(q)
	if err != nil {
		return err
	}
	if to.IsZero() {
		to = s.cfg.Now().Add(time.Hour)
		if last := s.watch.LastAt(c.Press, c.Gauge); from.IsZero() && !last.IsZero() {
			to = last.Add(time.Microsecond)
		}
	}
	if from.IsZero() {
		from = to.Add(-24 * time.Hour)
	}
	if to.Sub(from) > longestPoints {
		return badInput("from", "One answer covers at most 32 days; ask for the rest separately.")
	}
	names := []string{q.Get("stream")}
	if names[0] == "" {
		names = names[:0]
		for _, l := range s.watch.Streams(c.Press, c.Gauge, c.ID) {
			names = append(names, l.Stream)
		}
	}
	out := []pointJSON{}
	for _, name := range names {
		series, err := s.watch.Series(r.Context(), c.Press, c.Gauge, c.ID, name, from, to)
		if err != nil {
			return err
		}
		for _, p := range append(series.Points, series.Pending...) {
			out = append(out, pointOf(p))
		}
	}
	slices.SortStableFunc(out, func(a, b pointJSON) int { return a.At.Compare(b.At) })
	return writeJSON(w, http.StatusOK, map[string]any{"chart": c.ID, "points": out})
}

// getLimits handles GET /api/v1/charts/{id}/limits?as_of=: the limits that came into force, as they were known.
func (s *Server) getLimits(w http.ResponseWriter, r *http.Request) error {
	c, err := s.chart(chi.URLParam(r, "id"))
	if err != nil {
		return err
	}
	asOf, err := timeParam(r.URL.Query(), "as_of")
	if err != nil {
		return err
	}
	logged, err := s.store.LimitsLog(r.Context(), s.site, c.ID, asOf)
	if err != nil {
		return err
	}
	list := make([]json.RawMessage, 0, len(logged))
	for _, l := range logged {
		list = append(list, l.Body)
	}
	posted, err := s.store.PostedLimits(r.Context(), s.site, c.ID)
	if err != nil {
		return err
	}
	return writeJSON(w, http.StatusOK, map[string]any{"chart": c.ID, "limits": list, "posted": orEmpty(posted)})
}

// limitsInput is what POST /api/v1/charts/{id}/limits and the form on the chart's page take.
type limitsInput struct {
	Stream   string `json:"stream"`
	Baseline *struct {
		From time.Time `json:"from"`
		To   time.Time `json:"to"`
	} `json:"baseline"`
	Lower         *float64   `json:"lower"`
	Centre        *float64   `json:"centre"`
	Upper         *float64   `json:"upper"`
	Reason        string     `json:"reason"`
	EffectiveFrom *time.Time `json:"effective_from"`
}

// postLimits handles POST /api/v1/charts/{id}/limits.
func (s *Server) postLimits(w http.ResponseWriter, r *http.Request) error {
	var in limitsInput
	if err := body(r, &in); err != nil {
		return err
	}
	p, err := s.setLimits(r, chi.URLParam(r, "id"), in)
	if err != nil {
		return err
	}
	return writeJSON(w, http.StatusOK, p)
}

// setLimits checks and stores limits: worked out from a baseline, or given.
func (s *Server) setLimits(r *http.Request, id string, in limitsInput) (spc.PostedLimits, error) {
	c, err := s.chart(id)
	if err != nil {
		return spc.PostedLimits{}, err
	}
	given := in.Lower != nil || in.Centre != nil || in.Upper != nil
	switch {
	case strings.TrimSpace(in.Reason) == "":
		return spc.PostedLimits{}, badInput("reason", "New limits need their reason.")
	case given == (in.Baseline != nil):
		return spc.PostedLimits{}, badInput("baseline", "Give either a baseline {from, to} or the limits themselves.")
	case in.Baseline != nil && !in.Baseline.From.Before(in.Baseline.To):
		return spc.PostedLimits{}, badInput("baseline", "The baseline's beginning is not before its end.")
	case given && in.Lower == nil && in.Upper == nil:
		return spc.PostedLimits{}, badInput("upper", "Give at least one of lower and upper.")
	}
	for _, pair := range [][2]*float64{{in.Lower, in.Centre}, {in.Centre, in.Upper}, {in.Lower, in.Upper}} {
		if pair[0] != nil && pair[1] != nil && *pair[0] >= *pair[1] {
			return spc.PostedLimits{}, badInput("lower", "Lower, centre and upper must rise in this order.")
		}
	}
	p := spc.PostedLimits{Chart: c.ID, Stream: in.Stream, Reason: in.Reason, By: source(r.Context())}
	if in.Baseline != nil {
		p.BaselineFrom, p.BaselineTo = micro(in.Baseline.From), micro(in.Baseline.To)
	}
	if given {
		p.Given = givenLimits(in)
	}
	if in.EffectiveFrom != nil {
		p.EffectiveFrom = micro(*in.EffectiveFrom)
	} else {
		// From the next panel on: what is judged already stays as it was judged.
		p.EffectiveFrom = s.watch.LastAt(c.Press, c.Gauge).Add(time.Microsecond)
		if now := micro(s.cfg.Now()); p.EffectiveFrom.Year() < 1900 {
			p.EffectiveFrom = now
		}
	}
	if p.EffectiveFrom.Before(p.BaselineTo) {
		p.EffectiveFrom = p.BaselineTo
	}
	p.At = micro(s.cfg.Now())
	if p.Revision, err = s.store.AddPostedLimits(r.Context(), s.site, p); err != nil {
		return p, err
	}
	return p, nil
}

// micro is the database's resolution of time.
func micro(t time.Time) time.Time { return t.UTC().Truncate(time.Microsecond) }

func givenLimits(in limitsInput) *spc.Limits {
	g := &spc.Limits{}
	if in.Lower != nil {
		g.Lower, g.HasLower = *in.Lower, true
	}
	if in.Upper != nil {
		g.Upper, g.HasUpper = *in.Upper, true
	}
	switch {
	case in.Centre != nil:
		g.Centre, g.HasCentre = *in.Centre, true
	case g.HasLower && g.HasUpper:
		g.Centre, g.HasCentre = (g.Lower+g.Upper)/2, true
	}
	// Zones of run rules are thirds of the limits' distance from the centre.
	switch {
	case g.HasCentre && g.HasUpper:
		g.Sigma = (g.Upper - g.Centre) / 3
	case g.HasCentre && g.HasLower:
		g.Sigma = (g.Centre - g.Lower) / 3
	}
	return g
}

// errors of the watcher as seen by a client.
func unknownFold(err error) error {
	if errors.Is(err, watch.ErrUnknown) {
		return fmt.Errorf("%w: %w", notFound("Nothing is charted there yet."), err)
	}
	return err
}
