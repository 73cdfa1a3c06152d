package present

import (
	"cmp"
	"slices"
	"strconv"

	"sagwatch/store"
	"sagwatch/web/page"
	"sagwatch/web/ui"
)

// DefectRow is one kind of defect among those counted alike.
type DefectRow struct {
	Name              string
	Found, Of         int64 // rejected of inspected pieces, or defects on units
	Share, Cumulative float64
	Measurements      int64
}

// DefectPareto is kinds of defects by their number, the most frequent first. Pieces that do not conform and defects on units are
// other things: pieces true ranks the former.
func DefectPareto(counts []store.DefectCount, pieces bool) (rows []DefectRow, total int64) {
	for _, c := range counts {
		r := DefectRow{Name: c.Name, Found: c.Defects, Of: c.Units, Measurements: c.Measurements}
		if pieces {
			r.Found, r.Of = c.Nonconforming, c.Inspected
		}
		if r.Of > 0 || r.Found > 0 {
			rows, total = append(rows, r), total+r.Found
		}
	}
	slices.SortStableFunc(rows, func(a, b DefectRow) int {
		if d := cmp.Compare(b.Found, a.Found); d != 0 {
			return d
		}
		return cmp.Compare(a.Name, b.Name)
	})
	sum := int64(0)
	for i := range rows {
		sum += rows[i].Found
		if total > 0 {
			rows[i].Share, rows[i].Cumulative = float64(rows[i].Found)/float64(total), float64(sum)/float64(total)
		}
	}
	return rows, total
}

// defects makes the parts of the page for what was counted by eye.
func defects(d ParetoData) (out []page.ParetoPart) {
	for _, kind := range []struct {
		pieces               bool
		id, head, of, what   string
		foundHead, amongHead string
	}{
		{true, "rejects", "Pieces rejected, by what was seen", "inspected", "pieces rejected", "Rejected", "Inspected"},
		{false, "defects", "Defects, by kind", "units", "defects", "Defects", "On units"},
	} {
		rows, total := DefectPareto(d.Defects, kind.pieces)
		if len(rows) == 0 {
			continue
		}
		p := page.ParetoPart{ID: kind.id, Head: kind.head, Table: ui.Table{Label: kind.head, Fold: true, Wrap: true,
			Cols: []ui.Col{{Head: "Defect"}, {Head: kind.foundHead, Right: true}, {Head: kind.amongHead, Right: true}, {Head: "In 1000", Right: true}, {Head: "Together", Right: true}}}}
		drawing := Pareto{Total: float64(total)}
		for _, r := range rows {
			drawing.Rows = append(drawing.Rows, ParetoRow{Name: Characteristic(r.Name), Value: float64(r.Found), Share: r.Share, Cumulative: r.Cumulative})
			rate, together := "no number inspected", "none"
			if r.Of > 0 {
				rate = ui.Number(1000*float64(r.Found)/float64(r.Of), 1)
			}
			if total > 0 {
				together = ui.Percent(r.Cumulative, 0)
			}
			p.Table.Rows = append(p.Table.Rows, ui.Row{Cells: ui.Texts(Characteristic(r.Name), ui.Count(r.Found), ui.Count(r.Of), rate, together)})
		}
		switch {
		case total == 0:
			p.Say = "None was found."
		case total < ParetoLeast:
			p.Say = "Not enough yet: " + ui.Plural(total, "finding", "findings") + ", and an order means little before " + strconv.Itoa(ParetoLeast) + "."
		default:
			n := drawing.vital()
			p.Say = Capital(ui.Plural(int64(n), "kind makes ", "kinds make ")) + ui.Percent(drawing.Rows[n-1].Cumulative, 0) + " of " + ui.Count(total) + " " + kind.what + "."
		}
		if total > 0 {
			p.Drawing = drawing.stair(kind.id, kind.head, p.Say, func(r ParetoRow) string { return ui.Count(int64(r.Value)) })
		}
		out = append(out, p)
	}
	return out
}
