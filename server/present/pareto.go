package present

import (
	"cmp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"sagwatch/server/plant"
	"sagwatch/spc"
	"sagwatch/spc/dist"
	"sagwatch/store"
	"sagwatch/web/page"
	"sagwatch/web/plot"
	"sagwatch/web/ui"
)

// ParetoBy is what causes are weighed by.
type ParetoBy string

// What causes can be weighed by.
const (
	BySignals ParetoBy = "signals"
	ByPanels  ParetoBy = "panels" // at risk
	ByHours   ParetoBy = "hours"  // from the signal to its closing
)

// ParetoBys lists them in the order in which they are offered.
var ParetoBys = []ParetoBy{BySignals, ByPanels, ByHours}

// Pareto is causes by their weight, the heaviest first.
type Pareto struct {
	By      ParetoBy
	Rows    []ParetoRow
	Signals int
	Panels  int64 // at risk, of the signals of which they were counted
	Counted int   // signals of which the panels at risk were counted
	Hours   float64
	Total   float64 // by what it is weighed
}

// ParetoRow is one cause.
type ParetoRow struct {
	ID, Name   string   // ID "": a signal that was closed without naming one
	Words      []string // of causes in their own words, each once
	Signals    int
	Panels     int64
	Counted    int
	Hours      float64
	Value      float64 // by what it is weighed
	Share      float64 // of the total; 0 of nothing
	Cumulative float64 // of the total, with all before it
	// Interval of the share of signals, exact (Clopper and Pearson), two-sided 95 %; given whatever the weight is.
	Lower, Upper float64
}

// ParetoLeast is how many signals, or findings, a Pareto needs before its order is spoken of. A convention of ours: with fewer
// than these even the commonest of three equal causes changes from one month to the next.
const ParetoLeast = 20

// ParetoOf adds closings up by cause. Equal ones stand in the order of their names.
func ParetoOf(list []store.Closing, c *plant.Catalogue, by ParetoBy) (Pareto, error) {
	out := Pareto{By: by, Signals: len(list)}
	at := map[string]int{}
	for i := range list {
		x := &list[i]
		id := x.CauseID
		if id == "" && x.Cause != "" {
			id = spc.OtherCause // from before there was a list
		}
		k, ok := at[id]
		if !ok {
			k = len(out.Rows)
			at[id] = k
			out.Rows = append(out.Rows, ParetoRow{ID: id, Name: causeName(c, id, x.Cause)})
		}
		row := &out.Rows[k]
		row.Signals++
		if x.AtRisk != nil {
			row.Panels, row.Counted = row.Panels+*x.AtRisk, row.Counted+1
			out.Panels, out.Counted = out.Panels+*x.AtRisk, out.Counted+1
		}
		hours := max(x.Closed.Sub(x.Opened), 0).Hours()
		row.Hours, out.Hours = row.Hours+hours, out.Hours+hours
		if id == spc.OtherCause && !slices.Contains(row.Words, x.Cause) {
			row.Words = append(row.Words, x.Cause)
		}
	}
	for i := range out.Rows {
		row := &out.Rows[i]
		switch by {
		case ByPanels:
			row.Value = float64(row.Panels)
		case ByHours:
			row.Value = row.Hours
		default:
			row.Value = float64(row.Signals)
		}
		out.Total += row.Value
		var err error
		if row.Lower, row.Upper, err = dist.ClopperPearson(row.Signals, out.Signals, 0.025); err != nil {
			return out, err
		}
	}
	out.order()
	return out, nil
}

// order sorts the heaviest first and adds the shares up.
func (p *Pareto) order() {
	slices.SortStableFunc(p.Rows, func(a, b ParetoRow) int {
		if d := cmp.Compare(b.Value, a.Value); d != 0 {
			return d
		}
		return cmp.Compare(a.Name, b.Name)
	})
	sum := 0.0
	for i := range p.Rows {
		sum += p.Rows[i].Value
		if p.Total > 0 {
			p.Rows[i].Share, p.Rows[i].Cumulative = p.Rows[i].Value/p.Total, min(sum/p.Total, 1)
		}
	}
}

// causeName is what a cause is called now; a name that is on no list any more as it was known then.
func causeName(c *plant.Catalogue, id, then string) string {
	switch id {
	case "":
		return "No cause named"
	case spc.OtherCause:
		return "Other, in words of their own"
	}
	if cause, _ := c.Cause(id); cause != nil {
		return cause.Name
	}
	return then
}

