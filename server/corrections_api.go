package server

import (
	"encoding/json"
	"errors"
	"net/http"
	"slices"
	"strings"
	"time"

	"sagwatch/server/ingest"
	"sagwatch/store"
)

// postCorrection handles POST /api/v1/measurements/{id}/corrections: {fields, reason}.
func (s *Server) postCorrection(w http.ResponseWriter, r *http.Request) error {
	id, err := idParam(r)
	if err != nil {
		return err
	}
	var in struct {
		Fields json.RawMessage `json:"fields"`
		Reason string          `json:"reason"`
	}
	if err := body(r, &in); err != nil {
		return err
	}
	_, res, err := s.correct(r, id, func(m *ingest.Message) error { return ingest.Overlay(in.Fields, m) }, in.Reason)
	if err != nil {
		return err
	}
	return writeJSON(w, http.StatusOK, res)
}

// correct replaces a stored measurement: edit changes what was sent, everything is checked and worked out anew, and the
// original stays to be seen.
func (s *Server) correct(r *http.Request, id int64, edit func(*ingest.Message) error, reason string) (*store.Row, ingest.Result, error) {
	if strings.TrimSpace(reason) == "" {
		return nil, ingest.Result{}, badInput("reason", "A correction needs its reason.")
	}
	was, err := s.store.Measurement(r.Context(), s.site, id)
	if err != nil {
		return nil, ingest.Result{}, err
	}
	m := ingest.FromMeasurement(&was.Measurement)
	if err := edit(&m); err != nil {
		return nil, ingest.Result{}, decodeProblem(err)
	}
	row, p := s.ingest.Prepare(&m, source(r.Context()))
	if p != nil {
		return nil, ingest.Result{}, p
	}
	if row.ContentHash == ingest.ContentHash(&was.Measurement) {
		return nil, ingest.Result{}, badInput("fields", "The correction changes nothing.")
	}
	if row.Gauge != was.Gauge || row.Series != was.Series || row.Sequence != was.Sequence {
		return nil, ingest.Result{}, badInput("fields", "Gauge, series and sequence identify the measurement and can't be corrected; void it and send it anew.")
	}
	o, err := s.store.Correct(r.Context(), s.site, id, row, reason, source(r.Context()))
	if err != nil {
		return nil, ingest.Result{}, err
	}
	return row, ingest.Judged("stored", o.ID, row.Panel, &row.Result), nil
}

// postVoid handles POST /api/v1/measurements/{id}/void: {reason}.
func (s *Server) postVoid(w http.ResponseWriter, r *http.Request) error {
	id, err := idParam(r)
	if err != nil {
		return err
	}
	var in struct {
		Reason string `json:"reason"`
	}
	if err := body(r, &in); err != nil {
		return err
	}
	if strings.TrimSpace(in.Reason) == "" {
		return badInput("reason", "Voiding a measurement needs its reason.")
	}
	if err := s.store.Void(r.Context(), s.site, id, in.Reason, source(r.Context())); err != nil {
		return err
	}
	return writeJSON(w, http.StatusOK, map[string]any{"id": id, "state": store.Voided})
}

// getConflicts handles GET /api/v1/conflicts?state=open.
func (s *Server) getConflicts(w http.ResponseWriter, r *http.Request) error {
	list, err := s.store.Conflicts(r.Context(), s.site, r.URL.Query().Get("state") == "open")
	if err != nil {
		return err
	}
	type entry struct {
		ID         int64           `json:"id"`
		Existing   int64           `json:"existing"`
		Received   time.Time       `json:"received_at"`
		Source     string          `json:"source"`
		Resolution string          `json:"resolution,omitempty"`
		Content    measurementJSON `json:"measurement"`
	}
	out := make([]entry, len(list))
	for i, c := range list {
		content := asJSON(c.Row)
		content.State = ""
		out[i] = entry{c.ID, c.Existing, c.ReceivedAt, c.Source, c.Resolution, content}
	}
	return writeJSON(w, http.StatusOK, map[string]any{"conflicts": out})
}

// postConflict handles POST /api/v1/conflicts/{id}: {action: correction|new-series|drop, series, reason}.
func (s *Server) postConflict(w http.ResponseWriter, r *http.Request) error {
	id, err := idParam(r)
	if err != nil {
		return err
	}
	var in struct {
		Action, Series, Reason string
	}
	if err := body(r, &in); err != nil {
		return err
	}
	if err := s.resolve(r, id, in.Action, in.Series, in.Reason); err != nil {
		return err
	}
	return writeJSON(w, http.StatusOK, map[string]any{"id": id, "resolution": in.Action})
}

// resolve settles a conflict.
func (s *Server) resolve(r *http.Request, id int64, action, series, reason string) error {
	if strings.TrimSpace(reason) == "" {
		return badInput("reason", "Resolving a conflict needs its reason.")
	}
	if !slices.Contains([]string{store.AcceptAsCorrection, store.AcceptAsNewSeries, store.Drop}, action) {
		return badInput("action", "action %q is not known; use correction, new-series or drop.", action)
	}
	if action == store.AcceptAsNewSeries && series == "" {
		return badInput("series", "A new series needs its name.")
	}
	res := store.Resolution{Action: action, Series: series, Reason: reason, By: source(r.Context())}
	if action != store.Drop {
		// What is accepted is judged by the definitions of its time, as if it came now; a new series is part of the content.
		c, err := s.store.ConflictByID(r.Context(), s.site, id)
		if err != nil {
			return err
		}
		m := ingest.FromMeasurement(&c.Row.Measurement)
		if action == store.AcceptAsNewSeries {
			if m.Sequence == nil {
				return badInput("action", "This measurement has no sequence, so its panel and time identify it whatever its series; accept it as a correction or drop it.")
			}
			m.Series = &series
		}
		row, p := s.ingest.Prepare(&m, c.Source)
		if p != nil {
			return p
		}
		res.Row = row
	}
	_, err := s.store.ResolveConflict(r.Context(), s.site, id, res)
	if errors.Is(err, store.ErrExists) {
		return badInput("series", "In series %q the sequence is taken too; name another.", series)
	}
	return err
}
