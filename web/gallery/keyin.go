package gallery

import (
	"fmt"

	"sagwatch/web/page"
	"sagwatch/web/ui"
)

func keyIns() []Entry {
	return []Entry{
		{"keyin", "Key in 48 readings", keyIn(false).Page()},
		{"keyin-wrong", "Key in, with problems", keyIn(true).Page()},
		{"keyin-values", "Key in the values of a gauge of dimensions", keyInValues().Page()},
		{"correct", "Correct a measurement", correct(false).Page()},
		{"correct-wrong", "Correct a measurement, reason missing", correct(true).Page()},
		{"void", "Void a measurement", void(false).Page()},
		{"void-wrong", "Void a measurement, reason missing", void(true).Page()},
	}
}

func about() []ui.Input {
	return []ui.Input{
		{ID: "panel", Name: "panel", Label: "Panel", Value: "A-0147682", Max: 64},
		{ID: "press", Name: "press", Label: "Press", Options: []ui.Option{{Value: "A", Label: "A", Selected: true}, {Value: "B", Label: "B"}}},
		{ID: "product", Name: "product", Label: "Product", Options: []ui.Option{{Value: "P25", Label: "P25", Selected: true}}},
		{ID: "mould", Name: "mould", Label: "Mould", Optional: true, Options: []ui.Option{{Value: "", Label: "not known"}, {Value: "3", Label: "3", Selected: true}, {Value: "4", Label: "4"}}},
		{ID: "lane", Name: "lane", Label: "Lehr lane", Optional: true, Options: []ui.Option{{Value: "", Label: "not known", Selected: true}, {Value: "1", Label: "1"}, {Value: "2", Label: "2"}}},
		{ID: "measured_at", Name: "measured_at", Label: "Gauged, plant time", Value: ui.ForField(now)},
		{ID: "pressed_at", Name: "pressed_at", Label: "Pressed, plant time", Optional: true},
		{ID: "purpose", Name: "purpose", Label: "Purpose", Options: []ui.Option{{Value: "production", Label: "production", Selected: true}, {Value: "recheck", Label: "recheck"}, {Value: "study", Label: "study"}, {Value: "master", Label: "master check"}}},
	}
}

func places(filled bool) page.Places {
	p := page.Places{Head: "The 48 readings, radial distance in mm", Unit: "mm", Columns: 8,
		Help: "They stand as the gauge lies, seen as it looks at the glass; the number is the gauge's own. Leave a place empty when it gave none. A block pasted from a spreadsheet into any field fills the places from there on."}
	z := noise(5)
	for r := range 6 {
		var row []page.PlaceField
		for c := range 8 {
			f := page.PlaceField{Number: r*8 + c + 1}
			if filled {
				f.Value = fmt.Sprintf("%.3f", 1107.5+.1*z.next())
			}
			row = append(row, f)
		}
		p.Rows = append(p.Rows, row)
	}
	p.Rows[2][4].Unused = true
	return p
}

func keyIn(wrong bool) page.KeyIn {
	f := frame("Key in readings", ui.AtGauge, "/gauge/CG-1/key-in")
	f.At, f.Caution = "gauge CG-1", "Panels are heavy and their pressed edges cut: eye, hand and forearm protection."
	m := page.KeyIn{Frame: f, Gauge: "CG-1", Action: "/gauge/CG-1/key-in", Back: "/gauge/CG-1", About: about(), Places: places(wrong), Save: "Store the readings",
		Statement: ui.Statement{Where: []ui.Run{{Text: "Gauge", Href: "gauges"}, {Text: "CG-1", Href: "gauge"}}, Say: ui.Say("Key in what the gauge computer could not send."),
			Doubts: []ui.Sentence{ui.Say("They are judged, charted and kept like any other, and carry your name.")}},
		Block: ui.Input{ID: "block", Name: "block", Label: "Readings of places 1 to 48", Help: "In the gauge's own order, parted by spaces, tabs or lines; write none for a place without a reading. Used when the fields above are empty.", Area: true, Optional: true}}
	if wrong {
		m.Statement.Say = ui.Say("The readings are not stored: two of them cannot be right.")
		m.Statement.Doubts = []ui.Sentence{ui.Say("Nothing is lost: all you typed stands below.")}
		m.Problems = ui.Problems{Head: "Three things to put right", Items: []ui.Problem{
			{Field: "panel", Name: "Panel: there is none", Text: ". Scan or type its serial."},
			{Field: "r31", Name: "Place 31: 43.602", Text: " is outside 1090 to 1125 mm. In inches? 43.602 in are 1107.491 mm."},
			{Field: "r12", Name: "Place 12: “11o7.4”", Text: " is not a number. A letter o for a nought?"}}}
		m.About[0].Value, m.About[0].Problem = "", "A panel must have its serial."
		m.Places.Rows[3][6].Value, m.Places.Rows[3][6].Problem = "43.602", "Outside 1090 to 1125 mm. Inches?"
		m.Places.Rows[1][3].Value, m.Places.Rows[1][3].Problem = "11o7.4", "Not a number."
	}
	return m
}

