package gallery

import (
	"fmt"
	"math"
	"time"

	"sagwatch/web/page"
	"sagwatch/web/plot"
	"sagwatch/web/ui"
)

func charts() []Entry {
	return []Entry{
		{"charts", "Charts", chartList().Page()},
		{"charts-none", "Charts, none defined", page.Charts{Frame: frame("Charts", ui.AtCharts, "/charts"), Statement: ui.Statement{Say: ui.Say("No chart is defined.")}, Empty: "A press brings its standard charts with it: define one in the set-up file."}.Page()},
		{"chart", "One chart, steady, with a form for its limits", chartOf(chartSteady).Page()},
		{"chart-signal", "One chart with a signal", chartOf(chartSignal).Page()},
		{"chart-cycle", "A chart of cycle means, scatter first", chartOf(chartCycle).Page()},
		{"chart-one", "One chart, one point, no limits yet", chartOf(chartOne).Page()},
		{"chart-empty", "One chart without points", chartOf(chartEmpty).Page()},
		{"chart-wrong", "One chart, limits not stored and a time that cannot be read", chartOf(chartWrong).Page()},
	}
}

func chartList() page.Charts {
	m := page.Charts{Frame: live(frame("Charts", ui.AtCharts, "/charts")), Statement: ui.Statement{Say: ui.Say("Eight charts on two presses; one has an open signal.")}}
	for _, p := range []string{"A", "B"} {
		g := page.ChartGroup{ID: "group-" + p, Name: "Press " + p + ", product P25", Rows: []page.ChartRow{
			{Name: "Radius of curvature, each mould", Href: "chart", Kind: "individuals", Latest: "1108.20 mm at 12:06", Limits: "1106.47 to 1109.57, frozen", State: ui.Is(ui.Good, "steady")},
			{Name: "Radius, mean of each cycle", Href: "chart-cycle", Kind: "cycle mean", Latest: "1108.11 mm at 12:06", Limits: "1107.48 to 1108.71, frozen", State: ui.Is(ui.Good, "steady")},
			{Name: "Radius, spread inside the cycle", Href: "chart-cycle", Kind: "cycle spread", Latest: "0.41 mm at 12:06", Limits: "no limits yet, 120 of 200", State: ui.Is(ui.None, "no limits yet")}}}
		for i := range 11 {
			g.Rows[0].Streams = append(g.Rows[0].Streams, page.Stream{Name: fmt.Sprint(i + 1), Href: "chart"})
		}
		if p == "A" {
			g.Rows[0].State = ui.Is(ui.Bad, "mould 7: signal open")
		}
		m.Groups = append(m.Groups, g)
	}
	return m
}

func howSoon() *page.Alarms {
	return &page.Alarms{Says: []ui.Sentence{ui.Say("When nothing is wrong a stream of this chart signals about once in 370 panels, that is every eleven hours; worked out exactly by a Markov chain for independent normal points."), ui.Say("Limits from a baseline of 200 panels leave that between 105 and 1500 (90 %).")},
		Note:   "Average from the first panel after the change. One sd is the standard deviation of a point while nothing is wrong.",
		Delays: ui.Table{Label: "How soon a change is shown", Cols: []ui.Col{{Head: "The mean moves by"}, {Head: "Panels until it signals", Right: true}, {Head: "In time", Right: true}, {Head: "Half of them within", Right: true}}, Rows: []ui.Row{{Cells: ui.Texts("1.0 sd, 0.52 mm", "44", "80 minutes", "31")}, {Cells: ui.Texts("3.0 sd, 1.56 mm", "2.0", "4 minutes", "1")}}}}
}

type chartState int

const (
	chartSteady chartState = iota
	chartSignal
	chartCycle
	chartOne
	chartEmpty
	chartWrong
)

