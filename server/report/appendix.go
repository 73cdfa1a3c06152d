package report

import (
	"slices"
	"strconv"
	"strings"

	"sagwatch/web/ui"
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
	Value    string   // with unit and interval, whose level is said where it is not 95 %
	With     string
	Note     int // its number, from one; 0: the figure is not given, so that it has none
}

// Head is the heading of the group.
func (g *ExplainedGroup) Head() string {
	if g.Limits == "" {
		return capital(g.Of)
	}
	return capital(g.Of) + ", with " + g.Limits
}

// limitsOf cuts the limits of specification off the end of a figure's inputs, and gives their letters.
func limitsOf(inputs string) (rest, limits, letters string) {
	parts := strings.Split(inputs, ", ")
	n := len(parts)
	for n > 0 && (strings.HasPrefix(parts[n-1], "L ") || strings.HasPrefix(parts[n-1], "U ")) {
		n--
		letters = parts[n][:1] + ", " + letters
	}
	return strings.Join(parts[:n], ", "), strings.Join(parts[n:], ", "), strings.TrimSuffix(letters, ", ")
}

// shareLimits states limits that many figures of a group have in its heading, once.
func (g *ExplainedGroup) shareLimits() {
	if g.Of == "" {
		return
	}
	count := map[string]int{}
	for _, r := range g.Rows {
		if _, l, _ := limitsOf(r.With); l != "" {
			if count[l]++; count[l] > max(2, count[g.Limits]) {
				g.Limits = l
			}
		}
	}
	for i := range g.Rows {
		if rest, l, letters := limitsOf(g.Rows[i].With); l != "" && l == g.Limits {
			g.Rows[i].With = strings.TrimPrefix(rest+", "+letters, ", ")
		}
	}
}

// ExplainedGroup is the figures of one thing.
type ExplainedGroup struct {
	Of     string // "radius of curvature"; "" for figures of many things
	Limits string // "L 1101.5 mm, U 1113.5 mm": of the figures whose inputs name L and U without a value
	Rows   []Explained
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
		x := Explained{Name: f.Name, Of: of, IDs: []string{f.ID}, Value: strings.Replace(f.Text(), "(95"+ui.NoBreak+"%: ", "(", 1), With: f.Inputs}
		if n := (Note{f.Formula, f.Method, f.Source}); n != (Note{}) {
			if numbers[n] == 0 {
				notes = append(notes, n)
				numbers[n] = len(notes)
			}
			x.Note = numbers[n]
		}
		groups[k].add(x)
	}
	for k := range groups {
		groups[k].shareLimits()
	}
	for _, g := range groups { // figures of one name stand together, in the order in which the names come
		first := map[string]int{}
		for i, r := range g.Rows {
			if _, ok := first[r.Name]; !ok {
				first[r.Name] = i
			}
		}
		slices.SortStableFunc(g.Rows, func(a, b Explained) int { return first[a.Name] - first[b.Name] })
	}
	return groups, notes
}

// add appends a line, or adds it to the like one of the same name before it: "mould 1, mould 2" is one line where both say the same.
func (g *ExplainedGroup) add(x Explained) {
	for i := len(g.Rows) - 1; i >= 0 && i >= len(g.Rows)-40; i-- {
		if y := &g.Rows[i]; y.Name == x.Name && y.Value == x.Value && y.With == x.With && y.Note == x.Note && y.Of != "" && x.Of != "" {
			y.IDs = append(y.IDs, x.IDs...)
			if x.Of == y.Of {
				return
			}
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
	const says = "Each figure with what was put in; intervals are 95 % unless another level is said. The number in the last column leads to the formula, the method of the interval and the source, which are listed after the figures."
	p.heading("Where each figure comes from", 12*lineTable)
	p.text(says, sizeFine+.5, lineFine+.3, false, inkSecond, textWide)
	p.gap(1.5)
	for _, g := range groups {
		t := &Table{Cols: []Col{{Head: "Figure", Once: true, Wide: .175}, {Head: "Of", Wide: .155}, {Head: "Value (95" + ui.NoBreak + "% interval)", Wide: .265}, {Head: "With", Wide: .355}, {Head: "Note", Right: true, Wide: .05}}}
		if g.Of != "" {
			t.Caption = g.Head()
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
