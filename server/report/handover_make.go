package report

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"sagwatch/server/plant"
	"sagwatch/spc"
	"sagwatch/spc/dist"
	"sagwatch/store"
	"sagwatch/web/plot"
	"sagwatch/web/ui"
)

func init() {
	makers[store.HandOverReport] = func(inputs []byte) (*Document, error) {
		var in HandOverInputs
		if err := json.Unmarshal(inputs, &in); err != nil {
			return nil, err
		}
		return in.document()
	}
}

// handOver works a hand-over out.
type handOver struct {
	*HandOverInputs
	zone *time.Location
	d    *Document
}

// document lays the hand-over out: what the next shift must know first, then what the shift made, then what happened.
func (in *HandOverInputs) document() (*Document, error) {
	h := handOver{HandOverInputs: in, zone: in.Location()}
	h.d = &Document{Title: in.Title, Origin: in.Origin(), Zone: h.zone}
	if err := h.counts(); err != nil {
		return nil, err
	}
	h.d.Statement = h.statement()
	h.doubts()
	h.d.Cautions = []string{
		"Sagwatch advises; the plant's quality system, local codes and the person responsible decide. Control limits are not specification limits: a panel inside control limits can still be bad.",
	}
	must := Block{Heading: "What the next shift must know", Caution: "A signal of a chart sends nobody into the press, the plunger or the table: isolate and lock out by the plant's own procedure, authorised people only. Glass is hot well past the lehr, heavy, and its edges cut."}
	list := h.mustKnow()
	if len(list) == 0 {
		must.Text = "Nothing is left open: no signal stands, no gauge asks for its master panel, no panel waits and none is on hold."
	}
	var lines []string
	for i, s := range list {
		lines = append(lines, fmt.Sprintf("%d. %s", i+1, s))
	}
	if len(lines) > 0 {
		must.Text = strings.Join(lines, "\n")
	}
	h.d.Blocks = append([]Block{must}, h.d.Blocks...)
	h.signalTable()
	h.charts()
	h.gaugeTable()
	h.waitingTable()
	h.holdsTable()
	h.happened()
	h.limitsTable()
	h.changesTable()
	h.missing()
	return h.d, nil
}

// moment writes a time as seen from the moment of issue.
func (h *handOver) moment(t time.Time) string { return ui.Moment(t.In(h.zone), h.IssuedAt.In(h.zone)) }

// total sums the counts of a press.
func (p *HandOverPress) total() (c store.Counts) {
	for i := range p.Counts {
		c = plus(c, p.Counts[i].Counts)
	}
	return c
}

// intervalNote says what the interval of a share takes for granted.
const intervalNote = "exact binomial limits, the panels taken as independent of one another; where faults come in runs the interval is too narrow"

// share adds the figure of a share of panels with its interval.
func (h *handOver) share(id, name, of string, x, n int) (string, error) {
	f := Figure{ID: id, Name: name, Of: of, Unit: "%", Value: None, Lower: None, Upper: None, Decimals: 2, Formula: "100 × panels so judged / panels gauged", Inputs: ui.Count(int64(x)) + " of " + ui.Count(int64(n)),
		Source: "verdicts by the decision rule of ISO 14253-1 at the first measurement of each panel; interval: C. J. Clopper and E. S. Pearson, Biometrika 26 (1934), 404-413"}
	if n == 0 {
		f.Missing = "no panel was gauged"
		h.d.Figures = append(h.d.Figures, f)
		return "none", nil
	}
	lower, upper, err := dist.ClopperPearson(x, n, .025)
	if err != nil {
		return "", err
	}
	f.Value, f.Lower, f.Upper, f.Level, f.Method = Number(100*float64(x)/float64(n)), Number(100*lower), Number(100*upper), .95, intervalNote
	h.d.Figures = append(h.d.Figures, f)
	return ui.Percent(float64(x)/float64(n), 2), nil
}

