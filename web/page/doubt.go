package page

import "sagwatch/web/ui"

// Doubt is what a failed check of a gauge's master put in doubt, with what becomes of it. Fields sent: from (the stretch), decision,
// reason.
type Doubt struct {
	Frame     ui.Frame
	Statement ui.Statement
	Action    string
	Spans     []DoubtSpan
}

// DoubtSpan is one stretch between good checks.
type DoubtSpan struct {
	Head   string     // "From the good check of 06:02 to the good check of 14:05"
	Log    []ui.Entry // failed checks, then decisions
	Says   string
	Table  ui.Table
	More   string
	From   string     // RFC 3339; "" for the first measurement
	Fields []ui.Input // none: nothing to decide, or not by this person
	Save   string     // "Decide on 214 measurements"
}
