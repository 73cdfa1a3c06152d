package gallery

import (
	"sagwatch/web/page"
	"sagwatch/web/ui"
)

func signals() []Entry {
	return []Entry{
		{"signals", "Signals", signalList().Page()},
		{"signals-none", "Signals, none", page.Signals{Frame: frame("Signals", ui.AtSignals, "/signals"), Statement: ui.Statement{Say: ui.Say("No signal since Tuesday 06:00.")}, Filters: signalFilters(), Empty: "4812 cycles on two presses, all charts quiet."}.Page()},
		{"signal", "One signal, open", signalOf("open").Page()},
		{"signal-acknowledged", "One signal, acknowledged; the note is missing", signalOf("acknowledged").Page()},
		{"signal-closed", "One signal, closed", signalOf("closed").Page()},
		{"signal-withdrawn", "One signal, withdrawn by a late panel", signalOf("withdrawn").Page()},
	}
}

func signalFilters() []ui.Input {
	return []ui.Input{{ID: "state", Name: "state", Label: "State", Optional: true, Options: []ui.Option{{Value: "", Label: "every state", Selected: true}, {Value: "open", Label: "open"}, {Value: "acknowledged", Label: "acknowledged"}, {Value: "closed", Label: "closed"}, {Value: "withdrawn", Label: "withdrawn"}}},
		{ID: "press", Name: "press", Label: "Press", Optional: true, Options: []ui.Option{{Value: "", Label: "every press", Selected: true}, {Value: "A", Label: "A"}, {Value: "B", Label: "B"}}}}
}

func signalList() page.Signals {
	return page.Signals{Frame: live(frame("Signals", ui.AtSignals, "/signals")), Filters: signalFilters(), Statement: ui.Statement{Say: ui.Say("One signal is open, one is acknowledged.")}, Older: "signals?after=x",
		Rows: []page.SignalRow{
			{Name: "A, mould 7: radius beyond lower limit", Href: "signal", Raised: "11:51", Chart: "Radius, each mould", State: ui.Is(ui.Bad, "open"), Who: "nobody yet, open for 16 minutes"},
			{Name: "CG-2: master error beyond upper limit", Href: "signal-acknowledged", Raised: "10:10", Chart: "Master stability", State: ui.Is(ui.Held, "acknowledged"), Who: "A. Sørby 10:12"},
			{Name: "B, mould 4: radius, nine on one side", Href: "signal-closed", Raised: "07:14", Chart: "Radius, each mould", State: ui.Is(ui.Good, "closed"), Who: "R. Tamm 08:47"},
			{Name: "B, all moulds: cycle mean, six rising", Href: "signal-withdrawn", Raised: "Wed 22:05", Chart: "Radius, mean of each cycle", State: ui.Is(ui.None, "withdrawn"), Who: "a late panel changed it 22:40"}}}
}

func signalOf(state string) page.Signal {
	c := chartOf(chartSignal)
	f := live(frame("Signal", ui.AtSignals, "/signals/5f2c"))
	f.Caution = "Panels are hot well past the lehr, heavy, and their edges cut."
	m := page.Signal{Frame: f, Statement: ui.Statement{Where: []ui.Run{{Text: "Signals", Href: "signals"}, {Text: "press A"}, {Text: "raised 13:25 by the chart “Radius of curvature, each mould”", Href: "chart"}},
		Say:    ui.Say("Mould 7 on press A lies below its lower limit: two panels since 11:49."),
		Doubts: []ui.Sentence{ui.Say("The first is ").Why("1106.02"+ui.NoBreak+"mm", "#points").And(" where 1106.47 is the limit. Whether it is glass or gauge is not worked out here: look at the other moulds and at the last master check.")}},
		ChartHead: "Two panels lie below the lower limit", Chart: c.Main, ChartNote: "By time pressed.", Streams: c.Streams[5:8],
		Points: ui.Table{Label: "Points", Fold: true, Cols: []ui.Col{{Head: "Pressed"}, {Head: "Panel"}, {Head: "Radius, mm", Right: true}, {Head: "Limits", Right: true}, {Head: "In words"}},
			Rows: []ui.Row{{ID: "points", Cells: []ui.Cell{ui.Text("11:49"), {Text: "A-0147575", Href: "panel"}, ui.Text("1106.02"), ui.Text("1106.47 to 1109.57"), {State: ui.Is(ui.Bad, "beyond lower limit")}}}, {Cells: []ui.Cell{ui.Text("11:51"), {Text: "A-0147586", Href: "panel"}, ui.Text("1106.11"), ui.Text("1106.47 to 1109.57"), {State: ui.Is(ui.Bad, "beyond lower limit")}}}}},
		Facts:   []ui.Fact{{Name: "Limits", Value: ui.Text("1106.47 to 1109.57, centre 1108.02")}, {Name: "They are", Value: ui.Text("frozen Thu 03:20 by M. Okafor")}, {Name: "Rule", Value: ui.Text("one beyond a limit")}, {Name: "Product", Value: ui.Text("P25")}},
		Caution: ui.Warning{Danger: "Caution: crushing and burns.", Words: "Nobody reaches into the press, the table or the plunger on the word of a chart. Isolate and lock out by the plant's procedure, authorised people only. Panels are hot well past the lehr and their edges cut: eye, hand and forearm protection."},
		Decide:  "Sagwatch advises. The plant's own procedures, local codes and licensed or authorised people decide.",
		Log:     []ui.Entry{{At: "13:25", Text: ui.Say("Signal raised by panel A-0147575.")}, {At: "11:49", Text: ui.Say("That panel was pressed.")}}}
	note := ui.Input{ID: "note", Name: "note", Label: "Note", Area: true, Help: "What was found, what was done."}
	form := &page.SignalForm{Head: "Acknowledge it, or close it", Acknowledge: "/signals/5f2c/acknowledge", AckLabel: "Acknowledge as R. Tamm", Close: "/signals/5f2c/close", CloseLabel: "Close as R. Tamm", Note: note, Says: "Your name and the time are added and cannot be changed later; a correction is a second note. Closing needs a note."}
	m.State, m.StateSay, m.Acts = ui.Is(ui.Bad, "open"), "for 16 minutes, acknowledged by nobody", form
	switch state {
	case "acknowledged":
		m.State, m.StateSay = ui.Is(ui.Held, "acknowledged"), "by A. Sørby at 13:30"
		form.Head, form.Acknowledge = "Close it", ""
		form.Note.Problem, form.Problems = "Say what was found and done.", ui.Problems{Head: "The signal is not closed: one thing to put right", Items: []ui.Problem{{Field: "note", Name: "Note: there is none", Text: ". Closing needs one."}}}
		m.Log = append([]ui.Entry{{At: "13:30", Text: ui.Say("A. Sørby acknowledged it: measuring the last two again.")}}, m.Log...)
	case "closed":
		m.State, m.StateSay, m.Acts = ui.Is(ui.Good, "closed"), "by R. Tamm at 13:38", nil
		m.Log = append([]ui.Entry{{At: "13:38", Text: ui.Say("R. Tamm closed it: cooling air of mould 7 set right by the mould shop.")}}, m.Log...)
	case "withdrawn":
		m.State, m.StateSay, m.Acts = ui.Is(ui.None, "withdrawn"), "at 13:39", nil
		m.Stale = "Withdrawn at 13:39: panel A-0147570 came late and stands between the points that had made this signal."
	}
	return m
}
