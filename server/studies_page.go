package server

import (
	"errors"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"sagwatch/server/present"
	"sagwatch/server/report"
	"sagwatch/spc"
	"sagwatch/store"
	"sagwatch/web/ui"
)

// studiesShown is how many studies one page of the list has.
const studiesShown = 50

// showStudies handles GET /studies?before=.
func (s *Server) showStudies(w http.ResponseWriter, r *http.Request) error {
	before, _ := strconv.ParseInt(r.URL.Query().Get("before"), 10, 64) // anything else: the newest
	rows, err := s.store.Studies(r.Context(), s.site, max(before, 0), studiesShown)
	if err != nil {
		return err
	}
	newer, older := "", ""
	if before > 0 {
		newer = "/studies"
	}
	if len(rows) == studiesShown {
		older = "/studies?before=" + strconv.FormatInt(rows[len(rows)-1].ID, 10)
	}
	return s.render(w, r, http.StatusOK, present.Studies(s.view(r), s.frame(r, "Gauge studies", ui.AtStudies), rows, newer, older, who(r.Context()).May(mayEngineer)).Page())
}

// study reads the study of an address with its readings.
func (s *Server) study(r *http.Request) (v store.Study, readings []store.StudyReading, err error) {
	id, err := idParam(r)
	if err != nil {
		return v, nil, notFound("There is no such study.")
	}
	if v, err = s.store.Study(r.Context(), s.site, id); err != nil {
		if errors.Is(err, store.ErrNotFound) {
			return v, nil, notFound("There is no study %d.", id)
		}
		return v, nil, err
	}
	readings, err = s.store.StudyReadings(r.Context(), s.site, id)
	return v, readings, err
}

// showStudySheet handles GET /studies/{id}/sheet.
func (s *Server) showStudySheet(w http.ResponseWriter, r *http.Request) error {
	v, _, err := s.study(r)
	if err != nil {
		return err
	}
	return s.render(w, r, http.StatusOK, present.StudySheet(s.view(r), s.frame(r, "Order sheet", ui.AtStudies), &v).Page())
}

// showStudy handles GET /studies/{id}: what to measure next, or what the readings say.
func (s *Server) showStudy(w http.ResponseWriter, r *http.Request) error {
	return s.renderStudy(w, r, http.StatusOK, studySent{})
}

// studySent is what was sent to a study's page and is wrong.
type studySent struct {
	wrong   []present.Wrong
	typed   map[string]string
	abandon bool
	adopt   bool
}

func (s *Server) renderStudy(w http.ResponseWriter, r *http.Request, status int, sent studySent) error {
	v, readings, err := s.study(r)
	if err != nil {
		return err
	}
	d := present.StudyResultData{}
	if v.Takes && v.State == store.StudyCollecting {
		if d.Not, err = s.takeStudy(r.Context(), &v, readings); err != nil {
			return err
		}
		if v, readings, err = s.study(r); err != nil {
			return err
		}
	}
	u := who(r.Context())
	d.Study, d.Readings, d.MayTake, d.MayPlan = v, readings, u.May(mayMeasure), u.May(mayEngineer)
	if sent.abandon {
		d.AbandonProblem = ui.Problems{Head: "The study is not abandoned yet", Items: []ui.Problem{{Field: "abandon-reason", Name: "Why", Text: ": an abandoned study needs its reason."}}}
	}
	if d.Inputs, err = s.studyInputs(r, &v, readings); err != nil {
		return err
	}
	f := s.frame(r, "Study "+strconv.FormatInt(v.ID, 10), ui.AtStudies)
	f.Here = present.StudyHref(v.ID) // without what was scanned, which is said once
	if v.State == store.StudyCollecting {
		f.Gauge, f.At, f.Caution = true, "gauge "+v.Gauge, glassCaution
		if v.Takes {
			f.Live = "/live?gauge=" + url.QueryEscape(v.Gauge)
		}
		d.Problems, d.Typed = sent.wrong, sent.typed
		d.Scanned = strings.TrimSpace(r.URL.Query().Get("scanned"))
		return s.render(w, r, status, present.StudyCollect(s.view(r), f, &d.StudyData).Page())
	}
	if r.Header.Get("HX-Request") != "" { // the last reading came in while the page was open: it becomes another page
		w.Header().Set("HX-Refresh", "true")
	}
	f.Plots = true
	d.Result = report.AnalyseStudy(d.Inputs)
	if d.Log, err = s.store.StudyLog(r.Context(), s.site, v.ID); err != nil {
		return err
	}
	d.Now = map[string]string{}
	for _, p := range d.Result.Proposals {
		if was, ok := s.standsNow(&p); ok {
			d.Now[p.Field] = ui.WithUnit(strconv.FormatFloat(was, 'f', -1, 64), p.Unit)
		}
	}
	if sent.adopt {
		d.Wrong, d.Form = sent.wrong, sent.typed
	}
	return s.render(w, r, status, present.StudyResult(s.view(r), f, &d).Page())
}

// studyInputs are what a study is worked out from.
func (s *Server) studyInputs(r *http.Request, v *store.Study, readings []store.StudyReading) (*report.StudyInputs, error) {
	c := s.catalogue.Load()
	gauge, _ := c.Gauge(v.Gauge, v.At)
	var places [][2]float64
	if gauge != nil && gauge.Kind != spc.Dimensions && v.Product != "" {
		if plan, err := s.ingest.Plan(v.Gauge, v.Product, v.At); err == nil {
			places = plan.Places()
		}
	}
	h := report.Head{Site: s.site, Plant: s.site, Zone: c.Site(s.site).TimeZone, IssuedBy: who(r.Context()).Display, IssuedAt: micro(s.cfg.Now()), Version: s.cfg.Version}
	in := report.StudyOf(h, v, readings, gauge, places)
	err := in.Bounded()
	if err != nil {
		return nil, err
	}
	in.Changed, err = s.studyChanged(r.Context(), v, readings)
	if err != nil || v.State != store.StudyAdopted {
		return in, err
	}
	log, err := s.store.StudyLog(r.Context(), s.site, v.ID)
	in.Mended = present.MendedSince(log)
	return in, err
}

// doStudyReport handles POST /studies/{id}/report.
func (s *Server) doStudyReport(w http.ResponseWriter, r *http.Request) error {
	if err := require(r, mayEngineer); err != nil {
		return err
	}
	v, readings, err := s.study(r)
	if err != nil {
		return err
	}
	if v.State != store.StudyCollected && v.State != store.StudyAdopted {
		return &Trouble{Status: http.StatusConflict, Say: "The study is " + v.State + ": a report is issued of one that is complete."}
	}
	in, err := s.studyInputs(r, &v, readings)
	if err != nil {
		return err
	}
	issued, err := report.Issue(r.Context(), s.store, &in.Head, in)
	if err != nil {
		return err
	}
	http.Redirect(w, r, present.ReportHref(issued.ID), http.StatusSeeOther)
	return nil
}
