package present

import (
	"fmt"
	"net/url"
	"strconv"
	"time"

	"sagwatch/spc"
	"sagwatch/store"
	"sagwatch/web/page"
	"sagwatch/web/ui"
)

// HoldOnList is a hold with how far its sorting has come.
type HoldOnList struct {
	store.Hold
	Progress store.HoldProgress
}

// HoldsData is what the list of holds is made from.
type HoldsData struct {
	Open, Closed []HoldOnList
	Older, Newer string
	MayHold      bool
}

// Holds makes the list of holds.
func Holds(v View, frame ui.Frame, d HoldsData) page.Holds {
	m := page.Holds{Frame: frame, Older: d.Older, Newer: d.Newer}
	waiting := 0
	cols := []ui.Col{{Head: "Hold", Right: true}, {Head: "Which panels"}, {Head: "Why"}, {Head: "Held", Right: true}, {Head: "Outstanding", Right: true}, {Head: "Made"}}
	m.Open = ui.Table{Label: "Open holds", Fold: true, Cols: cols, Empty: "No hold is open."}
	m.Closed = ui.Table{Label: "Closed holds", Fold: true, Cols: cols, Empty: "No hold has been closed."}
	row := func(h *HoldOnList) ui.Row {
		n := strconv.FormatInt(h.ID, 10)
		left := ui.Cell{Text: ui.Count(int64(h.Progress.Outstanding))}
		if !h.Closed.IsZero() && h.Progress.Outstanding > 0 {
			left.Note = "came after it was closed"
		}
		return ui.Row{Cells: []ui.Cell{{Text: n, Href: HoldHref(h.ID)}, {Text: HoldWhich(v, &h.HoldPredicate), Href: HoldHref(h.ID)}, ui.Text(h.Reason), ui.Text(ui.Count(int64(h.Progress.Held))), left,
			ui.Text(v.Moment(h.At) + " by " + h.By)}, Mark: !h.Closed.IsZero() && h.Progress.Outstanding > 0}
	}
	for i := range d.Open {
		m.Open.Rows = append(m.Open.Rows, row(&d.Open[i]))
		waiting += d.Open[i].Progress.Outstanding
	}
	late := 0
	for i := range d.Closed {
		m.Closed.Rows = append(m.Closed.Rows, row(&d.Closed[i]))
		late += d.Closed[i].Progress.Outstanding
	}
	st := ui.Statement{Where: []ui.Run{{Text: "Holds"}}}
	switch n := len(d.Open); {
	case n == 0:
		st.Say = ui.Say("No hold is open.")
	default:
		st.Say = ui.Say(Capital(ui.Plural(int64(n), "hold is open", "holds are open")) + ": " + waits(waiting) + ".")
	}
	if late > 0 {
		st.Doubts = append(st.Doubts, ui.Say(Capital(ui.Plural(int64(late), "panel", "panels"))+" of a range that was closed came later and "+isAre(late)+" held: somebody has to decide."))
	}
	st.Doubts = append(st.Doubts, ui.Say("A panel on hold is shown as good nowhere until somebody with the right to do so has decided on it."))
	if d.MayHold {
		st.Acts = []ui.Act{{Text: "Put panels on hold", Href: "/holds/new", First: true}}
	}
	m.Statement = st
	return m
}

func isAre(n int) string {
	if n == 1 {
		return "is"
	}
	return "are"
}

func waits(n int) string {
	switch n {
	case 0:
		return "nothing waits for a decision"
	case 1:
		return "one panel waits for a decision"
	}
	return ui.Count(int64(n)) + " panels wait for a decision"
}

// HeldPanel is a panel on the page of its hold.
type HeldPanel struct {
	store.HoldPanel
	Verdict spc.Verdict
	Last    time.Time // when it was measured last; zero: not yet
}

// HoldData is what the page of one hold is made from.
type HoldData struct {
	Hold       store.Hold
	Progress   store.HoldProgress
	InLehr     int // about
	Panels     []HeldPanel
	Shown      string // decision that the list is restricted to; "" for all
	Older      string
	Newer      string
	Log        []store.HoldEntry
	Decisions  []store.HoldDecision // newest first
	MayDecide  bool                 // any decision
	MayMeasure bool                 // send to be measured again
	// The form as it was sent, and what is wrong with it.
	Serial, Decision, Reason string
	Wrong                    string            // of the scan
	WrongField               string            // its field
	ActWrong                 map[string]string // by act: "release", "end", "close"
	ActReason, ActTo         string
}

