package gallery

import (
	"time"

	"sagwatch/web/page"
	"sagwatch/web/plot"
	"sagwatch/web/ui"
)

func reports() []Entry {
	none := reportList()
	none.Rows, none.Older, none.Schedules.Rows, none.Ends, none.Add = nil, "", nil, nil, nil
	none.Statement = ui.Statement{Say: ui.Say("No report has been issued yet.")}
	none.MayNot = "Supervisors and engineers add and end schedules."
	none.Check.State, none.Check.Say = ui.State{}, nil
	wrong := reportList()
	wrong.Check.State = ui.State{}
	wrong.Check.Problems = ui.Problems{Head: "Nothing was checked", Items: []ui.Problem{{Field: "digest", Name: "The digest", Text: " has 12 signs; a SHA-256 digest has 64, 0 to 9 and a to f."}}}
	wrong.Check.Digest.Value, wrong.Check.Digest.Problem = "01a0ff93c2d1", "A digest has 64 signs, 0 to 9 and a to f."
	forged := reportList()
	forged.Check.State, forged.Check.Say = ui.Is(ui.Bad, "changed"), ui.Say("This file carries the digest of ").Link("report 12", "report").And(", but it is not the file that was issued: it was changed.")
	gone := reportOf()
	gone.Unavail, gone.Figures, gone.Body = "This release cannot make reports of this kind; the PDF that was issued is there all the same.", page.Appendix{}, page.ReportBody{}
	gone.Downloads = gone.Downloads[:1]
	made := reportOf()
	made.State, made.StateSay = ui.Is(ui.Good, "the same"), "Made again from its stored data, the PDF is the same to the byte."
	return []Entry{
		{"reports", "Reports, a file was checked", reportList().Page()},
		{"reports-none", "Reports, none yet, for a viewer", none.Page()},
		{"reports-wrong", "Reports, a digest that is none", wrong.Page()},
		{"reports-changed", "Reports, a file that was changed", forged.Page()},
		{"report", "One report", reportOf().Page()},
		{"report-made", "One report, made again", made.Page()},
		{"report-unavailable", "One report of a kind that is not known any more", gone.Page()},
		{"hand-over", "Hand-over of the shift", handOver().Page()},
		{"hand-over-quiet", "Hand-over, nothing to know, for a viewer", handOverQuiet().Page()},
	}
}

func reportList() page.Reports {
	m := page.Reports{Frame: frame("Reports", ui.AtReports, "/reports"), Older: "reports?before=10",
		Statement: ui.Statement{Say: ui.Say("Three reports were issued in the last week."), Doubts: []ui.Sentence{ui.Say("The latest is ").Link("the hand-over of the night shift", "report").And(", issued today 06:05.")}},
		Rows: []page.ReportRow{
			{Number: "12", Title: "Hand-over of the night shift of Wednesday 4 March 2026, every press", Href: "report", Kind: "hand-over", Period: "Wed 22:00 to Thu 06:00", Issued: "06:05", By: "schedule 2 of R. Tamm"},
			{Number: "11", Title: "Capability of press B, P25, 1 to 28 February 2026", Href: "report", Kind: "capability", Period: "1 Feb to 28 Feb", Issued: "Mon 09:12", By: "M. Okafor"},
			{Number: "10", Title: "Hand-over of the late shift of Sunday 1 March 2026, press with a very long name that goes on and on, so that the table has something to break", Href: "report", Kind: "hand-over", Period: "Sun 14:00 to Sun 22:00", Issued: "Sun 22:05", By: "schedule 2 of R. Tamm"}},
		Check: page.FileCheck{Action: "/reports/check", State: ui.Is(ui.Good, "unchanged"), Say: ui.Say("This service issued it: ").Link("report 12", "report").And(", hand-over of the night shift of Wednesday 4 March 2026."),
			Digest: ui.Input{ID: "digest", Name: "digest", Label: "Or a digest", Help: "64 signs; it stands on the last page of a report.", Optional: true, Max: 128}, Says: "A file that was changed by one byte is another file."},
		Schedules: ui.Table{Label: "Schedules", Fold: true, Empty: "No report issues itself.", Cols: []ui.Col{{Head: "Schedule"}, {Head: "Report"}, {Head: "Next"}, {Head: "State"}},
			Rows: []ui.Row{{Cells: []ui.Cell{ui.Text("2"), ui.Text("hand-over of every press, every shift"), ui.Text("today 14:05"), {State: ui.Is(ui.Good, "in force")}}}, {Cells: []ui.Cell{ui.Text("1"), ui.Text("hand-over of press A, every shift"), ui.Text("none"), {State: ui.Is(ui.None, "ended")}}}}},
		Ends: []page.ScheduleEnd{{Action: "/reports/schedules/2/end", Label: "End schedule 2"}},
		Add: &page.ScheduleForm{Action: "/reports/schedules", Says: "Each period is issued once, five minutes after its end.", Fields: []ui.Input{
			{ID: "kind", Name: "kind", Label: "Report", Options: []ui.Option{{Value: "hand-over", Label: "hand-over, every shift", Selected: true}}},
			{ID: "schedule-press", Name: "press", Label: "Press", Options: []ui.Option{{Value: "", Label: "every press", Selected: true}, {Value: "A", Label: "A"}}}}}}
	return m
}

