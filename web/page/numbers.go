package page

import "sagwatch/web/ui"

// Numbers shows the checks of the statistics against published sources, section by section.
type Numbers struct {
	Frame     ui.Frame
	Statement ui.Statement
	Sections  []NumbersSection
	Reading   []ui.Sentence // how to read the table
}

// NumbersSection is one section's checks.
type NumbersSection struct {
	ID    string // element id
	Name  string
	Says  string // "149 checks on 1332 values, all agree"
	Open  bool   // something in it does not agree
	Table ui.Table
}
