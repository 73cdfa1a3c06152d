package report

import (
	"strings"
	"time"

	"sagwatch/server/plant"
	"sagwatch/spc"
	"sagwatch/web/ui"
)

// How long a gauge may send nothing before the hand-over says so, and after how long it is taken for one that is not in use.
const (
	silentAfter = time.Hour
	unusedAfter = 7 * 24 * time.Hour
)

// named is how many things of one kind the first page names; the tables have all.
const named = 5

// mustKnow lists what the next shift must know, the most pressing first, a sentence or two each.
func (h *handOver) mustKnow() (out []string) {
	on, back := h.standing()
	out = append(out, h.goingOn(on)...)
	for i := range h.Gauges {
		if s := h.gaugeNeeds(&h.Gauges[i]); s != "" {
			out = append(out, s)
		}
	}
	out = append(out, h.heldNeeds()...)
	if h.WaitAll > 0 {
		var serials []string
		for i, w := range h.Waiting {
			if i == named {
				break
			}
			serials = append(serials, w.Panel)
		}
		s := capital(ui.Plural(int64(h.WaitAll), "panel is", "panels are")) + " undecided and must be measured again: " + listed(serials)
		if h.WaitAll > len(serials) {
			s = strings.Replace(s, listed(serials), strings.Join(serials, ", ")+" and "+ui.InWords(int64(h.WaitAll-len(serials)))+" more", 1)
		}
		out = append(out, s+".")
	}
	if n := len(back); n > 0 {
		out = append(out, capital(ui.Plural(int64(n), "signal has", "signals have"))+" come back inside the limits and "+isAre(n)+" not closed: why is not written down yet.")
	}
	for press, at := range h.stopped() {
		out = append(out, "Press "+press+" was stopped at "+h.moment(at)+"; no start has been recorded since.")
	}
	out = append(out, h.silences()...)
	if h.Conflicts > 0 {
		out = append(out, capital(ui.Plural(int64(h.Conflicts), "measurement was", "measurements were"))+" sent twice with different content; an engineer must decide which counts (page Set-up).")
	}
	return out
}

func isAre(n int) string {
	if n == 1 {
		return "is"
	}
	return "are"
}

// stopped gives, in the order of the set-up, at most one press: map order would change the bytes, so it yields in the presses' order.
func (h *handOver) stopped() func(yield func(string, time.Time) bool) {
	return func(yield func(string, time.Time) bool) {
		for i := range h.Presses {
			id, last := h.Presses[i].ID, (*spc.Event)(nil)
			for k := range h.Events {
				if e := &h.Events[k]; e.Press == id && (e.Kind == "stop" || e.Kind == "start") {
					last = e
				}
			}
			if last != nil && last.Kind == "stop" && !h.Presses[i].Last.After(last.At) && !yield(id, last.At) {
				return
			}
		}
	}
}

// due tells when the next master check of a gauge is due; zero when none is asked for.
func (g *HandOverGauge) due() time.Time {
	if !g.Masters || g.EveryH <= 0 || g.Master.IsZero() {
		return time.Time{}
	}
	return g.Master.Add(time.Duration(g.EveryH * float64(time.Hour)))
}

// inUse is true of a gauge that has measured something lately.
func (h *handOver) inUse(g *HandOverGauge) bool {
	return !g.Last.IsZero() && h.IssuedAt.Sub(g.Last) < unusedAfter
}

// gaugeNeeds says what a gauge needs; "" for nothing.
func (h *handOver) gaugeNeeds(g *HandOverGauge) string {
	switch {
	case g.Verdict == spc.DoesNotConform:
		return "Gauge " + g.ID + " was beyond the allowed error on its master panel at " + h.moment(g.Master) + h.errorWords(g) + ": judge no panel on it until it has been checked."
	case !h.inUse(g) || !g.Masters || g.EveryH <= 0:
		return ""
	case g.Master.IsZero():
		return "Gauge " + g.ID + " needs its master panel: it was never checked."
	case !g.due().After(h.IssuedAt):
		return "Gauge " + g.ID + " has needed its master panel since " + h.moment(g.due()) + "."
	case g.Verdict == spc.Undecided:
		return "Gauge " + g.ID + ": the master check at " + h.moment(g.Master) + " was too close to the allowed error to say" + h.errorWords(g) + "; check again."
	}
	return ""
}

