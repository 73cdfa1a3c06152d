package capability_test

import (
	"fmt"

	"sagwatch/spc/capability"
	"sagwatch/spc/fit"
)

// As ExampleNormal, about a target of 14: 12 / (6 sqrt(4 + 4)) = 0.7071.
func ExampleCpm() {
	c, err := capability.Cpm(16, 2, capability.Spec{Lower: 8, Upper: 20, HasLower: true, HasUpper: true, Target: 14, HasTarget: true})
	fmt.Printf("%.4f %v\n", c, err)
	// Output: 0.7071 <nil>
}

// Computed with SciPy 1.10.1, scipy.stats.chi2.ppf: 0.5526 to 0.8613.
func ExampleCpmInterval() {
	i, err := capability.CpmInterval(16, 2, 30, capability.Spec{Lower: 8, Upper: 20, HasLower: true, HasUpper: true}, 0.95)
	fmt.Printf("%.4f to %.4f %v\n", i.Lower, i.Upper, err)
	// Output: 0.5526 to 0.8613 <nil>
}

// Cpl 1.50 and Cpu 1.33 of 50 values: computed with SciPy 1.10.1, the non-centrality by scipy.stats.nct.cdf and brentq: 1.0508 to
// 1.6495.
func ExampleCKBounds() {
	i, err := capability.CKBounds(capability.Indices{CL: 1.5, CU: 1.33, CK: 1.33}, 50, 49, 0.95)
	fmt.Printf("%.4f to %.4f %v\n", i.Lower, i.Upper, err)
	// Output: 1.0508 to 1.6495 <nil>
}

// Cpu 1.33 of 50 values: computed with SciPy 1.10.1 (scipy.stats.nct.cdf, brentq): 1.0508 to 1.6073.
func ExampleSideInterval() {
	i, err := capability.SideInterval(1.33, 50, 49, 0.95)
	fmt.Printf("%.4f to %.4f %v\n", i.Lower, i.Upper, err)
	// Output: 1.0508 to 1.6073 <nil>
}

// The one-sided limit of the same: computed with SciPy 1.10.1: 1.0931.
func ExampleSideLower() {
	i, err := capability.SideLower(1.33, 50, 49, 0.95)
	fmt.Printf("at least %.4f %v\n", i.Lower, err)
	// Output: at least 1.0931 <nil>
}

// NIST/SEMATECH e-Handbook, 7.2.6.3: 43 values, content 0.90, confidence 0.99: 2.217.
func ExampleHoweFactor() {
	k, err := capability.HoweFactor(43, 0.90, 0.99)
	fmt.Printf("%.3f %v\n", k, err)
	// Output: 2.217 <nil>
}

// The exact factor of ten values, content and confidence 0.95: computed with SciPy 1.10.1 (scipy.integrate.quad, brentq): 3.3934.
func ExampleTwoSidedFactor() {
	k, err := capability.TwoSidedFactor(10, 9, 0.95, 0.95)
	fmt.Printf("%.4f %v\n", k, err)
	// Output: 3.3934 <nil>
}

// Mean 16 and standard deviation 2 of 50 values against an upper limit of 20: computed with SciPy 1.10.1 (norm.sf; nct.cdf and
// brentq): 22 750 parts per million, 6 592 to 65 016.
func ExampleNormalOutside() {
	f, err := capability.NormalOutside(16, capability.Sigma{SD: 2, DF: 49, N: 50}, capability.Spec{Upper: 20, HasUpper: true}, 0.95, 1)
	fmt.Printf("%.0f ppm, %.0f to %.0f %v\n", 1e6*f.Total, 1e6*f.Interval.Lower, 1e6*f.Interval.Upper, err)
	// Output: 22750 ppm, 6592 to 65016 <nil>
}

// Three of 500 values above the limit: computed with SciPy 1.10.1 (scipy.stats.beta.ppf): 0.124 % to 1.743 %.
func ExampleObserved() {
	f, err := capability.Observed(0, 3, 500, 0.95)
	fmt.Printf("%.1f %%, %.3f %% to %.3f %% %v\n", 100*f.Total, 100*f.Interval.Lower, 100*f.Interval.Upper, err)
	// Output: 0.6 %, 0.124 % to 1.743 % <nil>
}

// flowRates are the ten values of the NIST/SEMATECH e-Handbook, 6.3.2.2, from memory.
var flowRates = []float64{49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1}

// The mean moving range of the flow rates is 1.8778 (handbook, from memory), over d2 1.6641 with 5.86 degrees of freedom:
// computed with SciPy 1.10.1.
func ExampleMovingRange() {
	s, err := capability.MovingRange(flowRates)
	fmt.Printf("%.4f, %.2f degrees of freedom %v\n", s.SD, s.DF, err)
	// Output: 1.6641, 5.86 degrees of freedom <nil>
}

// Three cycles of three panels: sums of squares 0.26, 0.18 and 0.12667 on six degrees of freedom, computed with NumPy 1.24.2: 0.3073.
func ExamplePooled() {
	s, err := capability.Pooled([]capability.Group{{N: 3, Mean: 1107.5, SS: 0.26}, {N: 3, Mean: 1107.8, SS: 0.18}, {N: 3, Mean: 1107.3333, SS: 0.38 / 3}})
	fmt.Printf("%.4f, %g degrees of freedom %v\n", s.SD, s.DF, err)
	// Output: 0.3073, 6 degrees of freedom <nil>
}

// The flow rates against 40 and 60: computed with NumPy 1.24.2 (numpy.quantile): 3.3415, 3.0842 and 3.7428. Ten values say little
// of outer percentiles, and the warning says so.
func ExampleEmpirical() {
	s, _ := fit.Values(flowRates)
	i, warnings, err := capability.Empirical(s, capability.Spec{Lower: 40, Upper: 60, HasLower: true, HasUpper: true})
	fmt.Printf("Pp %.4f, Ppl %.4f, Ppu %.4f, Ppk %.4f %v\n", i.C, i.CL, i.CU, i.CK, err)
	fmt.Println(warnings[0])
	// Output:
	// Pp 3.3415, Ppl 3.0842, Ppu 3.7428, Ppk 3.0842 <nil>
	// This rests on 10 values; 741 would be enough. The outer percentiles are little else than the least and the greatest value.
}

// Ppk of the same, from mean and standard deviation, by resampling: SciPy 1.10.1 (scipy.stats.bootstrap, percentile method, 200 000
// resamples) gives 1.23 to 2.59.
func ExampleBootstrap() {
	s, _ := fit.Values(flowRates)
	b, err := capability.Bootstrap(s, nil, capability.Spec{Lower: 40, Upper: 60, HasLower: true, HasUpper: true}, capability.ByMoments, "", 0.95, fit.Resampling{Resamples: 20000, Seed: 1})
	fmt.Printf("%.1f to %.1f %v\n", b.CK.Lower, b.CK.Upper, err)
	// Output: 1.2 to 2.6 <nil>
}
