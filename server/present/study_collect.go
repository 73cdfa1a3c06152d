package present

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"sagwatch/server/report"
	"sagwatch/store"
	"sagwatch/web/page"
	"sagwatch/web/ui"
)

// StudyData is what the page of a study that is being collected is made of.
type StudyData struct {
	Study            store.Study
	Readings         []store.StudyReading
	Inputs           *report.StudyInputs
	Not              []NotTaken
	Scanned          string // a serial that was scanned to ask whether it is the right panel
	MayTake, MayPlan bool
	Problems         []Wrong // of what was keyed in
	Typed            map[string]string
	AbandonProblem   ui.Problems
	AbandonReason    string
}

// NotTaken is a measurement of the gauge that a study did not take.
type NotTaken struct {
	At    time.Time
	Panel string
	Why   string // NotInStudy, NotInRound, or what the measurement lacks: "has no radius"
}

// Why a panel is not the one that is wanted.
const (
	NotInStudy = "is not in this study"
	NotInRound = "is not to be measured in this round, or has been already"
)

// do is what is to be done instead.
func (n NotTaken) do(wanted string) string {
	if n.Why == NotInStudy || n.Why == NotInRound {
		return "Panel " + n.Panel + " " + n.Why + ". Take " + wanted + "."
	}
	return "The measurement of " + n.Panel + " " + n.Why + ". Measure it again."
}

// NextLine is the first line of the sheet without a reading; nil when all are in.
func NextLine(s *store.Study, readings []store.StudyReading) *store.StudyLine {
	taken := map[int]bool{}
	for _, r := range readings {
		if r.WithdrawnAt.IsZero() {
			taken[r.Line] = true
		}
	}
	for i := range s.Plan.Lines {
		if !taken[s.Plan.Lines[i].Line] {
			return &s.Plan.Lines[i]
		}
	}
	return nil
}

// studyReading is a reading in words.
func studyReading(s *store.Study, r *store.StudyReading) string {
	if r.Category != nil && *r.Category < len(s.Plan.Categories) {
		return s.Plan.Categories[*r.Category]
	}
	var out []string
	for _, c := range s.Plan.Characteristics {
		if v, ok := r.Characteristics[c.Name]; ok {
			out = append(out, ui.WithUnit(ui.Number(v, studyDecimals(c)), c.Unit))
		}
	}
	if len(out) == 0 && len(r.Deviations) > 0 {
		return fmt.Sprintf("a map of %d places", len(r.Deviations))
	}
	return strings.Join(out, ", ")
}

// studyDecimals are those of a value while it is collected: micrometres to a tenth, others to a tenth of that in mm.
func studyDecimals(c store.StudyCharacteristic) int {
	switch {
	case c.Resolution > 0:
		return min(max(int(math.Ceil(-math.Log10(c.Resolution))), 0), 6)
	case c.Unit == "um":
		return 1
	}
	return 3
}

