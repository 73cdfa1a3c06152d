package chart

import (
	"math"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// BetweenWithinOptions are the settings of a between/within chart; the zero value is the published way.
type BetweenWithinOptions struct {
	From   SigmaFrom `json:"from"`   // of the subgroup means, as individuals
	Ranges bool      `json:"ranges"` // the spread inside is charted as a range and not as a standard deviation
	Width  Width     `json:"width"`
	// Target is the centre line of the means in place of their mean, a wanted or standard level; nil takes the mean. The
	// spreads stay those of the baseline.
	Target *float64 `json:"target,omitempty"`
}

// BetweenWithinResult is the baseline of the three charts.
type BetweenWithinResult struct {
	Options      BetweenWithinOptions `json:"options"`
	Means        IndividualsResult    `json:"means"` // the subgroup means as individuals, and their moving range
	Within       SubgroupResult       `json:"within"`
	SigmaBetween float64              `json:"sigma_between"` // 0 where VarBetween is negative
	SigmaTotal   float64              `json:"sigma_total"`   // of one value: sqrt(sigma_between^2 + sigma_within^2)
	// VarBetween is the variance between subgroups beyond what the values inside them explain, signed.
	VarBetween  float64           `json:"var_between"`
	MeanInverse float64           `json:"mean_inverse"` // mean of 1/n_j
	Warnings    []refusal.Warning `json:"warnings,omitempty"`
}

// BetweenWithin works out the three charts of subgroups that vary from one to the next as well as inside, such as the
// panels of a cycle, from a baseline of subgroups in time order of 2 or more values each:
//
//	means as individuals:     centre = mean(xbar_j) or a target,  centre ± k sigma_m
//	moving range of means:    of neighbouring xbar_j
//	range or sd inside:       from sigma_w, as MeanRange or MeanSD
//	var_between = sigma_m^2 - sigma_w^2 mean(1/n_j)
//
// sigma_m is mean |xbar_j - xbar_(j-1)| / d2(2), or the standard deviation of the means where o.From is Overall. The
// variation between subgroups is no fault here, so the limits of means hold it; a mean chart with limits from the spread
// inside would signal all the time.
//
// Within are the limits of the spread alone; neighbouring means that are correlated are told of in Means.
//
// It refuses what Individuals and MeanSD refuse, and warns as Individuals does, where sizes differ (the moving range takes the means
// as equally exact; MeanLimits then allows for n) and where var_between is negative.
//
// Source: three-way chart, Wheeler 1995, Advanced Topics in Statistical Process Control, ch. 6; the components as in
// Searle, Casella and McCulloch 1992, ch. 3 (both from memory).
func BetweenWithin(subgroups [][]float64, o BetweenWithinOptions) (BetweenWithinResult, error) {
	r := BetweenWithinResult{Options: o}
	var err error
	if o.Ranges {
		r.Within, err = pooledRanges(subgroups, o.Width)
	} else {
		r.Within, err = pooledSDs(subgroups, o.Width)
	}
	if err != nil {
		return BetweenWithinResult{}, err
	}
	means, unequal := meansOf(subgroups), false
	var inverse dist.Accumulator
	for _, g := range subgroups {
		inverse.Add(1 / float64(len(g)))
		unequal = unequal || len(g) != len(subgroups[0])
	}
	r.MeanInverse = inverse.Sum() / float64(len(subgroups))
	if r.Means, err = Individuals(means, IndividualsOptions{From: o.From, Width: o.Width, Target: o.Target}); err != nil {
		if e, ok := err.(*refusal.Error); ok && e.Reason == refusal.ZeroVariance {
			return BetweenWithinResult{}, refusal.Constant("subgroup means", len(means))
		}
		return BetweenWithinResult{}, err
	}
	w := r.Within.SigmaWithin
	r.VarBetween = r.Means.Limits.Sigma*r.Means.Limits.Sigma - w*w*r.MeanInverse
	r.SigmaBetween = math.Sqrt(max(0, r.VarBetween))
	r.SigmaTotal = math.Hypot(r.SigmaBetween, w)
	r.Warnings = append(r.Warnings, r.Means.Warnings...)
	if unequal {
		r.Warnings = append(r.Warnings, refusal.Warning{Kind: refusal.Doubtful, What: "sizes",
			Detail: "The subgroups differ in size; the moving range takes their means as equally exact."})
	}
	if r.VarBetween < 0 {
		r.Warnings = append(r.Warnings, refusal.Warning{Kind: refusal.Doubtful, What: "between", Value: r.VarBetween,
			Detail: "The subgroups vary less than the values inside them suggest; the limits are those of the means as they are."})
	}
	return r, nil
}

// About is the same chart with its means about a target or standard level, with the baseline's spreads. It refuses a target
// that is not finite.
func (r BetweenWithinResult) About(target float64) (BetweenWithinResult, error) {
	if err := checkCentre(target); err != nil {
		return BetweenWithinResult{}, err
	}
	r.Options.Target, r.Means.Options.Target = &target, &target
	r.Means.Limits = symmetric(target, r.Means.Limits.Sigma, r.Options.Width)
	return r, nil
}

// MeanLimits are the limits of the mean of n values, charted as an individual, n at least 1:
//
//	centre ± k sqrt(var_between + sigma_w^2 / n)             if var_between >= 0
//	centre ± k sigma_m sqrt((1/n) / mean(1/n_j))              otherwise
//
// For a baseline and a subgroup of one size they are the limits in Means. It refuses n below 1.
func (r BetweenWithinResult) MeanLimits(n int) (Limits, error) {
	if n < 1 {
		return Limits{}, refusal.Few("values in a subgroup", n, 1)
	}
	w := r.Within.SigmaWithin
	v := r.VarBetween + w*w/float64(n)
	if r.VarBetween < 0 {
		v = r.Means.Limits.Sigma * r.Means.Limits.Sigma / float64(n) / r.MeanInverse
	}
	return GivenLimits(r.Means.Limits.Centre, math.Sqrt(v), r.Options.Width)
}
