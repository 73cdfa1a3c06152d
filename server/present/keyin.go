package present

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strconv"
	"strings"
	"time"

	"sagwatch/spc"
	"sagwatch/web/page"
	"sagwatch/web/ui"
)

// KeyInFacts is what the forms for readings by hand are made of.
type KeyInFacts struct {
	Gauge    *spc.Gauge
	Presses  []*spc.Press
	Products []*spc.Product
	Places   [][2]float64 // where the places lie, mm; nil where that is not known
	Typed    Typed
	Wrong    []Wrong
}

// Names lists the characteristics that a form for the gauge has: those of all its products, each once.
func Names(g *spc.Gauge, products []*spc.Product) (out []string) {
	if g.Kind != spc.Dimensions {
		return nil
	}
	for _, p := range products {
		for _, c := range p.Characteristics {
			if !slices.Contains(out, c.Name) {
				out = append(out, c.Name)
			}
		}
	}
	return out
}

// problem is what is wrong with one field.
func (f KeyInFacts) problem(field string) string {
	for _, w := range f.Wrong {
		if w.Field == field {
			return w.Short
		}
	}
	return ""
}

// Problems is the block at the top of the form.
func (f KeyInFacts) Problems() ui.Problems {
	if len(f.Wrong) == 0 {
		return ui.Problems{}
	}
	p := ui.Problems{Head: Capital(ui.Plural(int64(len(f.Wrong)), "thing", "things")) + " to put right"}
	for _, w := range f.Wrong {
		p.Items = append(p.Items, ui.Problem{Field: w.Field, Name: w.Name, Text: w.Text})
	}
	return p
}

// About makes the fields about the panel.
func (f KeyInFacts) About() []ui.Input {
	t := f.Typed
	options := func(none string, chosen string, names ...string) (out []ui.Option) {
		if none != "" {
			out = append(out, ui.Option{Label: none, Selected: chosen == ""})
		}
		for _, n := range names {
			out = append(out, ui.Option{Value: n, Label: n, Selected: n == chosen})
		}
		if chosen != "" && !slices.Contains(names, chosen) { // kept as it was sent
			out = append(out, ui.Option{Value: chosen, Label: chosen, Selected: true})
		}
		return out
	}
	var presses, products, moulds, lanes []string
	for _, p := range f.Presses {
		presses = append(presses, p.ID)
		for _, m := range p.Moulds {
			if !slices.Contains(moulds, m) {
				moulds = append(moulds, m)
			}
		}
		for _, l := range p.Lanes {
			if !slices.Contains(lanes, l) {
				lanes = append(lanes, l)
			}
		}
	}
	for _, p := range f.Products {
		if p.Contour != nil || f.Gauge.Kind == spc.Dimensions {
			products = append(products, p.ID)
		}
	}
	purposes := []ui.Option{{Value: string(spc.Production), Label: "production"}, {Value: string(spc.Recheck), Label: "recheck"}, {Value: string(spc.Study), Label: "study"}}
	if len(f.Gauge.Masters) > 0 || t.Purpose == string(spc.MasterCheck) {
		purposes = append(purposes, ui.Option{Value: string(spc.MasterCheck), Label: "master check"})
	}
	for i := range purposes {
		purposes[i].Selected = purposes[i].Value == t.Purpose
	}
	out := []ui.Input{
		{ID: "panel", Name: "panel", Label: "Panel", Value: t.Panel, Max: 64},
		{ID: "press", Name: "press", Label: "Press", Options: options("", t.Press, presses...)},
		{ID: "product", Name: "product", Label: "Product", Options: options("", t.Product, products...)},
		{ID: "mould", Name: "mould", Label: "Mould", Optional: true, Options: options("not known", t.Mould, moulds...)},
	}
	if len(lanes) > 0 || t.Lane != "" {
		out = append(out, ui.Input{ID: "lane", Name: "lane", Label: "Lehr lane", Optional: true, Options: options("not known", t.Lane, lanes...)})
	}
	out = append(out, ui.Input{ID: "measured_at", Name: "measured_at", Label: "Gauged, plant time", Value: t.MeasuredAt},
		ui.Input{ID: "pressed_at", Name: "pressed_at", Label: "Pressed, plant time", Value: t.PressedAt, Optional: true},
		ui.Input{ID: "purpose", Name: "purpose", Label: "Purpose", Options: purposes})
	for i := range out {
		out[i].Problem = f.problem(out[i].ID)
	}
	return out
}

// Values makes the fields of a gauge of dimensions.
func (f KeyInFacts) Values() (out []ui.Input) {
	for i, name := range Names(f.Gauge, f.Products) {
		in := ui.Input{ID: valueID(i), Name: "c." + name, Label: Capital(Characteristic(name)), Number: true, Optional: true, Value: f.Typed.Values[name]}
		var of []string
		for _, p := range f.Products {
			for _, c := range p.Characteristics {
				if c.Name == name {
					in.Unit = ui.UnitName(c.Unit)
					of = append(of, p.ID)
				}
			}
		}
		if len(of) < len(f.Products) {
			in.Help = "Of " + list(of) + "."
		}
		in.Problem = f.problem(in.ID)
		out = append(out, in)
	}
	return out
}

