package present

import (
	"encoding/json"
	"strconv"
	"strings"

	"sagwatch/server/plant"
	"sagwatch/spc"
	"sagwatch/store"
	"sagwatch/web/page"
	"sagwatch/web/ui"
)

// PlanDecide stands under every reaction plan.
const PlanDecide = "A plan is a reminder, no permission. The plant's own procedures, local codes and licensed or authorised people decide who does what at the press, the lehr and the gauge; with glass that is hot, heavy or cracked, safety comes before the chart."

// PlanData is what the part of a signal's page about its reaction plans is made from.
type PlanData struct {
	Signal    store.Signal
	Plans     []store.Plan
	Suggested []plant.Suggestion
	May       bool // the reader may begin plans and tick steps
}

func (d *PlanData) underWay() bool {
	return d.Signal.State == store.SignalOpen || d.Signal.State == store.SignalAcknowledged
}

// PlanBox makes the part of a signal's page on which a plan is picked and worked through.
func PlanBox(v View, d PlanData) *page.PlanBox {
	b := &page.PlanBox{Head: "What the plant's plan says", Caution: Caution, Decide: PlanDecide, None: "No plan was begun."}
	may := d.May && d.underWay()
	if len(d.Plans) == 0 && d.underWay() {
		b.None = "No plan has been begun yet."
	}
	for i := range d.Plans {
		b.Plans = append(b.Plans, begunPlan(v, &d.Plans[i], may))
	}
	if !may {
		return b
	}
	if len(d.Plans) > 0 {
		b.Steps = SignalHref(d.Signal.ID) + "/steps"
		b.Note = ui.Input{ID: "plan-note", Name: "note", Label: "Note to the step that you tick", Help: "What was seen, with its figure. Goes with the button that you press.", Optional: true, Max: 2000}
		b.Says = "Your name and the time are added. Taking a step back is an entry of its own; nothing is deleted."
	}
	b.Pick, b.PickSays = pick(d)
	if len(b.Pick.Options) > 0 {
		b.Begin = SignalHref(d.Signal.ID) + "/plans"
	}
	return b
}

// pick offers the plans that were not begun yet, those that fit the finding first and marked so.
func pick(d PlanData) (ui.Input, string) {
	in := ui.Input{ID: "plan-cause", Name: "cause", Label: "Plan for the cause"}
	if len(d.Plans) > 0 {
		in.Label = "Another plan"
	}
	var fits []string
	for _, s := range d.Suggested {
		begun := false
		for _, p := range d.Plans {
			begun = begun || p.Cause == s.Cause.ID
		}
		if begun {
			continue
		}
		label := s.Cause.Name
		if len(s.Agrees) > 0 {
			label += " (fits by " + list(s.Agrees) + ")"
			if len(fits) < 3 {
				fits = append(fits, lower(s.Cause.Name))
			}
		}
		in.Options = append(in.Options, ui.Option{Value: s.Cause.ID, Label: label, Selected: len(in.Options) == 0})
	}
	if len(fits) == 0 {
		return in, "What is known of this signal speaks for none of them before the others."
	}
	return in, "What is known of this signal fits first " + list(fits) + ". A fit is no proof."
}

func begunPlan(v View, p *store.Plan, may bool) page.BegunPlan {
	out := page.BegunPlan{Name: p.Name, Begun: "begun " + v.Moment(p.At) + " by " + p.By + ", " + revisionOfPlan(p.Revision) + ", kept as it was then"}
	done := p.Done()
	out.State = strconv.Itoa(done) + " of " + ui.Plural(int64(len(p.Steps)), "step", "steps") + " done"
	if done == len(p.Steps) {
		out.State = "All " + ui.Plural(int64(done), "step is", "steps are") + " done"
		if done == 1 {
			out.State = "Its one step is done"
		}
	}
	back := false
	for i, text := range p.Steps {
		n := strconv.Itoa(i + 1)
		s := page.PlanStep{ID: "step-" + anchorOf(p.Cause) + "-" + n, Text: text}
		e, touched := p.Standing(i + 1)
		s.Done = touched && e.Done
		if touched {
			s.Who = v.Moment(e.At) + ", " + e.By
			if !e.Done {
				s.Who = "taken back " + s.Who
			}
			if e.Note != "" {
				s.Who += ": " + e.Note
			}
		}
		if may {
			s.Button, s.Value = "Done: step "+n, p.Cause+" "+n+" done"
			if s.Done {
				s.Button, s.Value = "Take back step "+n, p.Cause+" "+n+" back"
			}
		}
		out.Steps = append(out.Steps, s)
	}
	for _, e := range p.Log {
		back = back || !e.Done
	}
	if back { // else each entry stands at its step
		for i := len(p.Log) - 1; i >= 0; i-- {
			e := p.Log[i]
			text := "step " + strconv.Itoa(e.Step) + " done, by " + e.By
			if !e.Done {
				text = "step " + strconv.Itoa(e.Step) + " taken back, by " + e.By
			}
			if e.Note != "" {
				text += ": " + e.Note
			}
			out.Log = append(out.Log, ui.Entry{At: v.Moment(e.At), Text: ui.Say(text)})
		}
	}
	return out
}

