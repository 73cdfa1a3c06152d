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

func (c combination) estimate(ms []MeanSquare) float64 {
	var s dist.Accumulator
	for i, v := range c {
		s.Add(v * ms[i].MS)
	}
	return s.Sum()
}

// plus is c + f o.
func (c combination) plus(f float64, o combination) combination {
	out := make(combination, len(c))
	for i := range c {
		out[i] = c[i] + f*o[i]
	}
	return out
}

// degreesOfFreedom is Satterthwaite's approximation
//
//	(sum c_i MS_i)^2 / sum (c_i MS_i)^2 / n_i
//
// 0 where the estimate is not above zero.
//
// Source: F. E. Satterthwaite, "An approximate distribution of estimates of variance components", Biometrics Bulletin 2
// (1946), 110-114.
func (c combination) degreesOfFreedom(ms []MeanSquare) float64 {
	num, den := c.estimate(ms), 0.0
	if !(num > 0) {
		return 0
	}
	for i, v := range c {
		q := v * ms[i].MS / num
		den += q * q / ms[i].DF
	}
	return 1 / den
}

// factors are the quantiles that the modified-large-sample limits of an analysis need, each missed with probability alpha.
type factors struct {
	alpha float64
	g, h  []float64   // by line
	both  [][]float64 // g of two lines' degrees of freedom together
	f     [][]float64 // upper alpha point of F of two lines
}

func newFactors(ms []MeanSquare, alpha float64) *factors {
	q := &factors{alpha: alpha}
	g := func(n float64) float64 { return 1 - n/dist.ChiSquareQuantileUpper(alpha, n) }
	for i, a := range ms {
		q.g = append(q.g, g(a.DF))
		q.h = append(q.h, a.DF/dist.ChiSquareQuantile(alpha, a.DF)-1)
		both, f := make([]float64, len(ms)), make([]float64, len(ms))
		for j, b := range ms {
			if i != j {
				both[j], f[j] = g(a.DF+b.DF), dist.FQuantileUpper(alpha, a.DF, b.DF)
			}
		}
		q.both, q.f = append(q.both, both), append(q.f, f)
	}
	return q
}

// limits are the limits of the sum of components that c estimates by the method; not cut off at zero.
func (c combination) limits(ms []MeanSquare, q *factors, how IntervalMethod) Interval {
	v := c.estimate(ms)
	if how == Satterthwaite {
		if df := c.degreesOfFreedom(ms); df > 0 {
			return Interval{df * v / dist.ChiSquareQuantileUpper(q.alpha, df), df * v / dist.ChiSquareQuantile(q.alpha, df)}
		}
	}
	return Interval{v - c.spread(ms, q, true), v + c.spread(ms, q, false)}
}

// spread is the distance of the lower (or upper) limit from the estimate by the modified-large-sample method:
// the root,
// for a sum of positive terms only, of
//
//	lower: sum G_i^2 c_i^2 MS_i^2,  upper: sum H_i^2 c_i^2 MS_i^2
//	G_i = 1 - n_i / chi2(alpha upper; n_i),  H_i = n_i / chi2(alpha lower; n_i) - 1
//
// and for terms of both signs, c_q > 0 and c_r = -k_r < 0,
//
//	lower: sum G_q^2 c_q^2 MS_q^2 + sum H_r^2 k_r^2 MS_r^2 + sum sum G_qr c_q k_r MS_q MS_r + sum sum G*_qt c_q c_t MS_q MS_t
//	G_qr  = [(F - 1)^2 - G_q^2 F^2 - H_r^2] / F,  F upper alpha point with n_q, n_r degrees of freedom
//	G*_qt = [(1 - (n_q+n_t)/chi2(alpha upper; n_q+n_t))^2 (n_q+n_t)^2 / (n_q n_t) - G_q^2 n_q/n_t - G_t^2 n_t/n_q] / (Q - 1)
//
// over the Q positive terms; the upper one is the lower one of the negated sum. It is exact where a single mean square,
// or all but one with infinite degrees of freedom, are left.
//
// Source: F. A. Graybill and C.-M. Wang, Journal of the American Statistical Association 75 (1980), 869-873; N. Ting, R. K.
// Burdick, F. A. Graybill, S. Jeyaratnam, T.-F. C. Lu, Journal of Statistical Computation and Simulation 35 (1990), 135-143;
// for gauge studies R. K. Burdick and G. A. Larsen, Journal of Quality Technology 29 (1997), 261-273 (formulas from memory).
func (c combination) spread(ms []MeanSquare, k *factors, lower bool) float64 {
	sign := 1.0
	if !lower {
		sign = -1
	}
	var plus, minus []int
	v := 0.0
	scale := 0.0 // so that no square overflows
	for i, w := range c {
		scale = math.Max(scale, math.Abs(w)*ms[i].MS)
	}
	if scale == 0 {
		return 0
	}
	size := func(i int) float64 { return math.Abs(c[i]) * ms[i].MS / scale }
	for i, w := range c {
		switch {
		case sign*w > 0:
			plus = append(plus, i)
			v += sq(k.g[i] * size(i))
		case sign*w < 0:
			minus = append(minus, i)
			v += sq(k.h[i] * size(i))
		}
	}
	if len(minus) == 0 {
		return scale * math.Sqrt(v)
	}
	for i, q := range plus {
		for _, r := range minus {
			f := k.f[q][r]
			v += (sq(f-1) - sq(k.g[q]*f) - sq(k.h[r])) / f * size(q) * size(r)
		}
		nq := ms[q].DF
		for _, t := range plus[i+1:] {
			nt := ms[t].DF
			star := (sq(k.both[q][t]*(nq+nt))/(nq*nt) - sq(k.g[q])*nq/nt - sq(k.g[t])*nt/nq) / float64(len(plus)-1)
			v += star * size(q) * size(t)
		}
	}
	return scale * math.Sqrt(math.Max(0, v))
}

func sq(v float64) float64 { return v * v }

// ratioLimits are limits of the ratio of two sums of components: the values d at which the limits of num - d den reach
// zero, cut off at zero. hint is the point estimate. Where the scatter leaves den's lower limit below zero the ratio to den
// has no upper limit; then that to least, a part of den which is a mean square of its own, stands in.
func ratioLimits(num, den, least combination, ms []MeanSquare, q *factors, hint float64) Interval {
	limit := func(den combination, upper bool) func(float64) float64 {
		return func(d float64) float64 {
			l := num.plus(-d, den).limits(ms, q, ModifiedLargeSample)
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
