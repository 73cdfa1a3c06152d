package report

import (
	"errors"
	"fmt"
	"math"

	"sagwatch/spc/gaugestudy"
	"sagwatch/spc/refusal"
	"sagwatch/web/plot"
	"sagwatch/web/ui"
)

func (b *studyBook) attributes() error {
	plan := &b.in.Study.Plan
	y := make([][][]int, len(plan.Appraisers))
	for a := range y {
		y[a] = make([][]int, len(plan.Parts))
		for p := range y[a] {
			y[a][p] = make([]int, plan.Trials)
		}
	}
	for _, r := range b.in.standing() {
		if r.Category == nil {
			return refusal.Shapes("line %d has no judgement", r.Line)
		}
		y[r.Appraiser-1][r.Part-1][r.Trial-1] = *r.Category
	}
	var truth []int
	for _, p := range plan.Parts {
		if p.Truth == nil {
			truth = nil
			break
		}
		truth = append(truth, *p.Truth)
	}
	s, err := gaugestudy.Attributes(y, truth, len(plan.Categories), studyLevel)
	if err != nil {
		return err
	}
	all := s.Between
	words := "all judgements agree"
	if s.AllTruth != nil {
		all, words = *s.AllTruth, "all judgements agree and are right"
	}
	b.r.Statement = fmt.Sprintf("On %d of %d panels %s (95 %%: %s to %s %% of such panels).", all.Agreed, all.Of, words, ui.Number(all.Interval.Lower, 0), ui.Number(all.Interval.Upper, 0))
	if truth == nil {
		b.r.Doubts = append(b.r.Doubts, "What is right was not given for every panel: agreement is not correctness.")
	}
	b.warn("", s.Warnings)
	exact := "exact (Clopper and Pearson)"
	shares := func(id, name, of string, v gaugestudy.Share) Cell {
		f := point(id, name, of, "%", v.Percent, 1).within(v.Interval, exact)
		f.Formula, f.Inputs, f.Source = "100 · panels / all panels", fmt.Sprintf("%d of %d panels", v.Agreed, v.Of), "C. J. Clopper, E. S. Pearson, Biometrika 26 (1934), 404-413"
		c := b.figure(f)
		c.Text = fmt.Sprintf("%d of %d", v.Agreed, v.Of)
		return c
	}
	kappa := func(id, of string, k gaugestudy.Kappa, source, method string) []Cell {
		f := point(id, "Kappa", of, "1", k.Kappa, 2).within(k.Interval, method)
		f.Formula, f.Inputs, f.Source = "(observed − chance) / (1 − chance)", fmt.Sprintf("observed %s, by chance %s", ui.Number(k.Observed, 4), ui.Number(k.Chance, 4)), source
		return []Cell{b.figure(f), f.interval()}
	}
	t := &Table{Caption: "Each appraiser", Cols: []Col{{Head: "Appraiser"}, {Head: "Alike every time", Right: true}, {Head: "Alike and right", Right: true}, {Head: "Kappa against what is right", Right: true}, {Head: "95 % interval", Right: true}}}
	cohen := "J. Cohen, Educational and Psychological Measurement 20 (1960), 37-46"
	for i, a := range s.Appraisers {
		row := []Cell{{Text: plan.Appraisers[i]}, shares(fmt.Sprintf("within.%d", i+1), "Alike every time", plan.Appraisers[i], a.Within), {}, {}, {}}
		if a.Truth != nil {
			row[2] = shares(fmt.Sprintf("right.%d", i+1), "Alike every time and right", plan.Appraisers[i], *a.Truth)
		}
		if a.Kappa != nil {
			copy(row[3:], kappa(fmt.Sprintf("kappa.%d", i+1), plan.Appraisers[i], *a.Kappa, cohen, "large samples"))
		}
		t.Rows = append(t.Rows, row)
	}
	b.r.Parts = append(b.r.Parts, StudyPart{Heading: "Does each judge alike every time, and rightly?", Table: t})
	b.wrongCalls(&s, shares)
	between := &Table{Caption: "All together", Cols: []Col{{Head: "Figure"}, {Head: "Value", Right: true}, {Head: "95 % interval", Right: true}}}
	cell := shares("between", "All judgements alike", "all", s.Between)
	between.Rows = append(between.Rows, []Cell{{Text: "All judgements alike"}, cell, {Text: ui.Number(s.Between.Interval.Lower, 1) + " to " + ui.Number(s.Between.Interval.Upper, 1) + " %"}})
	if s.AllTruth != nil {
		cell = shares("all_right", "All alike and right", "all", *s.AllTruth)
		between.Rows = append(between.Rows, []Cell{{Text: "All alike and right"}, cell, {Text: ui.Number(s.AllTruth.Interval.Lower, 1) + " to " + ui.Number(s.AllTruth.Interval.Upper, 1) + " %"}})
	}
	if s.Fleiss != nil {
		source, jackknife := "J. L. Fleiss, Psychological Bulletin 76 (1971), 378-382", "leaving out one panel at a time"
		between.Rows = append(between.Rows, append([]Cell{{Text: "Kappa of all judgements"}}, kappa("fleiss", "all judgements", s.Fleiss.Overall, source, jackknife)...))
		for _, k := range s.Fleiss.Category {
			if k.Defined {
				between.Rows = append(between.Rows, append([]Cell{{Text: "Kappa of “" + plan.Categories[k.Category] + "”"}}, kappa(fmt.Sprintf("fleiss.%d", k.Category+1), plan.Categories[k.Category], k.Kappa, source, jackknife)...))
			}
		}
	}
	b.r.Parts = append(b.r.Parts, StudyPart{Heading: "Do they agree with one another?", Table: between, Text: "Kappa is the agreement beyond chance: 1 is complete, 0 no better than chance. From 0.75 on it is usually called good (common practice, no source)."})
	return nil
}

