package present

import (
	"encoding/json"
	"fmt"
	"strconv"

	"sagwatch/server/report"
	"sagwatch/store"
	"sagwatch/web/page"
	"sagwatch/web/ui"
)

// Mend is the detail of a reading that took a correction, as it is logged.
type Mend struct {
	Line        int   `json:"line"`
	Measurement int64 `json:"measurement"` // that of the correction
}

// mendOf reads the detail of a log entry.
func mendOf(e *store.StudyEntry) (Mend, bool) {
	var m Mend
	err := json.Unmarshal(e.Detail, &m)
	return m, err == nil && m.Line > 0
}

// MendedSince lists the lines that took a correction after the last adoption.
func MendedSince(log []store.StudyEntry) (out []int) {
	for i := range log {
		if m, ok := mendOf(&log[i]); ok {
			out = append(out, m.Line)
		} else if log[i].State == store.StudyAdopted {
			out = nil
		}
	}
	return out
}

// studyMend names the runs whose measurements were changed after they were taken, with what can be done; nil for none.
func studyMend(d *StudyData, r *report.StudyResult) *page.StudyMend {
	s := &d.Study
	var m *page.StudyMend
	for _, p := range r.Parts {
		if p.ID == report.ChangedPart {
			m = &page.StudyMend{Heading: p.Heading, Text: tidy(p.Caution), Table: *studyTable(p.Table, nil)}
		}
	}
	if m == nil {
		return nil
	}
	if s.State == store.StudyAbandoned || !d.MayTake || s.State == store.StudyAdopted && !d.MayPlan {
		return m
	}
	action := StudyHref(s.ID) + "/mend"
	takes := 0
	again := ui.Input{ID: "again", Name: "again", Label: "Line"}
	for i := range d.Inputs.Changed {
		c := &d.Inputs.Changed[i]
		if c.Takes() {
			takes++
		}
		l := s.Plan.Lines[c.Line-1]
		again.Options = append(again.Options, ui.Option{Value: strconv.FormatInt(c.Seq, 10), Label: fmt.Sprintf("%d: %s by %s, round %d", l.Line, s.Plan.Parts[l.Part-1].Panel, s.Plan.Appraisers[l.Appraiser-1], l.Trial)})
	}
	if takes > 0 {
		m.Take = &page.StudyAct{Head: "Take what was corrected", Action: action, Label: "Take the corrected value", Fields: []ui.Input{{Type: "hidden", Name: "take", Value: "1"}},
			Says: "The old reading stays to be seen and counts nowhere."}
		if takes > 1 {
			m.Take.Label = fmt.Sprintf("Take the %d corrected values", takes)
		}
		if s.State == store.StudyAdopted {
			m.Take.Says += " What was adopted stays as it is until it is adopted again."
		}
	}
	switch {
	case s.Kind == store.StabilityStudy:
		m.Note = "Master checks are not measured again afterwards: plan a new study over the same time, which leaves out what was voided."
	case s.State == store.StudyAdopted:
		m.Note = "An adopted study is not measured again: plan a new one where a value is missing."
	default:
		m.Again = &page.StudyAct{Head: "Or measure again", Action: action, Label: "Open the line again", Fields: []ui.Input{again}, Says: "The old reading stays to be seen and counts nowhere; the line comes up again."}
	}
	return m
}
