package gallery

import (
	"fmt"
	"time"

	"sagwatch/web/page"
	"sagwatch/web/plot"
	"sagwatch/web/ui"
)

func panels() []Entry {
	return []Entry{
		{"panels", "Panels", panelList().Page()},
		{"panels-none", "Panels, none found", panelsNone().Page()},
		{"panels-wrong", "Panels, a time that cannot be read", panelsWrong().Page()},
		{"panel", "One panel, proven inside", panelOf(false).Page()},
		{"panel-suspect", "One panel, undecided, corrected and in conflict", panelSuspect().Page()},
		{"panel-refused", "One panel, not judged", panelRefused().Page()},
		{"panel-dimensions", "One panel, dimensions only", panelDimensions().Page()},
	}
}

func filters() []ui.Input {
	any := func(name string, values ...string) []ui.Option {
		out := []ui.Option{{Value: "", Label: name, Selected: true}}
		for _, v := range values {
			out = append(out, ui.Option{Value: v, Label: v})
		}
		return out
	}
	return []ui.Input{
		{ID: "serial", Name: "serial", Label: "Serial begins with", Type: "search", Optional: true},
		{ID: "press", Name: "press", Label: "Press", Optional: true, Options: any("every press", "A", "B")},
		{ID: "mould", Name: "mould", Label: "Mould", Optional: true, Options: any("every mould", "1", "2", "7")},
		{ID: "verdict", Name: "verdict", Label: "Verdict", Optional: true, Options: any("every verdict", "conforms", "undecided", "does not conform", "not judged")},
		{ID: "from", Name: "from", Label: "Pressed from", Optional: true, Value: "2026-03-05 06:00"},
		{ID: "to", Name: "to", Label: "to", Optional: true},
	}
}

func panelList() page.Panels {
	m := page.Panels{Frame: live(frame("Panels", ui.AtPanels, "/panels")), Head: "Largest, µm", RadiusCol: "Radius, mm", Filters: filters(), Older: "panels?after=x",
		Statement: ui.Statement{Say: ui.Say("4354 panels have been gauged this shift; ten of them do not conform.")}}
	z := noise(3)
	for i := range 40 {
		r := page.PanelRow{Serial: fmt.Sprintf("A-%07d", 147681-i), Href: "panel", Pressed: ui.ClockSeconds(now.Add(-94*time.Minute - time.Duration(i)*10*time.Second)), Press: "A", Mould: fmt.Sprint((47-i)%11 + 1), Gauge: "CG-1",
			Radius: ui.Number(1108+.3*z.next(), 2), Largest: ui.Number(100+10*z.next(), 0), State: ui.Is(ui.Good, "conforms")}
		switch i {
		case 5:
			r.State, r.Largest = ui.Is(ui.Bad, "does not conform"), "408"
		case 9:
			r.State, r.Note = ui.Is(ui.Unsure, "undecided"), "recheck"
		case 12:
			r.State, r.Radius, r.Largest, r.Note = ui.Is(ui.None, "not judged"), "none", "none", "corrected"
		}
		m.Rows = append(m.Rows, r)
	}
	return m
}

func panelsNone() page.Panels {
	m := panelList()
	m.Rows, m.Older = nil, ""
	m.Statement.Say = ui.Say("No panel fits what was asked for.")
	m.Empty = "No panel of press A with a serial that begins with C-; the last of press A was pressed at 12:07."
	return m
}

func panelsWrong() page.Panels {
	m := panelsNone()
	m.Statement.Say = ui.Say("Nothing is shown: one time cannot be read.")
	m.Empty = "Nothing was looked for."
	m.Filters[4].Value, m.Filters[4].Problem = "yesterday", "Write it like 2026-03-05 06:00."
	m.Problems = ui.Problems{Head: "One thing to put right", Items: []ui.Problem{{Field: "from", Name: "Pressed from: “yesterday”", Text: " is not a time. Write it like 2026-03-05 06:00."}}}
	return m
}

