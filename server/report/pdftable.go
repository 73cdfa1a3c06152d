package report

import "sagwatch/web/plot"

const cellGap = 3.0 // between columns, mm

// widths gives each column what its content needs; where that is too much, the widest columns of words give way.
func (p *printer) widths(t *Table) []float64 {
	need := make([]float64, len(t.Cols))
	sum := 0.0
	for i, c := range t.Cols {
		if c.Wide > 0 {
			need[i] = c.Wide * textWide
		} else {
			p.face(true, sizeFine, inkSecond)
			need[i] = p.doc.GetStringWidth(plot.PDFText(c.Head))
			for _, r := range t.Rows {
				if i < len(r) {
					p.face(r[i].Strong, sizeTable, inkMain)
					need[i] = max(need[i], p.doc.GetStringWidth(plot.PDFText(r[i].Text)))
				}
			}
			need[i] += cellGap + .1 // so that rounding breaks no line
		}
		sum += need[i]
	}
	for _, words := range []bool{true, false} { // figures give way last
		for sum > textWide+1e-6 {
			first, second, n := 0.0, 0.0, 0
			for i, c := range t.Cols {
				if c.Right && words {
					continue
				}
				switch w := need[i]; {
				case w > first+1e-9:
					first, second, n = w, first, 1
				case w > first-1e-9:
					n++
				case w > second:
					second = w
				}
			}
			to := max(first-(sum-textWide)/float64(max(n, 1)), second)
			if n == 0 || to < 12 || first-to < 1e-9 {
				break
			}
			for i, c := range t.Cols {
				if (!c.Right || !words) && need[i] > first-1e-9 {
					sum -= need[i] - to
					need[i] = to
				}
			}
		}
	}
	return need
}

func (p *printer) table(t *Table) {
	wide := p.widths(t)
	if t.Caption != "" {
		p.room(lineBody + 3*lineTable)
		p.text(t.Caption, sizeFine, lineFine, false, inkSecond, textWide)
		p.gap(.5)
	}
	head := func() {
		p.face(true, sizeFine, inkSecond)
		cells := make([][]string, len(t.Cols))
		for i, c := range t.Cols {
			cells[i] = p.lines(c.Head, wide[i]-cellGap)
		}
		p.row(t, wide, cells, lineFine, func(int) { p.face(true, sizeFine, inkSecond) })
		p.rule(p.doc.GetY()+.4, .2, inkRule)
		p.gap(1)
	}
	p.room(2*lineFine + 2*lineTable)
	head()
	for _, r := range t.Rows {
		cells := make([][]string, len(t.Cols))
		most := 1
		for i := range t.Cols {
			if i < len(r) {
				p.face(r[i].Strong, sizeTable, inkMain)
				cells[i] = p.lines(r[i].Text, wide[i]-cellGap)
				most = max(most, len(cells[i]))
			}
		}
		if p.doc.GetY()+float64(most)*lineTable > sheetHigh-marginBottom {
			p.doc.AddPage()
			head()
		}
		p.row(t, wide, cells, lineTable, func(i int) { p.face(i < len(r) && r[i].Strong, sizeTable, inkMain) })
		p.gap(.5)
	}
	p.gap(2.5)
}

// row writes cells of several lines each side by side and leaves the pen under the longest.
func (p *printer) row(t *Table, wide []float64, cells [][]string, line float64, face func(i int)) {
	y, most := p.doc.GetY(), 0
	x := marginLeft
	for i, c := range t.Cols {
		face(i)
		align := "L"
		if c.Right {
			align = "R"
		}
		for k, l := range cells[i] {
			p.doc.SetXY(x, y+float64(k)*line)
			p.doc.CellFormat(wide[i]-cellGap, line, l, "", 0, align, false, 0, "")
		}
		most = max(most, len(cells[i]))
		x += wide[i]
	}
	p.doc.SetXY(marginLeft, y+float64(most)*line)
}
