package rules_test

import (
	"fmt"

	"sagwatch/spc"
	"sagwatch/spc/rules"
)

// A set as it is written in the set-up file: a bare key has the usual count.
func ExampleParseList() {
	set, err := rules.ParseList([]any{"beyond-limits", map[string]any{"trend": 7}})
	fmt.Println(set.Settings(), err)
	_, err = rules.ParseList([]any{"trends"})
	fmt.Println(err)
	// Output:
	// [{beyond-limits 1} {trend 7}] <nil>
	// rules[0]: trends: no such rule; the rules are beyond-limits, run-one-side, trend, alternating, two-of-three-beyond-2s, four-of-five-beyond-1s, fifteen-within-1s, eight-outside-1s
}

// Zones at 1 sigma where the limits are symmetric and sigma is known, whatever their multiple; else thirds of each side.
func ExampleZones() {
	fmt.Println(rules.Zones(spc.Limits{Lower: -3.09, Upper: 3.09, HasLower: true, HasUpper: true, HasCentre: true, Sigma: 1}))
	fmt.Println(rules.Zones(spc.Limits{Lower: -1.5, Upper: 6, HasLower: true, HasUpper: true, HasCentre: true, Sigma: 1}))
	// Output:
	// 1 1
	// 2 0.5
}
