package rules_test

import (
	"bytes"
	"encoding/gob"
	"encoding/json"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc"
	"sagwatch/spc/rules"
)

func symmetric(lower, upper float64) spc.Limits {
	return spc.Limits{Lower: lower, Centre: (lower + upper) / 2, Upper: upper, HasLower: true, HasCentre: true, HasUpper: true}
}

// windowHits judges the last point of x by the rules' definitions, from the whole window, with nothing remembered: the
// second route to what Step does with its histories. l[i] are the limits of x[i].
func windowHits(set rules.Set, x []float64, l []spc.Limits) []rules.Hit {
	last := len(x) - 1
	// beyond says whether point i lies more than z sigma out on the side.
	beyond := func(i int, side rules.Side, z float64) bool {
		lim := l[i]
		if !lim.HasCentre {
			return false
		}
		one, has, d := (lim.Upper-lim.Centre)/3, lim.HasUpper, x[i]-lim.Centre
		if side == rules.LowerSide {
			one, has, d = (lim.Centre-lim.Lower)/3, lim.HasLower, lim.Centre-x[i]
		}
		both := lim.HasUpper && lim.HasLower
		if w := lim.Upper - lim.Lower; both && lim.Sigma > 0 && math.Abs(lim.Upper+lim.Lower-2*lim.Centre) < 1e-10*w {
			one = lim.Sigma
		}
		return has && d > z*one
	}
	zoned := func(i int) bool { return l[i].HasCentre && l[i].HasUpper && l[i].HasLower }
	// count counts the points of the window of n that have a property, and whether the window is there.
	count := func(n int, f func(i int) bool) (k int, whole bool, mask uint64) {
		for i := max(0, last-n+1); i <= last; i++ {
			if f(i) {
				k++
				mask |= 1 << (last - i)
			}
		}
		return k, last+1 >= n, mask
	}
	var hits []rules.Hit
	for r := range rules.NumRules {
		if !set.On(r) {
			continue
		}
		n := set.Count(r)
		inARow := func(side rules.Side, f func(i int) bool) {
			if k, whole, mask := count(n, f); whole && k == n {
				hits = append(hits, rules.Hit{Rule: r, Side: side, Count: uint8(n), Span: uint8(n), Mask: mask})
			}
		}
		outOf := func(side rules.Side, z float64) {
			f := func(i int) bool { return beyond(i, side, z) }
			k, _, mask := count(n+1, f)
			if k >= n && f(last) {
				if k > n {
					mask &^= 1 << n // the oldest is not needed
				}
				hits = append(hits, rules.Hit{Rule: r, Side: side, Count: uint8(n), Span: uint8(n + 1), Mask: mask})
			}
		}
		// steps looks at the n-1 steps between the last n points.
		steps := func(side rules.Side, ok func(i int, before, after float64) bool) {
			if last+1 < n {
				return
			}
			for i := last - n + 2; i <= last; i++ {
				if !ok(i, x[i-1], x[i]) {
					return
				}
			}
			hits = append(hits, rules.Hit{Rule: r, Side: side, Count: uint8(n), Span: uint8(n), Mask: 1<<n - 1})
		}
		switch r {
		case rules.BeyondLimits:
			if l[last].HasUpper && x[last] > l[last].Upper {
				hits = append(hits, rules.Hit{Rule: r, Side: rules.UpperSide, Count: 1, Span: 1, Mask: 1})
			} else if l[last].HasLower && x[last] < l[last].Lower {
				hits = append(hits, rules.Hit{Rule: r, Side: rules.LowerSide, Count: 1, Span: 1, Mask: 1})
			}
		case rules.RunOneSide:
			inARow(rules.UpperSide, func(i int) bool { return l[i].HasCentre && x[i] > l[i].Centre })
			inARow(rules.LowerSide, func(i int) bool { return l[i].HasCentre && x[i] < l[i].Centre })
		case rules.Trend:
			steps(rules.UpperSide, func(_ int, a, b float64) bool { return b > a })
			steps(rules.LowerSide, func(_ int, a, b float64) bool { return b < a })
		case rules.Alternating:
			for _, first := range []float64{1, -1} {
				steps(rules.NoSide, func(i int, a, b float64) bool {
					sign := first
					if (i-last)%2 != 0 {
						sign = -first
					}
					return sign*(b-a) > 0
				})
			}
		case rules.TwoOfThree:
			outOf(rules.UpperSide, 2)
			outOf(rules.LowerSide, 2)
		case rules.FourOfFive:
			outOf(rules.UpperSide, 1)
			outOf(rules.LowerSide, 1)
		case rules.FifteenWithin:
			inARow(rules.NoSide, func(i int) bool {
				return zoned(i) && !beyond(i, rules.UpperSide, 1) && !beyond(i, rules.LowerSide, 1)
			})
		case rules.EightOutside:
			inARow(rules.NoSide, func(i int) bool {
				return zoned(i) && (beyond(i, rules.UpperSide, 1) || beyond(i, rules.LowerSide, 1))
			})
		}
	}
	return hits
}