func (h *handOver) errorWords(g *HandOverGauge) string {
	switch {
	case g.ErrorUM != nil:
		return " (error " + ui.WithUnit(ui.Number(*g.ErrorUM, 1), "um") + ", allowed " + ui.WithUnit(ui.Number(g.Allowed, 1), "um") + ")"
	case g.RadiusMM != nil:
		return " (error of the radius " + ui.WithUnit(ui.Signed(*g.RadiusMM, 3), "mm") + ")"
	}
	return ""
}

// silences says which press or gauge has sent nothing, since when.
func (h *handOver) silences() (out []string) {
	for i := range h.Presses {
		p := &h.Presses[i]
		// What should have been measured by now: what left the lehr before the report was issued.
		until := h.IssuedAt.Add(-lehr(p))
		if h.To.Before(until) {
			until = h.To
		}
		switch {
		case until.Sub(h.From) <= handOverGap:
		case p.Last.IsZero():
			out = append(out, "No panel of press "+p.ID+" pressed in this shift has been measured.")
		case until.Sub(p.Last) > handOverGap:
			out = append(out, "No panel of press "+p.ID+" pressed after "+h.moment(p.Last)+" has been measured.")
		}
	}
	for i := range h.Gauges {
		g := &h.Gauges[i]
		if d := h.IssuedAt.Sub(g.Last); h.inUse(g) && d > silentAfter {
			out = append(out, "Gauge "+g.ID+" has sent nothing since "+h.moment(g.Last)+".")
		}
	}
	return out
}

func (h *handOver) gaugeTable() {
	sheet := Sheet{Name: "Gauges", Says: "Gauges as they stood when the report was issued.", Cols: []SheetCol{{Head: "Gauge"}, {Head: "Last measurement (UTC)"}, {Head: "Last master check (UTC)"}, {Head: "Its verdict"}, {Head: "Largest error", Unit: "um"}, {Head: "Error of the radius", Unit: "mm"}, {Head: "Allowed", Unit: "um"}, {Head: "Next check due (UTC)"}}}
	t := &Table{Cols: []Col{{Head: "Gauge"}, {Head: "Last measurement"}, {Head: "Last master check"}, {Head: "State"}}}
	bad := 0
	for i := range h.Gauges {
		g := &h.Gauges[i]
		last, master, state := "none", "none", "in order"
		if !g.Last.IsZero() {
			last = h.moment(g.Last)
		}
		if !g.Master.IsZero() {
			master = h.moment(g.Master) + h.errorWords(g)
		}
		needs := h.gaugeNeeds(g)
		switch {
		case g.Verdict == spc.DoesNotConform:
			state = "beyond the allowed error"
		case needs != "" && g.Master.IsZero():
			state = "check due, never checked"
		case needs != "" && !g.due().After(h.IssuedAt):
			state = "check due since " + h.moment(g.due())
		case needs != "":
			state = "too close to say"
		case !h.inUse(g):
			state = "not in use"
		case !g.Masters:
			state = "no master"
		case g.EveryH > 0:
			state = "in order, next check " + h.moment(g.due())
		}
		if needs != "" {
			bad++
		}
		t.Rows = append(t.Rows, []Cell{{Text: g.ID}, {Text: last}, {Text: master}, {Text: state, Strong: needs != ""}})
		sheet.Rows = append(sheet.Rows, []any{g.ID, timeOrNil(g.Last), timeOrNil(g.Master), string(g.Verdict), floatOrNil(g.ErrorUM), floatOrNil(g.RadiusMM), g.Allowed, timeOrNil(g.due())})
	}
	b := Block{Heading: "No gauge asks for its master panel"}
	if bad > 0 {
		b.Heading = capital(ui.Plural(int64(bad), "gauge asks", "gauges ask")) + " for the master panel"
	}
	if len(t.Rows) > 0 {
		b.Table = t
		h.d.Blocks = append(h.d.Blocks, b)
	}
	h.d.Sheets = append(h.d.Sheets, sheet)
}

func timeOrNil(t time.Time) any {
	if t.IsZero() {
		return nil
	}
	return t
}

func floatOrNil(p *float64) any {
	if p == nil {
		return nil
	}
	return *p
}

