package server

import (
	"errors"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/go-chi/chi/v5"

	"sagwatch/server/plant"
	"sagwatch/spc"
	"sagwatch/store"
)

// findingOf says what is known of a signal when its cause is looked for.
func findingOf(g *store.Signal, c spc.Chart) plant.Finding {
	f := plant.Finding{Characteristic: c.Characteristic}
	if d := g.Diagnosis; d != nil {
		f.Extent, f.Change = d.Extent, d.Change
		if d.Kind != spc.KindUndetermined {
			f.Kind = d.Kind
		}
		if d.Characteristic != "" {
			f.Characteristic = d.Characteristic
		}
		return f
	}
	switch kind, _, _ := strings.Cut(g.Stream, ":"); {
	case kind == "probe":
		f.Kind, f.Extent = "gauge", "one-probe"
	case g.Press == "" && g.Gauge != "": // charts of the master panel
		f.Kind, f.Extent = "gauge", "whole-gauge"
	case kind == "lane":
		f.Extent = "one-lane"
	case kind == "mould":
		f.Extent = "one-stream"
	}
	return f
}

// suggested puts the causes in the order in which they are worth looking at for a signal.
func (s *Server) suggested(g *store.Signal) []plant.Suggestion {
	c, err := s.chart(g.Chart)
	if err != nil {
		c = spc.Chart{} // no longer in use: its characteristic is not known
	}
	return s.catalogue.Load().Suggest(findingOf(g, c))
}

// beginPlan begins the plan of a cause on a signal, as the plan is now.
func (s *Server) beginPlan(r *http.Request, signal, cause string) error {
	c, revision := s.catalogue.Load().Cause(cause)
	switch {
	case c == nil || c.Retired:
		return badInput("cause", "%s", notListed("cause", cause, s.causeNames()))
	case strings.TrimSpace(strings.Join(c.Plan, "")) == "":
		return badInput("cause", "The cause %q has no plan.", c.Name)
	}
	err := s.store.BeginPlan(r.Context(), s.site, store.Plan{Signal: signal, Cause: c.ID, Revision: revision, Name: c.Name, Steps: c.Plan, By: source(r.Context())})
	switch {
	case errors.Is(err, store.ErrExists):
		return &Trouble{Status: http.StatusConflict, Say: "This plan was begun on this signal already; its steps stand as they were then.", Err: err}
	case errors.Is(err, store.ErrConflict):
		return stands(err)
	}
	return err
}

func stands(err error) *Trouble {
	return &Trouble{Status: http.StatusConflict, Say: "The signal is closed or withdrawn: its plans stand as they are.", Err: err}
}

// markStep acknowledges a step, or takes that back.
func (s *Server) markStep(r *http.Request, signal, cause string, e store.StepEntry) error {
	g, err := s.store.Signal(r.Context(), s.site, signal)
	if err != nil {
		return err
	}
	e.By = source(r.Context())
	if e.Note = strings.TrimSpace(e.Note); len([]rune(e.Note)) > longestNote {
		return badInput("note", "A note may have %d characters; this one has %d.", longestNote, len([]rune(e.Note)))
	}
	err = s.store.MarkStep(r.Context(), s.site, signal, cause, e)
	switch {
	case errors.Is(err, store.ErrConflict) && g.State != store.SignalOpen && g.State != store.SignalAcknowledged:
		return stands(err)
	case errors.Is(err, store.ErrConflict) && e.Done:
		return &Trouble{Status: http.StatusConflict, Say: "Somebody has acknowledged this step already; nothing was stored.", Err: err}
	case errors.Is(err, store.ErrConflict):
		return &Trouble{Status: http.StatusConflict, Say: "This step does not stand as done; there is nothing to take back.", Err: err}
	case errors.Is(err, store.ErrNotFound):
		return notFound("The plan of %q was not begun on this signal.", cause)
	case errors.Is(err, store.ErrInvalid):
		return badInput("step", "The plan has no step %d.", e.Step)
	}
	return err
}

const longestNote = 2000

// causeNames and actionNames list what is in use, by id and name, for choices and refusals.
func (s *Server) causeNames() (out [][2]string) {
	for _, c := range s.catalogue.Load().Causes() {
		if !c.Retired {
			out = append(out, [2]string{c.ID, c.Name})
		}
	}
	return out
}

func (s *Server) actionNames() (out [][2]string) {
	for _, a := range s.catalogue.Load().Actions() {
		if !a.Retired {
			out = append(out, [2]string{a.ID, a.Name})
		}
	}
	return out
}

// notListed says what stands on a list, to somebody who wanted something else.
func notListed(what, given string, names [][2]string) string {
	ids := make([]string, len(names))
	for i, n := range names {
		ids[i] = n[0]
	}
	say := "The " + what + " is missing"
	if given != "" {
		say = "\"" + cut(given, 40) + "\" is no " + what + " on the plant's list"
	}
	return say + "; use one of " + strings.Join(ids, ", ") + "."
}

// onList finds what was meant by an id or a name; what is on no list is kept in its own words under spc.OtherCause.
func onList(given string, names [][2]string) (id, words string) {
	given = strings.TrimSpace(given)
	for _, n := range names {
		if given == n[0] || strings.EqualFold(given, n[1]) {
			return n[0], n[1]
		}
	}
	rest, ok := strings.CutPrefix(given, spc.OtherCause+":")
	if ok {
		given = strings.TrimSpace(rest)
	}
	return spc.OtherCause, given
}