// randomSet switches rules on by chance, most at counts small enough to fire often.
func randomSet(src *rand.Rand) rules.Set {
	var s rules.Set
	for r := range rules.NumRules {
		if src.IntN(4) == 0 {
			continue
		}
		count := 0
		if r != rules.BeyondLimits && src.IntN(4) != 0 {
			count = 4 + src.IntN(3)
			if r == rules.TwoOfThree || r == rules.FourOfFive {
				count = 2 + src.IntN(3)
			}
		}
		s, _ = s.With(r, count)
	}
	return s
}

// randomSeries are whole numbers about 0, with ties and points on lines, drifting so that every rule fires, and limits
// that change in width, lose a side or become asymmetric.
func randomSeries(src *rand.Rand, n int) ([]float64, []spc.Limits) {
	x, l := make([]float64, n), make([]spc.Limits, n)
	level, spread, lim := 0, 1+src.IntN(4), symmetric(-6, 6)
	for i := range x {
		switch src.IntN(20) {
		case 0:
			level = src.IntN(9) - 4
		case 1:
			spread = 1 + src.IntN(6)
		case 2:
			lim = symmetric(-6, 6)
			switch src.IntN(6) {
			case 0:
				lim.HasLower = false
			case 1:
				lim.HasUpper = false
			case 2:
				lim.Upper = 9
			case 3:
				lim.Sigma = 1
			case 4:
				lim.HasCentre = false
			}
		}
		x[i], l[i] = float64(level+src.IntN(2*spread+1)-spread), lim
		if src.IntN(3) == 0 && i > 1 {
			x[i] = x[i-1] + float64(src.IntN(3)-1)
		}
	}
	return x, l
}

// Step and the definitions agree on 300 random series of 200 points, and every rule is seen to fire and not to.
func TestStepAgreesWithWindows(t *testing.T) {
	var fired, quiet [rules.NumRules]int
	for seed := range uint64(300) {
		src := rand.New(rand.NewPCG(seed, 11))
		set := randomSet(src)
		x, l := randomSeries(src, 200)
		var st rules.State
		for i := range x {
			hits := set.Step(&st, x[i], l[i])
			want := windowHits(set, x[:i+1], l[:i+1])
			require.ElementsMatch(t, want, hits.All(), "seed %d, point %d, rules %v", seed, i, set.Settings())
			require.Equal(t, len(want), hits.Len())
			for r := range rules.NumRules {
				if hits.Fired(r) {
					fired[r]++
				} else if set.On(r) {
					quiet[r]++
				}
			}
			for _, h := range hits.All() {
				require.LessOrEqual(t, h.Back(), set.Window())
			}
		}
	}
	for r := range rules.NumRules {
		require.Greater(t, fired[r], 100, r)
		require.Greater(t, quiet[r], 100, r)
	}
}