// counts lays out the counts by verdict, per press and per mould.
func (h *handOver) counts() (err error) {
	sheet := Sheet{Name: "By mould", Says: "Panels pressed in the shift by verdict of their first measurement, one row a mould.", Cols: []SheetCol{{Head: "Press"}, {Head: "Mould"}, {Head: "Gauged"}, {Head: "Conforms"}, {Head: "Undecided"}, {Head: "Does not conform"}, {Head: "Not judged"}}}
	gauged := 0
	for i := range h.Presses {
		p := &h.Presses[i]
		sum := p.total()
		gauged += sum.Total()
		of := "press " + p.ID
		h.d.Figures = append(h.d.Figures, Figure{ID: "gauged.press:" + p.ID, Name: "Panels gauged", Of: of, Unit: "1", Value: Number(sum.Total()), Lower: None, Upper: None,
			Formula: "count of panels whose time of pressing lies in the shift, each once", Inputs: "measurements stored when the report was issued", Source: "count"})
		for _, v := range []struct {
			id, name string
			n        int
		}{{"conforms", "Share that conforms", sum.Conforms}, {"undecided", "Share undecided", sum.Undecided}, {"does-not-conform", "Share that does not conform", sum.DoesNotConform}} {
			if _, err := h.share(v.id+".press:"+p.ID, v.name, of, v.n, sum.Total()); err != nil {
				return err
			}
		}
		if sum.Total() == 0 {
			continue
		}
		t := &Table{Caption: "Panels pressed in the shift by the verdict of their first measurement" + h.productsOf(p), Cols: []Col{{Head: "Mould"}, {Head: "Gauged", Right: true}, {Head: "Conforms", Right: true}, {Head: "Undecided", Right: true}, {Head: "Does not conform", Right: true}, {Head: "Share of it", Right: true}, {Head: "Not judged", Right: true}}}
		for k := range p.Counts {
			c := &p.Counts[k]
			name, id := c.Mould, "does-not-conform.press:"+p.ID+".mould:"+c.Mould
			if name == "" {
				name = "not said"
			}
			share := ui.Percent(0, 2)
			if c.DoesNotConform == 0 {
				id = "does-not-conform.press:" + p.ID // told there how a share is worked out
			} else if share, err = h.share(id, "Share that does not conform", of+", mould "+name, c.DoesNotConform, c.Total()); err != nil {
				return err
			}
			t.Rows = append(t.Rows, countRow(name, &c.Counts, share, id, false))
			sheet.Rows = append(sheet.Rows, []any{p.ID, c.Mould, int64(c.Total()), int64(c.Conforms), int64(c.Undecided), int64(c.DoesNotConform), int64(c.NotJudged)})
		}
		t.Rows = append(t.Rows, countRow("all", &sum, ui.Percent(float64(sum.DoesNotConform)/float64(sum.Total()), 2), "does-not-conform.press:"+p.ID, true))
		b := Block{Heading: "Press " + p.ID + ": " + ui.Plural(int64(sum.Total()), "panel", "panels") + " gauged, " + freeWords(&sum, &p.Barred), Table: t}
		if n := p.Before.Total(); n > 0 {
			b.Text = "The shift before: " + ui.Plural(int64(n), "panel", "panels") + " gauged by now, " + badWords(&p.Before) + "."
		}
		h.d.Blocks = append(h.d.Blocks, b)
	}
	h.d.Sheets = append(h.d.Sheets, sheet)
	h.d.Origin.Data = ui.Plural(int64(gauged), "panel", "panels") + " gauged; " + ui.Plural(int64(len(h.Gauges)), "gauge", "gauges")
	return nil
}

func (h *handOver) productsOf(p *HandOverPress) string {
	if len(p.Products) == 0 {
		return ""
	}
	word := "; product "
	if len(p.Products) > 1 {
		word = "; products "
	}
	return word + listed(p.Products)
}

func countRow(name string, c *store.Counts, share, figure string, strong bool) []Cell {
	n := func(k int) Cell { return Cell{Text: ui.Count(int64(k)), Strong: strong} }
	return []Cell{{Text: name, Strong: strong}, n(c.Total()), n(c.Conforms), n(c.Undecided), n(c.DoesNotConform), {Text: share, Figure: figure, Strong: strong}, n(c.NotJudged)}
}

// badWords says how many do not conform: "14 do not conform (0.27 %)", "all conform".
func badWords(c *store.Counts) string {
	n, bad := c.Total(), c.DoesNotConform
	switch {
	case bad == 0 && c.Conforms == n:
		return "all conform"
	case bad == 0:
		return "none proven not to conform"
	case bad == 1:
		return "one does not conform (" + ui.Percent(1/float64(n), 2) + ")"
	}
	return ui.InWords(int64(bad)) + " do not conform (" + ui.Percent(float64(bad)/float64(n), 2) + ")"
}

