package runlength

import (
	"math"
	"math/bits"
	"slices"

	"sagwatch/spc/refusal"
)

// Run is one zone rule: it signals when Count of the last Of points lie in its zone. The zone is From < x < To, or with
// Outside set everything else. Of may be left out when it is Count (all in a row). From and To may be infinite.
type Run struct {
	Count, Of int
	From, To  float64
	Outside   bool
}

// Zones is a chart of zone rules, in the unit of its points: the most general form of a Shewhart chart with
// supplementary runs rules. It signals when any of them does. {{Count: 1, From: -3, To: 3, Outside: true}} is the plain
// chart of limits ±3.
//
// Source: C. W. Champ and W. H. Woodall, "Exact results for Shewhart control charts with supplementary runs rules",
// Technometrics 29 (1987), 393-399.
type Zones []Run

// chainStates is what a chain that would grow too large is refused for.
const chainStates = "the number of states of the chain"

// mostStates bounds a chain; beyond it a run length is not worked out by a chain.
const mostStates = 60_000

// RunLength is the exact run length for independent points of distribution d, from an absorbing Markov chain.
//
// A state says for each rule which of the last points lie in its zone, without those that can no more be part of a
// signal: with ones at the ages a_1 < a_2 < ... (0 the latest), the j-th matters only while a_j + Count - j < Of. The
// distribution over the states is followed point by point until it is that of a chart that has not signalled for long;
// from there the run length is geometric. The probability of a signal is summed by itself and not taken as a remainder,
// so long run lengths keep their accuracy; relative error about 1e-12.
//
// It refuses rules without a meaning, a set that can never signal, and one that needs more than 60 000 states.
func (z Zones) RunLength(d Distribution, o Options) (RunLength, error) {
	if err := z.check(); err != nil {
		return RunLength{}, err
	}
	if err := known(d); err != nil {
		return RunLength{}, err
	}
	if err := o.check(); err != nil {
		return RunLength{}, err
	}
	c, err := z.chain()
	if err != nil {
		return RunLength{}, err
	}
	l, err := c.law(d, o)
	if err != nil {
		return RunLength{}, err
	}
	return l.result(MarkovChain, c.states())
}

func (z Zones) check() error {
	if len(z) == 0 {
		return refusal.Few("rules", 0, 1)
	}
	for i, r := range z {
		of := max(r.Of, r.Count)
		switch {
		case r.Count < 1 || r.Of != 0 && r.Of < r.Count:
			return refusal.Shapes("rule %d: %d of %d points makes no sense", i+1, r.Count, r.Of)
		case of > 64:
			return refusal.Setting("the window of a rule", float64(of), "at most 64 points")
		case math.IsNaN(r.From) || math.IsNaN(r.To):
			return refusal.Shapes("rule %d: its zone has an end that is not a number", i+1)
		case r.From >= r.To:
			return refusal.Crossed(r.From, r.To)
		}
	}
	return nil
}

// chain is the structure of the absorbing chain, apart from the probabilities of the regions.
type chain struct {
	cuts  []float64 // the regions lie between neighbouring cuts, first and last outside all
	next  []int32   // state * regions + region: the state after it, -1 a signal
	width int       // number of regions
}

func (c *chain) states() int { return len(c.next) / c.width }

// windows are the points that matter to each rule, bit 0 the latest. Rules beyond the tenth that need more than one
// point do not fit.
type windows [10]uint64

