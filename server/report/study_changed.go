package report

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"sagwatch/store"
	"sagwatch/web/ui"
)

// StudyChanged is a measurement that was corrected or voided after the study had taken its reading from it.
type StudyChanged struct {
	Line        int   `json:"line"`
	Seq         int64 `json:"seq"` // of the reading
	Measurement int64 `json:"measurement"`
	ReplacedBy  int64 `json:"replaced_by,omitempty"` // 0: it was voided
	// Now and NowDeviations are what the correction says, where the study can take it; NotFit says why it cannot.
	Now           map[string]float64 `json:"now,omitempty"`
	NowDeviations []Number           `json:"now_deviations_um,omitempty"`
	NotFit        string             `json:"not_fit,omitempty"`
	Reason        string             `json:"reason"`
	By            string             `json:"by"`
	At            int64              `json:"at"` // microseconds since 1970, UTC
}

// Takes tells whether the study can take the correction's value.
func (c *StudyChanged) Takes() bool { return c.ReplacedBy != 0 && c.NotFit == "" }

// SameReading tells whether a correction left what a study reads as it was, as one of the mould does.
func SameReading(a, b *store.StudyReading) bool {
	return maps.Equal(a.Characteristics, b.Characteristics) && slices.EqualFunc(a.Deviations, b.Deviations, func(x, y float64) bool { return x == y || x != x && y != y })
}

// changedShown is how many changed runs are named in the doubts; all stand in the table.
const changedShown = 3

// changed says which runs rest on measurements that do not stand any more, or were put right after an adoption.
func (b *studyBook) changed() {
	in, plan := b.in, &b.in.Study.Plan
	var doubts []string
	if n := len(in.Changed); n > 0 && in.Study.State == store.StudyAdopted {
		doubts = append(doubts, "The adopted result rests on data that were changed afterwards: "+ui.Plural(int64(n), "run", "runs")+" of this study. See below, and adopt again or plan a new study.")
	}
	if len(in.Mended) > 0 {
		doubts = append(doubts, fmt.Sprintf("Since the result was adopted, %s put right (%s): the figures are those of now, what was adopted are those of then.",
			ui.Plural(int64(len(in.Mended)), "line was", "lines were"), listed(ints(in.Mended))))
	}
	table := &Table{Caption: "Measurements changed after they were taken", Cols: []Col{{Head: "Line", Right: true}, {Head: "Panel"}, {Head: "Appraiser"}, {Head: "Trial", Right: true}, {Head: "In this study", Right: true}, {Head: "Now", Right: true}, {Head: "Why"}}}
	sheet := Sheet{Name: "Changed", Says: "Measurements that were corrected or voided after this study had taken its readings from them; the study's figures are worked out from the readings as they were taken.",
		Cols: []SheetCol{{Head: "Line"}, {Head: "Panel"}, {Head: "Measurement"}, {Head: "Replaced by"}, {Head: "Reason"}, {Head: "By"}, {Head: "At"}}}
	standing := in.standing()
	for i := range in.Changed {
		c := &in.Changed[i]
		if c.Line < 1 || c.Line > len(plan.Lines) || standing[c.Line-1] == nil {
			continue
		}
		l := plan.Lines[c.Line-1]
		panel, who := plan.Parts[l.Part-1].Panel, plan.Appraisers[l.Appraiser-1]
		was, now, what := b.readingWords(standing[c.Line-1].Values, standing[c.Line-1].Deviations), "voided", "voided"
		if c.ReplacedBy != 0 {
			now, what = b.readingWords(c.Now, c.NowDeviations), "corrected"
			if c.NotFit != "" {
				now = "corrected: " + c.NotFit
			}
		}
		if i < changedShown {
			doubts = append(doubts, fmt.Sprintf("Line %d (panel %s, %s, trial %d) rests on measurement %d, which was %s afterwards by %s: %s.", l.Line, panel, who, l.Trial, c.Measurement, what, c.By, strings.TrimSuffix(c.Reason, ".")))
		}
		table.Rows = append(table.Rows, []Cell{{Text: fmt.Sprint(l.Line)}, {Text: panel}, {Text: who}, {Text: fmt.Sprint(l.Trial)}, {Text: was}, {Text: now}, {Text: c.By + ": " + c.Reason}})
		var replaced any
		if c.ReplacedBy != 0 {
			replaced = c.ReplacedBy
		}
		sheet.Rows = append(sheet.Rows, []any{int64(l.Line), panel, c.Measurement, replaced, c.Reason, c.By, microTime(c.At)})
	}
	if n := len(table.Rows) - changedShown; n > 0 {
		doubts = append(doubts, capital(ui.Plural(int64(n), "more run rests", "more runs rest"))+" on measurements that were changed afterwards; the table names them.")
	}
	b.r.Doubts = append(doubts, b.r.Doubts...)
	if len(table.Rows) > 0 {
		b.r.Parts = append([]StudyPart{{ID: ChangedPart, Heading: "Measurements changed since they were taken", Table: table,
			Caution: "The figures below are worked out from the readings as they were taken."}}, b.r.Parts...)
		b.r.Sheets = append(b.r.Sheets, sheet)
	}
}

// ChangedPart is the part of a result that names changed measurements.
const ChangedPart = "changed"

// readingWords is a reading in words.
func (b *studyBook) readingWords(values map[string]float64, deviations []Number) string {
	var out []string
	for _, c := range b.in.Study.Plan.Characteristics {
		if v, ok := values[c.Name]; ok {
			out = append(out, exact(v)+" "+ui.UnitName(c.Unit))
		}
	}
	if len(out) == 0 && len(deviations) > 0 {
		return fmt.Sprintf("a map of %d places", len(deviations))
	}
	return strings.Join(out, ", ")
}

func ints(list []int) []string {
	out := make([]string, len(list))
	for i, n := range list {
		out[i] = fmt.Sprint(n)
	}
	return out
}
