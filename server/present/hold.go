package present

import (
	"strconv"
	"strings"

	"sagwatch/spc"
	"sagwatch/store"
	"sagwatch/web/ui"
)

// VerdictHeld is the state that a panel is shown in: its verdict, unless holds keep it from being good. Wherever a verdict on a panel is
// shown it comes through here, so that a panel on hold is nowhere shown as good; holds are those that bar it.
func VerdictHeld(v spc.Verdict, holds []store.PanelHold) ui.State {
	if len(holds) == 0 {
		return Verdict(v)
	}
	switch disposition(holds) {
	case store.Scrap:
		return ui.Is(ui.Bad, "scrapped")
	case store.Rework:
		return ui.Is(ui.Held, "to be reworked")
	}
	switch v {
	case spc.DoesNotConform:
		return ui.Is(ui.Bad, "does not conform, on hold")
	case spc.Undecided:
		return ui.Is(ui.Unsure, "undecided, on hold")
	case spc.NotJudged:
		return ui.Is(ui.Held, "not judged, on hold")
	}
	return ui.Is(ui.Held, "on hold")
}

// disposition is the gravest of what was decided under the holds that bar a panel: scrap, rework, remeasure, or "" for nothing yet.
func disposition(holds []store.PanelHold) string {
	found := map[string]bool{}
	for _, h := range holds {
		if h.Decision != nil {
			found[h.Decision.Decision] = true
		}
	}
	for _, d := range []string{store.Scrap, store.Rework, store.Remeasure} {
		if found[d] {
			return d
		}
	}
	return ""
}

// heldWords says in a sentence why a panel is not good: "It is on hold 4 since 13:40: mould 7 presses tight."
func heldWords(v View, h *store.PanelHold) string {
	name := "hold " + strconv.FormatInt(h.Hold.ID, 10)
	why := ": " + strings.TrimRight(h.Hold.Reason, ". ") + "."
	if h.Decision != nil {
		did := " by " + h.Decision.By + " at " + v.Moment(h.Decision.At)
		switch h.Decision.Decision {
		case store.Scrap:
			return "It was scrapped" + did + " under " + name + why
		case store.Rework:
			return "It is to be reworked, decided" + did + " under " + name + why
		case store.Remeasure:
			if !h.Measured.IsZero() {
				return "It was measured again at " + v.Moment(h.Measured) + " and stays on " + name + " until somebody decides" + why
			}
			return "It is to be measured again, decided" + did + ", and stays on " + name + why
		}
	}
	return "It is on " + name + " since " + v.Moment(h.Hold.At) + ", by " + h.Hold.By + why
}

// HoldHref is the page of a hold.
func HoldHref(id int64) string { return "/holds/" + strconv.FormatInt(id, 10) }

// HoldWhich says in words which panels a hold takes in.
func HoldWhich(v View, p *store.HoldPredicate) string {
	switch {
	case len(p.Serials) == 1:
		return "Panel " + p.Serials[0] + " of press " + p.Press
	case len(p.Serials) > 1:
		return Capital(ui.InWords(int64(len(p.Serials)))) + " panels of press " + p.Press + " by their serials"
	case p.First != "":
		return "Panels " + p.First + " to " + p.Last + " of press " + p.Press
	}
	of := "All panels of press " + p.Press
	var parts []string
	for _, one := range []struct {
		one, many string
		list      []string
	}{{"mould ", "moulds ", p.Moulds}, {"lehr lane ", "lehr lanes ", p.Lanes}, {"gauge ", "gauges ", p.Gauges}} {
		switch len(one.list) {
		case 0:
		case 1:
			parts = append(parts, one.one+one.list[0])
		default:
			parts = append(parts, one.many+list(one.list))
		}
	}
	if len(parts) > 0 {
		of = "Press " + p.Press + ", panels of " + strings.Join(parts, " or of ")
	}
	if p.To.IsZero() {
		return of + ", pressed since " + v.Moment(p.From) + ", and those yet to be pressed"
	}
	return of + ", pressed from " + v.Moment(p.From) + " until before " + v.Moment(p.To)
}

