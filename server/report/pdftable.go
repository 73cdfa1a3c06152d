package report

import "sagwatch/web/plot"

const cellGap = 2.0 // between columns, mm

// widths gives each column what its content needs; where that is too much, the widest columns of words give way.
func (p *printer) widths(t *Table) []float64 {
	need := make([]float64, len(t.Cols))
	sum := 0.0
	size, _ := p.sizes()
	for i, c := range t.Cols {
		if c.Wide > 0 {
			need[i] = c.Wide * textWide
		} else {
			p.face(true, sizeFine, inkSecond)
			need[i] = p.doc.GetStringWidth(plot.PDFText(c.Head))
			for _, r := range t.Rows {
				if i < len(r) {
					p.face(r[i].Strong, size, inkMain)
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

// sizes are those of a table's rows: the appendix is in fine print.
func (p *printer) sizes() (size, line float64) {
	if p.fine {
		return sizeFine, lineFine
	}
	return sizeTable, lineTable
}

// keep is how many rows a table keeps together: a shorter one is not broken, a longer one leaves so many on either page.
const keep = 3

// cells breaks a row into lines; most is how many the longest has.
func (p *printer) cells(t *Table, wide []float64, r []Cell) (cells [][]string, most int) {
	size, _ := p.sizes()
	cells, most = make([][]string, len(t.Cols)), 1
	for i := range t.Cols {
		if i < len(r) {
			p.face(r[i].Strong, size, inkMain)
			cells[i] = p.lines(r[i].Text, wide[i]-cellGap)
			most = max(most, len(cells[i]))
		}
	}
	return cells, most
}

// tableHead is the height of a table's caption and heads.
func (p *printer) tableHead(t *Table, wide []float64) float64 {
	high := 1.5
	if t.Caption != "" {
		p.face(false, sizeFine, inkSecond)
		high += float64(len(p.lines(t.Caption, textWide)))*lineFine + .5
	}
	p.face(true, sizeFine, inkSecond)
	lines := 1
	for i, c := range t.Cols {
		lines = max(lines, len(p.lines(c.Head, wide[i]-cellGap)))
	}
	return high + float64(lines)*lineFine
}

// tableLeast is the height that a table needs to begin on a page: all of a short one, the first rows of a long one.
func (p *printer) tableLeast(t *Table) float64 {
	wide := p.widths(t)
	_, line := p.sizes()
	high := p.tableHead(t, wide)
	rows := t.Rows
	if len(rows) > 4*keep {
		rows = rows[:keep]
	}
	for _, r := range rows {
		_, n := p.cells(t, wide, r)
		high += float64(n)*line + .5
	}
	return min(high, pageHigh)
}

func (p *printer) table(t *Table) {
	wide := p.widths(t)
	size, line := p.sizes()
	p.room(p.tableLeast(t))
	if t.Caption != "" {
		p.text(t.Caption, sizeFine, lineFine, p.fine, inkSecond, textWide)
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
	head()
	begins := true // a row that begins a table or a page repeats nothing
	for k, r := range t.Rows {
		cells, n := p.cells(t, wide, r)
		need := float64(n) * line
		if left := len(t.Rows) - k; left == keep && len(t.Rows) > 2*keep { // the last rows stay together
			for _, next := range t.Rows[k+1:] {
				_, m := p.cells(t, wide, next)
				need += float64(m)*line + .5
			}
		}
		if p.doc.GetY()+need > sheetHigh-marginBottom && need < pageHigh/2 {
			p.doc.AddPage()
			head()
			begins = true
		}
		if !begins {
			for i, c := range t.Cols {
				if !c.Once || i >= len(r) || i >= len(t.Rows[k-1]) || r[i].Text != t.Rows[k-1][i].Text {
					break // what stands right of a change is written again
				}
				cells[i] = nil
			}
		}
		begins = false
		for n > int(pageHigh/2/line) { // a cell longer than half a page goes on over pages
			fit := max(int((sheetHigh-marginBottom-p.doc.GetY())/line), 1)
			part := make([][]string, len(cells))
			n = 0
			for i, c := range cells {
				part[i], cells[i] = c[:min(fit, len(c))], c[min(fit, len(c)):]
				n = max(n, len(cells[i]))
			}
			p.row(t, wide, part, line, func(i int) { p.face(i < len(r) && r[i].Strong, size, inkMain) })
			if n > 0 {
				p.doc.AddPage()
				head()
			}
		}
		p.row(t, wide, cells, line, func(i int) { p.face(i < len(r) && r[i].Strong, size, inkMain) })
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
