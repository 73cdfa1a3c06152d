package present

import (
	"net/url"

	"sagwatch/spc"
	"sagwatch/web/page"
	"sagwatch/web/ui"
)

// LimitsForm is the form on which an engineer freezes or revises limits, filled with what was sent.
func LimitsForm(v View, d *ChartData, sent url.Values, problems ui.Problems) page.LimitsForm {
	q := d.quantity(v)
	frozen := false
	for _, l := range d.Log {
		frozen = frozen || l.Source == spc.Frozen
	}
	f := page.LimitsForm{Head: "Freeze the limits", Save: "Freeze the limits", Action: "/charts/" + pathPart(d.Chart.ID) + "/limits", Problems: problems,
		Says: "They hold from the next panel on, or from the time that you give, never before their baseline's end. Points before that keep the limits by which they were judged."}
	if frozen {
		f.Head, f.Save = "Revise the limits", "Revise the limits"
	}
	if _, many := thing(d.Chart); d.Chart.Gauge != "" {
		f.Says = "They hold from the next of the " + many + " on, or from the time that you give. Earlier ones keep the limits by which they were judged."
	}
	problem := func(field string) string {
		for _, p := range problems.Items {
			if p.Field == field {
				return Capital(p.Name + p.Text)
			}
		}
		return ""
	}
	field := func(name, label, help, unit, usual string, optional, number bool) ui.Input {
		value := usual
		if sent.Has(name) {
			value = sent.Get(name)
		}
		return ui.Input{ID: name, Name: name, Label: label, Help: help, Value: value, Unit: unit, Optional: optional, Number: number, Problem: problem(name), Max: 40}
	}
	how := sent.Get("how")
	var from, to string
	if n := len(d.Points); n > 1 {
		from, to = ui.ForField(d.Points[0].At.In(v.Zone)), ui.ForField(d.Points[n-1].At.In(v.Zone))
	}
	f.Fields = []ui.Input{{ID: "shown", Name: "shown", Type: "hidden", Value: d.Stream}}
	if len(d.Others) > 1 {
		stream := d.Stream
		if sent.Has("stream") {
			stream = sent.Get("stream")
		}
		f.Fields = append(f.Fields, ui.Input{ID: "stream", Name: "stream", Label: "For which streams", Radio: true, Options: []ui.Option{
			{Value: d.Stream, Label: Capital(StreamName(d.Stream)) + " alone", Selected: stream != ""},
			{Value: "", Label: "Every stream of this chart, each from its own baseline", Selected: stream == ""}}})
	} else {
		f.Fields = append(f.Fields, ui.Input{ID: "stream", Name: "stream", Type: "hidden", Value: d.Stream})
	}
	reason := field("reason", "Reason", "", "", "", false, false)
	reason.Max, reason.Area = 1000, true
	f.Fields = append(f.Fields,
		ui.Input{ID: "how", Name: "how", Label: "Where they come from", Radio: true, Problem: problem("how"), Options: []ui.Option{
			{Value: "baseline", Label: "A baseline: worked out from a time when the process was steady", Selected: how != "given"},
			{Value: "given", Label: "Given values", Selected: how == "given"}}},
		field("baseline_from", "Baseline from", "Plant time, by time pressed. At least 20 points, better 200.", "", from, true, false),
		field("baseline_to", "Baseline to", "", "", to, true, false),
		field("lower", "Lower limit", "", q.Unit, "", true, true),
		field("centre", "Centre", "Without one, the middle of both limits.", q.Unit, "", true, true),
		field("upper", "Upper limit", "", q.Unit, "", true, true),
		field("effective_from", "In force from", "Plant time; empty for the next panel.", "", "", true, false),
		reason)
	return f
}