func revisionOfPlan(n int) string {
	if n == 0 {
		return "as it comes with Sagwatch"
	}
	return "revision " + strconv.Itoa(n)
}

// StepValue reads what the button of a step sends: the cause, the step, and whether it is done.
func StepValue(value string) (cause string, step int, done, ok bool) {
	f := strings.Fields(value)
	if len(f) != 3 || f[2] != "done" && f[2] != "back" {
		return "", 0, false, false
	}
	n, err := strconv.Atoi(f[1])
	return f[0], n, f[2] == "done", err == nil
}

// CloseChoices are the fields with which a signal is closed: its cause and what was done, from the plant's lists. Those whose plan
// was begun stand first, then those that fit; chosen keeps what was sent.
func CloseChoices(c *plant.Catalogue, suggested []plant.Suggestion, plans []store.Plan, cause, action string) []ui.Input {
	causes := ui.Input{ID: "cause", Name: "cause", Label: "Cause", Options: []ui.Option{{Value: "", Label: "Not known yet", Selected: cause == ""}}}
	var begun, rest []ui.Option
	for _, s := range suggested {
		o := ui.Option{Value: s.Cause.ID, Label: s.Cause.Name, Selected: cause == s.Cause.ID}
		first := false
		for _, p := range plans {
			first = first || p.Cause == s.Cause.ID
		}
		if first {
			begun = append(begun, o)
		} else {
			rest = append(rest, o)
		}
	}
	causes.Options = append(append(causes.Options, begun...), rest...)
	causes.Help = "For closing. From the plant's list; the note says the rest."
	actions := ui.Input{ID: "action", Name: "action", Label: "Action", Help: "For closing: what was done.", Options: []ui.Option{{Value: "", Label: "Nothing yet", Selected: action == ""}}}
	for _, a := range c.Actions() {
		if !a.Retired {
			actions.Options = append(actions.Options, ui.Option{Value: a.ID, Label: a.Name, Selected: action == a.ID})
		}
	}
	return []ui.Input{causes, actions}
}

// CauseHref and ActionHref are the pages of one entry of the lists.
func CauseHref(id string) string  { return "/setup/causes/" + id }
func ActionHref(id string) string { return "/setup/actions/" + id }

// CausesData is what the page of the lists is made from.
type CausesData struct {
	Catalogue *plant.Catalogue
	May       bool
	Used      map[string]int // signals that stand closed with a cause, by its id
}

