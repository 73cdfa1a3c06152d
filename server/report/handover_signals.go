package report

import (
	"slices"
	"strings"

	"sagwatch/server/plant"
	"sagwatch/spc"
	"sagwatch/store"
	"sagwatch/web/ui"
)

// signalsPrinted is how many groups of signals are printed; the spreadsheet has every signal.
const signalsPrinted = 30

// signalGroup is the signals of one stream that stand alike: one thing to look at.
type signalGroup struct {
	class string            // "goes on", "came back", "closed", "withdrawn"
	list  []*HandOverSignal // the one that says most first
}

func classOf(g *HandOverSignal) string {
	switch {
	case g.State != store.SignalOpen && g.State != store.SignalAcknowledged:
		return g.State
	case g.Ended:
		return "came back"
	}
	return "goes on"
}

// grouped puts signals of one stream and class together, in the order of the first of each.
func grouped(list []*HandOverSignal) (out []signalGroup) {
	at := map[string]int{}
	for _, g := range list {
		key := classOf(g) + "\x00" + g.Press + "\x00" + g.Gauge + "\x00" + g.Stream
		i, ok := at[key]
		if !ok {
			i, at[key] = len(out), len(out)
			out = append(out, signalGroup{class: classOf(g)})
		}
		out[i].list = append(out[i].list, g)
	}
	return out
}

// earliest of a group.
func (g *signalGroup) earliest() *HandOverSignal {
	return slices.MinFunc(g.list, func(a, b *HandOverSignal) int { return a.At.Compare(b.At) })
}

// acknowledged says who has seen the signals: "nobody has acknowledged it", "acknowledged, not closed".
func acknowledged(list []*HandOverSignal) string {
	n := 0
	for _, g := range list {
		if g.State == store.SignalAcknowledged {
			n++
		}
	}
	switch {
	case n == len(list):
		return "acknowledged, not closed"
	case n > 0:
		return ui.InWords(int64(n)) + " of " + ui.InWords(int64(len(list))) + " acknowledged"
	case len(list) == 1:
		return "nobody has acknowledged it"
	}
	return "nobody has acknowledged them"
}

// sides lists what the signals after the first say, each once: "above its upper limit of twist".
func sides(list []*HandOverSignal) (out []string) {
	for _, g := range list {
		s := strings.TrimPrefix(strings.TrimPrefix(lies(g), "lies "), "shows ")
		if !slices.Contains(out, s) {
			out = append(out, s)
		}
	}
	return out
}

// goingOn says which signals go on: a line for each stream, or one for a press of which many streams signal, which is one thing to look
// at before the others.
func (h *handOver) goingOn(on []*HandOverSignal) (out []string) {
	groups := grouped(on)
	of := func(g *signalGroup) string { return g.list[0].Press + "\x00" + g.list[0].Gauge }
	streams, done := map[string]int{}, map[string]bool{}
	for i := range groups {
		streams[of(&groups[i])]++
	}
	for i := range groups {
		g := &groups[i]
		lead := g.list[0]
		switch n := streams[of(g)]; {
		case done[of(g)]:
		case n > named && lead.Press != "":
			done[of(g)] = true
			var all []*HandOverSignal
			var moulds []string
			for _, x := range on {
				if x.Press == lead.Press {
					all = append(all, x)
					if m, ok := strings.CutPrefix(x.Stream, "mould:"); ok && !slices.Contains(moulds, m) {
						moulds = append(moulds, m)
					}
				}
			}
			first := (&signalGroup{list: all}).earliest()
			out = append(out, "Press "+lead.Press+": "+ui.Plural(int64(len(all)), "signal goes", "signals go")+" on, of "+h.mouldsWords(lead.Press, len(moulds))+", the first since "+h.moment(first.At)+
				"; "+acknowledged(all)+". Of the radius first: "+h.oneLine(lead)+". So many at once rather mean the gauge or the whole press than single moulds: check the gauge with its master panel first.")
			if lead.Of != "radius_mm" {
				out[len(out)-1] = strings.Replace(out[len(out)-1], "Of the radius first: ", "First: ", 1)
			}
		default:
			s := capital(h.oneLine(lead))
			if more := sides(g.list[1:]); len(more) > 0 {
				s += ", and " + listed(more)
			}
			out = append(out, s+"; "+acknowledged(g.list)+".")
		}
	}
	return out
}

// mouldsWords says how many of the press's moulds: "all eleven moulds", "eight of eleven moulds".
func (h *handOver) mouldsWords(press string, n int) string {
	for i := range h.Presses {
		if p := &h.Presses[i]; p.ID == press && len(p.Moulds) > 1 {
			if n >= len(p.Moulds) {
				return "all " + ui.InWords(int64(len(p.Moulds))) + " moulds"
			}
			return ui.InWords(int64(n)) + " of " + ui.InWords(int64(len(p.Moulds))) + " moulds"
		}
	}
	return ui.Plural(int64(n), "mould", "moulds")
}

func (h *handOver) oneLine(g *HandOverSignal) string {
	s := h.subject(g) + " " + lies(g) + " since " + h.moment(g.At) + ", first panel " + g.Panel
	if v := amount(g.Value, g.Of, g.Sigma); v != "" {
		s += " at " + v
	}
	return s
}