// listed joins words: "3", "3 and 7", "3, 7 and 9".
func listed(words []string) string {
	if n := len(words); n > 1 {
		return strings.Join(words[:n-1], ", ") + " and " + words[n-1]
	}
	return strings.Join(words, "")
}

// standing lists the signals that people still have to do with: those that go on and those whose points have come back.
func (h *handOver) standing() (on, back []*HandOverSignal) {
	for i := range h.Signals {
		g := &h.Signals[i]
		switch {
		case g.State != store.SignalOpen && g.State != store.SignalAcknowledged:
		case g.Ended:
			back = append(back, g)
		default:
			on = append(on, g)
		}
	}
	// The one that says most first: a mould's before its press's, the radius before what follows from it, then the earliest.
	weight := func(g *HandOverSignal) (w int) {
		if strings.HasPrefix(g.Stream, "press:") {
			w += 2
		}
		if g.Of != spc.RadiusMM.String() {
			w++
		}
		return w
	}
	slices.SortStableFunc(on, func(a, b *HandOverSignal) int {
		if d := weight(a) - weight(b); d != 0 {
			return d
		}
		return a.At.Compare(b.At)
	})
	return on, back
}

// statement is the headline: the one thing that matters most, then what was made.
func (h *handOver) statement() string {
	var parts []string
	on, back := h.standing()
	switch {
	case len(on) > 0:
		s := capital(h.subject(on[0])) + " " + lies(on[0]) + " since " + h.moment(on[0].At)
		if n := len(grouped(on)) - 1; n > 0 {
			s += "; signals of " + ui.Plural(int64(n), "more stream go", "more streams go") + " on"
		}
		parts = append(parts, s+".")
	case len(back) > 0:
		parts = append(parts, capital(ui.Plural(int64(len(back)), "signal is", "signals are"))+" not closed yet; the points have come back.")
	default:
		parts = append(parts, "No signal stands.")
	}
	for i := range h.Gauges {
		if g := &h.Gauges[i]; g.Verdict == spc.DoesNotConform {
			parts = append(parts, "Gauge "+g.ID+" is beyond the allowed error on its master panel.")
		}
	}
	var sum, barred store.Counts
	for i := range h.Presses {
		sum, barred = plus(sum, h.Presses[i].total()), plus(barred, h.Presses[i].Barred)
	}
	if sum.Total() == 0 {
		parts = append(parts, "No panel of this shift has been gauged.")
	} else {
		parts = append(parts, capital(ui.Plural(int64(sum.Total()), "panel", "panels"))+" gauged, "+freeWords(&sum, &barred)+".")
	}
	return strings.Join(parts, " ")
}

// doubts says what this hand-over cannot know.
func (h *handOver) doubts() {
	if h.IssuedAt.Before(h.To) {
		h.d.Doubts = append(h.d.Doubts, "The shift is not over: this is how it stood at "+h.moment(h.IssuedAt)+".")
	}
	var in []string
	for i := range h.Presses {
		p := &h.Presses[i]
		cut := h.IssuedAt.Add(-lehr(p))
		if !cut.Before(h.To) || p.LehrMinutes <= 0 {
			continue
		}
		words := "those pressed after about " + h.moment(cut) + " (the lehr takes " + ui.Plural(int64(p.LehrMinutes+.5), "minute", "minutes") + ")"
		if slices.ContainsFunc(h.Presses, func(o HandOverPress) bool { return o.LehrMinutes != p.LehrMinutes }) {
			words = strings.Replace(words, "pressed", "pressed on "+p.ID, 1)
		}
		if !slices.Contains(in, words) {
			in = append(in, words)
		}
	}
	if len(in) > 0 {
		h.d.Doubts = append(h.d.Doubts, "Panels in the lehr were not measured when this was issued: "+listed(in)+". The next hand-over counts them under “the shift before”.")
	}
	if len(h.Behind) > 0 {
		h.d.Doubts = append(h.d.Doubts, "The charts of press "+listed(h.Behind)+" had not taken in every panel when this was issued: signals of the last panels may be missing.")
	}
	if h.More {
		h.d.Doubts = append(h.d.Doubts, "There are more signals than a hand-over lists; the page Signals has them all.")
	}
}

