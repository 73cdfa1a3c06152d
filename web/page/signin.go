package page

import "sagwatch/web/ui"

// SignIn asks who is there. In the demonstration the invented people stand ready as buttons.
type SignIn struct {
	Frame    ui.Frame
	Back     string // where to go afterwards: an address of this service
	Name     string // as typed before
	Problem  string // why nobody was signed in; "" the first time
	People   []Person
	NoSignIn bool // true when only the ready-made people exist: no name and password are asked for
}

// Person is one of the demonstration's ready-made people.
type Person struct {
	ID   string // sent as person
	Name string // "R. Tamm"
	Role string // "supervisor"
	Does string // "acknowledges and closes signals"
}

// First sets up the first administrator, once, when nobody exists yet.
type First struct {
	Frame    ui.Frame
	Name     ui.Input // name to sign in with
	Display  ui.Input // name that others see
	Password ui.Input
	Again    ui.Input
	Code     ui.Input // code printed by the service when it started, so that only its owner can do this; Name "" for none
	Problems ui.Problems
}

func (m SignIn) doubts() []ui.Sentence {
	if m.NoSignIn {
		return []ui.Sentence{ui.Say("This is a demonstration: plant, people and readings are invented. Choose whose eyes to look through.")}
	}
	return []ui.Sentence{ui.Say("What you do here is kept with your name and the time.")}
}
