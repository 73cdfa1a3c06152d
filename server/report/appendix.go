package report

import (
	"strconv"
	"strings"
)

// Note is how figures come about: a formula, the method of the interval and the source. Figures that share them share a note.
type Note struct{ Formula, Interval, Source string }

// Text is the note in sentences.
func (n Note) Text() string {
	var parts []string
	for _, part := range []struct{ name, text string }{{"Formula: ", n.Formula}, {"Interval: ", n.Interval}, {"Source: ", n.Source}} {
		if part.text != "" {
			parts = append(parts, part.name+strings.TrimSuffix(part.text, ".")+".")
		}
	}
	return strings.Join(parts, " ")
}

// Explained is a line of the appendix: a figure, or several of one name, value, inputs and note.
type Explained struct {
	Name, Of string   // Of without the words of its group
	IDs      []string // of the figures
	Value    string   // with unit and interval
	With     string
	Note     int // its number, from one; 0: the figure is not given, so that it has none
}

// ExplainedGroup is the figures of one thing.
type ExplainedGroup struct {
	Of   string // "radius of curvature"; "" for figures of many things
	Rows []Explained
}

// Appendix is every figure with its inputs, and the notes that explain them, each stated once.
func (d *Document) Appendix() (groups []ExplainedGroup, notes []Note) {
	heads := map[string]int{}
	for i := range d.Figures {
		head, _, _ := strings.Cut(d.Figures[i].Of, ", ")
		heads[head]++
	}
	grouped := 2*len(heads) <= len(d.Figures)
	numbers, at := map[Note]int{}, map[string]int{}
	for i := range d.Figures {
		f := &d.Figures[i]
		head, of := "", f.Of
		if grouped {
			head, of, _ = strings.Cut(f.Of, ", ")
		}
		k, ok := at[head]
		if !ok {
			k = len(groups)
			at[head], groups = k, append(groups, ExplainedGroup{Of: head})
		}
		x := Explained{Name: f.Name, Of: of, IDs: []string{f.ID}, Value: f.Text(), With: f.Inputs}
		if n := (Note{f.Formula, f.Method, f.Source}); n != (Note{}) {
			if numbers[n] == 0 {
				notes = append(notes, n)
				numbers[n] = len(notes)
			}
			x.Note = numbers[n]
		}
		groups[k].add(x)
	}
	return groups, notes
}

// add appends a line, or adds it to the like one of the same name before it: "mould 1, mould 2" is one line where both say the same.
func (g *ExplainedGroup) add(x Explained) {
	for i := len(g.Rows) - 1; i >= 0 && i >= len(g.Rows)-40; i-- {
		if y := &g.Rows[i]; y.Name == x.Name && y.Value == x.Value && y.With == x.With && y.Note == x.Note && y.Of != "" && x.Of != "" {
			y.IDs = append(y.IDs, x.IDs...)
			word, rest, found := strings.Cut(x.Of, " ")
			if first, _, ok := strings.Cut(y.Of, " "); ok && found && first == word {
				y.Of += ", " + rest
			} else {
				y.Of += ", " + x.Of
			}
			return
		}
	}
	g.Rows = append(g.Rows, x)
}

// appendix explains each figure: tables of figures with what was put in, and under them the formulas that they lead to.
func (p *printer) appendix() {
	groups, notes := p.d.Appendix()
	if len(groups) == 0 {
		return
	}
	const says = "Each figure with its interval and what was put in. The number in the last column leads to the formula, the method of the interval and the source, which are listed after the figures."
	p.heading("Where each figure comes from", 12*lineTable)
	p.text(says, sizeFine+.5, lineFine+.3, false, inkSecond, textWide)
	p.gap(1.5)
	for _, g := range groups {
		t := &Table{Cols: []Col{{Head: "Figure", Once: true}, {Head: "Of", Once: true}, {Head: "Value and interval"}, {Head: "With"}, {Head: "Note", Right: true}}}
		if g.Of != "" {
			t.Caption = capital(g.Of)
		}
		for _, x := range g.Rows {
			note := ""
			if x.Note > 0 {
				note = strconv.Itoa(x.Note)
			}
			t.Rows = append(t.Rows, []Cell{{Text: x.Name}, {Text: x.Of}, {Text: x.Value}, {Text: x.With}, {Text: note}})
		}
		p.fine = true
		p.table(t)
		p.fine = false
	}
	if len(notes) > 0 {
		p.heading("Formulas, intervals and sources", 4*lineFine)
	}
	for i, n := range notes {
		const number = 8.0
		p.face(false, sizeFine, inkMain)
		lines := p.lines(n.Text(), textWide-number)
		p.room(float64(len(lines)) * lineFine)
		p.face(true, sizeFine, inkMain)
		p.doc.SetX(marginLeft)
		p.doc.CellFormat(number, lineFine, strconv.Itoa(i+1), "", 0, "L", false, 0, "")
		p.face(false, sizeFine, inkMain)
		for _, l := range lines {
			p.doc.SetX(marginLeft + number)
			p.doc.CellFormat(textWide-number, lineFine, l, "", 1, "L", false, 0, "")
		}
		p.gap(.8)
	}
}