func panelOf(suspect bool) page.Panel {
	f := live(frame("Panel A-0147564", ui.AtPanels, "/panels/A/A-0147564"))
	m := page.Panel{Frame: f,
		Statement: ui.Statement{Where: []ui.Run{{Text: "Panels", Href: "panels"}, {Text: "press A"}, {Text: "mould 7"}, {Text: "lehr lane 2"}},
			Say: ui.Say("Panel A-0147564 conforms: its curvature is proven inside its limits."),
			Doubts: []ui.Sentence{ui.Say("Radius ").Why("1106.84 ± 0.10"+ui.NoBreak+"mm", "#why-radius").And(", largest deviation ").Why("172 ± 14"+ui.NoBreak+"µm", "#why-deviation").
				And(" of 381. The master panel was right before it; the check after it is due 13:50.")}},
		Steps: []page.Step{{Name: "Pressed", At: "11:47:20", Text: "press A, mould 7"}, {Name: "Gauged", At: "13:21:20", Text: "CG-1, 48 of 48 places"}, {Name: "Dimensions", At: "13:21:56", Text: "PG-1, three values"}, {Name: "Now", At: "13:41", Now: true, State: ui.Is(ui.Good, "conforms")}},
		Measured: page.Measured{Limits: "Limits (P25, revision 4)", Doubt: "Doubt (k = 2)", Rows: []page.MeasuredRow{
			{ID: "m-radius", Name: "Radius of curvature, mm", Value: "1106.84", Why: "#why-radius", Doubt: "± 0.10", Span: &plot.Span{ID: "radius", Value: 1106.84, U: .05, Lower: ptr(1101.5), Upper: ptr(1113.5), Nominal: ptr(1107.5), Decimals: 2}, Limits: "1101.5 to 1113.5", State: ui.Is(ui.Good, "proven inside")},
			{ID: "m-deviation", Name: "Largest deviation, µm", Value: "172", Why: "#why-deviation", Doubt: "± 14", Span: &plot.Span{ID: "deviation", Value: 172, U: 7, Upper: ptr(381)}, Limits: "at most 381", State: ui.Is(ui.Good, "proven inside")},
			{ID: "m-sag", Name: "Corner sag at 318 mm, mm", Value: "46.665", Doubt: "± 0.005", Limits: "no limit", State: ui.Is(ui.None, "not judged"), Note: "product P25 has no limit for it"},
			{ID: "m-width", Name: "Width, mm", Value: "512.21", Doubt: "± 0.04", Span: &plot.Span{ID: "width", Value: 512.21, U: .02, Lower: ptr(510.984), Upper: ptr(513.016), Nominal: ptr(512), Decimals: 2}, Limits: "510.984 to 513.016", State: ui.Is(ui.Good, "proven inside")},
			{ID: "m-flatness", Name: "Seal-edge flatness, mm", Value: "0.362", Doubt: "± 0.024", Span: &plot.Span{ID: "flatness", Value: .362, U: .012, Upper: ptr(.381), Decimals: 3}, Limits: "at most 0.381", State: ui.Is(ui.Unsure, "too close to say")}}},
		MapHead: "Farthest from the contour: 172 µm low at place 47, bottom right", Map: shapeMap("map", grid(47, -172), true),
		PlacesSay: "The 48 readings, as deviations in µm", Places: placeTable(grid(47, -172), "Deviations in µm"), ReceivedSay: "The same as received, radial distance in mm",
		Around: &ui.Table{Label: "Master checks before and after", Fold: true, Cols: []ui.Col{{Head: "Master panel M-2"}, {Head: "Radius error, mm", Right: true}, {Head: "Largest error, µm", Right: true}, {Name: "State"}},
			Rows: []ui.Row{{Cells: []ui.Cell{ui.Text("09:50, before"), ui.Text("+0.012"), ui.Text("1.1"), {State: ui.Is(ui.Good, "in order")}}}, {Cells: []ui.Cell{ui.Text("13:50, after"), ui.Text(""), ui.Text(""), {State: ui.Is(ui.None, "not yet")}}}}},
		Then: []ui.Fact{{Name: "Limits then", Value: ui.Cell{Text: "product P25 revision 4", Href: "setup#product-P25"}}, {Name: "Gauge then", Value: ui.Text("CG-1 definition 12, probe doubt 3 µm")}, {Name: "Sent by", Value: ui.Text("gauge computer, sequence 96" + ui.Thin + "564, stored 13:21:21")}, {Name: "Corrected", Value: ui.Text("never")}},
		Sphere: &ui.Table{Label: "Sphere", Cols: []ui.Col{{Name: "Figure"}, {Head: "Value", Right: true}, {Head: "Doubt (k = 2)", Right: true}}, Rows: []ui.Row{{Cells: ui.Texts("Radius, mm", "1106.84", "± 0.10")}, {Cells: ui.Texts("Centre x, mm", "+0.31", "± 0.06")}, {Cells: ui.Texts("Centre y, mm", "−0.12", "± 0.07")},
			{Cells: ui.Texts("Root mean square of the residuals, µm", "61.2", "")}, {Cells: ui.Texts("Greatest less least residual, µm", "296", "")}}},
		Shape: &ui.Table{Label: "Shape terms", Caption: "At the corner, after seating, in the order in which they are taken out", Cols: []ui.Col{{Head: "Term"}, {Head: "µm", Right: true}, {Head: "Doubt (k = 2)", Right: true}}, Rows: []ui.Row{{Cells: ui.Texts("Bow", "−18", "± 4")}, {Cells: ui.Texts("Two-fold", "+102", "± 4")}, {Cells: ui.Texts("Twist", "+106", "± 4")}, {Cells: ui.Texts("Cubic 1", "+11", "± 5")}}},
		Why: []page.Origin{
			{ID: "why-radius", Name: "Radius of curvature: 1106.84 ± 0.10 mm", Formula: "The radius of the sphere for which the sum of the squared distances of the 48 points from it is least.", Inputs: []ui.Fact{{Name: "Readings", Value: ui.Cell{Text: "48 of 48", Href: "#received"}}, {Name: "Doubt of a probe", Value: ui.Text("3 µm (k = 1), gauge CG-1 definition 12")}, {Name: "Doubt of the gauge's radius", Value: ui.Text("0.01 mm (k = 1)")}}, Source: "invented for this gallery"},
			{ID: "why-deviation", Name: "Largest deviation: 172 ± 14 µm", Formula: "The greatest distance of a place from the product's contour along its normal, after height and two tilts are taken out by least squares.", Source: "invented for this gallery"}},
		History: ui.Table{Label: "All measurements", Fold: true, Cols: []ui.Col{{Head: "Gauged"}, {Head: "Gauge"}, {Head: "Purpose"}, {Head: "Radius, mm", Right: true}, {Head: "Largest, µm", Right: true}, {Head: "Verdict"}, {Head: "Kept as"}},
			Rows: []ui.Row{{Cells: []ui.Cell{ui.Text("13:21:56"), ui.Text("PG-1"), ui.Text("production"), ui.Text(""), ui.Text(""), {State: ui.Is(ui.Unsure, "undecided")}, ui.Text("current")}}, {Cells: []ui.Cell{ui.Text("13:21:20"), ui.Text("CG-1"), ui.Text("production"), ui.Text("1106.84"), ui.Text("172"), {State: ui.Is(ui.Good, "conforms")}, ui.Text("current")}}}},
		Log:  []ui.Entry{{At: "13:21", Text: ui.Say("CG-1 measured it. Verdict on curvature: conforms.")}},
		Acts: []ui.Act{{Text: "Correct the measurement of 13:21", Href: "correct"}, {Text: "Void it", Href: "void", Grave: true}}}
	end := now.Add(-94 * time.Minute)
	pts := series(77, 60, end, 110*time.Second, 1108.02, .45, "mm")
	m.Among = &plot.Chart{ID: "among", Title: "This panel among its mould's", Desc: "Radius 1106.84 mm; the panels of the hour before lie between 1107.1 and 1109.2 mm.", From: pts[0].At, To: end, Zone: plantTime,
		Panes: []plot.Pane{{Title: "Radius of the panels of mould 7", What: "mm", Points: pts, Decimals: 2, Height: 110, Limits: []plot.LimitSpan{{From: pts[0].At, To: end, Lower: 1106.47, Centre: 1108.02, Upper: 1109.57, HasLower: true, HasCentre: true, HasUpper: true}}}}}
	m.AmongNote = "By time pressed."
	received := placeTable(grid(0, 0), "As received")
	m.Received = &received
	return m
}