// wrongCalls shows how often each appraiser let a panel through that is not the category it was called, by the category that is right. An
// attribute study has no guard band: nothing is measured that could be kept away from a limit.
func (b *studyBook) wrongCalls(s *gaugestudy.AttributeStudy, shares func(id, name, of string, v gaugestudy.Share) Cell) {
	plan := &b.in.Study.Plan
	if len(s.Appraisers) == 0 || s.Appraisers[0].Wrong == nil {
		return
	}
	t := &Table{Caption: "Panels judged wrongly at least once, by what is right", Cols: []Col{{Head: "Appraiser"}}}
	for _, c := range plan.Categories {
		t.Cols = append(t.Cols, Col{Head: "Right: " + c, Right: true}, Col{Head: "95 % interval, %", Right: true})
	}
	for i, a := range s.Appraisers {
		row := []Cell{{Text: plan.Appraisers[i]}}
		for c, w := range a.Wrong {
			if w.Of == 0 {
				row = append(row, Cell{Text: "none such"}, Cell{})
				continue
			}
			row = append(row, shares(fmt.Sprintf("wrong.%d.%d", i+1, c+1), "Judged wrongly at least once, right: "+plan.Categories[c], plan.Appraisers[i], w),
				Cell{Text: ui.Number(w.Interval.Lower, 1) + " to " + ui.Number(w.Interval.Upper, 1)})
		}
		t.Rows = append(t.Rows, row)
	}
	b.r.Parts = append(b.r.Parts, StudyPart{Heading: "Wrong verdicts", Table: t,
		Text: fmt.Sprintf("Of the panels that are really one category, how many were called another in at least one of %s. The shares are those of such panels, not of production. A guard band does not go with judging by eye: nothing is measured that could be kept from a limit.", ui.Plural(int64(plan.Trials), "trial", "trials"))})
}

