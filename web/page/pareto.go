package page

import (
	"sagwatch/web/plot"
	"sagwatch/web/ui"
)

// Pareto says which causes took most, and which defects were seen most.
type Pareto struct {
	Frame     ui.Frame
	Statement ui.Statement
	Filters   []ui.Input
	Problems  ui.Problems
	Head      string
	Drawing   *plot.Shares // nil: nothing to draw
	Table     ui.Table
	Note      string // what was counted, and how
	Defects   []ParetoPart
	NoDefects string // said where there are no counts of defects
	Files     []ui.Act
}

// ParetoPart is one ranking of defects.
type ParetoPart struct {
	ID      string
	Head    string
	Say     string
	Drawing *plot.Shares
	Table   ui.Table
}
