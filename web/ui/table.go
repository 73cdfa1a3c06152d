package ui

// Drawing is something that draws itself as SVG: a bar, a map or a ring of web/plot.
type Drawing interface{ SVG() string }

// Col is a column's head; the unit stands in it.
type Col struct {
	Head  string // "" for a column that needs none to be seen; then Name says it to those who do not see
	Name  string
	Right bool // figures
	Drop  bool // left out on a phone
	Whole bool // serials and the like: never broken over two lines
}

// Cell is one cell of a table: words, a figure, a state or a drawing, and where it leads.
type Cell struct {
	Text    string
	Href    string
	Why     bool // the link leads to where the figure came from
	State   State
	Drawing Drawing
	Runs    Sentence // in place of Text where only a part is a link
	Note    string   // after the state, less prominent: "recheck", why something is not judged
}

// Row is a line of a table; its first cell is its head.
type Row struct {
	ID    string // element id, "" for none
	Cells []Cell
	Mark  bool // the row that matters; a State in it must say why
	Sum   bool
	Rule  bool // begins a group: an ink rule above
}

// Table is a table of words and figures.
type Table struct {
	Label   string // its name for those who cannot see it
	Caption string
	Cols    []Col
	Rows    []Row
	Fold    bool   // rows with words fold into blocks on a phone
	Wrap    bool   // row heads are sentences and break over lines
	Middle  bool   // rows with drawings: cells centred on their row
	Empty   string // said in place of a table without rows
}

// Text makes a cell of plain text.
func Text(s string) Cell { return Cell{Text: s} }

// Texts makes a row's cells of plain texts.
func Texts(s ...string) []Cell {
	out := make([]Cell, len(s))
	for i, t := range s {
		out[i].Text = t
	}
	return out
}
