package present

import (
	"sagwatch/spc"
	"sagwatch/store"
	"sagwatch/web/page"
	"sagwatch/web/ui"
)

// PanelsData is what the list of panels is made from.
type PanelsData struct {
	Rows         []store.Row // newest first
	Counts       store.Counts
	Barred       store.Counts // of Counts: panels that a hold keeps from being good
	Held         map[store.PanelID][]store.PanelHold
	CountsSay    string // "In the day to 13:29"
	Filters      []ui.Input
	Problems     ui.Problems
	Newer, Older string
	Doubt        map[int64]string // of Rows: store.InDoubt and so on
	Filtered     bool
	EmptySay     string
}

// Panels makes the list of panels.
func Panels(v View, frame ui.Frame, d PanelsData) page.Panels {
	m := page.Panels{Frame: frame, Filters: d.Filters, Problems: d.Problems, Newer: d.Newer, Older: d.Older, Empty: d.EmptySay,
		Head: "Largest, " + ui.Micro + "m", RadiusCol: "Radius, " + ui.LengthUnit(v.Lengths)}
	q, dq := QuantityOf("radius_mm", nil, v.Lengths), QuantityOf("max_deviation_um", nil, v.Lengths)
	for i := range d.Rows {
		r := &d.Rows[i]
		row := page.PanelRow{Serial: r.Panel, Href: PanelHref(r.Press, r.Panel), Pressed: pressedAt(v, r), Press: r.Press, Mould: r.Mould, Gauge: r.Gauge, State: VerdictHeld(r.Result.Verdict, d.Held[store.PanelID{Press: r.Press, Panel: r.Panel}])}
		if x, ok := r.Result.Values.Get(spc.RadiusMM); ok {
			row.Radius = q.Number(x)
		}
		if x, ok := r.Result.Values.Get(spc.MaxDeviationUM); ok {
			row.Largest = dq.Number(x)
		}
		switch {
		case r.Purpose == spc.MasterCheck:
			row.Note = "master panel"
		case r.Purpose == spc.Study:
			row.Note = "study"
		case r.Purpose == spc.Recheck || !r.Counted:
			row.Note = "recheck"
		}
		if r.Revision > 1 {
			row.Note = joined(row.Note, "corrected")
		}
		if state, in := DoubtState(d.Doubt[r.ID]); in {
			row.Note = joined(row.Note, state.Word)
		}
		m.Rows = append(m.Rows, row)
	}
	st := ui.Statement{Where: []ui.Run{{Text: "Panels"}}}
	c := d.Counts
	switch {
	case len(d.Rows) == 0:
		st.Say = ui.Say("No panel fits.")
		if !d.Filtered {
			st.Say = ui.Say("No panel has been measured yet.")
		}
	case c.Total() == 0:
		st.Say = ui.Say("Panels, the latest pressed first.")
	case c.DoesNotConform == 0 && c.Undecided == 0 && c.NotJudged == 0 && d.Barred.Conforms == 0:
		st.Say = ui.Say(d.CountsSay + " all " + ui.Count(int64(c.Total())) + " panels conform.")
	default:
		st.Say = ui.Say(d.CountsSay + " " + ui.Count(int64(c.Conforms-d.Barred.Conforms)) + " of " + ui.Count(int64(c.Total())) + " panels conform" + freeWords(d.Barred.Conforms) + ".")
	}
	if n := d.Barred.Total(); n > 0 {
		st.Doubts = append(st.Doubts, ui.Say(Capital(ui.Plural(int64(n), "panel is", "panels are"))+" on hold, to be reworked or scrapped, whatever was measured.").Link(" See the holds.", "/holds"))
	}
	if c.Total() > c.Conforms {
		var parts []string
		for _, p := range []struct {
			n         int
			one, many string
		}{{c.DoesNotConform, "does not conform", "do not conform"}, {c.Undecided, "is undecided", "are undecided"}, {c.NotJudged, "is not judged", "are not judged"}} {
			if p.n > 0 {
				parts = append(parts, ui.Plural(int64(p.n), p.one, p.many))
			}
		}
		st.Doubts = append(st.Doubts, ui.Say(Capital(list(parts))+". Counted by time pressed, by the first measurement at each gauge; a recheck renews the panel's own verdict."))
	}
	m.Statement = st
	return m
}

// freeWords says that those on hold are not among those that conform.
func freeWords(barred int) string {
	if barred == 0 {
		return ""
	}
	return " and are not on hold"
}

func joined(a, b string) string {
	if a == "" {
		return b
	}
	return a + ", " + b
}

// pressedAt is the time pressed to the second; of a master panel the time measured.
func pressedAt(v View, r *store.Row) string {
	t := r.LineAt.In(v.Zone)
	out := ui.ClockSeconds(t)
	if t.YearDay() != v.Now.YearDay() || t.Year() != v.Now.Year() {
		out = ui.Date(t) + " " + out
	}
	if r.LineEstimated && r.Purpose != spc.MasterCheck {
		out += ", estimated"
	}
	return out
}
