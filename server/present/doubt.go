package present

import (
	"strconv"
	"time"

	"sagwatch/spc"
	"sagwatch/store"
	"sagwatch/web/page"
	"sagwatch/web/ui"
)

// DoubtSpan is a stretch of doubt with what the gauge measured in it.
type DoubtSpan struct {
	store.Span
	Measurements, Panels int
	Undecided            []store.Row // still in doubt, in the order measured
	Words                map[int64]string
	Decisions            []store.DoubtDecision
}

// DoubtData is what the page of a gauge's doubt is made from.
type DoubtData struct {
	Gauge                            *spc.Gauge
	Spans                            []DoubtSpan // newest first
	MayAccept, MayRemeasure, MayVoid bool
	Decision, Reason                 string // as sent
	Problem, Field                   string // what is wrong with it
}

// doubtRows bounds the table of a stretch.
const doubtRows = 200

var doubtWords = map[string]string{store.DoubtAccept: "Accepted as they are", store.DoubtRemeasure: "To be measured again", store.DoubtVoid: "Made void"}

// DoubtState is how a measurement in doubt is marked; false when it is in none.
func DoubtState(word string) (ui.State, bool) {
	switch word {
	case store.InDoubt:
		return ui.Is(ui.Unsure, "doubtful"), true
	case store.ToRemeasure:
		return ui.Is(ui.Held, "doubtful, to be measured again"), true
	}
	return ui.State{}, false
}

// DoubtHref is the page of a gauge's doubt.
func DoubtHref(gauge string) string { return "/gauge/" + pathPart(gauge) + "/doubt" }

// Doubt makes the page of a gauge's doubt.
func Doubt(v View, frame ui.Frame, d DoubtData) page.Doubt {
	id := d.Gauge.ID
	m := page.Doubt{Frame: frame, Action: DoubtHref(id)}
	st := ui.Statement{Where: []ui.Run{{Text: "Gauge", Href: "/gauge"}, {Text: id, Href: "/gauge/" + pathPart(id)}}}
	open := 0
	for _, s := range d.Spans {
		open += len(s.Undecided)
	}
	switch {
	case len(d.Spans) == 0:
		st.Say = ui.Say("Nothing that " + id + " measured is in doubt.")
		st.Doubts = append(st.Doubts, ui.Say("No check of its master failed."))
	case open == 0:
		st.Say = ui.Say("Nothing that " + id + " measured is in doubt any more.")
	default:
		st.Say = ui.Say(Capital(ui.Plural(int64(open), "measurement of "+id+" is", "measurements of "+id+" are")) + " in doubt until somebody decides.")
		st.Doubts = append(st.Doubts, ui.Say("A failed check of the master says that the gauge read wrong; since when is not known, only that the check before was good. The glass itself may be sound."))
	}
	m.Statement = st
	for i := range d.Spans {
		m.Spans = append(m.Spans, d.span(v, i))
	}
	return m
}

func (d *DoubtData) span(v View, i int) page.DoubtSpan {
	s := &d.Spans[i]
	since, until := "the first measurement", "now; no check has been good since"
	if !s.From.IsZero() {
		since = "the good check of " + v.Moment(s.From)
	}
	if !s.To.IsZero() {
		until = "the good check of " + v.Moment(s.To)
	}
	out := page.DoubtSpan{Head: "From " + since + " to " + until}
	for _, c := range s.Failed {
		text := "master " + c.Panel
		if c.Error != nil {
			text += ", error " + ui.WithUnit(ui.Number(*c.Error, 1), "um")
			if x, ok := d.Gauge.Master(c.Panel); ok {
				text += ", allowed " + ui.WithUnit(ui.Number(x.AllowedUM, amountDecimals(x.AllowedUM)), "um")
			}
		}
		out.Log = append(out.Log, ui.Entry{At: v.Moment(c.MeasuredAt), State: ui.Is(ui.Bad, "failed"), Text: ui.Say(Capital(text) + ".")})
	}
	for _, x := range s.Decisions {
		text := x.By + ": " + ended(x.Reason)
		if x.Decision == store.DoubtVoid {
			text += " " + Capital(ui.Plural(int64(x.Voided), "measurement", "measurements")) + "."
		}
		out.Log = append(out.Log, ui.Entry{At: v.Moment(x.At), State: ui.Is(ui.None, doubtWords[x.Decision]), Text: ui.Say(text)})
	}
	out.Says = ui.Count(int64(s.Measurements)) + " measurements of " + ui.Plural(int64(s.Panels), "panel", "panels") + " stand in it, " + ui.Count(int64(len(s.Undecided))) + " of them in doubt. One that comes late belongs to it too."
	out.Table = ui.Table{Label: "In doubt", Empty: "Nothing in it is in doubt any more.", Cols: []ui.Col{{Head: "Panel", Whole: true}, {Head: "Gauged"}, {Head: "Verdict"}, {Head: "Doubt"}}}
	for j := range s.Undecided {
		if j == doubtRows {
			out.More = "The table shows the first " + ui.Count(doubtRows) + "."
			break
		}
		r := &s.Undecided[j]
		state, _ := DoubtState(s.Words[r.ID])
		out.Table.Rows = append(out.Table.Rows, ui.Row{Cells: []ui.Cell{{Text: r.Panel, Href: PanelHref(r.Press, r.Panel)}, ui.Text(v.Moment(r.MeasuredAt)), {State: Verdict(r.Result.Verdict)}, {State: state}}})
	}
	if len(s.Undecided) == 0 {
		return out
	}
	choices := ui.Input{ID: "decision" + strconv.Itoa(i), Name: "decision", Label: "What becomes of them", Radio: true}
	for _, c := range []struct {
		may         bool
		value, text string
	}{{d.MayRemeasure, store.DoubtRemeasure, "measure the panels again; each stays doubtful until then"}, {d.MayAccept, store.DoubtAccept, "accept them as they are"}, {d.MayVoid, store.DoubtVoid, "make them void: they count nowhere"}} {
		if c.may {
			choices.Options = append(choices.Options, ui.Option{Value: c.value, Label: c.text, Selected: c.value == d.Decision})
		}
	}
	if len(choices.Options) == 0 {
		return out
	}
	out.Fields = []ui.Input{choices, {ID: "reason" + strconv.Itoa(i), Name: "reason", Label: "Reason", Help: "Kept with your name and the time.", Area: true, Value: d.Reason}}
	if d.Field == "reason" || d.Field == "decision" {
		k := map[string]int{"decision": 0, "reason": 1}[d.Field]
		out.Fields[k].Problem = d.Problem
		if d.Field == "decision" {
			out.Fields[k].Problem = "Choose one."
		}
	} else if d.Problem != "" {
		out.Fields[1].Problem = d.Problem
	}
	out.Save = "Decide on " + ui.Plural(int64(len(s.Undecided)), "measurement", "measurements")
	if !s.From.IsZero() {
		out.From = s.From.UTC().Format(time.RFC3339Nano)
	}
	return out
}
