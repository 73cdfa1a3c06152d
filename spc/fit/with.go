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

// Refit is the distribution alone of Fit, for a resample of what near was fitted to: the search begins at near where the family is one
// that searches, and errors and covariance of the parameters, which cost most of the time, are left out. Refusals as those of Fit.
func Refit(s *Sample, near Distribution) (Distribution, error) {
	family := near.Family()
	if err := s.fits(family); err != nil {
		return nil, err
	}
	p, _, err := estimate(s, family, values(near))
	if err != nil && noMaximum(err) {
		p, _, err = estimate(s, family, nil) // the start may have been a poor one
	}
	if err != nil {
		return nil, err
	}
	d, err := New(family, p...)
	if err != nil {
		return nil, refusal.Unsolved("the fit of a %s distribution went beyond what can be represented: %v", family, err)
	}
	return d, nil
}