func reportFigures() page.Appendix {
	return page.Appendix{
		Groups: []page.AppendixGroup{{ID: "figures-1", Head: "Share that does not conform: one figure", Table: ui.Table{Label: "Figures", Fold: true, Wrap: true, Cols: []ui.Col{{Head: "Figure"}, {Head: "Of"}, {Head: "Value and interval"}, {Head: "With"}, {Head: "Note", Right: true}},
			Rows: []ui.Row{{ID: "figure-1-1", Cells: []ui.Cell{ui.Text("Share that does not conform"), ui.Text("press A"), ui.Text("0.27 % (95 %: 0.11 to 0.56)"), ui.Text("7 of 2596"), {Text: "1", Href: "#note-1", Why: true}}}}}}},
		Notes: []page.AppendixNote{{ID: "note-1", Text: "Formula: 100 × panels so judged / panels gauged. Interval: exact binomial limits. Source: ISO 14253-1."}}}
}

func reportBody() page.ReportBody {
	from := now.Add(-6 * time.Hour)
	pane := plot.Pane{Title: "Press A, product P25", What: "mean radius of each press cycle, mm", Main: true, Decimals: 2, Height: 120}
	n := noise(5)
	for i := range 120 {
		pane.Points = append(pane.Points, plot.Point{At: from.Add(time.Duration(i) * 2 * time.Minute), Value: 1107.5 + .1*n.next()})
	}
	chart := plot.Chart{ID: "cycles-1", Title: "Mean radius of each cycle on press A", Desc: "From 1107.2 to 1107.8 mm.", From: from, To: now, Zone: now.Location(), Width: 720, Panes: []plot.Pane{pane}}
	return page.ReportBody{Cautions: []string{"A signal of a chart sends nobody into the press: isolate and lock out by the plant's own procedure."},
		Blocks: []page.ReportBlock{
			{Heading: "What the next shift must know", Listed: true, Text: []string{"Mould 7 on press A lies below its lower limit of radius since 11:49, first panel A-0147575 at 1106.02 mm; nobody has acknowledged it.", "Gauge CG-2 has needed its master panel since 12:10.", "Two panels are undecided and must be measured again: A-0147577 and A-0147580."}},
			{Heading: "Press A: 2596 panels gauged, seven do not conform (0.27 %)", Text: []string{"The shift before: 2871 panels gauged by now, all conform."}, Table: &ui.Table{Label: "Panels by verdict", Cols: []ui.Col{{Head: "Mould"}, {Head: "Gauged", Right: true}, {Head: "Share that does not conform", Right: true}},
				Rows: []ui.Row{{Cells: []ui.Cell{ui.Text("7"), ui.Text("236"), {Text: "2.97 %", Href: "#figure-1-1", Why: true}}}, {Sum: true, Cells: []ui.Cell{ui.Text("all"), ui.Text("2596"), ui.Text("0.27 %")}}}}},
			{Heading: "Press A: the cycle means kept inside their limits", Drawing: &page.ReportDrawing{Drawing: chart.Scene(), Caption: "By the time of pressing."}},
			{Heading: "How the radius is spread, and by mould", Drawing: &page.ReportDrawing{Drawing: reportSpread().Scene(352), Half: true, Caption: "Bars are measured."}, Beside: &page.ReportDrawing{Drawing: reportMoulds().Scene(352), Half: true, Caption: "Ppk by mould."}},
			{Heading: "Ppk by mould", Drawing: &page.ReportDrawing{Drawing: reportMoulds().Scene(720), Phone: narrowMoulds().Scene(352), Caption: "Ppk by mould."}},
			{Heading: "Stops and changes", Facts: []ui.Fact{{Name: "09:10", Value: ui.Text("mould change, mould 4")}}, Caution: "Panels of the two excluded shifts were shipped: they count in Ppk."}}}
}

