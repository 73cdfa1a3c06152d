package server

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"

	"sagwatch/server/present"
	"sagwatch/spc"
	"sagwatch/store"
	"sagwatch/web/ui"
)

// studyFrom finds the gauge and the product that a plan names.
func (s *Server) studyFrom(form url.Values) (present.StudyFrom, []ui.Problem) {
	c, now := s.catalogue.Load(), s.cfg.Now()
	var from present.StudyFrom
	var problems []ui.Problem
	from.Gauge, from.GaugeRevision = c.Gauge(form.Get("gauge"), now)
	if from.Gauge == nil || from.Gauge.Retired {
		problems = append(problems, ui.Problem{Field: "gauge", Name: "Gauge", Text: ": choose one that is in use."})
	}
	if id := form.Get("product"); id != "" {
		if from.Product, from.ProductRevision = c.Product(id, now); from.Product == nil {
			problems = append(problems, ui.Problem{Field: "product", Name: "Product", Text: ": there is no product " + cut(id, 40) + "."})
		}
	}
	if present.StudyKind(form.Get("kind")) == "" {
		problems = append(problems, ui.Problem{Field: "kind", Name: "Kind of study", Text: ": choose one."})
	}
	return from, problems
}

// showPlanStudy handles GET /studies/new?kind=&gauge=&product=: first what, then the plan itself.
func (s *Server) showPlanStudy(w http.ResponseWriter, r *http.Request) error {
	if err := require(r, mayEngineer); err != nil {
		return err
	}
	q := r.URL.Query()
	f := s.frame(r, "Plan a study", ui.AtStudies)
	from, problems := s.studyFrom(q)
	if q.Get("kind") == "" || q.Has("choose") || len(problems) > 0 {
		status := http.StatusOK
		if q.Get("kind") == "" {
			problems = nil
		} else if len(problems) > 0 {
			status = http.StatusUnprocessableEntity
		}
		c := s.catalogue.Load()
		return s.render(w, r, status, present.StudyChoice(f, q, c.Gauges(), c.Products(), problems).Page())
	}
	return s.render(w, r, http.StatusOK, present.StudyForm(f, q, from, nil).Page())
}

// doPlanStudy handles POST /studies/new.
func (s *Server) doPlanStudy(w http.ResponseWriter, r *http.Request) error {
	if err := require(r, mayEngineer); err != nil {
		return err
	}
	r.Body = http.MaxBytesReader(w, r.Body, formBytes)
	if err := r.ParseForm(); err != nil {
		return badInput("", "The form could not be read; nothing was planned.")
	}
	from, problems := s.studyFrom(r.PostForm)
	if len(problems) > 0 {
		return badInput(problems[0].Field, "%s%s", problems[0].Name, problems[0].Text)
	}
	v, wrong := present.ReadStudy(r.PostForm, from)
	v.By = source(r.Context())
	var readings []store.StudyReading
	if v.Kind == store.StabilityStudy && len(wrong) == 0 {
		var err error
		if readings, wrong, err = s.masterChecks(r, &v); err != nil {
			return err
		}
	}
	if len(wrong) == 0 {
		stored, err := s.store.AddStudy(r.Context(), s.site, v, readings)
		switch {
		case errors.Is(err, store.ErrExists):
			wrong = []present.Wrong{{Field: "parts", Name: "Gauge " + v.Gauge, Text: " has a study that is being collected: a reading can belong to one only. Finish or abandon that one first.", Short: "Another study of this gauge is being collected."}}
		case err != nil:
			return err
		default:
			http.Redirect(w, r, present.StudyHref(stored.ID), http.StatusSeeOther)
			return nil
		}
	}
	return s.render(w, r, http.StatusUnprocessableEntity, present.StudyForm(s.frame(r, "Plan a study", ui.AtStudies), r.PostForm, from, wrong).Page())
}

// mostMasterChecks bounds a study of stability.
const mostMasterChecks = 2000

// masterChecks gathers the readings of a study of stability, which are there already.
func (s *Server) masterChecks(r *http.Request, v *store.Study) ([]store.StudyReading, []present.Wrong, error) {
	var wrong []present.Wrong
	from, okFrom := s.typed(r.PostFormValue("from"))
	to, okTo := s.typed(r.PostFormValue("to"))
	for _, f := range []struct {
		ok          bool
		field, name string
	}{{okFrom, "from", "Checks from"}, {okTo, "to", "Checks to"}} {
		if !f.ok {
			wrong = append(wrong, present.Wrong{Field: f.field, Name: f.name, Text: " " + howToType, Short: "Give a plant time such as 2026-03-04 12:00."})
		}
	}
	if len(wrong) == 0 && !from.Before(to) {
		wrong = []present.Wrong{{Field: "from", Name: "Checks from", Text: " must lie before their end.", Short: "The beginning must lie before the end."}}
	}
	if len(wrong) > 0 {
		return nil, wrong, nil
	}
	master, name := v.Plan.Parts[0].Panel, v.Plan.Characteristics[0].Name
	f := store.MeasurementFilter{Gauge: v.Gauge, Panel: master, Purpose: spc.MasterCheck, From: micro(from), To: micro(to), Limit: mostMasterChecks}
	rows, _, err := s.store.Measurements(r.Context(), s.site, f)
	if err != nil {
		return nil, nil, err
	}
	var out []store.StudyReading
	for i := range rows {
		x, ok := studyValue(&rows[i], name)
		if !ok {
			continue
		}
		line := len(out) + 1
		v.Plan.Lines = append(v.Plan.Lines, store.StudyLine{Line: line, Part: 1, Appraiser: 1, Trial: line})
		out = append(out, store.StudyReading{Line: line, Measurement: rows[i].ID, MeasuredAt: rows[i].MeasuredAt, Characteristics: map[string]float64{name: x}, By: rows[i].Source})
	}
	v.Plan.Trials = len(out)
	if len(out) < 5 {
		return nil, []present.Wrong{{Field: "from", Name: "Checks from", Text: fmt.Sprintf(": %s of master %s with a result in that time; five are needed, twenty are better.", ui.Plural(int64(len(out)), "check", "checks"), master),
			Short: "Fewer than five checks with a result in that time."}}, nil
	}
	return out, nil, nil
}

// studyValue is a measurement's value of a characteristic.
func studyValue(row *store.Row, name string) (float64, bool) {
	if k, ok := spc.ComputedByName(name); ok {
		return row.Result.Values.Get(k)
	}
	x, ok := row.Characteristics[name]
	return x, ok
}
