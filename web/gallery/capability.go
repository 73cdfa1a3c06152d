package gallery

import (
	"math"
	"time"

	"sagwatch/web/page"
	"sagwatch/web/plot"
	"sagwatch/web/ui"
)

func capabilities() []Entry {
	return []Entry{
		{"capability", "Capability, stable", capable().Page()},
		{"capability-unstable", "Capability, not stable", incapable().Page()},
		{"capability-few", "Capability, too few panels", capableFew().Page()},
		{"capability-empty", "Capability, nothing measured", capableEmpty().Page()},
		{"capability-asked-wrong", "Capability, asked for what cannot be", capableWrong().Page()},
	}
}

// capable is an invented month of an invented press.
func capable() page.Capability {
	f := frame("Capability", ui.AtCapability, "/capability")
	f.Person, f.Role = "M. Okafor", "engineer"
	m := page.Capability{Frame: f, Ask: capabilityAsk(), Statement: ui.Statement{Where: []ui.Run{{Text: "Reports", Href: "/reports"}, {Text: "press B"}, {Text: "P25"}, {Text: "1 to 28 February 2026"}},
		Say: ui.Say("Press B meets the wanted 1.33: ").Why("Ppk 1.44", "#figure-ppk").And(" of the largest deviation with every shift (95" + ui.NoBreak + "%: 1.41 to 1.47). Mould 9 cannot prove it."),
		Doubts: []ui.Sentence{ui.Say("Without the 264 panels left out Ppk would be 1.45 (1.43 to 1.48). They were shipped, so they count in Ppk and in the panels per million; they are left out of Cp and Cpk only."),
			ui.Say("About 88 panels in a million lie beyond 381" + ui.NoBreak + "µm (72 to 106); one of 11" + ui.Thin + "088 measured did.")}},
		Issue:    &page.CapabilityIssue{Action: "/capability", Label: "Issue the report as M. Okafor", Hidden: []ui.Input{{Type: "hidden", Name: "press", Value: "B"}}},
		Files:    []ui.Act{{Text: "Numbers as a spreadsheet", Href: "/capability/capability.xlsx"}, {Text: "as CSV", Href: "/capability/capability.zip"}},
		Rests:    []ui.Fact{{Name: "Panels", Value: ui.Text("11" + ui.Thin + "088 of eleven moulds in 84 shifts")}, {Name: "Gauge CG-2", Value: ui.Text("56 master checks, none beyond what is allowed")}, {Name: "Left out", Value: ui.Text("from Cp and Cpk: 11 Feb 14:00 to 12 Feb 06:00, lehr zone 3 low")}},
		Cautions: []string{"Control limits are not specification limits: a panel inside control limits can still be bad."}}
	m.Parts = []page.CapabilityPart{capabilityPart("max_deviation_um", true)}
	return m
}

func capabilityAsk() page.CapabilityAsk {
	return page.CapabilityAsk{Fields: []ui.Input{{ID: "press", Name: "press", Label: "Press", Options: []ui.Option{{Value: "B", Label: "B", Selected: true}}}, {ID: "from", Name: "from", Label: "From, plant time", Value: "2026-02-01 00:00"}, {ID: "to", Name: "to", Label: "To, exclusive", Value: "2026-03-01 00:00"}, {ID: "wanted", Name: "wanted", Label: "Wanted index", Value: "1.33", Number: true}},
		Quick: []ui.Run{{Text: "this week", Href: "/capability?q=1"}, {Text: "last month", Href: "/capability?q=2"}}, More: []ui.Input{{ID: "exclude", Name: "exclude", Label: "Left out of Cp and Cpk", Area: true, Optional: true, Help: "One stretch on each line, with its reason."}}}
}

