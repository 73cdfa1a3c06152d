package server

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"sagwatch/server/plant"
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
	f := s.frame(r, "Study "+strconv.FormatInt(v.ID, 10), ui.AtStudies)
	if r.Method == http.MethodPost {
		f.Here = present.StudyHref(v.ID)
	}
	if v.State == store.StudyCollecting {
		f.Gauge, f.At, f.Caution = true, "gauge "+v.Gauge, glassCaution
		if v.Takes {
			f.Live = "/live?gauge=" + url.QueryEscape(v.Gauge)
		}
		d.Problems, d.Typed = sent.wrong, sent.typed
		return s.render(w, r, status, present.StudyCollect(s.view(r), f, &d.StudyData).Page())
	}
	if r.Header.Get("HX-Request") != "" { // the last reading came in while the page was open: it becomes another page
		w.Header().Set("HX-Refresh", "true")
	}
	f.Plots = true
	if d.Inputs, err = s.studyInputs(r, &v, readings); err != nil {
		return err
	}
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
	return report.StudyOf(h, v, readings, gauge, places), nil
}

// takeStudy takes what the gauge sent for a study, each measurement into the open line of its panel in the present round of the
// present appraiser. What does not belong there is said and stays an ordinary measurement.
func (s *Server) takeStudy(ctx context.Context, v *store.Study, readings []store.StudyReading) (not []string, err error) {
	since := v.At
	for _, r := range readings {
		if r.Measurement != 0 && r.MeasuredAt.After(since) {
			since = r.MeasuredAt
		}
	}
	rows, err := s.store.StudyMeasurements(ctx, s.site, v, since.Add(-oneShift))
	if err != nil {
		return nil, err
	}
	gauge, _ := s.catalogue.Load().Gauge(v.Gauge, v.At)
	for i := range rows {
		row := &rows[i]
		if _, master := gauge.Master(row.Panel); row.Purpose == spc.MasterCheck && (!master || !v.Plan.Has(row.Panel)) {
			continue // a check of the gauge that has nothing to do with the study
		}
		next := present.NextLine(v, readings)
		if next == nil {
			break
		}
		reading, why := s.studyReading(v, readings, next, row)
		if why != "" {
			not = append(not, ui.Clock(row.MeasuredAt.In(s.zone()))+": "+why)
			continue
		}
		taken, err := s.store.TakeStudyReading(ctx, s.site, v.ID, reading)
		if errors.Is(err, store.ErrExists) || errors.Is(err, store.ErrConflict) {
			break // another page has taken it at the same moment
		}
		if err != nil {
			return nil, err
		}
		readings = append(readings, taken)
	}
	return not[max(0, len(not)-notShown):], nil
}

const (
	oneShift = 8 * time.Hour // gauges that were cut off send what they measured meanwhile
	notShown = 3
)

// studyReading makes a reading of a measurement, or says why it is none.
func (s *Server) studyReading(v *store.Study, readings []store.StudyReading, next *store.StudyLine, row *store.Row) (out store.StudyReading, why string) {
	p := &v.Plan
	taken := map[int]bool{}
	for _, r := range readings {
		taken[r.Line] = taken[r.Line] || r.WithdrawnAt.IsZero()
	}
	if !p.Has(row.Panel) {
		return out, fmt.Sprintf("panel %s is not in this study. Its measurement is stored and was not taken; measure %s.", row.Panel, p.Parts[next.Part-1].Panel)
	}
	for _, l := range p.Lines {
		if l.Appraiser == next.Appraiser && l.Trial == next.Trial && !taken[l.Line] && p.Parts[l.Part-1].Panel == row.Panel {
			out.Line = l.Line
			break
		}
	}
	if out.Line == 0 {
		return out, fmt.Sprintf("panel %s is not to be measured in this round, or has been already. Its measurement is stored and was not taken; measure %s.", row.Panel, p.Parts[next.Part-1].Panel)
	}
	out.Measurement, out.MeasuredAt, out.By, out.Characteristics = row.ID, row.MeasuredAt, row.Source, map[string]float64{}
	for _, c := range p.Characteristics {
		x, ok := studyValue(row, c.Name)
		if !ok {
			return out, fmt.Sprintf("the measurement of panel %s has no %s and was not taken. %s Measure it again.", row.Panel, present.Characteristic(c.Name), row.Result.Refusal)
		}
		out.Characteristics[c.Name] = x
	}
	if len(row.Readings) > 0 {
		if res, _, err := s.ingest.PlacesOf(row); err == nil && res.DeviationsUM != nil {
			out.Deviations = res.DeviationsUM
		}
	}
	if v.Kind == store.HalfTurnStudy && out.Deviations == nil {
		return out, fmt.Sprintf("the measurement of panel %s gives no map and was not taken. Measure it again.", row.Panel)
	}
	return out, ""
}

