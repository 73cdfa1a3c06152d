package report

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"sagwatch/spc/gaugestudy"
	"sagwatch/spc/refusal"
	"sagwatch/store"
	"sagwatch/web/plot"
	"sagwatch/web/ui"
)

// StudyResult is what a study says: the same for its page and its report.
type StudyResult struct {
	Complete  bool // all readings are in and there is a result
	Statement string
	Doubts    []string
	Parts     []StudyPart
	Figures   []Figure
	Sheets    []Sheet
	Proposals []StudyProposal
}

// StudyPart is a section: words, then a drawing, then a table.
type StudyPart struct {
	ID            string // "" for most
	Heading, Text string
	Groups        *plot.Groups
	Map           *plot.Map
	Caption       string
	Table         *Table
	Caution       string
}

// StudyProposal is an uncertainty that may be adopted, and where it would stand.
type StudyProposal struct {
	Of    string  `json:"of"` // "gauge" or "product"
	ID    string  `json:"id"`
	Field string  `json:"field"` // a key of the set-up file: probe_u_um, place_u_um, radius_u_mm; of a product: the characteristic's name
	Value float64 `json:"value"` // standard uncertainty
	Unit  string  `json:"unit"`
	Says  string  `json:"says"` // what it is made of
}

// studyBook gathers a result.
type studyBook struct {
	in *StudyInputs
	r  StudyResult
}

// level of all intervals.
const studyLevel = 0.95

// AnalyseStudy works a study out. What gives no result is said in the statement with what would.
func AnalyseStudy(in *StudyInputs) *StudyResult {
	b := &studyBook{in: in}
	b.analyse()
	b.changed()
	b.r.Doubts = unique(b.r.Doubts)
	return &b.r
}

func (b *studyBook) analyse() {
	in := b.in
	plan := &in.Study.Plan
	missing := 0
	for _, v := range in.standing() {
		if v == nil {
			missing++
		}
	}
	if missing > 0 {
		b.r.Statement = fmt.Sprintf("%d of %d readings are still to be taken.", missing, len(plan.Lines))
		if in.Study.State == store.StudyAbandoned {
			b.r.Statement = fmt.Sprintf("The study was abandoned with %d of %d readings not taken: it has no result.", missing, len(plan.Lines))
		}
		return
	}
	var err error
	switch in.Study.Kind {
	case store.CrossedStudy, store.NestedStudy:
		err = b.variance()
	case store.SingleMasterStudy:
		err = b.singleMaster()
	case store.LinearityStudy:
		err = b.linearity()
	case store.StabilityStudy:
		err = b.stability()
	case store.AttributeStudy:
		err = b.attributes()
	case store.HalfTurnStudy:
		err = b.halfTurn()
	default:
		err = fmt.Errorf("%q is no kind of study", in.Study.Kind)
	}
	if err != nil {
		var no *refusal.Error
		words := err.Error()
		if errors.As(err, &no) {
			words = no.Error()
		}
		b.r = StudyResult{Statement: "The study gives no result: " + strings.TrimSuffix(words, ".") + ".",
			Doubts: []string{"All readings are kept. Undo those that are wrong and take them again, or plan a new study."}}
		return
	}
	b.r.Complete = true
}

func unique(lines []string) []string {
	var out []string
	seen := map[string]bool{}
	for _, l := range lines {
		if !seen[l] {
			seen[l] = true
			out = append(out, l)
		}
	}
	return out
}

// figure notes a figure and gives the cell that shows its value.
func (b *studyBook) figure(f Figure) Cell {
	b.r.Figures = append(b.r.Figures, f)
	return Cell{Text: f.Show(), Figure: f.ID}
}

// interval is a figure's interval as a cell; empty where it has none.
func (f Figure) interval() Cell { return Cell{Text: f.Doubt()} }

// within sets an interval of the usual level.
func (f Figure) within(i gaugestudy.Interval, method string) Figure {
	f.Lower, f.Upper, f.Level, f.Method = Number(i.Lower), Number(i.Upper), studyLevel, method
	return f
}

// point is a figure without an interval.
func point(id, name, of, unit string, v float64, decimals int) Figure {
	return Figure{ID: id, Name: name, Of: of, Unit: unit, Value: Number(v), Lower: None, Upper: None, Decimals: decimals}
}

// warn adds what is doubtful; small samples say how many would do.
func (b *studyBook) warn(of string, warnings []refusal.Warning) {
	for _, w := range warnings {
		s := strings.TrimSuffix(w.String(), ".") + "."
		if of != "" && len(b.in.Study.Plan.Characteristics) > 1 {
			s = capital(of) + ": " + s
		}
		b.r.Doubts = append(b.r.Doubts, capital(s))
	}
}

// neverNegative are characteristics that begin at zero, so that an upper limit alone makes a tolerance.
var neverNegative = map[string]bool{"max_deviation_um": true, "form_um": true, "rms_um": true, "contour_rms_um": true, "contour_pv_um": true, "sd": true, "range": true}

