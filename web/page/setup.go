package page

import "sagwatch/web/ui"

// SetUp shows what is defined now, by which revision, by whom and why; and the conflicts that wait for a decision.
type SetUp struct {
	Frame     ui.Frame
	Statement ui.Statement
	Conflicts []Conflict
	Groups    []Definitions // products, presses, gauges, charts
	Tokens    ui.Table      // names, scopes, last used; never the token
	People    ui.Table      // names and roles
	How       string        // how definitions are changed: the command
}

// Definitions is one kind of definition.
type Definitions struct {
	ID    string // element id: "products"
	Head  string // "Two products"
	Rows  []Definition
	Empty string
}

// Definition is one object as it is now.
type Definition struct {
	ID       string // element id
	Name     string // "P25"
	Summary  string // "sphere, 1107.5 mm; radius 1101.5 to 1113.5 mm"
	Revision string // "revision 4 since 17 Feb"
	By       string // "M. Okafor, 17 Feb 09:12"
	Reason   string
	Retired  bool
	Facts    []ui.Fact // its values in full
	Before   []ui.Entry
}

// Conflict is a measurement that came under the identity of another with other content.
type Conflict struct {
	ID      string
	Head    string // "CG-1 sequence 96 564: two contents"
	Differs ui.Table
	Action  string
	Choice  ui.Input // resolution: correction | series | drop
	Reason  ui.Input
	Problem ui.Problems
	May     bool // this person may resolve it
	MayNot  string
}

func (c Conflict) anchor() string { return "conflict-" + slug(c.ID) }
