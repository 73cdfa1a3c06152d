package present

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strconv"

	"sagwatch/store"
	"sagwatch/web/page"
	"sagwatch/web/ui"
)

func adoptForm(d *StudyResultData) *page.StudyAct {
	s := &d.Study
	a := &page.StudyAct{Head: "Adopt it as the gauge's uncertainty", Action: StudyHref(s.ID) + "/adopt", Label: "Adopt as a new revision", Problems: KeyInFacts{Wrong: d.Wrong}.Problems(),
		Says: "From then on measurements are judged by it. What was judged before stays as it was. Your name, the time and the reason are kept."}
	if len(d.Result.Proposals) == 0 {
		return nil
	}
	facts := KeyInFacts{Wrong: d.Wrong}
	which := ui.Input{ID: "proposal", Name: "proposal", Label: "What", Radio: true, Problem: facts.problem("proposal")}
	for i, p := range d.Result.Proposals {
		now := d.Now[p.Field]
		if now == "" {
			now = "none"
		}
		label := fmt.Sprintf("%s of %s %s: %s, in place of %s. It is %s.", p.Field, p.Of, p.ID, ui.WithUnit(proposed(p.Value), p.Unit), now, p.Says)
		which.Options = append(which.Options, ui.Option{Value: p.Field, Label: label, Selected: d.Form["proposal"] == p.Field || d.Form["proposal"] == "" && i == 0})
	}
	value := ui.Input{ID: "value", Name: "value", Label: "Another value in its place", Help: "Only where the engineer has grounds for one: they belong into the reason.", Optional: true, Number: true, Value: d.Form["value"], Problem: facts.problem("value")}
	reason := ui.Input{ID: "reason", Name: "reason", Label: "Reason", Area: true, Max: 500, Value: d.Form["reason"], Problem: facts.problem("reason")}
	a.Fields = []ui.Input{which, value, reason}
	return a
}

// proposed writes a proposal to three significant figures, which is what is adopted.
func proposed(v float64) string { return strconv.FormatFloat(Proposed(v), 'f', -1, 64) }

// Proposed rounds a standard uncertainty up to three significant figures.
func Proposed(v float64) float64 {
	if !(v > 0) || math.IsInf(v, 0) {
		return 0
	}
	step := math.Pow(10, math.Floor(math.Log10(v))-2)
	out, _ := strconv.ParseFloat(strconv.FormatFloat(math.Ceil(v/step-1e-9)*step, 'g', 3, 64), 64) // the text is a number
	return out
}

// Adoption is the detail of an adoption as it is logged.
type Adoption struct {
	Kind     string   `json:"kind"`
	ID       string   `json:"id"`
	Field    string   `json:"field"`
	Unit     string   `json:"unit"`
	Was      *float64 `json:"was"`
	Is       float64  `json:"is"`
	Revision int      `json:"revision"`
}

func studyLog(v View, s *store.Study, log []store.StudyEntry) []ui.Entry {
	var out []ui.Entry
	for i, e := range slices.Backward(log) {
		words := e.By
		if m, ok := mendOf(&e); ok {
			out = append(out, ui.Entry{At: ui.Moment(e.At.In(v.Zone), v.Now), State: StudyState(e.State), Text: ui.Say(fmt.Sprintf("%s took the corrected value of line %d, measurement %d: %s", e.By, m.Line, m.Measurement, e.Reason))})
			continue
		}
		switch e.State {
		case store.StudyAdopted:
			var a Adoption
			if json.Unmarshal(e.Detail, &a) == nil && a.Field != "" {
				words += fmt.Sprintf(" adopted %s %s as %s of %s %s: revision %d. %s", strconv.FormatFloat(a.Is, 'f', -1, 64), ui.UnitName(a.Unit), a.Field, a.Kind, a.ID, a.Revision, e.Reason)
			} else {
				words += " adopted it. " + e.Reason
			}
		case store.StudyAbandoned:
			words += " abandoned it: " + e.Reason
		case store.StudyCollected:
			words += " took the last reading."
			if s.Kind == store.StabilityStudy {
				words = e.By + " had the master checks gathered."
			}
		default:
			words += " planned it."
			if i > 0 {
				words = e.By + " undid a reading."
			}
		}
		out = append(out, ui.Entry{At: ui.Moment(e.At.In(v.Zone), v.Now), State: StudyState(e.State), Text: ui.Say(words)})
	}
	return out
}