// vital is how many of the heaviest causes make up four fifths of the whole.
func (p *Pareto) vital() int {
	for i, r := range p.Rows {
		if r.Cumulative >= 0.8-1e-12 {
			return i + 1
		}
	}
	return len(p.Rows)
}

// commoner tells whether the first cause had more signals than the second beyond chance: of two equally common ones the first would
// have so many of both together, or more, with a chance below 2.5 % (exact, binomial with one half).
func commoner(first, second int) bool {
	n := first + second
	return n > 0 && dist.BinomialTail(first-1, n, 0.5) < 0.025
}

// drawnAtMost is how many parts a drawing has; what follows is taken together.
const drawnAtMost = 10

// stair turns rows into a drawing.
func (p *Pareto) stair(id, title, desc string, value func(ParetoRow) string) *plot.Shares {
	d := &plot.Shares{ID: id, Title: title, Desc: desc}
	from := 0.0
	for i, r := range p.Rows {
		if r.Value <= 0 {
			break
		}
		if i == drawnAtMost-1 && len(p.Rows) > drawnAtMost {
			rest := ParetoRow{Name: ui.Plural(int64(len(p.Rows)-i), "other", "others"), Share: 1 - from}
			for _, o := range p.Rows[i:] {
				rest.Value += o.Value
			}
			d.Rows = append(d.Rows, plot.ShareRow{Words: rest.Name, Value: value(rest), From: from, To: 1, Rest: true, Title: rest.Name + ": " + value(rest)})
			break
		}
		d.Rows = append(d.Rows, plot.ShareRow{Words: r.Name, Value: value(r), From: from, To: r.Cumulative, Title: r.Name + ": " + value(r) + ", " + ui.Percent(r.Share, 0)})
		from = r.Cumulative
	}
	return d
}

// ParetoData is what the page of causes is made from.
type ParetoData struct {
	Pareto   Pareto
	Defects  []store.DefectCount
	Filters  []ui.Input
	Problems ui.Problems
	Query    string    // of this page, for its files
	From, To time.Time // zero: open
	Where    []string  // "press A", "mould 7"
}

var paretoWeights = map[ParetoBy]string{BySignals: "signals", ByPanels: "panels at risk", ByHours: "hours open"}

// ParetoWeight names what causes are weighed by: "panels at risk".
func ParetoWeight(by ParetoBy) string { return paretoWeights[by] }

// Pareto makes the page that says which causes take most.
func ParetoPage(v View, frame ui.Frame, d ParetoData) page.Pareto {
	p := &d.Pareto
	m := page.Pareto{Frame: frame, Filters: d.Filters, Problems: d.Problems, Files: []ui.Act{{Text: "Causes as a file (CSV)", Href: "/pareto/causes.csv" + d.Query}}}
	st := ui.Statement{Where: []ui.Run{{Text: "Signals", Href: "/signals"}, {Text: "causes"}}}
	for _, w := range d.Where {
		st.Where = append(st.Where, ui.Run{Text: w})
	}
	st.Where = append(st.Where, ui.Run{Text: spanWords(v, d.From, d.To)})
	m.Table = p.table()
	m.Head = "Causes of closed signals, by " + ParetoWeight(p.By)
	amount := func(r ParetoRow) string {
		if p.By == ByHours {
			return ui.Number(r.Value, 1) + ui.NoBreak + "h"
		}
		return ui.Count(int64(r.Value))
	}
	switch {
	case p.Signals == 0:
		st.Say = ui.Say("No signal was closed in this time: there is nothing to rank.")
	case p.Total <= 0:
		st.Say = ui.Say(Capital(ui.Plural(int64(p.Signals), "signal was", "signals were")) + " closed, and by " + ParetoWeight(p.By) + " there is nothing to rank.")
	case p.Signals < ParetoLeast:
		st.Say = ui.Say("Not enough yet: " + ui.Plural(int64(p.Signals), "signal", "signals") + " closed, and an order of causes means little before " + strconv.Itoa(ParetoLeast) + ".")
	default:
		n := p.vital()
		lead := p.Rows[0]
		switch {
		case n == 1:
			st.Say = ui.Say("One cause makes " + ui.Percent(p.Rows[0].Cumulative, 0) + " of the " + ParetoWeight(p.By) + ": " + lower(lead.Name) + ".")
		default:
			st.Say = ui.Say(Capital(ui.InWords(int64(n))) + " of " + ui.Plural(int64(len(p.Rows)), "cause", "causes") + " make " + ui.Percent(p.Rows[n-1].Cumulative, 0) + " of the " + ParetoWeight(p.By) + "; first comes " + lower(lead.Name) + ".")
		}
	}
	if p.Signals > 0 && p.Total > 0 {
		m.Drawing = p.stair("causes", m.Head, st.Say.String(), amount)
		lead := p.Rows[0]
		if len(p.Rows) == 1 {
			st.Doubts = append(st.Doubts, ui.Say("All have the same cause: "+lower(lead.Name)+". From so many it can be said that its share is at least "+ui.Percent(lead.Lower, 0)+" (95 %)."))
		} else if p.By == BySignals {
			doubt := "The first has " + ui.Percent(lead.Share, 0) + " of the signals (95 %: " + ui.Percent(lead.Lower, 0) + " to " + ui.Percent(lead.Upper, 0) + ")"
			if !commoner(lead.Signals, p.Rows[1].Signals) {
				doubt += "; whether it or " + lower(p.Rows[1].Name) + " is the commoner is too close to say"
			}
			st.Doubts = append(st.Doubts, ui.Say(doubt+"."))
		} else {
			st.Doubts = append(st.Doubts, ui.Say("A single long or wide fault can make a cause the first: look at the number of signals beside it."))
		}
	}
	if p.By == ByPanels && p.Counted < p.Signals {
		st.Doubts = append(st.Doubts, ui.Say("Of "+ui.Plural(int64(p.Signals-p.Counted), "signal", "signals")+" the panels at risk were not counted when it was closed; they weigh nothing here."))
	}
	m.Statement = st
	m.Note = "The share is of signals; together is by " + ParetoWeight(p.By) + ". Counted are signals that stand closed, by the time pressed of their first panel, with the cause named at the last closing. Hours run from the signal's becoming known to its closing. Panels at risk as counted at the closing; a panel at risk of two signals counts twice. Shares with their interval by Clopper and Pearson (Biometrika 26, 1934), exact."
	m.Defects = defects(d)
	if len(m.Defects) > 0 {
		m.Files = append(m.Files, ui.Act{Text: "Defects as a file (CSV)", Href: "/pareto/defects.csv" + d.Query})
	} else {
		m.NoDefects = "No counts of visual defects came in this time, so there is nothing to rank. They come with the measurements of a gauge of kind dimensions."
	}
	return m
}

