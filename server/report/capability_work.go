package report

import (
	"cmp"
	"encoding/json"
	"math"
	"slices"

	"sagwatch/server/plant"
	"sagwatch/spc/capability"
	"sagwatch/spc/chart"
	"sagwatch/spc/components"
	"sagwatch/spc/fit"
	"sagwatch/store"
)

// Resamples of the intervals, and the seed of all of them: the same inputs give the same report.
const (
	resampleMoments = 2000
	resampleFits    = 500
	resampleMoulds  = 250
	capabilitySeed  = 1
)

// fewValues is the number below which an index is not to be relied on; common practice, no source.
const fewValues = 50

// Capability is a capability report worked out: page and document show the same figures from it.
type Capability struct {
	*CapabilityInputs
	Worked  []*CapabilityOf // the one farthest below the wanted index first
	Figures []*Figure
}

// CapabilityOf is one characteristic worked out.
type CapabilityOf struct {
	*CapabilityInput
	Words    string // "largest deviation"
	Decimals int    // of its values
	Family   fit.Family
	By       capability.By
	Usual    bool // the model is the usual one of the characteristic
	Why      string
	Refused  string // why nothing can be worked out; then only what was gathered is there
	Evidence capability.Evidence
	// Unexplained are the signals outside what was left out; Evidence counts their points beyond limits.
	Unexplained int
	Grade       capability.Grade
	Blocked     bool // intervals come from whole shifts
	F, P        float64
	Means       []BlockMean
	Limits      *chart.Limits // of the means of shifts; nil for too few of them
	Beyond      int           // means beyond them, left-out ones aside
	Lines       []*CapabilityLine
	Cp, Cpk     *Figure // within, left-out panels aside; nil for a model without a standard deviation within
	Pp, Cpm     *Figure
	Within      capability.Sigma
	Fitted      *fit.Fitted // over all panels; nil without a model
	Spread      [3]float64  // 0.135 %, 50 % and 99.865 % by the model
	Own         capability.Indices
	HasOwn      bool // indices by the values' own percentiles
	Parts       *components.Result
	Tests       []*Figure
	Bins        []HistogramBin
	Quantile    [][2]float64 // by the model, measured
	Distinct    int          // bins that are filled
	step        int          // bins from one value to the next, where values are rounded to a step
	Against     []string     // what speaks against an index here, and what would help
}

// BlockMean is the mean of a shift.
type BlockMean struct {
	Block   int
	N       int
	Mean    float64
	LeftOut bool // most of its panels are
	Beyond  bool
}

// HistogramBin is one bar of the printed histogram.
type HistogramBin struct {
	From, To float64
	N        int
	Expected float64 // by the model
}

// CapabilityLine is the overall figures of one share of the panels.
type CapabilityLine struct {
	Key         string // "all", "counted", "levelled", "mould:9"
	Words       string // "Mould 9"
	Mould       string
	N           int
	Mean, SD    float64
	MeanFigure  *Figure
	SDFigure    *Figure
	Ppk         *Figure
	Independent *Figure // Ppk with the interval as if neighbours were independent; nil where that is the interval
	Outside     *Figure // parts per million by the model
	Observed    *Figure // parts per million that were outside; nil where panels are moved
	Beyond      int
	Missing     string
	Verdict     string // by the wanted index and the interval: "pass", "fail", "undecided"
}

func init() {
	makers[store.CapabilityReport] = func(inputs []byte) (*Document, error) {
		var in CapabilityInputs
		if err := json.Unmarshal(inputs, &in); err != nil {
			return nil, err
		}
		c, err := WorkCapability(&in)
		if err != nil {
			return nil, err
		}
		return c.Document(), nil
	}
}

// WorkCapability works a report out from its inputs alone.
func WorkCapability(in *CapabilityInputs) (*Capability, error) {
	c := &Capability{CapabilityInputs: in}
	for i := range in.Of {
		of, err := c.work(&in.Of[i])
		if err != nil {
			return nil, err
		}
		c.Worked = append(c.Worked, of)
	}
	slices.SortStableFunc(c.Worked, func(a, b *CapabilityOf) int { return cmp.Compare(a.rank(), b.rank()) })
	for _, of := range c.Worked {
		c.Figures = append(c.Figures, of.Figures()...)
	}
	return c, nil
}

