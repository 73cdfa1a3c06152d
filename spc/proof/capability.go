package proof

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"sagwatch/spc/capability"
	"sagwatch/spc/dist"
	"sagwatch/spc/fit"
)

const scipy = "SciPy 1.10.1"

// capabilityFile is what capability.json holds of indices.
type capabilityFile struct {
	Point struct {
		USL    float64 `json:"usl"`
		LSL    float64 `json:"lsl"`
		Mean   float64 `json:"mean"`
		S      float64 `json:"s"`
		Target float64 `json:"target"`
		Cp     float64 `json:"cp"`
		Cpl    float64 `json:"cpl"`
		Cpu    float64 `json:"cpu"`
		Cpk    float64 `json:"cpk"`
		Cpm    float64 `json:"cpm"`
		Low    float64 `json:"ppm_low"`
		High   float64 `json:"ppm_high"`
	} `json:"point"`
	Intervals []struct {
		Kind      string             `json:"kind"`
		N         int                `json:"n"`
		Cp        float64            `json:"cp"`
		Cpk       float64            `json:"cpk"`
		C         float64            `json:"c"`
		Lower     float64            `json:"lower"`
		Upper     float64            `json:"upper"`
		Published map[string]float64 `json:"published"`
	} `json:"intervals"`
	Percentile []struct {
		percentileCase
		Cp  float64 `json:"cp"`
		Cpu float64 `json:"cpu"`
		Cpl float64 `json:"cpl"`
		Cpk float64 `json:"cpk"`
	} `json:"percentile"`
}

func capabilityChecks(r *run) {
	var f capabilityFile
	r.json("capability/capability.json", &f)
	r.pointIndices(&f)
	r.indexIntervals(&f)
	r.percentileIndices(&f)
	r.withinSigmas()
	r.fractions()
	r.toleranceFactors()
}

// ofIndices is the frame of a check of capability.
func ofIndices(method, what, source string, want, got, tol float64, err error) Check {
	return Check{Section: Capability, Method: method, Case: what, Source: source, Origin: Computed, By: scipy, Want: want, Got: got, Tol: tol, Relative: true, Trouble: trouble(err)}
}

// pointIndices checks the worked example of the handbook.
func (r *run) pointIndices(f *capabilityFile) {
	p := &f.Point
	spec := capability.Spec{Lower: p.LSL, Upper: p.USL, HasLower: true, HasUpper: true, Target: p.Target, HasTarget: true}
	i, err := capability.Normal(p.Mean, p.S, spec)
	cpm, merr := capability.Cpm(p.Mean, p.S, spec)
	recalled := map[string]string{}
	for name, v := range r.handbookExample("capability_6_1_6").values {
		recalled[name] = fmt.Sprintf("%g", v.value)
	}
	const source = "NIST/SEMATECH e-Handbook, 6.1.6, worked example"
	for _, c := range []struct {
		name, recalled string
		want, got      float64
		err            error
	}{{"Cp", recalled["cp"], p.Cp, i.C, err}, {"Cpl", "", p.Cpl, i.CL, err}, {"Cpu", "", p.Cpu, i.CU, err}, {"Cpk", recalled["cpk"], p.Cpk, i.CK, err}, {"Cpm", "", p.Cpm, cpm, merr},
		{"distance of the mean from the middle, share of the half tolerance", recalled["k"], 0.333333333333, 1 - i.CK/i.C, err}} {
		k := ofIndices("Capability indices", c.name+", limits 8 and 20, mean 16, s 2", source, c.want, c.got, 1e-11, c.err)
		k.By, k.Recalled, k.Note = "NumPy 1.24.2", c.recalled, "formula from memory"
		r.add(k)
	}
	out, err := capability.NormalOutside(p.Mean, capability.Sigma{SD: p.S, DF: 49, N: 50}, spec, 0.95, 1)
	r.add(ofIndices("Expected fraction outside", "below the lower limit, ppm", source, p.Low, 1e6*out.Below, 1e-11, err))
	r.add(ofIndices("Expected fraction outside", "above the upper limit, ppm", source, p.High, 1e6*out.Above, 1e-11, err))
}