// StudyCollect makes the page that guides whoever takes the readings.
func StudyCollect(v View, f ui.Frame, d *StudyData) page.StudyCollect {
	s := &d.Study
	p := &s.Plan
	m := page.StudyCollect{Frame: f, Statement: fmt.Sprintf("Study %d, next", s.ID), Mend: studyMend(d, report.AnalyseStudy(d.Inputs)),
		Taken:  ui.Table{Label: "Taken last", Empty: "None yet.", Cols: []ui.Col{{Head: "Panel", Whole: true}, {Head: "Appraiser", Drop: true}, {Head: "Reading", Right: true}, {Head: "At"}}},
		Coming: ui.Table{Label: "After this one", Empty: "This is the last.", Cols: []ui.Col{{Head: "Panel", Whole: true}, {Head: "Appraiser"}, {Head: "Round", Right: true}}},
		Acts:   []ui.Act{{Text: "Order sheet for paper", Href: StudyHref(s.ID) + "/sheet"}, {Text: "All studies", Href: "/studies"}}}
	next := NextLine(s, d.Readings)
	done := fmt.Sprintf("%d of %d", s.Taken, len(p.Lines))
	if next == nil {
		m.Slab = ui.Verdict{Kind: ui.Good, Word: "All in", Order: "Nothing is left to measure."}
		return m
	}
	m.Slab = studySlab(v, d, next)
	m.Bar = []ui.Fact{{Name: "Taken", Value: ui.Text(done)}, {Name: "Study", Value: ui.Text(s.Title)}, {Name: "Line", Value: ui.Text(strconv.Itoa(next.Line))}}
	if d.MayTake {
		m.Scan = &page.StudyScan{Action: StudyHref(s.ID), Label: "Scan a panel before you measure it", Help: "It is told at once whether it is the right one."}
	}
	var last *store.StudyReading
	for i := len(d.Readings) - 1; i >= 0 && len(m.Taken.Rows) < 5; i-- {
		r := &d.Readings[i]
		if !r.WithdrawnAt.IsZero() {
			continue
		}
		if last == nil {
			last = r
		}
		l := p.Lines[r.Line-1]
		m.Taken.Rows = append(m.Taken.Rows, ui.Row{Cells: ui.Texts(p.Parts[l.Part-1].Panel, p.Appraisers[l.Appraiser-1], studyReading(s, r), ui.Moment(r.MeasuredAt.In(v.Zone), v.Now))})
	}
	for _, l := range p.Lines[next.Line:] {
		if len(m.Coming.Rows) == 4 {
			break
		}
		m.Coming.Rows = append(m.Coming.Rows, ui.Row{Cells: ui.Texts(p.Parts[l.Part-1].Panel, p.Appraisers[l.Appraiser-1], strconv.Itoa(l.Trial))})
	}
	if d.MayTake {
		m.Key = studyKey(d, next)
		if m.Key != nil && d.Scanned == p.Parts[next.Part-1].Panel {
			m.Key.Ready, m.Scan = true, nil // what is scanned next is a value
		}
		if last != nil {
			l := p.Lines[last.Line-1]
			m.Undo = &page.StudyAct{Head: "Was the last one wrong?", Action: StudyHref(s.ID) + "/undo", Label: "Undo the last: " + p.Parts[l.Part-1].Panel,
				Fields: []ui.Input{{Type: "hidden", Name: "reading", Value: strconv.FormatInt(last.Seq, 10)}}, Says: "It stays to be seen, counts nowhere, and its line comes up again."}
		}
	}
	if d.MayPlan {
		m.Abandon = abandon(s, d.AbandonReason, d.AbandonProblem)
	}
	return m
}

// studySlab is the next reading in very large words: which panel, by whom, in which round; or what is wrong with the panel that was
// scanned or measured.
func studySlab(v View, d *StudyData, next *store.StudyLine) ui.Verdict {
	s, p := &d.Study, &d.Study.Plan
	wanted, who := p.Parts[next.Part-1].Panel, p.Appraisers[next.Appraiser-1]
	slab := ui.Verdict{Kind: ui.None, Word: wanted, Order: who + ": measure this panel", Because: fmt.Sprintf("Round %d of %d.", next.Trial, p.Trials)}
	switch {
	case s.Kind == store.HalfTurnStudy && next.Turned:
		slab.Order, slab.Because = "Turn it by half a turn, then measure it", ""
	case s.Kind == store.HalfTurnStudy:
		slab.Order, slab.Because = "Measure it as it lies", ""
	case s.Kind == store.SingleMasterStudy:
		slab.Order, slab.Because = "Take the master out, put it in again, measure it", fmt.Sprintf("Reading %d of %d.", next.Trial, p.Trials)
	case s.Kind == store.AttributeStudy:
		slab.Order = who + ": judge this panel"
	case len(p.Appraisers) == 1:
		slab.Order = "Measure this panel"
	}
	slab.Because = strings.TrimSpace(slab.Because + fmt.Sprintf(" %d of %d are in.", s.Taken, len(p.Lines)))
	wrong := func(word, order string) ui.Verdict {
		return ui.Verdict{Kind: ui.Bad, Word: word, Order: order, Because: slab.Because}
	}
	if d.Scanned != "" {
		switch taken, later := whenWanted(s, d.Readings, next, d.Scanned); {
		case d.Scanned == wanted:
			slab.Kind = ui.Good
		case !p.Has(d.Scanned):
			return wrong("Wrong panel", Capital(NotTaken{Panel: d.Scanned, Why: NotInStudy}.do(wanted)))
		case later:
			return wrong("Not yet", "Panel "+d.Scanned+" comes later. Take "+wanted+".")
		case taken:
			return wrong("Wrong panel", "Panel "+d.Scanned+" was read in this round. Take "+wanted+".")
		default:
			return wrong("Wrong panel", "Panel "+d.Scanned+" is not this appraiser's. Take "+wanted+".")
		}
		return slab
	}
	if n := len(d.Not); n > 0 {
		last := d.Not[n-1]
		word := "Wrong panel"
		if last.Why != NotInStudy && last.Why != NotInRound {
			word = "Once more"
		}
		out := wrong(word, last.do(wanted))
		out.Because = "What was measured at " + ui.Clock(last.At.In(v.Zone)) + " is stored and was not taken into the study. " + out.Because
		return out
	}
	return slab
}