// rank orders characteristics: what falls short first, what has no figure last.
func (o *CapabilityOf) rank() float64 {
	if l := o.line("all"); l != nil && l.Ppk.Value.Has() {
		return float64(l.Ppk.Value)
	}
	return math.Inf(1)
}

// line finds a line by its key.
func (o *CapabilityOf) line(key string) *CapabilityLine {
	for _, l := range o.Lines {
		if l.Key == key {
			return l
		}
	}
	return nil
}

// All is the line of all panels; nil where nothing could be worked out.
func (o *CapabilityOf) All() *CapabilityLine { return o.line("all") }

// Counted is the line without what was left out of Cp and Cpk; nil where nothing was.
func (o *CapabilityOf) Counted() *CapabilityLine { return o.line("counted") }

// Levelled is the line of levelled moulds; nil with one mould.
func (o *CapabilityOf) Levelled() *CapabilityLine { return o.line("levelled") }

// MouldLines are the lines of single moulds.
func (o *CapabilityOf) MouldLines() []*CapabilityLine {
	var out []*CapabilityLine
	for _, l := range o.Lines {
		if l.Mould != "" {
			out = append(out, l)
		}
	}
	return out
}

// both is all values, counted and left out.
func (in *CapabilityInput) both() capability.Grid {
	g := in.Grid
	if len(g.Cells) == 0 {
		g.Width, g.Origin = in.LeftOut.Width, in.LeftOut.Origin
	}
	g.Cells = append(slices.Clone(in.Grid.Cells), in.LeftOut.Cells...)
	return g
}

const manyBlocks = capabilityBlockTop + 1

func byCell(c *capability.Cell) int  { return c.Stream*manyBlocks + c.Block }
func byBlock(c *capability.Cell) int { return c.Block }
func byMould(c *capability.Cell) int { return c.Stream }

func (c *Capability) work(in *CapabilityInput) (*CapabilityOf, error) {
	o := &CapabilityOf{CapabilityInput: in, Words: plant.Characteristic(in.Name), Usual: true}
	all := in.both()
	if n := all.N(); n < 2 {
		o.Refused = "there is only one panel with it in the period"
		if n == 0 {
			o.Refused = "no panel of the period has it"
		}
		return o, nil
	}
	_, sigma, err := capability.Overall(all.Groups(byCell))
	if err != nil {
		o.Refused = "its values do not vary: " + plain(all.Cells[0].Least) + " throughout, so there is no spread to compare with the specification"
		return o, nil
	}
	o.Decimals = decimalsFor(sigma.SD)
	filled := map[int32]bool{}
	for i := range all.Cells {
		for _, b := range all.Cells[i].Bins {
			filled[b] = true
		}
	}
	o.Distinct = len(filled)
	o.step = stepOf(filled)
	o.parts(c.CapabilityInputs, all)
	o.stability(c.CapabilityInputs, all)
	if err := o.model(c.Asked, all); err != nil {
		o.Refused = "no distribution could be fitted to its values: " + err.Error()
		return o, nil
	}
	o.lines(c.CapabilityInputs, all)
	o.within(c.CapabilityInputs)
	o.drawn(all)
	o.tests(all)
	o.against(c.CapabilityInputs, all)
	return o, nil
}

// stepOf is the least distance between bins that are filled, where values are so rounded that none stand side by side.
func stepOf(filled map[int32]bool) int {
	bins := make([]int32, 0, len(filled))
	for b := range filled {
		bins = append(bins, b)
	}
	slices.Sort(bins)
	step := 0
	for i := 1; i < len(bins); i++ {
		if d := int(bins[i] - bins[i-1]); step == 0 || d < step {
			step = d
		}
	}
	return max(step, 1)
}

