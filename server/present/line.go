package present

import (
	"net/url"
	"slices"
	"strings"
	"time"

	"sagwatch/server/watch"
	"sagwatch/spc"
	"sagwatch/spc/monitor"
	"sagwatch/store"
	"sagwatch/web/page"
	"sagwatch/web/plot"
	"sagwatch/web/ui"
)

// LineSpan is how much of the past the board draws.
const LineSpan = 8 * time.Hour

// LineFacts is what the board of the line is made of. Now is in plant time, and its location is the plant's.
type LineFacts struct {
	Now     time.Time
	Lengths ui.Lengths
	// Shift is the one whose panels are counted: the present one, or the one Before it while none of this one has left the lehr.
	Shift   Shift
	Before  bool
	Presses []PressFacts
	Gauges  []GaugeFacts
	Charts  map[string]spc.Chart
	Signals []store.Signal // open and acknowledged ones and those of the shift, newest first
	Latest  *store.Signal  // the newest of all that were not withdrawn; nil when there never was one
	// Done and Of say how far a history that announced its length has come in; Of is 0 when none is coming.
	Done, Of int64
}

// PressFacts is one press: the product of its latest panel, the shift's counts, and its points of the last hours.
type PressFacts struct {
	Def     *spc.Press
	Product string    // "" before its first panel
	Last    time.Time // when the last panel that was charted was pressed; zero: none
	Counts  store.Counts
	Barred  store.Counts            // of Counts: panels that a hold keeps from being good
	Cycles  watch.Series            // means of the cycles
	Moulds  map[string]watch.Series // by the mould's name
	Limits  *store.LimitsInForce    // the latest of the cycle means
	Charted bool                    // the standard charts are wanted
}

// LineCharts names the charts that the board draws of a press: the radius of its cycles and of its moulds.
func LineCharts(press, product string) (cycles, moulds string) {
	stem := press + "." + product + "." + spc.RadiusMM.String() + "."
	return stem + string(spc.CycleMean), stem + string(spc.Individuals) + ".mould"
}

// Line draws up the board, but for its frame.
func Line(f LineFacts) page.Line {
	m := page.Line{Statement: situation(f), Signals: signalEntries(f), Shift: shiftTable(f), Gauges: gaugesOnLine(f)}
	if f.Of > 0 {
		m.Loading = &page.Loading{Done: f.Done, Of: f.Of, After: "Panels that the gauges send meanwhile are taken in between; none is lost.",
			Words: "Taking in history: " + ui.Count(min(f.Done, f.Of)) + " of " + ui.Count(f.Of) + " panels"}
	}
	m.Quiet = quiet(f)
	for i := range f.Presses {
		m.Presses = append(m.Presses, pressOnLine(f, &f.Presses[i]))
	}
	return m
}

// standing tells whether people still have to do with a signal.
func standing(g *store.Signal) bool {
	return g.State == store.SignalOpen || g.State == store.SignalAcknowledged
}

// standingOn lists the signals of a press that stand.
func standingOn(f LineFacts, press string) (out []*store.Signal) {
	for i := range f.Signals {
		if g := &f.Signals[i]; g.Press == press && standing(g) {
			out = append(out, g)
		}
	}
	return out
}

// quiet is said where no signal is listed.
func quiet(f LineFacts) string {
	charted := false
	for _, p := range f.Presses {
		charted = charted || !p.Last.IsZero()
	}
	switch {
	case !charted:
		return "No signal: no panel has been charted."
	case f.Latest == nil:
		return "There has been no signal yet."
	}
	return "No signal is open, and none came in this shift; the last one was at " + ui.Moment(f.Latest.At.In(f.Now.Location()), f.Now) + "."
}

// signalsShown is how many signals the board lists.
const signalsShown = 8

