package gallery

import (
	"sagwatch/web/page"
	"sagwatch/web/ui"
)

func setUps() []Entry {
	return []Entry{
		{"setup", "Set-up", setUp().Page()},
		{"setup-conflict", "Set-up with conflicts to resolve", setUpConflict().Page()},
		{"setup-empty", "Set-up, nothing defined", setUpEmpty().Page()},
		{"setup-numbers", "Where the numbers come from, one disagrees", numbers().Page()},
	}
}

func setUp() page.SetUp {
	f := frame("Set-up", ui.AtSetUp, "/setup")
	f.Person, f.Role = "M. Okafor", "engineer"
	return page.SetUp{Frame: f, Statement: ui.Statement{Say: ui.Say("Two products, two presses and three gauges are defined; the last change was on 21 Feb."), Doubts: []ui.Sentence{ui.Say("Definitions are revised, never overwritten: a panel keeps the revision by which it was judged.")}},
		How: "Definitions are changed with the set-up file: sagwatch setup apply FILE.",
		Groups: []page.Definitions{
			{ID: "products", Head: "Products", Rows: []page.Definition{{ID: "product-P25", Name: "P25", Summary: "sphere, 1107.5 mm; radius 1101.5 to 1113.5 mm; largest deviation at most 381 µm", Revision: "revision 4 since 17 Feb", By: "M. Okafor, 17 Feb 09:12", Reason: "Limit of deviation as agreed with the customer.",
				Facts: []ui.Fact{{Name: "Contour", Value: ui.Text("sphere, radius 1107.5 mm, concave")}, {Name: "Least number of good places", Value: ui.Text("40")}, {Name: "k", Value: ui.Text("2")}}, Before: []ui.Entry{{At: "3 Feb", Text: ui.Say("Revision 3, M. Okafor: skirt height added.")}}},
				{ID: "product-P21", Name: "P21", Summary: "polynomial contour", Revision: "revision 1 since 3 Feb", By: "M. Okafor, 3 Feb 10:00", Reason: "First set-up.", Retired: true}}},
			{ID: "presses", Head: "Presses", Rows: []page.Definition{{ID: "press-A", Name: "A", Summary: "eleven moulds, takt 10 s, lehr 94 minutes", Revision: "revision 1 since 3 Feb", By: "M. Okafor, 3 Feb 10:00", Reason: "First set-up."}}},
			{ID: "gauges", Head: "Gauges", Rows: []page.Definition{{ID: "gauge-CG-1", Name: "CG-1", Summary: "48 places, radial distance in mm", Revision: "revision 12 since 17 Feb", By: "M. Okafor, 17 Feb 09:30", Reason: "Bottom row moved 2 mm inwards."}}},
			{ID: "charts", Head: "Charts", Empty: "No chart beside the standard set of each press."}},
		People: ui.Table{Label: "People", Cols: []ui.Col{{Head: "Name"}, {Head: "Role"}}, Rows: []ui.Row{{Cells: ui.Texts("R. Tamm", "supervisor")}, {Cells: ui.Texts("M. Okafor", "engineer")}}},
		Tokens: ui.Table{Label: "Tokens", Cols: []ui.Col{{Head: "Name"}, {Head: "May"}, {Head: "Last used"}}, Rows: []ui.Row{{Cells: ui.Texts("gauge computer CG-1", "send measurements", "13:40:52")}}, Empty: "No machine has a token."}}
}

func setUpConflict() page.SetUp {
	m := setUp()
	choice := ui.Input{ID: "resolution", Name: "resolution", Label: "What is it?", Radio: true, Options: []ui.Option{{Value: "correction", Label: "a correction: the second takes the first one's place"}, {Value: "series", Label: "the counter restarted: keep both"}, {Value: "drop", Label: "a mistake: drop the second"}}, Problem: "Choose one of the three."}
	m.Statement.Say = ui.Say("One measurement came twice with different content and waits for a decision.")
	m.Conflicts = []page.Conflict{
		{ID: "17", Head: "CG-1, sequence 96" + ui.Thin + "564: two contents", Action: "/setup/conflicts/17", May: true, Choice: choice, Reason: ui.Input{ID: "reason", Name: "reason", Label: "Reason", Area: true},
			Problem: ui.Problems{Head: "Nothing is decided: one thing to put right", Items: []ui.Problem{{Field: "resolution", Name: "What it is", Text: " was not chosen."}}},
			Differs: ui.Table{Label: "What differs", Cols: []ui.Col{{Head: "What"}, {Head: "First, stored 13:21:21"}, {Head: "Second, 13:40:02"}}, Rows: []ui.Row{{Cells: ui.Texts("Reading 10, mm", "1107.482", "1107.128")}}}},
		{ID: "18", Head: "CG-2, sequence 11: two contents", MayNot: "An engineer decides this.", Differs: ui.Table{Label: "What differs", Cols: []ui.Col{{Head: "What"}, {Head: "First"}, {Head: "Second"}}, Rows: []ui.Row{{Cells: ui.Texts("Mould", "7", "8")}}}}}
	return m
}

func setUpEmpty() page.SetUp {
	m := setUp()
	m.Statement = ui.Statement{Say: ui.Say("Nothing is defined yet."), Doubts: []ui.Sentence{ui.Say("Start with one product, one press and one gauge in a set-up file.")}}
	m.Groups, m.Tokens.Rows, m.People.Rows = []page.Definitions{{ID: "products", Head: "Products", Empty: "None."}}, nil, m.People.Rows[:1]
	return m
}