// numbers are those of the groups that Groups gives, in its order.
func numbers(g capability.Grid, by func(*capability.Cell) int) []int {
	seen := map[int]bool{}
	var out []int
	for i := range g.Cells {
		if k := by(&g.Cells[i]); !seen[k] {
			seen[k] = true
			out = append(out, k)
		}
	}
	slices.Sort(out)
	return out
}

// decimalsFor gives three figures of a spread.
func decimalsFor(sd float64) int {
	if !(sd > 0) {
		return 3
	}
	return min(max(2-int(math.Floor(math.Log10(sd))), 0), 9)
}

// stability gathers what speaks for and against a stable process.
func (o *CapabilityOf) stability(in *CapabilityInputs, all capability.Grid) {
	order := numbers(all, byBlock)
	groups := all.Groups(byBlock)
	var kept []float64
	for i, b := range order {
		m := BlockMean{Block: b, N: groups[i].N, Mean: groups[i].Mean}
		if b < len(in.Blocks) {
			m.LeftOut = 2*in.Blocks[b].LeftOut > in.Blocks[b].Panels
		}
		if !m.LeftOut {
			kept = append(kept, m.Mean)
		}
		o.Means = append(o.Means, m)
	}
	if len(kept) >= 8 { // fewer give limits that say nothing
		if r, err := chart.Individuals(kept, chart.IndividualsOptions{}); err == nil {
			l := r.Limits
			o.Limits = &l
			for i := range o.Means {
				m := &o.Means[i]
				if m.Beyond = !m.LeftOut && (m.Mean < l.Lower || m.Mean > l.Upper); m.Beyond {
					o.Beyond++
				}
			}
		}
	}
	e := &o.Evidence
	e.Limits = o.CapabilityInput.Evidence.Covered >= 0.9
	e.Points, e.ExpectFew = o.CapabilityInput.Evidence.Points, o.CapabilityInput.Evidence.Expect
	for _, s := range o.CapabilityInput.Evidence.Signals {
		if !s.Explained {
			e.Signals += max(1, s.Points)
			o.Unexplained++
		}
	}
	if l := o.CapabilityInput.Evidence.Lag1; l.Has() {
		e.Lag1, e.Lag1Band = float64(l), o.CapabilityInput.Evidence.Band
	}
	if f, p, err := capability.Differ(all.Groups(byMould), all.Groups(byCell)); err == nil {
		o.F, o.P = f, p
		// The share of the variance inside moulds; by the components where there are some, else by the mean squares.
		each := float64(all.N()) / float64(len(all.Groups(byCell)))
		e.BlockP, e.BlockShare = max(p, math.SmallestNonzeroFloat64), max(0, f-1)/(max(0, f-1)+each)
		if o.Parts != nil {
			e.BlockShare = 0
			for _, c := range o.Parts.Components[1 : len(o.Parts.Components)-1] {
				e.BlockShare += c.Share
			}
		}
	}
	o.Grade = capability.GradeOf(*e)
	if o.CapabilityInput.Grid.N() == 0 {
		o.Grade.Stable = false // everything was left out: nothing is left that could show it
	}
	o.Blocked = o.Grade.Blocks && len(o.Means) >= leastBlocks
}

// model takes the usual distribution of the characteristic, or the one that somebody chose.
func (o *CapabilityOf) model(asked CapabilityQuery, all capability.Grid) error {
	s, _, err := all.Sample(nil)
	if err != nil {
		return err
	}
	m, chosen := asked.Models[o.Name]
	switch {
	case chosen:
		o.Family, o.Usual, o.Why = m.Family, false, m.Reason
	case o.Kind == fit.Form:
		choice, err := fit.Choose(s, fit.Form, nil)
		if err != nil {
			return err
		}
		o.Family = choice.Best.Family()
		o.Why = "it is never below zero and skewed, so it is not normal; of the usual models of form errors (folded normal, largest extreme value) this one has the lesser AIC"
	default:
		o.Family, o.Why = fit.Normal, "it may lie on either side of its target"
	}
	switch o.Family {
	case fit.Normal:
		o.By = capability.ByMoments
	case Empirical:
		o.By = capability.ByPercentiles
	default:
		o.By = capability.ByFit
	}
	if o.Family != Empirical {
		if o.Fitted, err = fit.Fit(s, o.Family); err != nil {
			return err
		}
	}
	for i, t := range fit.Natural {
		switch {
		case o.Fitted == nil:
			p := t.P
			if t.Upper {
				p = 1 - p
			}
			o.Spread[i] = s.Quantiles(make([]float64, 1), []float64{p}, nil)[0]
		case t.Upper:
			o.Spread[i] = o.Fitted.QuantileUpper(t.P)
		default:
			o.Spread[i] = o.Fitted.Quantile(t.P)
		}
	}
	if own, warnings, err := capability.Empirical(s, o.Spec); err == nil && len(warnings) == 0 {
		o.Own, o.HasOwn = own, true
	}
	return nil
}

