package gallery

import (
	"fmt"

	"sagwatch/web/page"
	"sagwatch/web/plot"
	"sagwatch/web/ui"
)

func studies() []Entry {
	return []Entry{
		{"studies", "Gauge studies", studyList().Page()},
		{"studies-none", "Gauge studies, none", page.Studies{Frame: frame("Gauge studies", ui.AtStudies, "/studies"), Empty: "No study was planned yet.", Statement: ui.Statement{Say: ui.Say("No gauge was studied yet."),
			Doubts: []ui.Sentence{ui.Say("Until one was, the uncertainty in its definition is somebody's word.")}}}.Page()},
		{"study-kind", "Plan a study: the kind", studyKinds().Page()},
		{"study-plan", "Plan a study: panels and people", studyPlan(false).Page()},
		{"study-plan-refused", "Plan a study, refused", studyPlan(true).Page()},
		{"study-sheet", "Order sheet", studySheet().Page()},
		{"study-collect", "Study, collecting", studyCollect("").Page()},
		{"study-collect-wrong", "Study, a panel that is not in it", studyCollect("wrong").Page()},
		{"study-collect-scanned", "Study, the right panel scanned", studyCollect("scanned").Page()},
		{"study-collect-changed", "Study, a reading's measurement corrected", studyCollect("changed").Page()},
		{"study-collect-judge", "Study by attributes, collecting", studyCollect("judge").Page()},
		{"study-result", "Study, analysed", studyResult("collected").Page()},
		{"study-adopted", "Study, adopted", studyResult("adopted").Page()},
		{"study-changed", "Study, adopted on data that were changed", studyResult("changed").Page()},
		{"study-none", "Study without a result", studyResult("none").Page()},
	}
}

func studyList() page.Studies {
	return page.Studies{Frame: frame("Gauge studies", ui.AtStudies, "/studies"), Statement: ui.Statement{Say: ui.Say("One study is being collected."), Acts: []ui.Act{{Text: "Plan a study", Href: "study-kind", First: true}}},
		Rows: []page.StudyRow{
			{Number: "4", Title: "CG-2, radius and largest deviation", Href: "study-collect", Kind: "repeatability and reproducibility, crossed", Gauge: "CG-2", Progress: "17 of 90", State: ui.Is(ui.Held, "collecting"), Planned: "08:10 by okafor"},
			{Number: "3", Title: "Edge inspection, autumn", Href: "study-result", Kind: "attribute agreement", Gauge: "ED-1", Progress: "180 of 180", State: ui.Is(ui.Good, "collected"), Planned: "Tue 10:02 by okafor"},
			{Number: "2", Title: "CG-1, radius", Href: "study-adopted", Kind: "repeatability and reproducibility, crossed", Gauge: "CG-1", Progress: "90 of 90", State: ui.Is(ui.Good, "adopted"), Planned: "19 Jan 09:00 by okafor"},
			{Number: "1", Title: "CG-1, radius", Href: "study-none", Kind: "single master", Gauge: "CG-1", Progress: "12 of 50", State: ui.Is(ui.None, "abandoned"), Planned: "12 Jan 14:20 by okafor"}}}
}

func studyKinds() page.StudyChoice {
	return page.StudyChoice{Frame: frame("Plan a study", ui.AtStudies, "/studies/new"), Statement: ui.Statement{Where: []ui.Run{{Text: "Gauge studies", Href: "studies"}}, Say: ui.Say("Plan a gauge study."), Doubts: []ui.Sentence{ui.Say("First the kind, the gauge and the product; then panels, people and how often. The order is drawn by lot.")}},
		Fields: []ui.Input{{ID: "kind", Name: "kind", Label: "Kind of study", Options: []ui.Option{{Value: "crossed", Label: "repeatability and reproducibility, crossed"}, {Value: "single-master", Label: "single master"}}},
			{ID: "gauge", Name: "gauge", Label: "Gauge", Options: []ui.Option{{Value: "CG-1", Label: "CG-1, radial"}}}, {ID: "product", Name: "product", Label: "Product", Help: "Its limits are the tolerance against which the gauge is judged.", Options: []ui.Option{{Value: "P25", Label: "P25"}}}},
		Kinds: []ui.Fact{{Name: "Repeatability and reproducibility, crossed", Value: ui.Text("How much of the tolerance do gauge and people take up? Everybody measures every panel.")}, {Name: "Single master", Value: ui.Text("Does the gauge repeat one master, and does it read it right?")}}}
}