// lower begins a name inside a sentence; one that begins with an abbreviation or a number stays.
func lower(s string) string {
	r := []rune(s)
	if len(r) < 2 || !unicode.IsLower(r[1]) && r[1] != ' ' {
		return s
	}
	return string(unicode.ToLower(r[0])) + string(r[1:])
}

func spanWords(v View, from, to time.Time) string {
	switch {
	case from.IsZero() && to.IsZero():
		return "all that is kept"
	case from.IsZero():
		return "before " + v.Moment(to)
	case to.IsZero():
		return "since " + v.Moment(from)
	}
	return v.Moment(from) + " to " + v.Moment(to)
}

func (p *Pareto) table() ui.Table {
	t := ui.Table{Label: "Causes of closed signals", Fold: true, Wrap: true, Empty: "No signal was closed.",
		Cols: []ui.Col{{Head: "Cause"}, {Head: "Signals", Right: true}, {Head: "Share, 95 %", Right: true}, {Head: "At risk", Right: true}, {Head: "Hours", Right: true}, {Head: "Together", Right: true}}}
	for _, r := range p.Rows {
		name := ui.Cell{Text: r.Name}
		if len(r.Words) > 0 {
			shown := r.Words[:min(len(r.Words), 5)]
			name.Note = strings.Join(shown, "; ")
			if n := len(r.Words) - len(shown); n > 0 {
				name.Note += "; and " + ui.Plural(int64(n), "other", "others")
			}
		}
		panels := "not counted"
		if r.Counted > 0 {
			panels = ui.Count(r.Panels)
			if r.Counted < r.Signals {
				panels += " (" + strconv.Itoa(r.Counted) + map[bool]string{true: " signal)", false: " signals)"}[r.Counted == 1]
			}
		}
		together := "none"
		if p.Total > 0 {
			together = ui.Percent(r.Cumulative, 0)
		}
		t.Rows = append(t.Rows, ui.Row{Cells: []ui.Cell{name, ui.Text(ui.Count(int64(r.Signals))),
			ui.Text(ui.Percent(float64(r.Signals)/float64(p.Signals), 0) + " (" + ui.Number(100*r.Lower, 0) + " to " + ui.Number(100*r.Upper, 0) + ")"),
			ui.Text(panels), ui.Text(ui.Number(r.Hours, 1)), ui.Text(together)}})
	}
	return t
}
