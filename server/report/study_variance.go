package report

import (
	"fmt"
	"math"

	"sagwatch/spc"
	"sagwatch/spc/gaugestudy"
	"sagwatch/spc/refusal"
	"sagwatch/store"
	"sagwatch/web/plot"
	"sagwatch/web/ui"
)

func computed(name string) bool {
	_, ok := spc.ComputedByName(name)
	return ok
}

const (
	varianceSource = "R. K. Burdick, C. M. Borror, D. C. Montgomery, Journal of Quality Technology 35 (2003), 342-354"
	nestedSource   = "S. R. Searle, G. Casella, C. E. McCulloch, Variance Components (1992), chapter 4 (from memory)"
	varianceMethod = "modified large sample"
)

// cells are the values of a characteristic by cell of the plan: [part][appraiser][trial], or where nested [appraiser][part][trial].
func (b *studyBook) cells(name string) ([][][]float64, error) {
	plan := &b.in.Study.Plan
	nested := b.in.Study.Kind == store.NestedStudy
	parts, appraisers := len(plan.Parts), len(plan.Appraisers)
	outer, inner := parts, appraisers
	if nested {
		outer, inner = appraisers, parts/max(appraisers, 1)
	}
	y := make([][][]float64, outer)
	for i := range y {
		y[i] = make([][]float64, inner)
		for j := range y[i] {
			y[i][j] = make([]float64, plan.Trials)
			for k := range y[i][j] {
				y[i][j][k] = math.NaN()
			}
		}
	}
	for _, r := range b.in.standing() {
		v, ok := r.Values[name]
		if !ok {
			return nil, refusal.Shapes("line %d (panel %s) has no %s", r.Line, plan.Parts[r.Part-1].Panel, characteristicName(name))
		}
		i, j := r.Part-1, r.Appraiser-1
		if nested {
			i, j = r.Appraiser-1, (r.Part-1)%inner
		}
		y[i][j][r.Trial-1] = v
	}
	return y, nil
}

// variance analyses crossed and nested studies, each characteristic by itself; the headline is that of the worst.
func (b *studyBook) variance() error {
	plan := &b.in.Study.Plan
	worst, worstPercent := "", -1.0
	for i := range plan.Characteristics {
		c := &plan.Characteristics[i]
		y, err := b.cells(c.Name)
		if err != nil {
			return err
		}
		_, width := toleranceOf(c)
		o := gaugestudy.StudyOptions{Tolerance: width}
		var s gaugestudy.Study
		if b.in.Study.Kind == store.NestedStudy {
			s, err = gaugestudy.Nested(y, o)
		} else {
			s, err = gaugestudy.Crossed(y, o)
		}
		if err != nil {
			return err
		}
		say, percent := b.headline(c, &s, width)
		if percent > worstPercent {
			worst, worstPercent = say, percent
		}
		if len(plan.Characteristics) > 1 {
			b.r.Parts = append(b.r.Parts, StudyPart{Heading: capital(characteristicName(c.Name)), Text: say})
		}
		b.byPart(c, y, &s)
		b.components(c, &s, width)
		b.warn(characteristicName(c.Name), s.Warnings)
		m := gaugestudy.MeasuringSystem{Repeatability: s.Repeat.SD, Resolution: gaugestudy.Rectangular(c.Resolution / 2), Rest: s.Reproduce.SD}
		u := b.system(c, m)
		var p *gaugestudy.Process
		if s.Part.SD > 0 {
			p = &gaugestudy.Process{Mean: s.Mean, SD: s.Part.SD}
		}
		b.risks(c, u, p, "repeatability and reproducibility")
		b.propose(c, u, s.Reproduce.SD)
	}
	b.r.Statement = worst
	if len(plan.Characteristics) > 1 {
		b.r.Doubts = append(b.r.Doubts, fmt.Sprintf("That is the worst of %s; the others follow below.", ui.Plural(int64(len(plan.Characteristics)), "characteristic", "characteristics")))
	}
	b.r.Doubts = append(b.r.Doubts, shareRule)
	b.places()
	return nil
}