// whenWanted tells whether a panel has its reading in the present round, and whether it comes later.
func whenWanted(s *store.Study, readings []store.StudyReading, next *store.StudyLine, panel string) (taken, later bool) {
	in := map[int]bool{}
	for _, r := range readings {
		in[r.Line] = in[r.Line] || r.WithdrawnAt.IsZero()
	}
	for _, l := range s.Plan.Lines {
		if s.Plan.Parts[l.Part-1].Panel != panel {
			continue
		}
		same := l.Appraiser == next.Appraiser && l.Trial == next.Trial
		taken = taken || same && in[l.Line]
		later = later || same && !in[l.Line]
	}
	return taken, later
}

func abandon(s *store.Study, reason string, problems ui.Problems) *page.StudyAct {
	in := ui.Input{ID: "abandon-reason", Name: "reason", Label: "Why it is given up", Value: reason, Area: true, Max: 500}
	if len(problems.Items) > 0 {
		in.Problem = "Say why."
	}
	return &page.StudyAct{Head: "Give the study up", Action: StudyHref(s.ID) + "/abandon", Label: "Abandon the study", Grave: true, Fields: []ui.Input{in}, Problems: problems,
		Says: "Plan and readings stay to be seen; nothing more is taken and nothing can be adopted."}
}

// studyKey is the form for the next reading by hand.
func studyKey(d *StudyData, next *store.StudyLine) *page.StudyKey {
	s := &d.Study
	p := &s.Plan
	facts := KeyInFacts{Wrong: d.Problems}
	k := &page.StudyKey{Head: "Or key in the reading of " + p.Parts[next.Part-1].Panel, Action: StudyHref(s.ID) + "/reading", Line: strconv.Itoa(next.Line), Problems: facts.Problems(), Save: "Store the reading",
		Says: "What the gauge sends for the purpose study, for this panel, is taken by itself."}
	switch s.Kind {
	case store.HalfTurnStudy:
		return nil // a map comes from the gauge
	case store.AttributeStudy:
		k.Head, k.Says, k.Save = "How is "+p.Parts[next.Part-1].Panel+" judged?", "", "Store the judgement"
		in := ui.Input{ID: "category", Name: "category", Label: "Judgement", Radio: true, Problem: facts.problem("category")}
		for i, c := range p.Categories {
			in.Options = append(in.Options, ui.Option{Value: strconv.Itoa(i), Label: c})
		}
		k.Fields = []ui.Input{in}
	default:
		for _, c := range p.Characteristics {
			k.Fields = append(k.Fields, ui.Input{ID: "v-" + c.Name, Name: "v." + c.Name, Label: Capital(Characteristic(c.Name)), Unit: ui.UnitName(c.Unit), Number: true, Value: d.Typed[c.Name], Problem: facts.problem("v-" + c.Name)})
		}
	}
	return k
}
