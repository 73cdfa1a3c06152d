package server

import (
	"encoding/json"
	"errors"
	"net/http"
	"net/url"
	"regexp"
	"strconv"
	"strings"
	"time"

	"github.com/go-chi/chi/v5"

	"sagwatch/server/plant"
	"sagwatch/server/present"
	"sagwatch/server/setup"
	"sagwatch/spc"
	"sagwatch/store"
	"sagwatch/web/page"
	"sagwatch/web/ui"
)

// planBox makes the part of a signal's page about its reaction plans.
func (s *Server) planBox(r *http.Request, g *store.Signal) (*page.PlanBox, error) {
	plans, err := s.store.Plans(r.Context(), s.site, g.ID)
	if err != nil {
		return nil, err
	}
	return present.PlanBox(s.view(r), present.PlanData{Signal: *g, Plans: plans, Suggested: s.suggested(g), May: who(r.Context()).May(mayPlans)}), nil
}

// closeChoices are the fields with which a signal is closed from its page.
func (s *Server) closeChoices(r *http.Request, g *store.Signal) ([]ui.Input, error) {
	plans, err := s.store.Plans(r.Context(), s.site, g.ID)
	if err != nil {
		return nil, err
	}
	return present.CloseChoices(s.catalogue.Load(), s.suggested(g), plans, r.PostFormValue("cause"), r.PostFormValue("action")), nil
}

// closing reads the form with which a signal is closed from its page; problems name what is missing.
func (s *Server) closing(r *http.Request) (c store.SignalChange, problems ui.Problems) {
	c = store.SignalChange{State: store.SignalClosed, Note: strings.TrimSpace(r.PostFormValue("note"))}
	c.CauseID, c.Cause = onList(r.PostFormValue("cause"), s.causeNames())
	c.ActionID, c.Action = onList(r.PostFormValue("action"), s.actionNames())
	if c.CauseID == spc.OtherCause {
		problems.Items = append(problems.Items, ui.Problem{Field: "cause", Name: "The cause", Text: " is missing: choose one from the plant's list. When nothing was found, there is an entry for that."})
	}
	if c.ActionID == spc.OtherCause {
		problems.Items = append(problems.Items, ui.Problem{Field: "action", Name: "The action", Text: " is missing: choose what was done from the plant's list."})
	}
	if len(problems.Items) > 0 {
		problems.Head = "The signal is not closed yet"
	}
	return c, problems
}

// doPlan handles POST /signals/{id}/plans: cause.
func (s *Server) doPlan(w http.ResponseWriter, r *http.Request) error {
	if err := require(r, mayPlans); err != nil {
		return err
	}
	id := chi.URLParam(r, "id")
	if err := s.beginPlan(r, id, r.PostFormValue("cause")); err != nil {
		return err
	}
	http.Redirect(w, r, present.SignalHref(id)+"#plan", http.StatusSeeOther)
	return nil
}

// doStep handles POST /signals/{id}/steps: step, note.
func (s *Server) doStep(w http.ResponseWriter, r *http.Request) error {
	if err := require(r, mayPlans); err != nil {
		return err
	}
	id := chi.URLParam(r, "id")
	cause, step, done, ok := present.StepValue(r.PostFormValue("step"))
	if !ok { // the form was sent by the enter key, which names no step
		http.Redirect(w, r, present.SignalHref(id)+"#plan", http.StatusSeeOther)
		return nil
	}
	if err := s.markStep(r, id, cause, store.StepEntry{Step: step, Done: done, Note: r.PostFormValue("note")}); err != nil {
		return err
	}
	http.Redirect(w, r, present.SignalHref(id)+"#plan", http.StatusSeeOther)
	return nil
}

