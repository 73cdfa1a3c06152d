package report

import (
	"fmt"
	"math"

	"sagwatch/spc/chart"
	"sagwatch/spc/gaugestudy"
	"sagwatch/spc/refusal"
	"sagwatch/store"
	"sagwatch/web/plot"
	"sagwatch/web/ui"
)

// valuesByLine are a characteristic's values in the order of the sheet.
func (b *studyBook) valuesByLine(name string) ([]float64, error) {
	var out []float64
	for _, r := range b.in.standing() {
		v, ok := r.Values[name]
		if !ok {
			return nil, refusal.Shapes("line %d has no %s", r.Line, characteristicName(name))
		}
		out = append(out, v)
	}
	return out, nil
}

// only is the characteristic of a study that has one.
func (b *studyBook) only() (*store.StudyCharacteristic, error) {
	if c := b.in.Study.Plan.Characteristics; len(c) == 1 {
		return &c[0], nil
	}
	return nil, refusal.Shapes("this kind of study has one characteristic, the plan has %d", len(b.in.Study.Plan.Characteristics))
}

func (b *studyBook) singleMaster() error {
	c, err := b.only()
	if err != nil {
		return err
	}
	x, err := b.valuesByLine(c.Name)
	if err != nil {
		return err
	}
	part := b.in.Study.Plan.Parts[0]
	if part.Reference == nil {
		return refusal.Shapes("the master %s has no certified value in the plan", part.Panel)
	}
	_, width := toleranceOf(c)
	s, err := gaugestudy.SingleMaster(x, gaugestudy.SingleMasterOptions{Reference: *part.Reference, ReferenceU: part.ReferenceU, Tolerance: width, Resolution: c.Resolution, Confidence: studyLevel})
	if err != nil {
		return err
	}
	of, unit := characteristicName(c.Name), c.Unit
	dec := fine(s.SD)
	n := func(v float64) string { return ui.Number(v, dec) }
	bias := "no bias can be told from zero"
	if s.P < 1-studyLevel {
		bias = fmt.Sprintf("it reads %s %s too %s", n(math.Abs(s.Bias)), ui.UnitName(unit), map[bool]string{true: "high", false: "low"}[s.Bias > 0])
	}
	words := "that does for the tolerance"
	switch {
	case s.Cg < 1.33:
		words = "its repeatability is too coarse for the tolerance"
	case s.Cgk < 1.33:
		words = "its bias is too great for the tolerance"
	case s.CgkInterval.Lower < 1.33:
		words = "that does for the tolerance, though these readings do not prove it"
	}
	b.r.Statement = fmt.Sprintf("%s repeats the master to %s %s (Cg %s) and %s (Cgk %s): %s.", b.in.Study.Gauge, n(s.SD), ui.UnitName(unit), ui.Number(s.Cg, 2), bias, ui.Number(s.Cgk, 2), words)
	b.r.Doubts = append(b.r.Doubts, fmt.Sprintf("Cgk lies between %s and %s (95 %%). That 1.33 is enough is common practice, no standard.", ui.Number(s.CgkInterval.Lower, 2), ui.Number(s.CgkInterval.Upper, 2)))
	b.warn("", s.Warnings)

	g := b.runs(c, x)
	g.Lines = []plot.GroupLine{{Value: *part.Reference, Words: "certified " + n(*part.Reference)}}
	b.r.Parts = append(b.r.Parts, StudyPart{Heading: "Every reading, in order", Groups: g, Caption: "The line is the certified value."})

	inputs := fmt.Sprintf("n = %d, mean %s, s = %s, certified value %s, T = %s, share 0.2", s.N, n(s.Mean), n(s.SD), n(*part.Reference), exact(width))
	table := &Table{Caption: capital(of) + " of master " + part.Panel, Cols: []Col{{Head: "Figure"}, {Head: "Value", Right: true}, {Head: "95 % interval", Right: true}, {Head: "Unit"}}}
	row := func(f Figure, formula string) {
		f.Formula, f.Inputs = formula, inputs
		if f.Source == "" {
			f.Source = "ISO 22514-7 (formulas from memory)"
		}
		value := b.figure(f)
		if f.ID == "p" {
			value.Text = studyP(float64(f.Value))
		}
		table.Rows = append(table.Rows, []Cell{{Text: f.Name}, value, f.interval(), {Text: unitName(f.Unit)}})
	}
	row(point("mean", "Mean", of, unit, s.Mean, dec), "Σx/n")
	row(point("sd", "Standard deviation", of, unit, s.SD, dec).within(s.SDInterval, "chi-square"), "√(Σ(x − mean)²/(n − 1))")
	row(point("bias", "Bias", of, unit, s.Bias, dec).within(s.BiasInterval, "Student's t, certificate taken as exact"), "mean − certified value")
	row(point("t", "t of no bias", of, "1", s.T, 2), "bias / (s/√n)")
	row(point("p", "p of no bias", of, "1", s.P, 4), "two-sided, n − 1 degrees of freedom")
	row(point("cg", "Cg", of, "1", s.Cg, 2).within(s.CgInterval, "chi-square"), "0.2 T / (6 s)")
	row(point("cgk", "Cgk", of, "1", s.Cgk, 2).within(s.CgkInterval, "non-central t, nearer side"), "(0.1 T − |bias|) / (3 s)")
	b.r.Parts = append(b.r.Parts, StudyPart{Heading: "Repeatability and bias", Table: table})

	u := b.system(c, gaugestudy.MeasuringSystem{Calibration: part.ReferenceU, Repeatability: s.URepeatability, Resolution: s.UResolution, Bias: s.UBias})
	b.risks(c, u, nil, "the measuring system on this master")
	b.propose(c, u, math.Hypot(part.ReferenceU, s.UBias))
	b.places()
	return nil
}