// Upside down, every hit changes its side and nothing else; shifted and scaled, nothing changes. The shift is a whole
// number and the scale a power of two, so that no point crosses a line by rounding.
func TestInvariance(t *testing.T) {
	for seed := range uint64(100) {
		src := rand.New(rand.NewPCG(seed, 12))
		set := randomSet(src)
		x, l := randomSeries(src, 200)
		var a, b, c rules.State
		for i := range x {
			mirror := l[i]
			mirror.Lower, mirror.Centre, mirror.Upper = -l[i].Upper, -l[i].Centre, -l[i].Lower
			mirror.HasLower, mirror.HasUpper = l[i].HasUpper, l[i].HasLower
			moved := l[i]
			moved.Lower, moved.Centre, moved.Upper = 1107+l[i].Lower/8, 1107+l[i].Centre/8, 1107+l[i].Upper/8
			moved.Sigma /= 8

			plain, mirrored, shifted := set.Step(&a, x[i], l[i]), set.Step(&b, -x[i], mirror), set.Step(&c, 1107+x[i]/8, moved)
			require.Equal(t, plain, shifted, "seed %d, point %d", seed, i)
			var turned []rules.Hit
			for _, h := range mirrored.All() {
				h.Side = -h.Side
				turned = append(turned, h)
			}
			require.ElementsMatch(t, plain.All(), turned, "seed %d, point %d", seed, i)
		}
	}
}

// A state that is copied, or written to JSON or gob and read again, goes on as the original does.
func TestCheckpoint(t *testing.T) {
	src := rand.New(rand.NewPCG(1, 13))
	set := rules.All()
	x, l := randomSeries(src, 400)
	var st rules.State
	for i := range x {
		saved := st
		b, err := json.Marshal(st)
		require.NoError(t, err)
		var fromJSON, fromGob rules.State
		require.NoError(t, json.Unmarshal(b, &fromJSON))
		var buf bytes.Buffer
		require.NoError(t, gob.NewEncoder(&buf).Encode(st))
		require.NoError(t, gob.NewDecoder(&buf).Decode(&fromGob))
		want := set.Step(&st, x[i], l[i])
		for _, other := range []rules.State{saved, fromJSON, fromGob} {
			require.Equal(t, want, set.Step(&other, x[i], l[i]))
			require.Equal(t, st, other)
		}
	}
}

// A value that is not finite is no point.
func TestStepSkipsWhatIsNoNumber(t *testing.T) {
	set := rules.All()
	var st rules.State
	set.Step(&st, 1, symmetric(-3, 3))
	before := st
	for _, v := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		hits := set.Step(&st, v, symmetric(-3, 3))
		require.Zero(t, hits.Len())
		require.Equal(t, before, st)
	}
}

func FuzzStep(f *testing.F) {
	f.Add([]byte{1, 2, 3, 4, 5, 6, 7, 8, 9}, uint16(0x1ff), 3.0)
	f.Add([]byte{200, 10, 200, 10, 200, 10, 200, 10, 200, 10, 200, 10, 200, 10, 200}, uint16(8), 64.0)
	f.Add([]byte{128, 128, 128, 128}, uint16(0x55), 0.0)
	f.Fuzz(func(t *testing.T, series []byte, on uint16, half float64) {
		if math.IsNaN(half) || math.Abs(half) > 1e9 || len(series) > 300 {
			t.Skip()
		}
		set := rules.All()
		for r := range rules.NumRules {
			if on&(1<<r) == 0 {
				keep := []rules.Rule{}
				for k := range rules.NumRules {
					if k != r && set.On(k) {
						keep = append(keep, k)
					}
				}
				set = set.Only(keep...)
			}
		}
		limits := symmetric(-math.Abs(half), math.Abs(half))
		x, l := make([]float64, len(series)), make([]spc.Limits, len(series))
		var st rules.State
		for i, b := range series {
			x[i], l[i] = float64(b)-128, limits
			hits := set.Step(&st, x[i], limits)
			require.ElementsMatch(t, windowHits(set, x[:i+1], l[:i+1]), hits.All())
		}
	})
}