// showCauses handles GET /setup/causes.
func (s *Server) showCauses(w http.ResponseWriter, r *http.Request) error {
	d := present.CausesData{Catalogue: s.catalogue.Load(), May: who(r.Context()).May(mayEngineer), Used: map[string]int{}}
	closings, err := s.store.Closings(r.Context(), s.site, store.ParetoFilter{})
	if err != nil {
		return err
	}
	for _, c := range closings {
		d.Used[c.CauseID]++
	}
	return s.render(w, r, http.StatusOK, present.Causes(s.view(r), s.frame(r, "Causes", ui.AtSetUp), d).Page())
}

// showCause handles GET /setup/causes/{id}, and showAction GET /setup/actions/{id}.
func (s *Server) showCause(w http.ResponseWriter, r *http.Request) error {
	return s.renderCause(w, r, http.StatusOK, plant.KindCause, nil, nil)
}

func (s *Server) showAction(w http.ResponseWriter, r *http.Request) error {
	return s.renderCause(w, r, http.StatusOK, plant.KindAction, nil, nil)
}

// renderCause shows one entry of the lists; typed and items are of a form that was not stored.
func (s *Server) renderCause(w http.ResponseWriter, r *http.Request, status int, kind string, typed *present.CauseTyped, items []ui.Problem) error {
	id, c := chi.URLParam(r, "id"), s.catalogue.Load()
	d := present.CauseFormData{Kind: kind, New: id == "", May: who(r.Context()).May(mayEngineer), Wrong: map[string]string{}}
	if d.New {
		if err := require(r, mayEngineer); err != nil {
			return err
		}
	} else if kind == plant.KindCause {
		if d.Cause, _ = c.Cause(id); d.Cause == nil {
			return notFound("There is no cause %q.", cut(id, 64))
		}
		d.Name, d.Typed = d.Cause.Name, present.TypedCause(d.Cause)
	} else {
		a := c.Action(id)
		if a == nil {
			return notFound("There is no action %q.", cut(id, 64))
		}
		d.Name, d.Typed = a.Name, present.CauseTyped{ID: a.ID, Name: a.Name, Retired: a.Retired}
	}
	for _, rev := range c.Revisions {
		if rev.Kind == kind && rev.ID == id {
			d.Revisions = append(d.Revisions, rev)
		}
	}
	if typed != nil {
		d.Typed = *typed
	}
	if len(items) > 0 {
		d.Problems = ui.Problems{Head: "Nothing is changed yet", Items: items}
		for _, it := range items {
			d.Wrong[it.Field] = it.Name + it.Text
		}
	}
	f := s.frame(r, "Causes", ui.AtSetUp)
	if kind == plant.KindCause {
		f.Caution = present.Caution.Danger
	}
	return s.render(w, r, status, present.CauseForm(s.view(r), f, d).Page())
}

// doCause handles POST /setup/causes/{id} and /setup/new-cause, doAction the same of actions.
func (s *Server) doCause(w http.ResponseWriter, r *http.Request) error {
	return s.saveCause(w, r, plant.KindCause)
}

func (s *Server) doAction(w http.ResponseWriter, r *http.Request) error {
	return s.saveCause(w, r, plant.KindAction)
}

// fieldOf finds in a problem's path the field of the form: "causes[0].plan[2]" is of plan, "causes[0].fits.extents[1]" of extents.
var fieldOf = regexp.MustCompile(`^(?:causes|actions)\[0\](?:\.fits)?\.(\w+)`)

