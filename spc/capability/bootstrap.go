package capability

import (
	"fmt"
	"math"
	"slices"

	"sagwatch/spc/dist"
	"sagwatch/spc/fit"
	"sagwatch/spc/refusal"
)

// By says from what indices are worked out.
type By string

// Ways to the indices.
const (
	ByMoments     By = "mean and standard deviation" // of a normal characteristic
	ByPercentiles By = "percentiles of the values"
	ByFit         By = "percentiles of the fitted distribution"
)

// Resampled are indices and the fraction outside with limits from resampling.
type Resampled struct {
	C, CL, CU, CK Interval // NaN where the specification does not allow the index
	Cpm           Interval // about the target (see Cpm), NaN where the specification does not allow it
	Outside       Interval // of the total fraction
	Mean, SD      Interval
	Resamples     int
	Blocks        int // that were drawn; 0: single values
	Warnings      []refusal.Warning
}

// columns of the resampled figures.
const (
	colC = iota
	colCL
	colCU
	colCK
	colOutside
	colMean
	colSD
	colCpm
	cols
)

// fill takes the limits from the figures of the resamples.
func (r *Resampled) fill(all [][]float64, confidence float64) {
	method := "resampling of single values"
	if r.Blocks > 0 {
		method = "resampling of whole blocks"
	}
	r.Resamples = len(all)
	method += fmt.Sprintf(", %d times", len(all))
	for _, f := range []struct {
		to     *Interval
		column int
	}{{&r.C, colC}, {&r.CL, colCL}, {&r.CU, colCU}, {&r.CK, colCK}, {&r.Outside, colOutside}, {&r.Mean, colMean}, {&r.SD, colSD}, {&r.Cpm, colCpm}} {
		lo, hi, _, ok := fit.PercentileLimits(all, f.column, confidence)
		if !ok {
			lo, hi = math.NaN(), math.NaN()
		}
		*f.to = Interval{lo, hi, confidence, method, nil}
	}
	if r.Blocks > 0 && r.Blocks < 25 { // common practice, no source
		w := refusal.Small("blocks", r.Blocks, 25)
		w.Detail = "With so few the interval is too narrow."
		r.Warnings = append(r.Warnings, w)
	}
}

// Bootstrap gives the limits of indices by resampling whole blocks (shifts), because values of one block resemble each other; without
// blocks single values are drawn, which is right where neighbours are independent. Limits are those between which the
// resampled figures lie (percentile bootstrap).
//
// by says from what the indices of each resample come: ByMoments from its mean and standard deviation; ByPercentiles from its own
// percentiles, without refitting; ByFit from the family fitted to it anew (family is used by it alone), which is slow for
// Johnson curves. The result depends on o.Resamples and o.Seed and on nothing else.
//
// It refuses what Spec.Check refuses, a level outside (0, 1), a way by that is none of the three, fewer than two blocks (or values),
// resamples most of which give no index (their values do not vary, the indices are refused as in Normal and Percentile, or the family
// cannot be fitted to them). Below 25 blocks it warns.
//
// Source: B. Efron and R. J. Tibshirani, An Introduction to the Bootstrap (1993), chapters 8 and 13; ISO 22514-2 for the indices.
func Bootstrap(s *fit.Sample, blocks []fit.Block, spec Spec, by By, family fit.Family, confidence float64, o fit.Resampling) (Resampled, error) {
	if err := spec.Check(); err != nil {
		return Resampled{}, err
	}
	if err := level(confidence); err != nil {
		return Resampled{}, err
	}
	switch by {
	case ByMoments, ByPercentiles, ByFit:
	default:
		return Resampled{}, refusal.Shapes("indices cannot be worked out by %q; choose %q, %q or %q", string(by), string(ByMoments), string(ByPercentiles), string(ByFit))
	}
	// A limit that does not count must not be counted against.
	lower, upper := math.Inf(-1), math.Inf(1)
	if has, _ := spec.sides(); has {
		lower = spec.Lower
	}
	if spec.HasUpper {
		upper = spec.Upper
	}
	n := float64(s.N())
	var near fit.Distribution
	if by == ByFit {
		var err error
		if near, err = fit.Fit(s, family); err != nil {
			return Resampled{}, err
		}
	}
	figures := func(dst []float64, counts []int) {
		for i := range dst {
			dst[i] = math.NaN()
		}
		mean, sd := s.MeanSDOf(counts)
		dst[colMean], dst[colSD] = mean, sd
		if c, err := Cpm(mean, sd, spec); err == nil {
			dst[colCpm] = c
		}
		var i Indices
		var err error
		switch by {
		case ByMoments:
			i, err = Normal(mean, sd, spec)
			if err == nil {
				dst[colOutside] = dist.NormalTail((mean-lower)/sd) + dist.NormalTail((upper-mean)/sd)
			}
		case ByFit:
			var d fit.Distribution
			if d, err = refit(s, counts, near); err == nil {
				i, err = Percentile(d, spec)
				dst[colOutside] = outside(d, lower, upper)
			}
		case ByPercentiles:
			var q [3]float64
			s.Quantiles(q[:], natural, counts)
			i, err = spec.percentiles(q[0], q[1], q[2])
			below, above := s.Outside(lower, upper, counts)
			total := 0
			for _, c := range counts {
				total += c
			}
			dst[colOutside] = (below + above) / float64(total)
		}
		if err == nil {
			dst[colC], dst[colCL], dst[colCU], dst[colCK] = i.C, i.CL, i.CU, i.CK
		}
	}
	all, err := s.Bootstrap(blocks, cols, o, figures)
	if err != nil {
		return Resampled{}, err
	}
	out := Resampled{Blocks: len(blocks)}
	out.fill(all, confidence)
	if math.IsNaN(out.CK.Lower) {
		return Resampled{}, refusal.Unsolved("most resamples give no index: their values hardly vary beside their own size or beside the limits, or the family cannot be fitted to them")
	}
	if by == ByPercentiles && n < EnoughForPercentiles {
		out.Warnings = append(out.Warnings, refusal.Small("values", int(n), EnoughForPercentiles))
	}
	return out, nil
}