// chain builds the structure by walking all states that can be reached from the fresh chart.
func (z Zones) chain() (*chain, error) {
	c := &chain{}
	for _, r := range z {
		for _, v := range []float64{r.From, r.To} {
			if !math.IsInf(v, 0) {
				c.cuts = append(c.cuts, v)
			}
		}
	}
	slices.Sort(c.cuts)
	c.cuts = slices.Compact(c.cuts)
	c.width = len(c.cuts) + 1

	// in says of each region whether it belongs to a rule's zone.
	in := make([][]bool, len(z))
	var slow []int // the rules that need more than one point
	for i, r := range z {
		in[i] = make([]bool, c.width)
		for k := range c.width {
			lo, hi := c.region(k)
			in[i][k] = (lo >= r.From && hi <= r.To) != r.Outside
		}
		if r.Count > 1 {
			slow = append(slow, i)
		}
	}
	if len(slow) > len(windows{}) {
		return nil, refusal.Setting("the number of rules", float64(len(slow)), "at most 10 that need more than one point")
	}
	at := map[windows]int32{{}: 0}
	todo := []windows{{}}
	for s := 0; s < len(todo); s++ {
		for k := range c.width {
			to, signal := z.push(todo[s], slow, in, k)
			if signal {
				c.next = append(c.next, -1)
				continue
			}
			n, ok := at[to]
			if !ok {
				n = int32(len(todo))
				if n >= mostStates {
					return nil, refusal.Setting(chainStates, float64(n), "the rules' counts are too great to be worked out exactly")
				}
				at[to] = n
				todo = append(todo, to)
			}
			c.next = append(c.next, n)
		}
	}
	return c, nil
}

// region is the ends of region k.
func (c *chain) region(k int) (lo, hi float64) {
	lo, hi = math.Inf(-1), math.Inf(1)
	if k > 0 {
		lo = c.cuts[k-1]
	}
	if k < len(c.cuts) {
		hi = c.cuts[k]
	}
	return lo, hi
}

// push takes the windows one point on, a point in region k.
func (z Zones) push(w windows, slow []int, in [][]bool, k int) (to windows, signal bool) {
	for i, r := range z {
		if r.Count == 1 && in[i][k] {
			return to, true
		}
	}
	for j, i := range slow {
		m := w[j] << 1
		if in[i][k] {
			m |= 1
		}
		count, of := z[i].Count, max(z[i].Of, z[i].Count)
		if m = live(m, count, of); bits.OnesCount64(m) >= count {
			return to, true
		}
		to[j] = m
	}
	return to, false
}

// live drops the ones that can no more be part of a signal of count ones among of points.
func live(m uint64, count, of int) uint64 {
	kept := uint64(0)
	for j := 1; m != 0; j++ {
		age := bits.TrailingZeros64(m)
		m &= m - 1
		if age+count-j >= of {
			break // older ones lie further back still, each by at least one
		}
		kept |= 1 << age
	}
	return kept
}

// probabilities are those of the regions.
func (c *chain) probabilities(d Distribution) []float64 {
	p := make([]float64, c.width)
	for k := range p {
		switch lo, hi := c.region(k); {
		case len(c.cuts) == 0:
			p[k] = 1
		case k == 0:
			p[k] = d.CDF(hi)
		case k == len(c.cuts):
			p[k] = d.Tail(lo)
		default:
			p[k] = between(d, lo, hi)
		}
	}
	return p
}

// law follows the distribution over the states.
func (c *chain) law(d Distribution, o Options) (law, error) {
	n := c.states()
	u, v := make([]float64, n), make([]float64, n)
	u[0] = 1
	p := c.probabilities(d)
	step := func(p []float64) (h, moved float64) {
		clear(v)
		for s, us := range u {
			if us < 1e-300 {
				continue
			}
			row := c.next[s*c.width : (s+1)*c.width]
			for k, t := range row {
				if t >= 0 {
					v[t] += us * p[k]
				} else {
					h += us * p[k]
				}
			}
		}
		left := 0.0
		for _, x := range v {
			left += x
		}
		if left > 0 {
			for s := range v {
				v[s] /= left
				moved += math.Abs(v[s] - u[s])
			}
		}
		u, v = v, u
		return math.Min(1, h/(h+left)), moved
	}
	if o.Before != nil {
		before := c.probabilities(o.Before)
		if _, err := follow(len(c.next), func() (float64, float64) { return step(before) }); err != nil {
			return law{}, err
		}
	}
	first := p
	if o.First != nil {
		first = c.probabilities(o.First)
	}
	return follow(len(c.next), func() (float64, float64) {
		q := first
		first = p
		return step(q)
	})
}