func (s *Server) saveCause(w http.ResponseWriter, r *http.Request, kind string) error {
	if err := require(r, mayEngineer); err != nil {
		return err
	}
	field := func(name string) string { return strings.TrimSpace(r.PostFormValue(name)) }
	fresh := chi.URLParam(r, "id") == ""
	t := present.CauseTyped{ID: chi.URLParam(r, "id"), Name: field("name"), LooksLike: field("looks_like"), Kind: field("kind"), Extents: field("extents"), Changes: field("changes"),
		Names: field("characteristics"), Plan: strings.ReplaceAll(r.PostFormValue("plan"), "\r\n", "\n"), Retired: field("retired") == "true", Reason: field("reason")}
	var items []ui.Problem
	bad := func(field, name, text string) {
		items = append(items, ui.Problem{Field: field, Name: name, Text: text})
	}
	if t.Reason == "" {
		bad("reason", "The reason", " is missing: why it changes is kept with the revision.")
	}
	c := s.catalogue.Load()
	if fresh {
		t.ID = field("id")
		if _, taken := c.Latest(kind, t.ID); taken {
			bad("id", "The id", " is taken already: change that entry, or choose another id.")
		}
	}
	list, object := "actions", any(spc.Action{ID: t.ID, Name: t.Name, Retired: t.Retired})
	if kind == plant.KindCause {
		list, object = "causes", spc.Cause{ID: t.ID, Name: t.Name, LooksLike: t.LooksLike, Plan: lines(t.Plan), Retired: t.Retired,
			Fits: spc.Fits{Kind: t.Kind, Extents: commas(t.Extents), Changes: commas(t.Changes), Characteristics: commas(t.Names)}}
	}
	file, err := json.Marshal(map[string]any{list: []any{object}})
	if err != nil {
		return err
	}
	// The same reader and checks as for the set-up file.
	changes, err := s.checked(file, c, micro(s.cfg.Now()))
	var found setup.Problems
	switch {
	case errors.As(err, &found):
		for _, p := range found {
			at := "name"
			if m := fieldOf.FindStringSubmatch(p.Path); m != nil {
				at = m[1]
			}
			bad(at, present.Capital(strings.ReplaceAll(at, "_", " ")), ": "+p.Text+".")
		}
	case err != nil:
		return err
	}
	if len(items) > 0 {
		return s.renderCause(w, r, http.StatusUnprocessableEntity, kind, &t, items)
	}
	if err := s.define(r, changes, t.Reason, micro(s.cfg.Now())); err != nil {
		return err
	}
	http.Redirect(w, r, "/setup/causes#"+list, http.StatusSeeOther)
	return nil
}

func lines(text string) []string {
	out := []string{}
	for line := range strings.SplitSeq(text, "\n") {
		if line = strings.TrimSpace(line); line != "" {
			out = append(out, line)
		}
	}
	return out
}

func commas(text string) (out []string) {
	for part := range strings.SplitSeq(text, ",") {
		if part = strings.TrimSpace(part); part != "" {
			out = append(out, part)
		}
	}
	return out
}

// paretoAsked reads which signals and counts a Pareto is wanted of, from a page's address: times as plant time or RFC 3339.
func (s *Server) paretoAsked(q url.Values) (f store.ParetoFilter, by present.ParetoBy, items []ui.Problem) {
	f = store.ParetoFilter{Press: q.Get("press"), Product: q.Get("product"), Mould: strings.TrimSpace(q.Get("mould"))}
	by = present.BySignals
	for _, b := range present.ParetoBys {
		if q.Get("by") == string(b) {
			by = b
		}
	}
	for _, x := range []struct {
		name, label string
		into        *time.Time
	}{{"from", "From", &f.From}, {"to", "To", &f.To}} {
		text := strings.TrimSpace(q.Get(x.name))
		if text == "" {
			continue
		}
		t, ok := s.typed(text)
		if !ok {
			items = append(items, ui.Problem{Field: x.name, Name: x.label, Text: ": “" + cut(text, 40) + "” " + howToType})
			continue
		}
		*x.into = micro(t)
	}
	if len(items) == 0 && !f.From.IsZero() && !f.To.IsZero() && !f.From.Before(f.To) {
		items = append(items, ui.Problem{Field: "to", Name: "To", Text: " is not after From."})
	}
	return f, by, items
}

