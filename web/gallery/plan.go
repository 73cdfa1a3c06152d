package gallery

import (
	"sagwatch/web/page"
	"sagwatch/web/plot"
	"sagwatch/web/ui"
)

// plans are the pages about causes, reaction plans and what was closed with them.
func plans() []Entry {
	return []Entry{
		{"pareto", "Causes, one of them leads", pareto().Page()},
		{"pareto-none", "Causes, nothing closed yet", page.Pareto{Frame: frame("Causes", ui.AtSignals, "/pareto"), Statement: ui.Statement{Where: []ui.Run{{Text: "Signals", Href: "signals"}, {Text: "causes"}}, Say: ui.Say("No signal was closed in this time: there is nothing to rank.")}, Filters: paretoFilters(), Head: "Causes of closed signals, by signals", Table: ui.Table{Label: "Causes", Empty: "No signal was closed."}, NoDefects: "No counts of visual defects came in this time, so there is nothing to rank."}.Page()},
		{"causes", "Causes, plans and actions", causes().Page()},
		{"cause", "One cause, an engineer changes it; the reason is missing", causeForm(true).Page()},
		{"cause-read", "One cause, read", causeForm(false).Page()},
		{"signal-plan", "One signal, its plan begun, one step taken back", signalWithPlan().Page()},
	}
}

func paretoFilters() []ui.Input {
	return []ui.Input{{ID: "press", Name: "press", Label: "Press", Options: []ui.Option{{Value: "", Label: "every press", Selected: true}, {Value: "A", Label: "A"}}}, {ID: "from", Name: "from", Label: "From", Optional: true}, {ID: "to", Name: "to", Label: "To", Optional: true},
		{ID: "by", Name: "by", Label: "By", Options: []ui.Option{{Value: "signals", Label: "signals", Selected: true}, {Value: "panels", Label: "panels at risk"}, {Value: "hours", Label: "hours open"}}}}
}

func pareto() page.Pareto {
	rows := []plot.ShareRow{{Words: "Cooling of one mould blocked or set wrong", Value: "18", From: 0, To: .45}, {Words: "Probe stuck, loose or drifting", Value: "9", From: .45, To: .675}, {Words: "Plunger changed, worn or off centre", Value: "6", From: .675, To: .825}, {Words: longName, Value: "4", From: .825, To: .925}, {Words: "three others", Value: "3", From: .925, To: 1, Rest: true}}
	t := ui.Table{Label: "Causes of closed signals", Fold: true, Wrap: true, Cols: []ui.Col{{Head: "Cause"}, {Head: "Signals", Right: true}, {Head: "Share, 95 %", Right: true}, {Head: "At risk", Right: true}, {Head: "Hours", Right: true}, {Head: "Together", Right: true}}}
	for _, c := range [][]string{{"Cooling of one mould blocked or set wrong", "18", "45 % (29 to 62)", "1204", "31.5", "45 %"}, {"Probe stuck, loose or drifting", "9", "23 % (11 to 38)", "288 (8 signals)", "12.0", "68 %"}, {"Plunger changed, worn or off centre", "6", "15 % (6 to 30)", "2011", "9.2", "82 %"}, {longName, "4", "10 % (3 to 24)", "not counted", "4.1", "92 %"}} {
		t.Rows = append(t.Rows, ui.Row{Cells: ui.Texts(c...)})
	}
	d := ui.Table{Label: "Pieces rejected, by what was seen", Fold: true, Cols: []ui.Col{{Head: "Defect"}, {Head: "Rejected", Right: true}, {Head: "Inspected", Right: true}, {Head: "In 1000", Right: true}, {Head: "Together", Right: true}},
		Rows: []ui.Row{{Cells: ui.Texts("blister", "41", "2400", "17.1", "71 %")}, {Cells: ui.Texts("check mark", "17", "2400", "7.1", "100 %")}}}
	return page.Pareto{Frame: frame("Causes", ui.AtSignals, "/pareto"), Filters: paretoFilters(), Head: "Causes of closed signals, by signals", Table: t, Note: "Counted are signals that stand closed, by the time pressed of their first panel.",
		Statement: ui.Statement{Where: []ui.Run{{Text: "Signals", Href: "signals"}, {Text: "causes"}, {Text: "since 1 Feb 06:00"}}, Say: ui.Say("Three of seven causes make 82 % of the signals; first comes cooling of one mould blocked or set wrong."), Doubts: []ui.Sentence{ui.Say("The first has 45 % of the signals (95 %: 29 to 62 %); whether it or probe stuck, loose or drifting is the commoner is too close to say.")}},
		Drawing:   &plot.Shares{ID: "causes", Title: "Causes of closed signals, by signals", Desc: "Three of seven causes make 82 % of the signals.", Rows: rows},
		Defects:   []page.ParetoPart{{ID: "rejects", Head: "Pieces rejected, by what was seen", Say: "One kind makes 71 % of 58 pieces rejected.", Table: d, Drawing: &plot.Shares{ID: "rejects", Title: "Pieces rejected", Desc: "Blisters lead.", Rows: []plot.ShareRow{{Words: "blister", Value: "41", From: 0, To: .707}, {Words: "check mark", Value: "17", From: .707, To: 1}}}}},
		Files:     []ui.Act{{Text: "Causes as a file (CSV)", Href: "pareto"}}}
}