var readingNames = map[spc.GaugeKind]string{spc.Radial: "distance from the reference centre", spc.Axial: "height", spc.Deviation: "deviation from the master", spc.LocalRadius: "local radius"}

// Grid makes the fields of the places, as the gauge lies.
func (f KeyInFacts) Grid() page.Places {
	n := f.Gauge.Count()
	if n == 0 {
		return page.Places{}
	}
	unit := ui.UnitName(string(f.Gauge.Unit))
	what := "value"
	if name := readingNames[f.Gauge.Kind]; name != "" {
		what = name
	}
	if f.Gauge.Kind == spc.LocalRadius && f.Gauge.Sagitta {
		what = "sagitta"
	}
	rows := GridRows(f.Places, n)
	p := page.Places{Head: "The " + ui.Plural(int64(n), "reading", "readings") + ", " + what + " in " + unit, Unit: unit,
		Help: "A decimal point or comma. Leave a place empty when it gave no reading. A block pasted from a spreadsheet into a field fills the places from there on."}
	if len(f.Places) == n {
		p.Help = "They stand as the gauge lies, seen as it looks at the glass; the number is the gauge's own. " + p.Help
	}
	for _, row := range rows {
		var fields []page.PlaceField
		for _, i := range row {
			if i < 0 {
				fields = append(fields, page.PlaceField{})
				continue
			}
			pf := page.PlaceField{Number: i + 1, Problem: f.problem("r" + strconv.Itoa(i+1))}
			if i < len(f.Typed.Readings) {
				pf.Value = f.Typed.Readings[i]
			}
			// A place out of use has a field only where it holds a value that would otherwise be lost.
			pf.Unused = i < len(f.Gauge.Places) && f.Gauge.Places[i].Unused && strings.TrimSpace(pf.Value) == ""
			fields = append(fields, pf)
		}
		p.Columns = max(p.Columns, len(fields))
		p.Rows = append(p.Rows, fields)
	}
	return p
}

// Block is the field for all readings as one text; the zero Input for a gauge without readings.
func (f KeyInFacts) Block() ui.Input {
	n := f.Gauge.Count()
	if n == 0 {
		return ui.Input{}
	}
	return ui.Input{ID: "block", Name: "block", Label: fmt.Sprintf("Readings of places 1 to %d", n), Area: true, Optional: true, Value: f.Typed.Block, Problem: f.problem("block"),
		Help: "In the gauge's own order, parted by spaces, tabs or lines; write none for a place without a reading. Used when the fields above are empty."}
}

// widest is how many fields stand in one row at most.
const widest = 12

// GridRows lays places out as the gauge lies, first row at the top, each row from left to right: indexes of places, -1 for an empty
// spot. Without positions, or when they do not fall into at most twelve columns, they stand in their order.
func GridRows(xy [][2]float64, n int) [][]int {
	if len(xy) == n && n > 0 {
		if rows, ok := onGrid(xy); ok {
			return rows
		}
	}
	columns := 8
	if n < columns {
		columns = n
	}
	var rows [][]int
	for from := 0; from < n; from += columns {
		row := make([]int, columns)
		for j := range row {
			if row[j] = from + j; row[j] >= n {
				row[j] = -1
			}
		}
		rows = append(rows, row)
	}
	return rows
}

// onGrid finds rows and columns by gaps in y and in x; it fails where two places fall into one spot or a row is too wide.
func onGrid(xy [][2]float64) ([][]int, bool) {
	rowOf, rows := gridBands(xy, 1)
	columnOf, columns := gridBands(xy, 0)
	if columns > widest || rows > 4*widest {
		return nil, false
	}
	out := make([][]int, rows)
	for i := range out {
		out[i] = slices.Repeat([]int{-1}, columns)
	}
	for i := range xy {
		spot := &out[rows-1-rowOf[i]][columnOf[i]]
		if *spot >= 0 {
			return nil, false
		}
		*spot = i
	}
	return out, true
}

// gridBands sorts coordinates into bands, from the least: a new one begins where the distance to the band's first place is more than a
// third of what it would be if the places filled a square evenly.
func gridBands(xy [][2]float64, axis int) (of []int, n int) {
	order := make([]int, len(xy))
	for i := range order {
		order[i] = i
	}
	sort.Slice(order, func(a, b int) bool { return xy[order[a]][axis] < xy[order[b]][axis] })
	low, high := xy[order[0]][axis], xy[order[len(order)-1]][axis]
	apart := (high - low) / max(math.Sqrt(float64(len(xy)))-1, 1) / 3
	of = make([]int, len(xy))
	first := low
	for _, i := range order {
		if v := xy[i][axis]; v-first > apart {
			n++
			first = v
		}
		of[i] = n
	}
	return of, n + 1
}

// NowTyped is an empty form: gauged now, for production, of the press and product that the gauge saw last.
func NowTyped(now time.Time, n int) Typed {
	return Typed{MeasuredAt: TypedMoment(now.Truncate(time.Second)), Purpose: string(spc.Production), Readings: make([]string, n), Values: map[string]string{}}
}
