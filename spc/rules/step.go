package rules

import (
	"fmt"
	"iter"
	"math"
	"math/bits"

	"sagwatch/spc"
)

// State is what the rules remember of one series: which of the last 64 judged points lay where. Bit 0 is the latest
// point. The zero State has seen no point. It is a plain value: copying it is a checkpoint.
type State struct {
	Last   float64 `json:"last"`   // value of the latest point; meaningless when Points is 0
	Points uint64  `json:"points"` // a bit for each of the last 64 points that was judged
	Above  uint64  `json:"above"`  // above the centre
	Below  uint64  `json:"below"`
	Upper1 uint64  `json:"upper1"` // beyond 1 sigma on the upper side
	Lower1 uint64  `json:"lower1"`
	Upper2 uint64  `json:"upper2"` // beyond 2 sigma on the upper side
	Lower2 uint64  `json:"lower2"`
	Zoned  uint64  `json:"zoned"` // had zones on both sides
	Up     uint64  `json:"up"`    // above the point before
	Down   uint64  `json:"down"`
}

// Reset forgets the series, at new limits and at a new phase.
func (st *State) Reset() { *st = State{} }

// Side is the side of the centre, or the direction, that a hit speaks of.
type Side int8

// Sides. Rules that look at both sides at once have none.
const (
	LowerSide Side = -1 // below the centre, or falling
	NoSide    Side = 0
	UpperSide Side = 1 // above the centre, or rising
)

// String names the side.
func (s Side) String() string {
	switch s {
	case LowerSide:
		return "lower"
	case UpperSide:
		return "upper"
	}
	return ""
}

// Hit is one rule completed by the latest point.
type Hit struct {
	Rule Rule
	Side Side
	// Count is the number of points that made it, and Span how many points back the oldest of them can lie, this
	// point included: 2 and 3 for two of three.
	Count, Span uint8
	// Mask says which points made it: bit i is the point i back from the latest, which is bit 0.
	Mask uint64
}

// Back is the number of points from the oldest that made the hit to the latest, both included.
func (h Hit) Back() int { return bits.Len64(h.Mask) }

// Made yields how many points back each point lies that made the hit, oldest first; 0 is the latest.
func (h Hit) Made() iter.Seq[int] {
	return func(yield func(int) bool) {
		for m := h.Mask; m != 0; {
			i := bits.Len64(m) - 1
			if !yield(i) {
				return
			}
			m &^= 1 << i
		}
	}
}

// Words says in plain words what happened at the point, as "beyond upper limit" or "6 falling".
func (h Hit) Words() string {
	switch h.Rule {
	case BeyondLimits:
		return "beyond " + h.Side.String() + " limit"
	case RunOneSide:
		return fmt.Sprintf("%d on one side", h.Count)
	case Trend:
		if h.Side == UpperSide {
			return fmt.Sprintf("%d rising", h.Count)
		}
		return fmt.Sprintf("%d falling", h.Count)
	case Alternating:
		return fmt.Sprintf("%d up and down by turns", h.Count)
	case TwoOfThree:
		return fmt.Sprintf("%d of %d near the %s limit", h.Count, h.Span, h.Side)
	case FourOfFive:
		return fmt.Sprintf("%d of %d towards the %s limit", h.Count, h.Span, h.Side)
	case FifteenWithin:
		return fmt.Sprintf("%d close to the centre", h.Count)
	case EightOutside:
		return fmt.Sprintf("%d with none close to the centre", h.Count)
	}
	return ""
}

// Hits are the rules that one point completes, at most one hit to a rule, in the order of the Rule constants.
type Hits struct {
	hit [NumRules]Hit
	n   uint8
}

// All lists the hits; the slice belongs to h.
func (h *Hits) All() []Hit { return h.hit[:h.n] }

// Len is the number of hits.
func (h *Hits) Len() int { return int(h.n) }

// Fired reports whether a rule is among the hits.
func (h *Hits) Fired(r Rule) bool {
	for i := range h.n {
		if h.hit[i].Rule == r {
			return true
		}
	}
	return false
}

func (h *Hits) add(r Rule, side Side, count, span uint8, mask uint64) {
	h.hit[h.n] = Hit{r, side, count, span, mask}
	h.n++
}

// Zones gives the distances of the 1-sigma lines from the centre, upper and lower; +Inf on a side without a limit.
// See the package comment for the two ways.
func Zones(l spc.Limits) (upper, lower float64) {
	upper, lower = math.Inf(1), math.Inf(1)
	if !l.HasCentre {
		return upper, lower
	}
	if l.HasUpper {
		upper = (l.Upper - l.Centre) / 3
	}
	if l.HasLower {
		lower = (l.Centre - l.Lower) / 3
	}
	// Symmetric up to the rounding of limits that were worked out as centre ± k sigma.
	if l.HasUpper && l.HasLower && l.Sigma > 0 && math.Abs(upper-lower) <= 1e-9*(upper+lower) {
		return l.Sigma, l.Sigma
	}
	return upper, lower
}