// indexIntervals checks the confidence limits, one line for each kind and size.
func (r *run) indexIntervals(f *capabilityFile) {
	var sides []pair
	var side error
	for _, row := range f.Intervals {
		df := float64(row.N - 1)
		switch {
		case strings.HasPrefix(row.Kind, "Cp two-sided"):
			i, err := capability.CInterval(row.Cp, row.N, df, 0.95)
			r.limits("Cp, 95 % interval by chi-square", fmt.Sprintf("n = %d, Cp = %g", row.N, row.Cp), "ISO 22514-4; Chou, Owen and Borrego 1990", row.Lower, row.Upper, i, row.Published, err)
		case strings.HasPrefix(row.Kind, "Cpk two-sided"):
			i, err := capability.CKBissell(row.Cpk, row.N, df, 0.95)
			r.limits("Cpk, 95 % interval by normal approximation", fmt.Sprintf("n = %d, Cpk = %g", row.N, row.Cpk), "Bissell, Applied Statistics 39 (1990)", row.Lower, row.Upper, i, row.Published, err)
		default:
			i, err := capability.SideLower(row.C, row.N, df, 0.95)
			if err != nil {
				side = err
			}
			sides = append(sides, pair{row.Lower, i.Lower, 1e-9, fmt.Sprintf("n = %d, index %g", row.N, row.C)})
		}
	}
	c := ofIndices("Cpl and Cpu, exact 95 % lower limit", "n = 10 to 200, indices 1 to 2", "Chou, Owen and Borrego, J. Quality Technology 22 (1990)", 0, 0, 1e-9, side)
	r.worst(c, sides)
	// scipy.stats.nct.cdf solved for the non-centrality by brentq.
	for _, w := range []struct {
		n            int
		c            float64
		lower, upper float64
	}{{20, 1.33, 0.8838535057705761, 1.7719153328125803}, {50, 1.33, 1.0507551108451063, 1.6072890724794084}, {100, 1.67, 1.428257477544806, 1.910767465179701}, {50, -0.2, -0.29961392556481053, -0.09865239293732972}} {
		i, err := capability.SideInterval(w.c, w.n, float64(w.n-1), 0.95)
		r.limits("Cpl and Cpu, exact 95 % interval", fmt.Sprintf("n = %d, index %g", w.n, w.c), "Chou, Owen and Borrego 1990", w.lower, w.upper, i, nil, err)
	}
	i, err := capability.CpmInterval(16, 2, 30, capability.Spec{Lower: 8, Upper: 20, HasLower: true, HasUpper: true}, 0.95)
	r.limits("Cpm, 95 % interval", "n = 30, limits 8 and 20, mean 16, s 2", "Boyles, J. Quality Technology 23 (1991); formula from memory", 0.552641827619932, 0.8612614813688346, i, nil, err)
}

// limits adds a line for each end of an interval.
func (r *run) limits(method, what, source string, lower, upper float64, got capability.Interval, recalled map[string]float64, err error) {
	for _, end := range []struct {
		name      string
		want, got float64
	}{{"lower", lower, got.Lower}, {"upper", upper, got.Upper}} {
		c := ofIndices(method, what+", "+end.name+" limit", source, end.want, end.got, 1e-9, err)
		if v, ok := recalled[end.name]; ok {
			c.Recalled = fmt.Sprintf("%g", v)
		}
		r.add(c)
	}
}

// percentileIndices checks the percentile method on distributions with given parameters.
func (r *run) percentileIndices(f *capabilityFile) {
	for _, p := range f.Percentile {
		d, ok := namedDistribution(p.Distribution)
		if !ok {
			continue // percentiles of the others are with the fits
		}
		spec := capability.Spec{Lower: p.LSL, Upper: p.USL, HasLower: true, HasUpper: true}
		i, err := capability.Percentile(d, spec)
		var pairs []pair
		for _, v := range []struct {
			name      string
			want, got float64
		}{{"Cp", p.Cp, i.C}, {"Cpl", p.Cpl, i.CL}, {"Cpu", p.Cpu, i.CU}, {"Cpk", p.Cpk, i.CK}} {
			pairs = append(pairs, pair{v.want, v.got, 1e-10, v.name})
		}
		c := ofIndices("Indices by the percentile method", p.Distribution, "ISO 22514-2, percentile method", 0, 0, 0, err)
		c.Note = "formula from memory"
		r.worst(c, pairs)
	}
}