func (b *studyBook) halfTurn() error {
	plan := &b.in.Study.Plan
	panels := make([]gaugestudy.Turned, len(plan.Parts))
	for _, r := range b.in.standing() {
		if len(r.Deviations) != len(b.in.Places) || len(b.in.Places) == 0 {
			return refusal.Shapes("line %d (panel %s) has no deviation at each of the gauge's %d places; readings of a half turn come from the gauge", r.Line, plan.Parts[r.Part-1].Panel, len(b.in.Places))
		}
		if r.Turned {
			panels[r.Part-1].Turned = floats(r.Deviations)
			panels[r.Part-1].TurnedFirst = r.Trial == 1
		} else {
			panels[r.Part-1].Straight = floats(r.Deviations)
		}
	}
	s, err := gaugestudy.HalfTurn(b.in.Places, panels, gaugestudy.HalfTurnOptions{Confidence: studyLevel})
	var no *refusal.Error
	if errors.As(err, &no) && no.Reason == refusal.Mismatch {
		return b.halfTurnShape(panels, no)
	}
	if err != nil {
		return err
	}
	dec := fine(s.Sigma)
	n := func(v float64) string { return ui.Number(v, dec) }
	words := fmt.Sprintf("no probe of %s is off that stays when the glass is turned", b.in.Study.Gauge)
	if s.PGauge < 1-studyLevel {
		words = fmt.Sprintf("%s itself puts %s µm (root mean square) into every map, whichever way the glass lies", b.in.Study.Gauge, n(s.GaugeRMS))
	}
	b.r.Statement = capital(words) + fmt.Sprintf("; the glass turned with the panel makes %s µm.", n(s.GlassRMS))
	b.r.Doubts = append(b.r.Doubts, "A half turn splits only what differs between a place and the one opposite; what is alike at both stays unassigned.")
	if s.PChanged < 1-studyLevel {
		b.r.Doubts = append(b.r.Doubts, "What stays is not the same under all panels: seating or temperature changed between them.")
	}
	if s.PDrift < 1-studyLevel {
		words := "The gauge drifted from the first reading of a panel to the second"
		if s.Balanced {
			words += fmt.Sprintf(", by %s µm (root mean square) in what is alike at both places; since half of the panels were turned first, it is in none of the parts", n(s.DriftRMS))
		}
		b.r.Doubts = append(b.r.Doubts, words+".")
	}
	b.warn("", s.Warnings)
	formula, inputs := "(straight − straight' ± (turned − turned'))/4 by pair of places", fmt.Sprintf("%d panels, %d of them turned first, %d pairs of places", s.Panels, turnedFirst(panels), s.Pairs)
	source := "reversal: R. R. Donaldson, CIRP Annals 21 (1972), 125-126 (from memory)"
	t := &Table{Caption: "Glass and gauge, µm", Cols: []Col{{Head: "Part"}, {Head: "Root mean square", Right: true}, {Head: "F", Right: true}, {Head: "p of none", Right: true}}}
	row := func(id, name string, v, f, p float64) {
		g := point(id, name, "all places", "um", v, dec)
		g.Formula, g.Inputs, g.Source = formula, inputs, source
		cells := []Cell{{Text: name}, b.figure(g), {}, {}}
		if f >= 0 {
			cells[2].Text, cells[3].Text = ui.Number(f, 2), studyP(p)
		}
		t.Rows = append(t.Rows, cells)
	}
	row("gauge_rms", "Stays with the gauge", s.GaugeRMS, s.FGauge, s.PGauge)
	row("glass_rms", "Turns with the glass", s.GlassRMS, s.FGlass, s.PGlass)
	row("common_rms", "Alike at both places: not to be told apart", s.CommonRMS, -1, 0)
	if s.Balanced {
		formula = "mean over the panels of ± (straight + straight' − turned − turned')/2, + for those read straight first"
		row("drift_rms", "Drift from first to second reading, alike at both places", s.DriftRMS, s.FDrift, s.PDrift)
	}
	formula = "√(what neither glass nor gauge nor drift explains / its degrees of freedom)"
	row("sigma", "Scatter of one reading", s.Sigma, -1, 0)
	gauge := &plot.Map{ID: "gauge-part", Title: "What stays with the gauge", Desc: "µm by place", Caption: "what stays with the gauge, µm"}
	glass := &plot.Map{ID: "glass-part", Title: "What turns with the glass", Desc: "µm by place", Caption: "what turns with the glass, µm"}
	sheet := Sheet{Name: "Half turn", Says: "By place: what stays, what turns, what is common.", Cols: []SheetCol{{Head: "Place"}, {Head: "Partner"}, {Head: "Gauge", Unit: "um"}, {Head: "Glass", Unit: "um"}, {Head: "Standard error", Unit: "um"}, {Head: "p"}, {Head: "Common", Unit: "um"}, {Head: "Drift", Unit: "um"}}}
	for _, p := range s.Places {
		at := b.in.Places[p.Place]
		gauge.Places = append(gauge.Places, plot.Place{N: p.Place + 1, X: at[0], Y: at[1], DevUM: p.Gauge})
		glass.Places = append(glass.Places, plot.Place{N: p.Place + 1, X: at[0], Y: at[1], DevUM: p.Glass})
		sheet.Rows = append(sheet.Rows, []any{int64(p.Place + 1), int64(p.Partner + 1), p.Gauge, p.Glass, p.SE, p.P, p.Common, p.Drift})
	}
	b.r.Sheets = append(b.r.Sheets, sheet)
	b.r.Parts = append(b.r.Parts, StudyPart{Heading: "What stays and what turns", Table: t},
		StudyPart{Heading: "The gauge's part", Map: gauge, Caption: "Half the difference of the probes' biases at opposite places, µm."},
		StudyPart{Heading: "The glass's part", Map: glass, Caption: "Half the difference of the glass at opposite places, mean over the panels, µm."})
	if s.GaugeRMS > 0 {
		b.r.Proposals = append(b.r.Proposals, StudyProposal{Of: "gauge", ID: b.in.Study.Gauge, Field: "place_u_um", Value: math.Sqrt2 * s.GaugeRMS, Unit: "um",
			Says: "√2 times what stays, since it is half the difference of two probes' biases (taken as independent)"})
	}
	return nil
}

