package report

import (
	"fmt"
	"math"
	"strings"
	"time"

	"sagwatch/web/ui"
)

// Widths of a drawing in a document: across the page, and of one of two side by side, which is that of a phone too.
const (
	printed = 720
	halved  = 352
)

// Document lays the report out.
func (c *Capability) Document() *Document {
	d := &Document{Title: c.Title, Statement: c.Said().String(), Origin: c.Origin(), Zone: c.Location()}
	for _, s := range c.SaidDoubts() {
		d.Doubts = append(d.Doubts, s.String())
	}
	d.Origin.Data = fmt.Sprintf("%s panels of %s in %s", ui.Count(int64(c.Panels)), ui.Plural(int64(c.moulds()), "mould", "moulds"), ui.Plural(int64(len(c.Blocks)), c.Each, c.Each+"s"))
	if c.Asked.Lot() {
		d.Origin.Data = capital(c.Asked.lotWords()) + ", both included, by the time at the press: " + d.Origin.Data
	}
	var gauges []string
	for _, g := range c.Gauges {
		gauges = append(gauges, g.ID)
	}
	if len(gauges) > 0 {
		d.Origin.Data += "; " + plural(len(gauges), "gauge ", "gauges ") + listWords(gauges)
	}
	d.Cautions = []string{
		"Control limits are not specification limits: a panel inside control limits can still be bad. Indices speak of the specification, the charts of the process.",
		"An index says how a process kept its specification in this period, with the model and the doubt stated. It releases no panel; the plant's quality system and the person responsible decide.",
		"An index of a process that was not stable predicts nothing.",
	}
	for _, o := range c.Worked {
		d.Blocks = append(d.Blocks, c.blocks(o)...)
		d.Results = append(d.Results, c.result(o))
	}
	d.Blocks = append(d.Blocks, Block{Heading: "What this report rests on", Facts: c.Rests()})
	for _, f := range c.Figures {
		d.Figures = append(d.Figures, *f)
	}
	d.Sheets = c.sheets()
	return d
}

func (c *Capability) blocks(o *CapabilityOf) []Block {
	if o.Refused != "" {
		return []Block{{Heading: capital(o.Words) + ": no index", Text: "No index: " + o.Refused + ". Specification " + o.SpecWords() + "."}}
	}
	chart := c.MeansChart(o)
	chart.Width = printed
	narrow := chart
	narrow.ID, narrow.Width = chart.ID+"-narrow", halved
	histogram := c.HistogramDrawing(o)
	spread := Block{Heading: o.ModelHead(), Text: o.ModelText(), Drawing: &Drawing{Scene: histogram.Scene(halved), Caption: fmt.Sprintf("%s panels. Bars are measured, the curve is the fitted distribution; hatched is what the specification forbids.", ui.Count(int64(o.Lines[0].N)))}}
	if o.Fitted == nil {
		spread.Drawing.Caption = fmt.Sprintf("%s panels as measured; hatched is what the specification forbids.", ui.Count(int64(o.Lines[0].N)))
	}
	if len(o.Quantile) > 0 {
		spread.Beside = &Drawing{Scene: c.QuantileDrawing(o).Scene(halved), Caption: "Measured quantiles against those of the fitted distribution: where it is right, the points lie on the line."}
	} else {
		spread.Drawing.Phone, spread.Drawing.Scene = spread.Drawing.Scene, histogram.Scene(printed)
	}
	moulds := c.MouldsDrawing(o)
	index := Block{Heading: o.MouldsHead(), Drawing: &Drawing{Scene: moulds.Scene(printed), Phone: moulds.Scene(halved), Caption: "Ppk with every " + c.Each + ". " + capital(c.Method(o)) + "."}}
	if i := c.IndicesDrawing(o); len(i.Rows) > 0 {
		index.Drawing = &Drawing{Scene: moulds.Scene(halved), Caption: index.Drawing.Caption}
		index.Beside = &Drawing{Scene: i.Scene(halved), Caption: fmt.Sprintf("All moulds: Cp and Cpk from the spread inside each mould's %ss%s; Pp, Ppk and Cpm from all panels.", c.Each, c.withoutWords())}
	}
	out := []Block{
		{Heading: capital(o.Words) + ", specification " + o.SpecWords() + ". " + c.StableHead(o), Text: c.StableText(o),
			Drawing: &Drawing{Scene: chart.Scene(), Phone: narrow.Scene(), Caption: fmt.Sprintf("Mean of the %s in each %s. An index of an unstable process predicts nothing.", o.Words, c.Each)}},
		spread, index}
	for _, t := range c.IndexTables(o) {
		out = append(out, Block{Table: &t})
	}
	if p := o.PartsTable(); p != nil {
		out = append(out, Block{Heading: "Where the variance of the " + o.Words + " comes from", Table: p})
	}
	if len(o.Against) > 0 {
		out = append(out, Block{Heading: "What speaks against an index of the " + o.Words + ", and what would help", Text: strings.Join(o.Against, "\n")})
	}
	return out
}