func lehr(p *HandOverPress) time.Duration { return time.Duration(p.LehrMinutes * float64(time.Minute)) }

// subject is what a signal is about: "mould 7 on press A".
func (h *handOver) subject(g *HandOverSignal) string {
	kind, name, _ := strings.Cut(g.Stream, ":")
	switch {
	case kind == "gauge" || g.Press == "":
		return "gauge " + name
	case kind != "press":
		return kind + " " + name + " on press " + g.Press
	case g.Kind == string(spc.CycleMean):
		return "the mean of the cycles on press " + g.Press
	case g.Kind == string(spc.CycleSpread):
		return "the spread inside the cycles on press " + g.Press
	}
	return "press " + g.Press
}

// lies is what the subject of a signal does.
func lies(g *HandOverSignal) string {
	what := ""
	if g.Of != "" {
		what = " of " + plant.Characteristic(g.Of)
	}
	switch g.Words {
	case "beyond lower limit":
		return "lies below its lower limit" + what
	case "beyond upper limit":
		return "lies above its upper limit" + what
	}
	return "shows " + g.Words + strings.Replace(what, " of ", " in ", 1)
}

func capital(s string) string {
	for _, r := range s {
		return strings.ToUpper(string(r)) + s[len(string(r)):]
	}
	return s
}

// amount writes a value of a characteristic with as many decimals as its standard deviation deserves.
func amount(v Number, of string, sigma Number) string {
	if !v.Has() {
		return ""
	}
	decimals := 2
	if sigma > 0 && sigma.Has() {
		decimals = ui.DoubtDecimals(float64(sigma))
	}
	return ui.WithUnit(ui.Number(float64(v), decimals), plant.CharacteristicUnit(of))
}

// charts draws the means of the cycles with their limits, as vectors.
func (h *handOver) charts() {
	sheet := Sheet{Name: "Cycle means", Says: "Means of the press cycles of the shift in line order, with the limits that hold for each.", Cols: []SheetCol{{Head: "Press"}, {Head: "Product"}, {Head: "Pressed (UTC)"}, {Head: "Last panel"}, {Head: "Mean radius", Unit: "mm"}, {Head: "Panels"}, {Head: "Lower limit", Unit: "mm"}, {Head: "Centre", Unit: "mm"}, {Head: "Upper limit", Unit: "mm"}, {Head: "Limits"}, {Head: "Signal"}, {Head: "Excluded"}}}
	for i := range h.Charts {
		c := &h.Charts[i]
		const decimals = 2
		pane := plot.Pane{Title: "Press " + c.Press + ", product " + c.Product, What: "mean radius of each press cycle, mm", Main: true, Decimals: decimals, Height: 120}
		gap := time.Duration(2.5 * c.RoundS * float64(time.Second))
		signals := 0
		for k := range c.Points {
			p := &c.Points[k]
			q := plot.Point{At: p.At, Value: p.Value, Words: p.Words, Gap: k > 0 && gap > 0 && p.At.Sub(c.Points[k-1].At) > gap}
			switch {
			case p.Signal:
				q.Kind = plot.Signal
				signals++
			case p.Hollow || p.Excluded != "":
				q.Kind, q.Reason = plot.Hollow, p.Excluded
			}
			pane.Points = append(pane.Points, q)
			sheet.Rows = append(sheet.Rows, []any{c.Press, c.Product, p.At, p.Panel, p.Value, int64(p.N), float64(p.Lower), float64(p.Centre), float64(p.Upper), string(p.Source), p.Signal, p.Excluded})
		}
		end := h.To
		if h.IssuedAt.Before(end) {
			end = h.IssuedAt // the rest of a running shift is nothing to draw
		}
		pane.Limits = spans(c.Points, end)
		chart := plot.Chart{ID: fmt.Sprintf("cycles-%d", i+1), Title: "Mean radius of each cycle on press " + c.Press, Width: 720, From: h.From, To: end, Zone: h.zone, Panes: []plot.Pane{pane}}
		for j := range h.Presses {
			if p := &h.Presses[j]; p.ID == c.Press && p.LehrMinutes > 0 {
				if cut := h.IssuedAt.Add(-lehr(p)); cut.Before(end) && cut.After(h.From) {
					chart.LehrFrom = cut
				}
			}
		}
		for _, e := range h.Events {
			if e.Press == c.Press {
				chart.Events = append(chart.Events, plot.Event{At: e.At, Words: eventWords(&e)})
			}
		}
		head := h.cyclesHead(c, signals)
		caption := "By the time of pressing. Solid limits are frozen, dashed ones provisional."
		if c.Dropped > 0 {
			caption += " " + capital(ui.Plural(int64(c.Dropped), "earlier cycle is", "earlier cycles are")) + " not drawn."
		}
		chart.Desc = head
		h.d.Blocks = append(h.d.Blocks, Block{Heading: head, Drawing: &Drawing{Scene: chart.Scene(), Caption: caption}})
	}
	h.d.Sheets = append(h.d.Sheets, sheet)
}

