package gallery

import (
	"sagwatch/web/page"
	"sagwatch/web/ui"
)

func holds() []Entry {
	return []Entry{
		{"holds", "Holds", holdList().Page()},
		{"holds-none", "Holds, none", page.Holds{Frame: live(frame("Holds", ui.AtHolds, "/holds")), Statement: ui.Statement{Where: []ui.Run{{Text: "Holds"}}, Say: ui.Say("No hold is open.")}, Open: ui.Table{Label: "Open holds", Empty: "No hold is open."}, Closed: ui.Table{Label: "Closed holds", Empty: "No hold has been closed."}}.Page()},
		{"hold-new", "Put panels on hold, two things to put right", holdForm().Page()},
		{"hold", "One hold, being sorted; a serial that is not on it", holdOf("open").Page()},
		{"hold-ranged", "One hold with an open end", holdOf("ranged").Page()},
		{"hold-closed", "One hold, closed; a late panel waits", holdOf("closed").Page()},
	}
}

var holdCaution = ui.Warning{Danger: "Caution: cuts and burns.", Words: "Panels are heavy, hot well past the lehr, and their pressed edges cut: eye, hand and forearm protection."}

func holdList() page.Holds {
	cols := []ui.Col{{Head: "Hold", Right: true}, {Head: "Which panels"}, {Head: "Why"}, {Head: "Held", Right: true}, {Head: "Outstanding", Right: true}, {Head: "Made"}}
	return page.Holds{Frame: live(frame("Holds", ui.AtHolds, "/holds")), Older: "holds?before=1",
		Statement: ui.Statement{Where: []ui.Run{{Text: "Holds"}}, Say: ui.Say("One hold is open: 62 panels wait for a decision."), Acts: []ui.Act{{Text: "Put panels on hold", Href: "hold-new", First: true}}},
		Open:      ui.Table{Label: "Open holds", Fold: true, Cols: cols, Rows: []ui.Row{{Cells: []ui.Cell{{Text: "4", Href: "hold"}, {Text: "Press A, panels of mould 7, pressed since 11:36, and those yet to be pressed", Href: "hold"}, ui.Text("Mould 7 presses 1.0 mm tight"), ui.Text("69"), ui.Text("62"), ui.Text("13:42 by R. Tamm")}}}},
		Closed:    ui.Table{Label: "Closed holds", Fold: true, Cols: cols, Rows: []ui.Row{{Mark: true, Cells: []ui.Cell{{Text: "3", Href: "hold-closed"}, {Text: "Panels A-0146010 to A-0146042 of press A", Href: "hold-closed"}, ui.Text("Chip of glass under a pad of CG-1"), ui.Text("33"), {Text: "1", Note: "came after it was closed"}, ui.Text("Wed 22:10 by R. Tamm")}}}}}
}

func holdForm() page.HoldForm {
	f := frame("Put panels on hold", ui.AtHolds, "/holds/new")
	bad := "“11.36” is no time: write 11:36, or 2026-03-05 11:36."
	return page.HoldForm{Frame: f, Save: "Put on hold", Caution: holdCaution, Statement: ui.Statement{Where: []ui.Run{{Text: "Holds", Href: "holds"}, {Text: "new"}}, Say: ui.Say("Put panels on hold.")},
		Problems: ui.Problems{Head: "Nothing is on hold yet", Items: []ui.Problem{{Field: "from", Name: "Pressed from", Text: ": " + bad}, {Field: "reason", Name: "Why", Text: ": whoever sorts the panels must know."}}},
		Press:    ui.Input{ID: "press", Name: "press", Label: "Press", Options: []ui.Option{{Value: "A", Label: "A", Selected: true}, {Value: "B", Label: "B"}}},
		Time: []ui.Input{{ID: "from", Name: "from", Label: "Pressed from", Value: "11.36", Optional: true, Problem: bad},
			{ID: "to", Name: "to", Label: "Until before", Optional: true, Help: "Left empty, panels yet to be pressed are held too."}, {ID: "moulds", Name: "moulds", Label: "Moulds", Value: "7", Optional: true}},
		Serials: []ui.Input{{ID: "serials", Name: "serials", Label: "Serials", Area: true, Optional: true, Help: "One after another, or a range such as A-0147560 to A-0147632."}},
		Reason:  ui.Input{ID: "reason", Name: "reason", Label: "Why", Problem: "whoever sorts the panels must know."}}
}