func outside(d fit.Distribution, lower, upper float64) float64 {
	total := 0.0
	if !math.IsInf(lower, -1) {
		total += d.CDF(lower)
	}
	if !math.IsInf(upper, 1) {
		total += d.Tail(upper)
	}
	return total
}

// refit fits a family to a resample of the sample that near was fitted to.
func refit(s *fit.Sample, counts []int, near fit.Distribution) (fit.Distribution, error) {
	r, err := s.With(counts)
	if err != nil {
		return nil, err
	}
	return fit.Refit(r, near)
}

// Evidence is what is known of a process's stability in the period of a report.
type Evidence struct {
	Signals    int     // of control charts, that are not explained and closed as no fault
	Points     int     // charted points of the same charts
	ExpectFew  float64 // false signals expected among them when nothing is wrong
	Lag1       float64 // correlation of neighbours, of what is charted
	Lag1Band   float64 // half width of what chance alone gives
	BlockShare float64 // share of the variance that lies between blocks (shifts)
	BlockP     float64 // its p-value
	Limits     bool    // there were limits in force over the period
}

// Grade says what figures may be called.
type Grade struct {
	// Stable: capability may be claimed. Else the figures describe the period and predict nothing: performance only.
	Stable bool
	// Blocks: neighbours resemble each other or blocks differ, so intervals come from resampling of blocks.
	Blocks  bool
	Reasons []string // why not, or why by blocks, in words
}

// GradeOf turns the evidence into a grade. Stable needs limits in force and no more signals than chance explains: at most those
// that a Poisson number about ExpectFew exceeds with probability 1 %. Blocks are called for by a lag-1 correlation beyond its
// band, or a share between blocks with a p-value below 1 %.
func GradeOf(e Evidence) Grade {
	g := Grade{Stable: true}
	if !e.Limits {
		g.Stable = false
		g.Reasons = append(g.Reasons, "no control limits were in force over the period, so nothing shows that the process was stable")
	}
	if most := poissonMost(e.ExpectFew, 0.01); e.Signals > most {
		g.Stable = false
		g.Reasons = append(g.Reasons, "there were more signals than chance explains")
	}
	if e.Lag1Band > 0 && math.Abs(e.Lag1) > e.Lag1Band {
		g.Blocks = true
		g.Reasons = append(g.Reasons, "neighbours resemble each other")
	}
	if e.BlockP > 0 && e.BlockP < 0.01 && e.BlockShare > 0 {
		g.Blocks = true
		g.Reasons = append(g.Reasons, "shifts differ from each other")
	}
	return g
}

// Levelled moves each stream of a grid so that all have the mean of all: what the moulds would give if they were levelled. The
// result is the shift of each stream, by number.
func Levelled(g Grid) map[int]float64 {
	var streams []int
	for i := range g.Cells {
		if !slices.Contains(streams, g.Cells[i].Stream) {
			streams = append(streams, g.Cells[i].Stream)
		}
	}
	slices.Sort(streams)
	groups := g.Groups(func(c *Cell) int { return c.Stream })
	all := join(groups)
	out := map[int]float64{}
	for i, stream := range streams {
		out[stream] = all.Mean - groups[i].Mean
	}
	return out
}

// poissonMost is the number that a Poisson variable exceeds with probability p at most.
func poissonMost(mean, p float64) int {
	if !(mean > 0) {
		return 0
	}
	return dist.PoissonQuantileUpper(p, min(mean, 1e9))
}