func studyPlan(refused bool) page.StudyForm {
	m := page.StudyForm{Frame: frame("Plan a study", ui.AtStudies, "/studies/new"), Back: "study-kind", Save: "Draw the order and begin",
		Statement: ui.Statement{Where: []ui.Run{{Text: "Gauge studies", Href: "studies"}, {Text: "plan"}}, Say: ui.Say("Repeatability and reproducibility, crossed on CG-1."), Doubts: []ui.Sentence{ui.Say("How much of the tolerance do gauge and people take up? Everybody measures every panel.")}},
		Kept:      []ui.Input{{Type: "hidden", Name: "kind", Value: "crossed"}},
		Values:    &page.StudyValues{Label: "Characteristics", Help: "One measurement gives all of them.", Several: true, Options: []ui.Option{{Value: "radius_mm", Label: "Radius, mm (1101.5 to 1113.5)", Selected: true}, {Value: "max_deviation_um", Label: "Largest deviation, µm (at most 381)"}}},
		Fields: []ui.Input{{ID: "parts", Name: "parts", Label: "Panels, one a line", Help: "Serials. Ten or more that spread as production does; fewer make all intervals wide.", Area: true}, {ID: "trials", Name: "trials", Label: "How often each measures every panel", Help: "Twice or three times.", Number: true, Value: "3"},
			{ID: "appraisers", Name: "appraisers", Label: "Appraisers, one a line", Area: true}, {ID: "seed", Name: "seed", Label: "Seed of the order", Optional: true, Number: true}}}
	if refused {
		m.Fields[0].Value, m.Fields[0].Problem = "A-0147001\nA-0147001", "“A-0147001” stands twice."
		m.Values.Problem = "Choose what is to be studied."
		m.Problems = ui.Problems{Head: "Two things to put right", Items: []ui.Problem{{Field: "characteristic", Name: "Characteristic", Text: ": Choose what is to be studied."}, {Field: "parts", Name: "Panels", Text: ": “A-0147001” stands twice."}}}
	}
	return m
}

func studySheet() page.StudySheet {
	m := page.StudySheet{Frame: frame("Order sheet", ui.AtStudies, "/studies/4/sheet"), Statement: ui.Statement{Where: []ui.Run{{Text: "Gauge studies", Href: "studies"}, {Text: "CG-2, radius", Href: "study-collect"}}, Say: ui.Say("Order sheet of study 4: 12 readings.")},
		Facts: []ui.Fact{{Name: "Kind", Value: ui.Text("repeatability and reproducibility, crossed")}, {Name: "Gauge", Value: ui.Text("CG-2, revision 3")}, {Name: "Seed", Value: ui.Text("414213")}},
		Lines: ui.Table{Label: "Order sheet", Cols: []ui.Col{{Head: "Line", Right: true}, {Head: "Panel", Whole: true}, {Head: "Appraiser"}, {Head: "Round", Right: true}, {Head: "Reading"}}}}
	for i, p := range []int{3, 1, 2, 2, 3, 1, 1, 2, 3, 3, 2, 1} {
		m.Lines.Rows = append(m.Lines.Rows, ui.Row{Cells: ui.Texts(fmt.Sprint(i+1), fmt.Sprintf("A-01470%02d", p), []string{"A. Sørby", "J. Pham"}[i/3%2], fmt.Sprint(i/6+1), "")})
	}
	return m
}