func reportSpread() plot.Histogram {
	h := plot.Histogram{ID: "report-spread", Title: "How the radius is spread", Desc: "About 1107.5 mm.", Unit: "mm", Decimals: 1, Lower: &plot.Wall{Value: 1101.5, Words: "limit 1101.5", Beyond: "none of 95 beyond"}}
	for i, n := range []int{2, 9, 22, 30, 21, 9, 2} {
		h.Bars = append(h.Bars, plot.Bar{From: 1106 + .5*float64(i), To: 1106.5 + .5*float64(i), N: n})
	}
	return h
}

func reportMoulds() plot.Intervals {
	return plot.Intervals{ID: "report-moulds", Title: "Ppk by mould", Desc: "Against the wanted 1.33.", Wanted: 1.33, WantedWords: "wanted 1.33", Decimals: 2, Rows: []plot.IntervalRow{{Words: "All moulds", Value: 1.44, Lower: 1.41, Upper: 1.47, Strong: true}, {Words: "Mould 9", Value: 1.33, Lower: 1.2, Upper: 1.46}}}
}

// narrowMoulds are the same once more on the page, under an id of their own.
func narrowMoulds() plot.Intervals {
	m := reportMoulds()
	m.ID += "-again"
	return m
}

func reportOf() page.Report {
	return page.Report{Frame: frame("Report 12", ui.AtReports, "/reports/12"), Again: "/reports/12/again", Body: reportBody(), Figures: reportFigures(),
		Statement: ui.Statement{Where: []ui.Run{{Text: "Reports", Href: "reports"}, {Text: "report 12"}, {Text: "Hand-over of the night shift of Wednesday 4 March 2026, every press"}}, Say: ui.Say("Mould 7 on press A lies below its lower limit of radius since 11:49. 2596 panels gauged, seven do not conform (0.27 %)."),
			Doubts: []ui.Sentence{ui.Say("Panels in the lehr were not measured when this was issued.")}},
		Downloads: []ui.Act{{Text: "PDF", Href: "/reports/12/report.pdf", First: true}, {Text: "Spreadsheet (XLSX)", Href: "/reports/12/report.xlsx"}, {Text: "CSV in a ZIP", Href: "/reports/12/report.zip"}, {Text: "JSON", Href: "/reports/12/report.json"}},
		What:      []ui.Fact{{Name: "Issued", Value: ui.Text("Thu 06:05 by schedule 2 of R. Tamm")}, {Name: "Digest of the data", Value: ui.Text("9c1f08b2a64be1f0d77a3c5512efab019c1f08b2a64be1f0d77a3c5512efab01")}, {Name: "Digest of the PDF", Value: ui.Text("77a3c5512efab019c1f08b2a64be1f0d77a3c5512efab019c1f08b2a64be1f0d")}}}
}

func handOver() page.HandOver {
	f := live(frame("Hand-over", ui.AtHandOver, "/hand-over"))
	return page.HandOver{Frame: f, Body: reportBody(), Figures: reportFigures(), Issue: "/hand-over", IssueSays: "It is kept as it stands now, with your name; it cannot be changed later.",
		Statement: ui.Statement{Where: []ui.Run{{Text: "Hand-over"}, {Text: "early shift of Thursday 5 March 2026, every press"}}, Say: ui.Say("Mould 7 on press A lies below its lower limit of radius since 11:49. 2596 panels gauged, seven do not conform (0.27 %)."),
			Doubts: []ui.Sentence{ui.Say("The shift is not over: this is how it stood at 13:41."), ui.Say("Panels in the lehr were not measured when this was issued: those pressed on A after about 12:11.")}},
		Filters: []ui.Input{{ID: "press", Name: "press", Label: "Press", Options: []ui.Option{{Value: "", Label: "every press", Selected: true}, {Value: "A", Label: "A"}}}, {ID: "shift", Name: "shift", Label: "Shift", Options: []ui.Option{{Value: "2026-03-05T04:00:00Z", Label: "early shift, today 06:00", Selected: true}}}},
		Hidden:  []ui.Input{{Type: "hidden", Name: "press", Value: ""}, {Type: "hidden", Name: "shift", Value: "2026-03-05T04:00:00Z"}}}
}

func handOverQuiet() page.HandOver {
	m := handOver()
	m.Issue, m.IssueSays = "", "Supervisors and engineers issue it."
	m.Statement.Say, m.Statement.Doubts = ui.Say("No signal stands. No panel of this shift has been gauged."), nil
	m.Body.Blocks = []page.ReportBlock{{Heading: "What the next shift must know", Text: []string{"Nothing is left open: no signal stands, no gauge asks for its master panel, no panel waits."}}}
	m.Figures = page.Appendix{}
	return m
}
