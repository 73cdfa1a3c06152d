package dist

import (
	"math"

	"sagwatch/spc/refusal"
)

// OneWay is a one-way analysis of variance of k groups of n_i values, N together:
//
//	SSBetween = sum n_i (mean_i - mean)^2,  DFBetween = k - 1
//	SSWithin  = sum sum (x_ij - mean_i)^2,  DFWithin  = N - k
//	F = (SSBetween/DFBetween) / (SSWithin/DFWithin)
type OneWay struct {
	Groups, N           int
	Mean                float64
	SSBetween, SSWithin float64
	DFBetween, DFWithin float64
	// F is +Inf and P 0 where values do not vary within groups but their means differ.
	F float64
	P float64 // P(F' > F) with equal true means
	// N0 is (N - sum n_i^2/N)/(k-1), the n of the expected mean square sigma^2 + N0 sigma_between^2; n where all n_i = n.
	N0 float64
}

// MSBetween is the mean square between groups.
func (a *OneWay) MSBetween() float64 { return a.SSBetween / a.DFBetween }

// MSWithin is the mean square within groups, the square of the residual standard deviation.
func (a *OneWay) MSWithin() float64 { return a.SSWithin / a.DFWithin }

// RSquared is SSBetween over the total sum of squares.
func (a *OneWay) RSquared() float64 { return a.SSBetween / (a.SSBetween + a.SSWithin) }

// NewOneWay analyses groups, some of which may be empty. All differences are taken from one of the values first, which is
// exact where values share their leading digits, and the sums are compensated: what is lost is what rounding the data to
// doubles loses. Refused are fewer than two groups with values, no group with two, values that are not finite and values
// that are all equal.
//
// Source: R. A. Fisher, Statistical Methods for Research Workers (1925), chapter 7; N0: S. R. Searle, G. Casella, C. E.
// McCulloch, Variance Components (1992), section 3.6.
func NewOneWay(groups [][]float64) (*OneWay, error) {
	a := &OneWay{}
	var shift, squares float64
	for _, g := range groups {
		if err := refusal.Finite("values", g); err != nil {
			return nil, err
		}
		if len(g) == 0 {
			continue
		}
		if a.N == 0 {
			shift = g[0]
		}
		a.Groups++
		a.N += len(g)
		squares += float64(len(g)) * float64(len(g))
	}
	if a.Groups < 2 {
		return nil, refusal.Few("groups with values", a.Groups, 2)
	}
	if a.N == a.Groups {
		return nil, refusal.Few("values in a group", 1, 2)
	}
	n := float64(a.N)
	a.DFBetween, a.DFWithin = float64(a.Groups-1), n-float64(a.Groups)
	a.N0 = (n - squares/n) / a.DFBetween

	means := make([]float64, 0, a.Groups) // less shift
	var total, within Accumulator
	for _, g := range groups {
		if len(g) == 0 {
			continue
		}
		var s Accumulator
		for _, v := range g {
			s.Add(v - shift)
			total.Add(v - shift)
		}
		m := s.Sum() / float64(len(g))
		means = append(means, m)
		// Corrected two-pass sum of squares, as in MeanSD.
		var d, dd Accumulator
		for _, v := range g {
			e := (v - shift) - m
			d.Add(e)
			dd.Add(e * e)
		}
		within.Add(dd.Sum())
		within.Add(-d.Sum() * d.Sum() / float64(len(g)))
	}
	mean := total.Sum() / n
	a.Mean = shift + mean
	var between Accumulator
	i := 0
	for _, g := range groups {
		if len(g) > 0 {
			between.Add(float64(len(g)) * (means[i] - mean) * (means[i] - mean))
			i++
		}
	}
	a.SSBetween, a.SSWithin = between.Sum(), math.Max(0, within.Sum())
	switch {
	case a.SSBetween == 0 && a.SSWithin == 0:
		return nil, refusal.Constant("values", a.N)
	case a.SSWithin == 0:
		a.F = math.Inf(1)
	default:
		a.F = a.MSBetween() / a.MSWithin()
		a.P = FTail(a.F, a.DFBetween, a.DFWithin)
	}
	return a, nil
}