// Causes makes the page of the lists.
func Causes(v View, frame ui.Frame, d CausesData) page.Causes {
	m := page.Causes{Frame: frame, How: "Signals are closed with a cause and an action from these lists. Each change is a revision with its reason; what was used stays readable, so entries are retired and never deleted. The set-up file takes them too, under causes and actions.",
		CausesSay:  "What a cause fits decides when its plan is suggested. The wording that comes with Sagwatch is common practice in the trade, without a source: put it into your own.",
		ActionsSay: "What was done about it."}
	state := func(retired, own bool) ui.Cell {
		switch {
		case retired:
			return ui.Cell{State: ui.Is(ui.None, "retired")}
		case own:
			return ui.Text("in use")
		}
		return ui.Text("as it comes with Sagwatch")
	}
	m.Causes = ui.Table{Label: "Causes", Fold: true, Wrap: true, Cols: []ui.Col{{Head: "Cause"}, {Head: "Looks like"}, {Head: "Fits"}, {Head: "Steps", Right: true}, {Head: "Signals closed with it", Right: true}, {Head: "State"}}}
	in, out := 0, 0
	for _, c := range d.Catalogue.Causes() {
		if c.Retired {
			out++
		} else {
			in++
		}
		m.Causes.Rows = append(m.Causes.Rows, ui.Row{Cells: []ui.Cell{{Text: c.Name, Href: CauseHref(c.ID)}, ui.Text(c.LooksLike), ui.Text(FitWords(c.Fits)), ui.Text(strconv.Itoa(len(c.Plan))), ui.Text(strconv.Itoa(d.Used[c.ID])), state(c.Retired, d.Catalogue.Own(plant.KindCause, c.ID))}})
	}
	m.Actions = ui.Table{Label: "Actions", Fold: true, Wrap: true, Cols: []ui.Col{{Head: "Action"}, {Head: "State"}}}
	actions := 0
	for _, a := range d.Catalogue.Actions() {
		if !a.Retired {
			actions++
		}
		m.Actions.Rows = append(m.Actions.Rows, ui.Row{Cells: []ui.Cell{{Text: a.Name, Href: ActionHref(a.ID)}, state(a.Retired, d.Catalogue.Own(plant.KindAction, a.ID))}})
	}
	if d.May {
		m.NewCause, m.NewAction = "/setup/new-cause", "/setup/new-action"
	} else {
		m.MayNot = "An engineer changes the lists."
	}
	say := Capital(ui.Plural(int64(in), "cause", "causes")) + " and " + ui.Plural(int64(actions), "action", "actions") + " are in use"
	if out > 0 {
		say += "; " + ui.Plural(int64(out), "cause is", "causes are") + " retired"
	}
	m.Statement = ui.Statement{Where: []ui.Run{{Text: "Set-up", Href: "/setup"}, {Text: "causes, plans and actions"}}, Say: ui.Say(say + "."),
		Acts: []ui.Act{{Text: "Which causes take most", Href: "/pareto"}}}
	return m
}

var extentWords = map[string]string{"one-stream": "one mould", "several-streams": "some moulds", "one-lane": "one lane", "all-streams": "all moulds", "one-probe": "one probe", "whole-gauge": "the whole gauge"}

// ExtentWords is an extent in words: "one mould".
func ExtentWords(extent string) string { return extentWords[extent] }

// FitWords says which findings a cause would explain.
func FitWords(f spc.Fits) string {
	var parts []string
	if f.Kind != "" {
		parts = append(parts, f.Kind)
	}
	or := func(words []string) {
		if len(words) > 0 {
			parts = append(parts, strings.ReplaceAll(list(words), " and ", " or "))
		}
	}
	var extents []string
	for _, e := range f.Extents {
		extents = append(extents, ExtentWords(e))
	}
	or(extents)
	or(f.Changes)
	var names []string
	for _, c := range f.Characteristics {
		names = append(names, Characteristic(c))
	}
	or(names)
	if len(parts) == 0 {
		return "anything"
	}
	return strings.Join(parts, "; ")
}

// CauseTyped is a cause, or an action, as it was typed.
type CauseTyped struct {
	ID, Name, LooksLike     string
	Kind                    string
	Extents, Changes, Names string // lists with commas
	Plan                    string // a step a line
	Retired                 bool
	Reason                  string
}

// TypedCause is a cause as a form shows it.
func TypedCause(c *spc.Cause) CauseTyped {
	return CauseTyped{ID: c.ID, Name: c.Name, LooksLike: c.LooksLike, Kind: c.Fits.Kind, Extents: strings.Join(c.Fits.Extents, ", "), Changes: strings.Join(c.Fits.Changes, ", "),
		Names: strings.Join(c.Fits.Characteristics, ", "), Plan: strings.Join(c.Plan, "\n"), Retired: c.Retired}
}

// CauseFormData is what the page of one cause or action is made from.
type CauseFormData struct {
	Kind      string // plant.KindCause or KindAction
	New       bool
	Typed     CauseTyped
	Cause     *spc.Cause // as it is now; nil for a new one and for actions
	Name      string     // as it is now
	Revisions []plant.Revision
	May       bool
	Problems  ui.Problems
	Wrong     map[string]string // by field
}