// runs draws values in the order of the sheet.
func (b *studyBook) runs(c *store.StudyCharacteristic, x []float64) *plot.Groups {
	_, sd := meanRange(x)
	g := &plot.Groups{ID: "runs", Title: capital(characteristicName(c.Name)) + " in order", Along: "by reading", Decimals: min(fine(sd), 6),
		Desc: fmt.Sprintf("%d readings.", len(x)), Panes: []plot.GroupPane{{What: characteristicName(c.Name) + ", " + ui.UnitName(c.Unit)}}}
	for i, v := range x {
		g.Names = append(g.Names, fmt.Sprint(i+1))
		g.Panes[0].Values = append(g.Panes[0].Values, []float64{v})
	}
	return g
}

// meanRange is the least value and the range, for scales only.
func meanRange(x []float64) (low, reach float64) {
	low, high := math.Inf(1), math.Inf(-1)
	for _, v := range x {
		low, high = min(low, v), max(high, v)
	}
	return low, high - low
}

func (b *studyBook) linearity() error {
	c, err := b.only()
	if err != nil {
		return err
	}
	plan := &b.in.Study.Plan
	reference, readings := make([]float64, len(plan.Parts)), make([][]float64, len(plan.Parts))
	calibration := 0.0
	for i, p := range plan.Parts {
		if p.Reference == nil {
			return refusal.Shapes("the master %s has no certified value in the plan", p.Panel)
		}
		reference[i], calibration = *p.Reference, max(calibration, p.ReferenceU)
	}
	for _, r := range b.in.standing() {
		v, ok := r.Values[c.Name]
		if !ok {
			return refusal.Shapes("line %d has no %s", r.Line, characteristicName(c.Name))
		}
		readings[r.Part-1] = append(readings[r.Part-1], v)
	}
	s, err := gaugestudy.Linearity(reference, readings, gaugestudy.LinearityOptions{Confidence: studyLevel})
	if err != nil {
		return err
	}
	of, unit := characteristicName(c.Name), c.Unit
	dec := fine(s.PooledSD)
	n := func(v float64) string { return ui.Signed(v, dec) }
	greatest, at := 0.0, 0
	for i, m := range s.Masters {
		if math.Abs(m.Bias) >= math.Abs(greatest) {
			greatest, at = m.Bias, i
		}
	}
	words := "the bias does not change over the range"
	if s.PSlope < 1-studyLevel {
		words = fmt.Sprintf("the bias changes by %s %s over the range", ui.Number(s.Change, dec), ui.UnitName(unit))
	}
	b.r.Statement = fmt.Sprintf("%s errs by %s %s at most (master %s), and %s.", b.in.Study.Gauge, n(greatest), ui.UnitName(unit), plan.Parts[at].Panel, words)
	if _, width := toleranceOf(c); width > 0 {
		b.r.Doubts = append(b.r.Doubts, fmt.Sprintf("The greatest bias is %s %% of the tolerance.", ui.Number(100*math.Abs(greatest)/width, 1)))
	}
	b.warn("", s.Warnings)
	g := &plot.Groups{ID: "bias", Title: "Bias by master", Along: "by master", Decimals: min(dec, 6), Desc: "Readings less the certified value of each master.",
		Panes: []plot.GroupPane{{What: "reading less certified value, " + ui.UnitName(unit)}}, Lines: []plot.GroupLine{{Value: 0, Words: "no bias"}}}
	table := &Table{Caption: "Bias at each master, " + ui.UnitName(unit), Cols: []Col{{Head: "Master"}, {Head: "Certified", Right: true}, {Head: "Readings", Right: true}, {Head: "Bias", Right: true}, {Head: "95 % interval", Right: true}, {Head: "p of no bias", Right: true}}}
	sheet := Sheet{Name: "Masters", Says: "Bias at each master, with the line of bias on certified value.", Cols: []SheetCol{{Head: "Master"}, {Head: "Certified", Unit: unit}, {Head: "Readings"}, {Head: "Bias", Unit: unit}, {Head: "Lower", Unit: unit}, {Head: "Upper", Unit: unit}, {Head: "p"}, {Head: "Standard deviation", Unit: unit}, {Head: "Line", Unit: unit}, {Head: "Band lower", Unit: unit}, {Head: "Band upper", Unit: unit}}}
	for i, m := range s.Masters {
		var errs []float64
		for _, v := range readings[i] {
			errs = append(errs, v-reference[i])
		}
		g.Names = append(g.Names, plan.Parts[i].Panel)
		g.Panes[0].Values = append(g.Panes[0].Values, errs)
		f := point(fmt.Sprintf("bias.%d", i+1), "Bias", "master "+plan.Parts[i].Panel, unit, m.Bias, dec).within(m.Interval, "Student's t")
		f.Formula, f.Inputs, f.Source = "mean reading − certified value", fmt.Sprintf("%d readings, s = %s, certified %s", m.N, ui.Number(m.SD, dec), ui.Number(m.Reference, dec)), "common practice"
		table.Rows = append(table.Rows, []Cell{{Text: plan.Parts[i].Panel}, {Text: ui.Number(m.Reference, dec)}, {Text: fmt.Sprint(m.N)}, b.figure(f), f.interval(), {Text: studyP(m.P)}})
		sheet.Rows = append(sheet.Rows, []any{plan.Parts[i].Panel, m.Reference, int64(m.N), m.Bias, m.Interval.Lower, m.Interval.Upper, m.P, m.SD, m.Line, m.Band.Lower, m.Band.Upper})
	}
	b.r.Sheets = append(b.r.Sheets, sheet)
	b.r.Parts = append(b.r.Parts, StudyPart{Heading: "Bias at each master", Groups: g, Caption: "Readings less the certified value; the line through zero is no bias.", Table: table})
	source := "least squares; N. R. Draper, H. Smith, Applied Regression Analysis (1998)"
	lines := &Table{Caption: "The line of bias on certified value", Cols: []Col{{Head: "Figure"}, {Head: "Value", Right: true}, {Head: "95 % interval", Right: true}, {Head: "p of zero", Right: true}}}
	row := func(f Figure, formula string, p float64) {
		f.Formula, f.Inputs, f.Source = formula, fmt.Sprintf("%d readings of %d masters", s.Line.N, len(s.Masters)), source
		cell := Cell{}
		if p >= 0 {
			cell.Text = studyP(p)
		}
		lines.Rows = append(lines.Rows, []Cell{{Text: f.Name}, b.figure(f), f.interval(), cell})
	}
	row(point("slope", "Slope", of, unit+" per "+unit, s.Line.Slope, fine(s.Line.SESlope)).within(s.Slope, "Student's t"), "least squares of bias on certified value", s.PSlope)
	row(point("intercept", "Intercept", of, unit, s.Line.Intercept, fine(s.Line.SEIntercept)).within(s.Intercept, "Student's t"), "least squares of bias on certified value", s.PIntercept)
	row(point("change", "Change over the range", of, unit, s.Change, dec), "|slope| · range of the certified values", -1)
	row(point("mean_bias", "Mean bias", of, unit, s.MeanBias, dec), "mean over all readings", s.PBias)
	row(point("repeatability", "Repeatability", of, unit, s.PooledSD, dec), "√(pooled variance within masters)", -1)
	b.r.Parts = append(b.r.Parts, StudyPart{Heading: "Does the bias change over the range?", Table: lines})
	u := b.system(c, gaugestudy.MeasuringSystem{Calibration: calibration, Repeatability: s.PooledSD, Resolution: gaugestudy.Rectangular(c.Resolution / 2), Bias: gaugestudy.Rectangular(math.Abs(greatest))})
	b.risks(c, u, nil, "the measuring system over its range")
	b.propose(c, u, math.Hypot(calibration, gaugestudy.Rectangular(math.Abs(greatest))))
	return nil
}