// turnedFirst counts the panels whose turned reading was the first.
func turnedFirst(panels []gaugestudy.Turned) (n int) {
	for _, p := range panels {
		if p.TurnedFirst {
			n++
		}
	}
	return n
}

// halfTurnShape splits only the shape terms, where the places are not symmetric under the half turn.
func (b *studyBook) halfTurnShape(panels []gaugestudy.Turned, why *refusal.Error) error {
	s, err := gaugestudy.HalfTurnShape(b.in.Places, panels)
	if err != nil {
		return err
	}
	b.r.Statement = "Split by shape term only, since the places do not lie opposite one another: "
	t := &Table{Caption: fmt.Sprintf("Shape terms at %s mm, µm", ui.Number(s.RadiusMM, 0)), Cols: []Col{{Head: "Term"}, {Head: "Gauge", Right: true}, {Head: "Standard error", Right: true}, {Head: "p of none", Right: true}, {Head: "Glass, mean", Right: true}}}
	off := 0
	for _, term := range s.Terms {
		g := point("gauge."+term.Term, "Gauge's part", characteristicName(term.Term), "um", term.Gauge, fine(term.GaugeSE))
		g.Formula, g.Inputs, g.Source = "least squares of (straight + turned)/2 on the shape terms", fmt.Sprintf("%d panels", s.Panels), "symmetry of the terms under the half turn"
		mean := 0.0
		for _, v := range term.Glass {
			mean += v / float64(len(term.Glass))
		}
		t.Rows = append(t.Rows, []Cell{{Text: capital(characteristicName(term.Term))}, b.figure(g), {Text: ui.Number(term.GaugeSE, fine(term.GaugeSE))}, {Text: studyP(term.PGauge)}, {Text: ui.Number(mean, fine(term.GlassSE))}})
		if term.PGauge < 1-studyLevel {
			off++
		}
	}
	if off == 0 {
		b.r.Statement += "none of the four terms that a half turn splits stays with the gauge."
	} else {
		b.r.Statement += ui.Plural(int64(off), "of the four terms stays", "of the four terms stay") + " with the gauge."
	}
	b.r.Doubts = append(b.r.Doubts, capital(why.Error())+".")
	b.warn("", s.Warnings)
	b.r.Parts = append(b.r.Parts, StudyPart{Heading: "What stays and what turns", Table: t})
	return nil
}