// namedDistribution reads the distributions that this file names by their parameters in words.
func namedDistribution(name string) (fit.Distribution, bool) {
	var a, b float64
	for _, k := range []struct {
		format string
		family fit.Family
	}{{"normal mean %f sd %f", fit.Normal}, {"lognormal mu %f sigma %f", fit.Lognormal}, {"weibull shape %f scale %f", fit.Weibull}, {"gamma shape %f scale %f", fit.Gamma}} {
		if n, err := fmt.Sscanf(strings.ToLower(name), k.format, &a, &b); n == 2 && err == nil {
			d, err := fit.New(k.family, a, b)
			return d, err == nil
		}
	}
	return nil, false
}

// withinSigmas checks degrees of freedom of sigmas from ranges.
func (r *run) withinSigmas() {
	// Ten groups of five and one moving range; the value of sigma does not enter.
	s, err := capability.RangeMean([]float64{1, 2, 3, 1, 2, 3, 1, 2, 3, 4}, 5)
	c := ofIndices("Sigma from ranges", "degrees of freedom of ten ranges of five", "Patnaik, Biometrika 37 (1950)", 36.473586586637786, s.DF, 1e-6, err)
	c.Recalled, c.Note = "36.5 (tables of equivalent degrees of freedom)", "scipy.optimize.brentq on the coefficient of variation of a chi variable; d2, d3 of ten digits"
	r.add(c)
	x := make([]float64, 25)
	for i := range x {
		x[i] = math.Mod(float64(i)*0.37, 1)
	}
	s, err = capability.MovingRange(x)
	c = ofIndices("Sigma from moving ranges", "degrees of freedom of 25 values", "Patnaik, Biometrika 37 (1950)", 14.947106304226919, s.DF, 1e-9, err)
	c.Note = "scipy.optimize.brentq; the variance that goes in agrees with 400 000 simulated baselines (NumPy) to 0.3 %"
	r.add(c)
}

// fractions checks intervals of fractions outside.
func (r *run) fractions() {
	spec := capability.Spec{Upper: 20, HasUpper: true}
	f, err := capability.NormalOutside(16, capability.Sigma{SD: 2, DF: 49, N: 50}, spec, 0.95, 1)
	r.limits("Expected fraction outside, exact 95 % interval", "one limit, n = 50, Cpu = 0.667", "non-central t; Chou, Owen and Borrego 1990", 0.00659177162578072, 0.06501564949050521, f.Interval, nil, err)
	for _, w := range []struct {
		k, n         int
		lower, upper float64
	}{{1, 11088, 2.2833494840888327e-06, 0.0005023895127215648}, {3, 500, 0.0012390575435407506, 0.017433673725913514}, {0, 300, 0, 0.012220974694293552}} {
		f, err := capability.Observed(0, w.k, w.n, 0.95)
		r.limits("Observed fraction outside, exact 95 % interval", fmt.Sprintf("%d of %d", w.k, w.n), "Clopper and Pearson, Biometrika 26 (1934)", w.lower, w.upper, f.Interval, nil, err)
	}
}