func signalEntries(f LineFacts) (out []ui.Entry) {
	shown := slices.Clone(f.Signals)
	// What stands comes first, the rest of the shift after it; each newest first.
	slices.SortStableFunc(shown, func(a, b store.Signal) int {
		switch {
		case standing(&a) == standing(&b):
			return b.At.Compare(a.At)
		case standing(&a):
			return -1
		}
		return 1
	})
	for i := range shown {
		g := &shown[i]
		if i == signalsShown {
			out = append(out, ui.Entry{Text: ui.Sentence{}.Link(Capital(ui.InWords(int64(len(shown)-i)))+" more", "/signals").And(" of this shift or not yet closed.")})
			break
		}
		c := f.Charts[g.Chart]
		text := ui.Sentence{}.Link(signalTitle(c, g), "/signals/"+url.PathEscape(g.ID)).And(". First panel " + g.Panel + ".")
		if !g.Lasts() && standing(g) {
			text = text.And(" It has come back since.")
		}
		out = append(out, ui.Entry{ID: "sig-" + g.ID, At: ui.Moment(g.At.In(f.Now.Location()), f.Now), State: SignalState(g.State), Text: text})
	}
	return out
}

// signalTitle names a signal in a list: "A, mould 7: radius beyond lower limit".
func signalTitle(c spc.Chart, g *store.Signal) string {
	kind, name := split(g.Stream)
	who := g.Press
	switch kind {
	case "mould":
		who += ", mould " + name
	case "lane":
		who += ", lane " + name
	case "gauge":
		who = name
	}
	what := Characteristic(c.Characteristic)
	switch c.Kind {
	case spc.CycleMean:
		what = "cycle mean of " + what
	case spc.CycleSpread:
		what = "spread of " + what + " inside the cycles"
	default:
		what = kindTexts[c.Kind].of + what
	}
	return who + ": " + what + " " + g.Words
}

func pressOnLine(f LineFacts, p *PressFacts) page.Press {
	id := p.Def.ID
	m := page.Press{ID: id, Name: "Press " + id}
	if p.Product != "" {
		m.Product = "product " + p.Product
	}
	signals := standingOn(f, id)
	odd := oddMoulds(f, id)
	m.Ring = pressRing(p, odd)
	if p.Last.IsZero() || p.Product == "" {
		m.State, m.NoChart = ui.Is(ui.None, "nothing yet"), "No panel of this press has been charted yet."
		return m
	}
	m.State = pressState(f, p, signals)
	m.Limits = limitsWords(p, f.Now)
	if !p.Charted {
		m.NoChart = "The standard charts of this press are switched off."
		return m
	}
	m.Cycles, m.NoChart = cycleChart(f, p)
	m.Moulds = mouldsOnLine(f, p, odd)
	m.Caption = "Each mould's panels one by one, radius in " + lengthWord(f.Lengths) + ", on one scale; the figure is the last one less the mould's own centre, the white band its limits. " + stretchWords(f, p)
	return m
}

// stretchWords says which hours are drawn and what is missing at their end.
func stretchWords(f LineFacts, p *PressFacts) string {
	to := p.Last.In(f.Now.Location())
	return "The eight hours before " + ui.Moment(to, f.Now) + ", by time pressed; what was pressed since is in the lehr or not measured."
}

// oddMoulds gives each mould that a signal is about which goes on, with the signal that its link leads to: the one that says most.
// A mould whose points have come back carries no mark, though its signal stays in the list until somebody closes it.
func oddMoulds(f LineFacts, press string) map[string]*store.Signal {
	out := map[string]*store.Signal{}
	now, _ := leads(f)
	for _, g := range now {
		if kind, name := split(g.Stream); kind == "mould" && g.Press == press && out[name] == nil {
			out[name] = g
		}
	}
	return out
}