// namedCause turns a cause and an action, by id, by name or in other words, into the closing of a signal. Both are needed.
func (s *Server) namedCause(c *store.SignalChange, cause, action string) error {
	causes, actions := s.causeNames(), s.actionNames()
	c.CauseID, c.Cause = onList(cause, causes)
	c.ActionID, c.Action = onList(action, actions)
	switch {
	case c.Cause == "" || c.Cause == spc.OtherCause:
		return badInput("cause", "%s Or write what it was in your own words.", notListed("cause", "", causes))
	case c.Action == "" || c.Action == spc.OtherCause:
		return badInput("action", "%s Or write what was done in your own words.", notListed("action", "", actions))
	case len([]rune(c.Cause)) > longestNote || len([]rune(c.Action)) > longestNote:
		return badInput("cause", "Cause and action may have %d characters each; put the rest into the note.", longestNote)
	}
	return nil
}

type stepJSON struct {
	Step int        `json:"step"`
	Text string     `json:"text"`
	Done bool       `json:"done"`
	By   string     `json:"by,omitempty"`
	At   *time.Time `json:"at,omitempty"`
	Note string     `json:"note,omitempty"`
}

type stepEntryJSON struct {
	Step int       `json:"step"`
	Done bool      `json:"done"`
	Note string    `json:"note,omitempty"`
	By   string    `json:"by"`
	At   time.Time `json:"at"`
}

type planJSON struct {
	Cause    string          `json:"cause"`
	Name     string          `json:"name"`
	Revision int             `json:"revision"`
	By       string          `json:"begun_by"`
	At       time.Time       `json:"begun_at"`
	Done     int             `json:"done"`
	Steps    []stepJSON      `json:"steps"`
	Log      []stepEntryJSON `json:"log"`
}

func planOf(p *store.Plan) planJSON {
	out := planJSON{Cause: p.Cause, Name: p.Name, Revision: p.Revision, By: p.By, At: p.At, Done: p.Done(), Steps: []stepJSON{}, Log: []stepEntryJSON{}}
	for i, text := range p.Steps {
		step := stepJSON{Step: i + 1, Text: text}
		if e, ok := p.Standing(i + 1); ok {
			step.Done, step.By, step.At, step.Note = e.Done, e.By, &e.At, e.Note
		}
		out.Steps = append(out.Steps, step)
	}
	for _, e := range p.Log {
		out.Log = append(out.Log, stepEntryJSON(e))
	}
	return out
}

// getPlans handles GET /api/v1/signals/{id}/plans: those begun, and the causes in the order in which they are worth looking at.
func (s *Server) getPlans(w http.ResponseWriter, r *http.Request) error {
	return s.writePlans(w, r, http.StatusOK)
}

func (s *Server) writePlans(w http.ResponseWriter, r *http.Request, status int) error {
	id := chi.URLParam(r, "id")
	g, err := s.store.Signal(r.Context(), s.site, id)
	if err != nil {
		return err
	}
	plans, err := s.store.Plans(r.Context(), s.site, id)
	if err != nil {
		return err
	}
	type suggestion struct {
		Cause  string   `json:"cause"`
		Name   string   `json:"name"`
		Agrees []string `json:"agrees"`
	}
	out := struct {
		Plans  []planJSON   `json:"plans"`
		Causes []suggestion `json:"causes"`
	}{[]planJSON{}, []suggestion{}}
	for i := range plans {
		out.Plans = append(out.Plans, planOf(&plans[i]))
	}
	for _, x := range s.suggested(&g) {
		out.Causes = append(out.Causes, suggestion{x.Cause.ID, x.Cause.Name, orEmpty(x.Agrees)})
	}
	return writeJSON(w, status, out)
}

// postPlan handles POST /api/v1/signals/{id}/plans: {cause}.
func (s *Server) postPlan(w http.ResponseWriter, r *http.Request) error {
	var in struct {
		Cause string `json:"cause"`
	}
	if err := body(r, &in); err != nil {
		return err
	}
	if id, words := onList(in.Cause, s.causeNames()); words != "" && id != spc.OtherCause {
		in.Cause = id
	}
	if err := s.beginPlan(r, chi.URLParam(r, "id"), in.Cause); err != nil {
		return err
	}
	return s.writePlans(w, r, http.StatusOK)
}

// postStep handles POST /api/v1/signals/{id}/plans/{cause}/steps: {step, done, note}; done is true where it is left out.
func (s *Server) postStep(w http.ResponseWriter, r *http.Request) error {
	in := struct {
		Step int    `json:"step"`
		Done bool   `json:"done"`
		Note string `json:"note"`
	}{Done: true}
	if err := body(r, &in); err != nil {
		return err
	}
	if err := s.markStep(r, chi.URLParam(r, "id"), chi.URLParam(r, "cause"), store.StepEntry{Step: in.Step, Done: in.Done, Note: in.Note}); err != nil {
		return err
	}
	return s.writePlans(w, r, http.StatusOK)
}

// listedDefinitions are the ids of one kind's objects: what comes with the program, then what is the plant's own.
func listedDefinitions(c *plant.Catalogue, kind string) []string {
	ids := plant.BuiltIn(kind)
	for _, r := range c.Revisions {
		if r.Kind == kind && !slices.Contains(ids, r.ID) {
			ids = append(ids, r.ID)
		}
	}
	return ids
}
