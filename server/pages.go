package server

import (
	"bytes"
	"fmt"
	"net/http"
	"time"

	"github.com/a-h/templ"
	"github.com/go-chi/chi/v5"

	"sagwatch/server/present"
	"sagwatch/web/page"
	"sagwatch/web/ui"
)

// page wraps a page's handler: what it returns becomes a page in the same language.
func (s *Server) page(h func(w http.ResponseWriter, r *http.Request) error) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if err := h(w, r); err != nil {
			s.fail(w, r, err)
		}
	})
}

// fail shows an error as a page and logs its cause.
func (s *Server) fail(w http.ResponseWriter, r *http.Request, err error) {
	t := troubleOf(err)
	number := s.logTrouble(r, t)
	m := page.Trouble{Frame: s.frame(r, "Not done", ""), Code: t.Status, Say: t.Say, Do: t.Do, Number: number}
	if t.Status >= 500 {
		m.Certain = "Nothing that was acknowledged before is lost."
	}
	var body bytes.Buffer
	if err := m.Page().Render(r.Context(), &body); err != nil {
		s.log.Error("the page of an error failed", "error", err)
		http.Error(w, t.Say, t.Status)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(t.Status)
	_, _ = w.Write(body.Bytes()) // the browser may have gone
}

// render writes a page whole or not at all.
func (s *Server) render(w http.ResponseWriter, r *http.Request, status int, c templ.Component) error {
	var body bytes.Buffer
	if err := c.Render(r.Context(), &body); err != nil {
		return fmt.Errorf("render %s: %w", r.URL.Path, err)
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	_, _ = w.Write(body.Bytes())
	return nil
}

// zone is the plant's time zone.
func (s *Server) zone() *time.Location {
	loc, err := time.LoadLocation(s.catalogue.Load().Site(s.site).TimeZone)
	if err != nil {
		return time.UTC // the set-up file was checked: the zone's table was removed from the machine since
	}
	return loc
}

// now is plant time.
func (s *Server) now() time.Time { return s.cfg.Now().In(s.zone()) }

// Cookies that keep how a person wants things to look; they hold nothing else.
const (
	themeCookie   = "theme"
	lengthsCookie = "lengths"
)

// frame is what surrounds every page.
func (s *Server) frame(r *http.Request, title string, place ui.Place) ui.Frame {
	now := s.now()
	u := who(r.Context())
	f := ui.Frame{Title: title, Here: r.URL.RequestURI(), Page: place, Clock: ui.Clock(now), Zone: ui.Offset(now), Theme: ui.System, Lengths: ui.InMM}
	if r.Method != http.MethodGet {
		f.Here = "/"
	}
	if u.Name != "" && u.Scopes == nil {
		f.Person, f.Role, f.Plant = u.Display, string(u.Role), s.site
		f.Shift = present.ShiftName(s.catalogue.Load().Site(s.site).Shifts, now)
	}
	if c, err := r.Cookie(themeCookie); err == nil && (c.Value == string(ui.Light) || c.Value == string(ui.Dark)) {
		f.Theme = ui.Theme(c.Value)
	}
	if c, err := r.Cookie(lengthsCookie); err == nil && c.Value == string(ui.InInch) {
		f.Lengths = ui.InInch
	}
	if s.cfg.Demo {
		f.Demo = "Demonstration: the plant, its people and its readings are invented."
	}
	return f
}

// showSignIn handles GET /sign-in?back=.
func (s *Server) showSignIn(w http.ResponseWriter, r *http.Request) error {
	return s.render(w, r, http.StatusOK, s.signInPage(r, "", "").Page())
}

func (s *Server) signInPage(r *http.Request, name, problem string) page.SignIn {
	m := page.SignIn{Frame: s.frame(r, "Sign in", ""), Back: localPath(r.FormValue("back")), Name: name, Problem: problem}
	if s.cfg.Demo {
		m.NoSignIn = true
		does := map[string]string{
			string(Technician): "measures at the gauge, keys readings in, runs the master panel", string(Supervisor): "watches the line, acknowledges and closes signals, decides on panels on hold",
			string(Engineer): "sets limits, resolves conflicts", string(Viewer): "looks", string(Administrator): "may do everything",
		}
		for _, u := range demoPeople {
			m.People = append(m.People, page.Person{ID: u.Name, Name: u.Display, Role: u.Role, Does: does[u.Role]})
		}
	}
	return m
}

// doSignIn handles POST /sign-in.
func (s *Server) doSignIn(w http.ResponseWriter, r *http.Request) error {
	back := localPath(r.PostFormValue("back"))
	if person := r.PostFormValue("person"); s.cfg.Demo && person != "" {
		for _, u := range demoPeople {
			if u.Name == person {
				if err := s.open(r.Context(), u.Name); err != nil {
					return err
				}
				http.Redirect(w, r, back, http.StatusSeeOther)
				return nil
			}
		}
	}
	name := r.PostFormValue("name")
	u, ok, err := s.signIn(r.Context(), name, r.PostFormValue("password"))
	if err != nil {
		return err
	}
	if !ok {
		return s.render(w, r, http.StatusUnauthorized, s.signInPage(r, name, "Name and password do not belong together. Nobody was signed in.").Page())
	}
	if err := s.open(r.Context(), u.Name); err != nil {
		return err
	}
	http.Redirect(w, r, back, http.StatusSeeOther)
	return nil
}

// signOut handles POST /sign-out.
func (s *Server) signOut(w http.ResponseWriter, r *http.Request) error {
	if err := s.sessions.Destroy(r.Context()); err != nil {
		return err
	}
	http.Redirect(w, r, "/sign-in", http.StatusSeeOther)
	return nil
}

// setLooks handles POST /looks: theme and lengths, kept in the browser.
func (s *Server) setLooks(w http.ResponseWriter, r *http.Request) error {
	for _, c := range []struct{ cookie, value string }{{themeCookie, r.PostFormValue("theme")}, {lengthsCookie, r.PostFormValue("lengths")}} {
		http.SetCookie(w, &http.Cookie{Name: c.cookie, Value: c.value, Path: "/", MaxAge: 365 * 24 * 3600, HttpOnly: true, Secure: s.cfg.SecureCookies, SameSite: http.SameSiteLaxMode})
	}
	http.Redirect(w, r, localPath(r.PostFormValue("back")), http.StatusSeeOther)
	return nil
}

// firstPage is the one-time form on which the first administrator is made.
func (s *Server) firstPage(r *http.Request, problems ui.Problems) page.First {
	return page.First{Frame: s.frame(r, "First set-up", ""), Problems: problems,
		Name:     ui.Input{ID: "name", Name: "name", Label: "Name to sign in with", Value: r.PostFormValue("name"), Complete: "username", Max: 64},
		Display:  ui.Input{ID: "display", Name: "display", Label: "Name that others see", Value: r.PostFormValue("display"), Complete: "name", Max: 64},
		Password: ui.Input{ID: "password", Name: "password", Type: "password", Label: "Password", Help: fmt.Sprintf("At least %d characters; length matters more than odd characters.", shortestPassword), Complete: "new-password"},
		Again:    ui.Input{ID: "again", Name: "again", Type: "password", Label: "The password again", Complete: "new-password"},
		Code:     ui.Input{ID: "code", Name: "code", Label: "Code that the service printed when it started", Value: r.FormValue("code")},
	}
}

// showFirst handles GET /first?code=.
func (s *Server) showFirst(w http.ResponseWriter, r *http.Request) error {
	if s.FirstSetUp() == "" {
		return notFound("The first administrator exists already.")
	}
	return s.render(w, r, http.StatusOK, s.firstPage(r, ui.Problems{}).Page())
}

// doFirst handles POST /first.
func (s *Server) doFirst(w http.ResponseWriter, r *http.Request) error {
	if s.FirstSetUp() == "" {
		return notFound("The first administrator exists already.")
	}
	var items []ui.Problem
	bad := func(field, name, text string) {
		items = append(items, ui.Problem{Field: field, Name: name, Text: text})
	}
	name, display, password := r.PostFormValue("name"), r.PostFormValue("display"), r.PostFormValue("password")
	if !s.firstAllowed(r.PostFormValue("code")) {
		bad("code", "The code", "is not the one that the service printed.")
	}
	if name == "" || len(name) > 64 {
		bad("name", "The name", "must have 1 to 64 characters.")
	}
	if display == "" {
		display = name
	}
	if password != r.PostFormValue("again") {
		bad("again", "The second password", "is not the same as the first.")
	}
	hash, err := HashPassword(password)
	if err != nil {
		bad("password", "The password:", err.Error()+".")
	}
	if len(items) > 0 {
		return s.render(w, r, http.StatusUnprocessableEntity, s.firstPage(r, ui.Problems{Head: "Nobody was added yet", Items: items}).Page())
	}
	if err := s.addFirst(r, name, display, hash); err != nil {
		return err
	}
	http.Redirect(w, r, "/", http.StatusSeeOther)
	return nil
}

// pageRoutes lists the pages for people who are signed in.
func (s *Server) pageRoutes(r chi.Router) {
	r.Method("GET", "/", s.page(s.showLine))
	r.Method("GET", "/gauge", s.page(s.showGauges))
	r.Method("GET", "/gauge/{id}", s.page(s.showGauge))
	r.Method("GET", "/gauge/{id}/key-in", s.page(s.showKeyIn))
	r.Method("POST", "/gauge/{id}/key-in", s.page(s.doKeyIn))
	r.Method("GET", "/gauge/{id}/doubt", s.page(s.showDoubt))
	r.Method("POST", "/gauge/{id}/doubt", s.page(s.doDoubt))
	r.Method("GET", "/panels", s.page(s.showPanels))
	r.Method("GET", "/panels/{press}/{serial}", s.page(s.showPanel))
	r.Method("GET", "/measurements/{id}/correct", s.page(s.showCorrect))
	r.Method("POST", "/measurements/{id}/correct", s.page(s.doCorrect))
	r.Method("GET", "/measurements/{id}/void", s.page(s.showVoid))
	r.Method("POST", "/measurements/{id}/void", s.page(s.doVoid))
	r.Method("GET", "/charts", s.page(s.showCharts))
	r.Method("GET", "/charts/{id}", s.page(s.showChart)) // {id}.csv gives its table as a file
	r.Method("POST", "/charts/{id}/limits", s.page(s.doLimits))
	r.Method("GET", "/signals", s.page(s.showSignals))
	r.Method("GET", "/signals/{id}", s.page(s.showSignal))
	r.Method("POST", "/signals/{id}/acknowledge", s.page(s.doAcknowledge))
	r.Method("POST", "/signals/{id}/close", s.page(s.doClose))
	r.Method("POST", "/signals/{id}/plans", s.page(s.doPlan))
	r.Method("POST", "/signals/{id}/steps", s.page(s.doStep))
	r.Method("GET", "/pareto", s.page(s.showPareto))
	r.Method("GET", "/pareto/causes.csv", s.page(s.saveParetoCauses))
	r.Method("GET", "/pareto/defects.csv", s.page(s.saveParetoDefects))
	r.Method("GET", "/holds", s.page(s.showHolds))
	r.Method("GET", "/holds/new", s.page(s.showNewHold))
	r.Method("POST", "/holds/new", s.page(s.doNewHold))
	r.Method("GET", "/holds/{id}", s.page(s.showHold))
	r.Method("GET", "/holds/{id}/panels.csv", s.page(s.saveHold))
	r.Method("POST", "/holds/{id}/panels", s.page(s.doHoldPanels))
	r.Method("POST", "/holds/{id}/release", s.page(s.doHoldRelease))
	r.Method("POST", "/holds/{id}/end", s.page(s.doHoldEnd))
	r.Method("POST", "/holds/{id}/close", s.page(s.doHoldClose))
	r.Method("GET", "/hand-over", s.page(s.showHandOver))
	r.Method("POST", "/hand-over", s.page(s.doHandOver))
	r.Method("GET", "/capability", s.page(s.showCapability))
	r.Method("POST", "/capability", s.page(s.doCapability))
	r.Method("GET", "/capability/{file}", s.page(s.saveCapability))
	r.Method("GET", "/reports", s.page(s.showReports))
	r.Method("POST", "/reports/check", s.page(s.doCheck))
	r.Method("POST", "/reports/schedules", s.page(s.doAddSchedule))
	r.Method("POST", "/reports/schedules/{id}/end", s.page(s.doEndSchedule))
	r.Method("GET", "/reports/{id}", s.page(s.showReport))
	r.Method("POST", "/reports/{id}/again", s.page(s.doAgain))
	r.Method("GET", "/reports/{id}/{file}", s.page(s.saveReport))
	r.Method("GET", "/studies", s.page(s.showStudies))
	r.Method("GET", "/studies/new", s.page(s.showPlanStudy))
	r.Method("POST", "/studies/new", s.page(s.doPlanStudy))
	r.Method("GET", "/studies/{id}", s.page(s.showStudy))
	r.Method("GET", "/studies/{id}/sheet", s.page(s.showStudySheet))
	r.Method("POST", "/studies/{id}/reading", s.page(s.doStudyReading))
	r.Method("POST", "/studies/{id}/undo", s.page(s.doStudyUndo))
	r.Method("POST", "/studies/{id}/mend", s.page(s.doStudyMend))
	r.Method("POST", "/studies/{id}/abandon", s.page(s.doStudyAbandon))
	r.Method("POST", "/studies/{id}/adopt", s.page(s.doStudyAdopt))
	r.Method("POST", "/studies/{id}/report", s.page(s.doStudyReport))
	r.Method("GET", "/setup", s.page(s.showSetUp))
	r.Method("POST", "/setup/conflicts/{id}", s.page(s.doConflict))
	r.Method("GET", "/setup/causes", s.page(s.showCauses))
	r.Method("GET", "/setup/causes/{id}", s.page(s.showCause))
	r.Method("POST", "/setup/causes/{id}", s.page(s.doCause))
	r.Method("GET", "/setup/new-cause", s.page(s.showCause))
	r.Method("POST", "/setup/new-cause", s.page(s.doCause))
	r.Method("GET", "/setup/actions/{id}", s.page(s.showAction))
	r.Method("POST", "/setup/actions/{id}", s.page(s.doAction))
	r.Method("GET", "/setup/new-action", s.page(s.showAction))
	r.Method("POST", "/setup/new-action", s.page(s.doAction))
	r.Method("GET", "/setup/numbers", s.page(s.showNumbers))
	r.Method("GET", "/setup/numbers.csv", s.page(s.saveNumbers))
}