func (b *studyBook) headline(c *store.StudyCharacteristic, s *gaugestudy.Study, width float64) (string, float64) {
	of := characteristicName(c.Name)
	if width > 0 {
		p := s.Gauge.PercentTolerance
		return fmt.Sprintf("%s takes up %s %% of the tolerance for the %s (95 %%: %s to %s %%): %s.", b.in.Study.Gauge, ui.Number(p, 1), of,
			ui.Number(s.ToleranceCI.Lower, 1), ui.Number(s.ToleranceCI.Upper, 1), share(p, s.ToleranceCI.Upper)), p
	}
	p := s.Gauge.PercentStudy
	return fmt.Sprintf("%s makes %s %% of the spread of these panels' %s (95 %%: %s to %s %%); without a two-sided tolerance it cannot be judged against one.", b.in.Study.Gauge, ui.Number(p, 1), of,
		ui.Number(s.PercentCI.Lower, 1), ui.Number(s.PercentCI.Upper, 1)), p
}

// byPart draws all readings by part, an appraiser a pane.
func (b *studyBook) byPart(c *store.StudyCharacteristic, y [][][]float64, s *gaugestudy.Study) {
	plan := &b.in.Study.Plan
	of := characteristicName(c.Name)
	g := plot.Groups{ID: "by-part-" + c.Name, Title: capital(of) + " by panel and appraiser", Along: "by panel", Decimals: min(fine(s.Gauge.SD*4), 6),
		Desc: fmt.Sprintf("%d readings of %d panels by %d appraisers; the gauge's standard deviation is %s %s, that between panels %s.", len(plan.Lines), len(plan.Parts), len(plan.Appraisers),
			ui.Number(s.Gauge.SD, fine(s.Gauge.SD)), ui.UnitName(c.Unit), ui.Number(s.Part.SD, fine(s.Part.SD)))}
	for _, p := range plan.Parts {
		g.Names = append(g.Names, p.Panel)
	}
	for a, name := range plan.Appraisers {
		pane := plot.GroupPane{Title: name, What: of + ", " + ui.UnitName(c.Unit), Values: make([][]float64, len(plan.Parts))}
		for p := range plan.Parts {
			if b.in.Study.Kind != store.NestedStudy {
				pane.Values[p] = y[p][a]
			} else if own := len(plan.Parts) / len(plan.Appraisers); p/own == a {
				pane.Values[p] = y[a][p%own]
			}
		}
		g.Panes = append(g.Panes, pane)
	}
	heading := "Every reading"
	if len(plan.Characteristics) > 1 {
		heading += " of the " + of
	}
	b.r.Parts = append(b.r.Parts, StudyPart{Heading: heading, Groups: &g,
		Caption: "Discs are readings, lines join the means of the panels. Spread within a panel is repeatability; lines that differ from appraiser to appraiser are reproducibility."})
}