func studyCollect(state string) page.StudyCollect {
	f := live(frame("Study 4", ui.AtStudies, "/studies/4"))
	f.Gauge, f.At, f.Person, f.Role = true, "gauge CG-2", "A. Sørby", "technician"
	f.Caution = "Panels are heavy, hot well past the lehr, and their pressed edges cut: eye, hand and forearm protection."
	m := page.StudyCollect{Frame: f, Statement: "Study 4, next", Slab: ui.Verdict{Kind: ui.None, Word: "A-0147007", Order: "J. Pham: measure this panel", Because: "Round 1 of 3. 17 of 90 are in."},
		Scan:   &page.StudyScan{Action: "/studies/4", Label: "Scan a panel before you measure it", Help: "It is told at once whether it is the right one."},
		Bar:    []ui.Fact{{Name: "Taken", Value: ui.Text("17 of 90")}, {Name: "Study", Value: ui.Text("CG-2, radius")}, {Name: "Line", Value: ui.Text("18")}, {Name: "Appraiser", Value: ui.Text("J. Pham")}},
		Taken:  ui.Table{Label: "Taken last", Cols: []ui.Col{{Head: "Panel", Whole: true}, {Head: "Appraiser", Drop: true}, {Head: "Reading", Right: true}, {Head: "At"}}, Rows: []ui.Row{{Cells: ui.Texts("A-0147002", "J. Pham", "1108.214 mm", "13:39")}, {Cells: ui.Texts("A-0147010", "J. Pham", "1106.870 mm", "13:37")}}},
		Coming: ui.Table{Label: "After this one", Cols: []ui.Col{{Head: "Panel", Whole: true}, {Head: "Appraiser"}, {Head: "Round", Right: true}}, Rows: []ui.Row{{Cells: ui.Texts("A-0147004", "J. Pham", "1")}, {Cells: ui.Texts("A-0147001", "J. Pham", "1")}}},
		Key:    &page.StudyKey{Head: "Or key in the reading of A-0147007", Action: "/studies/4/reading", Line: "18", Fields: []ui.Input{{ID: "v-radius_mm", Name: "v.radius_mm", Label: "Radius", Unit: "mm", Number: true}}, Save: "Store the reading", Says: "What the gauge sends for the purpose study, for this panel, is taken by itself."},
		Undo:   &page.StudyAct{Head: "Was the last one wrong?", Action: "/studies/4/undo", Label: "Undo the last: A-0147002", Fields: []ui.Input{{Type: "hidden", Name: "reading", Value: "17"}}, Says: "It stays to be seen, counts nowhere, and its line comes up again."},
		Acts:   []ui.Act{{Text: "Order sheet for paper", Href: "study-sheet"}, {Text: "All studies", Href: "studies"}}}
	switch state {
	case "wrong":
		m.Slab = ui.Verdict{Kind: ui.Bad, Word: "Wrong panel", Order: "Panel A-0147681 is not in this study. Take A-0147007.", Because: "What was measured at 13:40 is stored and was not taken into the study. Round 1 of 3. 17 of 90 are in."}
		m.Key.Fields[0].Value, m.Key.Fields[0].Problem = "11o8.2", "“11o8.2” is not a number."
		m.Key.Problems = ui.Problems{Head: "One thing to put right", Items: []ui.Problem{{Field: "v-radius_mm", Name: "Radius", Text: ": “11o8.2” is not a number."}}}
	case "scanned":
		m.Slab.Kind, m.Scan, m.Key.Ready = ui.Good, nil, true
	case "changed":
		m.Mend = studyMend()
	case "judge":
		m.Slab.Order, m.Frame.Live, m.Undo = "J. Pham: judge this panel", "", nil
		m.Key = &page.StudyKey{Head: "How is A-0147007 judged?", Action: "/studies/4/reading", Line: "18", Fields: []ui.Input{{ID: "category", Name: "category", Label: "Judgement", Radio: true, Options: []ui.Option{{Value: "0", Label: "good"}, {Value: "1", Label: "bad"}}}}, Save: "Store the judgement"}
	}
	return m
}