func capabilityPart(id string, stable bool) page.CapabilityPart {
	p := page.CapabilityPart{ID: "of-" + id, Head: "Largest deviation, specification at most 381" + ui.NoBreak + "µm", StableHead: "First, was it stable? Yes, for 82 of 84 shifts", StableText: "Two signals of its control charts in the period, two of them in what was left out; chance alone would make about 3.1 among 1008 charted points.",
		ModelHead: "Largest deviation is not normal, and is not treated so", ModelText: "The pencil line is a largest extreme value distribution, location 135.4" + ui.NoBreak + "µm, scale 26.3" + ui.NoBreak + "µm.", MouldsHead: "Mould 9 holds the press back", MouldsText: "Ppk with every shift; intervals are 95" + ui.NoBreak + "%, by resampling whole shifts, because panels of one shift resemble each other."}
	from := time.Date(2026, 2, 1, 6, 0, 0, 0, plantTime)
	pane := plot.Pane{What: "mean of each shift, µm", Main: true, Decimals: 1, Height: 110}
	z := noise(11)
	for i := range 84 {
		at := from.Add(time.Duration(i)*8*time.Hour + 4*time.Hour)
		pt := plot.Point{At: at, Value: 149.9 + 3.2*z.next(), Title: "shift"}
		switch {
		case i == 31 || i == 32:
			pt.Kind, pt.Reason, pt.Value = plot.Hollow, "left out of Cp and Cpk: lehr zone 3 low", 171
		case !stable && i%9 == 0:
			pt.Kind, pt.Words, pt.Value = plot.Signal, "beyond its limits", 163
		}
		pane.Points = append(pane.Points, pt)
	}
	to := from.Add(28 * 24 * time.Hour)
	pane.Limits = []plot.LimitSpan{{From: from, To: to, Lower: 139.6, Centre: 149.9, Upper: 160.2, HasLower: true, HasCentre: true, HasUpper: true}}
	p.Means = plot.Chart{ID: "means-" + id, Title: "Mean of the largest deviation of each shift", Desc: "84 means of shifts, limits 139.6 to 160.2 µm.", From: from, To: to, Zone: plantTime, Panes: []plot.Pane{pane}}
	h := plot.Histogram{ID: "spread-" + id, Title: "How the largest deviation is spread", Desc: "Skewed, half below 145 µm.", Unit: "µm", Upper: &plot.Wall{Value: 381, Words: "limit 381", Beyond: "one of 11" + ui.Thin + "088 beyond", Bad: true}, Marks: []plot.PencilMark{{Value: 145, Words: "half below 145"}, {Value: 309, Words: "99.865" + ui.NoBreak + "% below 309"}}}
	density := func(x float64) float64 { t := (x - 135.4) / 26.3; return 11088 * 5 / 26.3 * math.Exp(-t-math.Exp(-t)) }
	for x := 60.0; x < 395; x += 5 {
		n := int(density(x+2.5) * (1 + .06*z.next()))
		if x == 385 {
			n = 1
		}
		h.Bars = append(h.Bars, plot.Bar{From: x, To: x + 5, N: n})
		h.Curve = append(h.Curve, plot.XY{X: x, Y: density(x)})
	}
	p.Spread = h
	q := plot.Quantiles{ID: "quantiles-" + id, Title: "Measured quantiles against the model", Desc: "On the line.", Unit: "µm"}
	for x := 80.0; x < 330; x += 8 {
		q.Points = append(q.Points, plot.XY{X: x, Y: x + 2*z.next()})
	}
	p.Quantiles = &q
	d := plot.Intervals{ID: "moulds-" + id, Title: "Ppk by mould", Desc: "Against the wanted 1.33.", Wanted: 1.33, WantedWords: "wanted 1.33", Decimals: 2, Rows: []plot.IntervalRow{{Words: "All moulds, every shift", Value: 1.44, Lower: 1.41, Upper: 1.47, Strong: true}, {Words: "If the moulds were levelled", Value: 1.54, Lower: 1.5, Upper: 1.57, Strong: true, Pencil: true}}}
	for i := range 11 {
		v := 1.57 + .04*z.next()
		if i == 8 {
			v = 1.33
		}
		d.Rows = append(d.Rows, plot.IntervalRow{Words: "Mould " + ui.Count(int64(i+1)), Value: v, Lower: v - .08, Upper: v + .08, Bad: i == 8, Gap: i == 0})
	}
	p.Moulds = d
	p.Intervals = []ui.Table{{Label: "The intervals as a table", Fold: true, Cols: []ui.Col{{Head: "Figure"}, {Head: "Value", Right: true}, {Head: "Interval"}}, Rows: []ui.Row{{Cells: ui.Texts("Ppk", "1.44", "1.41 to 1.47")}}}}
	p.Figures = ui.Table{Label: "Every figure", Fold: true, Wrap: true, Cols: []ui.Col{{Head: "Figure"}, {Head: "Value", Right: true}, {Head: "Formula"}, {Head: "Source"}}, Rows: []ui.Row{{ID: "figure-ppk", Cells: ui.Texts("Ppk, largest deviation, all panels", "1.44", "Ppk = (U - x50) / (x99.865 - x50)", "ISO 22514-2, percentile method")}}}
	p.Shares = ui.Table{Label: "Where the variance comes from", Fold: true, Cols: []ui.Col{{Head: "Between"}, {Head: "Standard deviation, µm", Right: true}}, Rows: []ui.Row{{Cells: ui.Texts("moulds", "6.1")}, {Cells: ui.Texts("shifts", "3.2")}}}
	return p
}

