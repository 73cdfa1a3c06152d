package server

import (
	"bytes"
	"encoding/base64"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/go-chi/chi/v5"

	"sagwatch/server/ingest"
	"sagwatch/spc"
	"sagwatch/store"
)

// apiRoutes lists the machine interface beside intake; a token needs the scope read to look and write to change.
func (s *Server) apiRoutes(r chi.Router) {
	r.Group(func(r chi.Router) {
		r.Use(s.machineOrPerson(ScopeRead))
		r.Get("/measurements", s.api(s.getMeasurements))
		r.Get("/measurements/{id}", s.api(s.getMeasurement))
		r.Get("/panels/{press}/{serial}", s.api(s.getPanel))
		r.Get("/conflicts", s.api(s.getConflicts))
		r.Get("/charts", s.api(s.getCharts))
		r.Get("/charts/{id}/points", s.api(s.getPoints))
		r.Get("/charts/{id}/limits", s.api(s.getLimits))
		r.Get("/signals", s.api(s.getSignals))
		r.Get("/signals/{id}", s.api(s.getSignal))
		r.Get("/events", s.api(s.getEvents))
		for _, kind := range definitionKinds {
			r.Get("/"+kind.plural, s.api(s.getDefinitions(kind)))
			r.Get("/"+kind.plural+"/{id}", s.api(s.getDefinition(kind)))
		}
	})
	r.Group(func(r chi.Router) {
		r.Use(s.machineOrPerson(ScopeWrite))
		r.Post("/measurements/{id}/corrections", s.api(s.postCorrection))
		r.Post("/measurements/{id}/void", s.api(s.postVoid))
		r.Post("/conflicts/{id}", s.api(s.postConflict))
		r.Post("/charts/{id}/limits", s.api(s.postLimits))
		r.Post("/signals/{id}/acknowledge", s.api(s.postAcknowledge))
		r.Post("/signals/{id}/close", s.api(s.postClose))
		r.Post("/events", s.api(s.postEvent))
		r.Post("/exclusions", s.api(s.postExclusion))
		for _, kind := range definitionKinds {
			r.Put("/"+kind.plural+"/{id}", s.api(s.putDefinition(kind)))
		}
	})
}

// measurementJSON is a stored measurement as the machine interface shows it.
type measurementJSON struct {
	ID int64 `json:"id"`
	ingest.Message
	LineAt        time.Time           `json:"line_at"`
	LineEstimated bool                `json:"line_estimated,omitempty"`
	Casting       string              `json:"casting,omitempty"`
	Counted       bool                `json:"counted"`
	State         string              `json:"state"`
	Revision      int                 `json:"revision"`
	CorrectionOf  int64               `json:"correction_of,omitempty"`
	StoredAt      time.Time           `json:"stored_at"`
	Source        string              `json:"source"`
	Computed      map[string]*float64 `json:"computed"`
	Verdict       spc.Verdict         `json:"verdict"`
	Reasons       []string            `json:"reasons,omitempty"`
	Items         []spc.Item          `json:"items,omitempty"`
	SuspectPlaces []int               `json:"suspect_places,omitempty"`
	FaultyProbes  []int               `json:"faulty_probes,omitempty"`
}

func asJSON(r *store.Row) measurementJSON {
	m := measurementJSON{ID: r.ID, Message: ingest.FromMeasurement(&r.Measurement), LineAt: r.LineAt, LineEstimated: r.LineEstimated,
		Casting: r.Casting, Counted: r.Counted, State: r.State, Revision: r.Revision, CorrectionOf: r.CorrectionOf, StoredAt: r.StoredAt,
		Source: r.Source, Computed: map[string]*float64{}, Verdict: r.Result.Verdict, Reasons: r.Result.Reasons, Items: r.Result.Items,
		SuspectPlaces: r.Result.SuspectPlaces, FaultyProbes: r.Result.FaultyProbes}
	for c := range spc.NumComputed {
		if v, ok := r.Result.Values.Get(c); ok {
			m.Computed[c.String()] = &v
		}
	}
	return m
}

// timeParam reads an RFC 3339 query parameter; the zero time when it is absent.
func timeParam(q url.Values, name string) (time.Time, error) {
	v := q.Get(name)
	if v == "" {
		return time.Time{}, nil
	}
	t, err := time.Parse(time.RFC3339Nano, v)
	if err != nil {
		return t, badInput(name, "%s=%.60q is not an RFC 3339 time such as 2026-03-02T06:00:00Z.", name, v)
	}
	return t.UTC(), nil
}

func limitParam(q url.Values, usual, most int) (int, error) {
	v := q.Get("limit")
	if v == "" {
		return usual, nil
	}
	n, err := strconv.Atoi(v)
	if err != nil || n < 1 || n > most {
		return 0, badInput("limit", "limit=%.20q is not a whole number from 1 to %d.", v, most)
	}
	return n, nil
}