func placeTable(g []plot.Place, label string) ui.Table {
	t := ui.Table{Label: label, Cols: []ui.Col{{Head: "Places"}}}
	for _, h := range []string{"1st", "2nd", "3rd", "4th", "5th", "6th", "7th", "8th"} {
		t.Cols = append(t.Cols, ui.Col{Head: h, Right: true})
	}
	for r := range 6 {
		cells := []ui.Cell{ui.Text(fmt.Sprintf("%d\u00a0to\u00a0%d", r*8+1, r*8+8))}
		for _, p := range g[r*8 : r*8+8] {
			cells = append(cells, ui.Text(ui.Signed(p.DevUM, 0)))
		}
		t.Rows = append(t.Rows, ui.Row{Cells: cells})
	}
	return t
}

func panelSuspect() page.Panel {
	m := panelOf(true)
	g := grid(47, -172)
	g[9].DevUM, g[9].State = 374, plot.Suspect
	g[18].State = plot.Faulty
	m.Map, m.MapHead = shapeMap("map", g, true), "Farthest from the contour: 374 µm high at place 10, top left"
	m.Statement.Say = ui.Say("Panel A-0147564 is undecided: place 10 is suspect.")
	m.Reasons = []string{"374 ± 14 µm high at place 10, top left; the limit is 381.", "Place 10 stands alone, as a splinter under the probe would: seat the panel again and measure it again."}
	m.Suspect, m.Faulty = "Place 10 is suspect: it stands out from the shape of this one panel. It counts in every figure.", "Left out: place 19; its probe was declared faulty on 4 Mar by M. Okafor."
	m.Conflicts = []ui.Entry{{At: "13:40", Text: ui.Say("CG-1 sequence 96"+ui.Thin+"564 came again with another reading at place 10. ").Link("Decide", "setup#conflicts")}}
	m.History.Rows = append(m.History.Rows, ui.Row{Cells: []ui.Cell{ui.Text("13:21:20"), ui.Text("CG-1"), ui.Text("production"), ui.Text("1106.90"), ui.Text("180"), {State: ui.Is(ui.Good, "conforms")}, ui.Text("superseded by the correction of R. Tamm: “mould 7, not 1”")}})
	return m
}

