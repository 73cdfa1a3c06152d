package report

import (
	"archive/zip"
	"bytes"
	"cmp"
	"encoding/hex"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/xuri/excelize/v2"

	"sagwatch/store"
)

// sheetRows is how many rows a spreadsheet program opens; longer sheets are cut there and say so. The CSV files hold all.
const sheetRows = 1048576

// XLSX writes the figures and the values behind them as a workbook: numbers as numbers, a row of units under each head.
// Spreadsheet programs keep 15 significant digits; the CSV and JSON files hold all. The same document gives the same bytes.
func (d *Document) XLSX() ([]byte, error) {
	f := excelize.NewFile()
	defer f.Close()
	w := &book{f: f}
	w.style()
	w.sheet("Report", "", d.about())
	w.sheet("Figures", "Every figure of the report, with its interval, formula and source.", d.figures())
	for _, s := range d.Sheets {
		w.sheet(s.Name, s.Says, s)
	}
	if w.err == nil {
		w.err = f.DeleteSheet("Sheet1")
	}
	if w.err == nil {
		at := d.Origin.IssuedAt.UTC().Format(time.RFC3339)
		w.err = f.SetDocProps(&excelize.DocProperties{Title: d.Title, Creator: d.Origin.IssuedBy, Created: at, Modified: at, LastModifiedBy: d.Origin.IssuedBy, Description: "digest " + hex.EncodeToString(d.Origin.InputsDigest[:])})
	}
	if w.err != nil {
		return nil, fmt.Errorf("spreadsheet of %q: %w", d.Title, w.err)
	}
	var out bytes.Buffer
	if _, err := f.WriteTo(&out); err != nil {
		return nil, fmt.Errorf("spreadsheet of %q: %w", d.Title, err)
	}
	b, err := inOrder(out.Bytes())
	if err != nil {
		return nil, fmt.Errorf("spreadsheet of %q: %w", d.Title, err)
	}
	return b, nil
}

