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

// limitsFor interpolates the table of a chart to a wanted ARL0, linear in its logarithm. The table's limits are known to
// about 0.3 %, the first few after a start at an ARL0 of 500 and more to 2 %; the run length in all to some 3 %.
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
