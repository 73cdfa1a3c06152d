package page

import "sagwatch/web/ui"

// Numbers shows the checks of the statistics against published sources, section by section.
type Numbers struct {
	Frame     ui.Frame
	Statement ui.Statement
	Contents  ui.Table // one row a section: how many checks, how many agree
	Sections  []NumbersSection
	Reading   []ui.Sentence // how to read the table
}

// NumbersSection is one section's checks.
type NumbersSection struct {
	ID    string // element id
	Head  string
	Table ui.Table
}
