package gaugestudy

import (
	"math"
	"math/rand/v2"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// StudyOptions are the settings of a repeatability and reproducibility study; the zero value is common practice.
type StudyOptions struct {
	// PoolAbove pools the interaction of parts and appraisers with the repeatability where its p value is above it; nil:
	// 0.25 (common practice, no source). 1 never pools, 0 always does.
	PoolAbove *float64 `json:"pool_above,omitempty"`
	// Tolerance is the width U - L of the characteristic's tolerance; 0: none, no percentages of it.
	Tolerance float64 `json:"tolerance,omitempty"`
	// Multiple of the standard deviation that counts as its spread, 0: 6.
	Multiple   float64        `json:"multiple,omitempty"`
	Confidence float64        `json:"confidence,omitempty"` // 0: 0.95
	Intervals  IntervalMethod `json:"intervals,omitempty"`
}

// usualPool is the p value above which an interaction is pooled by common practice.
const usualPool = 0.25

func (o *StudyOptions) check() error {
	level, err := confidence(o.Confidence)
	if err != nil {
		return err
	}
	o.Confidence = level
	if o.PoolAbove == nil {
		p := usualPool
		o.PoolAbove = &p
	}
	if p := *o.PoolAbove; !(p >= 0 && p <= 1) {
		return refusal.Setting("p value for pooling", p, "must be from 0 to 1")
	}
	if o.Multiple == 0 {
		o.Multiple = 6
	}
	if err := positive("multiple of the standard deviation", o.Multiple); err != nil {
		return err
	}
	if o.Intervals == "" {
		o.Intervals = ModifiedLargeSample
	}
	if o.Intervals != ModifiedLargeSample && o.Intervals != Satterthwaite {
		return refusal.Shapes("the interval method %q is not known: modified-large-sample or satterthwaite", o.Intervals)
	}
	return notNegative("tolerance", o.Tolerance)
}

// Component is one source of variation.
type Component struct {
	// Variance as shown, never below zero; Estimate as it came out, below zero where chance made it so.
	Variance float64 `json:"variance"`
	Estimate float64 `json:"estimate"`
	SD       float64 `json:"sd"`
	// SDInterval holds the roots of the limits of the variance, cut off at zero. It belongs to Estimate.
	SDInterval Interval `json:"sd_interval"`
	// DF by Satterthwaite's approximation; 0 where Estimate is not above zero.
	DF float64 `json:"df"`
	// PercentStudy is 100 SD / SD of the whole study, PercentContribution the same of variances, PercentTolerance
	// 100 multiple SD / tolerance (0 without one).
	PercentStudy        float64 `json:"percent_study"`
	PercentContribution float64 `json:"percent_contribution"`
	PercentTolerance    float64 `json:"percent_tolerance,omitempty"`
}

// Study is a repeatability and reproducibility study by analysis of variance.
type Study struct {
	Options    StudyOptions `json:"options"`
	Parts      int          `json:"parts"` // of each appraiser where Nested
	Appraisers int          `json:"appraisers"`
	Trials     int          `json:"trials"`
	Nested     bool         `json:"nested"`
	Pooled     bool         `json:"pooled"` // the interaction is in the repeatability
	Mean       float64      `json:"mean"`
	Analysis   []MeanSquare `json:"analysis"`         // as found
	Lines      []MeanSquare `json:"lines"`            // the lines the components come from: those of Analysis, or after pooling
	Repeat     Component    `json:"repeatability"`    // same part, same appraiser
	Appraiser  Component    `json:"appraiser"`        // differences of appraisers
	Interact   Component    `json:"interaction"`      // of parts and appraisers; zero where pooled or nested
	Reproduce  Component    `json:"reproducibility"`  // Appraiser + Interact
	Gauge      Component    `json:"gauge"`            // Repeat + Reproduce
	Part       Component    `json:"part"`             // between parts
	Total      Component    `json:"total"`            // Gauge + Part
	Categories int          `json:"categories"`       // sqrt(2) Part.SD / Gauge.SD cut to a whole number, at least 1
	Distinct   float64      `json:"distinct"`         // before cutting
	DistinctCI Interval     `json:"distinct_limits"`  // limits of Distinct
	PercentCI  Interval     `json:"percent_gauge_ci"` // limits of Gauge.PercentStudy
	// ToleranceCI are the limits of Gauge.PercentTolerance, zero without a tolerance.
	ToleranceCI Interval          `json:"percent_tolerance_ci"`
	Warnings    []refusal.Warning `json:"warnings,omitempty"`
}

// shape refuses data that are not parts x appraisers x trials in full.
func shape(y [][][]float64, first, second string) (a, b, n int, err error) {
	if len(y) == 0 || len(y[0]) == 0 {
		return 0, 0, 0, refusal.Few("readings", 0, 8)
	}
	a, b, n = len(y), len(y[0]), len(y[0][0])
	flat := make([]float64, 0, a*b*n)
	for i, p := range y {
		if len(p) != b {
			return 0, 0, 0, refusal.Shapes("%s %d has %d %ss, %s 1 has %d: the study must be complete; measure what is missing or leave the whole %s out", first, i+1, len(p), second, first, b, first)
		}
		for j, t := range p {
			if len(t) != n {
				return 0, 0, 0, refusal.Shapes("%s %d, %s %d has %d readings, the first has %d: the study must be complete; measure what is missing or leave the whole %s out", first, i+1, second, j+1, len(t), n, first)
			}
			flat = append(flat, t...)
		}
	}
	if err := refusal.Finite("readings", flat); err != nil {
		return 0, 0, 0, err
	}
	return a, b, n, nil
}

// Crossed analyses y[part][appraiser][trial], every appraiser measuring every part the same number of times (parts and
// appraisers random), by the two-way analysis of variance with interaction, p parts, o appraisers, r trials:
//
//	repeatability = MS_E,  interaction = (MS_PO - MS_E)/r,  appraiser = (MS_O - MS_PO)/(p r),  part = (MS_P - MS_PO)/(o r)
//
// Where the interaction's p value is above Options.PoolAbove, its sum of squares joins the repeatability, whose mean
// square then stands in place of MS_PO too. One appraiser (a gauge that nobody influences) leaves repeatability and parts.
// A component that comes out below zero is shown as zero, with a warning; sums are of the components as shown. Limits
// are of sums of components by the modified-large-sample method (or Satterthwaite's), of ratios to the whole and of the
// number of categories by its inversion: they belong to the estimates before cutting at zero.
//
// Unbalanced data are refused, naming the gap. Refused too: fewer than 2 parts, fewer than 2 trials, no repeatability.
// It warns under 10 parts, and where there are fewer than 3 appraisers (but not for one).
//
// Source: R. K. Burdick, C. M. Borror, D. C. Montgomery, "A review of methods for measurement systems capability
// analysis", Journal of Quality Technology 35 (2003), 342-354; for the limits see R. K. Burdick and G. A. Larsen there
// 29 (1997), 261-273 (formulas from memory).
func Crossed(y [][][]float64, o StudyOptions) (Study, error) {
	if err := o.check(); err != nil {
		return Study{}, err
	}
	p, a, n, err := shape(y, "part", "appraiser")
	if err != nil {
		return Study{}, err
	}
	if err := enough(p, n); err != nil {
		return Study{}, err
	}
	s := Study{Options: o, Parts: p, Appraisers: a, Trials: n}
	P, A, N := float64(p), float64(a), float64(n)
	z, size := centred(y, &s.Mean)
	var parts, apps, inter, rest dist.Accumulator
	cell, part, app := means(z)
	for i := range z {
		parts.Add(A * N * sq(part[i]))
		for j := range z[i] {
			inter.Add(N * sq(cell[i][j]-part[i]-app[j]))
			for _, v := range z[i][j] {
				rest.Add(sq(v - cell[i][j]))
			}
		}
	}
	for _, v := range app {
		apps.Add(P * N * sq(v))
	}
	line := func(source string, ss, df float64) MeanSquare {
		return MeanSquare{Source: source, DF: df, SS: ss, MS: ss / df}
	}
	pl, rl := line("part", parts.Sum(), P-1), line("repeatability", rest.Sum(), P*A*(N-1))
	if steady(math.Sqrt(rl.MS), size) {
		return Study{}, refusal.Constant("repeated readings of a part", p*a*n)
	}
	if a == 1 {
		pl.test(rl)
		s.Analysis = []MeanSquare{pl, rl}
		s.Lines = s.Analysis
		s.fill(sums{repeat: combination{0, 1}, part: combination{1 / N, -1 / N}})
		return s, nil
	}
	ol, il := line("appraiser", apps.Sum(), A-1), line("interaction", inter.Sum(), (P-1)*(A-1))
	il.test(rl)
	pl.test(il)
	ol.test(il)
	s.Analysis = []MeanSquare{pl, ol, il, rl}
	s.Pooled = il.P > *o.PoolAbove
	if s.Pooled {
		e := line("repeatability with interaction", rl.SS+il.SS, rl.DF+il.DF)
		pl.Tested, ol.Tested = false, false
		pl.test(e)
		ol.test(e)
		s.Lines = []MeanSquare{pl, ol, e}
		s.fill(sums{repeat: combination{0, 0, 1}, appraiser: combination{0, 1 / (P * N), -1 / (P * N)},
			part: combination{1 / (A * N), 0, -1 / (A * N)}})
		return s, nil
	}
	s.Lines = s.Analysis
	s.fill(sums{repeat: combination{0, 0, 0, 1}, appraiser: combination{0, 1 / (P * N), -1 / (P * N), 0},
		interact: combination{0, 0, 1 / N, -1 / N}, part: combination{1 / (A * N), 0, -1 / (A * N), 0}})
	return s, nil
}

// Nested analyses y[appraiser][part][trial], each appraiser (or laboratory, or gauge) measuring parts of his own the same
// number of times, as where measuring destroys or parts cannot travel: o appraisers, p parts each, r trials,
//
//	repeatability = MS_E,  part = (MS_P(O) - MS_E)/r,  appraiser = (MS_O - MS_P(O))/(p r)
//
// Appraisers' and parts' differences part only if parts were dealt out at random. Everything else as for Crossed; there
// is no interaction. Refused: fewer than 2 appraisers, 2 parts, 2 trials.
//
// Source: S. R. Searle, G. Casella, C. E. McCulloch, Variance Components (1992), chapter 4 (from memory).
func Nested(y [][][]float64, o StudyOptions) (Study, error) {
	if err := o.check(); err != nil {
		return Study{}, err
	}
	a, p, n, err := shape(y, "appraiser", "part")
	if err != nil {
		return Study{}, err
	}
	if a < 2 {
		return Study{}, refusal.Few("appraisers", a, 2)
	}
	if err := enough(p, n); err != nil {
		return Study{}, err
	}
	s := Study{Options: o, Parts: p, Appraisers: a, Trials: n, Nested: true}
	A, P, N := float64(a), float64(p), float64(n)
	z, size := centred(y, &s.Mean)
	cell, app, _ := means(z)
	var apps, parts, rest dist.Accumulator
	for j := range z {
		apps.Add(P * N * sq(app[j]))
		for i := range z[j] {
			parts.Add(N * sq(cell[j][i]-app[j]))
			for _, v := range z[j][i] {
				rest.Add(sq(v - cell[j][i]))
			}
		}
	}
	line := func(source string, ss, df float64) MeanSquare {
		return MeanSquare{Source: source, DF: df, SS: ss, MS: ss / df}
	}
	ol, pl, rl := line("appraiser", apps.Sum(), A-1), line("part within appraiser", parts.Sum(), A*(P-1)), line("repeatability", rest.Sum(), A*P*(N-1))
	if steady(math.Sqrt(rl.MS), size) {
		return Study{}, refusal.Constant("repeated readings of a part", p*a*n)
	}
	pl.test(rl)
	ol.test(pl)
	s.Analysis = []MeanSquare{ol, pl, rl}
	s.Lines = s.Analysis
	s.fill(sums{repeat: combination{0, 0, 1}, part: combination{0, 1 / N, -1 / N}, appraiser: combination{1 / (P * N), -1 / (P * N), 0}})
	return s, nil
}

func enough(parts, trials int) error {
	if parts < 2 {
		return refusal.Few("parts", parts, 2)
	}
	if trials < 2 {
		return refusal.Few("trials", trials, 2)
	}
	return nil
}

// centred is a copy of y less its grand mean, in two steps so that shared leading digits are lost exactly; and the size
// of its readings.
func centred(y [][][]float64, mean *float64) ([][][]float64, float64) {
	var flat []float64
	for _, p := range y {
		for _, t := range p {
			flat = append(flat, t...)
		}
	}
	c := flat[0]
	d := make([]float64, len(flat))
	for i, v := range flat {
		d[i] = v - c
	}
	m := dist.Sum(d) / float64(len(d))
	*mean = c + m
	z := make([][][]float64, len(y))
	k := 0
	for i, p := range y {
		z[i] = make([][]float64, len(p))
		for j, t := range p {
			row := d[k : k+len(t) : k+len(t)]
			for l := range row {
				row[l] -= m
			}
			z[i][j] = row
			k += len(t)
		}
	}
	return z, largest(flat)
}

// means are those of the cells, of the first index and of the second one.
func means(z [][][]float64) (cell [][]float64, first, second []float64) {
	cell = make([][]float64, len(z))
	first, second = make([]float64, len(z)), make([]float64, len(z[0]))
	for i, p := range z {
		cell[i] = make([]float64, len(p))
		for j, t := range p {
			cell[i][j] = dist.Sum(t) / float64(len(t))
			second[j] += cell[i][j] / float64(len(z))
		}
		first[i] = dist.Sum(cell[i]) / float64(len(p))
	}
	return cell, first, second
}

// sums are the components as combinations of mean squares, nil for one that the study does not have.
type sums struct{ repeat, appraiser, interact, part combination }

// fill works out all components from Lines.
func (s *Study) fill(c sums) {
	none := make(combination, len(s.Lines))
	for _, k := range []*combination{&c.appraiser, &c.interact} {
		if *k == nil {
			*k = none
		}
	}
	q := withLimits(s.Lines, (1-s.Options.Confidence)/2)
	reproduce := c.appraiser.plus(1, c.interact)
	gauge := c.repeat.plus(1, reproduce)
	total := gauge.plus(1, c.part)
	single := func(name string, k combination) Component {
		out := s.component(k, q)
		if out.Estimate < 0 {
			s.Warnings = append(s.Warnings, refusal.Warning{Kind: refusal.Adjusted, What: name, Value: out.Estimate,
				Detail: "The variance between " + name + " came out below zero and is shown as zero."})
		}
		return out
	}
	s.Repeat = s.component(c.repeat, q)
	s.Appraiser = single("appraisers", c.appraiser)
	s.Interact = single("part-appraiser pairs", c.interact)
	s.Part = single("parts", c.part)
	together := func(k combination, of ...Component) Component {
		out := s.component(k, q)
		out.Variance = 0
		for _, p := range of {
			out.Variance += p.Variance
		}
		out.SD = math.Sqrt(out.Variance)
		return out
	}
	s.Reproduce = together(reproduce, s.Appraiser, s.Interact)
	s.Gauge = together(gauge, s.Repeat, s.Reproduce)
	s.Total = together(total, s.Gauge, s.Part)
	for _, k := range []*Component{&s.Repeat, &s.Appraiser, &s.Interact, &s.Reproduce, &s.Gauge, &s.Part, &s.Total} {
		k.PercentStudy = 100 * k.SD / s.Total.SD
		k.PercentContribution = 100 * k.Variance / s.Total.Variance
		if s.Options.Tolerance > 0 {
			k.PercentTolerance = 100 * s.Options.Multiple * k.SD / s.Options.Tolerance
		}
	}
	s.Distinct = math.Sqrt(2 * s.Part.Variance / s.Gauge.Variance)
	s.Categories = max(1, int(math.Min(s.Distinct, 1e9)))
	hint := s.Part.Variance / s.Gauge.Variance
	r := ratioLimits(c.part, gauge, c.repeat, q, hint)
	s.DistinctCI = Interval{math.Sqrt(2 * r.Lower), math.Sqrt(2 * r.Upper)}
	s.PercentCI = Interval{100 / math.Sqrt(1+r.Upper), 100 / math.Sqrt(1+r.Lower)}
	if t := s.Options.Tolerance; t > 0 {
		f := 100 * s.Options.Multiple / t
		s.ToleranceCI = Interval{f * s.Gauge.SDInterval.Lower, f * s.Gauge.SDInterval.Upper}
	}
	if s.Parts < 10 {
		s.Warnings = append(s.Warnings, refusal.Small("parts", s.Parts, 10))
	}
	if s.Appraisers == 2 {
		s.Warnings = append(s.Warnings, refusal.Small("appraisers", s.Appraisers, 3))
	}
}

func (s *Study) component(k combination, q *factors) Component {
	out := Component{Estimate: q.Sum(k), DF: q.DegreesOfFreedom(k)}
	out.Variance = math.Max(0, out.Estimate)
	out.SD = math.Sqrt(out.Variance)
	l := k.limits(q, s.Options.Intervals)
	out.SDInterval = Interval{math.Sqrt(math.Max(0, l.Lower)), math.Sqrt(math.Max(0, l.Upper))}
	return out
}

// Run is one measurement of a plan, numbers from 1.
type Run struct {
	Run       int `json:"run"`
	Part      int `json:"part"`
	Appraiser int `json:"appraiser"`
	Trial     int `json:"trial"`
}

// Plan is the order sheet of a study: trial by trial, in each the appraisers in a random order, and every appraiser all
// parts (his own ones where nested) in a random order of his own, so that nobody measures a part twice before having
// measured all. The same seed gives the same sheet. It refuses fewer than 2 parts, 1 appraiser, 2 trials, and more than
// 100 000 runs.
//
// Source: common practice, no source.
func Plan(parts, appraisers, trials int, seed uint64) ([]Run, error) {
	if err := enough(parts, trials); err != nil {
		return nil, err
	}
	if appraisers < 1 {
		return nil, refusal.Few("appraisers", appraisers, 1)
	}
	const most = 100_000
	if parts > most || appraisers > most/parts || trials > most/(parts*appraisers) {
		return nil, refusal.Setting("number of runs", float64(parts)*float64(appraisers)*float64(trials), "must be at most 100000")
	}
	r := rand.New(rand.NewPCG(seed, 0x6761756765)) // the second word only sets the plan's stream apart
	sheet := make([]Run, 0, parts*appraisers*trials)
	for t := range trials {
		for _, a := range r.Perm(appraisers) {
			for _, p := range r.Perm(parts) {
				sheet = append(sheet, Run{Run: len(sheet) + 1, Part: p + 1, Appraiser: a + 1, Trial: t + 1})
			}
		}
	}
	return sheet, nil
}
