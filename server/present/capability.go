package present

import (
	"sagwatch/server/report"
	"sagwatch/web/page"
	"sagwatch/web/ui"
)

// CapabilityData is what the page of capability is made from beside the report.
type CapabilityData struct {
	Report *report.Capability // nil: nothing could be asked
	Say    string             // in place of the report's own headline
	Ask    page.CapabilityAsk
	Issue  *page.CapabilityIssue
	Files  []ui.Act
	MayNot string
}

// Capability makes the page from the same worked-out figures as the report.
func Capability(frame ui.Frame, d CapabilityData) page.Capability {
	m := page.Capability{Frame: frame, Ask: d.Ask, Issue: d.Issue, Files: d.Files, MayNot: d.MayNot, Statement: ui.Statement{Where: []ui.Run{{Text: "Capability"}}, Say: ui.Say(d.Say)},
		Cautions: []string{"Control limits are not specification limits: a panel inside control limits can still be bad.", "An index of a process that was not stable predicts nothing, and no index releases a panel: the plant's quality system and the person responsible decide."}}
	c := d.Report
	if c == nil {
		return m
	}
	m.Statement.Where = []ui.Run{{Text: "Reports", Href: "/reports"}, {Text: "press " + c.Press}, {Text: c.Product}, {Text: c.Span()}}
	m.Statement.Say, m.Statement.Doubts = c.Said(), c.SaidDoubts()
	if c.Panels == 0 { // the headline says it all
		m.Issue, m.Files = nil, nil
		return m
	}
	for _, o := range c.Worked {
		m.Parts = append(m.Parts, capabilityPart(c, o))
	}
	for _, f := range c.Rests() {
		m.Rests = append(m.Rests, ui.Fact{Name: f.Name, Value: ui.Text(f.Value)})
	}
	return m
}

func capabilityPart(c *report.Capability, o *report.CapabilityOf) page.CapabilityPart {
	p := page.CapabilityPart{ID: "of-" + o.Name, Head: Capital(o.Words) + ", specification " + o.SpecWords(), Each: c.Each}
	if o.Refused != "" {
		p.Refused = "No index: " + o.Refused + "."
		return p
	}
	p.StableHead, p.StableText, p.Means = c.StableHead(o), c.StableText(o), c.MeansChart(o)
	p.ModelHead, p.ModelText, p.Spread = o.ModelHead(), o.ModelText(), c.HistogramDrawing(o)
	p.MouldsHead, p.Moulds = o.MouldsHead(), c.MouldsDrawing(o)
	p.MouldsText = "Ppk with every " + c.Each + "; " + c.Method(o) + "."
	if q := c.QuantileDrawing(o); len(q.Points) > 0 {
		p.Quantiles = &q
	}
	if i := c.IndicesDrawing(o); len(i.Rows) > 0 {
		p.Indices = &i
	}
	for _, t := range c.IndexTables(o) {
		p.Intervals = append(p.Intervals, printedTable(t))
	}
	if t := o.PartsTable(); t != nil {
		p.Shares = printedTable(*t)
	}
	p.Figures = FigureTable(o.Figures())
	return p
}

// printedTable sets a table of a report on a page.
func printedTable(t report.Table) ui.Table {
	out := ui.Table{Label: t.Caption, Caption: t.Caption, Fold: true}
	for _, c := range t.Cols {
		out.Cols = append(out.Cols, ui.Col{Head: c.Head, Right: c.Right})
	}
	for _, r := range t.Rows {
		row := ui.Row{}
		for _, c := range r {
			cell := ui.Cell{Text: c.Text}
			if c.Figure != "" && c.Text != "" {
				cell.Href, cell.Why = "#"+report.FigureAnchor(c.Figure), true
			}
			row.Cells = append(row.Cells, cell)
		}
		out.Rows = append(out.Rows, row)
	}
	return out
}

// FigureTable explains figures: each row is where its figure leads.
func FigureTable(figures []*report.Figure) ui.Table {
	t := ui.Table{Label: "Every figure", Fold: true, Wrap: true, Cols: []ui.Col{{Head: "Figure"}, {Head: "Value", Right: true}, {Head: "Interval"}, {Head: "Formula"}, {Head: "Inputs"}, {Head: "Source"}}}
	for _, f := range figures {
		value, doubt := f.Show(), f.Doubt()
		if f.Unit != "1" && f.Value.Has() {
			value = ui.WithUnit(value, f.Unit)
		}
		if f.Missing != "" {
			doubt = f.Missing
		} else if doubt != "" && f.Method != "" {
			doubt += ", " + f.Method
		}
		t.Rows = append(t.Rows, ui.Row{ID: report.FigureAnchor(f.ID), Cells: ui.Texts(f.Name+", "+f.Of, value, doubt, f.Formula, f.Inputs, f.Source)})
	}
	return t
}