// cyclesHead says what a drawing of cycle means shows, so that it agrees with the signals that the report lists: "kept inside" is said of
// the means only, and only when no point lies beyond and no cycle chart of the press, be it of the spread, signalled in the shift.
func (h *handOver) cyclesHead(c *HandOverCycles, signals int) string {
	beyond, limited, free := 0, 0, 0
	for k := range c.Points {
		switch p := &c.Points[k]; {
		case p.Hollow || p.Excluded != "":
		case p.Source == "":
			free++
		case p.Lower.Has() && p.Value < float64(p.Lower) || p.Upper.Has() && p.Value > float64(p.Upper):
			beyond++
		default:
			limited++
		}
	}
	others := 0
	for i := range h.Signals {
		g := &h.Signals[i]
		cycles := g.Kind == string(spc.CycleMean) || g.Kind == string(spc.CycleSpread)
		if cycles && g.Press == c.Press && (g.Product == "" || g.Product == c.Product) && g.State != store.SignalWithdrawn && g.At.Before(h.To) && !g.LastAt.Before(h.From) {
			others++
		}
	}
	head := "Press " + c.Press + ": "
	switch {
	case signals > 0:
		return head + ui.Plural(int64(signals), "cycle is", "cycles are") + " part of a signal"
	case beyond > 0:
		return head + ui.Plural(int64(beyond), "cycle mean lies", "cycle means lie") + " beyond the limits"
	case others > 0:
		return head + ui.Plural(int64(others), "signal", "signals") + " of the cycles in the shift, none at a mean that is drawn here"
	case limited == 0:
		return head + "the cycles have no limits yet"
	case free > 0 || c.Dropped > 0:
		return head + "the cycle means drawn here kept inside their limits, as far as they had any"
	}
	return head + "the cycle means kept inside their limits"
}

// spans are the stretches with one set of limits; incomplete cycles, whose limits are wider, do not break them.
func spans(points []HandOverPoint, end time.Time) (out []plot.LimitSpan) {
	same := func(a Number, has bool, b float64) bool { return a.Has() == has && (!has || float64(a) == b) }
	for i := range points {
		p := &points[i]
		if p.Source == "" || !p.Complete || p.Hollow {
			continue
		}
		if n := len(out); n > 0 {
			if l := &out[n-1]; same(p.Lower, l.HasLower, l.Lower) && same(p.Upper, l.HasUpper, l.Upper) && same(p.Centre, l.HasCentre, l.Centre) {
				continue
			}
			out[n-1].To = p.At
		}
		l := plot.LimitSpan{From: p.At, To: end, HasLower: p.Lower.Has(), HasCentre: p.Centre.Has(), HasUpper: p.Upper.Has(), Provisional: p.Source != spc.Frozen}
		if l.HasLower {
			l.Lower = float64(p.Lower)
		}
		if l.HasCentre {
			l.Centre = float64(p.Centre)
		}
		if l.HasUpper {
			l.Upper = float64(p.Upper)
		}
		out = append(out, l)
	}
	return out
}

func eventWords(e *spc.Event) string {
	words := strings.ReplaceAll(e.Kind, "-", " ")
	if e.Mould != "" {
		words += ", mould " + e.Mould
	}
	if e.Text != "" {
		words += ": " + e.Text
	}
	return words
}