// moved is a grid whose moulds' means are shifted; the cells' histograms stay as they are.
func moved(g capability.Grid, shift map[int]float64) []capability.Group {
	cells := slices.Clone(g.Cells)
	for i := range cells {
		cells[i].Mean += shift[cells[i].Stream]
	}
	g.Cells = cells
	return g.Groups(byCell)
}

// lines works out what there is overall, without the left-out, levelled, and by mould.
func (o *CapabilityOf) lines(in *CapabilityInputs, all capability.Grid) {
	total := OutsideCount{}
	for _, c := range o.Counts {
		total.Below, total.Above = total.Below+c.Below, total.Above+c.Above
		total.BelowCounted, total.AboveCounted = total.BelowCounted+c.BelowCounted, total.AboveCounted+c.AboveCounted
	}
	o.add(in, "all", "All moulds, every "+in.Each, "", all, nil, total.Below, total.Above, resampleFits)
	if len(o.LeftOut.Cells) > 0 && len(o.Grid.Cells) > 0 {
		o.add(in, "counted", "Without what was left out", "", o.Grid, nil, total.BelowCounted, total.AboveCounted, resampleFits)
	}
	moulds := all.Groups(byMould)
	if len(moulds) < 2 {
		return
	}
	o.add(in, "levelled", "If the moulds were levelled", "", all, capability.Levelled(all), 0, 0, resampleFits)
	for i, m := range in.Moulds {
		g := all.Where(func(c *capability.Cell) bool { return c.Stream == i })
		if len(g.Cells) == 0 {
			continue
		}
		words := "Mould " + m
		if m == "" {
			words = "No mould named"
		}
		o.add(in, "mould:"+m, words, m, g, nil, o.Counts[i].Below, o.Counts[i].Above, resampleMoulds)
	}
}

// blocksOf are the moments of each block's subgroups.
func blocksOf(g capability.Grid, shift map[int]float64) [][]capability.Group {
	at := map[int]int{}
	order := numbers(g, byBlock)
	for i, b := range order {
		at[b] = i
	}
	out := make([][]capability.Group, len(order))
	for i := range g.Cells {
		c := &g.Cells[i]
		out[at[c.Block]] = append(out[at[c.Block]], capability.Group{N: c.N, Mean: c.Mean + shift[c.Stream], SS: c.SS})
	}
	return out
}

