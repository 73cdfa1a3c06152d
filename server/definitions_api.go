package server

import (
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"time"

	"github.com/go-chi/chi/v5"

	"sagwatch/server/ingest"
	"sagwatch/server/plant"
	"sagwatch/server/setup"
	"sagwatch/spc"
	"sagwatch/spc/judge"
	"sagwatch/store"
)

// definitionKind is one kind of set-up object with its path.
type definitionKind struct{ kind, plural string }

var definitionKinds = []definitionKind{{plant.KindProduct, "products"}, {plant.KindPress, "presses"}, {plant.KindGauge, "gauges"}, {plant.KindChart, "chart-definitions"},
	{plant.KindCause, "causes"}, {plant.KindAction, "actions"}}

// revisionJSON is one revision of an object.
type revisionJSON struct {
	ID            string          `json:"id"`
	Revision      int             `json:"revision"`
	EffectiveFrom time.Time       `json:"effective_from"`
	Reason        string          `json:"reason"`
	By            string          `json:"by"`
	At            time.Time       `json:"at"`
	Definition    json.RawMessage `json:"definition"`
}

func revisionOf(r plant.Revision) revisionJSON {
	return revisionJSON{r.ID, r.Number, r.EffectiveFrom, r.Reason, r.By, r.At, r.Body}
}

// getDefinitions handles GET /api/v1/products and alike: the latest revision of each.
func (s *Server) getDefinitions(k definitionKind) func(http.ResponseWriter, *http.Request) error {
	return func(w http.ResponseWriter, _ *http.Request) error {
		c := s.catalogue.Load()
		out := []revisionJSON{}
		for _, id := range listedDefinitions(c, k.kind) {
			latest, _ := c.Latest(k.kind, id)
			out = append(out, revisionOf(latest))
		}
		return writeJSON(w, http.StatusOK, map[string]any{k.plural: out})
	}
}

// getDefinition handles GET /api/v1/products/{id} and alike: all revisions, oldest first.
func (s *Server) getDefinition(k definitionKind) func(http.ResponseWriter, *http.Request) error {
	return func(w http.ResponseWriter, r *http.Request) error {
		id := chi.URLParam(r, "id")
		out := []revisionJSON{}
		for _, rev := range s.catalogue.Load().Revisions {
			if rev.Kind == k.kind && rev.ID == id {
				out = append(out, revisionOf(rev))
			}
		}
		if len(out) == 0 {
			r, ok := s.catalogue.Load().Latest(k.kind, id) // one that comes with the program
			if !ok {
				return notFound("There is no %s %q.", k.kind, id)
			}
			out = append(out, revisionOf(r))
		}
		return writeJSON(w, http.StatusOK, map[string]any{"revisions": out})
	}
}

// putDefinition handles PUT /api/v1/products/{id} and alike: the object as in the set-up file, with ?reason= and
// ?effective_from=. It goes through the same reader and checks.
func (s *Server) putDefinition(k definitionKind) func(http.ResponseWriter, *http.Request) error {
	return func(w http.ResponseWriter, r *http.Request) error {
		id := chi.URLParam(r, "id")
		data, err := io.ReadAll(io.LimitReader(r.Body, oneObject))
		if err != nil {
			return &Trouble{Status: http.StatusBadRequest, Type: ingest.TypeMalformed, Say: "The body broke off.", Err: err}
		}
		list := k.plural
		if k.kind == plant.KindChart {
			list = "charts"
		}
		file := append(append([]byte(`{"`+list+`": [`), data...), ']', '}')
		effective, err := timeParam(r.URL.Query(), "effective_from")
		if err != nil {
			return err
		}
		if effective.IsZero() {
			effective = micro(s.cfg.Now())
		}
		changes, err := s.checked(file, s.catalogue.Load(), effective)
		if err != nil {
			return definitionRefused(err)
		}
		reason := r.URL.Query().Get("reason")
		if reason == "" {
			return badInput("reason", "A change to a definition needs its reason: add ?reason=.")
		}
		for _, ch := range changes {
			if ch.ID != id {
				return badInput("id", "The object's id %q is not the address's %q.", ch.ID, id)
			}
		}
		if err := s.define(r, changes, reason, effective); err != nil {
			return err
		}
		return s.getDefinition(k)(w, r)
	}
}

// checked reads a set-up file, checks it against what else is defined, and finds what it would change. Problems name what is wrong.
func (s *Server) checked(file []byte, c *plant.Catalogue, effective time.Time) ([]setup.Change, error) {
	p, err := setup.Read(file)
	if err != nil {
		return nil, err
	}
	if err := p.Check(c); err != nil {
		return nil, err
	}
	if err := CheckPairs(p.Gauges, p.Products); err != nil {
		return nil, err
	}
	return p.ChangesAt(s.site, c, effective)
}

// define stores what a set-up file changes, and works with it from then on.
func (s *Server) define(r *http.Request, changes []setup.Change, reason string, effective time.Time) error {
	if len(changes) == 0 {
		return nil
	}
	defs := make([]store.Definition, len(changes))
	for i, ch := range changes {
		defs[i] = store.Definition{Kind: ch.Kind, ID: ch.ID, EffectiveFrom: effective, Body: ch.Body, Retired: ch.Retired(), Reason: reason, By: source(r.Context())}
	}
	if err := s.store.AddDefinitions(r.Context(), s.site, defs); err != nil {
		return err
	}
	return s.loadDefinitions(r.Context())
}

func definitionRefused(err error) error {
	var p setup.Problems
	if errors.As(err, &p) {
		return badInput(p[0].Path, "%s", p.Error())
	}
	return &Trouble{Status: http.StatusBadRequest, Type: ingest.TypeMalformed, Say: err.Error()}
}

// CheckPairs compiles each gauge with each product that it has a master of, so that a place outside the contour is found when
// the plant is defined and not at the first panel.
func CheckPairs(gauges []spc.Gauge, products []spc.Product) error {
	var problems setup.Problems
	for _, g := range gauges {
		if g.Kind == spc.Dimensions {
			continue
		}
		for _, m := range g.Masters {
			for _, p := range products {
				if p.ID != m.Product || p.Contour == nil {
					continue
				}
				if _, err := judge.Compile(g, p); err != nil {
					problems = append(problems, setup.Problem{Line: 1, Path: "gauge " + g.ID, Text: "can't measure product " + p.ID + ": " + err.Error()})
				}
			}
		}
	}
	if len(problems) > 0 {
		return problems
	}
	return nil
}
