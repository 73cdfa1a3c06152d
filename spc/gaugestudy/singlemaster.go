package gaugestudy

import (
	"math"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// SingleMasterOptions are the settings of a single-master study.
type SingleMasterOptions struct {
	Reference  float64 `json:"reference"`             // certified value of the master
	ReferenceU float64 `json:"reference_u,omitempty"` // its standard uncertainty
	Tolerance  float64 `json:"tolerance"`             // width U - L of the characteristic's tolerance
	Resolution float64 `json:"resolution,omitempty"`  // least step of the reading, 0: not stated
	Share      float64 `json:"share,omitempty"`       // part of the tolerance that 6 s may take, 0: 0.2
	Confidence float64 `json:"confidence,omitempty"`  // 0: 0.95
}

// SingleMasterResult is a single-master study.
type SingleMasterResult struct {
	Options      SingleMasterOptions `json:"options"`
	N            int                 `json:"n"`
	Mean         float64             `json:"mean"`
	SD           float64             `json:"sd"` // n-1 denominator: the repeatability
	SDInterval   Interval            `json:"sd_interval"`
	Bias         float64             `json:"bias"`
	BiasInterval Interval            `json:"bias_interval"` // of the mean reading against the certified value taken as exact
	T            float64             `json:"t"`
	DF           float64             `json:"df"`
	P            float64             `json:"p"` // two-sided, of no bias
	Cg           float64             `json:"cg"`
	CgInterval   Interval            `json:"cg_interval"`
	Cgk          float64             `json:"cgk"`
	CgkInterval  Interval            `json:"cgk_interval"`
	// Contributions to the measuring system's standard uncertainty.
	URepeatability float64           `json:"u_repeatability"` // s
	UResolution    float64           `json:"u_resolution"`    // resolution / sqrt(12)
	UBias          float64           `json:"u_bias"`          // |bias| / sqrt(3)
	Warnings       []refusal.Warning `json:"warnings,omitempty"`
}

// enoughRepeats is the number of repeats that a single-master study asks for.
const enoughRepeats = 25

// SingleMaster judges repeated readings x of one master of certified value r against a tolerance of width T:
//
//	bias = mean(x) - r,  t = bias / (s / sqrt(n)),  n - 1 degrees of freedom
//	Cg = share T / (6 s),  Cgk = (share T / 2 - |bias|) / (3 s)
//
// with share = 0.2 by common practice. The interval of Cg follows from that of s by chi-square, that of Cgk from the
// non-central t distribution of the nearer side, one-sided exact at each end as for a capability index (conservative
// where the bias is small). UBias and UResolution take the bias and the rounding as rectangular.
//
// It refuses fewer than 2 readings, values that are not finite, readings that do not vary (the resolution hides the
// repeatability) and a tolerance not above zero; it warns under 25 readings and where the resolution exceeds a twentieth
// of the tolerance.
//
// Source: ISO 22514-7 (formulas from memory).
func SingleMaster(x []float64, o SingleMasterOptions) (SingleMasterResult, error) {
	level, err := confidence(o.Confidence)
	if err != nil {
		return SingleMasterResult{}, err
	}
	if o.Share == 0 {
		o.Share = 0.2
	}
	o.Confidence = level
	for _, e := range []error{single("reference", o.Reference), notNegative("reference uncertainty", o.ReferenceU),
		positive("tolerance", o.Tolerance), notNegative("resolution", o.Resolution)} {
		if e != nil {
			return SingleMasterResult{}, e
		}
	}
	if !(o.Share > 0 && o.Share <= 1) {
		return SingleMasterResult{}, refusal.Setting("share of the tolerance", o.Share, "must be above 0 and at most 1")
	}
	if len(x) < 2 {
		return SingleMasterResult{}, refusal.Few("readings", len(x), 2)
	}
	if err := refusal.Finite("readings", x); err != nil {
		return SingleMasterResult{}, err
	}
	r := SingleMasterResult{Options: o, N: len(x), DF: float64(len(x) - 1)}
	r.Mean, r.SD = dist.MeanSD(x)
	if steady(r.SD, largest(x)) {
		return SingleMasterResult{}, refusal.Constant("readings", len(x))
	}
	n := float64(r.N)
	a := (1 - level) / 2
	r.Bias = r.Mean - o.Reference
	se := r.SD / math.Sqrt(n)
	r.T = r.Bias / se
	r.P = bothTails(r.T, r.DF)
	r.BiasInterval = about(r.Bias, dist.StudentTQuantileUpper(a, r.DF)*se)
	r.SDInterval = sdInterval(r.SD, r.DF, level)
	width := o.Share * o.Tolerance
	r.Cg = width / (6 * r.SD)
	r.CgInterval = Interval{width / (6 * r.SDInterval.Upper), width / (6 * r.SDInterval.Lower)}
	r.Cgk = (width/2 - math.Abs(r.Bias)) / (3 * r.SD)
	root := 3 * math.Sqrt(n)
	delta := noncentrality(root*r.Cgk, r.DF, a)
	r.CgkInterval = Interval{delta.Lower / root, delta.Upper / root}
	r.URepeatability, r.UResolution, r.UBias = r.SD, o.Resolution/math.Sqrt(12), math.Abs(r.Bias)/math.Sqrt(3)
	if r.N < enoughRepeats {
		r.Warnings = append(r.Warnings, refusal.Small("readings", r.N, enoughRepeats))
	}
	if o.Resolution > o.Tolerance/20 {
		r.Warnings = append(r.Warnings, refusal.Warning{Kind: refusal.Doubtful, What: "resolution", Value: o.Resolution,
			Detail: "The resolution is coarser than a twentieth of the tolerance."})
	}
	return r, nil
}

// noncentrality are the limits of the non-centrality of a t statistic, each missed with probability a. Beyond ±10^4 the
// scatter of the standard deviation is all that counts: delta = t sqrt(chi-square / df), right to about 1/t.
func noncentrality(t, df, a float64) Interval {
	switch {
	case t < -1e4:
		m := noncentrality(-t, df, a)
		return Interval{-m.Upper, -m.Lower}
	case t > 1e4:
		return Interval{t * math.Sqrt(dist.ChiSquareQuantile(a, df)/df), t * math.Sqrt(dist.ChiSquareQuantileUpper(a, df)/df)}
	}
	return Interval{dist.NoncentralTDeltaUpper(t, df, a), dist.NoncentralTDelta(t, df, a)}
}

// MeasuringSystem lists the standard uncertainties that make up a measuring system, all in the characteristic's unit.
type MeasuringSystem struct {
	Calibration   float64 `json:"calibration"`   // of the master
	Repeatability float64 `json:"repeatability"` // on the master, or on parts with reproducibility
	Resolution    float64 `json:"resolution"`    // least step / sqrt(12)
	Bias          float64 `json:"bias"`          // |bias| / sqrt(3)
	Linearity     float64 `json:"linearity"`
	Rest          float64 `json:"rest"` // all the others, combined: reproducibility, part form, temperature, drift
}

// MeasuringSystemResult are the figures of a measuring system against a tolerance.
type MeasuringSystemResult struct {
	U        float64 `json:"u"`        // combined standard uncertainty
	Expanded float64 `json:"expanded"` // 2 u
	// QPercent is 2 U / (USL - LSL) in percent: the part of the tolerance that the uncertainty takes.
	QPercent float64 `json:"q_percent"`
	// Capability is 0.3 (USL - LSL) / (6 u).
	Capability float64 `json:"capability"`
	// LeastTolerance is the smallest tolerance width of which the expanded uncertainty takes no more than the wanted part.
	LeastTolerance float64 `json:"least_tolerance"`
}

// Judge combines the uncertainties,
//
//	u = sqrt(u_CAL^2 + max(u_EVR^2, u_RE^2) + u_BI^2 + u_LIN^2 + u_rest^2),  U = 2 u
//	Q = 2 U / T in percent,  C = 0.3 T / (6 u),  least T = 2 U 100 / wantedPercent
//
// the resolution and the repeatability not both, since scatter of readings holds their rounding. It refuses uncertainties
// below zero, all of them zero, and a tolerance or a wanted percentage not above zero.
//
// Source: ISO 22514-7 (formulas from memory).
func (m MeasuringSystem) Judge(tolerance, wantedPercent float64) (MeasuringSystemResult, error) {
	for _, e := range []error{positive("tolerance", tolerance), positive("wanted percentage", wantedPercent),
		notNegative("calibration uncertainty", m.Calibration), notNegative("repeatability", m.Repeatability),
		notNegative("resolution", m.Resolution), notNegative("bias uncertainty", m.Bias),
		notNegative("linearity uncertainty", m.Linearity), notNegative("other uncertainty", m.Rest)} {
		if e != nil {
			return MeasuringSystemResult{}, e
		}
	}
	var r MeasuringSystemResult
	for _, u := range []float64{m.Calibration, math.Max(m.Repeatability, m.Resolution), m.Bias, m.Linearity, m.Rest} {
		r.U = math.Hypot(r.U, u)
	}
	if r.U == 0 {
		return MeasuringSystemResult{}, refusal.Constant("uncertainties", 6)
	}
	r.Expanded = 2 * r.U
	r.QPercent = 100 * 2 * r.Expanded / tolerance
	r.Capability = 0.3 * tolerance / (6 * r.U)
	r.LeastTolerance = 2 * r.Expanded * 100 / wantedPercent
	return r, nil
}
