package capability_test

import (
	"fmt"

	"sagwatch/spc/capability"
	"sagwatch/spc/fit"
)

// The worked example of the NIST/SEMATECH e-Handbook, 6.1.6: limits 8 and 20, mean 16, standard deviation 2.
func ExampleNormal() {
	spec := capability.Spec{Lower: 8, Upper: 20, HasLower: true, HasUpper: true}
	i, err := capability.Normal(16, 2, spec)
	fmt.Printf("Cp %.4f, Cpl %.4f, Cpu %.4f, Cpk %.4f %v\n", i.C, i.CL, i.CU, i.CK, err)
	// Output: Cp 1.0000, Cpl 1.3333, Cpu 0.6667, Cpk 0.6667 <nil>
}

// A textbook interval, from memory 1.57 to 3.01: Cp 2.29 from 20 values.
func ExampleCInterval() {
	i, err := capability.CInterval(2.29, 20, 19, 0.95)
	fmt.Printf("%.2f to %.2f %v\n", i.Lower, i.Upper, err)
	// Output: 1.57 to 3.01 <nil>
}

// A textbook interval, from memory 0.88 to 1.78: Cpk 1.33 from 20 values.
func ExampleCKBissell() {
	i, err := capability.CKBissell(1.33, 20, 19, 0.95)
	fmt.Printf("%.2f to %.2f %v\n", i.Lower, i.Upper, err)
	// Output: 0.88 to 1.78 <nil>
}

// NIST/SEMATECH e-Handbook, 7.2.6.3: 43 values, content 0.90, confidence 0.99: 1.8740.
func ExampleOneSidedFactor() {
	k, err := capability.OneSidedFactor(43, 42, 0.90, 0.99)
	fmt.Printf("%.4f %v\n", k, err)
	// Output: 1.8740 <nil>
}

// A form error is never below zero and skewed: its index comes from the percentiles of a fitted model.
func ExamplePercentile() {
	model, _ := fit.New(fit.LargestExtreme, 135.4, 26.3)
	i, err := capability.Percentile(model, capability.Spec{HasLower: true, Bound: true, Upper: 381, HasUpper: true})
	fmt.Printf("Ppk %.2f %v\n", i.CK, err)
	// Output: Ppk 1.44 <nil>
}

// 93 values are the fewest whose range holds 95 % of any population with confidence 95 % (Wilks 1941; table value from memory).
func ExampleFreeSize() {
	n, err := capability.FreeSize(0.95, 0.95, false)
	fmt.Println(n, err)
	// Output: 93 <nil>
}