// CauseForm makes the page on which a cause with its plan, or an action, is read and revised.
func CauseForm(v View, frame ui.Frame, d CauseFormData) page.CauseForm {
	m := page.CauseForm{Frame: frame, Problems: d.Problems}
	st := ui.Statement{Where: []ui.Run{{Text: "Set-up", Href: "/setup"}, {Text: "causes, plans and actions", Href: "/setup/causes"}}, Say: ui.Say(d.Name + ".")}
	ofCause := d.Kind == plant.KindCause
	switch {
	case d.New && ofCause:
		st.Say = ui.Say("A new cause, with its plan.")
	case d.New:
		st.Say = ui.Say("A new action.")
	case ofCause && d.Cause != nil:
		st.Doubts = append(st.Doubts, ui.Say(d.Cause.LooksLike))
		m.Steps = d.Cause.Plan
		m.Facts = []ui.Fact{{Name: "Fits", Value: ui.Text(FitWords(d.Cause.Fits))}}
	}
	m.Facts = append(m.Facts, ui.Fact{Name: "Id", Value: ui.Text(d.Typed.ID)})
	if d.New {
		m.Facts = nil
	} else if len(d.Revisions) == 0 {
		m.Facts = append(m.Facts, ui.Fact{Name: "Revision", Value: ui.Text("as it comes with Sagwatch")})
	}
	if ofCause {
		caution := Caution
		m.Caution, m.Decide = &caution, PlanDecide
		st.Doubts = append(st.Doubts, ui.Say("A plan that was begun on a signal keeps the steps that it began with."))
	}
	for i := len(d.Revisions) - 1; i >= 0; i-- {
		r := d.Revisions[i]
		m.Before = append(m.Before, ui.Entry{At: v.Moment(r.At), Text: ui.Say("revision " + strconv.Itoa(r.Number) + ", " + r.By + ": " + r.Reason + " (" + causeSummary(r) + ")")})
	}
	m.Statement = st
	if !d.May {
		return m
	}
	t := d.Typed
	path, what := CauseHref(t.ID), "Save the cause and its plan"
	if !ofCause {
		path, what = ActionHref(t.ID), "Save the action"
	}
	if d.New {
		path = map[bool]string{true: "/setup/new-cause", false: "/setup/new-action"}[ofCause]
	}
	m.Action, m.Submit = path, what
	add := func(in ui.Input) {
		in.Name, in.Problem = in.ID, d.Wrong[in.ID]
		m.Fields = append(m.Fields, in)
	}
	if d.New {
		add(ui.Input{ID: "id", Label: "Id", Help: "Short, for machines and the set-up file; it never changes. Letters, digits, hyphens.", Value: t.ID, Max: 64})
	}
	add(ui.Input{ID: "name", Label: "Name", Value: t.Name, Max: 120})
	if ofCause {
		add(ui.Input{ID: "looks_like", Label: "Looks like", Help: "On the readings, in a sentence.", Value: t.LooksLike, Optional: true, Area: true, Max: 500})
		add(ui.Input{ID: "plan", Label: "Plan", Help: "One step a line, in the order in which they are done; at most 30. Where a step sends somebody to the press, the lehr or the glass, say what protects them.", Value: t.Plan, Area: true, Max: 16000})
		kinds := ui.Input{ID: "kind", Label: "Fits glass or gauge", Options: []ui.Option{{Value: "", Label: "either", Selected: t.Kind == ""}, {Value: "glass", Label: "glass", Selected: t.Kind == "glass"}, {Value: "gauge", Label: "gauge", Selected: t.Kind == "gauge"}}}
		add(kinds)
		add(ui.Input{ID: "extents", Label: "Fits extents", Help: "With commas: " + strings.Join(spc.SignalExtents, ", ") + ".", Value: t.Extents, Optional: true, Max: 200})
		add(ui.Input{ID: "changes", Label: "Fits changes", Help: "With commas: " + strings.Join(spc.SignalChanges, ", ") + ".", Value: t.Changes, Optional: true, Max: 100})
		add(ui.Input{ID: "characteristics", Label: "Fits characteristics", Help: "With commas, as in the set-up file: radius_mm, twist_um.", Value: t.Names, Optional: true, Max: 500})
	}
	if !d.New {
		add(ui.Input{ID: "retired", Label: "State", Help: "A retired one is offered no more; signals closed with it keep it.", Options: []ui.Option{{Value: "", Label: "in use", Selected: !t.Retired}, {Value: "true", Label: "retired", Selected: t.Retired}}})
	}
	m.Reason = ui.Input{ID: "reason", Name: "reason", Label: "Reason", Help: "Why it changes; kept with the revision.", Value: t.Reason, Problem: d.Wrong["reason"], Max: 500}
	return m
}

// causeSummary is a revision of a cause or an action in a few words.
func causeSummary(r plant.Revision) string {
	var c spc.Cause
	if json.Unmarshal(r.Body, &c) != nil {
		return "" // the catalogue has read it already, so this can't be
	}
	out := c.Name
	if r.Kind == plant.KindCause {
		out += ", " + ui.Plural(int64(len(c.Plan)), "step", "steps")
	}
	if c.Retired {
		out += ", retired"
	}
	return out
}
