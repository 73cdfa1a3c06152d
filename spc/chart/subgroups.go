package chart

import (
	"fmt"
	"math"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// SubgroupKind says what a chart of subgroups plots beside their spread.
type SubgroupKind string

// Kinds of charts of subgroups.
const (
	MeansOverRanges SubgroupKind = "mean-range"
	MeansOverSDs    SubgroupKind = "mean-sd"
	Medians         SubgroupKind = "median-range"
)

// SubgroupResult is the baseline of a chart of subgroups: mean and range, mean and standard deviation, or median and
// range. Its fields are plain numbers: stored, they are the frozen limits of Phase II for subgroups of any size.
type SubgroupResult struct {
	Kind        SubgroupKind      `json:"kind"`
	Width       Width             `json:"width"`
	Subgroups   int               `json:"subgroups"`
	Values      int               `json:"values"`
	Centre      float64           `json:"centre"` // mean of all values, or weighted mean of the medians
	CentreFrom  CentreFrom        `json:"centre_from,omitempty"`
	SigmaWithin float64           `json:"sigma_within"` // standard deviation of one value inside a subgroup
	Lag1        Autocorrelation   `json:"lag1"`         // of the means, or medians, in time order; zero under 3 subgroups
	Warnings    []refusal.Warning `json:"warnings,omitempty"`
}

// StandardSubgroups is a chart of subgroups with centre and sigma of one value both given, without a baseline. It refuses a
// kind that there is not, a centre that is not finite and a sigma that is not finite and above 0.
func StandardSubgroups(kind SubgroupKind, centre, sigma float64, w Width) (SubgroupResult, error) {
	if kind != MeansOverRanges && kind != MeansOverSDs && kind != Medians {
		return SubgroupResult{}, refusal.Shapes("there is no chart of subgroups of the kind %q", string(kind))
	}
	if _, err := GivenLimits(centre, sigma, w); err != nil {
		return SubgroupResult{}, err
	}
	return SubgroupResult{Kind: kind, Width: w, Centre: centre, CentreFrom: FromStandard, SigmaWithin: sigma}, nil
}

// About is the same chart about a target, with the baseline's spread.
func (r SubgroupResult) About(target float64) (SubgroupResult, error) {
	if err := checkCentre(target); err != nil {
		return SubgroupResult{}, err
	}
	r.Centre, r.CentreFrom = target, FromTarget
	return r, nil
}

// MeanLimits are the limits of the mean, or of the median on a median chart, of n values. See MeanLimits
// and MedianLimits for formula and refusals.
func (r SubgroupResult) MeanLimits(n int) (Limits, error) {
	if r.Kind == Medians {
		return MedianLimits(n, r.Centre, r.SigmaWithin, r.Width)
	}
	return MeanLimits(n, r.Centre, r.SigmaWithin, r.Width)
}

// SpreadLimits are the limits of the range, or of the standard deviation on a chart of those, of n values. See RangeLimits and
// SDLimits for formula and refusals.
func (r SubgroupResult) SpreadLimits(n int) (Limits, error) {
	if r.Kind == MeansOverSDs {
		return SDLimits(n, r.SigmaWithin, r.Width)
	}
	return RangeLimits(n, r.SigmaWithin, r.Width)
}

// MeanRange works out a mean and range chart from a baseline of subgroups, in time order, of 2 or more values each, sizes
// may differ:
//
//	centre = mean of all values
//	sigma  = sum f_j R_j / d2(n_j) / sum f_j,  f_j = (d2(n_j) / d3(n_j))^2
//
// which is mean(R) / d2(n) for equal sizes; the weights are those of least variance. It refuses fewer than 2
// subgroups, subgroups under 2 values, values that are not finite and subgroups that do not vary inside. Under 25
// subgroups it warns, and where the means have a significant lag-1 autocorrelation (Lag1): they then vary by more than the
// spread inside the subgroups says, and BetweenWithin is the chart for them.
//
// Source: ISO 7870-2, ASTM E2587 (from memory); weights: Burr 1969, Control charts for measurements with varying sample
// sizes, Journal of Quality Technology 1(3) (from memory).
func MeanRange(subgroups [][]float64, w Width) (SubgroupResult, error) {
	r, err := pooledRanges(subgroups, w)
	if err != nil {
		return SubgroupResult{}, err
	}
	r.neighbours(meansOf(subgroups), "subgroup means")
	return r, nil
}

// pooledRanges is MeanRange without a look at the order of the subgroups.
func pooledRanges(subgroups [][]float64, w Width) (SubgroupResult, error) {
	return pool(MeansOverRanges, subgroups, w, func(g []float64) (estimate, weight float64) {
		c := ConstantsFor(len(g))
		lo, hi := g[0], g[0]
		for _, v := range g {
			lo, hi = min(lo, v), max(hi, v)
		}
		return (hi - lo) / c.D2, (c.D2 / c.D3) * (c.D2 / c.D3)
	})
}

// MeanSD works out a mean and standard deviation chart from a baseline of subgroups, in time order, of 2 or more values
// each, sizes may differ:
//
//	centre = mean of all values
//	sigma  = sum h_j s_j / c4(n_j) / sum h_j,  h_j = c4(n_j)^2 / (1 - c4(n_j)^2)
//
// which is mean(s) / c4(n) for equal sizes. s_j has denominator n_j - 1. Refusals, warnings and source as for MeanRange.
func MeanSD(subgroups [][]float64, w Width) (SubgroupResult, error) {
	r, err := pooledSDs(subgroups, w)
	if err != nil {
		return SubgroupResult{}, err
	}
	r.neighbours(meansOf(subgroups), "subgroup means")
	return r, nil
}

// neighbours works out the lag-1 autocorrelation of the charted centres and warns of a significant one. Fewer than 3, and
// those that do not vary, have none.
func (r *SubgroupResult) neighbours(centres []float64, what string) {
	lag1, err := Lag1(centres)
	if err != nil {
		return
	}
	r.Lag1 = lag1
	if !lag1.Significant {
		return
	}
	w := correlated(what, lag1, false)
	w.Detail = "Limits from the spread inside the subgroups signal too often, as they leave out what the subgroups share with their neighbours."
	if lag1.R < 0 {
		w.Detail = "The subgroups swing to and fro, which limits from the spread inside them leave out."
	}
	r.Warnings = append(r.Warnings, w)
}

func meansOf(subgroups [][]float64) []float64 {
	means := make([]float64, len(subgroups))
	for j, g := range subgroups {
		means[j], _ = moments(g)
	}
	return means
}

// pooledSDs is MeanSD without a look at the order of the subgroups.
func pooledSDs(subgroups [][]float64, w Width) (SubgroupResult, error) {
	return pool(MeansOverSDs, subgroups, w, func(g []float64) (estimate, weight float64) {
		c := ConstantsFor(len(g))
		_, s := moments(g)
		return s / c.C4, (c.C4 / c.C5) * (c.C4 / c.C5)
	})
}

// pool combines the subgroups' own estimates of sigma by their weights.
func pool(kind SubgroupKind, subgroups [][]float64, w Width, estimate func([]float64) (float64, float64)) (SubgroupResult, error) {
	if err := w.check(); err != nil {
		return SubgroupResult{}, err
	}
	if len(subgroups) < 2 {
		return SubgroupResult{}, refusal.Few("subgroups", len(subgroups), 2)
	}
	r := SubgroupResult{Kind: kind, Width: w, CentreFrom: FromData, Subgroups: len(subgroups)}
	var total, num, den dist.Accumulator
	size := 0.0
	for j, g := range subgroups {
		if len(g) < 2 {
			return SubgroupResult{}, &refusal.Error{Reason: refusal.TooFew, What: "values in a subgroup", N: len(g), Need: 2, Index: j, Detail: fmt.Sprintf("subgroup %d", j+1)}
		}
		for _, v := range g {
			if !finite(v) {
				return SubgroupResult{}, at(refusal.NonFinite, "subgroups", j)
			}
			total.Add(v)
			size = max(size, math.Abs(v))
		}
		r.Values += len(g)
		e, f := estimate(g)
		num.Add(f * e)
		den.Add(f)
	}
	r.Centre = total.Sum() / float64(r.Values)
	r.SigmaWithin = num.Sum() / den.Sum()
	if steady(r.SigmaWithin, size) {
		return SubgroupResult{}, refusal.Constant("values inside the subgroups", r.Values)
	}
	if r.Subgroups < enoughSubgroups {
		r.Warnings = append(r.Warnings, refusal.Small("subgroups", r.Subgroups, enoughSubgroups))
	}
	return r, nil
}

// MeanLimits are the limits of the mean of n values with known centre and sigma of one value:
//
//	centre ± k sigma / sqrt(n)
//
// It refuses n below 1, a centre that is not finite and a sigma that is not positive and finite.
//
// Source: ISO 7870-2, ASTM E2587 (from memory).
func MeanLimits(n int, centre, sigma float64, w Width) (Limits, error) {
	if n < 1 {
		return Limits{}, refusal.Few("values in a subgroup", n, 1)
	}
	return GivenLimits(centre, sigma/math.Sqrt(float64(n)), w)
}

// RangeLimits are the limits of the range of n normal values with known sigma of one value:
//
//	centre = d2 sigma, limits = (d2 ± k d3) sigma
//
// or, at a probability, sigma times the quantiles of the range at half of it on each side. A lower limit at or below
// 0 is none. It refuses n below 2 and a sigma that is not positive and finite.
//
// Source: ISO 7870-2, ASTM E2587 (from memory).
func RangeLimits(n int, sigma float64, w Width) (Limits, error) {
	if err := checkSpread(n, sigma, w); err != nil {
		return Limits{}, err
	}
	c := ConstantsFor(n)
	if p := w.Probability; p > 0 {
		return nonNegative(c.D2*sigma, c.D3*sigma, dist.RangeQuantile(p/2, n)*sigma, dist.RangeQuantileUpper(p/2, n)*sigma), nil
	}
	k := w.multiple()
	return nonNegative(c.D2*sigma, c.D3*sigma, (c.D2-k*c.D3)*sigma, (c.D2+k*c.D3)*sigma), nil
}

// SDLimits are the limits of the standard deviation (denominator n-1) of n normal values with known sigma of one value:
//
//	centre = c4 sigma, limits = (c4 ± k c5) sigma,  c5 = sqrt(1 - c4^2)
//
// or, at probability p, sigma sqrt(q / (n-1)) with q the chi-square quantiles of n-1 degrees of freedom at p/2 and
// 1 - p/2. A lower limit at or below 0 is none. It refuses n below 2 and a sigma that is not positive and finite.
//
// Source: ISO 7870-2, ASTM E2587 (from memory).
func SDLimits(n int, sigma float64, w Width) (Limits, error) {
	if err := checkSpread(n, sigma, w); err != nil {
		return Limits{}, err
	}
	c := ConstantsFor(n)
	if p := w.Probability; p > 0 {
		df := float64(n - 1)
		lower, upper := dist.ChiSquareQuantile(p/2, df), dist.ChiSquareQuantileUpper(p/2, df)
		return nonNegative(c.C4*sigma, c.C5*sigma, sigma*math.Sqrt(lower/df), sigma*math.Sqrt(upper/df)), nil
	}
	k := w.multiple()
	return nonNegative(c.C4*sigma, c.C5*sigma, (c.C4-k*c.C5)*sigma, (c.C4+k*c.C5)*sigma), nil
}

func checkSpread(n int, sigma float64, w Width) error {
	if err := w.check(); err != nil {
		return err
	}
	if n < 2 {
		return refusal.Few("values in a subgroup", n, 2)
	}
	return checkSigma(sigma)
}