func (b *studyBook) stability() error {
	c, err := b.only()
	if err != nil {
		return err
	}
	x, err := b.valuesByLine(c.Name)
	if err != nil {
		return err
	}
	standing := b.in.standing()
	hours := make([]float64, len(x))
	for i, r := range standing {
		hours[i] = float64(r.MeasuredAt-standing[0].MeasuredAt) / 3.6e9
	}
	s, err := gaugestudy.Stability(hours, x, chart.IndividualsOptions{}, studyLevel)
	if err != nil {
		return err
	}
	unit := c.Unit
	dec := fine(s.Chart.SigmaOverall)
	n := func(v float64) string { return ui.Signed(v, dec) }
	switch {
	case s.Stable:
		b.r.Statement = fmt.Sprintf("%s stayed what it was: %s over %s show no drift and none beyond its limits.", b.in.Study.Gauge, ui.Plural(int64(len(x)), "master check", "master checks"), days(hours[len(hours)-1]))
	case s.PDrift < 1-studyLevel:
		b.r.Statement = fmt.Sprintf("%s drifts by %s %s a day.", b.in.Study.Gauge, ui.Signed(24*s.Drift, fine(24*s.Drift)), ui.UnitName(unit))
	default:
		b.r.Statement = fmt.Sprintf("%s is not stable: %s of %d lie beyond their limits.", b.in.Study.Gauge, ui.Plural(int64(len(s.Beyond)+len(s.Moving)), "check", "checks"), len(x))
	}
	if s.PMean < 1-studyLevel {
		b.r.Doubts = append(b.r.Doubts, fmt.Sprintf("Its errors average %s %s (95 %%: %s to %s): it has a bias.", n(s.Mean), ui.UnitName(unit), n(s.MeanInterval.Lower), n(s.MeanInterval.Upper)))
	}
	b.warn("", s.Warnings)
	g := b.runs(c, x)
	l := s.Chart.Limits
	g.Lines = []plot.GroupLine{{Value: l.Lower, Words: "lower limit"}, {Value: l.Centre, Words: "mean"}, {Value: l.Upper, Words: "upper limit"}}
	b.r.Parts = append(b.r.Parts, StudyPart{Heading: "Every master check, in order", Groups: g, Caption: "Reading less certificate; the lines are the mean and the control limits from the moving ranges."})
	table := &Table{Caption: "Is the gauge what it was?", Cols: []Col{{Head: "Figure"}, {Head: "Value", Right: true}, {Head: "95 % interval", Right: true}, {Head: "Unit"}}}
	row := func(f Figure, formula, source string) {
		f.Formula, f.Inputs, f.Source = formula, fmt.Sprintf("%d master checks over %s", len(x), days(hours[len(hours)-1])), source
		value := b.figure(f)
		if f.ID == "p_drift" {
			value.Text = studyP(float64(f.Value))
		}
		table.Rows = append(table.Rows, []Cell{{Text: f.Name}, value, f.interval(), {Text: unitName(f.Unit)}})
	}
	trend := "Student's t of the least-squares slope"
	perDay := point("drift", "Drift", "error", unit+" per day", 24*s.Drift, fine(24*s.Drift))
	row(perDay.within(gaugestudy.Interval{Lower: 24 * s.DriftInterval.Lower, Upper: 24 * s.DriftInterval.Upper}, trend), "slope of the error on time", "least squares")
	row(point("p_drift", "p of no drift", "error", "1", s.PDrift, 4), trend, "least squares")
	row(point("mean", "Mean error", "error", unit, s.Mean, dec).within(s.MeanInterval, "Student's t"), "Σe/n", "common practice")
	row(point("sd", "Standard deviation of the errors", "error", unit, s.Chart.SigmaOverall, dec), "√(Σ(e − mean)²/(n − 1))", "common practice")
	row(point("lower", "Lower control limit", "error", unit, l.Lower, dec), "mean − 3 · mean moving range / 1.128", "ISO 7870-2")
	row(point("upper", "Upper control limit", "error", unit, l.Upper, dec), "mean + 3 · mean moving range / 1.128", "ISO 7870-2")
	b.r.Parts = append(b.r.Parts, StudyPart{Heading: "Drift and bias", Table: table})
	if c.Name == "master_radius_error_mm" {
		if u := math.Hypot(s.Chart.SigmaOverall, gaugestudy.Rectangular(math.Abs(s.Mean))); u > 0 {
			b.r.Proposals = append(b.r.Proposals, StudyProposal{Of: "gauge", ID: b.in.Study.Gauge, Field: "radius_u_mm", Value: u, Unit: "mm",
				Says: "scatter of the master checks and their mean error; it holds the repeatability too, which makes it cautious"})
		}
	}
	return nil
}

// unitName is a unit as it is read; a pure number has none.
func unitName(unit string) string {
	if unit == "1" {
		return ""
	}
	return ui.UnitName(unit)
}

func days(hours float64) string {
	if hours < 48 {
		return ui.Plural(int64(math.Round(hours)), "hour", "hours")
	}
	return ui.Plural(int64(math.Round(hours/24)), "day", "days")
}