// add works out one line. A shift, where not nil, moves moulds.
func (o *CapabilityOf) add(in *CapabilityInputs, key, words, mould string, g capability.Grid, shift map[int]float64, below, above, resamples int) {
	l := &CapabilityLine{Key: key, Words: words, Mould: mould, N: g.N(), Beyond: below + above, Verdict: "undecided"}
	o.Lines = append(o.Lines, l)
	f := figureOf{o: o, l: l, in: in}
	l.Ppk = f.of("ppk", "Ppk", "1", 2)
	l.Outside = f.of("outside", "Expected outside", "ppm", 0)
	groups := moved(g, shift)
	mean, sigma, err := capability.Overall(groups)
	if err != nil {
		l.Missing = err.Error()
		l.Ppk.Missing, l.Outside.Missing = l.Missing, l.Missing
		return
	}
	l.Mean, l.SD = mean, sigma.SD
	l.MeanFigure, l.SDFigure = f.mean(), f.sd()
	if shift == nil {
		l.Observed = f.observed(below, above)
	}
	r, err := o.resampled(g, shift, mean, sigma, resamples)
	if err != nil {
		l.Missing = err.Error()
		l.Ppk.Missing, l.Outside.Missing = l.Missing, l.Missing
		return
	}
	f.index(l.Ppk, r.indices.CK, r.ck, "ppk")
	f.outside(l.Outside, r.fraction, r.out)
	if r.hasAlone {
		l.Independent = f.of("ppk-if-independent", "Ppk, interval if neighbours were independent", "1", 2)
		f.index(l.Independent, r.indices.CK, r.alone, "ppk")
	}
	if key == "all" && !math.IsNaN(r.indices.C) {
		o.Pp = f.of("pp", "Pp", "1", 2)
		f.index(o.Pp, r.indices.C, r.c, "pp")
	}
	if key == "all" && o.By == capability.ByMoments && o.Spec.HasLower && o.Spec.HasUpper {
		o.Cpm = f.cpm(mean, sigma)
	}
	if l.Ppk.Lower.Has() && float64(l.Ppk.Lower) >= in.Asked.Wanted {
		l.Verdict = "pass"
	} else if l.Ppk.Upper.Has() && float64(l.Ppk.Upper) < in.Asked.Wanted {
		l.Verdict = "fail"
	}
}

// overallFigures are the indices of a share of the panels with their intervals.
type overallFigures struct {
	indices    capability.Indices
	fraction   float64
	c, ck, out capability.Interval
	alone      capability.Interval // of CK as if neighbours were independent
	hasAlone   bool
}

func (o *CapabilityOf) resampled(g capability.Grid, shift map[int]float64, mean float64, sigma capability.Sigma, resamples int) (r overallFigures, err error) {
	options := fit.Resampling{Resamples: resamples, Seed: capabilitySeed}
	if o.By == capability.ByMoments {
		if r.indices, err = capability.Normal(mean, sigma.SD, o.Spec); err != nil {
			return r, err
		}
		f, err := capability.NormalOutside(mean, sigma, o.Spec, confidence, capabilitySeed)
		if err != nil {
			return r, err
		}
		r.fraction, r.out = f.Total, f.Interval
		if r.ck, err = capability.CKBounds(r.indices, sigma.N, sigma.DF, confidence); err != nil {
			return r, err
		}
		if !math.IsNaN(r.indices.C) {
			if r.c, err = capability.CInterval(r.indices.C, sigma.N, sigma.DF, confidence); err != nil {
				return r, err
			}
		}
		if o.Blocked {
			options.Resamples = resampleMoments
			if _, b, err := capability.BootstrapGroups(blocksOf(g, shift), o.Spec, confidence, options); err == nil {
				r.alone, r.hasAlone = r.ck, true
				r.c, r.ck, r.out = b.C, b.CK, b.Outside
			}
		}
		return r, nil
	}
	var by func(int) float64
	if shift != nil {
		by = func(stream int) float64 { return shift[stream] }
	}
	s, blocks, err := g.Sample(by)
	if err != nil {
		return r, err
	}
	if o.By == capability.ByFit {
		d, err := fit.Fit(s, o.Family)
		if err != nil {
			return r, err
		}
		if r.indices, err = capability.Percentile(d, o.Spec); err != nil {
			return r, err
		}
		f, err := capability.Outside(d, o.Spec)
		if err != nil {
			return r, err
		}
		r.fraction = f.Total
	} else {
		if r.indices, _, err = capability.Empirical(s, o.Spec); err != nil {
			return r, err
		}
		lower, upper := math.Inf(-1), math.Inf(1)
		if o.Spec.HasLower && !o.Spec.Bound {
			lower = o.Spec.Lower
		}
		if o.Spec.HasUpper {
			upper = o.Spec.Upper
		}
		below, above := s.Outside(lower, upper, nil)
		r.fraction = (below + above) / float64(s.N())
	}
	if o.By == capability.ByFit { // each resample is fitted anew: a sixth of the spread is fine enough for a histogram that is fitted
		if s, blocks, err = g.Coarser(coarseness(g, sigma.SD/6)).Sample(by); err != nil {
			return r, err
		}
	}
	if o.Blocked && len(blocks) >= 2 {
		if b, err := capability.Bootstrap(s, blocks, o.Spec, o.By, o.Family, confidence, options); err == nil {
			r.c, r.ck, r.out = b.C, b.CK, b.Outside
			if resamples == resampleFits && shift == nil {
				if a, err := capability.Bootstrap(s, nil, o.Spec, o.By, o.Family, confidence, options); err == nil {
					r.alone, r.hasAlone = a.CK, true
				}
			}
			return r, nil
		}
	}
	a, err := capability.Bootstrap(s, nil, o.Spec, o.By, o.Family, confidence, options)
	r.c, r.ck, r.out = a.C, a.CK, a.Outside
	return r, err
}