func (h *handOver) waitingTable() {
	sheet := Sheet{Name: "Undecided panels", Says: "Panels whose first measurement was undecided and which nothing has decided since.", Cols: []SheetCol{{Head: "Press"}, {Head: "Panel"}, {Head: "Mould"}, {Head: "Pressed (UTC)"}, {Head: "Gauge"}, {Head: "Measured (UTC)"}, {Head: "Reasons"}}}
	t := &Table{Cols: []Col{{Head: "Panel"}, {Head: "Press and mould"}, {Head: "Pressed"}, {Head: "Measured"}, {Head: "Why"}}}
	for _, w := range h.Waiting {
		where := w.Press
		if w.Mould != "" {
			where += ", mould " + w.Mould
		}
		t.Rows = append(t.Rows, []Cell{{Text: w.Panel}, {Text: where}, {Text: h.moment(w.LineAt)}, {Text: h.moment(w.MeasuredAt) + ", " + w.Gauge}, {Text: reasonWords(w.Reasons)}})
		sheet.Rows = append(sheet.Rows, []any{w.Press, w.Panel, w.Mould, w.LineAt, w.Gauge, w.MeasuredAt, strings.Join(w.Reasons, " ")})
	}
	if len(t.Rows) > 0 {
		b := Block{Heading: capital(ui.Plural(int64(h.WaitAll), "panel waits", "panels wait")) + " undecided", Text: "Measure them again, seated anew; one that stays undecided goes to the supervisor.", Table: t}
		t.Rows = t.Rows[:min(len(t.Rows), waitingPrinted)]
		if h.WaitAll > len(t.Rows) {
			b.Text += " The first " + ui.InWords(int64(len(t.Rows))) + " of them:"
		}
		h.d.Blocks = append(h.d.Blocks, b)
	}
	h.d.Sheets = append(h.d.Sheets, sheet)
}

// reasonWords writes the judge's reasons with the names of the characteristics that begin them.
func reasonWords(reasons []string) string {
	out := make([]string, len(reasons))
	for i, r := range reasons {
		name, rest, _ := strings.Cut(r, " ")
		out[i] = capital(plant.Characteristic(name) + " " + rest)
		if rest == "" {
			out[i] = capital(r)
		}
	}
	return strings.Join(out, "; ")
}

func (h *handOver) happened() {
	sheet := Sheet{Name: "Events", Says: "Stops, changes and notes of the shift.", Cols: []SheetCol{{Head: "At (UTC)"}, {Head: "Press"}, {Head: "Gauge"}, {Head: "Kind"}, {Head: "Mould"}, {Head: "Text"}, {Head: "By"}}}
	t := &Table{Cols: []Col{{Head: "At"}, {Head: "Where"}, {Head: "What"}, {Head: "By"}}}
	for i := range h.Events {
		e := &h.Events[i]
		where := "gauge " + e.Gauge
		if e.Press != "" {
			where = "press " + e.Press
		}
		t.Rows = append(t.Rows, []Cell{{Text: h.moment(e.At)}, {Text: where}, {Text: eventWords(e)}, {Text: e.By}})
		sheet.Rows = append(sheet.Rows, []any{e.At, e.Press, e.Gauge, e.Kind, e.Mould, e.Text, e.By})
	}
	b := Block{Heading: "Stops and changes: none was recorded"}
	if len(t.Rows) > 0 {
		b.Heading, b.Table = "Stops and changes", t
	}
	h.d.Blocks = append(h.d.Blocks, b)
	h.d.Sheets = append(h.d.Sheets, sheet)
}

func (h *handOver) limitsTable() {
	sheet := Sheet{Name: "Limits", Says: "Control limits that came into force in the shift.", Cols: []SheetCol{{Head: "From (UTC)"}, {Head: "Chart"}, {Head: "Stream"}, {Head: "Source"}, {Head: "Lower, in the characteristic's unit"}, {Head: "Centre"}, {Head: "Upper"}, {Head: "Reason"}, {Head: "By"}}}
	t := &Table{Cols: []Col{{Head: "From"}, {Head: "Chart"}, {Head: "Of"}, {Head: "Limits"}, {Head: "How"}}}
	side := func(v float64, has bool) any {
		if has {
			return v
		}
		return nil
	}
	for i := range h.Limits {
		l := &h.Limits[i]
		lower, upper := None, None
		if l.Limits.HasLower {
			lower = Number(l.Limits.Lower)
		}
		if l.Limits.HasUpper {
			upper = Number(l.Limits.Upper)
		}
		sigma, words := Number(l.Limits.Sigma), ""
		switch lo, up := amount(lower, l.Of, sigma), amount(upper, l.Of, sigma); {
		case l.Refused != "":
			words = "none: " + l.Refused
		case lo != "" && up != "":
			words = lo + " to " + up
		case up != "":
			words = "at most " + up
		case lo != "":
			words = "at least " + lo
		}
		how := string(l.Source)
		if l.By != "" {
			how += " by " + l.By
		}
		if l.Reason != "" {
			how += ": " + l.Reason
		}
		t.Rows = append(t.Rows, []Cell{{Text: h.moment(l.From)}, {Text: l.Chart}, {Text: strings.Replace(l.Stream, ":", " ", 1)}, {Text: words}, {Text: how}})
		sheet.Rows = append(sheet.Rows, []any{l.From, l.Chart, l.Stream, string(l.Source), side(l.Limits.Lower, l.Limits.HasLower), side(l.Limits.Centre, l.Limits.HasCentre), side(l.Limits.Upper, l.Limits.HasUpper), l.Reason, l.By})
	}
	h.d.Sheets = append(h.d.Sheets, sheet)
	if len(t.Rows) == 0 {
		return
	}
	b := Block{Heading: "Control limits revised in the shift: " + ui.InWords(int64(len(t.Rows))), Table: t}
	if rest := len(t.Rows) - limitsPrinted; rest > 0 {
		t.Rows = t.Rows[:limitsPrinted]
		b.Text = capital(ui.Plural(int64(rest), "more stands", "more stand")) + " in the spreadsheet."
	}
	h.d.Blocks = append(h.d.Blocks, b)
}