// doStudyReading handles POST /studies/{id}/reading: what was keyed in for the next line.
func (s *Server) doStudyReading(w http.ResponseWriter, r *http.Request) error {
	if err := require(r, mayMeasure); err != nil {
		return err
	}
	v, readings, err := s.study(r)
	if err != nil {
		return err
	}
	next := present.NextLine(&v, readings)
	if v.State != store.StudyCollecting || next == nil || v.Kind == store.HalfTurnStudy {
		return &Trouble{Status: http.StatusConflict, Say: "This study takes no reading by hand now; nothing was stored.", Do: "Look at it as it is now."}
	}
	sent := studySent{typed: map[string]string{}}
	reading := store.StudyReading{Line: next.Line, MeasuredAt: micro(s.cfg.Now()), By: source(r.Context()), Characteristics: map[string]float64{}}
	panel := v.Plan.Parts[next.Part-1].Panel
	if v.Kind == store.AttributeStudy {
		i, err := strconv.Atoi(r.PostFormValue("category"))
		if err != nil || i < 0 || i >= len(v.Plan.Categories) {
			sent.wrong = append(sent.wrong, present.Wrong{Field: "category", Name: "Judgement", Text: ": choose one.", Short: "Choose one."})
		}
		reading.Category = &i
	}
	for _, c := range v.Plan.Characteristics {
		text := r.PostFormValue("v." + c.Name)
		sent.typed[c.Name] = text
		x, ok := present.TypedValue(text)
		if !ok {
			short := "“" + cut(text, 40) + "” is not a number."
			if strings.TrimSpace(text) == "" {
				short = "Give the value, in " + ui.UnitName(c.Unit) + "."
			}
			sent.wrong = append(sent.wrong, present.Wrong{Field: "v-" + c.Name, Name: present.Capital(present.Characteristic(c.Name)), Text: ": " + short, Short: short})
		}
		reading.Characteristics[c.Name] = x
	}
	if r.PostFormValue("line") != strconv.Itoa(next.Line) { // the gauge sent a reading, or somebody else keyed one in, meanwhile
		short := "The reading that you keyed in was for another line: now it is " + panel + "'s turn. Nothing was stored."
		sent.wrong = append([]present.Wrong{{Name: "Another reading came in meanwhile.", Text: " " + short, Short: short}}, sent.wrong...)
	}
	if len(sent.wrong) > 0 {
		return s.renderStudy(w, r, http.StatusUnprocessableEntity, sent)
	}
	if _, err := s.store.TakeStudyReading(r.Context(), s.site, v.ID, reading); err != nil {
		return err
	}
	http.Redirect(w, r, present.StudyHref(v.ID), http.StatusSeeOther)
	return nil
}

// doStudyUndo handles POST /studies/{id}/undo: reading.
func (s *Server) doStudyUndo(w http.ResponseWriter, r *http.Request) error {
	if err := require(r, mayMeasure); err != nil {
		return err
	}
	v, _, err := s.study(r)
	if err != nil {
		return err
	}
	seq, err := strconv.ParseInt(r.PostFormValue("reading"), 10, 64)
	if err != nil {
		return badInput("reading", "Which reading is to be undone was not said; nothing was changed.")
	}
	err = s.store.UndoStudyReading(r.Context(), s.site, v.ID, seq, source(r.Context()))
	if errors.Is(err, store.ErrExists) {
		return &Trouble{Status: http.StatusConflict, Say: "Another study of gauge " + v.Gauge + " is being collected meanwhile; nothing was undone.", Do: "Finish or abandon that one first."}
	}
	if err != nil {
		return err
	}
	http.Redirect(w, r, present.StudyHref(v.ID), http.StatusSeeOther)
	return nil
}

