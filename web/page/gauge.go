package page

import (
	"github.com/a-h/templ"

	"sagwatch/web/plot"
	"sagwatch/web/ui"
)

// GaugePicker lists the gauges for the one who stands before one of them.
type GaugePicker struct {
	Frame     ui.Frame
	Statement ui.Statement
	Gauges    []GaugeRow
	Empty     string
}

// Gauge is the technician's page: the verdict on the last panel (or on the one that was scanned), what to do next, and the field
// for the next serial.
type Gauge struct {
	Frame   ui.Frame
	ID      string // the gauge
	Slab    ui.Verdict
	Bar     []ui.Fact    // panel, press and mould, product, second reading; only the text of each is shown
	Map     *plot.Map    // deviations at the places; nil for a gauge without places or before the first panel
	Items   []ui.Fact    // for a gauge of dimensions: each characteristic with its verdict
	Due     *ui.State    // large: "Master panel due in 9 minutes"; nil when it is not near
	DueSay  string       // which master, what to do
	Doubt   *ui.Sentence // that measurements of the gauge are in doubt, with the way to decide; nil for none
	Facts   []ui.Fact    // radius, places read, link
	Scan    Scan         // not in a live part
	Before  []LastRow    // panels before this one, latest first
	Largest string       // head of the third column: "Largest, µm"
	Empty   string       // in place of Before: "No panel since 06:00."
	Around  []ui.Entry   // master checks and notes of the shift; may be empty
}

// Scan is the field that keeps the focus.
type Scan struct {
	Action  string // "/gauge/CG-1"
	Label   string // "Scan or type the next serial, then Enter"
	Example string // "A-0000000"
	Value   string // what was scanned and not found, kept
	Problem string // "Panel A-0147999 has not been measured on CG-1."
	Acts    []ui.Act
}

// LastRow is one of the panels before.
type LastRow struct {
	Panel, Href string
	Mould       string
	Value       string
	State       ui.State
}

func (m Gauge) before() ui.Table {
	t := ui.Table{Label: "Panels before this one", Empty: m.Empty, Cols: []ui.Col{{Head: "Panel", Whole: true}, {Head: "Mould", Right: true, Drop: true}, {Head: m.Largest, Right: true}, {Head: "Verdict"}}}
	if m.Empty == "" {
		t.Empty = "No panel before this one."
	}
	for _, r := range m.Before {
		t.Rows = append(t.Rows, ui.Row{Cells: []ui.Cell{{Text: r.Panel, Href: r.Href}, ui.Text(r.Mould), ui.Text(r.Value), {State: r.State}}})
	}
	return t
}

func (s Scan) marks() templ.Attributes {
	if s.Problem == "" {
		return nil
	}
	return templ.Attributes{"aria-invalid": "true", "aria-describedby": "serial-wrong"}
}