// DecisionWords names a decision as a state of its panel.
func DecisionWords(p *store.HoldPanel) ui.State {
	if p.Decision == nil {
		return ui.Is(ui.Held, "waits")
	}
	switch p.Decision.Decision {
	case store.Release:
		return ui.Is(ui.Good, "released")
	case store.Remeasure:
		if p.Measured.IsZero() {
			return ui.Is(ui.Held, "to be measured again")
		}
		return ui.Is(ui.Held, "measured again, waits")
	case store.Rework:
		return ui.Is(ui.Held, "to be reworked")
	case store.Scrap:
		return ui.Is(ui.Bad, "scrapped")
	}
	return ui.Is(ui.None, "let go by closing")
}

// Hold makes the page of one hold.
func Hold(v View, frame ui.Frame, d HoldData) page.Hold {
	h, p := &d.Hold, &d.Progress
	at, n := HoldHref(h.ID), strconv.FormatInt(h.ID, 10)
	m := page.Hold{Frame: frame, Caution: glass, Decide: "Sagwatch advises. The plant's own procedures, local codes and the person responsible decide what becomes of a panel.", Older: d.Older, Newer: d.Newer, CSV: at + "/panels.csv"}
	st := ui.Statement{Where: []ui.Run{{Text: "Holds", Href: "/holds"}, {Text: "hold " + n}, {Text: "press " + h.Press}}}
	of := ui.InWords(int64(p.Outstanding)) + " of " + ui.Plural(int64(p.Held), "panel", "panels")
	switch {
	case p.Held == 0:
		st.Say = ui.Say("Hold " + n + " has no panel yet.")
	case p.Outstanding == 0 && h.Closed.IsZero():
		st.Say = ui.Say("Hold " + n + ": all " + ui.Plural(int64(p.Held), "panel", "panels") + " decided.")
	case p.Outstanding == 0:
		st.Say = ui.Say("Hold " + n + " is closed: " + ui.Plural(int64(p.Held), "panel", "panels") + ", none waits.")
	case !h.Closed.IsZero():
		st.Say = ui.Say("Hold " + n + " was closed, and " + of + " came later: held until somebody decides.")
	default:
		st.Say = ui.Say("Hold " + n + ": " + of + " wait for a decision.")
	}
	st.Doubts = append(st.Doubts, ui.Say(HoldWhich(v, &h.HoldPredicate)+"."))
	if d.InLehr > 0 {
		st.Doubts = append(st.Doubts, ui.Say("About "+ui.Count(int64(d.InLehr))+" more are in the lehr, not yet measured: by the clock and the takt, since their serials are not known. They are held as soon as they are measured."))
	}
	m.Statement = st
	m.State, m.StateSay = ui.Is(ui.Held, "open"), "since "+v.Moment(h.At)+", by "+h.By
	if !h.Closed.IsZero() {
		m.State, m.StateSay = ui.Is(ui.Good, "closed"), "at "+v.Moment(h.Closed)
	}
	m.Facts = []ui.Fact{{Name: "Why", Value: ui.Text(h.Reason)}, {Name: "Held by", Value: ui.Text(h.By + ", " + v.Moment(h.At))}}
	if h.Signal != "" {
		m.Facts = append(m.Facts, ui.Fact{Name: "Signal", Value: ui.Cell{Text: "the signal it was made for", Href: SignalHref(h.Signal)}})
	}
	if !p.First.IsZero() {
		m.Facts = append(m.Facts, ui.Fact{Name: "Pressed", Value: ui.Text("first " + v.Moment(p.First) + ", last " + v.Moment(p.Last) + ", of those measured")})
	}
	if h.Open() {
		m.Facts = append(m.Facts, ui.Fact{Name: "Its end", Value: ui.Text("open: panels yet to be pressed are held too")})
	}
	m.Progress = holdProgress(at, p)
	m.Panels, m.PanelSay = d.panels(v)
	for _, c := range []struct {
		is, text string
		n        int
	}{{store.Outstanding, "outstanding", p.Outstanding}, {store.Release, "released", p.Released}, {store.Rework, "to be reworked", p.Rework}, {store.Scrap, "scrapped", p.Scrapped}, {store.Lifted, "let go by closing", p.Lifted}, {"", "all", p.Held}} {
		if c.n > 0 || c.is == d.Shown || c.is == "" {
			m.Which = append(m.Which, page.HoldChoice{Text: c.text + ", " + ui.Count(int64(c.n)), Href: at + "?show=" + url.QueryEscape(shownAs(c.is)), Now: c.is == d.Shown})
		}
	}
	if d.MayDecide || d.MayMeasure {
		m.Scan = d.scan(at)
	}
	if d.MayDecide {
		m.Acts = d.acts(v, at)
	}
	m.Log = d.log(v)
	return m
}