func (c *Capability) withoutWords() string {
	if c.LeftOut > 0 {
		return ", without what was left out"
	}
	return ""
}

// IndexTables are the intervals as tables: the indices of all panels, and Ppk and the rate outside by mould.
func (c *Capability) IndexTables(o *CapabilityOf) []Table {
	interval := "95" + ui.NoBreak + "% interval"
	var out []Table
	indices := Table{Caption: "Indices of the " + o.Words + ", all moulds", Cols: []Col{{Head: "Index"}, {Head: "Of"}, {Head: "Panels", Right: true}, {Head: "Value", Right: true}, {Head: interval, Right: true}}}
	all := o.All()
	for _, x := range []struct {
		name, of string
		n        int
		f        *Figure
	}{{"Cp", "spread within " + c.Each + "s" + c.withoutWords(), o.Grid.N(), o.Cp}, {"Cpk", "spread within " + c.Each + "s" + c.withoutWords(), o.Grid.N(), o.Cpk},
		{"Pp", "overall spread, every " + c.Each, all.N, o.Pp}, {"Ppk", "overall spread, every " + c.Each, all.N, all.Ppk}, {"Cpm", "overall spread about the target, every " + c.Each, all.N, o.Cpm}} {
		if x.f != nil {
			indices.Rows = append(indices.Rows, []Cell{{Text: x.name}, {Text: x.of}, {Text: ui.Count(int64(x.n))}, {Text: valueOrWhy(x.f), Figure: x.f.ID}, {Text: x.f.Doubt()}})
		}
	}
	if len(indices.Rows) > 1 {
		out = append(out, indices)
	}
	alone := false
	for _, l := range o.Lines {
		alone = alone || l.Independent != nil
	}
	t := Table{Caption: "Ppk of the " + o.Words + " and what lies outside the specification, by mould", Cols: []Col{{Head: "Of"}, {Head: "Panels", Right: true}, {Head: "Ppk", Right: true}, {Head: interval, Right: true}}}
	if alone {
		t.Cols = append(t.Cols, Col{Head: "if independent", Right: true})
	}
	t.Cols = append(t.Cols, Col{Head: "Wanted " + c.Kept()}, Col{Head: "Expected outside, ppm", Right: true}, Col{Head: interval, Right: true}, Col{Head: "Measured outside", Right: true})
	for _, l := range o.Lines {
		row := []Cell{{Text: l.Words}, {Text: ui.Count(int64(l.N))}, {Text: valueOrWhy(l.Ppk), Figure: l.Ppk.ID, Strong: true}, {Text: l.Ppk.Doubt()}}
		if alone {
			row = append(row, Cell{Text: l.Independent.Doubt()})
		}
		row = append(row, Cell{Text: verdictWords(l)})
		if l.Outside != nil {
			row = append(row, Cell{Text: valueOrWhy(l.Outside), Figure: l.Outside.ID}, Cell{Text: l.Outside.Doubt()})
		} else {
			row = append(row, Cell{}, Cell{})
		}
		measured := Cell{}
		if l.Observed != nil {
			measured.Text = noneOf(l.Beyond)
			if l.Mould == "" || l.Beyond > 0 { // the others are no figures of their own
				measured.Figure = l.Observed.ID
			}
		}
		t.Rows = append(t.Rows, append(row, measured))
	}
	return append(out, t)
}