// coarseness is how many bins to join to about a width, fewer where a bin would reach below zero and no value does: many families
// have no values there.
func coarseness(g capability.Grid, width float64) int {
	k := int(math.Min(width/g.Width, 1e6))
	least := int32(math.MaxInt32)
	for i := range g.Cells {
		if b := g.Cells[i].Bins; len(b) > 0 {
			least = min(least, b[0])
		}
	}
	if g.Origin+float64(least)*g.Width >= 0 {
		for k > 1 && g.Origin+math.Floor(float64(least)/float64(k))*float64(k)*g.Width < 0 {
			k--
		}
	}
	return k
}

// within works Cp and Cpk out, without the panels that are left out: the spread inside a mould's shift.
func (o *CapabilityOf) within(in *CapabilityInputs) {
	if o.By != capability.ByMoments || len(o.Grid.Cells) == 0 {
		return
	}
	groups := o.Grid.Groups(byCell)
	sigma, err := capability.Pooled(groups)
	if err != nil {
		return
	}
	mean, _, err := capability.Overall(groups)
	if err != nil {
		return
	}
	i, err := capability.Normal(mean, sigma.SD, o.Spec)
	if err != nil {
		return
	}
	o.Within = sigma
	f := figureOf{o: o, in: in, mean_: mean}
	ck, errK := capability.CKBounds(i, o.Grid.N(), sigma.DF, confidence)
	c, errC := capability.CInterval(i.C, o.Grid.N(), sigma.DF, confidence)
	if o.Blocked {
		if w, _, err := capability.BootstrapGroups(blocksOf(o.Grid, nil), o.Spec, confidence, fit.Resampling{Resamples: resampleMoments, Seed: capabilitySeed}); err == nil {
			c, ck, errC, errK = w.C, w.CK, nil, nil
		}
	}
	if !math.IsNaN(i.C) && errC == nil {
		o.Cp = f.of("cp", "Cp", "1", 2)
		f.index(o.Cp, i.C, c, "cp")
	}
	if errK == nil {
		o.Cpk = f.of("cpk", "Cpk", "1", 2)
		f.index(o.Cpk, i.CK, ck, "cpk")
	}
}

// parts splits the variance into what comes from moulds, shifts and panels.
func (o *CapabilityOf) parts(in *CapabilityInputs, all capability.Grid) {
	groups := all.Groups(byCell)
	keys := numbers(all, byCell)
	cells := make([]components.Cell, len(keys))
	for i, k := range keys {
		cells[i] = components.Cell{A: k / manyBlocks, B: k % manyBlocks, N: groups[i].N, Mean: groups[i].Mean, SS: groups[i].SS}
	}
	options := components.Options{Confidence: confidence, Names: []string{"mould", in.Each}, Residual: "panel", Interaction: true}
	if r, err := components.FitCrossed(cells, options); err == nil {
		o.Parts = r
		return
	}
	options.Interaction = false // cells of one panel each cannot tell it from the panel's own
	if r, err := components.FitCrossed(cells, options); err == nil {
		o.Parts = r
	}
}