// toleranceFactors checks tolerance intervals against the handbook and SciPy.
func (r *run) toleranceFactors() {
	const source = "NIST/SEMATECH e-Handbook, 7.2.6.3"
	value := func(f float64, err error) func() (float64, error) { return func() (float64, error) { return f, err } }
	computed := map[string]func() (float64, error){
		"k2 (Howe) N=43 p=.90 conf=.99": value(capability.HoweFactor(43, 0.90, 0.99)),
		"k1 (Natrella) N=43":            value(capability.OneSidedNatrella(43, 0.90, 0.99)),
		"k1 (noncentral t) N=43":        value(capability.OneSidedFactor(43, 42, 0.90, 0.99)),
		"k1 (noncentral t) N=6":         value(capability.OneSidedFactor(6, 5, 0.90, 0.99)),
		"k1 (Natrella) N=6":             value(capability.OneSidedNatrella(6, 0.90, 0.99)),
	}
	printed := r.handbookExample("tolerance_7_2_6_3").values
	for _, name := range slices.Sorted(maps.Keys(computed)) {
		v, ok := printed[name]
		if !ok {
			panic(fmt.Errorf("handbook/published.json has no value %q", name))
		}
		got, err := computed[name]()
		r.add(Check{Section: Capability, Method: "Tolerance factor", Case: name + ", content 0.90, confidence 0.99", Source: source, Origin: Published, Want: v.value, Got: got, Tol: v.tol, Trouble: trouble(err)})
	}
	// The page's steps on the way: its formulas of the quantiles of our library.
	z, zc := dist.NormalQuantileUpper(0.10), dist.NormalQuantileUpper(0.01)
	for _, s := range []struct {
		name string
		got  float64
	}{{"chi2_0.01_42", dist.ChiSquareQuantile(0.01, 42)}, {"a", 1 - zc*zc/(2*42)}, {"b", z*z - zc*zc/43}, {"delta", z * math.Sqrt(43)}} {
		v, ok := printed[s.name]
		if !ok {
			panic(fmt.Errorf("handbook/published.json has no value %q", s.name))
		}
		r.add(Check{Section: Capability, Method: "Tolerance factor", Case: s.name + " of the factors for 43 values, content 0.90, confidence 0.99", Source: source,
			Origin: Published, Want: v.value, Got: s.got, Tol: v.tol})
	}
	w, err := capability.GuentherCorrection(40, 0.95)
	r.add(ofIndices("Guenther's correction of Howe's factor", "n = 40, confidence 0.95", source+"; Guenther 1977", 1.0016798219367902, w, 1e-12, err).noted(
		"the handbook prints 0.9972, which follows from the upper chi-square quantile with 40 degrees of freedom; its printed formula gives 1.0017 (scipy.stats.chi2.ppf)"))
	// One- and two-sided exact factors: scipy.stats.nct; scipy.integrate.quad with brentq.
	for _, w := range []struct {
		n           int
		share, conf float64
		want        float64
	}{{10, 0.95, 0.95, 3.3934294787125996}, {43, 0.90, 0.99, 2.222825173791123}, {100, 0.99, 0.95, 2.9355492411475494}, {5, 0.90, 0.95, 4.290604070686531}} {
		got, err := capability.TwoSidedFactor(w.n, float64(w.n-1), w.share, w.conf)
		r.add(ofIndices("Exact two-sided tolerance factor", fmt.Sprintf("n = %d, content %g, confidence %g", w.n, w.share, w.conf), "ISO 16269-6", w.want, got, 1e-8, err))
	}
	for _, w := range []struct {
		n           int
		share, conf float64
		want        float64
	}{{10, 0.95, 0.95, 2.9109634130781665}, {30, 0.99, 0.95, 3.0639011262381683}, {100, 0.99865, 0.95, 3.4381677407207034}} {
		got, err := capability.OneSidedFactor(w.n, float64(w.n-1), w.share, w.conf)
		r.add(ofIndices("Exact one-sided tolerance factor", fmt.Sprintf("n = %d, content %g, confidence %g", w.n, w.share, w.conf), "ISO 16269-6", w.want, got, 1e-9, err))
	}
	got, err := capability.FreeConfidence(93, 1, 1, 0.95)
	r.add(ofIndices("Distribution-free tolerance interval", "confidence of the range of 93 values, content 0.95", "Wilks 1941", 0.9500242047573837, got, 1e-11, err))
	got, err = capability.FreeConfidence(100, 1, 1, 0.95)
	r.add(ofIndices("Distribution-free tolerance interval", "confidence of the range of 100 values, content 0.95", "Wilks 1941", 0.962918790672645, got, 1e-11, err))
	for _, w := range []struct {
		share    float64
		oneSided bool
		want     float64
		what     string
	}{{0.95, false, 93, "values whose range holds 95 % (confidence 95 %)"}, {0.99, false, 473, "values whose range holds 99 % (confidence 95 %)"}, {0.95, true, 59, "values whose greatest bounds 95 % (confidence 95 %)"}} {
		n, err := capability.FreeSize(w.share, 0.95, w.oneSided)
		r.add(ofIndices("Distribution-free tolerance interval", w.what, "Wilks 1941", w.want, float64(n), 0, err))
	}
}

// noted is the check with a note.
func (c Check) noted(note string) Check {
	c.Note = note
	return c
}
