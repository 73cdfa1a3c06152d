package server

import (
	"context"
	"encoding/base64"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/go-chi/chi/v5"

	"sagwatch/server/ingest"
	"sagwatch/spc"
	"sagwatch/store"
)

// measurementJSON is a stored measurement as the machine interface shows it.
type measurementJSON struct {
	ID int64 `json:"id,omitzero"` // absent, like state and stored_at, of a content that is not stored
	ingest.Message
	LineAt        time.Time           `json:"line_at"`
	LineEstimated bool                `json:"line_estimated,omitempty"`
	Casting       string              `json:"casting,omitempty"`
	Counted       bool                `json:"counted"`
	State         string              `json:"state,omitzero"`
	Revision      int                 `json:"revision"`
	CorrectionOf  int64               `json:"correction_of,omitempty"`
	StoredAt      time.Time           `json:"stored_at,omitzero"`
	Source        string              `json:"source"`
	Computed      map[string]*float64 `json:"computed"`
	Verdict       spc.Verdict         `json:"verdict"`
	Reasons       []string            `json:"reasons,omitempty"`
	Items         []spc.Item          `json:"items,omitempty"`
	SuspectPlaces []int               `json:"suspect_places,omitempty"`
	FaultyProbes  []int               `json:"faulty_probes,omitempty"`
	OnHold        bool                `json:"on_hold,omitempty"` // its panel is not good, whatever the verdict says
	Holds         []ingest.HoldNote   `json:"holds,omitempty"`
	// Doubtful: a check of the gauge's master failed, and nobody has decided about what it measured.
	Doubtful bool `json:"doubtful,omitempty"`
}

// withHolds adds to measurements that their panels are on hold.
func (s *Server) withHolds(ctx context.Context, rows []store.Row) ([]measurementJSON, error) {
	held, err := s.heldPanels(ctx, rows)
	if err != nil {
		return nil, err
	}
	doubt, err := s.store.Doubtful(ctx, s.site, rows)
	if err != nil {
		return nil, err
	}
	out := make([]measurementJSON, len(rows))
	for i := range rows {
		out[i] = asJSON(&rows[i])
		out[i].Doubtful = doubt[rows[i].ID] != store.NoDoubt
		hs := held[store.PanelID{Press: rows[i].Press, Panel: rows[i].Panel}]
		out[i].OnHold, out[i].Holds = len(hs) > 0, heldNotes(hs)
	}
	return out, nil
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
	list, err := s.withHolds(r.Context(), rows)
	if err != nil {
		return err
	}
	switch accept := r.Header.Get("Accept"); {
	case strings.Contains(accept, "application/x-ndjson"):
		w.Header().Set("Content-Type", "application/x-ndjson")
		enc := json.NewEncoder(w)
		for i := range list {
			if enc.Encode(list[i]) != nil {
				return nil // the client has gone
			}
		}
		return nil
	case strings.Contains(accept, "text/csv"):
		return measurementsCSV(w, rows, list)
	}
	return writeJSON(w, http.StatusOK, map[string]any{"measurements": list})
}

// measurementsCSV writes a fixed set of columns, then characteristics and readings: sagwatch import reads it back.
func measurementsCSV(w http.ResponseWriter, rows []store.Row, held []measurementJSON) error {
	w.Header().Set("Content-Type", "text/csv; charset=utf-8")
	out := csv.NewWriter(w)
	head := []string{"id", "gauge", "panel", "measured_at", "press", "product", "mould", "lane", "cycle", "pressed_at", "series", "sequence", "purpose", "line_at", "verdict", "on_hold"}
	most := 0
	names := map[string]bool{}
	for i := range rows {
		most = max(most, len(rows[i].Readings))
		for name := range rows[i].Characteristics {
			names[name] = true
		}
	}
	own := slices.Sorted(maps.Keys(names))
	for c := range spc.NumComputed {
		head = append(head, c.String())
	}
	for _, name := range own {
		head = append(head, "c."+name)
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
			when(m.PressedAt), m.Series, count(m.Sequence), string(m.Purpose), when(m.LineAt), string(m.Result.Verdict), strconv.FormatBool(held[i].OnHold)}
		for c := range spc.NumComputed {
			v, ok := m.Result.Values.Get(c)
			line = append(line, number(v, ok))
		}
		for _, name := range own {
			v, ok := m.Characteristics[name]
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
	list, err := s.withHolds(r.Context(), []store.Row{row})
	if err != nil {
		return err
	}
	return writeJSON(w, http.StatusOK, list[0])
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
	list, err := s.withHolds(r.Context(), rows)
	if err != nil {
		return err
	}
	return writeJSON(w, http.StatusOK, map[string]any{"press": press, "panel": serial, "verdict": PanelVerdict(rows, s.kindOf), "on_hold": list[0].OnHold,
		"holds": orEmpty(list[0].Holds), "measurements": list})
}

// kindOf finds a gauge's kind at a time.
func (s *Server) kindOf(gauge string, at time.Time) spc.GaugeKind {
	g, _ := s.catalogue.Load().Gauge(gauge, at)
	if g == nil {
		return ""
	}
	return g.Kind
}

// latestOfKinds finds the latest valid measurement of each gauge kind, in line order.
func latestOfKinds(rows []store.Row, kindOf func(string, time.Time) spc.GaugeKind) []*store.Row {
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
	var out []*store.Row
	for i := range rows {
		if latest[kindOf(rows[i].Gauge, rows[i].MeasuredAt)] == &rows[i] {
			out = append(out, &rows[i])
		}
	}
	return out
}

// PanelVerdict combines the latest valid measurement of each gauge kind: any that does not conform decides, then any that
// is undecided; one that was not judged says nothing beside others.
func PanelVerdict(rows []store.Row, kindOf func(string, time.Time) spc.GaugeKind) spc.Verdict {
	worst := spc.NotJudged
	for _, m := range latestOfKinds(rows, kindOf) {
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
