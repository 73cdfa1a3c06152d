package report

import (
	"math"
	"slices"
)

// stepOf is the distance in bins from one value to the next, where values are rounded to a step that is coarser than the bins; else 1.
// The bins know nothing of the step, so that it is no whole number of them: values one step apart lie now so many bins apart, now one more.
func stepOf(filled map[int32]bool) float64 {
	bins := make([]int32, 0, len(filled))
	for b := range filled {
		bins = append(bins, b)
	}
	slices.Sort(bins)
	least := 0
	for i := 1; i < len(bins); i++ {
		if d := int(bins[i] - bins[i-1]); least == 0 || d < least {
			least = d
		}
	}
	if least < 2 {
		return 1
	}
	sum, n := 0, 0
	for i := 1; i < len(bins); i++ {
		if d := int(bins[i] - bins[i-1]); d <= least+1 {
			sum, n = sum+d, n+1
		}
	}
	step := float64(sum) / float64(n)
	// Over more and more steps, each counted by what is known so far, it comes out ever finer; the slope of bins on steps is the last word.
	var k, at []float64
	for i, b := range bins {
		far := float64(b - bins[0])
		steps := math.Round(far / step)
		if k, at = append(k, steps), append(at, far); len(k) < 3 || i&(i-1) != 0 && i+1 < len(bins) {
			continue // after so many more each time it need not be worked out again
		}
		if s := slope(k, at); s >= float64(least) && s <= float64(least+1) {
			step = s
		}
	}
	return step
}

// slope is that of the least-squares line of y on x.
func slope(x, y []float64) float64 {
	mx, my := 0.0, 0.0
	for i := range x {
		mx, my = mx+x[i]/float64(len(x)), my+y[i]/float64(len(x))
	}
	xx, xy := 0.0, 0.0
	for i := range x {
		xx, xy = xx+(x[i]-mx)*(x[i]-mx), xy+(x[i]-mx)*(y[i]-my)
	}
	return xy / xx
}
