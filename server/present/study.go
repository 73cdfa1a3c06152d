package present

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"sagwatch/server/report"
	"sagwatch/store"
	"sagwatch/web/page"
	"sagwatch/web/ui"
)

// StudyHref is the page of a study.
func StudyHref(id int64) string { return fmt.Sprintf("/studies/%d", id) }

// StudyState is the state that goes with a study's.
func StudyState(state string) ui.State {
	switch state {
	case store.StudyCollecting:
		return ui.Is(ui.Held, "collecting")
	case store.StudyCollected:
		return ui.Is(ui.Good, "collected")
	case store.StudyAdopted:
		return ui.Is(ui.Good, "adopted")
	}
	return ui.Is(ui.None, "abandoned")
}

// Studies makes the list of studies.
func Studies(v View, f ui.Frame, rows []store.Study, newer, older string, mayPlan bool) page.Studies {
	m := page.Studies{Frame: f, Newer: newer, Older: older, Empty: "No study was planned yet."}
	open := 0
	for i := range rows {
		s := &rows[i]
		if s.State == store.StudyCollecting {
			open++
		}
		m.Rows = append(m.Rows, page.StudyRow{Number: strconv.FormatInt(s.ID, 10), Title: s.Title, Href: StudyHref(s.ID), Kind: StudyKind(s.Kind), Gauge: s.Gauge,
			Progress: fmt.Sprintf("%d of %d", s.Taken, len(s.Plan.Lines)), State: StudyState(s.State), Planned: ui.Moment(s.At.In(v.Zone), v.Now) + " by " + s.By})
	}
	switch {
	case len(rows) == 0:
		m.Statement.Say = ui.Say("No gauge was studied yet.")
		m.Statement.Doubts = []ui.Sentence{ui.Say("Until one was, the uncertainty in its definition is somebody's word.")}
	case open == 0:
		m.Statement.Say = ui.Say("No study is being collected.")
	default:
		m.Statement.Say = ui.Say(Capital(ui.Plural(int64(open), "study is", "studies are")) + " being collected.")
	}
	if mayPlan {
		m.Statement.Acts = []ui.Act{{Text: "Plan a study", Href: "/studies/new", First: true}}
	}
	return m
}

// StudySheet is the order sheet for paper.
func StudySheet(v View, f ui.Frame, s *store.Study) page.StudySheet {
	p := &s.Plan
	m := page.StudySheet{Frame: f, Statement: ui.Statement{Where: []ui.Run{{Text: "Gauge studies", Href: "/studies"}, {Text: s.Title, Href: StudyHref(s.ID)}}, Say: ui.Say(fmt.Sprintf("Order sheet of study %d: %d readings.", s.ID, len(p.Lines)))},
		Lines: ui.Table{Label: "Order sheet", Cols: []ui.Col{{Head: "Line", Right: true}, {Head: "Panel", Whole: true}, {Head: "Appraiser"}, {Head: "Round", Right: true}, {Head: "Reading"}}}}
	if s.Kind == store.HalfTurnStudy {
		m.Lines.Cols[3] = ui.Col{Head: "How it lies"}
	}
	m.Facts = []ui.Fact{{Name: "Kind", Value: ui.Text(StudyKind(s.Kind))}, {Name: "Gauge", Value: ui.Text(fmt.Sprintf("%s, revision %d", s.Gauge, p.GaugeRevision))},
		{Name: "Planned", Value: ui.Text(ui.Moment(s.At.In(v.Zone), v.Now) + " by " + s.By)}, {Name: "Seed", Value: ui.Text(strconv.FormatUint(p.Seed, 10))}}
	for _, c := range p.Characteristics {
		words := ui.UnitName(c.Unit)
		if t := tolerance(c); t != "" {
			words += ", tolerance " + t
		}
		m.Facts = append(m.Facts, ui.Fact{Name: Capital(Characteristic(c.Name)), Value: ui.Text(words)})
	}
	for _, l := range p.Lines {
		round := strconv.Itoa(l.Trial)
		switch {
		case l.Turned:
			round = "turned by half a turn"
		case s.Kind == store.HalfTurnStudy:
			round = "as it lies"
		}
		m.Lines.Rows = append(m.Lines.Rows, ui.Row{Cells: ui.Texts(strconv.Itoa(l.Line), p.Parts[l.Part-1].Panel, p.Appraisers[l.Appraiser-1], round, "")})
	}
	return m
}

// StudyData is what the page of a study that is being collected is made of.
type StudyData struct {
	Study            store.Study
	Readings         []store.StudyReading
	Not              []string // measurements that were not taken, with why
	MayTake, MayPlan bool
	Problems         []Wrong // of what was keyed in
	Typed            map[string]string
	AbandonProblem   ui.Problems
	AbandonReason    string
}

