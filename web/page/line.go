package page

import (
	"strconv"

	"sagwatch/web/plot"
	"sagwatch/web/ui"
)

// Line is the supervisor's board: every press, its moulds, the open signals, the counts of the shift and the gauges.
type Line struct {
	Frame     ui.Frame
	Statement ui.Statement
	Loading   *Loading // while history comes in, else nil
	Presses   []Press
	Signals   []ui.Entry // open ones and those of this shift, latest first; Text begins with the link
	Quiet     string     // said in place of an empty list: "No signal since Tuesday 06:00. 4812 cycles on two presses, all charts quiet."
	Shift     Shift
	Gauges    Gauges
}

// Loading says how far history has come in.
type Loading struct {
	Words string // "Taking in history: 3 120 of 5 760 panels"
	Done  int64
	Of    int64 // 0 when unknown: then no bar is drawn
	After string
}

// Press is one press on the board.
type Press struct {
	ID      string // "A"; element ids are made of it
	Name    string // "Press A"
	State   ui.State
	Product string // "product P25"
	Limits  string // "Limits frozen at 03:20 today", "no limits yet, 120 of 200 cycles"
	Ring    *plot.Ring
	Cycles  *plot.Chart // mean of each press cycle; nil before the first cycle
	NoChart string      // said when Cycles is nil: "No cycle is complete yet."
	Caption string      // of the moulds: what the figures are, the unit, the band, the span
	Moulds  []Mould
}

// Mould is one mould of a press on the board.
type Mould struct {
	Name  string // "7"
	Full  string // "Press A, mould 7": the link's name
	Href  string // to its chart, or to its open signal
	Last  string // last value, less the cycle mean or its own centre: "-1.05" with a true minus
	Out   bool   // has an open signal
	Words string // under the sparkline of an odd one: "below limit since 11:38"
	Spark *plot.Sparkline
}

// Shift is the table of counts, one column a press. Gauged is the sum of the rows under it.
type Shift struct {
	Head   string // "The shift so far: 4354 gauged, ten of them do not conform"
	Since  string // "Panels pressed since 06:00, as of 13:41."
	Shares string // "Of those gauged, 0.32 % do not conform on A and 0.14 % on B."
	Cols   []string
	Rows   []ShiftRow
}

// ShiftRow is one count of each press.
type ShiftRow struct {
	Name   string   // "Gauged", "Conforms", "Undecided", "Does not conform", "Not judged"
	Counts []string // one a column
	Sum    bool
	Href   string // to the panels counted; "" for none
}

// Gauges is the table of gauges with their last master check.
type Gauges struct {
	Head  string // "CG-1 needs its master panel in nine minutes"
	Rows  []GaugeRow
	Empty string // said when no gauge is defined
}

// GaugeRow is one gauge.
type GaugeRow struct {
	Name, Href string
	Last       string   // last panel: "13:40, A-0147681"
	Master     string   // last master check: time and error; "never" where there was none
	State      ui.State // "check due 13:50", "in order", "beyond the allowed error"
}

// anchor is the element id of the press's heading.
func (p Press) anchor() string { return "press-" + slug(p.ID) }

// width of the part of the bar that is done, of 1000.
func (l Loading) width() string {
	return strconv.FormatInt(min(max(l.Done, 0), l.Of)*1000/l.Of, 10)
}

func gaugeTable(rows []GaugeRow, empty string) ui.Table {
	t := ui.Table{Label: "Gauges", Fold: true, Empty: empty, Cols: []ui.Col{{Head: "Gauge"}, {Head: "Last panel"}, {Head: "Last master check"}, {Head: "State"}}}
	for _, r := range rows {
		t.Rows = append(t.Rows, ui.Row{Cells: []ui.Cell{{Text: r.Name, Href: r.Href}, ui.Text(r.Last), ui.Text(r.Master), {State: r.State}}})
	}
	return t
}
