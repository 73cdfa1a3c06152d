package fit

import (
	"math"
	"slices"
	"sort"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// Sample is what a distribution is fitted to: values, or a histogram of them. It holds the distinct values (or the bins)
// in ascending order, each with its count; a place is the number of one of them, from 0.
type Sample struct {
	at     []float64 // distinct values; of a histogram the middles of the bins
	count  []int
	edges  []float64 // of a histogram, one more than at
	values []float64 // as given; of a histogram none
	n      int
}

// Values makes a sample of values in any order, which are copied. Refused are no values and values that are not finite
// or beyond ±1e150.
func Values(x []float64) (*Sample, error) {
	if len(x) == 0 {
		return nil, refusal.Few("values", 0, 1)
	}
	if err := refusal.Finite("values", x); err != nil {
		return nil, err
	}
	s := &Sample{values: slices.Clone(x), n: len(x)}
	sorted := slices.Clone(x)
	slices.Sort(sorted)
	for i, v := range sorted {
		if i == 0 || v != sorted[i-1] {
			s.at = append(s.at, v)
			s.count = append(s.count, 0)
		}
		s.count[len(s.count)-1]++
	}
	return s, nil
}

// Binned makes a sample of a histogram: counts[j] values lie between edges[j] and edges[j+1] (one more edge than
// counts). Empty bins at both ends are dropped. Refused are edges that do not ascend or are not finite, negative counts
// and a histogram of nothing.
func Binned(edges []float64, counts []int) (*Sample, error) {
	if len(edges) != len(counts)+1 {
		return nil, refusal.Shapes("a histogram of %d bins needs %d edges, not %d", len(counts), len(counts)+1, len(edges))
	}
	if err := refusal.Finite("edges", edges); err != nil {
		return nil, err
	}
	if err := refusal.NotNegative("counts", counts); err != nil {
		return nil, err
	}
	for i := 1; i < len(edges); i++ {
		if !(edges[i] > edges[i-1]) {
			return nil, refusal.Crossed(edges[i-1], edges[i])
		}
	}
	lo, hi := 0, len(counts)
	for lo < hi && counts[lo] == 0 {
		lo++
	}
	for hi > lo && counts[hi-1] == 0 {
		hi--
	}
	if lo == hi {
		return nil, refusal.Few("values", 0, 1)
	}
	s := &Sample{edges: slices.Clone(edges[lo : hi+1]), count: slices.Clone(counts[lo:hi])}
	for j, c := range s.count {
		s.at = append(s.at, s.edges[j]+(s.edges[j+1]-s.edges[j])/2)
		s.n += c
	}
	return s, nil
}

// N is the number of values.
func (s *Sample) N() int { return s.n }

// Places is the number of distinct values or of bins.
func (s *Sample) Places() int { return len(s.at) }

// IsBinned tells whether the sample is a histogram.
func (s *Sample) IsBinned() bool { return s.edges != nil }

// Range is the least and the greatest value, of a histogram the outer edges of its outermost bins that are not empty.
func (s *Sample) Range() (least, greatest float64) {
	if s.edges != nil {
		return s.edges[0], s.edges[len(s.edges)-1]
	}
	return s.at[0], s.at[len(s.at)-1]
}

// Place is the place of a value: of the distinct value that equals it, or of the bin that holds it (edges belong to the
// bin above, the last to the last bin). ok is false where there is none.
func (s *Sample) Place(x float64) (place int, ok bool) {
	if s.edges == nil {
		return slices.BinarySearch(s.at, x)
	}
	if !(x >= s.edges[0] && x <= s.edges[len(s.edges)-1]) {
		return 0, false
	}
	j := sort.Search(len(s.edges), func(i int) bool { return s.edges[i] > x }) - 1
	return min(j, len(s.at)-1), true
}

// Counts writes the counts of all places to dst, of length Places, and returns it; a nil dst is made.
func (s *Sample) Counts(dst []int) []int {
	if dst == nil {
		dst = make([]int, len(s.count))
	}
	copy(dst, s.count)
	return dst
}

// varies refuses values that do not vary, or by so little that the square of it is nothing.
func (s *Sample) varies() error {
	if len(s.at) > 1 {
		if _, sd := s.maximumNormal(func(x float64) float64 { return x }); sd > 0 && sd <= 1e150 {
			return nil
		}
	}
	return refusal.Constant("values", s.n)
}

// MeanSD are the mean and the standard deviation (denominator n-1, 0 for one value), of a histogram those of the middles
// of its bins.
func (s *Sample) MeanSD() (mean, sd float64) {
	if s.values != nil {
		return dist.MeanSD(s.values)
	}
	return s.MeanSDOf(s.count)
}

// MeanSDOf are mean and standard deviation (denominator n-1, 0 for fewer than two values) of the sample's places with
// other counts, those of a resample. It panics where the number of counts is not Places or they are all zero.
func (s *Sample) MeanSDOf(counts []int) (mean, sd float64) {
	n, sum, c := 0, 0.0, s.at[len(s.at)/2]
	for i, k := range counts {
		n += k
		sum += float64(k) * (s.at[i] - c)
	}
	if n == 0 || len(counts) != len(s.at) {
		panic("fit: counts that do not belong to the sample")
	}
	d := sum / float64(n)
	var ss float64
	for i, k := range counts {
		e := s.at[i] - c - d
		ss += float64(k) * e * e
	}
	if n < 2 {
		return c + d, 0
	}
	return c + d, math.Sqrt(ss / float64(n-1))
}

// Quantiles writes to dst the sample quantiles at the probabilities ps, ascending and each from 0 to 1, and returns it:
// with values x_(1) <= ... <= x_(n) and h = (n-1)p + 1 that is
//
//	x_(floor h) + (h - floor h) (x_(floor h + 1) - x_(floor h)),
//
// and of a histogram the point that divides its bin, values being spread evenly within a bin, so that a share p of n lies
// below. counts are those of a resample, one for each place, whose sum is n; nil means the sample's own. One pass over
// the places, no memory. It panics for probabilities out of order or out of range and for counts that do not belong to
// the sample or are all zero.
//
// Source: R. J. Hyndman and Y. Fan, "Sample quantiles in statistical packages", The American Statistician 50 (1996),
// 361-365, definition 7.
func (s *Sample) Quantiles(dst, ps []float64, counts []int) []float64 {
	if dst == nil {
		dst = make([]float64, len(ps))
	}
	n := s.n
	if counts == nil {
		counts = s.count
	} else {
		if len(counts) != len(s.at) {
			panic("fit: counts that do not belong to the sample")
		}
		n = 0
		for _, c := range counts {
			n += c
		}
	}
	if n == 0 {
		panic("fit: quantiles of nothing")
	}
	place, below := 0, 0 // below: values at places before place
	last := 0.0
	for i, p := range ps {
		if !(p >= last && p <= 1) {
			panic("fit: probabilities of quantiles must ascend within 0 and 1")
		}
		last = p
		if s.edges != nil {
			dst[i] = s.within(p*float64(n), counts, &place, &below)
			continue
		}
		h := float64(n-1) * p
		k := int(h)
		for below+counts[place] <= k {
			below += counts[place]
			place++
		}
		v := s.at[place]
		if f := h - float64(k); f > 0 {
			next := place
			if below+counts[place] <= k+1 {
				for next++; counts[next] == 0; next++ {
				}
			}
			v += f * (s.at[next] - v)
		}
		dst[i] = v
	}
	return dst
}

// within is the point of a histogram below which t values lie.
func (s *Sample) within(t float64, counts []int, place, below *int) float64 {
	for *place < len(counts)-1 && (counts[*place] == 0 || float64(*below+counts[*place]) < t) {
		*below += counts[*place]
		*place++
	}
	for counts[*place] == 0 { // nothing lies above
		*place--
		*below -= counts[*place]
	}
	f := math.Max(0, math.Min(1, (t-float64(*below))/float64(counts[*place])))
	return s.edges[*place] + f*(s.edges[*place+1]-s.edges[*place])
}

// Outside is how many values of a sample with the given counts (nil: its own) lie below lower and above upper; of a bin
// that a limit divides the part beyond it counts, values being spread evenly within a bin.
func (s *Sample) Outside(lower, upper float64, counts []int) (below, above float64) {
	if counts == nil {
		counts = s.count
	}
	for i, c := range counts {
		if c == 0 {
			continue
		}
		lo, hi := s.at[i], s.at[i]
		if s.edges != nil {
			lo, hi = s.edges[i], s.edges[i+1]
		}
		below += float64(c) * share(lo, hi, lower)
		above += float64(c) * share(-hi, -lo, -upper)
	}
	return below, above
}

// share is the part of lo .. hi that lies below limit.
func share(lo, hi, limit float64) float64 {
	switch {
	case hi < limit || hi <= limit && lo < hi:
		return 1
	case lo >= limit:
		return 0
	}
	return (limit - lo) / (hi - lo)
}

// spread is at most most values of the sample, evenly spread over the order in which they were given, of a histogram over
// the order of size (the middles of bins).
func (s *Sample) spread(most int) []float64 {
	n := min(s.n, most)
	out := make([]float64, n)
	if s.values != nil {
		for i := range out {
			out[i] = s.values[int((float64(i)+0.5)*float64(s.n)/float64(n))]
		}
		return out
	}
	place, below := 0, 0
	for i := range out {
		k := int((float64(i) + 0.5) * float64(s.n) / float64(n))
		for below+s.count[place] <= k {
			below += s.count[place]
			place++
		}
		// Spread over the bin, so that no ties arise that the values do not have.
		f := (float64(k-below) + 0.5) / float64(s.count[place])
		out[i] = s.edges[place] + f*(s.edges[place+1]-s.edges[place])
	}
	return out
}