// NextLine is the first line of the sheet without a reading; nil when all are in.
func NextLine(s *store.Study, readings []store.StudyReading) *store.StudyLine {
	taken := map[int]bool{}
	for _, r := range readings {
		if r.WithdrawnAt.IsZero() {
			taken[r.Line] = true
		}
	}
	for i := range s.Plan.Lines {
		if !taken[s.Plan.Lines[i].Line] {
			return &s.Plan.Lines[i]
		}
	}
	return nil
}

// studyReading is a reading in words.
func studyReading(s *store.Study, r *store.StudyReading) string {
	if r.Category != nil && *r.Category < len(s.Plan.Categories) {
		return s.Plan.Categories[*r.Category]
	}
	var out []string
	for _, c := range s.Plan.Characteristics {
		if v, ok := r.Characteristics[c.Name]; ok {
			out = append(out, ui.WithUnit(ui.Number(v, studyDecimals(c)), c.Unit))
		}
	}
	if len(out) == 0 && len(r.Deviations) > 0 {
		return fmt.Sprintf("a map of %d places", len(r.Deviations))
	}
	return strings.Join(out, ", ")
}

// studyDecimals are those of a value while it is collected: micrometres to a tenth, others to a tenth of that in mm.
func studyDecimals(c store.StudyCharacteristic) int {
	switch {
	case c.Resolution > 0:
		return min(max(int(math.Ceil(-math.Log10(c.Resolution))), 0), 6)
	case c.Unit == "um":
		return 1
	}
	return 3
}

// StudyCollect makes the page that guides whoever takes the readings.
func StudyCollect(v View, f ui.Frame, d *StudyData) page.StudyCollect {
	s := &d.Study
	p := &s.Plan
	m := page.StudyCollect{Frame: f, Statement: fmt.Sprintf("Study %d, next", s.ID), Not: d.Not,
		Taken:  ui.Table{Label: "Taken last", Empty: "None yet.", Cols: []ui.Col{{Head: "Panel", Whole: true}, {Head: "Appraiser", Drop: true}, {Head: "Reading", Right: true}, {Head: "At"}}},
		Coming: ui.Table{Label: "After this one", Empty: "This is the last.", Cols: []ui.Col{{Head: "Panel", Whole: true}, {Head: "Appraiser"}, {Head: "Round", Right: true}}},
		Acts:   []ui.Act{{Text: "Order sheet for paper", Href: StudyHref(s.ID) + "/sheet"}, {Text: "All studies", Href: "/studies"}}}
	next := NextLine(s, d.Readings)
	done := fmt.Sprintf("%d of %d", s.Taken, len(p.Lines))
	if next == nil {
		m.Slab = ui.Verdict{Kind: ui.Good, Word: "All in", Order: "Nothing is left to measure."}
		return m
	}
	part := p.Parts[next.Part-1]
	m.Slab = ui.Verdict{Kind: ui.None, Word: part.Panel, Order: p.Appraisers[next.Appraiser-1] + " measures this panel", Because: fmt.Sprintf("Round %d. %s are in.", next.Trial, done)}
	if len(p.Appraisers) == 1 {
		m.Slab.Order = "Measure this panel"
	}
	if s.Kind == store.SingleMasterStudy {
		m.Slab.Order = "Take the master out, put it in again, measure it"
		m.Slab.Because = fmt.Sprintf("Reading %d of %d.", next.Trial, p.Trials)
	}
	if s.Kind == store.HalfTurnStudy {
		m.Slab.Order, m.Slab.Because = "Measure it as it lies", done+" are in."
		if next.Turned {
			m.Slab.Order = "Turn it by half a turn, then measure it"
		}
	}
	if s.Kind == store.AttributeStudy {
		m.Slab.Order = p.Appraisers[next.Appraiser-1] + " judges this panel"
	}
	m.Bar = []ui.Fact{{Name: "Taken", Value: ui.Text(done)}, {Name: "Study", Value: ui.Text(s.Title)}, {Name: "Line", Value: ui.Text(strconv.Itoa(next.Line))}}
	if len(p.Appraisers) > 1 {
		m.Bar = append(m.Bar, ui.Fact{Name: "Appraiser", Value: ui.Text(p.Appraisers[next.Appraiser-1])})
	}
	var last *store.StudyReading
	for i := len(d.Readings) - 1; i >= 0 && len(m.Taken.Rows) < 5; i-- {
		r := &d.Readings[i]
		if !r.WithdrawnAt.IsZero() {
			continue
		}
		if last == nil {
			last = r
		}
		l := p.Lines[r.Line-1]
		m.Taken.Rows = append(m.Taken.Rows, ui.Row{Cells: ui.Texts(p.Parts[l.Part-1].Panel, p.Appraisers[l.Appraiser-1], studyReading(s, r), ui.Moment(r.MeasuredAt.In(v.Zone), v.Now))})
	}
	for _, l := range p.Lines[next.Line:] {
		if len(m.Coming.Rows) == 4 {
			break
		}
		m.Coming.Rows = append(m.Coming.Rows, ui.Row{Cells: ui.Texts(p.Parts[l.Part-1].Panel, p.Appraisers[l.Appraiser-1], strconv.Itoa(l.Trial))})
	}
	if d.MayTake {
		m.Key = studyKey(d, next)
		if last != nil {
			l := p.Lines[last.Line-1]
			m.Undo = &page.StudyAct{Head: "Was the last one wrong?", Action: StudyHref(s.ID) + "/undo", Label: "Undo the last: " + p.Parts[l.Part-1].Panel,
				Fields: []ui.Input{{Type: "hidden", Name: "reading", Value: strconv.FormatInt(last.Seq, 10)}}, Says: "It stays to be seen, counts nowhere, and its line comes up again."}
		}
	}
	if d.MayPlan {
		m.Abandon = abandon(s, d.AbandonReason, d.AbandonProblem)
	}
	return m
}