// Step takes the next judged point of the series, its value in the limits' unit, and says which rules of the set it
// completes. A rule fires at every point at which its condition holds, not only at the first; the rules "count of
// count+1" fire only at points that are themselves beyond the line. A value that is not finite is no point: it is
// skipped like an excluded one. O(1), without allocation; st is the series' own.
func (s Set) Step(st *State, value float64, l spc.Limits) Hits {
	var h Hits
	if math.IsNaN(value) || math.IsInf(value, 0) {
		return h
	}
	st.push(value, l)

	if s.count[BeyondLimits] != 0 {
		switch {
		case l.HasUpper && value > l.Upper:
			h.add(BeyondLimits, UpperSide, 1, 1, 1)
		case l.HasLower && value < l.Lower:
			h.add(BeyondLimits, LowerSide, 1, 1, 1)
		}
	}
	if n := s.count[RunOneSide]; n != 0 {
		h.run(RunOneSide, UpperSide, n, st.Above)
		h.run(RunOneSide, LowerSide, n, st.Below)
	}
	if n := s.count[Trend]; n != 0 {
		steps := ones(n - 1)
		switch {
		case st.Up&steps == steps:
			h.add(Trend, UpperSide, n, n, ones(n))
		case st.Down&steps == steps:
			h.add(Trend, LowerSide, n, n, ones(n))
		}
	}
	if n := s.count[Alternating]; n != 0 {
		const odd = 0x5555555555555555
		steps := ones(n - 1)
		a, b := steps&odd, steps&^odd
		if st.Up&steps == a && st.Down&steps == b || st.Up&steps == b && st.Down&steps == a {
			h.add(Alternating, NoSide, n, n, ones(n))
		}
	}
	if n := s.count[TwoOfThree]; n != 0 {
		h.most(TwoOfThree, UpperSide, n, st.Upper2)
		h.most(TwoOfThree, LowerSide, n, st.Lower2)
	}
	if n := s.count[FourOfFive]; n != 0 {
		h.most(FourOfFive, UpperSide, n, st.Upper1)
		h.most(FourOfFive, LowerSide, n, st.Lower1)
	}
	outside := st.Upper1 | st.Lower1
	if n := s.count[FifteenWithin]; n != 0 {
		h.run(FifteenWithin, NoSide, n, st.Zoned&^outside)
	}
	if n := s.count[EightOutside]; n != 0 {
		h.run(EightOutside, NoSide, n, st.Zoned&outside)
	}
	return h
}

// run adds a hit when the last n points are all in the history.
func (h *Hits) run(r Rule, side Side, n uint8, history uint64) {
	if m := ones(n); history&m == m {
		h.add(r, side, n, n, m)
	}
}

// most adds a hit when the latest point and n of the last n+1 are in the history.
func (h *Hits) most(r Rule, side Side, n uint8, history uint64) {
	if m := history & ones(n+1); m&1 != 0 && bits.OnesCount64(m) >= int(n) {
		// Where all n+1 are beyond, the latest n are enough.
		if bits.OnesCount64(m) > int(n) {
			m = ones(n)
		}
		h.add(r, side, n, n+1, m)
	}
}

// ones has the lowest n bits set, n at most 63.
func ones(n uint8) uint64 { return 1<<n - 1 }

// push places the point in the histories.
func (st *State) push(value float64, l spc.Limits) {
	if st.Points != 0 {
		st.Up = st.Up<<1 | bit(value > st.Last)
		st.Down = st.Down<<1 | bit(value < st.Last)
	}
	upper, lower := Zones(l)
	above, below := value-l.Centre, l.Centre-value
	st.Last = value
	st.Points = st.Points<<1 | 1
	st.Above = st.Above<<1 | bit(l.HasCentre && above > 0)
	st.Below = st.Below<<1 | bit(l.HasCentre && below > 0)
	st.Upper1 = st.Upper1<<1 | bit(above > upper)
	st.Lower1 = st.Lower1<<1 | bit(below > lower)
	st.Upper2 = st.Upper2<<1 | bit(above > 2*upper)
	st.Lower2 = st.Lower2<<1 | bit(below > 2*lower)
	st.Zoned = st.Zoned<<1 | bit(l.HasCentre && l.HasUpper && l.HasLower)
}

func bit(b bool) uint64 {
	if b {
		return 1
	}
	return 0
}
