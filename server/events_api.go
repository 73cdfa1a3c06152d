package server

import (
	"net/http"
	"slices"
	"strings"
	"time"

	"sagwatch/spc"
	"sagwatch/store"
)

// getEvents handles GET /api/v1/events?press=&gauge=&from=&to=.
func (s *Server) getEvents(w http.ResponseWriter, r *http.Request) error {
	q := r.URL.Query()
	from, to, err := span(q)
	if err != nil {
		return err
	}
	events, err := s.store.Events(r.Context(), s.site, store.EventFilter{Press: q.Get("press"), Gauge: q.Get("gauge"), From: from, To: to})
	if err != nil {
		return err
	}
	return writeJSON(w, http.StatusOK, map[string]any{"events": orEmpty(events)})
}

// eventKinds are what may happen to a press or a gauge.
var eventKinds = []string{"mould-change", "plunger-change", "product-change", "stop", "start", "gauge-service", "note"}

// postEvent handles POST /api/v1/events.
func (s *Server) postEvent(w http.ResponseWriter, r *http.Request) error {
	var e struct {
		Press, Gauge, Kind, Mould, Text string
		At                              time.Time
	}
	if err := body(r, &e); err != nil {
		return err
	}
	c := s.catalogue.Load()
	switch {
	case (e.Press == "") == (e.Gauge == ""):
		return badInput("press", "An event names one press or one gauge.")
	case !slices.Contains(eventKinds, e.Kind):
		return badInput("kind", "kind %q is not known; use %s.", e.Kind, strings.Join(eventKinds, ", "))
	case e.At.IsZero():
		return badInput("at", "at is missing: when it happened, RFC 3339.")
	}
	if e.Press != "" {
		p, _ := c.Press(e.Press, e.At)
		switch {
		case p == nil:
			return badInput("press", "press %q is not defined.", e.Press)
		case e.Kind == "mould-change" && !slices.Contains(p.Moulds, e.Mould):
			return badInput("mould", "A mould-change names a mould of the press; %q is none.", e.Mould)
		}
	} else if g, _ := c.Gauge(e.Gauge, e.At); g == nil {
		return badInput("gauge", "gauge %q is not defined.", e.Gauge)
	}
	out := spc.Event{Press: e.Press, Gauge: e.Gauge, Kind: e.Kind, At: e.At.UTC().Truncate(time.Microsecond), Mould: e.Mould, Text: e.Text, By: source(r.Context())}
	id, err := s.store.AddEvent(r.Context(), s.site, out)
	if err != nil {
		return err
	}
	out.ID = id
	return writeJSON(w, http.StatusOK, out)
}

// postExclusion handles POST /api/v1/exclusions: {measurement, reason}: its points stay on the chart and leave limits and rules.
func (s *Server) postExclusion(w http.ResponseWriter, r *http.Request) error {
	var in struct {
		Measurement int64  `json:"measurement"`
		Reason      string `json:"reason"`
	}
	if err := body(r, &in); err != nil {
		return err
	}
	if strings.TrimSpace(in.Reason) == "" {
		return badInput("reason", "Leaving a point out needs its reason.")
	}
	e := spc.Exclusion{Measurement: in.Measurement, Reason: in.Reason, By: source(r.Context())}
	if err := s.store.AddExclusion(r.Context(), s.site, e); err != nil {
		return err
	}
	return writeJSON(w, http.StatusOK, e)
}