// How many rows are printed: a press that begins a phase revises all its streams at once, and a dirty pad leaves a hundred panels undecided.
// The spreadsheet has all that was kept.
const (
	limitsPrinted  = 30
	waitingPrinted = 20
)

func (h *handOver) changesTable() {
	sheet := Sheet{Name: "Set-up changes", Says: "Definitions that were stored or came into force in the shift.", Cols: []SheetCol{{Head: "Stored (UTC)"}, {Head: "In force from (UTC)"}, {Head: "Kind"}, {Head: "Name"}, {Head: "Revision"}, {Head: "Reason"}, {Head: "By"}}}
	t := &Table{Cols: []Col{{Head: "Stored"}, {Head: "What"}, {Head: "In force from"}, {Head: "Why"}, {Head: "By"}}}
	for _, c := range h.Changes {
		from := h.moment(c.From)
		if c.From.Year() < 2000 {
			from = "the beginning"
		}
		kind := c.Kind
		if kind == plant.KindSite {
			kind = "the plant"
		}
		t.Rows = append(t.Rows, []Cell{{Text: h.moment(c.At)}, {Text: kind + " " + c.ID + ", revision " + ui.Count(int64(c.Revision))}, {Text: from}, {Text: c.Reason}, {Text: c.By}})
		sheet.Rows = append(sheet.Rows, []any{c.At, c.From, c.Kind, c.ID, int64(c.Revision), c.Reason, c.By})
	}
	if len(t.Rows) > 0 {
		h.d.Blocks = append(h.d.Blocks, Block{Heading: "The set-up changed", Table: t})
	}
	h.d.Sheets = append(h.d.Sheets, sheet)
}

// missing lists the stretches in which a press has no measured panel.
func (h *handOver) missing() {
	sheet := Sheet{Name: "Missing", Says: "Stretches of more than 15 minutes between measured panels of a press, by the time of pressing.", Cols: []SheetCol{{Head: "Press"}, {Head: "From (UTC)"}, {Head: "To (UTC)"}, {Head: "Lasting", Unit: "min"}}}
	t := &Table{Cols: []Col{{Head: "Press"}, {Head: "After"}, {Head: "Until"}, {Head: "Lasting", Right: true}}}
	add := func(press string, from, to time.Time) {
		t.Rows = append(t.Rows, []Cell{{Text: press}, {Text: h.moment(from)}, {Text: h.moment(to)}, {Text: ui.Lasting(to.Sub(from))}})
		sheet.Rows = append(sheet.Rows, []any{press, from, to, to.Sub(from).Minutes()})
	}
	for i := range h.Presses {
		if p := &h.Presses[i]; !p.First.IsZero() && p.First.Sub(h.From) > handOverGap {
			add(p.ID, h.From, p.First)
		}
	}
	for _, g := range h.Gaps {
		add(g.Press, g.From, g.To)
	}
	h.d.Sheets = append(h.d.Sheets, sheet)
	if len(t.Rows) > 0 {
		h.d.Blocks = append(h.d.Blocks, Block{Heading: "No measured panel for more than 15 minutes", Text: "The press stood, the gauge was silent, or panels were not measured; which of them is not known here.", Table: t})
	}
}