func chartOf(s chartState) page.Chart {
	f := live(frame("Chart of mould 7", ui.AtCharts, "/charts/a-p25-radius?stream=mould:7"))
	f.Person, f.Role = "M. Okafor", "engineer"
	m := page.Chart{Alarms: howSoon(), Frame: f, Statement: ui.Statement{Where: []ui.Run{{Text: "Charts", Href: "charts"}, {Text: "press A"}, {Text: "mould 7"}, {Text: "radius of curvature"}},
		Say: ui.Say("Mould 7 has been steady for fourteen hours."), Doubts: []ui.Sentence{ui.Say("The last panel lies 0.18 mm above the centre of 1108.02 mm; the limits are ± 1.55 mm.")}},
		Span: page.TimeSpan{Action: "/charts/a-p25-radius", Keep: []ui.Input{{Type: "hidden", Name: "stream", Value: "mould:7"}}, From: ui.Input{ID: "from", Name: "from", Label: "from", Value: "2026-03-05 04:00"}, To: ui.Input{ID: "to", Name: "to", Label: "to", Value: "2026-03-05 12:07"},
			Or: []ui.Run{{Text: "this shift", Href: "chart?span=shift"}, {Text: "the day", Href: "chart?span=day"}, {Text: "thirty days", Href: "chart?span=month"}}},
		Itself: []ui.Sentence{ui.Say("Limits are ").Why("three standard deviations", "#limits").And(" of one panel, from the jumps between neighbours. Neighbouring panels hardly resemble each other (lag-1 correlation 0.11; it matters beyond 0.31)."),
			ui.Say("Baseline: 21:14 to 03:14, 200 panels. Four panels after the restart are excluded: press warming up.")},
		Limits: []page.LimitRow{{From: "Thu 03:20", Centre: "1108.02", Lower: "1106.47", Upper: "1109.57", Why: "Frozen after plunger 15, M. Okafor"}, {From: "Wed 21:14", Centre: "1108.02", Lower: "1106.44", Upper: "1109.60", Why: "Provisional, first 200 panels"}},
		Note:   "By time pressed. Whiskers are left out: each point's doubt is 0.10 mm (k = 2).", TwinSay: "The same as a table: 240 panels", CSV: "/charts/a-p25-radius.csv?stream=mould:7", Behind: "panels"}
	for i := range 11 {
		m.Streams = append(m.Streams, page.Stream{Name: fmt.Sprintf("mould %d", i+1), Href: "chart", Current: i == 6})
	}
	end := now.Add(-94 * time.Minute)
	from := end.Add(-8 * time.Hour)
	n := 240
	if s == chartOne {
		n = 1
	}
	if s != chartEmpty {
		pts := series(19, n, end, 2*time.Minute, 1108.02, .5, "mm")
		if n > 40 {
			pts[30].Kind, pts[30].Reason = plot.Hollow, "press warming up"
			pts[90].Gap = true
		}
		if s == chartSignal {
			pts = beyond(pts, 2, -2, "beyond lower limit")
		}
		limits := []plot.LimitSpan{{From: from, To: end, Lower: 1106.47, Centre: 1108.02, Upper: 1109.57, HasLower: true, HasCentre: true, HasUpper: true, Words: "frozen 03:20, M. Okafor"}}
		stand := plot.Pane{Title: "Where does it stand?", What: "radius of each panel, mm", Points: pts, Main: true, Decimals: 2, Limits: limits, SpecLower: ptr(1101.5), SpecUpper: ptr(1113.5), SpecUnit: "mm"}
		jump := plot.Pane{Title: "Did it jump?", What: "change from one panel to the next, mm", Stems: true, Decimals: 2, ZeroLabel: "no change", Limits: []plot.LimitSpan{{From: from, To: end, Lower: -1.9, Centre: 0, Upper: 1.9, HasLower: true, HasCentre: true, HasUpper: true}}}
		for i := 1; i < len(pts); i++ {
			d := pts[i].Value - pts[i-1].Value
			jump.Points = append(jump.Points, plot.Point{At: pts[i].At, Value: d, Title: ui.Signed(d, 2) + ui.NoBreak + "mm, " + ui.Clock(pts[i].At)})
		}
		panes := []plot.Pane{stand, jump}
		if s == chartOne {
			panes = []plot.Pane{stand}
			panes[0].Limits = nil
		}
		if s == chartCycle {
			scatter := plot.Pane{Title: "Does it scatter?", What: "standard deviation inside the cycle, mm", Decimals: 2, Points: series(23, n, end, 2*time.Minute, .46, .08, "mm"), Limits: []plot.LimitSpan{{From: from, To: end, Centre: .46, Upper: .95, HasCentre: true, HasUpper: true}}}
			panes = append([]plot.Pane{scatter}, panes...)
		}
		m.Main = &plot.Chart{ID: "main", Title: "Mould 7 on press A, radius of curvature", Desc: "240 panels from 04:07 to 12:07 between 1106.9 and 1109.4 mm; limits 1106.47 and 1109.57 mm.", From: from, To: end, Zone: plantTime, Panes: panes,
			Events: []plot.Event{{At: from.Add(2 * time.Hour), Words: "early shift"}, {At: from.Add(5 * time.Hour), Words: "master check +1.1 µm"}}}
		if n > 1 {
			m.Long = longView(end, from)
		}
		m.Twin = ui.Table{Label: "Points as a table", Cols: []ui.Col{{Head: "Pressed"}, {Head: "Panel"}, {Head: "Radius, mm", Right: true}, {Head: "Lower", Right: true, Drop: true}, {Head: "Upper", Right: true, Drop: true}, {Head: "Remark"}}}
		for i := len(pts) - 1; i >= max(0, len(pts)-20); i-- {
			r := ui.Row{Cells: []ui.Cell{ui.Text(ui.Clock(pts[i].At)), {Text: fmt.Sprintf("A-%07d", 147000+i), Href: "panel"}, ui.Text(ui.Number(pts[i].Value, 3)), ui.Text("1106.47"), ui.Text("1109.57"), {}}}
			if pts[i].Kind == plot.Signal {
				r.Mark, r.Cells[5] = true, ui.Cell{State: ui.Is(ui.Bad, pts[i].Words)}
			}
			m.Twin.Rows = append(m.Twin.Rows, r)
		}
		m.TwinMore = "The table shows the last 20; the file has all 240."
	}
	m.Form = limitsForm()
	switch s {
	case chartSignal:
		m.Statement.Say = ui.Say("Mould 7 ran steady for fourteen hours; its last two panels lie below the lower limit.")
		m.Signals = []ui.Entry{{At: "13:25", State: ui.Is(ui.Bad, "open"), Text: ui.Sentence{}.Link("Mould 7: radius beyond lower limit", "signal")}}
		m.Streams[6].State = ui.Is(ui.Bad, "signal open")
		m.Form = nil
	case chartOne:
		m.Statement.Say = ui.Say("One panel of mould 7 is charted; there are no limits yet.")
		m.Statement.Doubts = []ui.Sentence{ui.Say("Limits are worked out from 200 panels; 1 is there.")}
		m.Limits, m.NoLimits, m.Itself = nil, "No limits yet, 1 of 200 panels.", []ui.Sentence{ui.Say("There is nothing yet that limits could come from.")}
	case chartEmpty:
		m.Statement.Say = ui.Say("Mould 7 has no panel between 04:00 and 12:07.")
		m.Statement.Doubts, m.Empty = nil, "No panel was pressed in this time; the last one before it was at 03:58."
		m.Streams = nil
	case chartWrong:
		m.Statement.Say = ui.Say("The limits are not revised: the baseline is too short and the reason is missing.")
		m.Form.Problems = ui.Problems{Head: "Two things to put right", Items: []ui.Problem{{Field: "baseline_to", Name: "Baseline to: 12 panels", Text: " lie in that time; at least 20 are needed, and 200 make good limits."}, {Field: "reason", Name: "Reason: there is none", Text: "."}}}
		m.Form.Fields[2].Problem, m.Form.Fields[4].Problem = "12 panels are too few: at least 20.", "Say why: it is shown beside the limits for ever."
		m.Span.From.Value, m.Span.From.Problem = "half past six", "“half past six” is not a time. Write it like 2026-03-05 06:30."
	}
	return m
}

