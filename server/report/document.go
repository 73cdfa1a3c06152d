// Package report makes the documents that an engineer can send: capability, gauge studies, hand-over. A report is worked out
// from its Inputs alone, so it can be made again to the byte from what was stored when it was issued.
//
// Each kind of report gathers its inputs (from the database, once), works its figures out (in spc), and lays them out as one
// Document; the writers turn any Document into PDF, XLSX, CSV, JSON or XML.
package report

import (
	"encoding/json"
	"math"
	"time"

	"sagwatch/store"
	"sagwatch/web/plot"
)

// Document is a report ready to be written in any form.
type Document struct {
	Kind      string   // a kind of store.Report
	Title     string   // "Capability of press B, P25, 1 to 28 February 2026"
	Statement string   // the situation in one sentence, with its numbers
	Doubts    []string // what is doubtful about it and what it means, a paragraph each
	Origin    Origin   // who, when, from which data
	Blocks    []Block  // the body, in order
	Figures   []Figure // every figure, explained in the appendix and listed in the spreadsheet
	Sheets    []Sheet  // the values behind it: one sheet, one CSV file each
	Results   []Result // judged characteristics, for the exchange of results as XML
	Cautions  []string // what the reader must not take it for
	Zone      *time.Location
}

// Origin says who issued a report, when, and from which data.
type Origin struct {
	Site, Plant  string
	Press        string
	Product      string
	IssuedBy     string
	IssuedAt     time.Time
	From, To     time.Time // period by line time, to exclusive; of a study those of its first and last reading; zero: none
	Data         string    // "11 088 panels of 11 moulds in 84 shifts; gauge CG-2"
	Definitions  []string  // "product P25 revision 4", "limits of chart B.P25.radius_mm.cycle-mean revision 2"
	Version      string    // of the software
	InputsDigest [32]byte  // SHA-256 of the stored inputs, by which the service knows the report again
}

// PlantWords names the plant; "site TW" where the set-up gives it no name beside its id.
func (o *Origin) PlantWords() string {
	if o.Plant == "" || o.Plant == o.Site {
		return "site " + o.Site
	}
	return o.Plant
}

// PeriodFact says which time a kind of report covers: a period by the time of pressing or, of a study, when its readings were taken.
// It is false where there is none: a study of which nothing was read yet.
func PeriodFact(kind string, from, to time.Time, moment func(time.Time) string) (Fact, bool) {
	switch first, last := moment(from), moment(to); {
	case from.IsZero():
		return Fact{}, false
	case kind != store.StudyReport:
		return Fact{"Period", first + " to before " + last + ", by the time of pressing"}, true
	case first == last:
		return Fact{"Readings taken", first}, true
	default:
		return Fact{"Readings taken", first + " to " + last}, true
	}
}

// Figure is one number of a report with its doubt and its defence.
type Figure struct {
	ID       string // unique in the document: "ppk.radius_mm", "ppk.radius_mm.mould:9"
	Name     string // "Ppk"
	Of       string // "radius of curvature, mould 9"
	Unit     string // "mm", "um", "ppm", "1"
	Value    Number
	Lower    Number // interval, NaN for none
	Upper    Number
	Level    float64 // of the interval, 0.95; 0: no interval
	Decimals int     // as many as the doubt allows
	Method   string  // of the interval: "blocks of shifts, 2 000 resamples"
	Formula  string
	Inputs   string // the numbers put in
	Source   string // standard, section
	Missing  string // why there is no value; then Value is NaN
}

// Number is a float64 whose NaN and infinities survive JSON, as null and as text.
type Number float64

// None is a number that is not there.
var None = Number(math.NaN())

// Has is true for a finite number.
func (n Number) Has() bool { return !math.IsNaN(float64(n)) && !math.IsInf(float64(n), 0) }

// MarshalJSON writes NaN as null and infinities as "inf" and "-inf".
func (n Number) MarshalJSON() ([]byte, error) {
	switch v := float64(n); {
	case math.IsNaN(v):
		return []byte("null"), nil
	case math.IsInf(v, 1):
		return []byte(`"inf"`), nil
	case math.IsInf(v, -1):
		return []byte(`"-inf"`), nil
	default:
		return json.Marshal(v)
	}
}

// UnmarshalJSON reads what MarshalJSON writes.
func (n *Number) UnmarshalJSON(b []byte) error {
	switch string(b) {
	case "null":
		*n = None
		return nil
	case `"inf"`:
		*n = Number(math.Inf(1))
		return nil
	case `"-inf"`:
		*n = Number(math.Inf(-1))
		return nil
	}
	var v float64
	err := json.Unmarshal(b, &v)
	*n = Number(v)
	return err
}

// Block is one part of a report's body. What it holds is kept together in print as far as a page allows, in the order of its members.
type Block struct {
	Heading string
	Text    string // a paragraph
	Facts   []Fact
	Table   *Table
	Drawing *Drawing
	Beside  *Drawing // right of Drawing, both half as wide
	Caution string
	Break   bool // what follows begins a page
}

// Fact is a name and its value.
type Fact struct{ Name, Value string }

// Table is a table of words and figures as they are printed.
type Table struct {
	Caption string
	Cols    []Col
	Rows    [][]Cell
}

// Col is a column of a printed table.
type Col struct {
	Head  string
	Right bool    // figures
	Wide  float64 // share of the width; 0: as its content needs
	Once  bool    // what repeats the row above is left out in print, save at the head of a page
}

// Cell is a cell of a printed table.
type Cell struct {
	Text   string
	Figure string // id of the figure that it shows, for the appendix
	Strong bool   // the row's or the table's point; in words too
}

// Drawing is a chart or map with its caption.
type Drawing struct {
	Scene   *plot.Scene
	Phone   *plot.Scene // the same for a narrow page; nil where Scene is narrow itself, or there is none
	Caption string
}

// Sheet is a table of values, as numbers, for a spreadsheet.
type Sheet struct {
	Name string // at most 31 characters, without : \ / ? * [ ]
	Says string // what it holds, one sentence
	Cols []SheetCol
	Rows [][]any // string, float64, int64, bool, time.Time or nil
}

// SheetCol is a column of a sheet.
type SheetCol struct {
	Head string
	Unit string // "mm", "um", "ppm", ""; stands in its own row under the head
}

// Result is a judged characteristic in general terms.
type Result struct {
	Characteristic string // its key: "radius_mm", or a name of the product's own
	Unit           string
	Nominal        Number
	Lower, Upper   Number // specification limits
	Mean, SD       Number
	Count          int64
	Within         string // "pass", "fail", "undecided" by the index wanted
}
