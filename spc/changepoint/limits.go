package changepoint

import "math"

// limitCurve are limits at some n, ascending; beyond the last the last holds.
type limitCurve struct {
	n []float64
	h []float64
}

// at interpolates between the table's n, linear in 1/(n - 6), in which the limits of Hawkins, Qiu and Kang (2003) are
// nearly straight.
func (l limitCurve) at(n int) float64 {
	x := float64(n)
	last := len(l.n) - 1
	if x <= l.n[0] {
		return l.h[0]
	}
	if x >= l.n[last] {
		return l.h[last]
	}
	i := 1
	for l.n[i] < x {
		i++
	}
	a, b, v := bent(l.n[i-1]), bent(l.n[i]), bent(x)
	return l.h[i-1] + (l.h[i]-l.h[i-1])*(v-a)/(b-a)
}

// bent is the scale on which limits are interpolated.
func bent(n float64) float64 {
	if n < 7 {
		return 2 - n/7 // charts with known parameters begin at 1
	}
	return 1 / (n - 6)
}

// limitsFor interpolates the table of a chart to a wanted ARL0, linear in its logarithm, which adds at most about 0.1 % to
// the limit.
//
// Standard error of the table's limits, in % of the limit, from the number of sequences that signal:
//
//	parameters unknown, n = 10      0.1 at ARL0 200, 0.2 at 500, 0.3 at 1000, 0.4 at 2000
//	parameters unknown, n = 25      0.05, 0.07, 0.1, 0.15
//	parameters unknown, n above 25  0.15 at ARL0 200 to 0.3 at 2000
//	parameters known, n = 1 to 5    0.5 at ARL0 200, 0.7 at 500, 1.1 at 2000
//	parameters known, n above 5     0.3 at ARL0 200 to 0.7 at 2000, from n = 15 on half of that
//
// A limit that is 0.1 % off puts the rate of false signals at its point some 0.8 % off at n = 10, 1 % beyond 25.
func limitsFor(o ChartOptions) limitCurve {
	table := &limitTables[tableIndex(o)]
	x := math.Log(o.ARL0)
	i := 1
	for i < len(tableARL0)-1 && tableARL0[i] < o.ARL0 {
		i++
	}
	a, b := math.Log(tableARL0[i-1]), math.Log(tableARL0[i])
	f := (x - a) / (b - a)
	l := limitCurve{n: table.n, h: make([]float64, len(table.n))}
	for k := range l.h {
		l.h[k] = table.h[i-1][k]*(1-f) + table.h[i][k]*f
	}
	return l
}

// tableIndex is the place of a chart's table.
func tableIndex(o ChartOptions) int {
	i := 0
	if !o.Known {
		i = 2
	}
	if o.Shape == Drift {
		i++
	}
	return i
}

// limitTable are the limits of one kind of chart: h[i][k] for tableARL0[i] at n[k].
type limitTable struct {
	n []float64
	h [][]float64
}
