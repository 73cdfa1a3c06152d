package fit

import (
	"slices"

	"sagwatch/spc/refusal"
)

// With is the sample with other counts at its places, those of a resample. Refused are counts that are not as many as the
// places, negative or all zero.
func (s *Sample) With(counts []int) (*Sample, error) {
	if len(counts) != s.Places() {
		return nil, refusal.Shapes("%d counts for %d places", len(counts), s.Places())
	}
	if s.IsBinned() {
		return Binned(s.edges, counts)
	}
	if err := refusal.NotNegative("counts", counts); err != nil {
		return nil, err
	}
	var x []float64
	for i, c := range counts {
		x = append(x, slices.Repeat([]float64{s.at[i]}, c)...)
	}
	return Values(x)
}
