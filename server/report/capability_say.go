package report

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"sagwatch/spc/capability"
	"sagwatch/spc/fit"
	"sagwatch/web/ui"
)

// FigureAnchor is the place on a page where a figure is explained.
func FigureAnchor(id string) string {
	return "figure-" + strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' || r == '_' {
			return r
		}
		return '-'
	}, id)
}

// why is a figure in a sentence, which leads to its formula, inputs and source.
func why(f *Figure, text string) ui.Run {
	return ui.Run{Text: text, Href: "#" + FigureAnchor(f.ID), Why: true}
}

// noneOf writes how many of a number: "none", "one", "14".
func noneOf(n int) string {
	if n == 0 {
		return "none"
	}
	return ui.InWords(int64(n))
}

// Kept is the wanted index as it was given, with two decimals at least.
func (c *Capability) Kept() string {
	return ui.Number(c.Asked.Wanted, max(2, decimalsOf(c.Asked.Wanted)))
}

// Span is the period in words, or the lot.
func (c *Capability) Span() string {
	zone := c.Location()
	if c.Asked.Lot() {
		return c.Asked.lotWords()
	}
	return spanWords(c.From.In(zone), c.To.In(zone))
}

// Said is the headline: the situation in one sentence, with its numbers and their doubt.
func (c *Capability) Said() ui.Sentence {
	if c.Panels == 0 {
		return ui.Say(fmt.Sprintf("No panel of %s from press %s was measured in this period: there is nothing to say about it.", c.Product, c.Press))
	}
	if len(c.Worked) == 0 || c.Worked[0].Refused != "" {
		why := ""
		if len(c.Worked) > 0 {
			why = ": " + c.Worked[0].Refused
		}
		return ui.Say("These data support no index" + why + ".")
	}
	o := c.Worked[0]
	l := o.All()
	if !l.Ppk.Value.Has() {
		return ui.Say("These data support no index of the " + o.Words + ": " + l.Missing + ".")
	}
	figure := ui.Sentence{why(l.Ppk, "Ppk "+l.Ppk.Show()), {Text: " of the " + o.Words}}
	if c.LeftOut > 0 {
		figure = append(figure, ui.Run{Text: " with every " + c.Each})
	}
	if d := l.Ppk.Doubt(); d != "" {
		figure = append(figure, ui.Run{Text: fmt.Sprintf(" (95%s%%: %s)", ui.NoBreak, d)})
	}
	// The headline speaks of the least index, but of the worst that is known of any characteristic.
	worst := c.worst()
	in := func(states ...standing) string { // of which of the characteristics that is said
		var words []string
		for _, x := range c.Worked {
			if slices.Contains(states, x.standing()) {
				words = append(words, x.Words)
			}
		}
		if len(words) == len(c.Worked) {
			return ""
		}
		return " in the " + listWords(words)
	}
	if o.Lines[0].N < fewValues && worst <= tooFew {
		return append(ui.Sentence{{Text: fmt.Sprintf("%s are too few to judge press %s: ", capital(ui.Plural(int64(l.N), "panel", "panels")), c.Press)}}, append(figure, ui.Run{Text: "."})...)
	}
	performance := ""
	switch {
	case c.any(notStable):
		performance = fmt.Sprintf("Performance only, for press %s was not stable%s: ", c.Press, in(notStable))
	case c.any(notShown) || c.any(tooFew):
		performance = fmt.Sprintf("Performance only, for press %s was not shown to be stable%s: ", c.Press, in(notShown, tooFew))
	case c.any(signalOpen):
		performance = fmt.Sprintf("Performance only, for a signal of press %s is still open%s: ", c.Press, in(signalOpen))
	}
	if performance != "" {
		return append(append(ui.Sentence{{Text: performance}}, figure...), ui.Run{Text: ". It describes the period and predicts nothing."})
	}
	unsure := ""
	if worst != supported {
		unsure = ", unsupported as yet"
	}
	head := fmt.Sprintf("Press %s cannot prove the wanted %s%s: ", c.Press, c.Kept(), unsure)
	switch l.Verdict {
	case "pass":
		head = fmt.Sprintf("Press %s meets the wanted %s%s: ", c.Press, c.Kept(), unsure)
	case "fail":
		head = fmt.Sprintf("Press %s misses the wanted %s%s: ", c.Press, c.Kept(), unsure)
	}
	tail := "."
	if unproven, missed := o.weak(); l.Verdict == "pass" && len(missed) > 0 && len(missed) <= 3 {
		tail = fmt.Sprintf(". %s %s it.", mouldsWords(missed), plural(len(missed), "misses", "miss"))
	} else if l.Verdict == "pass" && len(unproven) > 0 && len(unproven) <= 3 {
		tail = fmt.Sprintf(". %s cannot prove it.", mouldsWords(unproven))
	}
	if worst != supported {
		tail += " " + capital(worst.doubtWords()) + in(worst) + "."
	}
	return append(append(ui.Sentence{{Text: head}}, figure...), ui.Run{Text: tail})
}