// valueOrWhy is a figure's value, or why it has none.
func valueOrWhy(f *Figure) string {
	if f.Missing != "" {
		return "none: " + f.Missing
	}
	return f.Show()
}

// verdictWords says what the interval says of the wanted index.
func verdictWords(l *CapabilityLine) string {
	if !l.Ppk.Value.Has() || l.Key == "levelled" {
		return ""
	}
	switch l.Verdict {
	case "pass":
		return "met"
	case "fail":
		return "missed"
	}
	return "not proved"
}

// PartsTable is the variance components; nil without them.
func (o *CapabilityOf) PartsTable() *Table {
	if o.Parts == nil {
		return nil
	}
	t := &Table{Caption: "Standard deviations of the parts of the variance, with 95" + ui.NoBreak + "% intervals; their squares, the variances, add up.", Cols: []Col{{Head: "Between"}, {Head: "Standard deviation, " + ui.UnitName(o.Unit), Right: true}, {Head: "95" + ui.NoBreak + "% interval", Right: true}, {Head: "Share of the variance", Right: true}}}
	for _, p := range o.Parts.Components {
		f := o.partFigure(p.Name, p.SD, p.Interval.Lower, p.Interval.Upper, "")
		share := ui.Percent(p.Share, 1)
		t.Rows = append(t.Rows, []Cell{{Text: partWords(p.Name)}, {Text: f.Show(), Figure: f.ID}, {Text: f.Doubt()}, {Text: share}})
	}
	return t
}

func (c *Capability) result(o *CapabilityOf) Result {
	r := Result{Characteristic: o.Name, Unit: o.Unit, Nominal: None, Lower: None, Upper: None, Mean: None, SD: None, Within: "undecided"}
	if t, ok := o.Spec.Middle(); ok {
		r.Nominal = Number(t)
	}
	if o.Spec.HasLower && !o.Spec.Bound {
		r.Lower = Number(o.Spec.Lower)
	}
	if o.Spec.HasUpper {
		r.Upper = Number(o.Spec.Upper)
	}
	if l := o.All(); l != nil {
		r.Mean, r.SD, r.Count = Number(l.Mean), Number(l.SD), int64(l.N)
		if o.Supported() {
			r.Within = l.Verdict
		}
	}
	return r
}

// number is a cell of a sheet: nil for what is not there.
func sheetNumber(n Number) any {
	if !n.Has() {
		return nil
	}
	return float64(n)
}

