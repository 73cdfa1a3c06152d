package gaugestudy

import (
	"math"

	"sagwatch/spc/dist"
)

// IntervalMethod says how confidence limits of combinations of mean squares are worked out.
type IntervalMethod string

// Methods. The zero value means ModifiedLargeSample. Satterthwaite's limits, shown for comparison, are too narrow where few
// appraisers carry much of the variation (4 appraisers: about 83 of 100 intervals of level 0.9 hold the gauge's standard
// deviation); limits of ratios are by the modified-large-sample method in either case.
const (
	ModifiedLargeSample IntervalMethod = "modified-large-sample"
	Satterthwaite       IntervalMethod = "satterthwaite"
)

// MeanSquare is one line of an analysis of variance.
type MeanSquare struct {
	Source string  `json:"source"`
	DF     float64 `json:"df"`
	SS     float64 `json:"ss"`
	MS     float64 `json:"ms"`
	// F and P of no variation from this source, where Tested: F over the mean square Against.
	Tested  bool    `json:"tested,omitempty"`
	F       float64 `json:"f,omitempty"`
	P       float64 `json:"p,omitempty"`
	Against string  `json:"against,omitempty"`
}

// test fills in F against another line. A ratio over nothing, or next to it, is left untested.
func (m *MeanSquare) test(against MeanSquare) {
	if f := m.MS / against.MS; f <= 1e100 {
		m.Tested, m.F, m.Against = true, f, against.Source
		m.P = dist.FTail(m.F, m.DF, against.DF)
	}
}

// combination is sum c_i MS_i over the lines of an analysis, an unbiased estimate of a sum of variance components.
type combination []float64

// plus is c + f o.
func (c combination) plus(f float64, o combination) combination {
	out := make(combination, len(c))
	for i := range c {
		out[i] = c[i] + f*o[i]
	}
	return out
}

// withLimits are the mean squares of an analysis with what their limits need, each missed with probability alpha.
func withLimits(lines []MeanSquare, alpha float64) *factors {
	q := &factors{alpha: alpha}
	var ms, df []float64
	for _, l := range lines {
		ms, df = append(ms, l.MS), append(df, l.DF)
	}
	q.MeanSquares = dist.NewMeanSquares(ms, df, alpha)
	return q
}

// factors are mean squares with the probability by which each of their limits misses.
type factors struct {
	*dist.MeanSquares
	alpha float64
}

// limits are the limits of the sum of components that c estimates by the method; not cut off at zero.
func (c combination) limits(q *factors, how IntervalMethod) Interval {
	v := q.Sum(c)
	if how == Satterthwaite {
		if df := q.DegreesOfFreedom(c); df > 0 {
			return Interval{df * v / dist.ChiSquareQuantileUpper(q.alpha, df), df * v / dist.ChiSquareQuantile(q.alpha, df)}
		}
	}
	return Interval{v - q.Spread(c, true), v + q.Spread(c, false)}
}

func sq(v float64) float64 { return v * v }

// ratioLimits are limits of the ratio of two sums of components: the values d at which the limits of num - d den reach
// zero, cut off at zero. hint is the point estimate. Where the scatter leaves den's lower limit below zero the ratio to den
// has no upper limit; then that to least, a part of den which is a mean square of its own, stands in.
func ratioLimits(num, den, least combination, q *factors, hint float64) Interval {
	limit := func(den combination, upper bool) func(float64) float64 {
		return func(d float64) float64 {
			l := num.plus(-d, den).limits(q, ModifiedLargeSample)
			if upper {
				return l.Upper
			}
			return l.Lower
		}
	}
	lower, _ := crossing(limit(den, false), hint)
	upper, ok := crossing(limit(den, true), hint)
	if !ok {
		upper, _ = crossing(limit(least, true), hint)
	}
	return Interval{lower, math.Max(lower, upper)}
}

// crossing is where f, falling, passes zero at a non-negative argument; 0 where it starts below, false where it does not
// come down.
func crossing(f func(float64) float64, hint float64) (float64, bool) {
	if !(f(0) > 0) {
		return 0, true
	}
	b := math.Max(hint, 1e-6)
	for range 200 {
		if f(b) < 0 {
			x, err := dist.Root(f, 0, b)
			return x, err == nil
		}
		b *= 2
	}
	return b, false
}