func abandon(s *store.Study, reason string, problems ui.Problems) *page.StudyAct {
	in := ui.Input{ID: "abandon-reason", Name: "reason", Label: "Why it is given up", Value: reason, Area: true, Max: 500}
	if len(problems.Items) > 0 {
		in.Problem = "Say why."
	}
	return &page.StudyAct{Head: "Give the study up", Action: StudyHref(s.ID) + "/abandon", Label: "Abandon the study", Grave: true, Fields: []ui.Input{in}, Problems: problems,
		Says: "Plan and readings stay to be seen; nothing more is taken and nothing can be adopted."}
}

// studyKey is the form for the next reading by hand.
func studyKey(d *StudyData, next *store.StudyLine) *page.StudyKey {
	s := &d.Study
	p := &s.Plan
	facts := KeyInFacts{Wrong: d.Problems}
	k := &page.StudyKey{Head: "Or key in the reading of " + p.Parts[next.Part-1].Panel, Action: StudyHref(s.ID) + "/reading", Line: strconv.Itoa(next.Line), Problems: facts.Problems(), Save: "Store the reading",
		Says: "What the gauge sends for the purpose study, for this panel, is taken by itself."}
	switch s.Kind {
	case store.HalfTurnStudy:
		return nil // a map comes from the gauge
	case store.AttributeStudy:
		k.Head, k.Says, k.Save = "How is "+p.Parts[next.Part-1].Panel+" judged?", "", "Store the judgement"
		in := ui.Input{ID: "category", Name: "category", Label: "Judgement", Radio: true, Problem: facts.problem("category")}
		for i, c := range p.Categories {
			in.Options = append(in.Options, ui.Option{Value: strconv.Itoa(i), Label: c})
		}
		k.Fields = []ui.Input{in}
	default:
		for _, c := range p.Characteristics {
			k.Fields = append(k.Fields, ui.Input{ID: "v-" + c.Name, Name: "v." + c.Name, Label: Capital(Characteristic(c.Name)), Unit: ui.UnitName(c.Unit), Number: true, Value: d.Typed[c.Name], Problem: facts.problem("v-" + c.Name)})
		}
	}
	return k
}

// StudyResultData is what the page of an analysis is made of.
type StudyResultData struct {
	StudyData
	Inputs *report.StudyInputs
	Result *report.StudyResult
	Log    []store.StudyEntry
	Now    map[string]string // what stands in the definitions now, by field
	Form   map[string]string // the adoption as it was typed
	Wrong  []Wrong
}

