package ui

// Option is one choice of a select or of radio buttons.
type Option struct {
	Value, Label string
	Selected     bool
}

// Input is one field of a form with its label, help and problem.
type Input struct {
	ID, Name string
	Label    string
	Help     string // under the label
	Value    string // as typed, kept as it was when something is wrong
	Type     string // "" for text; password, search, hidden
	Unit     string // to the right of the field
	Optional bool
	Number   bool // figures: right-aligned, a keyboard with digits
	Area     bool // several lines
	Options  []Option
	Radio    bool   // options as radio buttons
	Problem  string // a sentence: what was read, what is allowed, the likely slip; "" when all is well
	Complete string // autocomplete; "" for off
	Hidden   bool   // the label is for those who cannot see the place it stands in
	Max      int    // greatest number of characters, 0 for no bound
}

// Problem is one thing to put right, with a link to its field.
type Problem struct {
	Field string // element id of the field
	Name  string // the words that are the link
	Text  string // the rest of the sentence
}

// Problems is the block at the top of a form that was not saved.
type Problems struct {
	Head  string // "Two things to put right"
	Items []Problem
}
