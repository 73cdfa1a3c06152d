package gaugestudy

import (
	"math"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// LinearityOptions are the settings of a linearity study.
type LinearityOptions struct {
	// Weighted weighs every master's mean by its number of readings over their variance, for masters whose readings
	// scatter differently; it needs 3 masters of at least 5 readings.
	Weighted   bool    `json:"weighted,omitempty"`
	Confidence float64 `json:"confidence,omitempty"` // 0: 0.95
}

// MasterBias is the bias at one master.
type MasterBias struct {
	Reference float64  `json:"reference"`
	N         int      `json:"n"`
	Bias      float64  `json:"bias"`
	SD        float64  `json:"sd"`
	Interval  Interval `json:"interval"` // of the bias, with the master's own scatter; with the pooled one for a single reading
	P         float64  `json:"p"`        // two-sided, of no bias
	Line      float64  `json:"line"`     // the line at this master
	Band      Interval `json:"band"`     // its confidence interval
}

// LinearityResult is a study of bias across the range.
type LinearityResult struct {
	Options    LinearityOptions `json:"options"`
	Line       Line             `json:"line"` // bias on reference
	PSlope     float64          `json:"p_slope"`
	PIntercept float64          `json:"p_intercept"`
	Slope      Interval         `json:"slope_interval"`
	Intercept  Interval         `json:"intercept_interval"`
	Masters    []MasterBias     `json:"masters"`
	// MeanBias over all readings, and its p value; PooledSD is the repeatability over all masters.
	MeanBias float64 `json:"mean_bias"`
	PBias    float64 `json:"p_bias"`
	PooledSD float64 `json:"pooled_sd"`
	PooledDF float64 `json:"pooled_df"`
	// PLackOfFit compares the masters' means about the line with the repeatability; PSpread is Bartlett's test of equal
	// scatter. Both -1 where they cannot be made.
	PLackOfFit float64 `json:"p_lack_of_fit"`
	PSpread    float64 `json:"p_spread"`
	// Change is |slope| times the range of the references, the change of bias over it.
	Change   float64           `json:"change"`
	Warnings []refusal.Warning `json:"warnings,omitempty"`
}

// Linearity regresses the bias y_jk - x_j of repeated readings of masters x_j on x_j, with confidence bands; numbers of
// readings may differ. The line is that of all readings (ordinary), or of the masters' means weighted by n_j / s_j^2 with
// the degrees of freedom of the means. A straight line that the masters' means leave by more than repeatability
// (lack of fit) and scatter that differs (Bartlett) are warned of.
//
// Refused: fewer than 3 masters, a master without readings, fewer than 2 repeats in all, values that are not finite,
// references that do not vary, readings without scatter; Weighted with fewer than 5 readings of a master or a master
// whose readings do not vary.
//
// Source: common practice for bias and linearity; lack of fit and bands: N. R. Draper and H. Smith, Applied Regression
// Analysis (1998), chapters 1 to 3; M. S. Bartlett, Proc. Royal Society A 160 (1937), 268-282 (formulas from memory).
func Linearity(reference []float64, readings [][]float64, o LinearityOptions) (LinearityResult, error) {
	level, err := confidence(o.Confidence)
	if err != nil {
		return LinearityResult{}, err
	}
	o.Confidence = level
	k := len(reference)
	if k != len(readings) {
		return LinearityResult{}, refusal.Shapes("%d references and readings of %d masters", k, len(readings))
	}
	if k < 3 {
		return LinearityResult{}, refusal.Few("masters", k, 3)
	}
	if err := refusal.Finite("references", reference); err != nil {
		return LinearityResult{}, err
	}
	r := LinearityResult{Options: o, PLackOfFit: -1, PSpread: -1}
	var xs, bias []float64
	within, size := 0.0, largest(reference)
	for j, row := range readings {
		if len(row) == 0 {
			return LinearityResult{}, refusal.Shapes("master %d (%g) has no readings: leave it out", j+1, reference[j])
		}
		if err := refusal.Finite("readings", row); err != nil {
			return LinearityResult{}, err
		}
		size = math.Max(size, largest(row))
		b := make([]float64, len(row))
		for i, v := range row {
			b[i] = v - reference[j]
			xs = append(xs, reference[j])
		}
		bias = append(bias, b...)
		m := MasterBias{Reference: reference[j], N: len(row)}
		m.Bias, m.SD = dist.MeanSD(b)
		within += sq(m.SD) * float64(len(row)-1)
		r.PooledDF += float64(len(row) - 1)
		r.Masters = append(r.Masters, m)
	}
	if r.PooledDF < 2 {
		return LinearityResult{}, refusal.Few("repeats beyond the first of a master", int(r.PooledDF), 2)
	}
	r.PooledSD = math.Sqrt(within / r.PooledDF)
	if steady(r.PooledSD, size) {
		return LinearityResult{}, refusal.Constant("repeated readings of a master", len(bias))
	}
	r.PSpread = bartlett(r.Masters, size)
	if o.Weighted {
		var mx, mb, w []float64
		for j, m := range r.Masters {
			if m.N < 5 {
				return LinearityResult{}, refusal.Shapes("master %d has %d readings: weights need at least 5 of each; fit without weights", j+1, m.N)
			}
			if steady(m.SD, size) {
				return LinearityResult{}, refusal.Shapes("the readings of master %d do not vary: fit without weights", j+1)
			}
			mx, mb, w = append(mx, m.Reference), append(mb, m.Bias), append(w, float64(m.N)/sq(m.SD))
		}
		if r.Line, err = fitLine(mx, mb, w); err != nil {
			return LinearityResult{}, err
		}
		if k < 5 {
			r.Warnings = append(r.Warnings, refusal.Small("masters", k, 5))
		}
	} else {
		if r.Line, err = fitLine(xs, bias, nil); err != nil {
			return LinearityResult{}, err
		}
		if distinct := distinctOf(reference); distinct > 2 {
			ss := sq(r.Line.ResidualSD)*r.Line.DF - within
			f := math.Max(0, ss) / float64(distinct-2) / sq(r.PooledSD)
			if df := r.Line.DF - float64(distinct-2); distinct == k && df > 0 {
				r.PLackOfFit = dist.FTail(f, float64(distinct-2), df)
			}
		}
	}
	a := (1 - level) / 2
	t := dist.StudentTQuantileUpper(a, r.Line.DF)
	r.Slope, r.Intercept = about(r.Line.Slope, t*r.Line.SESlope), about(r.Line.Intercept, t*r.Line.SEIntercept)
	r.PSlope, r.PIntercept = ratioP(r.Line.Slope, r.Line.SESlope, r.Line.DF), ratioP(r.Line.Intercept, r.Line.SEIntercept, r.Line.DF)
	mean, sd := dist.MeanSD(bias)
	r.MeanBias, r.PBias = mean, ratioP(mean, sd/math.Sqrt(float64(len(bias))), float64(len(bias)-1))
	low, high := reference[0], reference[0]
	for j := range r.Masters {
		m := &r.Masters[j]
		s, df := m.SD, float64(m.N-1)
		if m.N < 2 || steady(m.SD, size) {
			s, df = r.PooledSD, r.PooledDF
		}
		se := s / math.Sqrt(float64(m.N))
		m.Interval, m.P = about(m.Bias, dist.StudentTQuantileUpper(a, df)*se), bothTails(m.Bias/se, df)
		m.Line, _ = r.Line.At(m.Reference)
		m.Band = r.Line.Band(m.Reference, level)
		low, high = math.Min(low, m.Reference), math.Max(high, m.Reference)
	}
	r.Change = math.Abs(r.Line.Slope) * (high - low)
	if r.PLackOfFit >= 0 && r.PLackOfFit < 0.05 {
		r.Warnings = append(r.Warnings, refusal.Warning{Kind: refusal.Doubtful, What: "line", Value: r.PLackOfFit,
			Detail: "The bias does not follow a straight line; read it master by master."})
	}
	if !o.Weighted && r.PSpread >= 0 && r.PSpread < 0.05 {
		r.Warnings = append(r.Warnings, refusal.Warning{Kind: refusal.Doubtful, What: "scatter", Value: r.PSpread,
			Detail: "The readings of some masters scatter more than those of others; the bands hold on average only. Fit with weights."})
	}
	return r, nil
}

// ratioP is the two-sided p value of estimate / se; 0 or 1 where there is no error to compare with.
func ratioP(estimate, se, df float64) float64 {
	if se > 0 {
		return bothTails(estimate/se, df)
	}
	if estimate == 0 {
		return 1
	}
	return 0
}

func distinctOf(x []float64) int {
	seen := map[float64]bool{}
	for _, v := range x {
		seen[v] = true
	}
	return len(seen)
}

// bartlett is the p value of equal variances over the masters with at least two readings; -1 where fewer than two have,
// or where one's readings do not vary.
func bartlett(masters []MasterBias, size float64) float64 {
	k, df, inv, logs := 0, 0.0, 0.0, 0.0
	ss := 0.0
	for _, m := range masters {
		if m.N < 2 {
			continue
		}
		if steady(m.SD, size) {
			return -1
		}
		d := float64(m.N - 1)
		k++
		df += d
		inv += 1 / d
		ss += d * sq(m.SD)
		logs += d * math.Log(sq(m.SD))
	}
	if k < 2 {
		return -1
	}
	c := 1 + (inv-1/df)/(3*float64(k-1))
	return dist.ChiSquareTail(math.Max(0, (df*math.Log(ss/df)-logs)/c), float64(k-1))
}
