package present

import (
	"fmt"
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

// StudyResultData is what the page of an analysis is made of.
type StudyResultData struct {
	StudyData
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
	m.Mend = studyMend(&d.StudyData, r)
	for _, p := range r.Parts {
		if p.ID == report.ChangedPart {
			continue
		}
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
		interval := g.Doubt()
		if interval != "" && g.Method != "" {
			interval += " (" + g.Method + ")"
		}
		t.Rows = append(t.Rows, ui.Row{ID: figureAnchor(g.ID), Cells: ui.Texts(g.Name+", "+g.Of, ui.WithUnit(g.Show(), unit), interval, g.Formula, tidy(g.Inputs), g.Source)})
	}
	return t
}
