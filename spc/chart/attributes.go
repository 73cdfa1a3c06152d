package chart

import (
	"math"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// Rejects is one subgroup of panels judged: how many of those inspected were rejected.
type Rejects struct {
	Rejected  int `json:"rejected"`
	Inspected int `json:"inspected"`
}

// Defects is one unit of inspection: how many defects on how much, in panels, m² or another unit of area of opportunity.
type Defects struct {
	Count int     `json:"count"`
	Area  float64 `json:"area"`
}

// AttributeKind says what an attribute chart plots.
type AttributeKind string

// Kinds of attribute charts.
const (
	Proportion   AttributeKind = "p"  // rejected / inspected
	NumberOf     AttributeKind = "np" // rejected
	CountOf      AttributeKind = "c"  // defects
	CountPerArea AttributeKind = "u"  // defects / area
)

// AttributeOptions are the settings of an attribute chart; the zero value is the published 3 sigma.
type AttributeOptions struct {
	Width Width `json:"width"`
	// Adjusted widens or narrows the limits to the variation that the counts really have from one to the next (Laney's p'
	// and u').
	Adjusted bool `json:"adjusted,omitempty"`
	// Standard is a given proportion or rate in place of the baseline's; nil takes the baseline's.
	Standard *float64 `json:"standard,omitempty"`
}

// AttributeResult is the baseline of an attribute chart. Its fields are plain numbers: stored, they are the frozen limits of
// Phase II for subgroups of any size.
type AttributeResult struct {
	Kind       AttributeKind     `json:"kind"`
	Options    AttributeOptions  `json:"options"`
	Subgroups  int               `json:"subgroups"`
	Counted    int               `json:"counted"` // rejects or defects in the baseline
	Level      float64           `json:"level"`   // proportion rejected, or defects per unit of area
	CentreFrom CentreFrom        `json:"centre_from"`
	SigmaZ     float64           `json:"sigma_z"` // Laney's factor; 1 for binomial or Poisson counts
	Dispersion Dispersion        `json:"dispersion"`
	Warnings   []refusal.Warning `json:"warnings,omitempty"`
}

// Dispersion compares the variation of counts with that of binomial or Poisson counts.
type Dispersion struct {
	Statistic float64 `json:"statistic"`
	DF        int     `json:"df"`
	Ratio     float64 `json:"ratio"` // Statistic / DF: about 1 for binomial or Poisson counts
	P         float64 `json:"p"`     // probability of a Statistic at least as large for such counts
}

// fewExpected is the expected count below which limits at k sigma are marked as doubtful. Common practice, no source.
const fewExpected = 5

// RejectChart works out a p or np chart from a baseline of subgroups, sizes may differ:
//
//	p = sum rejected / sum inspected
//	z_j = (p_j - p) / sqrt(p (1 - p) / n_j),  dispersion = sum z_j^2 on J - 1 degrees of freedom (J with a standard given)
//	sigma_z = mean |z_j - z_(j-1)| / d2(2)    (adjusted form, else 1)
//
// The subgroups are in time order. It refuses another kind, fewer than 2 subgroups, negative counts, a subgroup without
// inspected panels or with more rejected than inspected, and counts that are all nothing or all everything. Under 25
// subgroups, at an expected count under 5 with limits at k sigma and where the counts vary more than binomial ones (p < 0.05)
// without being adjusted it warns.
//
// Source: NIST/SEMATECH e-Handbook 6.3.3.2; ISO 7870-2; dispersion: Snedecor and Cochran, binomial variance test; adjusted
// form: Laney 2002, Improved control charts for attributes, Quality Engineering 14(4) (all from memory).
func RejectChart(kind AttributeKind, x []Rejects, o AttributeOptions) (AttributeResult, error) {
	if kind != Proportion && kind != NumberOf {
		return AttributeResult{}, refusal.Shapes("a chart of rejects is of the kind %q or %q, not %q", Proportion, NumberOf, kind)
	}
	counts, sizes := make([]int, len(x)), make([]float64, len(x))
	for j, v := range x {
		counts[j], sizes[j] = v.Rejected, float64(v.Inspected)
		if err := checkRejects(v, j); err != nil {
			return AttributeResult{}, err
		}
	}
	return attributes(kind, counts, sizes, o)
}

// DefectChart works out a c or u chart from a baseline of counts on areas of opportunity, equal ones for a c chart:
//
//	u = sum counts / sum areas
//	z_j = (u_j - u) / sqrt(u / a_j),  dispersion and sigma_z as for RejectChart
//
// Refusals and warnings as for RejectChart, with areas that are not finite and above 0, and unequal ones on a c chart; its
// rate is for the area that the baseline has.
//
// Source: NIST/SEMATECH e-Handbook 6.3.3.1; ISO 7870-2; Fisher's index of dispersion; Laney 2002 (all from memory).
func DefectChart(kind AttributeKind, x []Defects, o AttributeOptions) (AttributeResult, error) {
	if kind != CountOf && kind != CountPerArea {
		return AttributeResult{}, refusal.Shapes("a chart of defects is of the kind %q or %q, not %q", CountOf, CountPerArea, kind)
	}
	counts, sizes := make([]int, len(x)), make([]float64, len(x))
	for j, v := range x {
		counts[j], sizes[j] = v.Count, v.Area
		if err := checkDefects(v, j); err != nil {
			return AttributeResult{}, err
		}
		if kind == CountOf {
			if v.Area != x[0].Area {
				return AttributeResult{}, refusal.Shapes("a c chart needs equal areas of opportunity, number %d differs from the first: take a u chart", j+1)
			}
			sizes[j] = 1
		}
	}
	return attributes(kind, counts, sizes, o)
}

func checkRejects(v Rejects, j int) error {
	switch {
	case v.Rejected < 0:
		return &refusal.Error{Reason: refusal.Negative, What: "rejects", Index: j, Value: float64(v.Rejected)}
	case v.Inspected < 1:
		return &refusal.Error{Reason: refusal.TooFew, What: "inspected panels in a subgroup", N: v.Inspected, Need: 1, Index: j}
	case v.Rejected > v.Inspected:
		return refusal.Shapes("subgroup %d has %d rejected of %d inspected", j+1, v.Rejected, v.Inspected)
	case v.Inspected > 1e9:
		return refusal.Setting("the number inspected", float64(v.Inspected), "a subgroup holds at most 1e9")
	}
	return nil
}

func checkDefects(v Defects, j int) error {
	switch {
	case v.Count < 0:
		return &refusal.Error{Reason: refusal.Negative, What: "counts of defects", Index: j, Value: float64(v.Count)}
	case v.Count > 1e9:
		return refusal.Setting("the count of defects", float64(v.Count), "a count is at most 1e9")
	case !(v.Area > 0 && v.Area <= 1e9 && v.Area >= 1e-9):
		return refusal.Setting("the area of opportunity", v.Area, "it must be from 1e-9 to 1e9")
	}
	return nil
}

// attributes pools counts with variance function v(level) / size: level (1 - level) for rejects, level for defects.
func attributes(kind AttributeKind, counts []int, sizes []float64, o AttributeOptions) (AttributeResult, error) {
	if err := o.Width.check(); err != nil {
		return AttributeResult{}, err
	}
	if len(counts) < 2 {
		return AttributeResult{}, refusal.Few("subgroups", len(counts), 2)
	}
	r := AttributeResult{Kind: kind, Options: o, Subgroups: len(counts), CentreFrom: FromData, SigmaZ: 1}
	var total dist.Accumulator
	for j, c := range counts {
		r.Counted += c
		total.Add(sizes[j])
	}
	r.Level = float64(r.Counted) / total.Sum()
	r.Dispersion.DF = len(counts) - 1
	if o.Standard != nil {
		r.Level, r.CentreFrom, r.Dispersion.DF = *o.Standard, FromStandard, len(counts)
		if err := kind.checkLevel(r.Level); err != nil {
			return AttributeResult{}, err
		}
	}
	if r.Level == 0 {
		return AttributeResult{}, &refusal.Error{Reason: refusal.ZeroVariance, What: "counts", N: len(counts), Index: -1, Detail: "all are 0; chart the time between rejects"}
	}
	if kind.binomial() && r.Level == 1 {
		return AttributeResult{}, &refusal.Error{Reason: refusal.ZeroVariance, What: "counts", N: len(counts), Index: -1, Detail: "everything inspected was rejected"}
	}
	var squares, ranges dist.Accumulator
	last, least := 0.0, math.Inf(1)
	for j, c := range counts {
		sd := kind.sigma(r.Level, sizes[j])
		z := (float64(c)/sizes[j] - r.Level) / sd
		squares.Add(z * z)
		if j > 0 {
			ranges.Add(math.Abs(z - last))
		}
		last = z
		least = min(least, sizes[j]*r.Level)
	}
	d := &r.Dispersion
	d.Statistic = squares.Sum()
	d.Ratio = d.Statistic / float64(d.DF)
	d.P = dist.ChiSquareTail(d.Statistic, float64(d.DF))
	if o.Adjusted {
		r.SigmaZ = ranges.Sum() / float64(len(counts)-1) / ConstantsFor(2).D2
		if r.SigmaZ <= 1e-12 {
			return AttributeResult{}, refusal.Constant("counts", len(counts))
		}
	}
	if r.Subgroups < enoughSubgroups {
		r.Warnings = append(r.Warnings, refusal.Small("subgroups", r.Subgroups, enoughSubgroups))
	}
	if o.Width.Probability == 0 && least < fewExpected {
		r.Warnings = append(r.Warnings, refusal.Warning{Kind: refusal.Doubtful, What: "expected count", Value: least,
			Detail: "Subgroups with fewer than 5 expected have skewed counts; limits at a probability hold for them."})
	}
	if !o.Adjusted && d.P < 0.05 {
		r.Warnings = append(r.Warnings, refusal.Warning{Kind: refusal.Doubtful, What: "dispersion", Value: d.Ratio,
			Detail: "The counts vary more from one subgroup to the next than chance alone gives them; the adjusted form allows for it."})
	}
	return r, nil
}

func (k AttributeKind) binomial() bool { return k == Proportion || k == NumberOf }

// sigma is the standard deviation of a proportion of n, or of a rate on an area.
func (k AttributeKind) sigma(level, size float64) float64 {
	if k.binomial() {
		return math.Sqrt(level * (1 - level) / size)
	}
	return math.Sqrt(level / size)
}

func (k AttributeKind) checkLevel(level float64) error {
	if k.binomial() && !(level > 0 && level < 1) {
		return refusal.Setting("the proportion rejected", level, "it must be above 0 and below 1")
	}
	if !k.binomial() && !(level > 0 && level <= 1e9) {
		return refusal.Setting("the rate of defects", level, "it must be above 0 and at most 1e9")
	}
	return nil
}

// Limits are the limits of a subgroup of the given size: the number inspected for p and np, the area for u; a c chart
// takes its baseline's area and ignores size. See RejectLimits and DefectLimits; in the adjusted form
//
//	level ± k sigma sigma_z
//
// where k at a probability is the normal multiple, the counts being no longer binomial or Poisson.
// It refuses a size that is none: less than 1 inspected, or not a whole number; an area that is not above 0.
func (r AttributeResult) Limits(size float64) (Limits, error) {
	w := r.Options.Width
	if r.Kind == CountOf {
		size = 1
	}
	if r.Options.Adjusted {
		w = Width{K: w.multiple()}
	}
	if r.Kind.binomial() {
		if size != math.Trunc(size) || !(size >= 1 && size <= 1e9) {
			return Limits{}, refusal.Setting("the number inspected", size, "it must be a whole number from 1 to 1e9")
		}
	}
	return attributeLimits(r.Kind, size, r.Level, r.SigmaZ, w)
}

// RejectLimits are the limits of the proportion (kind p) or the number (kind np) of rejects among n inspected at a known
// proportion p of rejects:
//
//	p ± k sqrt(p (1 - p) / n)    times n for np
//
// or, at probability a, the binomial limits: with X binomial, upper the least count U with P(X > U) <= a/2, lower the
// greatest count L with P(X < L) <= a/2; a count on a limit is inside, and the true rates are at most a/2 each (see
// CountRates). A lower limit at or below 0, and an upper one at or above all inspected, is none. Where one reject is
// already that improbable the upper limit is 0 and lies below the centre: any reject signals. It refuses another kind, n
// outside 1 to 1e9 and p outside (0, 1).
//
// Source: ISO 7870-2 (from memory); the exact limits are the definition.
func RejectLimits(kind AttributeKind, n int, p float64, w Width) (Limits, error) {
	if !kind.binomial() {
		return Limits{}, refusal.Shapes("a chart of rejects is of the kind %q or %q, not %q", Proportion, NumberOf, kind)
	}
	if n < 1 || n > 1e9 {
		return Limits{}, refusal.Setting("the number inspected", float64(n), "it must be from 1 to 1e9")
	}
	return attributeLimits(kind, float64(n), p, 1, w)
}

// DefectLimits are the limits of the defects on an area (kind c) or of defects per unit of area (kind u) at a known rate u of
// defects per unit of area:
//
//	u ± k sqrt(u / area)    times area for c
//
// or, at a probability, the Poisson limits, as for RejectLimits. It refuses another kind, an area outside 1e-9 to 1e9 and a
// rate outside (0, 1e9].
func DefectLimits(kind AttributeKind, area, u float64, w Width) (Limits, error) {
	if kind != CountOf && kind != CountPerArea {
		return Limits{}, refusal.Shapes("a chart of defects is of the kind %q or %q, not %q", CountOf, CountPerArea, kind)
	}
	return attributeLimits(kind, area, u, 1, w)
}

func attributeLimits(kind AttributeKind, size, level, factor float64, w Width) (Limits, error) {
	if err := w.check(); err != nil {
		return Limits{}, err
	}
	if err := kind.checkLevel(level); err != nil {
		return Limits{}, err
	}
	if !(size >= 1e-9 && size <= 1e9) {
		return Limits{}, refusal.Setting("the area of opportunity", size, "it must be from 1e-9 to 1e9")
	}
	if m := size * level; m > 1e9 {
		return Limits{}, refusal.Setting("the expected count", m, "it must be at most 1e9")
	}
	if !finite(factor) || factor <= 0 {
		return Limits{}, refusal.Setting("the dispersion factor", factor, "it must be finite and above 0")
	}
	scale := 1.0 // from the plotted value to a proportion or rate
	if kind == NumberOf || kind == CountOf {
		scale = size
	}
	sd := kind.sigma(level, size) * factor
	l := Limits{Centre: level * scale, HasCentre: true, Sigma: sd * scale}
	if w.Probability > 0 {
		low, high := countLimits(kind.binomial(), size, level, w.Probability/2)
		l.Lower, l.HasLower = float64(low), low > 0
		l.Upper, l.HasUpper = float64(high), !kind.binomial() || float64(high) < size
		if scale == 1 { // divided as a plotted proportion is, so that a count on a limit is on it to the last bit
			l.Lower, l.Upper = l.Lower/size, l.Upper/size
		}
	} else {
		d := w.multiple() * sd
		l.Lower, l.HasLower = (level-d)*scale, level-d > 0
		l.Upper, l.HasUpper = (level+d)*scale, !kind.binomial() || level+d < 1
	}
	if !l.HasLower {
		l.Lower = 0
	}
	if !l.HasUpper {
		l.Upper = 0
	}
	return l, nil
}

// countTails are P(X < k) and P(X > k) of a binomial count of n = size at p = level, or of a Poisson count of mean size
// times level.
func countTails(binomial bool, size, level float64, k int) (below, above float64) {
	if binomial {
		n := int(size)
		return dist.BinomialCDF(k-1, n, level), dist.BinomialTail(k, n, level)
	}
	return dist.PoissonCDF(k-1, size*level), dist.PoissonTail(k, size*level)
}

// countLimits are the counts L with P(X < L) <= side and U with P(X > U) <= side that lie closest together.
func countLimits(binomial bool, size, level, side float64) (lower, upper int) {
	if binomial {
		return dist.BinomialQuantile(side, int(size), level), dist.BinomialQuantileUpper(side, int(size), level)
	}
	return dist.PoissonQuantile(side, size*level), dist.PoissonQuantileUpper(side, size*level)
}

// CountRates are the true probabilities of a count below and above limits on the plotted scale while the level holds:
// binomial for p and np, Poisson for c and u. Size is the number inspected or the area. Refusals as for RejectLimits and
// DefectLimits.
func CountRates(kind AttributeKind, size, level float64, l Limits) (below, above float64, err error) {
	if err := kind.checkLevel(level); err != nil {
		return 0, 0, err
	}
	if m := size * level; m > 1e9 {
		return 0, 0, refusal.Setting("the expected count", m, "it must be at most 1e9")
	}
	if !(size >= 1e-9 && size <= 1e9) || kind.binomial() && (size < 1 || size != math.Trunc(size)) {
		return 0, 0, refusal.Setting("the size of the subgroup", size, "it must be from 1e-9 to 1e9, a whole number of panels")
	}
	scale := size
	if kind == NumberOf || kind == CountOf {
		scale = 1
	}
	const slack = 1e-9 // a count that is a limit to rounding lies on it
	if l.HasLower {
		k := math.Ceil(l.Lower*scale - slack*max(1, l.Lower*scale))
		below, _ = countTails(kind.binomial(), size, level, int(k))
	}
	if l.HasUpper {
		k := math.Floor(l.Upper*scale + slack*max(1, l.Upper*scale))
		_, above = countTails(kind.binomial(), size, level, int(k))
	}
	return below, above, nil
}
