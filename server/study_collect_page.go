package server

import (
	"context"
	"errors"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"sagwatch/server/present"
	"sagwatch/spc"
	"sagwatch/store"
	"sagwatch/web/ui"
)

// takeStudy takes what the gauge sent for a study, each measurement into the open line of its panel in the present round of the
// present appraiser. What does not belong there is said and stays an ordinary measurement.
func (s *Server) takeStudy(ctx context.Context, v *store.Study, readings []store.StudyReading) (not []present.NotTaken, err error) {
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
		if row.MeasuredAt.Before(roundBegan(v, readings)) {
			continue // a measurement of an earlier round that was not wanted then is not wanted for this one either
		}
		if _, master := gauge.Master(row.Panel); row.Purpose == spc.MasterCheck && (!master || !v.Plan.Has(row.Panel)) {
			continue // a check of the gauge that has nothing to do with the study
		}
		next := present.NextLine(v, readings)
		if next == nil {
			break
		}
		reading, why := s.studyReading(v, readings, next, row)
		if why != "" {
			not = append(not, present.NotTaken{At: row.MeasuredAt, Panel: row.Panel, Why: why})
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
	// What went wrong before the last reading was put right with it.
	for _, r := range readings {
		for r.WithdrawnAt.IsZero() && len(not) > 0 && not[0].At.Before(r.MeasuredAt) {
			not = not[1:]
		}
	}
	return not[max(0, len(not)-notShown):], nil
}

// roundBegan is when the gauge measured the last reading of the rounds before the present one. What was keyed in has another clock.
func roundBegan(v *store.Study, readings []store.StudyReading) (at time.Time) {
	next := present.NextLine(v, readings)
	if next == nil {
		return at
	}
	first := slices.IndexFunc(v.Plan.Lines, func(l store.StudyLine) bool { return l.Appraiser == next.Appraiser && l.Trial == next.Trial })
	for _, r := range readings {
		if r.Measurement != 0 && r.WithdrawnAt.IsZero() && r.Line <= first && r.MeasuredAt.After(at) {
			at = r.MeasuredAt
		}
	}
	return at
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
		return out, present.NotInStudy
	}
	for _, l := range p.Lines {
		if l.Appraiser == next.Appraiser && l.Trial == next.Trial && !taken[l.Line] && p.Parts[l.Part-1].Panel == row.Panel {
			out.Line = l.Line
			break
		}
	}
	if out.Line == 0 {
		return out, present.NotInRound
	}
	line := out.Line
	if out, why = s.readingOf(v, row); why != "" {
		return out, why
	}
	out.Line = line
	return out, ""
}

// readingOf is what a study reads from a measurement, or why it can read nothing.
func (s *Server) readingOf(v *store.Study, row *store.Row) (out store.StudyReading, why string) {
	out.Measurement, out.MeasuredAt, out.By, out.Characteristics = row.ID, row.MeasuredAt, row.Source, map[string]float64{}
	for _, c := range v.Plan.Characteristics {
		x, ok := studyValue(row, c.Name)
		if !ok {
			return out, strings.TrimSpace("has no " + present.Characteristic(c.Name) + " " + row.Result.Refusal)
		}
		out.Characteristics[c.Name] = x
	}
	if len(row.Readings) > 0 {
		if res, _, err := s.ingest.PlacesOf(row); err == nil && res.DeviationsUM != nil {
			out.Deviations = res.DeviationsUM
		}
	}
	if v.Kind == store.HalfTurnStudy && out.Deviations == nil {
		return out, "gives no map"
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
		// What was typed belongs to another panel: it must not stand in the form of this one.
		short := "What you keyed in was for another line: now it is " + panel + "'s turn. Nothing was stored."
		if typed := strings.Join(typedWords(&v, sent.typed), ", "); typed != "" {
			short = "What you keyed in, " + typed + ", was for another line: now it is " + panel + "'s turn. Nothing was stored."
		}
		sent = studySent{typed: map[string]string{}, wrong: []present.Wrong{{Name: "Another reading came in meanwhile.", Text: " " + short, Short: short}}}
	}
	if len(sent.wrong) > 0 {
		return s.renderStudy(w, r, http.StatusUnprocessableEntity, sent)
	}
	if _, err := s.store.TakeStudyReading(r.Context(), s.site, v.ID, reading); errors.Is(err, store.ErrExists) || errors.Is(err, store.ErrConflict) {
		return &Trouble{Status: http.StatusConflict, Say: "Line " + strconv.Itoa(next.Line) + " has got its reading at this very moment; yours was not stored.", Do: "Look at the study as it is now."}
	} else if err != nil {
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
	return s.undoStudy(w, r, &v, seq)
}

// undoStudy withdraws a reading, whose line is open then.
func (s *Server) undoStudy(w http.ResponseWriter, r *http.Request, v *store.Study, seq int64) error {
	err := s.store.UndoStudyReading(r.Context(), s.site, v.ID, seq, source(r.Context()))
	switch {
	case errors.Is(err, store.ErrExists):
		return &Trouble{Status: http.StatusConflict, Say: "Another study of gauge " + v.Gauge + " is being collected meanwhile; nothing was undone.", Do: "Finish or abandon that one first."}
	case errors.Is(err, store.ErrConflict):
		return &Trouble{Status: http.StatusConflict, Say: "The study is " + v.State + ": its lines are not measured again; nothing was undone.", Do: "Plan a new study."}
	case errors.Is(err, store.ErrNotFound):
		return &Trouble{Status: http.StatusConflict, Say: "That reading does not stand any more; nothing was undone.", Do: "Look at the study as it is now."}
	case err != nil:
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

// typedWords are the values that were typed, with their characteristics.
func typedWords(v *store.Study, typed map[string]string) (out []string) {
	for _, c := range v.Plan.Characteristics {
		if text := strings.TrimSpace(typed[c.Name]); text != "" {
			out = append(out, present.Characteristic(c.Name)+" “"+cut(text, 40)+"”")
		}
	}
	return out
}