// studyMend is a correction and a void of what a study had taken.
func studyMend() *page.StudyMend {
	return &page.StudyMend{Heading: "Measurements changed since they were taken", Text: "The figures below are worked out from the readings as they were taken.",
		Table: ui.Table{Label: "Measurements changed after they were taken", Cols: []ui.Col{{Head: "Line", Right: true}, {Head: "Panel"}, {Head: "Appraiser"}, {Head: "Trial", Right: true}, {Head: "In this study", Right: true}, {Head: "Now", Right: true}, {Head: "Why"}},
			Rows: []ui.Row{{Cells: ui.Texts("5", "A-0147002", "J. Pham", "1", "1108.214 mm", "1108.114 mm", "tamm: certificate read wrongly")}, {Cells: ui.Texts("7", "A-0147010", "J. Pham", "1", "1106.870 mm", "voided", "lind: wrong panel")}}},
		Take:  &page.StudyAct{Head: "Take what was corrected", Action: "/studies/4/mend", Label: "Take the corrected value", Fields: []ui.Input{{Type: "hidden", Name: "take", Value: "1"}}, Says: "The old reading stays to be seen and counts nowhere."},
		Again: &page.StudyAct{Head: "Or measure again", Action: "/studies/4/mend", Label: "Open the line again", Says: "The old reading stays to be seen and counts nowhere; the line comes up again.", Fields: []ui.Input{{ID: "again", Name: "again", Label: "Line", Options: []ui.Option{{Value: "5", Label: "5: A-0147002 by J. Pham, round 1"}, {Value: "7", Label: "7: A-0147010 by J. Pham, round 1"}}}}}}
}

// studyReadings are invented readings of ten panels by three people.
func studyReadings() plot.Groups {
	g := plot.Groups{ID: "by-part", Title: "Radius by panel and appraiser", Desc: "90 invented readings.", Along: "by panel", Decimals: 2}
	var n noise = 7
	level := make([]float64, 10)
	for i := range level {
		level[i] = 1107.5 + 1.1*n.next()
		g.Names = append(g.Names, fmt.Sprintf("A-01470%02d", i+1))
	}
	for k, who := range []string{"A. Sørby", "J. Pham", "K. Ahn"} {
		p := plot.GroupPane{Title: who, What: "radius, mm"}
		for i := range level {
			var vs []float64
			for range 3 {
				vs = append(vs, level[i]+.04*float64(k)+.11*n.next())
			}
			p.Values = append(p.Values, vs)
		}
		g.Panes = append(g.Panes, p)
	}
	return g
}

