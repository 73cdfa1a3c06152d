package changepoint

import (
	"math"
	"math/bits"
	"slices"
)

// maps is the factor of the residual maps where those of a set of streams may change, each in its own way.
func (c *study) maps(own float64) float64 {
	if c.places == 0 {
		return 0
	}
	return logSum([]float64{0, own}) - math.Ln2
}

// mapsOfAll is the same where all maps may also change alike.
func (c *study) mapsOfAll() float64 {
	if c.places == 0 {
		return 0
	}
	own := 0.0
	for _, v := range c.mapOwn {
		own += v
	}
	return logSum([]float64{math.Ln2, own, c.mapAlike}) - 2*math.Ln2
}

func (c *study) oneStream() candidate {
	logs := make([]float64, len(c.streams))
	for i, v := range c.stream {
		logs[i] = c.apart(v).bayes(c.scale)
		if c.places > 0 {
			logs[i] += c.maps(c.mapOwn[i])
		}
	}
	i, total, named := likeliest(logs)
	return candidate{Cause{Kind: OneStream, Streams: c.streams[i : i+1]}, total - math.Log(float64(len(logs))), named}
}

func (c *study) oneLane() candidate {
	logs := make([]float64, len(c.lanes))
	for i, v := range c.lane {
		logs[i] = c.apart(v).bayes(c.scale)
	}
	i, total, named := likeliest(logs)
	return candidate{Cause{Kind: OneLane, Lane: c.lanes[i]}, total - math.Log(float64(len(logs))) + c.mapsOfAll(), named}
}

func (c *study) allStreams() candidate {
	set := make([]int, len(c.stream))
	for i := range set {
		set[i] = i
	}
	return candidate{Cause{Kind: AllStreams}, logSum([]float64{c.apart(c.all).bayes(c.scale), c.own(set)}) - math.Ln2 + c.mapsOfAll(), 1}
}

func (c *study) wholeGauge() candidate {
	return candidate{Cause{Kind: WholeGauge}, c.apart(c.all).plus(c.master).bayes(c.scale) + c.mapsOfAll(), 1}
}

func (c *study) oneProbe() candidate {
	logs := make([]float64, c.places)
	for i, v := range c.place {
		logs[i] = v.bayes(c.mapScale)
	}
	i, total, named := likeliest(logs)
	shifts := logSum([]float64{0, c.apart(c.all).plus(c.master).bayes(c.scale)}) - math.Ln2
	return candidate{Cause{Kind: OneProbe, Probe: i + 1}, total - math.Log(float64(c.places)) + shifts, named}
}

// enumerated is the number of streams up to which every set is weighed.
const enumerated = 14

// someStreams sums over the sets of 2 to m-1 streams.
func (c *study) someStreams() candidate {
	m := len(c.streams)
	var logs []float64
	var sets [][]int
	add := func(set []int) {
		var common evidence
		var maps float64
		for _, i := range set {
			common = common.plus(c.stream[i])
			if c.places > 0 {
				maps += c.mapOwn[i]
			}
		}
		logs = append(logs, logSum([]float64{c.apart(common).bayes(c.scale), c.own(set)})-math.Ln2+c.maps(maps)-math.Log(float64(m-2))-logChoose(m, len(set)))
		sets = append(sets, set)
	}
	if m <= enumerated {
		for mask := uint32(1); mask < 1<<m; mask++ {
			if n := bits.OnesCount32(mask); n >= 2 && n < m {
				var set []int
				for i := range m {
					if mask>>i&1 == 1 {
						set = append(set, i)
					}
				}
				add(set)
			}
		}
	} else {
		order := make([]int, m)
		for i := range order {
			order[i] = i
		}
		for _, key := range []func(i int) float64{
			func(i int) float64 { return c.stream[i].s / c.stream[i].w },
			func(i int) float64 { return -c.stream[i].s / c.stream[i].w },
			func(i int) float64 { return -c.stream[i].bayes(c.scale) },
		} {
			slices.SortStableFunc(order, func(a, b int) int {
				if key(a) < key(b) {
					return -1
				}
				if key(a) > key(b) {
					return 1
				}
				return a - b
			})
			for n := 2; n < m; n++ {
				set := slices.Clone(order[:n])
				slices.Sort(set)
				if !slices.ContainsFunc(sets, func(s []int) bool { return slices.Equal(s, set) }) {
					add(set)
				}
			}
		}
	}
	k, total, named := likeliest(logs)
	cause := Cause{Kind: SomeStreams}
	for _, i := range sets[k] {
		cause.Streams = append(cause.Streams, c.streams[i])
	}
	return candidate{cause, total, named}
}

// size is the weighted mean change of what a cause concerns, with its standard error.
func (c *study) size(cause Cause) (size, se float64) {
	var sum evidence
	switch cause.Kind {
	case OneStream, SomeStreams:
		for i, name := range c.streams {
			if slices.Contains(cause.Streams, name) {
				sum = sum.plus(c.stream[i])
			}
		}
	case OneLane:
		sum = c.lane[slices.Index(c.lanes, cause.Lane)]
	case OneProbe:
		return c.place[cause.Probe-1].estimate()
	case AllStreams:
		sum = c.all
	case WholeGauge:
		return c.apart(c.all).plus(c.master).estimate()
	case NoCause:
	}
	return c.apart(sum).estimate()
}

// estimate is the size that the evidence is for, with its standard error; 0 and 0 where there is none.
func (a evidence) estimate() (size, se float64) {
	if a.w == 0 {
		return 0, 0
	}
	return a.s / a.w, 1 / math.Sqrt(a.w)
}

// likeliest is the place of the greatest, the sum of all, and the share of the greatest in it.
func likeliest(logs []float64) (at int, total, share float64) {
	for i, v := range logs {
		if v > logs[at] {
			at = i
		}
	}
	total = logSum(logs)
	return at, total, math.Exp(logs[at] - total)
}

// logSum is log(sum exp).
func logSum(logs []float64) float64 {
	top := slices.Max(logs)
	if math.IsInf(top, 0) {
		return top
	}
	s := 0.0
	for _, v := range logs {
		s += math.Exp(v - top)
	}
	return top + math.Log(s)
}

// logChoose is the logarithm of the number of sets of k of n.
func logChoose(n, k int) float64 {
	a, _ := math.Lgamma(float64(n + 1))
	b, _ := math.Lgamma(float64(k + 1))
	d, _ := math.Lgamma(float64(n - k + 1))
	return a - b - d
}
