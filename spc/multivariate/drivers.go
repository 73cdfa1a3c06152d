package multivariate

import (
	"fmt"
	"math"
	"math/bits"
	"slices"
	"strings"

	"sagwatch/spc/refusal"
)

// Driver is a term that drives a signal: by itself, or against what others let expect.
type Driver struct {
	Index int      `json:"index"` // from 0
	Name  string   `json:"name"`
	Given []string `json:"given,omitempty"` // terms it was predicted from; none where it is off by itself
	Z     float64  `json:"z"`               // deviation in standard deviations, sqrt(n) times as great for means of n
	T2    float64  `json:"t2"`              // Z^2, the term of the decomposition
	Limit float64  `json:"limit"`           // of T2
}

// String says it in words.
func (d Driver) String() string {
	way := "above"
	if d.Z < 0 {
		way = "below"
	}
	if len(d.Given) == 0 {
		return fmt.Sprintf("%s is %.1f standard deviations %s its mean", d.Name, math.Abs(d.Z), way)
	}
	return fmt.Sprintf("%s is %.1f standard deviations %s what %s would lead to expect", d.Name, math.Abs(d.Z), way, strings.Join(d.Given, ", "))
}

// Explanation is a T^2 with what drives it.
type Explanation struct {
	T2      float64  `json:"t2"`
	Limit   float64  `json:"limit"`
	Signal  bool     `json:"signal"`
	Drivers []Driver `json:"drivers,omitempty"` // by themselves first, then relations; greatest first
	// Rest are the terms that are left after the drivers, with their T^2 and its limit.
	Rest      []string `json:"rest,omitempty"`
	RestT2    float64  `json:"rest_t2"`
	RestLimit float64  `json:"rest_limit"`
	Terms     []Term   `json:"terms"` // every term, by itself and given all others
}

// TermLimit is the Phase II limit of one term of the decomposition that is conditional on given others (0 for an
// unconditional one), exceeded with probability alpha in control:
//
//	(1 + 1/m) df / (df - given) F(alpha; 1, df - given)
//
// with df = m - 1 for individuals: (m + 1)(m - 1) / (m (m - given - 1)) F(alpha; 1, m - given - 1). It refuses given outside
// 0 to p - 1 and alpha outside (0, 0.5].
//
// Source: R. L. Mason, N. D. Tracy and J. C. Young (1995), from memory.
func (b *Baseline) TermLimit(given int, alpha float64) (float64, error) {
	if err := checkAlpha(alpha); err != nil {
		return 0, err
	}
	if given < 0 || given >= b.P || b.DF-float64(given) <= 0 {
		return 0, refusal.Setting("the number of terms given", float64(given), "it must be from 0 to one less than the number of terms")
	}
	// a deviation from a prediction has the law of one term with so many degrees of freedom fewer
	df := b.DF - float64(given)
	return futureLimit(1, (1+1/float64(b.M))*b.DF/df, df, alpha), nil
}

// mostSubsets bounds the subsets of terms that Explain looks at.
const mostSubsets = 20000