// inOrder puts the members of an archive in the order of their names: the library writes them in a chance one.
func inOrder(archive []byte) ([]byte, error) {
	in, err := zip.NewReader(bytes.NewReader(archive), int64(len(archive)))
	if err != nil {
		return nil, err
	}
	// A reader tells the kind of file by the content types, which come first.
	first := func(name string) int { return map[bool]int{true: 0, false: 1}[name == "[Content_Types].xml"] }
	slices.SortFunc(in.File, func(a, b *zip.File) int {
		return cmp.Or(first(a.Name)-first(b.Name), strings.Compare(a.Name, b.Name))
	})
	var out bytes.Buffer
	z := zip.NewWriter(&out)
	for _, f := range in.File {
		if err := z.Copy(f); err != nil {
			return nil, err
		}
	}
	if err := z.Close(); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

// about is what the report is, as a sheet of names and values.
func (d *Document) about() Sheet {
	o := &d.Origin
	s := Sheet{Cols: []SheetCol{{Head: "What"}, {Head: "Value"}}}
	add := func(name, value string) {
		if value != "" {
			s.Rows = append(s.Rows, []any{name, value})
		}
	}
	add("Title", d.Title)
	add("Statement", d.Statement)
	for _, x := range d.Doubts {
		add("", x)
	}
	for _, x := range d.Cautions {
		add("Caution", x)
	}
	add("Issued by", o.IssuedBy)
	add("Issued at", o.IssuedAt.UTC().Format(time.RFC3339))
	switch {
	case o.From.IsZero():
	case d.Kind == store.StudyReport:
		add("First reading", o.From.UTC().Format(time.RFC3339))
		add("Last reading", o.To.UTC().Format(time.RFC3339))
	default:
		add("Period from", o.From.UTC().Format(time.RFC3339))
		add("Period to (exclusive)", o.To.UTC().Format(time.RFC3339))
	}
	add("Site", o.Site)
	add("Press", o.Press)
	add("Product", o.Product)
	add("Data", o.Data)
	add("Definitions", strings.Join(o.Definitions, "; "))
	add("Software", "Sagwatch "+o.Version)
	add("Digest of the data (SHA-256)", hex.EncodeToString(o.InputsDigest[:]))
	return s
}

// figures lists every figure as a sheet.
func (d *Document) figures() Sheet {
	s := Sheet{Cols: []SheetCol{{Head: "Id"}, {Head: "Figure"}, {Head: "Of"}, {Head: "Value"}, {Head: "Lower limit"}, {Head: "Upper limit"}, {Head: "Level"}, {Head: "Unit"}, {Head: "Interval by"}, {Head: "Formula"}, {Head: "With"}, {Head: "Source"}, {Head: "Why not given"}}}
	for i := range d.Figures {
		f := &d.Figures[i]
		level := None
		if f.Level > 0 {
			level = Number(f.Level)
		}
		s.Rows = append(s.Rows, []any{f.ID, f.Name, f.Of, float64(f.Value), float64(f.Lower), float64(f.Upper), float64(level), f.Unit, f.Method, f.Formula, f.Inputs, f.Source, f.Missing})
	}
	return s
}

// book is a workbook that is being written; the first error stops it.
type book struct {
	f                *excelize.File
	head, unit, date int
	err              error
}

func (w *book) style() {
	set := func(to *int, s *excelize.Style) {
		if w.err == nil {
			*to, w.err = w.f.NewStyle(s)
		}
	}
	format := "yyyy-mm-dd hh:mm:ss"
	set(&w.head, &excelize.Style{Font: &excelize.Font{Bold: true}, Border: []excelize.Border{{Type: "bottom", Style: 1, Color: "80817A"}}})
	set(&w.unit, &excelize.Style{Font: &excelize.Font{Color: "54585A"}})
	set(&w.date, &excelize.Style{CustomNumFmt: &format})
}

func (w *book) sheet(name, says string, s Sheet) {
	if w.err != nil {
		return
	}
	if _, w.err = w.f.NewSheet(name); w.err != nil {
		return
	}
	var sw *excelize.StreamWriter
	if sw, w.err = w.f.NewStreamWriter(name); w.err != nil {
		return
	}
	for i, c := range s.Cols {
		wide := float64(len([]rune(c.Head)) + 2)
		for _, r := range s.Rows[:min(len(s.Rows), 200)] {
			if text, ok := r[i].(string); ok {
				wide = max(wide, float64(len([]rune(text)))+1)
			}
		}
		if w.err == nil {
			w.err = sw.SetColWidth(i+1, i+1, min(max(wide, 10), 60))
		}
	}
	row := 0
	put := func(cells []any) {
		row++
		if w.err == nil {
			w.err = sw.SetRow(fmt.Sprintf("A%d", row), cells)
		}
	}
	if says != "" {
		put([]any{says})
	}
	units := slices.ContainsFunc(s.Cols, func(c SheetCol) bool { return c.Unit != "" })
	heads, unitRow := make([]any, len(s.Cols)), make([]any, len(s.Cols))
	for i, c := range s.Cols {
		heads[i], unitRow[i] = excelize.Cell{StyleID: w.head, Value: c.Head}, excelize.Cell{StyleID: w.unit, Value: c.Unit}
	}
	put(heads)
	if units {
		put(unitRow)
	}
	for i, r := range s.Rows {
		if row == sheetRows-1 {
			put([]any{fmt.Sprintf("%d rows more are in the CSV file: a sheet holds no more than this.", len(s.Rows)-i)})
			break
		}
		cells := make([]any, len(r))
		for j, v := range r {
			cells[j] = w.value(v)
		}
		put(cells)
	}
	if w.err == nil {
		w.err = sw.Flush()
	}
}

// value is a cell: a number as a number, no number as an empty cell, a time in UTC as a date.
func (w *book) value(v any) any {
	switch x := v.(type) {
	case Number:
		return w.value(float64(x))
	case float64:
		switch {
		case math.IsNaN(x):
			return nil
		case math.IsInf(x, 0):
			return map[bool]string{true: "infinite", false: "minus infinite"}[x > 0]
		}
	case time.Time:
		return excelize.Cell{StyleID: w.date, Value: x.UTC()}
	}
	return v
}