func keyInValues() page.KeyIn {
	m := keyIn(false)
	m.Places, m.Block = page.Places{}, ui.Input{}
	m.Gauge, m.Save, m.Frame.At = "PG-1", "Store the values", "gauge PG-1"
	m.Values = []ui.Input{{ID: "c-width", Name: "c.width", Label: "Width", Unit: "mm", Number: true}, {ID: "c-flatness", Name: "c.flatness", Label: "Seal-edge flatness", Unit: "mm", Number: true, Optional: true}}
	return m
}

func stored() []ui.Fact {
	return []ui.Fact{{Name: "Panel", Value: ui.Text("A-0147564")}, {Name: "Press, mould", Value: ui.Text("A, mould 7")}, {Name: "Gauged", Value: ui.Text("13:21:20 on CG-1")}, {Name: "Verdict", Value: ui.Cell{State: ui.Is(ui.Good, "conforms")}}}
}

func reason(wrong bool) ui.Input {
	i := ui.Input{ID: "reason", Name: "reason", Label: "Reason", Help: "Kept with your name and the time; shown wherever the measurement is shown.", Area: true}
	if wrong {
		i.Problem = "Say why: whoever looks at this panel in a year has only this line."
	}
	return i
}

func reasonProblem(wrong bool) ui.Problems {
	if !wrong {
		return ui.Problems{}
	}
	return ui.Problems{Head: "One thing to put right", Items: []ui.Problem{{Field: "reason", Name: "Reason: there is none", Text: "."}}}
}

func correct(wrong bool) page.Correct {
	m := page.Correct{Frame: frame("Correct a measurement", ui.AtPanels, "/measurements/4711/correct"), Action: "/measurements/4711/correct", Back: "/panels/A/A-0147564", Was: stored(), About: about(), Places: places(true), Reason: reason(wrong), Save: "Store the correction", Problems: reasonProblem(wrong),
		Statement: ui.Statement{Where: []ui.Run{{Text: "Panels", Href: "panels"}, {Text: "A-0147564", Href: "panel"}}, Say: ui.Say("Correct the measurement of 13:21."), Doubts: []ui.Sentence{ui.Say("The correction takes its place in the order of the press; charts and verdicts are worked out again from there. What was sent first stays to be seen.")}}}
	if wrong {
		m.Statement.Say = ui.Say("The correction is not stored: it has no reason.")
	}
	return m
}

func void(wrong bool) page.Void {
	m := page.Void{Frame: frame("Void a measurement", ui.AtPanels, "/measurements/4711/void"), Action: "/measurements/4711/void", Back: "/panels/A/A-0147564", Was: stored(), Reason: reason(wrong), Save: "Void the measurement of 13:21", Problems: reasonProblem(wrong),
		Means:     "The panel has no other measurement on a curvature gauge: it will not be judged, and its point leaves the charts of mould 7.",
		Statement: ui.Statement{Where: []ui.Run{{Text: "Panels", Href: "panels"}, {Text: "A-0147564", Href: "panel"}}, Say: ui.Say("Void the measurement of 13:21.")}}
	if wrong {
		m.Statement.Say = ui.Say("The measurement is not void: the reason is missing.")
	}
	return m
}
