package chart

import "sagwatch/spc/dist"

// moments gives the mean and the standard deviation with denominator n-1; both are 0 for no values.
func moments(x []float64) (mean, sd float64) {
	if len(x) == 0 {
		return 0, 0
	}
	return dist.MeanSD(x)
}