func causes() page.Causes {
	return page.Causes{Frame: frame("Causes", ui.AtSetUp, "/setup/causes"), Statement: ui.Statement{Where: []ui.Run{{Text: "Set-up", Href: "setup"}, {Text: "causes, plans and actions"}}, Say: ui.Say("Two causes and two actions are in use; one cause is retired.")},
		How: "Signals are closed with a cause and an action from these lists.", CausesSay: "What a cause fits decides when its plan is suggested.", ActionsSay: "What was done about it.", NewCause: "cause", NewAction: "cause",
		Causes: ui.Table{Label: "Causes", Fold: true, Wrap: true, Cols: []ui.Col{{Head: "Cause"}, {Head: "Looks like"}, {Head: "Fits"}, {Head: "Steps", Right: true}, {Head: "Signals closed with it", Right: true}, {Head: "State"}},
			Rows: []ui.Row{{Cells: []ui.Cell{{Text: "Cooling of one mould blocked or set wrong", Href: "cause"}, ui.Text("One mould steps or drifts, the rest hold."), ui.Text("glass; one mould or some moulds; step or drift"), ui.Text("6"), ui.Text("18"), ui.Text("in use")}}, {Cells: []ui.Cell{{Text: longName, Href: "cause"}, ui.Text(""), ui.Text("anything"), ui.Text("1"), ui.Text("0"), {State: ui.Is(ui.None, "retired")}}}}},
		Actions: ui.Table{Label: "Actions", Fold: true, Wrap: true, Cols: []ui.Col{{Head: "Action"}, {Head: "State"}}, Rows: []ui.Row{{Cells: []ui.Cell{{Text: "Mould changed", Href: "cause"}, ui.Text("as it comes with Sagwatch")}}}}}
}

var planSteps = []string{"Measure the last two panels of the mould again.", "Hold every panel at risk, the lehr included.", "Read the mould's cooling air at the panel outside the guard: flow and pressure against its card.", "If it is hot, or neither tells, call the mould shop: isolate and lock out by the plant's procedure, authorised people only."}

