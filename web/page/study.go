package page

import (
	"sagwatch/web/plot"
	"sagwatch/web/ui"
)

// Studies lists the gauge studies.
type Studies struct {
	Frame     ui.Frame
	Statement ui.Statement
	Rows      []StudyRow
	Empty     string
	Older     string
	Newer     string
}

// StudyRow is one study.
type StudyRow struct {
	Number, Title, Href string
	Kind, Gauge         string
	Progress            string // "17 of 90"
	State               ui.State
	Planned             string // "4 Mar by M. Okafor"
}

// StudyChoice is the first step of a plan: what kind, which gauge, which product. It is sent by GET.
type StudyChoice struct {
	Frame     ui.Frame
	Statement ui.Statement
	Problems  ui.Problems
	Fields    []ui.Input
	Kinds     []ui.Fact // each kind and what it answers
}

// StudyForm is the second step: panels, appraisers, trials, characteristics.
type StudyForm struct {
	Frame     ui.Frame
	Statement ui.Statement
	Problems  ui.Problems
	Kept      []ui.Input // the first step, hidden
	Fields    []ui.Input
	Values    *StudyValues // which characteristics; nil for a kind that has none
	Save      string
	Back      string
}

// StudyValues are the characteristics to choose from, one or several.
type StudyValues struct {
	Label, Help, Problem string
	Several              bool
	Options              []ui.Option
}

// StudySheet is the order sheet, for paper.
type StudySheet struct {
	Frame     ui.Frame
	Statement ui.Statement
	Facts     []ui.Fact
	Lines     ui.Table
}

// StudyCollect guides whoever takes the readings.
type StudyCollect struct {
	Frame     ui.Frame
	Statement string     // heading of the slab for those who do not see: "Study 4"
	Slab      ui.Verdict // the next reading in very large words
	Bar       []ui.Fact  // progress, appraiser, trial
	Scan      *StudyScan // nil: nobody may take readings, or the right panel was scanned
	Mend      *StudyMend // nil: every measurement stands as it was taken
	Taken     ui.Table   // the last readings, latest first
	Coming    ui.Table   // the next lines
	Key       *StudyKey  // nil for a person who may not take readings, or a kind that is not keyed in
	Undo      *StudyAct
	Acts      []ui.Act
	Abandon   *StudyAct
}

// StudyScan asks whether a panel is the right one.
type StudyScan struct {
	Action, Label, Help string
}

// StudyMend names readings whose measurements were changed afterwards.
type StudyMend struct {
	Heading, Text string
	Table         ui.Table
	Take, Again   *StudyAct
	Note          string
}

// StudyKey keys the value of the next reading in.
type StudyKey struct {
	Head, Action string
	Problems     ui.Problems
	Line         string // for which line of the sheet; sent back
	Fields       []ui.Input
	Save         string
	Says         string
	Ready        bool // the right panel was scanned: the value is next
}

// StudyAct is a small form with one button.
type StudyAct struct {
	Head, Action, Label string
	Problems            ui.Problems
	Fields              []ui.Input
	Says                string
	Grave               bool
}

// StudyResult is the analysis.
type StudyResult struct {
	Frame     ui.Frame
	Statement ui.Statement
	State     ui.State
	StateSay  string
	Mend      *StudyMend
	Parts     []StudyPart
	Figures   ui.Table // every figure with formula, inputs and source
	Adopt     *StudyAct
	Report    *StudyAct
	Abandon   *StudyAct
	Undo      *StudyAct
	Log       []ui.Entry
}

// StudyPart is a section of the analysis.
type StudyPart struct {
	Heading, Text string
	Groups        *plot.Groups
	Map           *plot.Map
	Caption       string
	Table         *ui.Table
	Caution       string
}

func (m Studies) table() ui.Table {
	t := ui.Table{Label: "Gauge studies", Fold: true, Empty: m.Empty, Cols: []ui.Col{{Head: "No.", Right: true}, {Head: "Study"}, {Head: "Kind"}, {Head: "Gauge"}, {Head: "Readings"}, {Head: "State"}, {Head: "Planned"}}}
	for _, r := range m.Rows {
		t.Rows = append(t.Rows, ui.Row{Cells: []ui.Cell{ui.Text(r.Number), {Text: r.Title, Href: r.Href}, ui.Text(r.Kind), ui.Text(r.Gauge), ui.Text(r.Progress), {State: r.State}, ui.Text(r.Planned)}})
	}
	return t
}

// kind is the input type of the choice.
func (v StudyValues) kind() string {
	if v.Several {
		return "checkbox"
	}
	return "radio"
}
