package server

import (
	"context"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/go-chi/chi/v5"

	"sagwatch/spc"
	"sagwatch/store"
)

// signalJSON is a signal as the machine interface shows it.
type signalJSON struct {
	ID       string         `json:"id"`
	Press    *string        `json:"press"`
	Gauge    *string        `json:"gauge"`
	Product  string         `json:"product,omitempty"`
	Chart    string         `json:"chart"`
	Rule     string         `json:"rule"`
	Words    string         `json:"words"`
	Panel    string         `json:"panel"`
	At       time.Time      `json:"at"`
	Streams  []string       `json:"streams"`
	Stream   string         `json:"stream"`
	Evidence []evidenceJSON `json:"evidence"`
	Value    float64        `json:"value"`
	Limits   spc.Limits     `json:"limits"`
	LastAt   time.Time      `json:"last_at"`

	Kind            string     `json:"kind"`
	KindProbability float64    `json:"kind_probability"`
	Extent          string     `json:"extent"`
	ExtentShare     float64    `json:"extent_share"`
	Change          string     `json:"change"`
	Characteristic  string     `json:"characteristic,omitempty"`
	Size            *float64   `json:"size"` // in the characteristic's unit, with its standard error
	SizeSE          *float64   `json:"size_se"`
	BeganAt         time.Time  `json:"began_at"`
	BeganPanel      string     `json:"began_panel"`
	BeganEarliest   time.Time  `json:"began_earliest"` // 99 % set
	BeganLatest     time.Time  `json:"began_latest"`
	EndedAt         *time.Time `json:"ended_at"`
	// Diagnosis is the whole of it: all that was weighed, the panels and checks behind it.
	Diagnosis *spc.Diagnosis `json:"diagnosis"`
	AtRisk    *atRiskJSON    `json:"at_risk"`

	State    string    `json:"state"`
	Reopened bool      `json:"reopened"`
	Known    time.Time `json:"known_at"`
}

type evidenceJSON struct {
	Chart  string    `json:"chart"`
	Stream string    `json:"stream"`
	Rule   string    `json:"rule"`
	Words  string    `json:"words"`
	Panels []string  `json:"panels"`
	At     time.Time `json:"at"`
}

func signalOf(g *store.Signal) signalJSON {
	word := func(s string) *string {
		if s == "" {
			return nil
		}
		return &s
	}
	_, last := g.Span()
	out := signalJSON{ID: g.ID, Press: word(g.Press), Gauge: word(g.Gauge), Product: g.Product, Chart: g.Chart, Rule: g.Rule, Words: g.Words, Panel: g.Panel,
		At: g.At, Streams: []string{g.Stream}, Stream: g.Stream, Evidence: []evidenceJSON{}, Value: g.Value, Limits: g.Limits, LastAt: last,
		Kind: spc.KindUndetermined, BeganAt: g.At, BeganPanel: g.Panel, BeganEarliest: g.At, BeganLatest: g.At,
		State: g.State, Reopened: g.Reopened, Known: g.Known}
	for _, f := range g.Findings() {
		for _, e := range f.Evidence {
			out.Evidence = append(out.Evidence, evidenceJSON{f.Chart, f.Stream, e.Rule, e.Words, e.Panels, e.At})
		}
	}
	if d := g.Diagnosis; d != nil {
		out.Kind, out.KindProbability, out.Extent, out.ExtentShare, out.Change, out.Characteristic = d.Kind, d.KindProbability, d.Extent, d.ExtentShare, d.Change, d.Characteristic
		out.BeganAt, out.BeganPanel, out.BeganEarliest, out.BeganLatest, out.Diagnosis = d.Began, d.BeganPanel, d.Earliest, d.Latest, d
		if d.SizeSE > 0 {
			out.Size, out.SizeSE = &d.Size, &d.SizeSE
		}
		if len(d.Streams) > 0 {
			out.Streams, out.Stream = d.Streams, d.Streams[0]
		}
		if d.Kind == spc.KindGauge && out.Gauge == nil {
			out.Gauge = word(d.Gauge)
		}
	}
	if !g.Lasts() {
		out.EndedAt = &last
	}
	return out
}

// withRisk adds how many panels are at risk.
func (s *Server) withRisk(ctx context.Context, g *store.Signal) (signalJSON, error) {
	out := signalOf(g)
	var err error
	if g.State != store.SignalWithdrawn {
		out.AtRisk, err = s.atRisk(ctx, g)
	}
	return out, err
}

var signalStates = []string{store.SignalOpen, store.SignalAcknowledged, store.SignalClosed, store.SignalWithdrawn}

