package page

import "sagwatch/web/ui"

// PlanBox is the part of a signal's page on which a reaction plan is picked and worked through. What others tick shows by itself: the
// list is a live part, named PlanSteps, and the form, with the note that is being typed, lies outside it.
type PlanBox struct {
	Head    string
	Caution ui.Warning
	Decide  string // who decides
	Plans   []BegunPlan
	None    string // said while no plan was begun
	// The form of the steps' buttons; Steps "" when nothing can be ticked any more.
	Steps string // address
	Note  ui.Input
	Says  string
	// Picking another plan.
	Begin    string // address; "" when this reader may not, or nothing is left to begin
	Pick     ui.Input
	PickSays string // why those that are first are first
}

// PlanSteps is the id of the live part of a PlanBox.
const PlanSteps = "plan-steps"

// BegunPlan is a plan that was begun on the signal.
type BegunPlan struct {
	Name  string // of its cause
	State string // "2 of 6 steps done"
	Begun string // "begun 13:28 by R. Tamm, revision 3"
	Steps []PlanStep
	Log   []ui.Entry // what was taken back, so that it stays in sight; "" for nothing
}

// PlanStep is one step of a plan.
type PlanStep struct {
	ID     string // of its button, so that the keyboard keeps its place when the list is fetched again
	Text   string
	Done   bool
	Who    string // "13:31, A. Sørby: same radius within 0.04 mm"
	Button string // "Done" or "Take back"; "" when this reader may not
	Value  string // what the button sends
}

// Causes lists what the plant closes signals with.
type Causes struct {
	Frame      ui.Frame
	Statement  ui.Statement
	Causes     ui.Table
	Actions    ui.Table
	NewCause   string // address; "" when this reader may not
	NewAction  string
	MayNot     string
	How        string
	CausesSay  string
	ActionsSay string
}

// CauseForm revises a cause with its plan, or an action.
type CauseForm struct {
	Frame     ui.Frame
	Statement ui.Statement
	Caution   *ui.Warning // of plans
	Decide    string
	Problems  ui.Problems
	Action    string // address; "" for a reader who may not change it
	Fields    []ui.Input
	Reason    ui.Input
	Submit    string
	Steps     []string // as they are now, for a reader who may not change them
	Facts     []ui.Fact
	Before    []ui.Entry // revisions, latest first
}