func span(q url.Values) (from, to time.Time, err error) {
	if from, err = timeParam(q, "from"); err != nil {
		return from, to, err
	}
	to, err = timeParam(q, "to")
	return from, to, err
}

func idParam(r *http.Request) (int64, error) {
	id, err := strconv.ParseInt(chi.URLParam(r, "id"), 10, 64)
	if err != nil || id < 1 {
		return 0, notFound("There is no measurement %.40q: an id is a whole number.", chi.URLParam(r, "id"))
	}
	return id, nil
}

// cursor and uncursor turn a place in a list into a parameter that a client sends back unread.
func cursor(c *store.Cursor) (string, error) {
	b, err := json.Marshal(c)
	return base64.RawURLEncoding.EncodeToString(b), err
}

func uncursor(s string) (*store.Cursor, error) {
	if s == "" {
		return nil, nil
	}
	b, err := base64.RawURLEncoding.DecodeString(s)
	c := new(store.Cursor)
	if err == nil {
		err = json.Unmarshal(b, c)
	}
	if err != nil {
		return nil, badInput("after", "after=%.40q is not a place that this service gave; take it from the Link header.", s)
	}
	return c, nil
}

// getMeasurements handles GET /api/v1/measurements: JSON, NDJSON or CSV by Accept, next page in Link.
func (s *Server) getMeasurements(w http.ResponseWriter, r *http.Request) error {
	q := r.URL.Query()
	f := store.MeasurementFilter{Press: q.Get("press"), Mould: q.Get("mould"), Panel: q.Get("panel"), Gauge: q.Get("gauge"), Product: q.Get("product"),
		Purpose: spc.Purpose(q.Get("purpose"))}
	var err error
	if f.From, f.To, err = span(q); err != nil {
		return err
	}
	if f.Limit, err = limitParam(q, 100, 10_000); err != nil {
		return err
	}
	if f.After, err = uncursor(q.Get("after")); err != nil {
		return err
	}
	rows, next, err := s.store.Measurements(r.Context(), s.site, f)
	if err != nil {
		return err
	}
	if next != nil {
		place, err := cursor(next)
		if err != nil {
			return err
		}
		q.Set("after", place)
		w.Header().Set("Link", "<"+r.URL.Path+"?"+q.Encode()+`>; rel="next"`)
	}
	switch accept := r.Header.Get("Accept"); {
	case strings.Contains(accept, "application/x-ndjson"):
		w.Header().Set("Content-Type", "application/x-ndjson")
		enc := json.NewEncoder(w)
		for i := range rows {
			if enc.Encode(asJSON(&rows[i])) != nil {
				return nil // the client has gone
			}
		}
		return nil
	case strings.Contains(accept, "text/csv"):
		return measurementsCSV(w, rows)
	}
	list := make([]measurementJSON, len(rows))
	for i := range rows {
		list[i] = asJSON(&rows[i])
	}
	return writeJSON(w, http.StatusOK, map[string]any{"measurements": list})
}

// measurementsCSV writes a fixed set of columns, then the readings.
func measurementsCSV(w http.ResponseWriter, rows []store.Row) error {
	w.Header().Set("Content-Type", "text/csv; charset=utf-8")
	out := csv.NewWriter(w)
	head := []string{"id", "gauge", "panel", "measured_at", "press", "product", "mould", "lane", "cycle", "pressed_at", "series", "sequence", "purpose", "line_at", "verdict"}
	most := 0
	for i := range rows {
		most = max(most, len(rows[i].Readings))
	}
	for c := range spc.NumComputed {
		head = append(head, c.String())
	}
	for i := range most {
		head = append(head, fmt.Sprintf("r%d", i+1))
	}
	if out.Write(head) != nil {
		return nil
	}
	count := func(v int64) string {
		if v < 0 {
			return ""
		}
		return strconv.FormatInt(v, 10)
	}
	when := func(t time.Time) string {
		if t.IsZero() {
			return ""
		}
		return t.UTC().Format(time.RFC3339Nano)
	}
	for i := range rows {
		m := &rows[i]
		line := []string{strconv.FormatInt(m.ID, 10), m.Gauge, m.Panel, when(m.MeasuredAt), m.Press, m.Product, m.Mould, m.Lane, count(m.Cycle),
			when(m.PressedAt), m.Series, count(m.Sequence), string(m.Purpose), when(m.LineAt), string(m.Result.Verdict)}
		for c := range spc.NumComputed {
			v, ok := m.Result.Values.Get(c)
			line = append(line, number(v, ok))
		}
		for j := range most {
			v := math.NaN()
			if j < len(m.Readings) {
				v = m.Readings[j]
			}
			line = append(line, number(v, !math.IsNaN(v)))
		}
		if out.Write(line) != nil {
			return nil
		}
	}
	out.Flush()
	return nil
}