// components shows the sources of variation and the analysis of variance that they come from.
func (b *studyBook) components(c *store.StudyCharacteristic, s *gaugestudy.Study, width float64) {
	of, unit := characteristicName(c.Name), c.Unit
	nested := s.Nested
	source := varianceSource
	formula := map[string]string{"repeatability": "√MS_E", "interaction": "√((MS_PO − MS_E)/r)", "appraiser": "√((MS_O − MS_PO)/(p r))", "part": "√((MS_P − MS_PO)/(o r))"}
	if nested {
		source = nestedSource
		formula = map[string]string{"repeatability": "√MS_E", "part": "√((MS_P(O) − MS_E)/r)", "appraiser": "√((MS_O − MS_P(O))/(p r))"}
	} else if s.Pooled {
		formula["repeatability"] = "√((SS_E + SS_PO)/(df_E + df_PO)): the interaction is pooled"
		formula["appraiser"], formula["part"] = "√((MS_O − MS_E)/(p r))", "√((MS_P − MS_E)/(o r))"
	}
	formula["reproducibility"], formula["gauge"], formula["total"] = "√(appraiser² + interaction²)", "√(repeatability² + reproducibility²)", "√(gauge² + part²)"
	inputs := fmt.Sprintf("%d panels, %d appraisers, %d trials; mean squares in the analysis of variance", s.Parts, s.Appraisers, s.Trials)
	table := &Table{Caption: "Where the spread of the " + of + " comes from, " + ui.UnitName(unit), Cols: []Col{{Head: "Source"}, {Head: "Standard deviation", Right: true}, {Head: "95 % interval", Right: true}, {Head: "% of study", Right: true}, {Head: "% of variance", Right: true}}}
	if width > 0 {
		table.Cols = append(table.Cols, Col{Head: "% of tolerance", Right: true})
	}
	sheet := Sheet{Name: sheetName("Components", c, b.in), Says: "Standard deviations of the sources of variation with 95 % intervals.", Cols: []SheetCol{{Head: "Source"}, {Head: "Variance estimate", Unit: unit + "²"}, {Head: "Standard deviation", Unit: unit}, {Head: "Lower", Unit: unit}, {Head: "Upper", Unit: unit}, {Head: "Degrees of freedom"}, {Head: "Of study", Unit: "%"}, {Head: "Of variance", Unit: "%"}, {Head: "Of tolerance", Unit: "%"}}}
	row := func(id, name string, v gaugestudy.Component, strong bool) {
		f := point(id+"."+c.Name, name, of, unit, v.SD, fine(v.SD)).within(v.SDInterval, varianceMethod)
		f.Formula, f.Inputs, f.Source = formula[id], inputs, source
		value := b.figure(f)
		value.Strong = strong
		cells := []Cell{{Text: name, Strong: strong}, value, f.interval(), {Text: ui.Number(v.PercentStudy, 1)}, {Text: ui.Number(v.PercentContribution, 1)}}
		if width > 0 {
			cells = append(cells, Cell{Text: ui.Number(v.PercentTolerance, 1), Strong: strong})
		}
		table.Rows = append(table.Rows, cells)
		sheet.Rows = append(sheet.Rows, []any{name, v.Estimate, v.SD, v.SDInterval.Lower, v.SDInterval.Upper, v.DF, v.PercentStudy, v.PercentContribution, v.PercentTolerance})
	}
	row("repeatability", "Repeatability", s.Repeat, false)
	if s.Appraisers > 1 {
		row("appraiser", "Appraisers", s.Appraiser, false)
		if !nested && !s.Pooled {
			row("interaction", "Panels and appraisers together", s.Interact, false)
		}
		row("reproducibility", "Reproducibility", s.Reproduce, false)
	}
	row("gauge", "The gauge, both together", s.Gauge, true)
	row("part", "Between panels", s.Part, false)
	row("total", "All", s.Total, false)
	text := ""
	if s.Pooled {
		text = "Panels and appraisers show no effect of their own together (p above 0.25), so that this part was pooled into the repeatability."
	}
	d := point("distinct."+c.Name, "Distinct categories", of, "1", s.Distinct, 2).within(s.DistinctCI, "inverted from the mean squares")
	d.Formula, d.Inputs, d.Source = "√2 part / gauge, cut to a whole number", fmt.Sprintf("part %s, gauge %s", ui.Number(s.Part.SD, fine(s.Part.SD)), ui.Number(s.Gauge.SD, fine(s.Gauge.SD))), "common practice, no source"
	b.figure(d)
	if text != "" {
		text += " "
	}
	text += fmt.Sprintf("The gauge tells %s of such panels apart (%s; 95 %%: %s to %s); five are usually asked for.", ui.Plural(int64(s.Categories), "category", "categories"),
		ui.Number(s.Distinct, 1), ui.Number(s.DistinctCI.Lower, 1), ui.Number(s.DistinctCI.Upper, 1))
	f := point("percent_study."+c.Name, "Gauge's part of the study", of, "%", s.Gauge.PercentStudy, 1).within(s.PercentCI, "inverted from the mean squares")
	f.Formula, f.Inputs, f.Source = "100 gauge / all", inputs, source
	b.figure(f)
	if width > 0 {
		f := point("percent_tolerance."+c.Name, "Gauge's part of the tolerance", of, "%", s.Gauge.PercentTolerance, 1).within(s.ToleranceCI, varianceMethod)
		f.Formula, f.Inputs, f.Source = "100 · 6 gauge / T", fmt.Sprintf("gauge %s, T %s (%s)", ui.Number(s.Gauge.SD, fine(s.Gauge.SD)), exact(width), toleranceWords(c)), "common practice, no source"
		b.figure(f)
	}
	b.r.Parts = append(b.r.Parts, StudyPart{Heading: "Where the spread comes from", Text: text, Table: table})
	b.r.Sheets = append(b.r.Sheets, sheet, b.anova(c, s))
}