// toleranceOf is a characteristic's tolerance and its width; width 0 where it has none.
func toleranceOf(c *store.StudyCharacteristic) (gaugestudy.Tolerance, float64) {
	t := gaugestudy.Tolerance{Lower: c.Lower, Upper: c.Upper}
	switch {
	case c.Lower != nil && c.Upper != nil:
		return t, *c.Upper - *c.Lower
	case c.Upper != nil && neverNegative[c.Name]:
		return t, *c.Upper
	}
	return t, 0
}

func toleranceWords(c *store.StudyCharacteristic) string {
	return toleranceAs(c, exact)
}

// exact writes a given number as it was given, to at most six decimals.
func exact(x float64) string {
	text := strconv.FormatFloat(math.Round(x*1e6)/1e6, 'f', -1, 64)
	_, fraction, _ := strings.Cut(text, ".")
	return ui.Number(x, len(fraction))
}

func toleranceAs(c *store.StudyCharacteristic, n func(float64) string) string {
	unit := ui.UnitName(c.Unit)
	switch {
	case c.Lower != nil && c.Upper != nil:
		return n(*c.Lower) + " to " + n(*c.Upper) + " " + unit
	case c.Upper != nil:
		return "at most " + n(*c.Upper) + " " + unit
	case c.Lower != nil:
		return "at least " + n(*c.Lower) + " " + unit
	}
	return "none"
}

// share says in words what a part of the tolerance means; upper is where its interval ends.
func share(percent, upper float64) string {
	words, bound := "it is too coarse to judge panels by", math.Inf(1)
	switch {
	case percent <= 10:
		words, bound = "it judges panels well", 10
	case percent <= 30:
		words, bound = "it may do, depending on what hangs on the verdict", 30
	}
	if upper > bound {
		words += ", though so few readings do not prove it"
	}
	return words
}

const shareRule = "That up to 10 % of the tolerance is good and more than 30 % is not is common practice without a standard behind it."

// risks says what the uncertainty u means for verdicts, with the panels of the study standing for production where p is not nil.
func (b *studyBook) risks(c *store.StudyCharacteristic, u float64, p *gaugestudy.Process, from string) {
	t, _ := toleranceOf(c)
	if t.Lower == nil && t.Upper == nil || !(u > 0) {
		return
	}
	of, unit := characteristicName(c.Name), c.Unit
	inputs := fmt.Sprintf("u = %s %s (%s), tolerance %s", ui.Number(u, fine(u)), ui.UnitName(unit), from, toleranceWords(c))
	table := &Table{Caption: "What it means for verdicts on the " + of, Cols: []Col{{Head: "Figure"}, {Head: "Value", Right: true}, {Head: "Unit"}, {Head: "In words"}}}
	row := func(f Figure, words string) {
		value := b.figure(f)
		table.Rows = append(table.Rows, []Cell{{Text: f.Name}, value, {Text: ui.UnitName(f.Unit)}, {Text: words}})
	}
	risk := func(suffix, when string, acceptance gaugestudy.Tolerance) {
		if p == nil {
			return
		}
		r, err := gaugestudy.GlobalRisk(*p, u, t, acceptance)
		if err != nil {
			b.r.Doubts = append(b.r.Doubts, capital("The risk of wrong verdicts on the "+of+" can't be worked out: "+strings.TrimSuffix(err.Error(), ".")+"."))
			return
		}
		in := inputs + fmt.Sprintf("; panels with mean %s and standard deviation %s (true values)", ui.Number(p.Mean, fine(p.SD)), ui.Number(p.SD, fine(p.SD)))
		for _, x := range []struct {
			id, name, words string
			v               float64
		}{{"consumer", "bad and accepted", "panels outside the tolerance that pass " + when, r.Consumer}, {"producer", "good and refused", "panels inside the tolerance that do not pass " + when, r.Producer}} {
			name := capital(x.name)
			if suffix != "" {
				name += ", guard band kept"
			}
			f := point(x.id+suffix+"."+c.Name, name, of, "ppm", 1e6*x.v, ppmDecimals(1e6*x.v))
			f.Formula, f.Inputs = "P(measured within acceptance, true outside tolerance), or the reverse; bivariate normal, correlation s / √(s² + u²)", in
			f.Source = "JCGM 106:2012, 9.5"
			row(f, x.words)
		}
	}
	risk("", "without a guard band", t)
	g, err := gaugestudy.SpecificGuardBand(t, u, 0.95)
	if err != nil {
		b.r.Doubts = append(b.r.Doubts, "Not even a "+of+" in the middle of the tolerance could be proven with 95 %: the gauge is too coarse for it.")
	} else {
		f := point("guard."+c.Name, "Guard band", of, unit, g, fine(g))
		f.Formula, f.Inputs, f.Source = "probability 95 % of conforming at the acceptance limit; one limit: 1.645 u", inputs, "JCGM 106:2012, 8.3.2; ISO 14253-1:2017 (factor from memory)"
		words := "to be kept from each limit for 95 % certainty"
		if a, err := t.Shrunk(g); err == nil {
			s := *c
			s.Lower, s.Upper = a.Lower, a.Upper
			words += ": accept " + toleranceAs(&s, func(x float64) string { return ui.Number(x, fine(g)) })
			row(f, words)
			risk("_guarded", "with that guard band", a)
		} else {
			row(f, words+": nothing of the tolerance is left")
		}
	}
	text := "Verdicts are taken as made on one measurement by the limits alone."
	if p == nil {
		text = "How many panels get a wrong verdict depends on the process, which this study did not look at; the guard band does not."
	} else {
		text += " The panels of the study stand for production: if they were chosen otherwise, the two risks are not those of the line."
	}
	if neverNegative[c.Name] && p != nil {
		text += " The " + of + " cannot be below zero and is skewed, so that risks worked out for a normal distribution are a guide only."
	}
	b.r.Parts = append(b.r.Parts, StudyPart{Heading: "Wrong verdicts and the guard band", Text: text, Table: table})
}