func limitsForm() *page.LimitsForm {
	return &page.LimitsForm{Head: "Revise the limits", Says: "They hold from the next cycle on. Points already judged are never judged again.", Action: "/charts/a-p25-radius/limits", Save: "Freeze these limits", Fields: []ui.Input{
		{Type: "hidden", Name: "stream", Value: "mould:7"},
		{ID: "baseline_from", Name: "baseline_from", Label: "Baseline from, plant time", Value: "2026-03-04 21:14"},
		{ID: "baseline_to", Name: "baseline_to", Label: "Baseline to", Value: "2026-03-05 03:14"},
		{ID: "effective_from", Name: "effective_from", Label: "In force from", Help: "Empty: from the next cycle on.", Optional: true},
		{ID: "reason", Name: "reason", Label: "Reason", Area: true}}}
}

func longView(end, from time.Time) *plot.Chart {
	z := noise(9)
	start := end.AddDate(0, 0, -30)
	var cols []plot.Column
	for i := range 360 {
		at := start.Add(time.Duration(i) * 2 * time.Hour)
		mean := 1107.9 + .4*math.Sin(float64(i)/60) + .1*z.next()
		cols = append(cols, plot.Column{At: at, Min: mean - 1.1 - .1*math.Abs(z.next()), Max: mean + 1.1 + .1*math.Abs(z.next()), Mean: mean, N: 65, Title: ui.Number(mean, 2) + ui.NoBreak + "mm, " + ui.Moment(at, end)})
	}
	return &plot.Chart{ID: "long", Title: "Thirty days of mould 7", Desc: "Radius of every panel between 1106.2 and 1109.6 mm.", From: start, To: end, Zone: plantTime,
		Panes:   []plot.Pane{{Title: "Thirty days of mould 7", What: "radius of every panel: each column from the least to the greatest, the mean on top, mm", Columns: cols, Decimals: 2, Height: 54}},
		Bracket: &plot.Bracket{From: from, To: end, Words: "shown below"}}
}