// glass is the caution where panels are handled.
var glass = ui.Warning{Danger: "Caution: cuts and burns.",
	Words: "Panels are heavy, hot well past the lehr, and their pressed edges cut; broken glass flies: eye, hand and forearm protection. Keep panels on hold apart and marked by the plant's own procedure. Nobody reaches into the press or the lehr to fetch one."}

// shownAs is how a restriction stands in the address; "all" for none.
func shownAs(decision string) string {
	if decision == "" {
		return "all"
	}
	return decision
}

func holdProgress(at string, p *store.HoldProgress) ui.Table {
	t := ui.Table{Label: "Panels of the hold by decision", Cols: []ui.Col{{Head: "Panels"}, {Head: "Count", Right: true}}}
	row := func(words string, n int, show string, sum bool) {
		c := ui.Cell{Text: ui.Count(int64(n))}
		if n > 0 && show != "" {
			c.Href = at + "?show=" + show
		}
		t.Rows = append(t.Rows, ui.Row{Sum: sum, Cells: []ui.Cell{ui.Text(words), c}})
	}
	row("Held", p.Held, "all", false)
	row("Released", p.Released, store.Release, false)
	row("To be reworked", p.Rework, store.Rework, false)
	row("Scrapped", p.Scrapped, store.Scrap, false)
	if p.Lifted > 0 {
		row("Let go by closing", p.Lifted, store.Lifted, false)
	}
	row("Outstanding", p.Outstanding, store.Outstanding, true)
	if p.ToMeasure > 0 {
		row("of them to be measured again", p.ToMeasure, "", false)
	}
	if p.Measured > 0 {
		row("of them measured again", p.Measured, "", false)
	}
	return t
}

func (d *HoldData) panels(v View) (ui.Table, string) {
	t := ui.Table{Label: "Panels", Fold: true, Cols: []ui.Col{{Head: "Panel", Whole: true}, {Head: "Pressed"}, {Head: "Mould", Right: true, Drop: true}, {Head: "Lane", Right: true, Drop: true}, {Head: "Where"}, {Head: "As measured"}, {Head: "Decision"}, {Head: "By"}}}
	for i := range d.Panels {
		p := &d.Panels[i]
		pressed, where, seen := "not known", "not measured yet", ui.Cell{State: ui.Is(ui.None, "not judged")}
		if !p.LineAt.IsZero() {
			pressed = ui.ClockSeconds(p.LineAt.In(v.Zone))
			if ui.Moment(p.LineAt.In(v.Zone), v.Now) != ui.Clock(p.LineAt.In(v.Zone)) {
				pressed = ui.Date(p.LineAt.In(v.Zone)) + " " + pressed
			}
			if p.Estimated {
				pressed += ", estimated"
			}
		}
		if !p.Last.IsZero() {
			where, seen = "measured "+v.Moment(p.Last), ui.Cell{State: measuredWords(p)}
		}
		by := ""
		if p.Decision != nil {
			by = p.Decision.By + ", " + v.Moment(p.Decision.At) + ": " + p.Decision.Reason
		}
		t.Rows = append(t.Rows, ui.Row{Cells: []ui.Cell{{Text: p.Panel, Href: PanelHref(d.Hold.Press, p.Panel)}, ui.Text(pressed), ui.Text(p.Mould), ui.Text(p.Lane), ui.Text(where), seen, {State: DecisionWords(&p.HoldPanel)}, ui.Text(by)}})
	}
	say := map[string]string{"": "Its panels", store.Outstanding: "Panels that wait for a decision", store.Release: "Released panels", store.Rework: "Panels to be reworked", store.Scrap: "Scrapped panels", store.Lifted: "Panels that were let go by closing"}[d.Shown]
	t.Empty = "None."
	return t, say
}

// measuredWords says what the measurements alone say of a held panel: whether it lies inside is no word of its being good.
func measuredWords(p *HeldPanel) ui.State {
	s := VerdictOf(p.Verdict)
	if s.Kind == ui.Good && (&store.PanelHold{Decision: p.Decision}).Bars() {
		s.Kind = ui.Held
	}
	return s
}