func numbers() page.Numbers {
	f := frame("Where the numbers come from", ui.AtSetUp, "/setup/numbers")
	cols := []ui.Col{{Head: "What, and its source"}, {Head: "Expected", Right: true}, {Head: "Computed", Right: true}, {Head: "Digits", Right: true}, {Head: "Outcome"}}
	return page.Numbers{Frame: f, Statement: ui.Statement{Where: []ui.Run{{Text: "Set-up", Href: "/setup"}, {Text: "Where the numbers come from"}},
		Say: ui.Say("1 of 3 checks of the statistics does not agree with its source: do not decide by this build."), Acts: []ui.Act{{Text: "Save as CSV", Href: "/setup/numbers.csv"}}},
		Reading: []ui.Sentence{ui.Say("Digits is the number of significant digits in which the two values agree.")},
		Sections: []page.NumbersSection{{ID: "charts", Name: "Control charts", Says: "1 of 2 checks do not agree; 1 shown only", Open: true, Table: ui.Table{Label: "Control charts", Fold: true, Wrap: true, Cols: cols, Rows: []ui.Row{
			{Cells: []ui.Cell{{Text: "Invented method: first value", Note: "An invented table: published"}, ui.Text("1.25"), ui.Text("1.25"), ui.Text("15.0"), {State: ui.Is(ui.Good, "agrees")}}},
			{Mark: true, Cells: []ui.Cell{{Text: "Invented method: second value", Note: "An invented table: computed by an invented library. The printed value is rounded"}, ui.Text("3.5"), ui.Text("3.4"), ui.Text("1.5"), {State: ui.Is(ui.Bad, "does not agree")}}},
			{Cells: []ui.Cell{{Text: "Invented method: third value", Note: "An invented table: from memory"}, ui.Text("7"), ui.Text("7.1"), ui.Text("1.8"), {State: ui.Is(ui.None, "shown only")}}}}}}}}
}

func doors() []Entry {
	out := func(title string) ui.Frame {
		return ui.Frame{Title: title, Here: "/sign-in", Plant: "Tarnbeck Works", Zone: "UTC+2"}
	}
	demo := out("Sign in")
	demo.Demo = banner
	return []Entry{
		{"sign-in", "Sign-in", page.SignIn{Frame: out("Sign in"), Back: "/"}.Page()},
		{"sign-in-wrong", "Sign-in, wrong password", page.SignIn{Frame: out("Sign in"), Back: "/", Name: "r.tamm", Problem: "Name and password do not go together"}.Page()},
		{"sign-in-demo", "Sign-in of the demonstration", page.SignIn{Frame: demo, Back: "/", NoSignIn: true, People: []page.Person{
			{ID: "technician", Name: "A. Sørby", Role: "technician", Does: "stands at the gauge, keys in readings, corrects slips"}, {ID: "supervisor", Name: "R. Tamm", Role: "supervisor", Does: "watches the line, acknowledges and closes signals"}, {ID: "engineer", Name: "M. Okafor", Role: "engineer", Does: "freezes and revises limits, resolves conflicts"}}}.Page()},
		{"first", "First administrator", first().Page()},
		{"trouble-403", "Not allowed", page.Trouble{Frame: frame("Not allowed", "", "/charts"), Code: 403, Say: "Limits are an engineer's to freeze; you are signed in as a technician.", Certain: "Nothing was changed.", Do: "Ask an engineer, or sign in as one.", Acts: []ui.Act{{Text: "Back to the chart", Href: "chart", First: true}}}.Page()},
		{"trouble-404", "Not there", page.Trouble{Frame: frame("Not there", "", "/panels"), Code: 404, Say: "There is no panel A-0199999 of press A.", Do: "Look at the serial again, or search for the part you can read.", Acts: []ui.Act{{Text: "Search the panels", Href: "panels", First: true}}}.Page()},
		{"trouble-409", "Changed meanwhile", page.Trouble{Frame: frame("Changed meanwhile", "", "/signals"), Code: 409, Say: "A. Sørby acknowledged this signal a moment before you.", Certain: "Your note was not stored.", Acts: []ui.Act{{Text: "See the signal", Href: "signal", First: true}}}.Page()},
		{"trouble-500", "Failed", page.Trouble{Frame: out("Failed"), Code: 500, Say: "This page could not be made.", Certain: "No reading is lost: what the gauges sent and got an answer for is stored.", Do: "Try again; if it stays, tell the plant's IT the number below.", Number: "7f31-22"}.Page()},
	}
}

func first() page.First {
	return page.First{Frame: ui.Frame{Title: "First administrator", Here: "/first"}, Name: ui.Input{ID: "name", Name: "name", Label: "Name to sign in with", Complete: "username"}, Display: ui.Input{ID: "display", Name: "display", Label: "Name that others see"},
		Password: ui.Input{ID: "password", Name: "password", Label: "Password", Help: "At least 12 characters; a sentence is good.", Type: "password", Complete: "new-password", Problem: "8 characters are too few: at least 12."},
		Again:    ui.Input{ID: "again", Name: "again", Label: "The same once more", Type: "password", Complete: "new-password"},
		Problems: ui.Problems{Head: "Nobody was made administrator: one thing to put right", Items: []ui.Problem{{Field: "password", Name: "Password: too short", Text: "."}}}}
}