// getSignals handles GET /api/v1/signals?state=&press=&from=&limit=.
func (s *Server) getSignals(w http.ResponseWriter, r *http.Request) error {
	q := r.URL.Query()
	f := store.SignalFilter{Press: q.Get("press"), Gauge: q.Get("gauge"), Chart: q.Get("chart")}
	if state := q.Get("state"); state != "" {
		f.States = strings.Split(state, ",")
		for _, one := range f.States {
			if !slices.Contains(signalStates, one) {
				return badInput("state", "state %q is not known; use %s.", one, strings.Join(signalStates, ", "))
			}
		}
	}
	var err error
	if f.From, f.To, err = span(q); err != nil {
		return err
	}
	if f.Limit, err = limitParam(q, 100, 1000); err != nil {
		return err
	}
	list, err := s.store.Signals(r.Context(), s.site, f)
	if err != nil {
		return err
	}
	out := make([]signalJSON, len(list))
	for i := range list {
		if out[i], err = s.withRisk(r.Context(), &list[i]); err != nil {
			return err
		}
	}
	return writeJSON(w, http.StatusOK, map[string]any{"signals": out})
}

// getSignal handles GET /api/v1/signals/{id}: the signal and its log, as it was known.
func (s *Server) getSignal(w http.ResponseWriter, r *http.Request) error {
	id := chi.URLParam(r, "id")
	g, err := s.store.Signal(r.Context(), s.site, id)
	if err != nil {
		return err
	}
	log, err := s.store.SignalLog(r.Context(), s.site, id)
	if err != nil {
		return err
	}
	type entry struct {
		Known    time.Time `json:"known_at"`
		State    string    `json:"state"`
		By       string    `json:"by,omitempty"`
		Note     string    `json:"note,omitempty"`
		Cause    string    `json:"cause,omitempty"`
		CauseID  string    `json:"cause_id,omitempty"`
		Action   string    `json:"action,omitempty"`
		ActionID string    `json:"action_id,omitempty"`
		Panels   []string  `json:"panels,omitempty"`
	}
	entries := []entry{}
	for _, e := range log {
		entries = append(entries, entry{e.Known, e.State, e.By, e.Note, e.Cause, e.CauseID, e.Action, e.ActionID, e.Panels})
	}
	shown, err := s.withRisk(r.Context(), &g)
	if err != nil {
		return err
	}
	return writeJSON(w, http.StatusOK, struct {
		signalJSON
		Log []entry `json:"log"`
	}{shown, entries})
}

// postAcknowledge handles POST /api/v1/signals/{id}/acknowledge: {note}.
func (s *Server) postAcknowledge(w http.ResponseWriter, r *http.Request) error {
	var in struct {
		Note string `json:"note"`
	}
	if err := body(r, &in); err != nil {
		return err
	}
	return s.changeSignal(w, r, store.SignalChange{State: store.SignalAcknowledged, Note: in.Note})
}

// postClose handles POST /api/v1/signals/{id}/close: {cause, action, note, fixed_from}. Cause and action are each an id or a name on
// the plant's lists; what is on no list is kept in its own words and counts as another cause.
func (s *Server) postClose(w http.ResponseWriter, r *http.Request) error {
	var in struct {
		Cause     string    `json:"cause"`
		Action    string    `json:"action"`
		Note      string    `json:"note"`
		FixedFrom time.Time `json:"fixed_from"`
	}
	if err := body(r, &in); err != nil {
		return err
	}
	c := store.SignalChange{State: store.SignalClosed, Note: in.Note, FixedFrom: in.FixedFrom}
	if err := s.namedCause(&c, in.Cause, in.Action); err != nil {
		return err
	}
	return s.changeSignal(w, r, c)
}

func (s *Server) changeSignal(w http.ResponseWriter, r *http.Request, c store.SignalChange) error {
	id := chi.URLParam(r, "id")
	c.By = source(r.Context())
	was, err := s.store.Signal(r.Context(), s.site, id)
	if err != nil {
		return err
	} else if !c.FixedFrom.IsZero() && !c.FixedFrom.After(was.At) {
		return badInput("fixed_from", "fixed_from %s is not after the signal, which began at %s.",
			c.FixedFrom.UTC().Format(time.RFC3339), was.At.UTC().Format(time.RFC3339))
	}
	if err := s.change(r.Context(), &was, c); err != nil {
		return err
	}
	g, err := s.store.Signal(r.Context(), s.site, id)
	if err != nil {
		return err
	}
	shown, err := s.withRisk(r.Context(), &g)
	if err != nil {
		return err
	}
	return writeJSON(w, http.StatusOK, shown)
}

// change does to a signal what a person wants; closing keeps how many panels were at risk.
func (s *Server) change(ctx context.Context, was *store.Signal, c store.SignalChange) error {
	if c.State == store.SignalClosed {
		risk, err := s.atRisk(ctx, was)
		if err != nil {
			return err
		}
		n := int64(risk.Count)
		c.AtRisk = &n
	}
	return s.store.ChangeSignal(ctx, s.site, was.ID, c)
}