// doStudyAbandon handles POST /studies/{id}/abandon: reason.
func (s *Server) doStudyAbandon(w http.ResponseWriter, r *http.Request) error {
	if err := require(r, mayEngineer); err != nil {
		return err
	}
	v, _, err := s.study(r)
	if err != nil {
		return err
	}
	reason := strings.TrimSpace(r.PostFormValue("reason"))
	if reason == "" {
		return s.renderStudy(w, r, http.StatusUnprocessableEntity, studySent{abandon: true})
	}
	if err := s.store.AbandonStudy(r.Context(), s.site, v.ID, reason, source(r.Context())); err != nil {
		return err
	}
	http.Redirect(w, r, present.StudyHref(v.ID), http.StatusSeeOther)
	return nil
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

// standsNow is the uncertainty that is defined now where a proposal would stand.
func (s *Server) standsNow(p *report.StudyProposal) (float64, bool) {
	c, now := s.catalogue.Load(), s.cfg.Now()
	if p.Of == plant.KindProduct {
		if product, _ := c.Product(p.ID, now); product != nil {
			for _, x := range product.Characteristics {
				if x.Name == p.Field && x.U != nil {
					return *x.U, true
				}
			}
		}
		return 0, false
	}
	g, _ := c.Gauge(p.ID, now)
	switch {
	case g == nil:
	case p.Field == "probe_u_um" && g.ProbeUUM != nil:
		return *g.ProbeUUM, true
	case p.Field == "place_u_um":
		return g.PlaceUUM, true
	case p.Field == "radius_u_mm":
		return g.RadiusUMM, true
	}
	return 0, false
}

// adopted is the definition in force now with the uncertainty in it.
func (s *Server) adopted(p *report.StudyProposal, u float64) (json.RawMessage, error) {
	c, now := s.catalogue.Load(), s.cfg.Now()
	if p.Of == plant.KindProduct {
		product, _ := c.Product(p.ID, now)
		if product == nil || product.Retired {
			return nil, &Trouble{Status: http.StatusConflict, Say: "Product " + p.ID + " is not in use any more; nothing was adopted."}
		}
		v := *product
		v.Characteristics = append([]spc.Characteristic(nil), product.Characteristics...)
		for i := range v.Characteristics {
			if v.Characteristics[i].Name == p.Field {
				v.Characteristics[i].U = &u
				return json.Marshal(v)
			}
		}
		return nil, &Trouble{Status: http.StatusConflict, Say: "Product " + p.ID + " has no characteristic " + p.Field + " any more; nothing was adopted."}
	}
	g, _ := c.Gauge(p.ID, now)
	if g == nil || g.Retired {
		return nil, &Trouble{Status: http.StatusConflict, Say: "Gauge " + p.ID + " is not in use any more; nothing was adopted."}
	}
	v := *g
	switch p.Field {
	case "probe_u_um":
		v.ProbeUUM = &u
	case "place_u_um":
		v.PlaceUUM = u
	case "radius_u_mm":
		v.RadiusUMM = u
	default:
		return nil, fmt.Errorf("a gauge has no %q to adopt", p.Field)
	}
	return json.Marshal(v)
}

// doStudyAdopt handles POST /studies/{id}/adopt: proposal, value, reason. It makes a new revision of the gauge, or of the product
// whose characteristic the gauge measures.
func (s *Server) doStudyAdopt(w http.ResponseWriter, r *http.Request) error {
	if err := require(r, mayEngineer); err != nil {
		return err
	}
	v, readings, err := s.study(r)
	if err != nil {
		return err
	}
	if v.State != store.StudyCollected && v.State != store.StudyAdopted {
		return &Trouble{Status: http.StatusConflict, Say: "The study is " + v.State + ": only one that is complete can be adopted."}
	}
	in, err := s.studyInputs(r, &v, readings)
	if err != nil {
		return err
	}
	sent := studySent{adopt: true, typed: map[string]string{}}
	for _, name := range []string{"proposal", "value", "reason"} {
		sent.typed[name] = strings.TrimSpace(r.PostFormValue(name))
	}
	bad := func(field, name, short string) {
		sent.wrong = append(sent.wrong, present.Wrong{Field: field, Name: name, Text: ": " + short, Short: short})
	}
	var chosen *report.StudyProposal
	proposals := report.AnalyseStudy(in).Proposals
	for i := range proposals {
		if proposals[i].Field == sent.typed["proposal"] {
			chosen = &proposals[i]
		}
	}
	if chosen == nil {
		bad("proposal", "What", "Choose what is to be adopted.")
	}
	u := 0.0
	if chosen != nil {
		u = present.Proposed(chosen.Value)
	}
	if text := sent.typed["value"]; text != "" {
		x, ok := present.TypedValue(text)
		if !ok || !(x > 0) || math.IsInf(x, 0) {
			bad("value", "Another value", "“"+cut(text, 40)+"” is not a number above zero.")
		}
		u = x
	}
	if sent.typed["reason"] == "" {
		bad("reason", "Reason", "A new revision needs its reason.")
	}
	if chosen != nil {
		if was, ok := s.standsNow(chosen); ok && was == u {
			bad("proposal", "What", "That is what stands there now: there is nothing to adopt.")
		}
	}
	if len(sent.wrong) > 0 {
		return s.renderStudy(w, r, http.StatusUnprocessableEntity, sent)
	}
	body, err := s.adopted(chosen, u)
	if err != nil {
		return err
	}
	a := present.Adoption{Kind: chosen.Of, ID: chosen.ID, Field: chosen.Field, Unit: chosen.Unit, Is: u}
	if was, ok := s.standsNow(chosen); ok {
		a.Was = &was
	}
	reason := fmt.Sprintf("gauge study %d: %s", v.ID, sent.typed["reason"])
	defs := []store.Definition{{Kind: chosen.Of, ID: chosen.ID, EffectiveFrom: micro(s.cfg.Now()), Body: body, Reason: reason, By: source(r.Context())}}
	err = s.store.AdoptStudy(r.Context(), s.site, v.ID, defs, store.StudyEntry{Reason: sent.typed["reason"], By: source(r.Context())}, func(stored []store.Definition) (json.RawMessage, error) {
		a.Revision = stored[0].Revision
		return json.Marshal(a)
	})
	if err != nil {
		return err
	}
	if err := s.loadDefinitions(r.Context()); err != nil {
		return err
	}
	http.Redirect(w, r, present.StudyHref(v.ID), http.StatusSeeOther)
	return nil
}