// scan is the form that takes serials one after another.
func (d *HoldData) scan(at string) *page.HoldScan {
	s := &page.HoldScan{Action: at + "/panels", Save: "Write this decision", Says: "Scan a serial, or several with spaces between, then Enter. Decision and reason stay chosen for the next. Your name and the time are added; a later decision takes the place of an earlier one, and both stay to be seen.",
		Serial:   ui.Input{ID: "serial", Name: "panel", Label: "Scan or type the serial, then Enter", Value: d.Serial},
		Decision: ui.Input{ID: "decision", Name: "decision", Label: "What becomes of it", Radio: true},
		Reason:   ui.Input{ID: "reason", Name: "reason", Label: "Reason", Value: d.Reason, Max: 1000}}
	for _, o := range []struct {
		is, label string
		may       bool
	}{{store.Release, "release", d.MayDecide}, {store.Remeasure, "measure again", d.MayMeasure}, {store.Rework, "rework", d.MayDecide}, {store.Scrap, "scrap", d.MayDecide}} {
		if o.may {
			s.Decision.Options = append(s.Decision.Options, ui.Option{Value: o.is, Label: o.label, Selected: o.is == d.Decision})
		}
	}
	if d.Wrong != "" {
		field := map[string]*ui.Input{"decision": &s.Decision, "reason": &s.Reason}[d.WrongField]
		if field == nil {
			field = &s.Serial
		}
		field.Problem = d.Wrong
		s.Problems = ui.Problems{Head: "No decision was written", Items: []ui.Problem{{Field: field.ID, Name: field.Label, Text: ": " + d.Wrong}}}
	}
	return s
}

// acts are the forms for the whole hold.
func (d *HoldData) acts(v View, at string) (out []page.HoldAct) {
	add := func(a page.HoldAct, field string) {
		a.Action = at + "/" + a.ID
		a.Fields = append(a.Fields, ui.Input{ID: a.ID + "-reason", Name: "reason", Label: "Reason", Max: 1000})
		if wrong := d.ActWrong[a.ID]; wrong != "" {
			for i := range a.Fields {
				switch a.Fields[i].Name {
				case "reason":
					a.Fields[i].Value = d.ActReason
				case "to":
					a.Fields[i].Value = d.ActTo
				}
				if a.Fields[i].Name == field {
					a.Fields[i].Problem = wrong
					a.Problems = ui.Problems{Head: "Nothing was changed", Items: []ui.Problem{{Field: a.Fields[i].ID, Name: a.Fields[i].Label, Text: ": " + wrong}}}
				}
			}
		}
		out = append(out, a)
	}
	field := d.WrongField
	if field == "" {
		field = "reason"
	}
	if d.Progress.Outstanding > 0 {
		add(page.HoldAct{ID: "release", Head: "Release all that wait and satisfy a condition", Label: "Release them", Grave: true,
			Fields: []ui.Input{{ID: "condition", Name: "condition", Label: "Which", Radio: true, Options: []ui.Option{{Value: "remeasured-conforms", Label: "those measured again since they were put on hold that conform", Selected: true}, {Value: "conforms", Label: "those that conform by their latest measurements, whenever taken"}}}},
			Says:   fmt.Sprintf("Of the %s that wait, those that satisfy it are released in your name; the others stay on hold.", ui.Plural(int64(d.Progress.Outstanding), "panel", "panels"))}, field)
	}
	if d.Hold.Open() {
		add(page.HoldAct{ID: "end", Head: "End the range", Label: "End it", Fields: []ui.Input{{ID: "end-to", Name: "to", Label: "Pressed from then on is no longer held", Value: ui.ForField(v.Now), Help: "Plant time. What was pressed before stays on hold until it is decided."}}}, field)
	}
	if d.Hold.Closed.IsZero() && !d.Hold.Open() {
		a := page.HoldAct{ID: "close", Head: "Close the hold", Label: "Close hold " + strconv.FormatInt(d.Hold.ID, 10), Says: "Nothing waits any more. A panel of the range that comes later is held all the same."}
		if d.Progress.Outstanding > 0 {
			a.Grave = true
			a.Label += ", letting " + ui.Plural(int64(d.Progress.Outstanding), "panel", "panels") + " go"
			a.Says = "On these panels nobody has decided: closing lets them go in your name, with this reason on each. What was scrapped or is to be reworked stays so."
		}
		add(a, field)
		if d.Progress.Outstanding == 0 {
			last := &out[len(out)-1]
			last.Fields[len(last.Fields)-1].Optional = true
		}
	}
	return out
}