// sheets are the values behind the report.
func (c *Capability) sheets() []Sheet {
	var out []Sheet
	name := func(what string, o *CapabilityOf) string {
		s := what + " " + o.Name
		if len(s) > 31 {
			s = s[:31]
		}
		return s
	}
	zone := c.Location()
	for _, o := range c.Worked {
		if o.Refused != "" {
			continue
		}
		unit := o.Unit
		moulds := Sheet{Name: name("Moulds", o), Says: "Overall figures of the " + o.Words + " by mould, with the left-out panels unless said.",
			Cols: []SheetCol{{"Of", ""}, {"Mould", ""}, {"Panels", ""}, {"Mean", unit}, {"Standard deviation", unit}, {"Ppk", ""}, {"Ppk, lower 95 %", ""}, {"Ppk, upper 95 %", ""}, {"Ppk, lower if independent", ""}, {"Ppk, upper if independent", ""},
				{"Expected outside", "ppm"}, {"Expected outside, lower", "ppm"}, {"Expected outside, upper", "ppm"}, {"Measured outside", ""}, {"Measured outside, lower", "ppm"}, {"Measured outside, upper", "ppm"}}}
		for _, l := range o.Lines {
			row := []any{l.Words, l.Mould, int64(l.N), l.Mean, l.SD, sheetNumber(l.Ppk.Value), sheetNumber(l.Ppk.Lower), sheetNumber(l.Ppk.Upper), nil, nil, sheetNumber(l.Outside.Value), sheetNumber(l.Outside.Lower), sheetNumber(l.Outside.Upper), nil, nil, nil}
			if l.Independent != nil {
				row[8], row[9] = sheetNumber(l.Independent.Lower), sheetNumber(l.Independent.Upper)
			}
			if l.Observed != nil {
				row[13], row[14], row[15] = int64(l.Beyond), sheetNumber(l.Observed.Lower), sheetNumber(l.Observed.Upper)
			}
			moulds.Rows = append(moulds.Rows, row)
		}
		histogram := Sheet{Name: name("Histogram", o), Says: "How the " + o.Words + " is spread: the bars of the drawing, and what the model expects in each.", Cols: []SheetCol{{"From", unit}, {"To", unit}, {"Panels", ""}, {"Expected by the model", ""}}}
		for _, b := range o.Bins {
			var expected any
			if o.Fitted != nil {
				expected = b.Expected
			}
			histogram.Rows = append(histogram.Rows, []any{b.From, b.To, int64(b.N), expected})
		}
		means := Sheet{Name: name("Means", o), Says: "Mean of the " + o.Words + " in each " + c.Each + ", with the limits that the means give.", Cols: []SheetCol{{capital(c.Each) + " begins", ""}, {"Name", ""}, {"Panels", ""}, {"Mean", unit}, {"Lower limit", unit}, {"Upper limit", unit}, {"Left out", ""}, {"Beyond the limits", ""}}}
		for _, m := range o.Means {
			row := []any{c.Blocks[m.Block].From.In(zone), c.Blocks[m.Block].Name, int64(m.N), m.Mean, nil, nil, m.LeftOut, m.Beyond}
			if o.Limits != nil {
				row[4], row[5] = o.Limits.Lower, o.Limits.Upper
			}
			means.Rows = append(means.Rows, row)
		}
		out = append(out, moulds, histogram, means)
		if o.Parts != nil {
			parts := Sheet{Name: name("Components", o), Says: "Variance components of the " + o.Words + ": " + string(o.Parts.Method) + ", 95 % intervals.", Cols: []SheetCol{{"Between", ""}, {"Variance", square(unit)}, {"Lower", square(unit)}, {"Upper", square(unit)}, {"Standard deviation", unit}, {"Share", ""}}}
			for _, p := range o.Parts.Components {
				parts.Rows = append(parts.Rows, []any{partWords(p.Name), p.Variance, finiteOrNil(p.Interval.Lower), finiteOrNil(p.Interval.Upper), p.SD, p.Share})
			}
			out = append(out, parts)
		}
	}
	if len(c.Raw) > 0 {
		raw := Sheet{Name: "Panels", Says: "Every panel of the report, by the time it was pressed.", Cols: []SheetCol{{"Pressed", ""}, {"Panel", ""}, {"Mould", ""}, {"Left out of Cp and Cpk", ""}}}
		for i := range c.Of {
			raw.Cols = append(raw.Cols, SheetCol{c.Of[i].Name, c.Of[i].Unit})
		}
		for i := range c.Raw {
			r := &c.Raw[i]
			row := []any{r.At.In(zone).Truncate(time.Microsecond), r.Panel, c.Moulds[r.Mould], r.LeftOut}
			for _, v := range r.Values {
				row = append(row, sheetNumber(v))
			}
			raw.Rows = append(raw.Rows, row)
		}
		out = append(out, raw)
	}
	return out
}

func finiteOrNil(x float64) any {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return nil
	}
	return x
}

func square(unit string) string {
	if unit == "" {
		return ""
	}
	return unit + "2"
}
