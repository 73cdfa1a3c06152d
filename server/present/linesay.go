package present

import (
	"net/url"
	"slices"
	"strings"

	"sagwatch/spc"
	"sagwatch/store"
	"sagwatch/web/ui"
)

// situation is the board's statement: what is odd, since when, and what is not.
func situation(f LineFacts) ui.Statement {
	st := ui.Statement{Where: []ui.Run{{Text: "Line"}}}
	var ids, products []string
	measured := false
	for _, p := range f.Presses {
		ids = append(ids, p.Def.ID)
		if p.Product != "" && !slices.Contains(products, p.Product) {
			products = append(products, p.Product)
		}
		measured = measured || p.Product != ""
	}
	if len(ids) > 0 {
		st.Where = append(st.Where, ui.Run{Text: presses(ids)})
	}
	switch len(products) {
	case 0:
	case 1:
		st.Where = append(st.Where, ui.Run{Text: "product " + products[0]})
	default:
		st.Where = append(st.Where, ui.Run{Text: "products " + list(products)})
	}
	now, ended := leads(f)
	switch {
	case len(ids) == 0:
		st.Say = ui.Say("No press is defined yet.")
		st.Doubts = []ui.Sentence{ui.Say("An engineer defines presses, products and gauges with the set-up file.")}
	case f.Of > 0:
		st.Say = ui.Say("History is being taken in; charts and states are not final yet.")
	case !measured:
		st.Say = ui.Say("Nothing has been measured yet.")
		st.Doubts = []ui.Sentence{ui.Say(Capital(ui.Plural(int64(len(ids)), "press", "presses")) + " and " + ui.Plural(int64(len(f.Gauges)), "gauge", "gauges") +
			" are defined. The first panel that a gauge sends shows here within a second.")}
	case len(now) > 0:
		odd(f, now, &st)
	case len(ended) > 0:
		st.Say = ui.Say("Nothing lies beyond its limits now, but " + ui.Plural(int64(len(ended)), "signal is", "signals are") + " not closed yet.")
		st.Doubts = []ui.Sentence{ui.Say("The points have come back; why they went is not written down yet.")}
		st.Acts = []ui.Act{{Text: "Look at the signals", Href: "/signals", First: true}}
	default:
		steady(f, &st)
	}
	return st
}

func presses(ids []string) string {
	if len(ids) == 1 {
		return "press " + ids[0]
	}
	return "presses " + list(ids)
}

// leads parts the signals that stand into those that go on and those whose points have come back. The one that says most comes
// first: a mould's before the press's, the radius before what follows from it, then the earliest.
func leads(f LineFacts) (now, ended []*store.Signal) {
	for i := range f.Signals {
		if g := &f.Signals[i]; standing(g) && !g.Lasts() {
			ended = append(ended, g)
		} else if standing(g) {
			now = append(now, g)
		}
	}
	weight := func(g *store.Signal) int {
		w := 0
		if g.State != store.SignalOpen {
			w += 4
		}
		if kind, _ := split(g.Stream); kind == "press" {
			w += 2
		}
		if f.Charts[g.Chart].Characteristic != spc.RadiusMM.String() {
			w++
		}
		return w
	}
	slices.SortStableFunc(now, func(a, b *store.Signal) int {
		if d := weight(a) - weight(b); d != 0 {
			return d
		}
		return a.At.Compare(b.At)
	})
	return now, ended
}

// odd says what lies beyond its limits; the first of the signals leads, its figures follow.
func odd(f LineFacts, now []*store.Signal, st *ui.Statement) {
	g := now[0]
	c := f.Charts[g.Chart]
	words := Capital(subject(c, g)) + " " + lies(c, g) + " since " + ui.Moment(g.At.In(f.Now.Location()), f.Now) + "."
	others := 0 // signals about something else
	for _, o := range now[1:] {
		if o.Press != g.Press || o.Stream != g.Stream {
			others++
		}
	}
	if others > 0 {
		words += " " + Capital(ui.Plural(int64(others), "more signal goes", "more signals go")) + " on."
	}
	if quiet := steadyPresses(f); len(quiet) > 0 {
		words += " " + Capital(presses(quiet)) + isOrAre(quiet) + "steady."
	}
	st.Say = ui.Say(words)
	doubt := "First panel " + g.Panel + " at " + amountOf(c, g.Value, g.Limits.Sigma, f.Lengths)
	switch {
	case g.Words == "beyond lower limit" && g.Limits.HasLower:
		doubt += "; the lower limit is " + amountOf(c, g.Limits.Lower, g.Limits.Sigma, f.Lengths)
	case g.Words == "beyond upper limit" && g.Limits.HasUpper:
		doubt += "; the upper limit is " + amountOf(c, g.Limits.Upper, g.Limits.Sigma, f.Lengths)
	case g.Limits.HasCentre:
		doubt += "; the centre is " + amountOf(c, g.Limits.Centre, g.Limits.Sigma, f.Lengths)
	}
	doubt += ". "
	if g.State == store.SignalAcknowledged {
		doubt += "It is acknowledged and not closed."
	} else {
		doubt += "Nobody has acknowledged it yet; it has been open for " + ui.Lasting(f.Now.Sub(g.Known)) + "."
	}
	st.Doubts = []ui.Sentence{ui.Say(doubt)}
	st.Acts = []ui.Act{{Text: "Open the signal", Href: "/signals/" + url.PathEscape(g.ID), First: true}}
	if len(now) > 1 {
		st.Acts = append(st.Acts, ui.Act{Text: "All signals", Href: "/signals"})
	}
}

