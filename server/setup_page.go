package server

import (
	"errors"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"sagwatch/server/present"
	"sagwatch/store"
	"sagwatch/web/ui"
)

// showSetUp handles GET /setup.
func (s *Server) showSetUp(w http.ResponseWriter, r *http.Request) error {
	return s.renderSetUp(w, r, http.StatusOK, present.ConflictData{})
}

// renderSetUp shows what is defined; sent is a conflict's form as it was sent when something in it was wrong.
func (s *Server) renderSetUp(w http.ResponseWriter, r *http.Request, status int, sent present.ConflictData) error {
	ctx := r.Context()
	d := present.SetUpData{Site: s.site, Catalogue: s.catalogue.Load(), May: who(ctx).May(mayEngineer)}
	open, err := s.store.Conflicts(ctx, s.site, true)
	if err != nil {
		return err
	}
	for _, e := range open {
		c := present.ConflictData{Entry: e}
		if c.Existing, err = s.store.Measurement(ctx, s.site, e.Existing); err != nil {
			return err
		}
		if e.ID == sent.Entry.ID {
			c.Choice, c.Reason, c.Problems = sent.Choice, sent.Reason, sent.Problems
		}
		d.Conflicts = append(d.Conflicts, c)
	}
	if d.Users, err = s.store.Users(ctx, EverySite); err != nil {
		return err
	}
	if d.Tokens, err = s.store.Tokens(ctx, EverySite); err != nil {
		return err
	}
	f := s.frame(r, "Set-up", ui.AtSetUp)
	if r.Method == http.MethodPost {
		f.Here = "/setup"
	}
	return s.render(w, r, status, present.SetUp(s.view(r), f, d).Page())
}

// doConflict handles POST /setup/conflicts/{id}: resolution, reason.
func (s *Server) doConflict(w http.ResponseWriter, r *http.Request) error {
	if err := require(r, mayEngineer); err != nil {
		return err
	}
	id, err := idParam(r)
	if err != nil {
		return notFound("There is no such conflict.")
	}
	sent := present.ConflictData{Choice: r.PostFormValue("resolution"), Reason: strings.TrimSpace(r.PostFormValue("reason"))}
	sent.Entry.ID = id
	n := strconv.FormatInt(id, 10)
	var items []ui.Problem
	if !slices.Contains([]string{store.AcceptAsCorrection, store.AcceptAsNewSeries, store.Drop}, sent.Choice) {
		items = append(items, ui.Problem{Field: "resolution-" + n, Name: "What happens to the second", Text: ": choose one of the three."})
	}
	if sent.Reason == "" {
		items = append(items, ui.Problem{Field: "reason-" + n, Name: "The reason", Text: " is missing; it stays with the measurement."})
	}
	if len(items) == 0 {
		err := s.resolve(r, id, sent.Choice, present.NewSeriesOf(id), sent.Reason)
		var t *Trouble
		switch {
		case err == nil:
			http.Redirect(w, r, "/setup#conflicts", http.StatusSeeOther)
			return nil
		case errors.As(err, &t) && t.Status == http.StatusUnprocessableEntity:
			items = append(items, ui.Problem{Field: "resolution-" + n, Text: t.Say})
		default:
			return err
		}
	}
	sent.Problems = ui.Problems{Head: "Nothing is decided yet", Items: items}
	return s.renderSetUp(w, r, http.StatusUnprocessableEntity, sent)
}