// StudyResult makes the page of an analysis from the same result as the report.
func StudyResult(v View, f ui.Frame, d *StudyResultData) page.StudyResult {
	s, r := &d.Study, d.Result
	m := page.StudyResult{Frame: f, State: StudyState(s.State), Statement: ui.Statement{Where: []ui.Run{{Text: "Gauge studies", Href: "/studies"}, {Text: s.Title}, {Text: StudyKind(s.Kind)}}, Say: ui.Say(tidy(r.Statement)),
		Acts: []ui.Act{{Text: "Order sheet", Href: StudyHref(s.ID) + "/sheet"}}}}
	m.StateSay = fmt.Sprintf("%d of %d readings on %s by %s", s.Taken, len(s.Plan.Lines), s.Gauge, list(s.Plan.Appraisers))
	for _, doubt := range r.Doubts {
		m.Statement.Doubts = append(m.Statement.Doubts, ui.Say(tidy(doubt)))
	}
	known := map[string]bool{}
	for i := range r.Figures {
		known[r.Figures[i].ID] = true
	}
	for _, p := range r.Parts {
		part := page.StudyPart{Heading: p.Heading, Text: tidy(p.Text), Groups: p.Groups, Map: p.Map, Caption: p.Caption, Caution: tidy(p.Caution)}
		if p.Table != nil {
			part.Table = studyTable(p.Table, known)
		}
		m.Parts = append(m.Parts, part)
	}
	m.Figures = studyFigures(r.Figures)
	if d.MayPlan {
		if s.State == store.StudyCollected || s.State == store.StudyAdopted {
			m.Adopt = adoptForm(d)
			m.Report = &page.StudyAct{Head: "Issue a report", Action: StudyHref(s.ID) + "/report", Label: "Issue the report",
				Says: "It is kept with all readings, can be had as PDF, spreadsheet, CSV and JSON, and made again to the byte."}
		}
		if s.State == store.StudyCollected {
			m.Abandon = abandon(s, d.AbandonReason, d.AbandonProblem)
		}
	}
	if d.MayTake && s.State == store.StudyCollected && s.Kind != store.StabilityStudy {
		for i := len(d.Readings) - 1; i >= 0; i-- {
			if r := &d.Readings[i]; r.WithdrawnAt.IsZero() {
				l := s.Plan.Lines[r.Line-1]
				m.Undo = &page.StudyAct{Head: "Was the last reading wrong?", Action: StudyHref(s.ID) + "/undo", Label: "Undo the last: " + s.Plan.Parts[l.Part-1].Panel,
					Fields: []ui.Input{{Type: "hidden", Name: "reading", Value: strconv.FormatInt(r.Seq, 10)}}, Says: "The study is then collected again."}
				break
			}
		}
	}
	m.Log = studyLog(v, s, d.Log)
	return m
}

// tidy sets no-break spaces before units and signs of percent.
func tidy(s string) string {
	for _, unit := range []string{"%", "mm", "µm", "um"} {
		for _, end := range []string{" ", ".", ",", ":", ";", ")", ""} {
			if end == "" {
				if t, ok := strings.CutSuffix(s, " "+unit); ok {
					s = t + ui.NoBreak + ui.UnitName(unit)
				}
				continue
			}
			s = strings.ReplaceAll(s, " "+unit+end, ui.NoBreak+ui.UnitName(unit)+end)
		}
	}
	return s
}

func figureAnchor(id string) string {
	return "fig-" + strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' || r == '_' {
			return r
		}
		return '-'
	}, id)
}

func studyTable(t *report.Table, known map[string]bool) *ui.Table {
	out := &ui.Table{Label: t.Caption, Caption: t.Caption}
	if out.Label == "" {
		out.Label = "Figures"
	}
	for _, c := range t.Cols {
		out.Cols = append(out.Cols, ui.Col{Head: c.Head, Right: c.Right})
	}
	for _, r := range t.Rows {
		row := ui.Row{}
		for _, c := range r {
			cell := ui.Text(tidy(c.Text))
			if known[c.Figure] {
				cell.Href, cell.Why = "#"+figureAnchor(c.Figure), true
			}
			row.Sum = row.Sum || c.Strong
			row.Cells = append(row.Cells, cell)
		}
		out.Rows = append(out.Rows, row)
	}
	return out
}

func studyFigures(figures []report.Figure) ui.Table {
	t := ui.Table{Label: "Every figure", Fold: true, Cols: []ui.Col{{Head: "Figure"}, {Head: "Value", Right: true}, {Head: "95 % interval", Right: true}, {Head: "Formula"}, {Head: "Inputs"}, {Head: "Source"}}}
	seen := map[string]bool{}
	for i := range figures {
		g := &figures[i]
		if seen[g.ID] {
			continue
		}
		seen[g.ID] = true
		unit := g.Unit
		if unit == "1" {
			unit = ""
		}
		interval := ""
		if g.Lower.Has() || g.Upper.Has() {
			interval = ui.Number(float64(g.Lower), g.Decimals) + " to " + ui.Number(float64(g.Upper), g.Decimals)
			if g.Method != "" {
				interval += " (" + g.Method + ")"
			}
		}
		t.Rows = append(t.Rows, ui.Row{ID: figureAnchor(g.ID), Cells: ui.Texts(g.Name+", "+g.Of, ui.WithUnit(ui.Number(float64(g.Value), g.Decimals), unit), interval, g.Formula, tidy(g.Inputs), g.Source)})
	}
	return t
}

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
