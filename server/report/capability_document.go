package report

import (
	"fmt"
	"math"
	"strings"
	"time"

	"sagwatch/web/plot"
	"sagwatch/web/ui"
)

// printed is the width of a drawing in a document.
const printed = 720

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
		return []Block{{Heading: capital(o.Words), Text: "No index: " + o.Refused + ". Specification " + o.SpecWords() + "."}}
	}
	drawn := func(s *plot.Scene, caption string) Block { return Block{Drawing: &Drawing{Scene: s, Caption: caption}} }
	chart := c.MeansChart(o)
	chart.Width = printed
	out := []Block{
		{Heading: capital(o.Words) + ", specification " + o.SpecWords() + ". " + c.StableHead(o), Text: c.StableText(o)},
		drawn(chart.Scene(), fmt.Sprintf("Mean of the %s in each %s. An index of an unstable process predicts nothing.", o.Words, c.Each)),
		{Heading: o.ModelHead(), Text: o.ModelText()},
		drawn(c.HistogramDrawing(o).Scene(printed), fmt.Sprintf("%s panels. Bars are measured, the line is the model; hatched is what the specification forbids.", ui.Count(int64(o.Lines[0].N)))),
	}
	if len(o.Quantile) > 0 {
		out = append(out, drawn(c.QuantileDrawing(o).Scene(printed), "Measured quantiles against those of the model: where the model is right the points lie on the line."))
	}
	if i := c.IndicesDrawing(o); len(i.Rows) > 0 {
		out = append(out, headed("Indices of the "+o.Words, drawn(i.Scene(printed), fmt.Sprintf("Cp and Cpk from the spread inside each mould's %ss%s; Pp, Ppk and Cpm from all panels.", c.Each, c.withoutWords()))))
	}
	out = append(out, headed(o.MouldsHead(), drawn(c.MouldsDrawing(o).Scene(printed), capital(c.Method(o))+".")))
	t := c.IndexTable(o)
	out = append(out, Block{Table: &t})
	if p := o.PartsTable(); p != nil {
		out = append(out, Block{Heading: "Where the variance of the " + o.Words + " comes from", Table: p})
	}
	if len(o.Against) > 0 {
		out = append(out, Block{Heading: "What speaks against an index of the " + o.Words, Text: strings.Join(o.Against, "\n")})
	}
	return out
}

func headed(heading string, b Block) Block {
	b.Heading = heading
	return b
}

func (c *Capability) withoutWords() string {
	if c.LeftOut > 0 {
		return ", without what was left out"
	}
	return ""
}

// IndexTable is the intervals as a table.
func (c *Capability) IndexTable(o *CapabilityOf) Table {
	t := Table{Caption: "The intervals as a table: " + o.Words, Cols: []Col{{Head: "Figure"}, {Head: "Of"}, {Head: "Panels", Right: true}, {Head: "Value", Right: true}, {Head: "95" + ui.NoBreak + "% interval", Right: true}, {Head: "if independent", Right: true}, {Head: "Wanted " + c.Kept()}}}
	row := func(name, of string, n int, f, alone *Figure, verdict string) {
		if f == nil {
			return
		}
		other := ""
		if alone != nil {
			other = alone.Doubt()
		}
		value := f.Show()
		if f.Missing != "" {
			value = "none: " + f.Missing
		}
		t.Rows = append(t.Rows, []Cell{{Text: name}, {Text: of}, {Text: ui.Count(int64(n))}, {Text: value, Figure: f.ID, Strong: verdict != ""}, {Text: f.Doubt()}, {Text: other}, {Text: verdict}})
	}
	counted := o.Grid.N()
	row("Cp", "within"+c.withoutWords(), counted, o.Cp, nil, "")
	row("Cpk", "within"+c.withoutWords(), counted, o.Cpk, nil, "")
	all := o.All()
	row("Pp", all.Words, all.N, o.Pp, nil, "")
	row("Cpm", all.Words, all.N, o.Cpm, nil, "")
	for _, l := range o.Lines {
		row("Ppk", l.Words, l.N, l.Ppk, l.Independent, verdictWords(l))
	}
	for _, l := range o.Lines {
		row("Expected outside, ppm", l.Words, l.N, l.Outside, nil, "")
	}
	for _, l := range o.Lines {
		if l.Observed != nil && (l.Key == "all" || l.Beyond > 0) {
			row("Measured outside, ppm", l.Words, l.N, l.Observed, nil, "")
		}
	}
	return t
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
	t := &Table{Caption: "Standard deviations of what moulds, time and single panels add, with 95" + ui.NoBreak + "% intervals; their squares add up.", Cols: []Col{{Head: "Between"}, {Head: "Standard deviation, " + ui.UnitName(o.Unit), Right: true}, {Head: "Interval", Right: true}, {Head: "Share", Right: true}}}
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
