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
	"sagwatch/web/ui"
)

// Resamples of the intervals, and the seed of all of them: the same inputs give the same report. An end of a 95 % interval by so many
// scatters by 6, 8 and 12 % of the figure's standard error, sqrt(0.025 0.975 / resamples) over the normal density at the end, so that
// the second decimal of an index is its own up to a standard error of about 0.08, 0.06 and 0.04.
const (
	resampleMoments = 2000
	resampleFits    = 1000
	resampleMoulds  = 500
	manyPanels      = 100_000
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
	at          int          // its place among the characteristics of the report
	bare        error        // why Ppk has no interval
	step        float64      // bins from one value to the next, where values are rounded to a step; else 1
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
		of, err := c.work(i)
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

func (c *Capability) work(i int) (*CapabilityOf, error) {
	in := &c.Of[i]
	o := &CapabilityOf{CapabilityInput: in, at: i, Words: plant.Characteristic(in.Name), Usual: true}
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
		o.Refused = "its values do not vary: " + ui.WithUnit(trim(all.Cells[0].Least), in.Unit) + " throughout, so there is no spread to compare with the specification"
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
	every := portion{Grid: all}
	if err := o.model(c.CapabilityInputs, every); err != nil {
		o.Refused = "no distribution could be fitted to its values: " + err.Error()
		return o, nil
	}
	o.lines(c.CapabilityInputs, every)
	o.within(c.CapabilityInputs)
	o.drawn(c.CapabilityInputs, every)
	o.tests(c.CapabilityInputs, every)
	o.against(c.CapabilityInputs, all)
	return o, nil
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
	if o.CapabilityInput.Grid.N() == 0 || in.Behind {
		o.Grade.Stable = false // everything was left out, or the charts have not seen it all: nothing could show it
	}
	o.Blocked = o.Grade.Blocks && len(o.Means) >= leastBlocks
}