// any is true where a characteristic stands so.
func (c *Capability) any(s standing) bool {
	return slices.ContainsFunc(c.Worked, func(o *CapabilityOf) bool { return o.standing() == s })
}

func plural(n int, one, many string) string {
	if n == 1 {
		return one
	}
	return many
}

func mouldsWords(names []string) string {
	return plural(len(names), "Mould ", "Moulds ") + listWords(names)
}

// SaidDoubts are what is doubtful about the headline and what it means.
func (c *Capability) SaidDoubts() []ui.Sentence {
	var out []ui.Sentence
	if c.Panels == 0 {
		say := "Choose another period, press or product, or fewer restrictions on moulds. The pages Panels and Line show what was measured and when."
		if !c.Asked.Lot() && c.From.After(c.IssuedAt) {
			say = "The period lies in the future. Choose one that has begun."
		}
		return []ui.Sentence{ui.Say(say)}
	}
	if len(c.Worked) == 0 || c.Worked[0].Refused != "" || !c.Worked[0].All().Ppk.Value.Has() {
		return nil
	}
	o := c.Worked[0]
	l := o.All()
	if k := o.Counted(); k != nil && k.Ppk.Value.Has() {
		s := ui.Sentence{{Text: fmt.Sprintf("Without the %s left out Ppk would be ", ui.Plural(int64(c.LeftOut), "panel", "panels"))}, why(k.Ppk, k.Ppk.Show())}
		if d := k.Ppk.Doubt(); d != "" {
			s = append(s, ui.Run{Text: " (" + d + ")"})
		}
		out = append(out, append(s, ui.Run{Text: ". They were shipped, so they count in Ppk and in the panels per million; they are left out of Cp and Cpk only."}))
	}
	about := "About "
	if l.Outside.Value < leastRate || l.Outside.Value >= 10_000 {
		about = ""
	}
	rate := ui.Sentence{{Text: about}, why(l.Outside, capitalIf(about == "", rateWords(l.Outside))), {Text: " lie " + o.beyondWords()}}
	if d := l.Outside.Doubt(); d != "" && l.Outside.Value >= 1 {
		rate = append(rate, ui.Run{Text: " (" + d + ")"})
	}
	rate = append(rate, ui.Run{Text: fmt.Sprintf(" by the %s; %s of %s measured did.", FamilyWords(o.Family), noneOf(l.Beyond), ui.Count(int64(l.N)))})
	if o.Family == Empirical && l.Observed != nil && l.Observed.Upper.Has() {
		// The values themselves say nothing of what is rarer than they are many.
		rate = ui.Sentence{{Text: fmt.Sprintf("%s of %s measured lay %s: that leaves room for up to ", capital(noneOf(l.Beyond)), ui.Count(int64(l.N)), o.beyondWords())},
			why(l.Observed, ui.Count(int64(math.Ceil(float64(l.Observed.Upper))))+" panels in a million"), {Text: fmt.Sprintf(" (95%s%%).", ui.NoBreak)}}
	}
	if v := o.Levelled(); v != nil && v.Ppk.Value.Has() && float64(v.Ppk.Value) > float64(l.Ppk.Value)*1.01 {
		rate = append(rate, ui.Run{Text: " Levelling the moulds would bring Ppk to "}, why(v.Ppk, v.Ppk.Show()), ui.Run{Text: " and the rate to " + rateWords(v.Outside) + "."})
	}
	out = append(out, append(rate, ui.Run{Text: " " + capital(c.Method(o)) + "."}))
	for _, a := range o.Against {
		out = append(out, ui.Say(a))
	}
	for _, rest := range c.Worked[1:] {
		switch {
		case rest.Refused != "":
			out = append(out, ui.Say(fmt.Sprintf("No index of the %s: %s.", rest.Words, rest.Refused)))
		case rest.All().Ppk.Value.Has():
			p := rest.All().Ppk
			s := ui.Sentence{{Text: capital(rest.Words) + ": "}, why(p, "Ppk "+p.Show())}
			if d := p.Doubt(); d != "" {
				s = append(s, ui.Run{Text: " (" + d + ")"})
			}
			state := "."
			if s := rest.standing(); s != supported {
				state = ": " + s.doubtWords() + "."
			}
			out = append(out, append(s, ui.Run{Text: state}))
		}
	}
	if s := c.supports(); s != "" {
		out = append(out, ui.Say(s))
	}
	if c.Behind {
		out = append(out, ui.Say("The charts had not taken in all panels of the period when this was worked out: signals may be missing."))
	}
	for _, n := range c.Notes {
		out = append(out, ui.Say(n))
	}
	return out
}