func pressState(f LineFacts, p *PressFacts, signals []*store.Signal) ui.State {
	open, acknowledged, back := 0, 0, 0
	for _, g := range signals {
		switch {
		case !g.Lasts():
			back++
		case g.State == store.SignalOpen:
			open++
		default:
			acknowledged++
		}
	}
	n := func(k int) string { return ui.Plural(int64(k), "signal", "signals") }
	switch {
	case f.Of > 0:
		return ui.Is(ui.None, "not final while history comes in")
	case open > 0:
		return ui.Is(ui.Bad, n(open)+" open")
	case acknowledged > 0:
		return ui.Is(ui.Held, n(acknowledged)+" acknowledged")
	case back > 0:
		return ui.Is(ui.Held, n(back)+" came back, to be closed")
	case !judged(p):
		return ui.Is(ui.None, "not judged by charts yet")
	}
	return ui.Is(ui.Good, "steady")
}

// judged tells whether the cycles or any mould have limits.
func judged(p *PressFacts) bool {
	has := func(s watch.Series) bool {
		last, ok := lastPoint(s)
		return ok && last.Source != ""
	}
	if has(p.Cycles) {
		return true
	}
	for _, s := range p.Moulds {
		if has(s) {
			return true
		}
	}
	return false
}

// lastPoint is the latest complete point, final or not.
func lastPoint(s watch.Series) (monitor.Point, bool) {
	for i := len(s.Pending) - 1; i >= 0; i-- {
		if !s.Pending[i].Hollow {
			return s.Pending[i], true
		}
	}
	if n := len(s.Points); n > 0 {
		return s.Points[n-1], true
	}
	return monitor.Point{}, false
}

// limitsWords says which limits hold for the cycle means.
func limitsWords(p *PressFacts, now time.Time) string {
	last, ok := lastPoint(p.Cycles)
	if !ok {
		return ""
	}
	if last.Source == "" || last.Source == spc.Guard {
		if last.Need == 0 {
			return "no limits"
		}
		words := "limits after " + ui.Count(int64(last.Have)) + " of " + ui.Count(int64(last.Need)) + " cycles"
		if last.Source == spc.Guard {
			return words + "; those of before guard meanwhile"
		}
		return "no " + strings.Replace(words, "limits after", "limits yet,", 1)
	}
	word := "limits provisional"
	if last.Source == spc.Frozen {
		word = "limits frozen"
	}
	if p.Limits != nil && p.Limits.Source == last.Source {
		word += " since " + ui.Moment(p.Limits.From.In(now.Location()), now)
	}
	return word
}

func pressRing(p *PressFacts, odd map[string]*store.Signal) *plot.Ring {
	if len(p.Def.Moulds) == 0 {
		return nil
	}
	n := int64(len(p.Def.Moulds))
	ring := &plot.Ring{ID: "ring-" + p.Def.ID, Title: "Press " + p.Def.ID + ", its table of " + ui.Plural(n, "mould", "moulds"), Desc: "No mould has a signal.",
		Words: []string{ui.Count(n) + " moulds"}}
	if p.Def.TaktS > 0 {
		ring.Words = append(ring.Words, ui.Number(p.Def.TaktS*float64(n), 0)+ui.NoBreak+"s round")
	}
	var with []string
	for _, name := range p.Def.Moulds {
		r := plot.RingMould{Name: name, Href: mouldHref(p, name, odd[name])}
		if odd[name] != nil {
			r.Signal = true
			with = append(with, name)
		}
		ring.Moulds = append(ring.Moulds, r)
	}
	switch len(with) {
	case 0:
	case 1:
		ring.Desc = "Mould " + with[0] + " has a signal that goes on."
	default:
		ring.Desc = "Moulds " + list(with) + " have signals that go on."
	}
	return ring
}

// mouldHref leads to a mould's signal, or to its chart.
func mouldHref(p *PressFacts, name string, g *store.Signal) string {
	switch {
	case g != nil:
		return "/signals/" + url.PathEscape(g.ID)
	case p.Product == "" || !p.Charted:
		return "/panels?" + url.Values{"press": {p.Def.ID}, "mould": {name}}.Encode()
	}
	_, chart := LineCharts(p.Def.ID, p.Product)
	return "/charts/" + url.PathEscape(chart) + "?stream=" + url.QueryEscape("mould:"+name)
}
