package page

import "sagwatch/web/ui"

// Reports lists what was issued, checks a file, and keeps the schedules.
type Reports struct {
	Frame     ui.Frame
	Statement ui.Statement
	Rows      []ReportRow
	Empty     string
	Newer     string
	Older     string
	Check     FileCheck
	Schedules ui.Table
	Ends      []ScheduleEnd // one for each schedule in force; none for a person who may not end them
	Add       *ScheduleForm // nil for a person who may not add one
	MayNot    string
}

// ReportRow is one issued report.
type ReportRow struct {
	Number string // "12"
	Title  string
	Href   string
	Kind   string
	Period string
	Issued string // "5 Mar 06:05"
	By     string // "schedule 2 of R. Tamm", "M. Okafor"
}

// FileCheck is the form that checks a file or a digest, with its answer.
type FileCheck struct {
	Action   string
	Digest   ui.Input
	Problems ui.Problems
	State    ui.State // of the answer; no word: nothing was asked
	Say      ui.Sentence
	Says     string // what the check can and cannot tell
}

// ScheduleEnd ends a schedule.
type ScheduleEnd struct{ Action, Label string }

// ScheduleForm adds a schedule.
type ScheduleForm struct {
	Action   string
	Problems ui.Problems
	Fields   []ui.Input
	Says     string
}

// Report is one report as it was issued.
type Report struct {
	Frame     ui.Frame
	Statement ui.Statement
	State     ui.State // what making it again has shown; no word: it was not tried
	StateSay  string
	Again     string // address that makes it again and compares
	Downloads []ui.Act
	Unavail   string // why it cannot be shown: then there is only the PDF
	Body      ReportBody
	Figures   Appendix
	What      []ui.Fact // issued by, when, period, data, definitions, software, digests
}

// HandOver is the hand-over of a shift as it stands.
type HandOver struct {
	Frame     ui.Frame
	Statement ui.Statement
	Filters   []ui.Input
	Issue     string     // address that issues it; "" for a person who may not
	Hidden    []ui.Input // press and shift, as the form sends them
	IssueSays string
	Body      ReportBody
	Figures   Appendix
}

// ReportBody is the part of a document between its headline and its appendix.
type ReportBody struct {
	Cautions []string
	Blocks   []ReportBlock
}

// ReportBlock is one part of it.
type ReportBlock struct {
	Heading string
	Text    []string
	Listed  bool // Text is a list
	Caution string
	Facts   []ui.Fact
	Table   *ui.Table
	Drawing *ReportDrawing
	Beside  *ReportDrawing // right of Drawing
}

// ReportDrawing is a drawing of a document.
type ReportDrawing struct {
	Drawing ui.Drawing
	Phone   ui.Drawing // nil: Drawing is for a phone too
	Half    bool       // it is narrow
	Caption string
}

// Appendix explains every figure of a report.
type Appendix struct {
	Groups []AppendixGroup
	Notes  []AppendixNote
}

// AppendixGroup is the figures of one thing.
type AppendixGroup struct {
	ID, Head string
	Table    ui.Table
}

// AppendixNote is a formula, the method of the interval and the source, which figures share.
type AppendixNote struct{ ID, Text string }

func (m Reports) table() ui.Table {
	t := ui.Table{Label: "Issued reports", Fold: true, Empty: m.Empty, Cols: []ui.Col{{Head: "Number"}, {Head: "Report"}, {Head: "Kind"}, {Head: "Period"}, {Head: "Issued"}, {Head: "By"}}}
	for _, r := range m.Rows {
		t.Rows = append(t.Rows, ui.Row{Cells: []ui.Cell{ui.Text(r.Number), {Text: r.Title, Href: r.Href}, ui.Text(r.Kind), ui.Text(r.Period), ui.Text(r.Issued), ui.Text(r.By)}})
	}
	return t
}