func capitalIf(yes bool, s string) string {
	if yes {
		return capital(s)
	}
	return s
}

// rateWords is a rate of panels in a sentence: "88 panels in a million".
func rateWords(f *Figure) string {
	v := float64(f.Value)
	switch {
	case v < leastRate:
		return "less than one panel in a billion"
	case v < 1:
		return ui.Number(v*1000, 0) + " panels in a billion"
	case v >= 10_000:
		return ui.Percent(v/1e6, 1) + " of the panels"
	}
	return f.Show() + " panels in a million"
}

func (o *CapabilityOf) beyondWords() string {
	if o.Spec.HasLower && !o.Spec.Bound && o.Spec.HasUpper {
		return "outside " + o.SpecWords()
	}
	if o.Spec.HasUpper {
		return "beyond " + ui.WithUnit(trim(o.Spec.Upper), o.Unit)
	}
	return "below " + ui.WithUnit(trim(o.Spec.Lower), o.Unit)
}

// Method says how the intervals come about.
func (c *Capability) Method(o *CapabilityOf) string {
	switch {
	case o.Blocked:
		return fmt.Sprintf("intervals are 95%s%%, by resampling whole %ss, because panels of one %s resemble each other", ui.NoBreak, c.Each, c.Each)
	case o.By == capability.ByMoments:
		return fmt.Sprintf("intervals are 95%s%%, by the formulas for independent values", ui.NoBreak)
	}
	return fmt.Sprintf("intervals are 95%s%%, by resampling panels", ui.NoBreak)
}

// StableHead is the heading over the evidence of stability.
func (c *Capability) StableHead(o *CapabilityOf) string {
	n, left := len(o.Means), 0
	for _, m := range o.Means {
		if m.LeftOut {
			left++
		}
	}
	switch {
	case o.Grade.Stable && left > 0:
		return fmt.Sprintf("First, was it stable? Yes, for %d of %d %ss", n-left, n, c.Each)
	case o.Grade.Stable:
		return "First, was it stable? Yes, as far as its charts show"
	case o.Evidence.Limits:
		return "First, was it stable? No"
	}
	return "First, was it stable? Nothing shows it"
}

