package page

import (
	"sagwatch/web/plot"
	"sagwatch/web/ui"
)

// Panels is the list of panels, by time pressed, latest first, in pages by key.
type Panels struct {
	Frame     ui.Frame
	Statement ui.Statement
	Filters   []ui.Input // press, mould, verdict, serial, from, to; names are those of the address
	Problems  ui.Problems
	Rows      []PanelRow
	Empty     string // "No panel of mould 7 between ... and ...; the last was pressed at 11:47."
	Newer     string // address of the page before; "" for none
	Older     string
	Head      string // of the last but one column: "Largest, µm"
	RadiusCol string // "Radius, mm"
}

// PanelRow is one panel's measurement in the list.
type PanelRow struct {
	Serial, Href string
	Pressed      string // "11:47:20"; with "estimated" where it was taken from the time gauged
	Press, Mould string
	Gauge        string
	Radius       string
	Largest      string
	State        ui.State
	Note         string // "recheck", "corrected", "void"
}

// Panel is everything known of one panel: the auditor's page.
type Panel struct {
	Frame       ui.Frame
	Statement   ui.Statement
	Steps       []Step
	Acts        []ui.Act // correct, void, key in again: what this person may do with the measurement shown
	Refusal     string   // in words why there is no fit; "" when there is one
	Reasons     []string // of the verdict, worst first
	Measured    Measured
	MapHead     string    // "Farthest from the contour: 172 µm low at place 47, bottom right"
	Map         *plot.Map // deviation from the contour; nil for a gauge without places
	Suspect     string    // "Place 10 is suspect: ..."; "" for none
	Faulty      string    // "Left out: place 19, its probe was declared faulty on 4 Mar."; "" for none
	Among       *plot.Chart
	AmongNote   string
	Places      ui.Table   // of 48 as they lie; the unit is in PlacesSay
	PlacesSay   string     // "The 48 readings, as deviations in µm"
	Received    *ui.Table  // the same as received, in the gauge's unit
	ReceivedSay string     // summary of that table: "As received, in mm"
	Shape       *ui.Table  // shape terms with their doubt
	Sphere      *ui.Table  // fit: radius, centre, rms, form
	Around      *ui.Table  // master checks before and after
	Then        []ui.Fact  // limits then, gauge then, sent by, corrected
	Why         []Origin   // where each number came from, by id
	History     ui.Table   // all measurements, the superseded, void and rechecks too
	Conflicts   []ui.Entry // other content under the same identity, not resolved
	Log         []ui.Entry // who did what
}

// Step is one station of the panel's way.
type Step struct {
	Name  string // "Pressed"
	At    string // "11:47:20"; "not yet"
	Text  string
	State ui.State
	Now   bool
}

// Measured is the table of what was measured, with its doubt, against the limits in force then.
type Measured struct {
	Limits string // head of the limits' column: "Limits (P25, revision 4)"
	Doubt  string // "Doubt (k = 2)"
	Rows   []MeasuredRow
}

// MeasuredRow is one characteristic.
type MeasuredRow struct {
	ID     string // of the row: what a point of a chart may lead to
	Name   string // with its unit: "Radius of curvature, mm"
	Value  string
	Why    string     // "#why-radius"; "" for none
	Doubt  string     // with its sign: "± 0.10"; "unknown"
	Span   *plot.Span // where it lies; nil without limits
	Limits string     // "1101.5 to 1113.5", "at most 381", "no limit"
	State  ui.State
	Note   string // why it is not judged
}

// Origin says where a number came from.
type Origin struct {
	ID      string // "why-radius"; links of class why lead here
	Name    string // "Radius of curvature: 1106.84 ± 0.10 mm"
	Formula string // in words and plain signs
	Inputs  []ui.Fact
	Source  string // author, title, year, place: "ISO 14253-1:2017, ..."
	Href    string // to the inputs, "" for none
}

func (m Panels) table() ui.Table {
	t := ui.Table{Label: "Panels", Empty: m.Empty, Cols: []ui.Col{{Head: "Panel", Whole: true}, {Head: "Pressed"}, {Head: "Press", Drop: true}, {Head: "Mould", Right: true, Drop: true}, {Head: "Gauge", Drop: true},
		{Head: m.RadiusCol, Right: true, Drop: true}, {Head: m.Head, Right: true, Drop: true}, {Head: "Verdict"}}}
	for _, r := range m.Rows {
		t.Rows = append(t.Rows, ui.Row{Cells: []ui.Cell{{Text: r.Serial, Href: r.Href}, ui.Text(r.Pressed), ui.Text(r.Press), ui.Text(r.Mould), ui.Text(r.Gauge),
			ui.Text(r.Radius), ui.Text(r.Largest), {State: r.State, Note: r.Note}}})
	}
	return t
}

func (m Measured) table() ui.Table {
	t := ui.Table{Label: "What was measured", Fold: true, Middle: true, Cols: []ui.Col{{Name: "Characteristic"}, {Head: "Value", Right: true}, {Head: m.Doubt, Right: true},
		{Head: "Where it lies"}, {Head: m.Limits}, {Head: "Verdict by ISO 14253-1"}}}
	for _, r := range m.Rows {
		lies := ui.Cell{}
		if r.Span != nil {
			lies.Drawing = r.Span
		}
		t.Rows = append(t.Rows, ui.Row{ID: r.ID, Cells: []ui.Cell{ui.Text(r.Name), {Text: r.Value, Href: r.Why, Why: r.Why != ""}, ui.Text(r.Doubt), lies, ui.Text(r.Limits), {State: r.State, Note: r.Note}}})
	}
	return t
}