// showPareto handles GET /pareto?press=&product=&mould=&from=&to=&by=.
func (s *Server) showPareto(w http.ResponseWriter, r *http.Request) error {
	q, c := r.URL.Query(), s.catalogue.Load()
	f, by, items := s.paretoAsked(q)
	d := present.ParetoData{From: f.From, To: f.To}
	status := http.StatusOK
	if len(items) > 0 {
		d.Problems, status = ui.Problems{Head: "Shown is all that is kept, not this time", Items: items}, http.StatusUnprocessableEntity
		f.From, f.To, d.From, d.To = time.Time{}, time.Time{}, time.Time{}, time.Time{}
	}
	closings, err := s.store.Closings(r.Context(), s.site, f)
	if err != nil {
		return err
	}
	if d.Pareto, err = present.ParetoOf(closings, c, by); err != nil {
		return err
	}
	if d.Defects, err = s.store.DefectCounts(r.Context(), s.site, f); err != nil {
		return err
	}
	presses := ui.Input{ID: "press", Name: "press", Label: "Press", Options: []ui.Option{{Value: "", Label: "every press", Selected: f.Press == ""}}}
	for _, p := range c.Presses() {
		presses.Options = append(presses.Options, ui.Option{Value: p.ID, Label: p.ID, Selected: p.ID == f.Press})
	}
	products := ui.Input{ID: "product", Name: "product", Label: "Product", Options: []ui.Option{{Value: "", Label: "every product", Selected: f.Product == ""}}}
	for _, p := range c.Products() {
		products.Options = append(products.Options, ui.Option{Value: p.ID, Label: p.ID, Selected: p.ID == f.Product})
	}
	weights := ui.Input{ID: "by", Name: "by", Label: "By"}
	for _, b := range present.ParetoBys {
		weights.Options = append(weights.Options, ui.Option{Value: string(b), Label: present.ParetoWeight(b), Selected: b == by})
	}
	mould := ui.Input{ID: "mould", Name: "mould", Label: "Mould", Value: f.Mould, Optional: true, Max: 64}
	from := ui.Input{ID: "from", Name: "from", Label: "From", Value: q.Get("from"), Optional: true, Max: 40}
	to := ui.Input{ID: "to", Name: "to", Label: "To", Value: q.Get("to"), Optional: true, Max: 40}
	for _, it := range items {
		if it.Field == "from" {
			from.Problem = it.Name + it.Text
		} else {
			to.Problem = it.Name + it.Text
		}
	}
	d.Filters = []ui.Input{presses, products, mould, from, to, weights}
	for _, x := range [][2]string{{"press ", f.Press}, {"product ", f.Product}, {"mould ", f.Mould}} {
		if x[1] != "" {
			d.Where = append(d.Where, x[0]+x[1])
		}
	}
	if len(items) == 0 && r.URL.RawQuery != "" {
		d.Query = "?" + q.Encode()
	}
	frame := s.frame(r, "Causes", ui.AtSignals)
	frame.Plots = true
	return s.render(w, r, status, present.ParetoPage(s.view(r), frame, d).Page())
}

// saveParetoCauses handles GET /pareto/causes.csv.
func (s *Server) saveParetoCauses(w http.ResponseWriter, r *http.Request) error {
	f, by, items := s.paretoAsked(r.URL.Query())
	if len(items) > 0 {
		return badInput(items[0].Field, "%s%s", items[0].Name, items[0].Text)
	}
	w.Header().Set("Content-Disposition", `attachment; filename="causes.csv"`)
	return s.causesCSV(w, r, f, by)
}

// saveParetoDefects handles GET /pareto/defects.csv.
func (s *Server) saveParetoDefects(w http.ResponseWriter, r *http.Request) error {
	f, _, items := s.paretoAsked(r.URL.Query())
	if len(items) > 0 {
		return badInput(items[0].Field, "%s%s", items[0].Name, items[0].Text)
	}
	w.Header().Set("Content-Disposition", `attachment; filename="defects.csv"`)
	return s.defectsCSV(w, r, f)
}

// figure writes a number for a file, in full.
func figure(x float64) string { return strconv.FormatFloat(x, 'g', -1, 64) }