func holdOf(state string) page.Hold {
	f := live(frame("Hold 4", ui.AtHolds, "/holds/4"))
	f.Caution = "Panels are hot well past the lehr, heavy, and their edges cut."
	m := page.Hold{Frame: f, Caution: holdCaution, Decide: "Sagwatch advises. The plant's own procedures and the person responsible decide what becomes of a panel.", CSV: "/holds/4/panels.csv",
		Statement: ui.Statement{Where: []ui.Run{{Text: "Holds", Href: "holds"}, {Text: "hold 4"}, {Text: "press A"}}, Say: ui.Say("Hold 4: 62 of 69 panels wait for a decision."), Doubts: []ui.Sentence{ui.Say("Press A, panels of mould 7, pressed from 11:36 until before 13:40.")}},
		State:     ui.Is(ui.Held, "open"), StateSay: "since 13:42, by R. Tamm", Facts: []ui.Fact{{Name: "Why", Value: ui.Text("Mould 7 presses 1.0 mm tight")}, {Name: "Held by", Value: ui.Text("R. Tamm, 13:42")}},
		Progress: ui.Table{Label: "Panels of the hold by decision", Cols: []ui.Col{{Head: "Panels"}, {Head: "Count", Right: true}}, Rows: []ui.Row{{Cells: ui.Texts("Held", "69")}, {Cells: ui.Texts("Released", "4")}, {Cells: ui.Texts("Scrapped", "3")}, {Sum: true, Cells: ui.Texts("Outstanding", "62")}}},
		Which:    []page.HoldChoice{{Text: "outstanding, 62", Href: "/holds/4?show=outstanding", Now: true}, {Text: "released, 4", Href: "/holds/4?show=release"}, {Text: "all, 69", Href: "/holds/4?show=all"}}, PanelSay: "Panels that wait for a decision", Older: "/holds/4?after=x",
		Panels: ui.Table{Label: "Panels", Fold: true, Cols: []ui.Col{{Head: "Panel", Whole: true}, {Head: "Pressed"}, {Head: "Mould", Right: true, Drop: true}, {Head: "Lane", Right: true, Drop: true}, {Head: "Where"}, {Head: "As measured"}, {Head: "Decision"}, {Head: "By"}}, Rows: []ui.Row{
			{Cells: []ui.Cell{{Text: "A-0147575", Href: "panel"}, ui.Text("11:49:20"), ui.Text("7"), ui.Text("2"), ui.Text("measured 13:25"), {State: ui.State{Kind: ui.Held, Word: "inside", Quiet: true}}, {State: ui.Is(ui.Held, "waits")}, {}}},
			{Cells: []ui.Cell{{Text: "A-0147586", Href: "panel"}, ui.Text("11:51:10"), ui.Text("7"), ui.Text("3"), ui.Text("measured 13:58"), {State: ui.Is(ui.Unsure, "too close to say")}, {State: ui.Is(ui.Held, "measured again, waits")}, ui.Text("A. Sørby, 13:50: seat it again")}}}},
		Log: []ui.Entry{{At: "13:55", Text: ui.Sentence{}.Link("A-0147564", "panel").And(" scrapped by R. Tamm: too tight in the corners")}, {At: "13:42", Text: ui.Say("R. Tamm put them on hold: mould 7 presses 1.0 mm tight")}}}
	serial := ui.Input{ID: "serial", Name: "panel", Label: "Scan or type the serial, then Enter"}
	reason := ui.Input{ID: "reason", Name: "reason", Label: "Reason", Value: "inside by hand gauge"}
	decision := ui.Input{ID: "decision", Name: "decision", Label: "What becomes of it", Radio: true, Options: []ui.Option{{Value: "release", Label: "release", Selected: true}, {Value: "remeasure", Label: "measure again"}, {Value: "rework", Label: "rework"}, {Value: "scrap", Label: "scrap"}}}
	m.Scan = &page.HoldScan{Action: "/holds/4/panels", Serial: serial, Decision: decision, Reason: reason, Save: "Write this decision", Says: "Decision and reason stay chosen for the next."}
	act := func(id, head, label string, grave bool, fields ...ui.Input) page.HoldAct {
		return page.HoldAct{ID: id, Head: head, Action: "/holds/4/" + id, Label: label, Grave: grave, Fields: append(fields, ui.Input{ID: id + "-reason", Name: "reason", Label: "Reason"})}
	}
	m.Acts = []page.HoldAct{act("release", "Release all that wait and satisfy a condition", "Release them", true, ui.Input{ID: "condition", Name: "condition", Label: "Which", Radio: true, Options: []ui.Option{{Value: "a", Label: "those measured again that conform", Selected: true}, {Value: "b", Label: "those that conform by their latest measurements"}}})}
	switch state {
	case "open":
		m.Scan.Serial.Value, m.Scan.Serial.Problem = "A-0147999", "A-0147999: not on hold 4. Nothing was written for any panel."
		m.Scan.Problems = ui.Problems{Head: "No decision was written", Items: []ui.Problem{{Field: "serial", Name: serial.Label, Text: ": A-0147999 is not on hold 4."}}}
		m.Acts = append(m.Acts, act("close", "Close the hold", "Close hold 4, letting 62 panels go", true))
	case "ranged":
		m.Statement.Doubts = []ui.Sentence{ui.Say("Press A, panels of mould 7, pressed since 11:36, and those yet to be pressed."), ui.Say("About 49 more are in the lehr, not yet measured.")}
		m.Acts = append(m.Acts, act("end", "End the range", "End it", false, ui.Input{ID: "end-to", Name: "to", Label: "Pressed from then on is no longer held", Value: "2026-03-05 13:41"}))
	case "closed":
		m.Statement.Say, m.State, m.StateSay = ui.Say("Hold 4 was closed, and one of 70 panels came later: held until somebody decides."), ui.Is(ui.Good, "closed"), "at 15:20"
		m.Panels.Rows = m.Panels.Rows[:1]
	}
	return m
}