func incapable() page.Capability {
	m := capable()
	m.Statement.Say = ui.Say("Performance only, for press B was not stable: Ppk 1.21 of the largest deviation (95" + ui.NoBreak + "%: 1.12 to 1.27). It describes the period and predicts nothing.")
	m.Statement.Doubts = []ui.Sentence{ui.Say("Nine signals stood in the period where chance alone makes about 3.1 among 1008 charted points. Find and remove the causes, or leave stretches with a known cause out of Cp and Cpk, with the reason.")}
	p := capabilityPart("max_deviation_um", false)
	p.StableHead = "First, was it stable? No"
	i := plot.Intervals{ID: "indices-radius", Title: "Indices of the radius", Desc: "Within and overall.", Wanted: 1.33, WantedWords: "wanted 1.33", Decimals: 2, Rows: []plot.IntervalRow{{Words: "Cp, within", Value: 4.21, Lower: 4.15, Upper: 4.26}, {Words: "Cpm, every shift", Value: 3.65, Lower: math.NaN(), Upper: math.NaN()}, {Words: "Cpk, within", Value: math.NaN(), Lower: math.NaN(), Upper: math.NaN(), Missing: "no figure"}}}
	p.Indices = &i
	m.Parts = []page.CapabilityPart{p, {ID: "of-width", Head: "Width, specification 510.984 to 513.016" + ui.NoBreak + "mm", Refused: "No index: no panel of the period has it."}}
	m.Issue, m.MayNot = nil, "An engineer issues it as a report, which is kept and can be checked."
	return m
}

func capableFew() page.Capability {
	m := capable()
	m.Statement.Say = ui.Say("20 panels are too few to judge press B: Ppk 1.44 of the largest deviation (95" + ui.NoBreak + "%: 0.97 to 1.91).")
	m.Statement.Doubts = []ui.Sentence{ui.Say("20 panels are too few for an index: about 237, independent of one another, would tell it to within a tenth.")}
	p := capabilityPart("max_deviation_um", true)
	p.Quantiles, p.Shares = nil, ui.Table{}
	p.Means.Panes[0].Limits, p.Means.Panes[0].Points = nil, p.Means.Panes[0].Points[:1]
	m.Parts = []page.CapabilityPart{p}
	return m
}

func capableEmpty() page.Capability {
	m := capable()
	m.Statement.Say, m.Statement.Doubts = ui.Say("No panel of P25 from press B was measured in this period: there is nothing to say about it."), nil
	m.Parts, m.Issue, m.Files, m.Rests = nil, nil, nil, nil
	return m
}

func capableWrong() page.Capability {
	m := capableEmpty()
	m.Statement.Say = ui.Say("Nothing is worked out yet: there is something to put right in what was asked.")
	m.Ask.Problems = ui.Problems{Head: "Not worked out: one thing to put right", Items: []ui.Problem{{Field: "exclude", Name: "Left out", Text: ", line 1: write 2026-02-11 14:00 to 2026-02-12 06:00, and after a comma the reason."}}}
	m.Ask.Open, m.Ask.More[0].Problem = true, "Left out, line 1: write 2026-02-11 14:00 to 2026-02-12 06:00, and after a comma the reason."
	return m
}
