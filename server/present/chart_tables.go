package present

import (
	"fmt"
	"slices"

	"sagwatch/spc"
	"sagwatch/spc/monitor"
	"sagwatch/store"
	"sagwatch/web/page"
	"sagwatch/web/ui"
)

// waitingRows lists limits that are stored and wait for the first panel that they hold for, newest first: whoever has just
// stored some must see them.
func waitingRows(v View, q Quantity, posted []spc.PostedLimits) []page.LimitRow {
	var out []page.LimitRow
	for i := len(posted) - 1; i >= 0; i-- {
		p := posted[i]
		r := page.LimitRow{From: v.Moment(p.EffectiveFrom), Centre: "not yet", Lower: "not yet", Upper: "not yet", Why: "Waits for the first panel pressed after that. Frozen by " + p.By + ": " + p.Reason}
		if p.Given == nil {
			r.Why += ". From the baseline " + v.Moment(p.BaselineFrom) + " to " + v.Moment(p.BaselineTo)
		}
		if g := p.Given; g != nil {
			side := func(x float64, has bool) string {
				if !has {
					return "none"
				}
				return q.Number(x)
			}
			r.Centre, r.Lower, r.Upper = side(g.Centre, g.HasCentre), side(g.Lower, g.HasLower), side(g.Upper, g.HasUpper)
		}
		out = append(out, r)
	}
	return out
}

func limitRows(v View, q Quantity, log []monitor.LimitsInForce) []page.LimitRow {
	var out []page.LimitRow
	for i := len(log) - 1; i >= 0; i-- {
		l := log[i]
		side := func(x float64, has bool) string {
			if !has || l.Refused != "" {
				return "none"
			}
			return q.Number(x)
		}
		r := page.LimitRow{From: v.Moment(l.From), Centre: side(l.Limits.Centre, l.Limits.HasCentre), Lower: side(l.Limits.Lower, l.Limits.HasLower), Upper: side(l.Limits.Upper, l.Limits.HasUpper)}
		switch {
		case l.Refused != "":
			r.Why = l.Refused
		case l.Source == spc.Provisional:
			r.Why = "Provisional, first " + ui.Count(int64(l.N))
		case l.Source == spc.Guard:
			r.Why = "Guard: the spread before about the new centre"
		case l.By == "":
			r.Why = "Given in the chart's definition"
		default:
			r.Why = "Frozen by " + l.By + ": " + l.Reason
		}
		out = append(out, r)
	}
	return out
}

func columnsTable(v View, q Quantity, buckets []store.Bucket) ui.Table {
	unit := ""
	if q.Unit != "" {
		unit = ", " + q.Unit
	}
	t := ui.Table{Label: "Columns of the chart", Cols: []ui.Col{{Head: "From"}, {Head: "Panels", Right: true}, {Head: "Least" + unit, Right: true}, {Head: "Mean" + unit, Right: true}, {Head: "Greatest" + unit, Right: true}}}
	for i := len(buckets) - 1; i >= 0; i-- {
		b := buckets[i]
		t.Rows = append(t.Rows, ui.Row{Cells: ui.Texts(v.Moment(b.At), ui.Count(int64(b.Count)), q.Number(b.Min), q.Number(b.Mean), q.Number(b.Max))})
	}
	return t
}

// twin is the chart's points as a table, newest first.
func (d *ChartData) twin(v View, q Quantity) (ui.Table, string) {
	c := d.Chart
	unit := ""
	if q.Unit != "" {
		unit = ", " + q.Unit
	}
	pressed, panel := "Pressed", "Panel"
	if c.OfCycles() {
		pressed, panel = "Last panel pressed", "Last panel"
	}
	if c.Gauge != "" {
		pressed, panel = "Measured", "Master"
	}
	t := ui.Table{Label: "Points of the chart", Cols: []ui.Col{{Head: pressed}, {Head: panel, Drop: true}, {Head: "Value" + unit, Right: true},
		{Head: "Lower", Right: true, Drop: true}, {Head: "Centre", Right: true, Drop: true}, {Head: "Upper", Right: true, Drop: true}, {Head: "Remark"}}}
	sized := sizeWords(c, 1) != ""
	if sized {
		head := "Inspected"
		if c.Kind == spc.CChart || c.Kind == spc.UChart {
			head = "Units"
		}
		t.Cols = slices.Insert(t.Cols, 2, ui.Col{Head: head, Right: true})
	}
	side := func(x float64, has bool) ui.Cell {
		if !has {
			return ui.Text("none")
		}
		return ui.Text(q.Number(x))
	}
	for i := len(d.Points) - 1; i >= 0 && len(t.Rows) < tableRows; i-- {
		p := &d.Points[i]
		row := ui.Row{Cells: []ui.Cell{ui.Text(v.Moment(p.At)), {Text: p.Panel, Href: PanelHref(c.Press, p.Panel)}, ui.Text(q.Number(p.Value)),
			side(p.Limits.Lower, p.Limits.HasLower && p.Source != ""), side(p.Limits.Centre, p.Limits.HasCentre && p.Source != ""), side(p.Limits.Upper, p.Limits.HasUpper && p.Source != "")}}
		if sized {
			row.Cells = slices.Insert(row.Cells, 2, ui.Text(ui.Count(int64(p.N))))
		}
		remark := ui.Cell{}
		switch {
		case p.Excluded != "":
			remark.State, remark.Note = ui.Is(ui.None, "left out"), p.Excluded
		case p.Hollow:
			remark.State = ui.Is(ui.None, "not judged yet")
		case len(p.Hits) > 0:
			var words []string
			for _, h := range p.Hits {
				words = append(words, h.Words)
			}
			remark.State, row.Mark = ui.Is(ui.Bad, list(words)), true
		case p.Need > 0 && p.Source == "":
			remark.Text = fmt.Sprintf("no limits yet, %d of %d", p.Have, p.Need)
		}
		row.Cells = append(row.Cells, remark)
		t.Rows = append(t.Rows, row)
	}
	if len(d.Points) > tableRows {
		return t, "The table shows the last " + ui.Count(tableRows) + "; the file has all " + ui.Count(int64(len(d.Points))) + "."
	}
	return t, ""
}
