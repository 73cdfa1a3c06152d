package page

import (
	"github.com/a-h/templ"

	"sagwatch/web/plot"
	"sagwatch/web/ui"
)

// Charts is the list of charts, by press or gauge and product.
type Charts struct {
	Frame     ui.Frame
	Statement ui.Statement
	Groups    []ChartGroup
	Empty     string
}

// ChartGroup is the charts of one press (or gauge) and product.
type ChartGroup struct {
	ID   string // element id
	Name string // "Press A, product P25"
	Say  string // "All charts of press A together: ..."; "" when not known
	Rows []ChartRow
}

// ChartRow is one chart; a chart of many streams has them in Streams.
type ChartRow struct {
	Name, Href string // "Radius of curvature, each mould"
	Kind       string // "individuals"
	Latest     string // "1108.20 mm at 12:06"
	Limits     string // "1107.16 to 1108.88, frozen"; "no limits yet, 120 of 200"
	State      ui.State
	Streams    []Stream
}

// Stream is one stream of a chart, as a link.
type Stream struct {
	Name, Href string // "mould 7"
	Current    bool
	State      ui.State // word "" for a steady one
}

// Chart is one chart of one stream.
type Chart struct {
	Frame     ui.Frame
	Statement ui.Statement
	Streams   []Stream // of the same chart, in table order; empty when there is one only
	Span      TimeSpan
	Long      *plot.Chart // the last thirty days
	Main      *plot.Chart // the companions on one axis
	Note      string      // under it: "By time pressed. ..."
	Empty     string      // in place of the drawing
	Itself    []ui.Sentence
	Alarms    *Alarms    // nil where it cannot be told
	Limits    []LimitRow // in force first
	NoLimits  string     // "No limits yet, 120 of 200 panels."
	Form      *LimitsForm
	Twin      ui.Table
	TwinSay   string // "The same as a table: 153 subgroups"
	TwinMore  string // "The table shows the last 500; the file has all 12 041."; "" when all are shown
	CSV       string // address of the table as a file
	Behind    string // address of the panels behind the points
	Signals   []ui.Entry
}

// TimeSpan is the sentence that says which time is shown.
type TimeSpan struct {
	Action   string     // "/charts/a-p25-radius"
	Keep     []ui.Input // hidden: what else the address says
	From, To ui.Input   // plant time as it can be typed
	Or       []ui.Run   // "this shift", "the day", "since plunger 15", "thirty days"
}

// LimitRow is one set of limits.
type LimitRow struct {
	From, Centre, Lower, Upper string
	Why                        string // "Frozen after plunger 15, M. Okafor"
	State                      ui.State
}

// Alarms says how soon a chart signals.
type Alarms struct {
	Says   []ui.Sentence
	Delays ui.Table
	Note   string
}

// LimitsForm freezes or revises limits. Fields: stream, how (baseline | given), baseline_from, baseline_to, lower, centre, upper,
// effective_from, reason.
type LimitsForm struct {
	Head     string // "Freeze the limits", "Revise the limits"
	Says     string // what will happen: from when, that earlier points are never judged again
	Action   string
	Problems ui.Problems
	Fields   []ui.Input
	Save     string
}

func (g ChartGroup) table() ui.Table {
	t := ui.Table{Label: g.Name, Fold: true, Cols: []ui.Col{{Head: "Chart"}, {Head: "Kind"}, {Head: "Latest"}, {Head: "Limits"}, {Head: "Streams", Drop: true}, {Head: "State"}}}
	for _, r := range g.Rows {
		var links ui.Sentence
		for i, s := range r.Streams {
			if i > 0 {
				links = links.And(", ")
			}
			links = links.Link(s.Name, s.Href)
		}
		t.Rows = append(t.Rows, ui.Row{Cells: []ui.Cell{{Text: r.Name, Href: r.Href}, ui.Text(r.Kind), ui.Text(r.Latest), ui.Text(r.Limits), {Runs: links}, {State: r.State}}})
	}
	return t
}

func (m Chart) limits() ui.Table {
	t := ui.Table{Label: "Limits in force, and before", Empty: m.NoLimits, Cols: []ui.Col{{Head: "From"}, {Head: "Centre", Right: true}, {Head: "Lower", Right: true}, {Head: "Upper", Right: true}, {Head: "Why"}}}
	for _, r := range m.Limits {
		t.Rows = append(t.Rows, ui.Row{Cells: []ui.Cell{ui.Text(r.From), ui.Text(r.Centre), ui.Text(r.Lower), ui.Text(r.Upper), {Text: r.Why, State: r.State}}})
	}
	return t
}

func here(is bool) templ.Attributes {
	if is {
		return templ.Attributes{"aria-current": "true"}
	}
	return nil
}

func wrongSpan(i ui.Input) templ.Attributes {
	if i.Problem == "" {
		return nil
	}
	return templ.Attributes{"aria-invalid": "true", "aria-describedby": i.ID + "-wrong"}
}