// Explain finds which terms drive a further observation x, or the mean x of a subgroup, out of the baseline's T^2 limit, by
// the step-wise scheme: first every term by itself, T^2_j; those beyond their limit are drivers and are taken away. While the
// T^2 of the rest is beyond its own limit, every term of the rest given one other, T^2_i.j, then given two, and so on; all
// terms of such a relation are taken away. With p = 11 terms this looks at no more than the 2047 subsets; relations that
// would need more than 20000 subsets are not looked at.
//
// An observation within the limit has no drivers. A signal in which no term is beyond its limit has none either: it is spread
// over all of them, and Terms tells how. Refusals as for T2.Statistic and Baseline.PhaseTwoLimit.
//
// Source: R. L. Mason, N. D. Tracy and J. C. Young, "A practical approach for interpreting multivariate T^2 control chart
// signals", J. Quality Technology 29 (1997), 396-406 (from memory).
func (b *Baseline) Explain(t *T2, x []float64, alpha float64) (*Explanation, error) {
	if t.p != b.P {
		return nil, refusal.Shapes("the chart has %d terms, the baseline %d", t.p, b.P)
	}
	limit, err := b.PhaseTwoLimit(alpha)
	if err != nil {
		return nil, err
	}
	s, err := t.Statistic(x)
	if err != nil {
		return nil, err
	}
	e := &Explanation{T2: s * float64(b.N), Limit: limit}
	if e.Terms, err = t.Terms(x); err != nil {
		return nil, err
	}
	var room [64]float64
	d := room[:t.p]
	if err := t.deviations(d, x); err != nil {
		return nil, err
	}
	for j := range d {
		d[j] *= math.Sqrt(float64(b.N))
		e.Terms[j].Z *= math.Sqrt(float64(b.N))
		e.Terms[j].ZGiven *= math.Sqrt(float64(b.N))
	}
	e.Signal = e.T2 > limit
	rest := uint64(1)<<t.p - 1
	e.RestT2, e.RestLimit = e.T2, limit
	looked := 0
	for given := 0; e.RestT2 > e.RestLimit && given < bits.OnesCount64(rest); given++ {
		if looked += choose(bits.OnesCount64(rest), given+1); looked > mostSubsets {
			break
		}
		termLimit, err := b.TermLimit(given, alpha)
		if err != nil {
			return nil, err
		}
		found, taken := t.beyond(d, rest, given, termLimit)
		e.Drivers = append(e.Drivers, found...)
		rest &^= taken
		if rest == 0 {
			e.RestT2, e.RestLimit = 0, 0
			break
		}
		q := float64(bits.OnesCount64(rest))
		_, e.RestT2 = t.parts(d, members(rest))
		e.RestLimit = futureLimit(q, 1+1/float64(b.M), b.DF, alpha)
	}
	for _, j := range members(rest) {
		e.Rest = append(e.Rest, t.names[j])
	}
	return e, nil
}

// beyond finds the terms of the set that are beyond the limit given so many others of it; of the terms of one relation the
// strongest is named.
func (t *T2) beyond(d []float64, set uint64, given int, limit float64) (found []Driver, taken uint64) {
	all := members(set)
	pick := make([]int, given+1)
	var walk func(from, at int)
	walk = func(from, at int) {
		if at < len(pick) {
			for i := from; i <= len(all)-(len(pick)-at); i++ {
				pick[at] = all[i]
				walk(i+1, at+1)
			}
			return
		}
		best, who := 0.0, -1
		order := make([]int, len(pick))
		for last := range pick { // each of them given the others
			k := 0
			for i, j := range pick {
				if i != last {
					order[k] = j
					k++
				}
			}
			order[k] = pick[last]
			z, _ := t.parts(d, order)
			if v := z[len(z)-1]; v*v > limit && math.Abs(v) > math.Abs(best) {
				best, who = v, last
			}
		}
		if who < 0 {
			return
		}
		f := Driver{Index: pick[who], Name: t.names[pick[who]], Z: best, T2: best * best, Limit: limit}
		for i, j := range pick {
			taken |= 1 << j
			if i != who {
				f.Given = append(f.Given, t.names[j])
			}
		}
		found = append(found, f)
	}
	walk(0, 0)
	slices.SortStableFunc(found, func(a, b Driver) int {
		switch {
		case a.T2 > b.T2:
			return -1
		case a.T2 < b.T2:
			return 1
		}
		return 0
	})
	return found, taken
}

func members(set uint64) []int {
	var out []int
	for ; set != 0; set &= set - 1 {
		out = append(out, bits.TrailingZeros64(set))
	}
	return out
}

// choose is the number of subsets of k out of n, cut off above mostSubsets.
func choose(n, k int) int {
	c := 1
	for i := range k {
		if c = c * (n - i) / (i + 1); c > mostSubsets {
			return c
		}
	}
	return c
}