// StableText is the evidence in words.
func (c *Capability) StableText(o *CapabilityOf) string {
	e := &o.CapabilityInput.Evidence
	var out []string
	if len(e.Charts) > 0 {
		s := fmt.Sprintf("%s of its control charts in the period", capital(ui.Plural(int64(len(e.Signals)), "signal", "signals")))
		if k := len(e.Signals) - o.Unexplained; k > 0 {
			s += fmt.Sprintf(", %s of them in what was left out", ui.InWords(int64(k)))
		}
		if e.More {
			s += " at least"
		}
		s += o.signalPoints()
		out = append(out, s+fmt.Sprintf("; chance alone would make about %s among %s charted points.", ui.Number(e.Expect, 1), ui.Count(int64(e.Points))))
	} else {
		out = append(out, "No control chart of it had limits in the period.")
	}
	if o.Limits != nil {
		out = append(out, fmt.Sprintf("%s of the %d means of %ss lies beyond the limits that the means themselves give, %s to %s.", capital(ui.InWords(int64(o.Beyond))), len(o.Means), c.Each, o.show(o.Limits.Lower), o.show(o.Limits.Upper)))
	}
	if e.Lag1.Has() {
		s := fmt.Sprintf("Neighbouring cycles correlate by %s", ui.Signed(float64(e.Lag1), 2))
		if math.Abs(float64(e.Lag1)) > e.Band {
			s += ", more than chance explains"
		} else {
			s += ", no more than chance explains"
		}
		out = append(out, s+fmt.Sprintf(" (%s%s for %s cycles).", ui.PlusMinus, ui.Number(e.Band, 2), ui.Count(int64(e.LagN))))
	}
	if o.F > 0 {
		s := fmt.Sprintf("%ss of one mould do not differ more than its panels (p %s).", capital(c.Each), probability(o.P))
		if o.P < 0.01 {
			s = fmt.Sprintf("%ss of one mould differ (p %s)", capital(c.Each), probability(o.P))
			if o.Evidence.BlockShare > 0 {
				s += fmt.Sprintf("; %s of the variance lies between them", ui.Percent(o.Evidence.BlockShare, 0))
			}
			s += "."
		}
		out = append(out, s)
	}
	return strings.Join(out, " ")
}

func probability(p float64) string {
	if p < 0.0001 {
		return "below 0.0001"
	}
	return ui.Number(p, 4)
}

// ModelHead is the heading over the distribution.
func (o *CapabilityOf) ModelHead() string {
	switch {
	case o.Family == Empirical:
		return capital(o.Words) + ": by its own percentiles, without a model"
	case o.Kind != fit.Measured && o.Usual:
		return capital(o.Words) + " is not normal, and is not treated so"
	case o.Usual:
		return capital(o.Words) + ": taken as normal"
	}
	return capital(o.Words) + ": taken as a " + FamilyWords(o.Family)
}

// ModelText says which model was taken and why.
func (o *CapabilityOf) ModelText() string {
	s := ""
	if p := o.parameters(); p != "" {
		s = "The curve is the fitted " + FamilyWords(o.Family) + ", " + p + ". "
	}
	if o.Usual {
		s += "It is the usual model of this characteristic: " + o.Why + "."
	} else {
		s += "It was chosen instead of the usual model: " + strings.TrimSuffix(o.Why, ".") + "."
	}
	if o.HasOwn && o.By != capability.ByPercentiles {
		s += " By the values' own percentiles Ppk is " + ui.Number(o.Own.CK, 2) + "."
	}
	for _, t := range o.Tests {
		s += fmt.Sprintf(" %s: %s (%s).", t.Name, t.Show(), t.Inputs)
	}
	if len(o.Tests) > 0 && o.Lines[0].N > 1000 {
		s += " Of so many values a test finds departures that do not matter; the outermost percentiles decide."
	}
	return s
}

// MouldsHead is the heading over the moulds.
func (o *CapabilityOf) MouldsHead() string {
	lines := o.MouldLines()
	if len(lines) < 2 {
		return "Ppk and its interval"
	}
	worst := lines[0]
	for _, l := range lines {
		if l.Ppk.Value.Has() && (!worst.Ppk.Value.Has() || l.Ppk.Value < worst.Ppk.Value) {
			worst = l
		}
	}
	all := o.All()
	if worst.Ppk.Upper.Has() && all.Ppk.Lower.Has() && worst.Ppk.Upper < all.Ppk.Lower {
		return worst.Words + " holds the press back"
	}
	return "By mould: " + strings.ToLower(worst.Words[:1]) + worst.Words[1:] + " has the least Ppk, " + worst.Ppk.Show()
}