func studyResult(state string) page.StudyResult {
	g := studyReadings()
	why := func(text, id string) ui.Cell { return ui.Cell{Text: text, Href: "#fig-" + id, Why: true} }
	t := ui.Table{Label: "Where the spread of the radius comes from, mm", Caption: "Where the spread of the radius comes from, mm", Cols: []ui.Col{{Head: "Source"}, {Head: "Standard deviation", Right: true}, {Head: "95 % interval", Right: true}, {Head: "% of study", Right: true}, {Head: "% of tolerance", Right: true}},
		Rows: []ui.Row{{Cells: []ui.Cell{ui.Text("Repeatability"), why("0.112", "repeatability"), ui.Text("0.097 to 0.132"), ui.Text("10.1"), ui.Text("5.6")}}, {Cells: []ui.Cell{ui.Text("Reproducibility"), why("0.041", "reproducibility"), ui.Text("0.000 to 0.281"), ui.Text("3.7"), ui.Text("2.1")}},
			{Sum: true, Cells: []ui.Cell{ui.Text("The gauge, both together"), why("0.119", "gauge"), ui.Text("0.101 to 0.305"), ui.Text("10.8"), ui.Text("6.0")}}}}
	figures := ui.Table{Label: "Every figure", Fold: true, Cols: []ui.Col{{Head: "Figure"}, {Head: "Value", Right: true}, {Head: "95 % interval", Right: true}, {Head: "Formula"}, {Head: "Inputs"}, {Head: "Source"}}}
	for _, r := range [][]string{{"repeatability", "Repeatability", "0.112 mm", "√MS_E"}, {"reproducibility", "Reproducibility", "0.041 mm", "√(appraiser² + interaction²)"}, {"gauge", "The gauge", "0.119 mm", "√(repeatability² + reproducibility²)"}} {
		figures.Rows = append(figures.Rows, ui.Row{ID: "fig-" + r[0], Cells: ui.Texts(r[1]+", radius", r[2], "0.097 to 0.132 (modified large sample)", r[3], "10 panels, 3 appraisers, 3 trials", "Journal of Quality Technology 35 (2003), 342-354")})
	}
	m := page.StudyResult{Frame: frame("Study 2", ui.AtStudies, "/studies/2"), State: ui.Is(ui.Good, "collected"), StateSay: "90 of 90 readings on CG-1 by A. Sørby, J. Pham and K. Ahn",
		Statement: ui.Statement{Where: []ui.Run{{Text: "Gauge studies", Href: "studies"}, {Text: "CG-1, radius"}}, Say: ui.Say("CG-1 takes up 6.0\u00a0% of the tolerance for the radius (95\u00a0%: 5.0 to 15.3\u00a0%): it judges panels well."),
			Doubts: []ui.Sentence{ui.Say("That up to 10\u00a0% of the tolerance is good and more than 30\u00a0% is not is common practice without a standard behind it.")}, Acts: []ui.Act{{Text: "Order sheet", Href: "study-sheet"}}},
		Parts: []page.StudyPart{{Heading: "Every reading", Groups: &g, Caption: "Discs are readings, lines join the means of the panels."}, {Heading: "Where the spread comes from", Text: "The gauge tells 13 categories of such panels apart (13.1; 95\u00a0%: 5.0 to 16.4); five are usually asked for.", Table: &t}},
		Adopt: &page.StudyAct{Head: "Adopt it as the gauge's uncertainty", Action: "/studies/2/adopt", Label: "Adopt as a new revision", Says: "From then on measurements are judged by it. What was judged before stays as it was.",
			Fields: []ui.Input{{ID: "proposal", Name: "proposal", Label: "What", Radio: true, Options: []ui.Option{{Value: "probe_u_um", Label: "probe_u_um of gauge CG-1: 2.98 µm, in place of 3 µm. It is repeatability of one reading over 48 places.", Selected: true}}}, {ID: "value", Name: "value", Label: "Another value in its place", Optional: true, Number: true}, {ID: "reason", Name: "reason", Label: "Reason", Area: true}}},
		Report: &page.StudyAct{Head: "Issue a report", Action: "/studies/2/report", Label: "Issue the report", Says: "It is kept with all readings and made again to the byte."}, Figures: figures,
		Log: []ui.Entry{{At: "19 Jan 15:02", State: ui.Is(ui.Good, "collected"), Text: ui.Say("sorby took the last reading.")}, {At: "19 Jan 09:00", State: ui.Is(ui.Held, "collecting"), Text: ui.Say("okafor planned it.")}}}
	switch state {
	case "adopted":
		m.State, m.Report = ui.Is(ui.Good, "adopted"), nil
		m.Adopt.Fields[2].Problem, m.Adopt.Problems = "A new revision needs its reason.", ui.Problems{Head: "One thing to put right", Items: []ui.Problem{{Field: "reason", Name: "Reason", Text: ": A new revision needs its reason."}}}
		m.Log = append([]ui.Entry{{At: "20 Jan 08:12", State: ui.Is(ui.Good, "adopted"), Text: ui.Say("okafor adopted 2.98 µm as probe_u_um of gauge CG-1: revision 4. The study of January.")}}, m.Log...)
	case "changed":
		m.State, m.Mend = ui.Is(ui.Good, "adopted"), studyMend()
		m.Statement.Doubts = append([]ui.Sentence{ui.Say("The adopted result rests on data that were changed afterwards: 2 runs of this study. See below, and adopt again or plan a new study."),
			ui.Say("Line 5 (panel A-0147002, J. Pham, trial 1) rests on measurement 4711, which was corrected afterwards by tamm: certificate read wrongly.")}, m.Statement.Doubts...)
		m.Mend.Again, m.Mend.Note = nil, "An adopted study is not measured again: plan a new one where a value is missing."
	case "none":
		m.Statement = ui.Statement{Where: m.Statement.Where, Say: ui.Say("The study was abandoned with 38 of 50 readings not taken: it has no result.")}
		m.State, m.StateSay = ui.Is(ui.None, "abandoned"), "12 of 50 readings on CG-1 by A. Sørby"
		m.Parts, m.Adopt, m.Report, m.Figures = nil, nil, nil, ui.Table{}
		m.Log = []ui.Entry{{At: "12 Jan 16:40", State: ui.Is(ui.None, "abandoned"), Text: ui.Say("okafor abandoned it: the master was found chipped.")}}
	}
	return m
}