func number(v float64, ok bool) string {
	if !ok {
		return ""
	}
	return strconv.FormatFloat(v, 'g', -1, 64)
}

// getMeasurement handles GET /api/v1/measurements/{id}.
func (s *Server) getMeasurement(w http.ResponseWriter, r *http.Request) error {
	id, err := idParam(r)
	if err != nil {
		return err
	}
	row, err := s.store.Measurement(r.Context(), s.site, id)
	if err != nil {
		return err
	}
	return writeJSON(w, http.StatusOK, asJSON(&row))
}

// getPanel handles GET /api/v1/panels/{press}/{serial}: every measurement, those replaced and void included.
func (s *Server) getPanel(w http.ResponseWriter, r *http.Request) error {
	press, serial := chi.URLParam(r, "press"), chi.URLParam(r, "serial")
	rows, err := s.store.Panel(r.Context(), s.site, press, serial)
	if err != nil {
		return err
	}
	if len(rows) == 0 {
		return notFound("There is no panel %s of press %s.", serial, press)
	}
	list := make([]measurementJSON, len(rows))
	for i := range rows {
		list[i] = asJSON(&rows[i])
	}
	return writeJSON(w, http.StatusOK, map[string]any{"press": press, "panel": serial, "verdict": PanelVerdict(rows, s.kindOf), "measurements": list})
}

// kindOf finds a gauge's kind at a time.
func (s *Server) kindOf(gauge string, at time.Time) spc.GaugeKind {
	g, _ := s.catalogue.Load().Gauge(gauge, at)
	if g == nil {
		return ""
	}
	return g.Kind
}

// PanelVerdict combines the latest valid measurement of each gauge kind: any that does not conform decides, then any that
// is undecided; one that was not judged says nothing beside others.
func PanelVerdict(rows []store.Row, kindOf func(string, time.Time) spc.GaugeKind) spc.Verdict {
	latest := map[spc.GaugeKind]*store.Row{}
	for i := range rows {
		m := &rows[i]
		if m.State != store.Current || m.Purpose != spc.Production && m.Purpose != spc.Recheck {
			continue
		}
		kind := kindOf(m.Gauge, m.MeasuredAt)
		if was := latest[kind]; was == nil || m.MeasuredAt.After(was.MeasuredAt) || m.MeasuredAt.Equal(was.MeasuredAt) && m.ID > was.ID {
			latest[kind] = m
		}
	}
	worst := spc.NotJudged
	for _, m := range latest {
		switch m.Result.Verdict {
		case spc.DoesNotConform:
			return spc.DoesNotConform
		case spc.Undecided:
			worst = spc.Undecided
		case spc.Conforms:
			if worst == spc.NotJudged {
				worst = spc.Conforms
			}
		}
	}
	return worst
}

// body decodes a small JSON object strictly.
func body(r *http.Request, into any) error {
	if media := r.Header.Get("Content-Type"); !strings.HasPrefix(media, "application/json") {
		return &Trouble{Status: http.StatusUnsupportedMediaType, Type: ingest.TypeMedia, Say: fmt.Sprintf("Content-Type %q is not taken; send application/json.", media)}
	}
	data, err := io.ReadAll(io.LimitReader(r.Body, oneObject+1))
	if err != nil {
		return &Trouble{Status: http.StatusBadRequest, Type: ingest.TypeMalformed, Say: "The body broke off.", Err: err}
	}
	if len(data) > oneObject {
		return &Trouble{Status: http.StatusRequestEntityTooLarge, Type: ingest.TypeTooLarge, Say: "The body may have 1 MiB."}
	}
	d := json.NewDecoder(bytes.NewReader(data))
	d.DisallowUnknownFields()
	if err := d.Decode(into); err != nil {
		return &Trouble{Status: http.StatusBadRequest, Type: ingest.TypeMalformed, Say: "The body can't be read: " + strings.TrimPrefix(err.Error(), "json: ") + "."}
	}
	if d.More() {
		return &Trouble{Status: http.StatusBadRequest, Type: ingest.TypeMalformed, Say: "Something follows the JSON object."}
	}
	return nil
}

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
	row, res, err := s.correct(r, id, func(m *ingest.Message) error { return ingest.Overlay(in.Fields, m) }, in.Reason)
	if err != nil {
		return err
	}
	_ = row
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
		out[i] = entry{c.ID, c.Existing, c.ReceivedAt, c.Source, c.Resolution, asJSON(c.Row)}
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

// orEmpty makes an empty list of a nil one, so that machines always find a list.
func orEmpty[T any](list []T) []T {
	if list == nil {
		return []T{}
	}
	return list
}