// subject is what a signal is about: "mould 7 on press A".
func subject(c spc.Chart, g *store.Signal) string {
	kind, name := split(g.Stream)
	switch {
	case kind == "mould":
		return "mould " + name + " on press " + g.Press
	case kind == "lane":
		return "lane " + name + " of press " + g.Press
	case kind == "gauge" && g.Press == "":
		return "gauge " + name
	case kind == "gauge":
		return "press " + g.Press + " on gauge " + name
	case c.Kind == spc.CycleMean:
		return "the mean of the cycles on press " + g.Press
	case c.Kind == spc.CycleSpread:
		return "the spread inside the cycles on press " + g.Press
	case allTerms(c.Kind):
		return "the shape of the cycles on press " + g.Press
	case overTime(c.Kind):
		return "the " + kindTexts[c.Kind].list + " of the cycles on press " + g.Press
	}
	return "press " + g.Press
}

// lies is what the subject of a signal does.
func lies(c spc.Chart, g *store.Signal) string {
	what := Characteristic(c.Characteristic)
	switch kind, _ := split(g.Stream); {
	case allTerms(c.Kind):
		what = kindTexts[c.Kind].of + "shape"
	case c.Kind == spc.Group:
		what += " against its cycle"
	case overTime(c.Kind) && kind != "press":
		what = "the " + kindTexts[c.Kind].of + what
	}
	switch g.Words {
	case "beyond lower limit":
		return "lies below its lower limit of " + what
	case "beyond upper limit":
		return "lies above its upper limit of " + what
	}
	return "shows " + g.Words + " in " + what
}

// steadyPresses are those that are judged and have no signal that stands.
func steadyPresses(f LineFacts) (out []string) {
	for i := range f.Presses {
		p := &f.Presses[i]
		if judged(p) && len(standingOn(f, p.Def.ID)) == 0 {
			out = append(out, p.Def.ID)
		}
	}
	return out
}

func isOrAre(names []string) string {
	if len(names) == 1 {
		return " is "
	}
	return " are "
}

// steady says that nothing is odd, and of which presses that cannot be said yet.
func steady(f LineFacts, st *ui.Statement) {
	quiet := steadyPresses(f)
	var waiting []string
	var doubts []string
	for i := range f.Presses {
		p := &f.Presses[i]
		if p.Product == "" || slices.Contains(quiet, p.Def.ID) {
			continue
		}
		waiting = append(waiting, p.Def.ID)
		if words := limitsWords(p, f.Now); words != "" {
			doubts = append(doubts, "Press "+p.Def.ID+": "+words+".")
		}
	}
	switch {
	case len(quiet) > 0:
		words := Capital(presses(quiet)) + isOrAre(quiet) + "steady"
		if len(waiting) > 0 {
			words += "; " + presses(waiting) + hasOrHave(waiting) + "no limits yet"
		} else if len(f.Gauges) > 0 && gaugesInOrder(f) {
			words += ", and the gauges are in order"
		}
		st.Say = ui.Say(words + ".")
	default:
		st.Say = ui.Say(Capital(presses(waiting)) + hasOrHave(waiting) + "no limits yet: the charts judge nothing.")
		doubts = append(doubts, "Each panel is judged by its specification all the same.")
	}
	if len(quiet) > 0 {
		last := "There has been no signal yet."
		if f.Latest != nil {
			last = "The last signal was at " + ui.Moment(f.Latest.At.In(f.Now.Location()), f.Now) + "."
		}
		doubts = append(doubts, last, "A quiet chart says nothing about panels in the lehr: they are not measured yet.")
	}
	st.Doubts = []ui.Sentence{ui.Say(strings.Join(doubts, " "))}
}

func hasOrHave(names []string) string {
	if len(names) == 1 {
		return " has "
	}
	return " have "
}

// Amount writes a value of a characteristic with its unit, with as many decimals as its standard deviation deserves (two when that
// is not known), lengths in mm as a person wants them.
func Amount(v float64, characteristic string, sigma float64, in ui.Lengths) string {
	unit, decimals := CharacteristicUnit(characteristic), 2
	if sigma > 0 {
		decimals = ui.DoubtDecimals(sigma)
	}
	if unit == "mm" {
		return ui.WithUnit(ui.Length(v, decimals, in), ui.LengthUnit(in))
	}
	return ui.WithUnit(ui.Number(v, decimals), unit)
}
