package plot

import "time"

// PointKind says how a point takes part in its chart.
type PointKind uint8

const (
	Measured PointKind = iota // judged, within its limits
	Hollow                    // excluded or not yet complete: drawn hollow, judged by nothing
	Signal                    // part of a signal
)

// Point is one charted value.
type Point struct {
	At     time.Time
	Value  float64
	Href   string // where the point leads, "" for nowhere
	Title  string // value, unit, time and panel, shown on the point when it is hovered or focused
	Kind   PointKind
	Words  string  // what a signal is, shown at the last of consecutive signal points
	Gap    bool    // the line breaks before this point
	U      float64 // standard uncertainty (k = 1) in the pane's unit, 0 for none; the whisker is drawn at k = 2
	Reason string  // why a hollow point is excluded, shown once
}

// Column is one bin of a long view.
type Column struct {
	At             time.Time // where the column is drawn, commonly the middle of its bin
	Min, Max, Mean float64
	N              int // values in the bin; columns of none are skipped
	Signals        int // signal points in the bin; a column with one carries a signal disc
	Href, Title    string
}

// LimitSpan is a stretch of time with one set of control limits in force.
type LimitSpan struct {
	From, To                      time.Time
	Lower, Centre, Upper          float64
	HasLower, HasCentre, HasUpper bool
	Provisional                   bool
	Words                         string // who and why, at the top of the revision line: "frozen 03:20, M. Okafor"
}

// Pane is one chart on the common time axis. It has Points, or for a long view Columns worked out beforehand.
type Pane struct {
	Title                string  // the question it answers: "Does it scatter?"
	What                 string  // statistic and unit: "standard deviation inside five panels, mm"
	Points               []Point // in order of time; values that are no numbers are left out
	Columns              []Column
	Limits               []LimitSpan // in order of time
	Height               float64     // of the plot area in units; 0 for what suits the kind of pane
	Main                 bool        // larger title; carries the words of limits, gaps, lehr, change and specification
	Stems                bool        // stems from zero up or down to each point
	Decimals             int         // of the values at the right end
	SpecLower, SpecUpper *float64    // specification limits, nil for none
	SpecUnit             string
	ZeroLabel            string    // word in place of "centre 0" at the right end: "no change"
	Before, After        []float64 // single values before and after the change, drawn as ticks beside the main pane
}

// Event is a happening in the lane under the axis.
type Event struct {
	At    time.Time
	Words string
}

// Change is an estimated change point with its 95 % set, drawn through all panes.
type Change struct {
	At, Earliest, Latest time.Time
	Words                string // "began 11:38"
}

// Bracket marks under a long view the stretch that another drawing shows.
type Bracket struct {
	From, To time.Time
	Words    string // "shown below"
}

// Chart is a drawing of one to several panes on one time axis.
//
// Points up to about one in 2.5 units are drawn as discs joined by a line, up to one a unit as the line alone, and denser ones as
// columns from the least to the greatest with the mean on top; signal points show in all three.
type Chart struct {
	ID       string // unique on the page; prefix of element ids
	Title    string // accessible name
	Desc     string // what the chart shows, with numbers
	From, To time.Time
	Zone     *time.Location // plant time; nil for UTC
	Panes    []Pane
	Events   []Event
	LehrFrom time.Time   // hatched from here to To, "in the lehr, not yet measured"; zero for none
	InLehr   []time.Time // when the panels were pressed that are still in the lehr, a tick each in the main pane
	Change   *Change
	Bracket  *Bracket
	Width    float64 // of the wide drawing in units, for a chart that has less than the page's width; 0 for 1328
}

// Sparkline is one mould on the line board: its last hours on a white band at its own limits. Its last value is HTML above it.
type Sparkline struct {
	ID, Title, Desc      string
	From, To             time.Time
	Points               []Point
	Lower, Centre, Upper float64
	HasLimits            bool
	HalfSpan             float64   // half the height of the scale in the points' unit, the same for all moulds; 0 for 1.5 times the band
	ChangeAt             time.Time // pencil upright, zero for none
}

// Ring is a press seen from above: its moulds round the table, first at the top, clockwise.
type Ring struct {
	ID, Title, Desc string
	Moulds          []RingMould
	Words           []string // at most two short lines in the middle: "11 moulds", "110 s round"
}

// RingMould is one mould of a Ring.
type RingMould struct {
	Name   string
	Signal bool
	Href   string
}

// PlaceState says what became of a probe's reading.
type PlaceState uint8

const (
	Used    PlaceState = iota
	Missing            // no reading
	Faulty             // the probe was found faulty: left out
	Suspect            // stands out from the shape of this one panel: counted
)

// Place is one probe's place on the panel. X, Y in mm as the gauge looks at the glass, x right, y up; DevUM in µm, positive above
// the contour.
type Place struct {
	N     int // the gauge's own number, from 1
	X, Y  float64
	DevUM float64
	State PlaceState
}

// Outline is the panel's edge: a rectangle about the origin with round corners, in mm. The zero Outline is derived from the places.
type Outline struct {
	WidthMM, HeightMM, CornerMM float64
}

// Map is the surveyor's plan of one panel's deviations.
type Map struct {
	ID          string // unique on the page
	Title, Desc string
	Places      []Place
	Outline     Outline
	WorstPlace  int     // number of the place to ring; 0 for the largest of those counted, negative for none
	Numbers     bool    // a number under every disc, else at the ringed place only
	Small       bool    // for maps beside one another: larger type, no numbers but the largest
	Step        float64 // contour step in µm, the same for maps beside one another; 0 to choose it
	Caption     string  // under the map; "" for "contours every ... µm from the product's own contour"
}

// Span draws where a value lies between its specification limits, with its doubt.
type Span struct {
	ID, Title, Desc string // "" for a title of value and limits
	Value           float64
	U               float64  // standard uncertainty (k = 1)
	K               float64  // coverage factor of the whisker, 0 for 2
	Lower, Upper    *float64 // at least one; with Upper alone the bar starts at 0, or at the value where that is less
	Nominal         *float64
	Decimals        int
}

// ShapeKind is one of the five shapes that go with state words.
type ShapeKind string

const (
	ShapeGood   ShapeKind = "good"   // disc with a tick
	ShapeBad    ShapeKind = "bad"    // diamond with a cross
	ShapeUnsure ShapeKind = "unsure" // half-filled ring
	ShapeHeld   ShapeKind = "held"   // two upright bars
	ShapeNone   ShapeKind = "none"   // broken ring
)