// held finds the holds that bar the panel of a measurement at the gauge.
func (f *GaugePageFacts) held(r *store.Row) []store.PanelHold {
	if r.Purpose == spc.MasterCheck || r.Press == "" {
		return nil
	}
	return f.Held[store.PanelID{Press: r.Press, Panel: r.Panel}]
}

// heldSlab turns the verdict at the gauge into what holds of a panel that may not be passed on.
func heldSlab(f GaugePageFacts, v *ui.Verdict) {
	holds := f.held(f.Shown)
	if len(holds) == 0 {
		return
	}
	h := &holds[0]
	said := v.Word + ": " + v.Because
	if v.Because == "" {
		said = v.Word + "."
	}
	if v.Kind == ui.Good {
		said = "Measured inside its limits."
	}
	n := strconv.FormatInt(h.Hold.ID, 10)
	v.Because = "Hold " + n + ", by " + h.Hold.By + ": " + strings.TrimRight(h.Hold.Reason, ". ") + ". " + said
	again := v.Kind == ui.Unsure && len(wiped(f.Shown)) > 0
	if v.Kind != ui.Bad {
		v.Kind = ui.Held
	}
	switch disposition(holds) {
	case store.Scrap:
		v.Kind, v.Word, v.Order = ui.Bad, "Scrapped", "Do not pass the panel on: it was scrapped."
	case store.Rework:
		v.Word, v.Order = "On hold", "Set the panel aside: it is to be reworked."
	default:
		v.Word = "On hold"
		switch {
		case again:
			v.Order += " Then set it aside: it is on hold."
		case h.Decision != nil && h.Measured.IsZero():
			v.Order = "Measure the panel again, then set it aside."
		default:
			v.Order = "Set the panel aside. Do not pass it on."
		}
	}
}

// sayHeld turns the statement on a panel's page into what holds of a panel on hold.
func (d *PanelData) sayHeld(v View, st *ui.Statement, name string) {
	if bars := d.bars(); len(bars) > 0 {
		verdict := st.Say
		switch disposition(bars) {
		case store.Scrap:
			st.Say = ui.Say(name + " is scrapped.")
		case store.Rework:
			st.Say = ui.Say(name + " is on hold, to be reworked.")
		default:
			st.Say = ui.Say(name + " is on hold.")
		}
		switch d.Verdict {
		case spc.Conforms:
			st.Doubts = append(st.Doubts, ui.Say("Its measurements lie inside their limits; it is not good until somebody releases it."))
		case spc.NotJudged:
		default:
			st.Doubts = append(st.Doubts, verdict)
		}
	}
	for i := range d.Holds {
		h := &d.Holds[i]
		switch {
		case h.Bars():
			st.Doubts = append(st.Doubts, ui.Say(heldWords(v, h)+" ").Link("See hold "+strconv.FormatInt(h.Hold.ID, 10)+".", HoldHref(h.Hold.ID)))
		case h.Decision.Decision == store.Release:
			st.Doubts = append(st.Doubts, ui.Say("It was on ").Link("hold "+strconv.FormatInt(h.Hold.ID, 10), HoldHref(h.Hold.ID)).And(" and was released by "+h.Decision.By+" at "+v.Moment(h.Decision.At)+": "+strings.TrimRight(h.Decision.Reason, ". ")+"."))
		default:
			st.Doubts = append(st.Doubts, ui.Say("It was on ").Link("hold "+strconv.FormatInt(h.Hold.ID, 10), HoldHref(h.Hold.ID)).And(", which "+h.Decision.By+" closed at "+v.Moment(h.Decision.At)+" without a decision on it: "+strings.TrimRight(h.Decision.Reason, ". ")+"."))
		}
	}
}

// bars are the holds that keep the panel from being good.
func (d *PanelData) bars() (out []store.PanelHold) {
	for _, h := range d.Holds {
		if h.Bars() {
			out = append(out, h)
		}
	}
	return out
}

// foundThen says in the log what a measurement found.
func (d *PanelData) foundThen(r *store.Row) string {
	if r.Result.Verdict == spc.Conforms && len(d.bars()) > 0 {
		return "inside its limits"
	}
	return Verdict(r.Result.Verdict).Word
}