func ppmDecimals(v float64) int {
	switch {
	case v >= 100:
		return 0
	case v >= 1:
		return 1
	}
	return 3
}

func microTime(us int64) time.Time { return time.UnixMicro(us).UTC() }

// system works out the measuring system against a tolerance and shows its parts.
func (b *studyBook) system(c *store.StudyCharacteristic, m gaugestudy.MeasuringSystem) (u float64) {
	_, width := toleranceOf(c)
	of := characteristicName(c.Name)
	parts := []struct {
		name string
		v    float64
	}{{"Certificate of the master", m.Calibration}, {"Repeatability", m.Repeatability}, {"Resolution", m.Resolution}, {"Bias", m.Bias}, {"Linearity", m.Linearity}, {"Reproducibility and the rest", m.Rest}}
	inputs := make([]string, 0, len(parts))
	table := &Table{Caption: "Uncertainty of one measured " + of + ", " + ui.UnitName(c.Unit), Cols: []Col{{Head: "From"}, {Head: "Standard uncertainty", Right: true}}}
	for _, p := range parts {
		if p.v > 0 {
			table.Rows = append(table.Rows, []Cell{{Text: p.name}, {Text: ui.Number(p.v, fine(p.v))}})
			inputs = append(inputs, strings.ToLower(p.name)+" "+ui.Number(p.v, fine(p.v)))
		}
	}
	judgeWidth := width
	if judgeWidth == 0 {
		judgeWidth = 1 // only the combination is wanted
	}
	r, err := m.Judge(judgeWidth, 15)
	if err != nil {
		return 0
	}
	f := point("u."+c.Name, "Combined standard uncertainty", of, c.Unit, r.U, fine(r.U))
	f.Formula, f.Inputs, f.Source = "u = √(u_CAL² + max(u_EVR², u_RE²) + u_BI² + u_LIN² + u_rest²); resolution s = step/√12, bias |b|/√3", strings.Join(inputs, ", "), "ISO 22514-7 (formulas from memory)"
	cell := b.figure(f)
	cell.Strong = true
	table.Rows = append(table.Rows, []Cell{{Text: "Combined", Strong: true}, cell})
	text := ""
	if width > 0 {
		q := point("q."+c.Name, "Q", of, "%", r.QPercent, 1)
		q.Formula, q.Inputs, q.Source = "Q = 100 · 2 U / T with U = 2 u", fmt.Sprintf("u = %s, T = %s", ui.Number(r.U, fine(r.U)), exact(width)), "ISO 22514-7 (formulas from memory)"
		b.figure(q)
		text = fmt.Sprintf("With U = 2 u the uncertainty takes %s %% of the tolerance (Q); 15 %% is the usual bound of ISO 22514-7, from memory.", ui.Number(r.QPercent, 1))
	}
	b.r.Parts = append(b.r.Parts, StudyPart{Heading: "Uncertainty of one measurement", Text: text, Table: table})
	return r.U
}

// propose offers the combined uncertainty where a definition has room for it.
func (b *studyBook) propose(c *store.StudyCharacteristic, u, beyondFit float64) {
	s := &b.in.Study
	switch {
	case !(u > 0) || math.IsInf(u, 0):
	case c.Name == "radius_mm":
		if beyondFit > 0 {
			b.r.Proposals = append(b.r.Proposals, StudyProposal{Of: "gauge", ID: s.Gauge, Field: "radius_u_mm", Value: beyondFit, Unit: "mm",
				Says: "all of the radius's uncertainty but the repeatability, which is in the fit's own uncertainty already"})
		}
	case !computed(c.Name) && b.in.Product != "":
		b.r.Proposals = append(b.r.Proposals, StudyProposal{Of: "product", ID: b.in.Product, Field: c.Name, Value: u, Unit: c.Unit,
			Says: "the combined standard uncertainty of one value"})
	}
}
