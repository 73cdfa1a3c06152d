package gaugestudy

import (
	"math"
	"slices"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// RangeConstants are the factors of the average-and-range method: 1/d2* of the trials, of the appraisers and of the parts.
type RangeConstants struct {
	K1 float64 `json:"k1"`
	K2 float64 `json:"k2"`
	K3 float64 `json:"k3"`
}

// AverageRangeResult is a study by averages and ranges. Standard deviations, not multiples of them.
type AverageRangeResult struct {
	Parts            int               `json:"parts"`
	Appraisers       int               `json:"appraisers"`
	Trials           int               `json:"trials"`
	Constants        RangeConstants    `json:"constants"`
	MeanRange        float64           `json:"mean_range"`
	AppraiserRange   float64           `json:"appraiser_range"` // of the appraisers' means
	PartRange        float64           `json:"part_range"`      // of the parts' means
	Repeatability    float64           `json:"repeatability"`
	Reproducibility  float64           `json:"reproducibility"` // 0 where less than the repeatability explains
	Gauge            float64           `json:"gauge"`
	Part             float64           `json:"part"`
	Total            float64           `json:"total"`
	PercentStudy     float64           `json:"percent_study"`               // of the gauge, of the whole study
	PercentTolerance float64           `json:"percent_tolerance,omitempty"` // 100 multiple gauge / tolerance
	Distinct         float64           `json:"distinct"`                    // sqrt(2) part / gauge
	Categories       int               `json:"categories"`
	Warnings         []refusal.Warning `json:"warnings,omitempty"`
}

// ConstantsFor are the exact factors for parts, appraisers and trials: 1/d2 of the trials, whose ranges are many, and
// 1/sqrt(d2^2 + d3^2) of appraisers and parts, of which there is one range (0 for one appraiser).
//
// Source: A. J. Duncan, Quality Control and Industrial Statistics, table of d2* (from memory).
func ConstantsFor(parts, appraisers, trials int) RangeConstants {
	one := func(n int) float64 {
		if n < 2 {
			return 0
		}
		d2, d3 := dist.RangeMoments(n)
		return 1 / math.Hypot(d2, d3)
	}
	c := RangeConstants{K2: one(appraisers), K3: one(parts)}
	if trials >= 2 {
		d2, _ := dist.RangeMoments(trials)
		c.K1 = 1 / d2
	}
	return c
}

// AverageRange analyses y[part][appraiser][trial] by the ranges of repeated readings and of means:
//
//	EV = K1 mean range,  AV = sqrt((K2 range of appraisers' means)^2 - EV^2/(p r)) (0 if negative)
//	GRR = sqrt(EV^2 + AV^2),  PV = K3 range of parts' means,  TV = sqrt(GRR^2 + PV^2)
//
// It knows no interaction; prefer Crossed. Constants nil means the exact ones; a printed table's may be given. Of the
// options only Tolerance and Multiple are used. Refusals as for Crossed, and more than 100 parts, appraisers or trials.
//
// Source: common practice of the trade (formulas from memory).
func AverageRange(y [][][]float64, o StudyOptions, k *RangeConstants) (AverageRangeResult, error) {
	if err := o.check(); err != nil {
		return AverageRangeResult{}, err
	}
	p, a, n, err := shape(y, "part", "appraiser")
	if err != nil {
		return AverageRangeResult{}, err
	}
	if err := enough(p, n); err != nil {
		return AverageRangeResult{}, err
	}
	if p > 100 || a > 100 || n > 100 {
		return AverageRangeResult{}, refusal.Setting("parts, appraisers or trials", float64(max(p, a, n)), "must be at most 100 for the method of ranges")
	}
	r := AverageRangeResult{Parts: p, Appraisers: a, Trials: n}
	if k == nil {
		r.Constants = ConstantsFor(p, a, n)
	} else {
		r.Constants = *k
	}
	for _, e := range []error{positive("K1", r.Constants.K1), notNegative("K2", r.Constants.K2), positive("K3", r.Constants.K3)} {
		if e != nil {
			return AverageRangeResult{}, e
		}
	}
	var mean float64
	z, size := centred(y, &mean)
	var ranges dist.Accumulator
	for _, row := range z {
		for _, t := range row {
			ranges.Add(slices.Max(t) - slices.Min(t))
		}
	}
	_, part, app := means(z)
	r.MeanRange = ranges.Sum() / float64(p*a)
	if steady(r.MeanRange, size) {
		return AverageRangeResult{}, refusal.Constant("repeated readings of a part", p*a*n)
	}
	r.AppraiserRange = slices.Max(app) - slices.Min(app)
	r.PartRange = slices.Max(part) - slices.Min(part)
	r.Repeatability = r.Constants.K1 * r.MeanRange
	if a > 1 {
		v := sq(r.Constants.K2*r.AppraiserRange) - sq(r.Repeatability)/float64(p*n)
		if v < 0 {
			v = 0
			r.Warnings = append(r.Warnings, refusal.Warning{Kind: refusal.Adjusted, What: "appraisers",
				Detail: "The appraisers differ by less than the repeatability explains; their part is shown as zero."})
		}
		r.Reproducibility = math.Sqrt(v)
	}
	r.Gauge = math.Hypot(r.Repeatability, r.Reproducibility)
	r.Part = r.Constants.K3 * r.PartRange
	r.Total = math.Hypot(r.Gauge, r.Part)
	r.PercentStudy = 100 * r.Gauge / r.Total
	r.Distinct = math.Sqrt2 * r.Part / r.Gauge
	r.Categories = max(1, int(math.Min(r.Distinct, 1e9)))
	if o.Tolerance > 0 {
		r.PercentTolerance = 100 * o.Multiple * r.Gauge / o.Tolerance
	}
	return r, nil
}
