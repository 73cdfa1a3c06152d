package page

import (
	"strconv"

	"github.com/a-h/templ"

	"sagwatch/web/ui"
)

// KeyIn is the form for readings that the gauge computer could not send. Fields: panel, press, product, mould, lane, measured_at
// (plant time), pressed_at, purpose, and the readings r1..rN; or, without script, all of them in block, which is read when every
// r field is empty. For a gauge of dimensions the readings are named characteristics c.NAME.
type KeyIn struct {
	Frame     ui.Frame
	Statement ui.Statement
	Gauge     string // "CG-1"
	Action    string // "/gauge/CG-1/key-in"
	Back      string // "/gauge/CG-1"
	Problems  ui.Problems
	About     []ui.Input // panel, press, product, mould, lane, measured at, pressed at, purpose
	Places    Places
	Values    []ui.Input // characteristics or values of a gauge of dimensions; then Places has no rows
	Counts    []ui.Input // findings by eye: how many panels were looked at, on how many each was found
	Block     ui.Input   // text area "block"
	Caution   *ui.Warning
	Save      string // "Store the 48 readings"
}

// Places is the grid of fields, laid out as the gauge lies: first row at the top.
type Places struct {
	Head    string // "The 48 readings, radial distance in mm"
	Help    string // how they lie, what to leave empty
	Unit    string
	Columns int // of the widest row, for the layout: at most 12
	Rows    [][]PlaceField
}

// PlaceField is the field of one place. The zero PlaceField is an empty spot in the grid.
type PlaceField struct {
	Number  int    // the gauge's own number, from 1; the field is called r and the number
	Value   string // as typed
	Problem string // "Reading 31 is 28.13; between 1090 and 1125 mm is believable. Inches?"
	Unused  bool   // the place is not in use: no field
}

// Correct replaces a stored measurement by another, with a reason; the original stays to be seen.
type Correct struct {
	Frame     ui.Frame
	Statement ui.Statement
	Action    string
	Back      string
	Problems  ui.Problems
	Was       []ui.Fact // what is stored now
	About     []ui.Input
	Places    Places
	Values    []ui.Input
	Counts    []ui.Input
	Reason    ui.Input
	Save      string // "Store the correction"
}

// Void takes a measurement out of every figure, with a reason; it stays to be seen.
type Void struct {
	Frame     ui.Frame
	Statement ui.Statement
	Action    string
	Back      string
	Problems  ui.Problems
	Was       []ui.Fact
	Means     string // what will change: "The panel has no other measurement on a curvature gauge: it will not be judged."
	Reason    ui.Input
	Save      string // "Void the measurement of 13:21"
}

// class names the number of columns, which the style sheet knows from 1 to 12.
func (p Places) class() string { return "c" + strconv.Itoa(min(max(p.Columns, 1), 12)) }

// id is the field's element id and name.
func (f PlaceField) id() string { return "r" + strconv.Itoa(f.Number) }

func (f PlaceField) marks() templ.Attributes {
	if f.Problem == "" {
		return templ.Attributes{"aria-describedby": "places-help"}
	}
	return templ.Attributes{"aria-invalid": "true", "aria-describedby": f.id() + "-wrong places-help"}
}