func panelRefused() page.Panel {
	m := panelOf(false)
	m.Statement.Say = ui.Say("Panel A-0147564 is not judged: 38 good places of 48; product P25 needs 40.")
	m.Statement.Doubts = []ui.Sentence{ui.Say("Ten places gave no reading. Measure it again when the gauge is mended.")}
	m.Refusal = "No sphere was fitted: 38 good places of 48; product P25 needs 40."
	for i := range m.Measured.Rows {
		m.Measured.Rows[i].Value, m.Measured.Rows[i].Why, m.Measured.Rows[i].Doubt, m.Measured.Rows[i].Span, m.Measured.Rows[i].State = "none", "", "", nil, ui.Is(ui.None, "not judged")
	}
	g := grid(0, 0)
	for _, i := range []int{0, 1, 2, 8, 9, 10, 16, 17, 18, 24} {
		g[i].State = plot.Missing
	}
	m.Map, m.MapHead = shapeMap("map", g, true), "Ten places gave no reading"
	m.Sphere, m.Shape, m.Why, m.Among = nil, nil, nil, nil
	return m
}

func panelDimensions() page.Panel {
	m := panelOf(false)
	m.Statement.Say = ui.Say("Panel A-0147564 has its dimensions only; no curvature gauge has measured it.")
	m.Statement.Doubts = nil
	m.Map, m.Sphere, m.Shape, m.Received, m.Among, m.Around = nil, nil, nil, nil, nil, nil
	m.Places.Rows, m.Measured.Rows, m.Why, m.Acts = nil, m.Measured.Rows[3:], nil, nil
	return m
}