func causeForm(may bool) page.CauseForm {
	f := frame("Causes", ui.AtSetUp, "/setup/causes/mould-cooling")
	f.Caution = lineCaution.Danger
	m := page.CauseForm{Frame: f, Statement: ui.Statement{Where: []ui.Run{{Text: "Set-up", Href: "setup"}, {Text: "causes, plans and actions", Href: "causes"}}, Say: ui.Say("Cooling of one mould blocked or set wrong."), Doubts: []ui.Sentence{ui.Say("One mould steps or drifts, the rest hold.")}},
		Steps: planSteps, Caution: &lineCaution, Decide: "A plan is a reminder, no permission.", Facts: []ui.Fact{{Name: "Fits", Value: ui.Text("glass; one mould; step or drift")}, {Name: "Id", Value: ui.Text("mould-cooling")}},
		Before: []ui.Entry{{At: "3 Mar 09:10", Text: ui.Say("revision 2, okafor: the guard has a gauge now (4 steps)")}, {At: "17 Feb 09:12", Text: ui.Say("revision 1, okafor: in our own words (5 steps)")}}}
	if may {
		m.Action, m.Submit = "/setup/causes/mould-cooling", "Save the cause and its plan"
		m.Fields = []ui.Input{{ID: "name", Name: "name", Label: "Name", Value: "Cooling of one mould blocked or set wrong"}, {ID: "plan", Name: "plan", Label: "Plan", Area: true, Help: "One step a line.", Value: "Measure the last two panels of the mould again.\nHold every panel at risk, the lehr included."}}
		m.Reason = ui.Input{ID: "reason", Name: "reason", Label: "Reason", Problem: "The reason is missing."}
		m.Problems = ui.Problems{Head: "Nothing is changed yet", Items: []ui.Problem{{Field: "reason", Name: "The reason", Text: " is missing."}}}
	}
	return m
}

var lineCaution = ui.Warning{Danger: "Caution: crushing, burns and cuts.", Words: "Nobody reaches into the press, the table or the plunger on the word of a chart. Isolate and lock out by the plant's procedure, authorised people only. Panels are hot well past the lehr, heavy, and their edges cut: eye, hand and forearm protection."}

func signalWithPlan() page.Signal {
	m := signalOf("acknowledged")
	m.Acts.Problems, m.Acts.Note.Problem = ui.Problems{}, ""
	m.Acts.Choices = []ui.Input{{ID: "cause", Name: "cause", Label: "Cause", Options: []ui.Option{{Value: "", Label: "Not known yet", Selected: true}, {Value: "mould-cooling", Label: "Cooling of one mould blocked or set wrong"}}}, {ID: "action", Name: "action", Label: "Action", Options: []ui.Option{{Value: "", Label: "Nothing yet", Selected: true}, {Value: "cooling", Label: "Cooling cleaned or set right"}}}}
	b := &page.PlanBox{Head: "What the plant's plan says", Caution: m.Caution, Decide: "A plan is a reminder, no permission. The plant's own procedures, local codes and licensed or authorised people decide.",
		Steps: "/signals/5f2c/steps", Note: ui.Input{ID: "plan-note", Name: "note", Label: "Note to the step that you tick", Help: "What was seen, with its figure. Goes with the button that you press.", Optional: true}, Says: "Your name and the time are added.",
		Begin: "/signals/5f2c/plans", Pick: ui.Input{ID: "plan-cause", Name: "cause", Label: "Another plan", Options: []ui.Option{{Value: "mould-worn", Label: "Mould worn, damaged or changed (fits by kind and extent)", Selected: true}, {Value: "gob", Label: "Gob too heavy or light, or loaded off centre"}}}, PickSays: "What is known of this signal fits first mould worn, damaged or changed. A fit is no proof."}
	p := page.BegunPlan{Name: "Cooling of one mould blocked or set wrong", State: "1 of 4 steps done", Begun: "begun 13:28 by tamm, revision 2, kept as it was then",
		Log: []ui.Entry{{At: "13:36", Text: ui.Say("step 2 taken back, by tamm: the pallet was another")}, {At: "13:33", Text: ui.Say("step 2 done, by tamm")}, {At: "13:31", Text: ui.Say("step 1 done, by sorby: same radius within 0.04 mm")}}}
	for i, text := range planSteps {
		n := string(rune('1' + i))
		p.Steps = append(p.Steps, page.PlanStep{ID: "step-mould-cooling-" + n, Text: text, Button: "Done: step " + n, Value: "mould-cooling " + n + " done"})
	}
	p.Steps[0].Done, p.Steps[0].Who, p.Steps[0].Button = true, "13:31, sorby: same radius within 0.04 mm", "Take back step 1"
	p.Steps[1].Who = "taken back 13:36, tamm: the pallet was another"
	b.Plans = []page.BegunPlan{p}
	m.Plan = b
	return m
}
