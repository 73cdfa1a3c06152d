package page

import "sagwatch/web/ui"

// Trouble is the page in place of another that cannot be shown: nothing there, not allowed, changed meanwhile, or failed.
type Trouble struct {
	Frame   ui.Frame
	Code    int    // 403, 404, 409, 500, ...
	Say     string // "There is no panel A-0147599 of press A."
	Certain string // what is certain: "Nothing was changed."
	Do      string // what to do, whom to call
	Number  string // under which the details are in the log; "" for none
	Acts    []ui.Act
}
