package page

import "sagwatch/web/ui"

// Holds lists the holds, open ones first.
type Holds struct {
	Frame     ui.Frame
	Statement ui.Statement
	Open      ui.Table // with how far their sorting has come
	Closed    ui.Table
	Older     string
	Newer     string
}

// HoldForm puts panels on hold.
type HoldForm struct {
	Frame     ui.Frame
	Statement ui.Statement
	Problems  ui.Problems
	Kept      []ui.Input // hidden
	Press     ui.Input
	Time      []ui.Input // by time pressed
	Serials   []ui.Input // or by serials
	Reason    ui.Input
	Save      string
	Caution   ui.Warning
}

// Hold is one hold and the sorting of its panels.
type Hold struct {
	Frame     ui.Frame
	Statement ui.Statement
	State     ui.State
	StateSay  string
	Facts     []ui.Fact // which panels, why, who, where they are
	Progress  ui.Table
	Caution   ui.Warning
	Decide    string
	Scan      *HoldScan // nil for somebody who may not decide
	Acts      []HoldAct // release the rest, end, close
	Which     []HoldChoice
	PanelSay  string // heading of the panels: "The seven panels that wait for a decision"
	Panels    ui.Table
	Newer     string
	Older     string
	CSV       string
	Log       []ui.Entry
}

// HoldScan takes serials one after another; what was decided last stays chosen. It is not in a live part.
type HoldScan struct {
	Action   string
	Problems ui.Problems
	Serial   ui.Input
	Decision ui.Input // radio buttons
	Reason   ui.Input
	Save     string
	Says     string
}

// HoldAct is a small form with one button.
type HoldAct struct {
	ID, Head, Action, Label string
	Problems                ui.Problems
	Fields                  []ui.Input
	Says                    string
	Grave                   bool
}

// HoldChoice shows some of the panels.
type HoldChoice struct {
	Text, Href string
	Now        bool
}