// signalTable lists the signals: those that stand, and those raised, closed or withdrawn in the shift.
func (h *handOver) signalTable() {
	sheet := Sheet{Name: "Signals", Says: "Signals that stand, and those raised, closed or withdrawn in the shift.", Cols: []SheetCol{{Head: "Signal"}, {Head: "Press"}, {Head: "Gauge"}, {Head: "Product"}, {Head: "Characteristic"}, {Head: "Stream"}, {Head: "Says"}, {Head: "First panel"}, {Head: "Pressed (UTC)"}, {Head: "Value, in the characteristic's unit"}, {Head: "Lower limit"}, {Head: "Upper limit"}, {Head: "State"}, {Head: "Came back"}, {Head: "Changed (UTC)"}, {Head: "Cause"}, {Head: "Action"}}}
	raised, closed := 0, 0
	for i := range h.Signals {
		g := &h.Signals[i]
		if !g.At.Before(h.From) {
			raised++
		}
		if g.State == store.SignalClosed {
			closed++
		}
		sheet.Rows = append(sheet.Rows, []any{g.ID, g.Press, g.Gauge, g.Product, plant.Characteristic(g.Of), g.Stream, g.Words, g.Panel, g.At, float64(g.Value), float64(g.Lower), float64(g.Upper), g.State, g.Ended, g.Changed, g.Cause, g.Action})
	}
	h.d.Sheets = append(h.d.Sheets, sheet)
	if len(h.Signals) == 0 {
		h.d.Blocks = append(h.d.Blocks, Block{Heading: "Signals: none stands, none was raised"})
		return
	}
	on, back := h.standing()
	all := append(slices.Clone(on), back...)
	for i := range h.Signals {
		if g := &h.Signals[i]; g.State != store.SignalOpen && g.State != store.SignalAcknowledged {
			all = append(all, g)
		}
	}
	b := Block{Heading: "Signals: " + ui.Plural(int64(len(on)+len(back)), "stands", "stand") + ", " + ui.InWords(int64(raised)) + " raised in the shift, " + ui.InWords(int64(closed)) + " closed"}
	t := &Table{Cols: []Col{{Head: "Since"}, {Head: "Of"}, {Head: "Beyond its limits", Wide: .4}, {Head: "First panel"}, {Head: "Signals", Right: true}, {Head: "State"}}}
	groups := grouped(all)
	for i := range groups {
		g := &groups[i]
		first, goesOn := g.earliest(), g.class == "goes on"
		state, of := g.class, h.subject(g.list[0])
		if press, ok := strings.CutPrefix(g.list[0].Stream, "press:"); ok && len(g.list) > 1 {
			of = "the cycles on press " + press // their mean and their spread
		}
		switch {
		case goesOn || g.class == "came back":
			if acknowledged(g.list) != "acknowledged, not closed" {
				state += ", not acknowledged"
			} else {
				state += ", acknowledged"
			}
		case len(g.list) == 1:
			state += " " + h.moment(first.Changed)
		}
		if named := causes(g.list); len(named) > 0 {
			state += ": " + strings.Join(named, "; ")
		}
		t.Rows = append(t.Rows, []Cell{{Text: h.moment(first.At)}, {Text: capital(of), Strong: goesOn}, {Text: h.beyond(g.list)}, {Text: first.Panel}, {Text: ui.Count(int64(len(g.list)))}, {Text: state, Strong: goesOn}})
	}
	if rest := len(t.Rows) - signalsPrinted; rest > 0 {
		t.Rows = t.Rows[:signalsPrinted]
		b.Text = "Signals of one mould, or of the whole press, stand together. " + capital(ui.Plural(int64(rest), "more group stands", "more groups stand")) + " in the spreadsheet."
	}
	b.Table = t
	h.d.Blocks = append(h.d.Blocks, b)
}

// causes lists with which causes and actions signals were closed, each once: "mould worn (mould changed)".
func causes(list []*HandOverSignal) (out []string) {
	for _, g := range list {
		s := g.Cause
		if g.Action != "" {
			s += " (" + g.Action + ")"
		}
		if g.Cause != "" && !slices.Contains(out, s) {
			out = append(out, s)
		}
	}
	return out
}

// beyond says what lies above and what below its limits, and what else is signalled; of the first with value and limit.
func (h *handOver) beyond(list []*HandOverSignal) string {
	var above, below, other []string
	for i, g := range list {
		name := plant.Characteristic(g.Of)
		if g.Of == "" {
			name = "not charted any more"
		}
		if strings.HasPrefix(g.Stream, "press:") && g.Kind == string(spc.CycleMean) {
			name = "mean of " + name
		} else if strings.HasPrefix(g.Stream, "press:") && g.Kind == string(spc.CycleSpread) {
			name = "spread of " + name
		}
		to := &other
		switch g.Words {
		case "beyond upper limit":
			to = &above
		case "beyond lower limit":
			to = &below
		default:
			name = g.Words + " in " + name
		}
		if i == 0 {
			name += h.against(g)
		}
		if !slices.Contains(*to, name) {
			*to = append(*to, name)
		}
	}
	var parts []string
	if len(above) > 0 {
		parts = append(parts, "above: "+strings.Join(above, ", "))
	}
	if len(below) > 0 {
		parts = append(parts, "below: "+strings.Join(below, ", "))
	}
	return capital(strings.Join(append(parts, other...), "; "))
}

// against gives the value and the limit that it is beyond: " (1106.02 mm, limit 1106.47 mm)".
func (h *handOver) against(g *HandOverSignal) string {
	v, limit := amount(g.Value, g.Of, g.Sigma), ""
	switch g.Words {
	case "beyond lower limit":
		limit = amount(g.Lower, g.Of, g.Sigma)
	case "beyond upper limit":
		limit = amount(g.Upper, g.Of, g.Sigma)
	}
	switch {
	case v == "":
		return ""
	case limit == "":
		return " (" + v + ")"
	}
	return " (" + v + ", limit " + limit + ")"
}