// Rests lists what the report rests on.
func (c *Capability) Rests() []Fact {
	zone := c.Location()
	out := []Fact{{"Panels", fmt.Sprintf("%s of %s in %s", ui.Count(int64(c.Panels)), ui.Plural(int64(c.moulds()), "mould", "moulds"), ui.Plural(int64(len(c.Blocks)), c.Each, c.Each+"s"))}}
	if c.Asked.Lot() {
		out = append(out, c.lotFact())
	}
	for i := range c.Gauges {
		g := &c.Gauges[i]
		s := ui.Count(int64(g.Panels)) + " panels; no master check in the period"
		if g.Masters > 0 {
			s = fmt.Sprintf("%s panels; %s", ui.Count(int64(g.Panels)), ui.Plural(int64(g.Masters), "master check", "master checks"))
			if g.Outside > 0 {
				s += fmt.Sprintf(", %s of them beyond what is allowed", ui.InWords(int64(g.Outside)))
			} else {
				s += ", none beyond what is allowed"
			}
			if g.Worst.Has() {
				s += ", largest error " + ui.WithUnit(ui.Number(float64(g.Worst), 1), "um")
			}
		}
		if g.Resolution > 0 {
			s += ", reads to " + ui.WithUnit(trim(g.Resolution), g.Unit)
		}
		out = append(append(out, Fact{"Gauge " + g.ID, s}), c.shareFacts(g)...)
	}
	if c.LeftOut == 0 {
		out = append(out, Fact{"Left out", "nothing"})
	}
	for _, e := range c.Asked.Exclude {
		out = append(out, Fact{"Left out", fmt.Sprintf("from Cp and Cpk: %s to %s, %s. Counted in Ppk and ppm", ui.ForField(e.From.In(zone)), ui.ForField(e.To.In(zone)), strings.TrimSuffix(e.Reason, "."))})
	}
	if c.LeftOut > 0 && len(c.Asked.Exclude) == 0 {
		out = append(out, Fact{"Left out", fmt.Sprintf("from Cp and Cpk: %s that were taken out of the charts", ui.Plural(int64(c.LeftOut), "panel", "panels"))})
	}
	for _, o := range c.Worked {
		if len(o.CapabilityInput.Evidence.Charts) == 0 {
			continue
		}
		var from time.Time
		revision, by := 0, ""
		for _, x := range o.CapabilityInput.Evidence.Charts {
			if x.From.After(from) {
				from = x.From
			}
			if x.Revision > revision {
				revision, by = x.Revision, x.By
			}
		}
		s := fmt.Sprintf("%s of the %s; latest limits since %s", ui.Plural(int64(len(o.CapabilityInput.Evidence.Charts)), "chart", "charts"), o.Words, ui.ForField(from.In(zone)))
		if revision > 0 {
			s += fmt.Sprintf(", revision %d by %s", revision, by)
		} else {
			s += ", provisional"
		}
		out = append(out, Fact{"Control limits", s})
	}
	if len(c.Products) > 0 {
		out = append(out, Fact{"Other products", "the press also made " + listWords(c.Products) + " in the period; they are not in this report"})
	}
	var methods []string
	by := map[string][]string{}
	for _, o := range c.Worked {
		if o.Refused != "" {
			continue
		}
		m := c.Method(o)
		if by[m] == nil {
			methods = append(methods, m)
		}
		by[m] = append(by[m], o.Words)
	}
	for _, m := range methods {
		out = append(out, Fact{"Intervals", fmt.Sprintf("of the %s: %s", listWords(by[m]), m)})
	}
	return append(out, Fact{"Definitions", strings.Join(c.Definitions, ", ")}, Fact{"Wanted", "an index of at least " + c.Kept()})
}

func (c *Capability) moulds() int {
	seen := map[int]bool{}
	for i := range c.Of {
		for _, cell := range append(c.Of[i].Grid.Cells, c.Of[i].LeftOut.Cells...) {
			seen[cell.Stream] = true
		}
	}
	return len(seen)
}