// log is what was done, latest first: to the hold, and the latest decisions.
func (d *HoldData) log(v View) (out []ui.Entry) {
	i := 0
	decision := func() {
		x := d.Decisions[i]
		did := map[string]string{store.Release: "released", store.Remeasure: "sent to be measured again", store.Rework: "sent to be reworked", store.Scrap: "scrapped", store.Lifted: "let go by closing"}[x.Decision]
		out = append(out, ui.Entry{At: v.Moment(x.At), Text: ui.Sentence{}.Link(x.Panel, PanelHref(d.Hold.Press, x.Panel)).And(" " + did + " by " + x.By + ": " + x.Reason)})
		i++
	}
	for k := len(d.Log) - 1; k >= 0; k-- {
		e := d.Log[k]
		for i < len(d.Decisions) && d.Decisions[i].At.After(e.At) {
			decision()
		}
		text := map[string]string{"made": e.By + " put them on hold", "ended": e.By + " ended the range at " + v.Moment(e.To), "closed": e.By + " closed the hold"}[e.Kind]
		if e.Lifted > 0 {
			text += " and let " + ui.Plural(int64(e.Lifted), "panel", "panels") + " go on which nobody had decided"
		}
		if e.Reason != "" {
			text += ": " + e.Reason
		}
		out = append(out, ui.Entry{At: v.Moment(e.At), Text: ui.Say(text)})
	}
	return out
}

// NewHold is what the form for a new hold shows.
type NewHold struct {
	Press, From, To, Moulds, Lanes, Serials, Reason, Signal string
	Presses                                                 []string
	Wrong                                                   map[string]string // by field
}

// HoldNew makes the form for a new hold.
func HoldNew(frame ui.Frame, d NewHold) page.HoldForm {
	m := page.HoldForm{Frame: frame, Save: "Put on hold", Caution: glass, Statement: ui.Statement{Where: []ui.Run{{Text: "Holds", Href: "/holds"}, {Text: "new"}}, Say: ui.Say("Put panels on hold."),
		Doubts: []ui.Sentence{ui.Say("Panels of the range that are measured later are held too. Nothing is moved by it: somebody has to set the panels apart.")}}}
	press := ui.Input{ID: "press", Name: "press", Label: "Press", Problem: d.Wrong["press"]}
	for _, p := range d.Presses {
		press.Options = append(press.Options, ui.Option{Value: p, Label: p, Selected: p == d.Press})
	}
	if d.Signal != "" {
		m.Kept = []ui.Input{{Name: "signal", Type: "hidden", Value: d.Signal}}
	}
	field := func(name, label, value, help string, optional bool) ui.Input {
		return ui.Input{ID: name, Name: name, Label: label, Value: value, Help: help, Optional: optional, Problem: d.Wrong[name], Max: 200}
	}
	m.Press = press
	m.Time = []ui.Input{field("from", "Pressed from", d.From, "Plant time, such as 2026-03-05 11:36. This moment belongs to it.", true),
		field("to", "Until before", d.To, "Left empty, panels yet to be pressed are held too, until somebody ends it.", true),
		field("moulds", "Moulds", d.Moulds, "Such as 7, or 3, 7. Left empty: all.", true), field("lanes", "Lehr lanes", d.Lanes, "A panel of any of the moulds or lanes named is held.", true)}
	serials := ui.Input{ID: "serials", Name: "serials", Label: "Serials", Value: d.Serials, Help: "One after another, with spaces or on lines of their own; or a range such as A-0147560 to A-0147632. In place of the times.", Area: true, Optional: true, Problem: d.Wrong["serials"]}
	m.Serials = []ui.Input{serials}
	m.Reason = ui.Input{ID: "reason", Name: "reason", Label: "Why", Value: d.Reason, Help: "Whoever sorts the panels reads this.", Max: 1000, Problem: d.Wrong["reason"]}
	var items []ui.Problem
	for _, f := range []ui.Input{press, m.Time[0], m.Time[1], m.Time[2], m.Time[3], serials, m.Reason} {
		if f.Problem != "" {
			items = append(items, ui.Problem{Field: f.ID, Name: f.Label, Text: ": " + f.Problem})
		}
	}
	if len(items) > 0 {
		m.Problems = ui.Problems{Head: "Nothing is on hold yet", Items: items}
	}
	return m
}