func sheetName(what string, c *store.StudyCharacteristic, in *StudyInputs) string {
	if len(in.Study.Plan.Characteristics) == 1 {
		return what
	}
	name := what + " " + c.Name
	return name[:min(len(name), 31)]
}

// anova shows the analysis of variance as found and gives its sheet.
func (b *studyBook) anova(c *store.StudyCharacteristic, s *gaugestudy.Study) Sheet {
	t := &Table{Caption: "Analysis of variance of the " + characteristicName(c.Name), Cols: []Col{{Head: "Source"}, {Head: "Degrees of freedom", Right: true}, {Head: "Sum of squares", Right: true}, {Head: "Mean square", Right: true}, {Head: "F", Right: true}, {Head: "p", Right: true}}}
	sheet := Sheet{Name: sheetName("Variance analysis", c, b.in), Says: "The analysis of variance as found, before any pooling.", Cols: []SheetCol{{Head: "Source"}, {Head: "Degrees of freedom"}, {Head: "Sum of squares", Unit: c.Unit + "²"}, {Head: "Mean square", Unit: c.Unit + "²"}, {Head: "F"}, {Head: "p"}, {Head: "Against"}}}
	for _, m := range s.Analysis {
		row := []Cell{{Text: capital(m.Source)}, {Text: ui.Number(m.DF, 0)}, {Text: ui.Number(m.SS, fine(m.SS))}, {Text: ui.Number(m.MS, fine(m.MS))}, {}, {}}
		var f, p any
		if m.Tested {
			row[4].Text, row[5].Text = ui.Number(m.F, 2), studyP(m.P)
			f, p = m.F, m.P
		}
		t.Rows = append(t.Rows, row)
		sheet.Rows = append(sheet.Rows, []any{m.Source, m.DF, m.SS, m.MS, f, p, m.Against})
	}
	b.r.Parts = append(b.r.Parts, StudyPart{Table: t})
	return sheet
}

// probability writes a p value.
func studyP(p float64) string {
	if p < 0.0001 {
		return "below 0.0001"
	}
	return ui.Number(p, 4)
}

