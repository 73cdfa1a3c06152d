package runlength_test

import (
	"testing"

	"sagwatch/spc/rules"
	"sagwatch/spc/runlength"
)

// All eight rules together: the target is 1 s on one core.
func BenchmarkAllRules(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if _, err := runlength.Sigma(3, rules.All()).RunLength(runlength.Standard, runlength.Options{}); err != nil {
			b.Fatal(err)
		}
	}
}

// All zone rules, without trend and alternating.
func BenchmarkZoneRules(b *testing.B) {
	set := rules.All().Only(rules.BeyondLimits, rules.RunOneSide, rules.TwoOfThree, rules.FourOfFive, rules.FifteenWithin, rules.EightOutside)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := runlength.Sigma(3, set).RunLength(runlength.Standard, runlength.Options{}); err != nil {
			b.Fatal(err)
		}
	}
}

// Design search for lambda and L: the target is 200 ms.
func BenchmarkDesignEWMA(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if _, err := runlength.DesignEWMA(500, 1); err != nil {
			b.Fatal(err)
		}
	}
}

// Design of k and h likewise.
func BenchmarkDesignCUSUM(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if _, err := runlength.DesignCUSUM(500, 1); err != nil {
			b.Fatal(err)
		}
	}
}

// Twelve points of a curve of detection for the two-sided CUSUM with its distribution.
func BenchmarkCurve(b *testing.B) {
	c := runlength.BudgetChart{Kind: runlength.CUSUMChart, K: 0.5}
	shifts := []float64{0, 0.25, 0.5, 0.75, 1, 1.25, 1.5, 1.75, 2, 2.5, 3, 4}
	for b.Loop() {
		if _, err := c.Delays(5, shifts, 60, runlength.Simulation{}); err != nil {
			b.Fatal(err)
		}
	}
}

// The 90 % range that estimation leaves of an EWMA chart.
func BenchmarkEstimatedEWMA(b *testing.B) {
	for b.Loop() {
		if _, err := runlength.Estimated(runlength.EWMA{Lambda: 0.1, L: 2.814}.ARL, runlength.FromSD(100)); err != nil {
			b.Fatal(err)
		}
	}
}

// Simulation of all rules to a standard error of 1 %.
func BenchmarkSimulateAllRules(b *testing.B) {
	c := runlength.Sigma(3, rules.All())
	for b.Loop() {
		if _, err := runlength.Simulate(func() runlength.Stepper { return &ruleChart{set: c.Rules, limits: c.Limits} }, runlength.Standard, runlength.Options{}); err != nil {
			b.Fatal(err)
		}
	}
}
