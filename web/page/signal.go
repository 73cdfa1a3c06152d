package page

import (
	"sagwatch/web/plot"
	"sagwatch/web/ui"
)

// Signals is the list of signals, latest first, those open on top.
type Signals struct {
	Frame     ui.Frame
	Statement ui.Statement
	Filters   []ui.Input
	Rows      []SignalRow
	Empty     string
	Older     string
	Newer     string
}

// SignalRow is one signal.
type SignalRow struct {
	Name, Href string // "A, mould 7: radius beyond lower limit"
	Raised     string // time pressed of the first signalling panel: "11:51"
	Chart      string
	State      ui.State
	Who        string // "acknowledged by R. Tamm 13:40", "nobody yet, open for 16 minutes"
}

// Signal is one signal with the points that made it.
type Signal struct {
	Frame     ui.Frame
	Statement ui.Statement
	State     ui.State
	StateSay  string // "for 16 minutes, acknowledged by nobody"
	Stale     string // said when late panels changed it: "Withdrawn at 14:02: panel A-... came late and ..."
	ChartHead string // a sentence: what the chart shows
	Chart     *plot.Chart
	ChartNote string
	Points    ui.Table // that made it: when, panel, value, limits, rule in words
	Facts     []ui.Fact
	Streams   []Stream
	Plan      *PlanBox // what to do; nil: the cautions stand alone
	Caution   ui.Warning
	Decide    string // "The tool advises; ..."
	Acts      *SignalForm
	Log       []ui.Entry
}

// SignalForm acknowledges and closes. Closing needs cause and action. One note serves both buttons; which was pressed decides the address.
type SignalForm struct {
	Head        string
	Acknowledge string     // address; "" when it cannot be acknowledged any more
	AckLabel    string     // "Acknowledge as R. Tamm"
	Close       string     // address; "" when it cannot be closed
	CloseLabel  string     // "Close as R. Tamm"
	Choices     []ui.Input // cause and action
	Note        ui.Input
	Problems    ui.Problems
	Says        string // "Your name and the time are added and cannot be changed later; a correction is a second note."
}

func (m Signals) table() ui.Table {
	t := ui.Table{Label: "Signals", Fold: true, Empty: m.Empty, Cols: []ui.Col{{Head: "Pressed"}, {Head: "Signal"}, {Head: "Chart"}, {Head: "State"}, {Head: "Who"}}}
	for _, r := range m.Rows {
		t.Rows = append(t.Rows, ui.Row{Cells: []ui.Cell{ui.Text(r.Raised), {Text: r.Name, Href: r.Href}, ui.Text(r.Chart), {State: r.State}, ui.Text(r.Who)}})
	}
	return t
}

// parts are the live parts of the page.
func (m Signal) parts() []string {
	if m.Plan == nil {
		return []string{"signal", "happened"}
	}
	return []string{"signal", PlanSteps, "happened"}
}

// first is where the form goes when it is sent without either button.
func (f SignalForm) first() string {
	if f.Acknowledge != "" {
		return f.Acknowledge
	}
	return f.Close
}
