package gallery

import (
	"sagwatch/web/page"
	"sagwatch/web/plot"
	"sagwatch/web/ui"
)

func gauges() []Entry {
	return []Entry{
		{"gauges", "Gauge picker", page.GaugePicker{Frame: frame("Gauges", ui.AtGauge, "/gauge"), Statement: ui.Statement{Say: ui.Say("At which gauge do you stand?"),
			Doubts: []ui.Sentence{ui.Say("CG-1 needs its master panel in nine minutes.")}}, Gauges: gaugeRows()}.Page()},
		{"gauges-none", "Gauge picker, none defined", page.GaugePicker{Frame: frame("Gauges", ui.AtGauge, "/gauge"), Statement: ui.Statement{Say: ui.Say("No gauge is defined.")},
			Empty: "An engineer defines gauges with the set-up file."}.Page()},
		{"gauge", "Gauge, conforms", gaugeOf(ui.Good).Page()},
		{"gauge-undecided", "Gauge, undecided with a suspect place", gaugeOf(ui.Unsure).Page()},
		{"gauge-bad", "Gauge, does not conform", gaugeOf(ui.Bad).Page()},
		{"gauge-refusal", "Gauge, not judged", gaugeOf(ui.None).Page()},
		{"gauge-empty", "Gauge, no panel yet", gaugeEmpty().Page()},
		{"gauge-dimensions", "Gauge of dimensions", gaugeDimensions().Page()},
		{"gauge-unknown", "Gauge, a serial that was not found", gaugeUnknown().Page()},
	}
}

func gaugeOf(k ui.Kind) page.Gauge {
	f := live(frame("Gauge CG-1", ui.AtGauge, "/gauge/CG-1"))
	f.Gauge, f.At, f.Person, f.Role = true, "gauge CG-1", "A. Sørby", "technician"
	f.Caution = "Panels are heavy, hot well past the lehr, and their pressed edges cut: eye, hand and forearm protection."
	m := page.Gauge{Frame: f, ID: "CG-1", Largest: "Largest, µm",
		Bar: []ui.Fact{{Name: "Panel", Value: ui.Text("A-0147681")}, {Name: "Press", Value: ui.Text("A, mould 3")}, {Name: "Product", Value: ui.Text("P25")}, {Name: "Second reading:", Value: ui.Text("not yet")}},
		Scan: page.Scan{Action: "/gauge/CG-1", Label: "Scan or type the next serial, then Enter", Example: "A-0000000",
			Acts: []ui.Act{{Text: "Key in readings", Href: "keyin", Key: "F2", First: true}, {Text: "Correct", Href: "correct", Key: "F6"}}},
		Facts: []ui.Fact{{Name: "Radius", Value: ui.Cell{Text: "1108.20 ± 0.10 mm", State: ui.Is(ui.Good, "inside")}}, {Name: "Places", Value: ui.Text("48 of 48 read")}, {Name: "Gauged", Value: ui.Text("13:40:52")}},
		Before: []page.LastRow{
			{Panel: "A-0147680", Href: "panel", Mould: "2", Value: "104", State: ui.Is(ui.Good, "conforms")}, {Panel: "A-0147679", Href: "panel", Mould: "1", Value: "95", State: ui.Is(ui.Good, "conforms")},
			{Panel: "A-0147678", Href: "panel", Mould: "11", Value: "96", State: ui.Is(ui.Unsure, "undecided")}, {Panel: "A-0147677", Href: "panel", Mould: "10", Value: "95", State: ui.Is(ui.Good, "conforms")},
			{Panel: "A-0147676", Href: "panel", Mould: "9", Value: "408", State: ui.Is(ui.Bad, "does not conform")}, {Panel: "A-0147675", Href: "panel", Mould: "8", Value: "92", State: ui.Is(ui.Good, "conforms")}}}
	places := grid(47, -97)
	due := ui.State{Kind: ui.Held, Word: "Master panel due in 9 minutes"}
	switch k {
	case ui.Good:
		m.Slab = ui.Verdict{Kind: k, Word: "Conforms", Order: "Pass the panel on and scan the next one.", Because: "Largest deviation 97 ± 14 µm low at place 47, bottom right; the limit is 381."}
	case ui.Unsure:
		places[9].DevUM, places[9].State = 374, plot.Suspect
		m.Due = &due
		m.Facts[1].Value = ui.Text("48 of 48 read, one suspect")
		m.Slab = ui.Verdict{Kind: k, Word: "Undecided", Order: "Lift the panel, wipe place 10 and the three pads, seat it again and press Measure.", Because: "374 ± 14 µm high at place 10, top left; the limit is 381. A suspect place: it stands alone, as a splinter under the probe would."}
	case ui.Bad:
		places[46].DevUM = -431
		m.Slab = ui.Verdict{Kind: k, Word: "Does not conform", Order: "Set the panel aside and tell the supervisor.", Because: "431 ± 14 µm low at place 47, bottom right; the limit is 381."}
	case ui.None:
		for _, i := range []int{0, 1, 2, 8, 9, 10, 16, 17, 18, 24} {
			places[i].State = plot.Missing
		}
		m.Slab = ui.Verdict{Kind: k, Word: "Not judged", Order: "Check the cable of the left-hand probes, then press Measure again.", Because: "38 good places of 48; product P25 needs 40."}
		m.Facts[0].Value = ui.Cell{State: ui.Is(ui.None, "no fit")}
	}
	m.Map = shapeMap("map", places, false)
	return m
}

func gaugeEmpty() page.Gauge {
	m := gaugeOf(ui.None)
	m.Slab = ui.Verdict{Kind: ui.None, Word: "No panel yet", Order: "Scan a serial, or let the gauge measure.", Because: "CG-1 has sent nothing since it was defined on 17 Feb."}
	m.Bar, m.Map, m.Facts, m.Before, m.Empty = nil, nil, nil, nil, "No panel on this gauge yet."
	return m
}

func gaugeDimensions() page.Gauge {
	m := gaugeOf(ui.Good)
	m.Frame.Title, m.Frame.At, m.ID, m.Map, m.Largest = "Gauge PG-1", "gauge PG-1", "PG-1", nil, "Width, mm"
	m.Slab = ui.Verdict{Kind: ui.Unsure, Word: "Undecided", Order: "Measure the seal edge again.", Because: "Seal-edge flatness 0.362 ± 0.024 mm; the limit is 0.381."}
	m.Items = []ui.Fact{{Name: "Width", Value: ui.Cell{Text: "512.21 ± 0.04 mm", State: ui.Is(ui.Good, "inside")}}, {Name: "Seal-edge flatness", Value: ui.Cell{Text: "0.362 ± 0.024 mm", State: ui.Is(ui.Unsure, "too close to say")}}}
	m.Facts = nil
	return m
}

func gaugeUnknown() page.Gauge {
	m := gaugeOf(ui.Good)
	m.Scan.Value, m.Scan.Problem = "A-0999999", "Panel A-0999999 has not been measured on CG-1. Measure it, or key its readings in."
	return m
}
