package fit

import "sagwatch/spc/refusal"

// search is how a maximum was found.
type search struct {
	iterations int
	stopped    string
	fixed      map[int]bool
	warnings   []refusal.Warning
}

func estimate(s *Sample, family Family, start []float64) ([]float64, search, error) {
	return nil, search{}, refusal.Unsolved("the %s family has no fit yet", family)
}

func covariance(s *Sample, family Family, p []float64, free []int) ([][]float64, bool) {
	return nil, false
}