// places shows the scatter of the single probes where every reading came from the gauge.
func (b *studyBook) places() {
	byCell := map[[2]int][][]float64{}
	var order [][2]int
	for _, r := range b.in.standing() {
		if len(r.Deviations) == 0 || len(r.Deviations) != len(b.in.Places) {
			return
		}
		key := [2]int{r.Part, r.Appraiser}
		if byCell[key] == nil {
			order = append(order, key)
		}
		byCell[key] = append(byCell[key], floats(r.Deviations))
	}
	y := make([][][]float64, len(order))
	for i, key := range order {
		y[i] = byCell[key]
	}
	s, err := gaugestudy.PlaceSpread(y, b.in.Freedoms, studyLevel)
	if err != nil {
		b.r.Doubts = append(b.r.Doubts, "The single probes can't be judged: "+err.Error()+".")
		return
	}
	f := point("probe", "Standard deviation of one reading", "all probes", "um", s.SD, fine(s.SD)).within(s.Interval, "chi-square")
	f.Formula = "√(mean of the places' pooled variances · P/(P − f))"
	f.Inputs = fmt.Sprintf("%d readings of the same panels under the same conditions in %d groups, P = %d places, f = %d freedoms of the seating", s.Readings, s.Cells, len(s.Each), s.Freedoms)
	f.Source = "pooled variances; loss of freedoms: N. R. Draper, H. Smith, Applied Regression Analysis (1998)"
	b.figure(f)
	sheet := Sheet{Name: "Probes", Says: "Scatter of each place's deviation when the same panel is read again.", Cols: []SheetCol{{Head: "Place"}, {Head: "x", Unit: "mm"}, {Head: "y", Unit: "mm"}, {Head: "Standard deviation", Unit: "um"}, {Head: "Lower", Unit: "um"}, {Head: "Upper", Unit: "um"}, {Head: "Degrees of freedom"}, {Head: "p"}}}
	table := &Table{Caption: "Probes that scatter more than the others", Cols: []Col{{Head: "Place", Right: true}, {Head: "Standard deviation, µm", Right: true}, {Head: "95 % interval", Right: true}, {Head: "p", Right: true}}}
	g := &plot.Groups{ID: "probes", Title: "Scatter of each probe", Desc: fmt.Sprintf("Standard deviation in µm at each of %d places; over all %s.", len(s.Each), ui.Number(s.SD, fine(s.SD))), Along: "by place", Apart: true, Decimals: fine(s.SD),
		Panes: []plot.GroupPane{{What: "standard deviation of repeated readings, µm"}}, Lines: []plot.GroupLine{{Value: s.SD, Words: "all probes " + ui.Number(s.SD, fine(s.SD))}}}
	for _, e := range s.Each {
		at := b.in.Places[e.Place]
		sheet.Rows = append(sheet.Rows, []any{int64(e.Place + 1), at[0], at[1], e.SD, e.Interval.Lower, e.Interval.Upper, e.DF, e.P})
		g.Names = append(g.Names, fmt.Sprint(e.Place+1))
		g.Panes[0].Values = append(g.Panes[0].Values, []float64{e.SD})
		if e.P < 0.01 {
			table.Rows = append(table.Rows, []Cell{{Text: fmt.Sprint(e.Place + 1)}, {Text: ui.Number(e.SD, fine(e.SD))}, {Text: ui.Number(e.Interval.Lower, fine(e.SD)) + " to " + ui.Number(e.Interval.Upper, fine(e.SD))}, {Text: studyP(e.P)}})
		}
	}
	text := fmt.Sprintf("One reading scatters by %s µm (95 %%: %s to %s), seating taken out. ", ui.Number(s.SD, fine(s.SD)), ui.Number(s.Interval.Lower, fine(s.SD)), ui.Number(s.Interval.Upper, fine(s.SD)))
	if len(table.Rows) == 0 {
		text += "No probe scatters more than the others (p below 0.01 would say so, corrected for their number)."
		table = nil
	} else {
		text += capital(ui.Plural(int64(len(table.Rows)), "probe scatters", "probes scatter")) + " more than the others: look at contact, cable and zero."
	}
	b.r.Sheets = append(b.r.Sheets, sheet)
	b.r.Parts = append(b.r.Parts, StudyPart{Heading: "The single probes", Text: text, Groups: g, Caption: "A disc for each place by its number; the line is one reading over all places.", Table: table})
	b.r.Proposals = append(b.r.Proposals, StudyProposal{Of: "gauge", ID: b.in.Study.Gauge, Field: "probe_u_um", Value: s.SD, Unit: "um",
		Says: fmt.Sprintf("repeatability of one reading over %d places", len(s.Each))})
}
