package rules_test

import (
	"encoding/json"
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc"
	"sagwatch/spc/rules"
)

func TestSetWrittenForm(t *testing.T) {
	for _, c := range []struct {
		in, out string
		window  int
	}{
		{`[]`, `[]`, 0},
		{`["beyond-limits"]`, `["beyond-limits"]`, 1},
		{`["beyond-limits", {"run-one-side": 9}]`, `["beyond-limits","run-one-side"]`, 9},
		{`[{"trend": 7}, "beyond-limits"]`, `["beyond-limits",{"trend":7}]`, 7},
		{`["two-of-three-beyond-2s"]`, `["two-of-three-beyond-2s"]`, 3},
		{`[{"four-of-five-beyond-1s": 60}]`, `[{"four-of-five-beyond-1s":60}]`, 61},
		{`["alternating", "fifteen-within-1s", "eight-outside-1s"]`, `["alternating","fifteen-within-1s","eight-outside-1s"]`, 15},
	} {
		var s rules.Set
		require.NoError(t, json.Unmarshal([]byte(c.in), &s), c.in)
		b, err := json.Marshal(s)
		require.NoError(t, err)
		require.Equal(t, c.out, string(b))
		require.Equal(t, c.window, s.Window(), c.in)

		again, err := rules.NewSet(s.Settings()...)
		require.NoError(t, err)
		require.Equal(t, s, again)
		// The numbers of a YAML decoder are whole ones of other types.
		var y rules.Set
		written, err := s.MarshalYAML()
		require.NoError(t, err)
		require.NoError(t, y.UnmarshalYAML(func(v any) error {
			list := []any{}
			for _, e := range written.([]any) {
				if m, ok := e.(map[string]int); ok {
					for key, n := range m {
						e = map[string]any{key: uint64(n)}
					}
				}
				list = append(list, e)
			}
			*v.(*any) = list
			return nil
		}))
		require.Equal(t, s, y)
	}
}

func TestSetRefusals(t *testing.T) {
	for _, c := range []struct{ in, want string }{
		{`["beyond-limit"]`, `rules[0]: beyond-limit: no such rule; the rules are beyond-limits, run-one-side, trend, alternating, ` +
			`two-of-three-beyond-2s, four-of-five-beyond-1s, fifteen-within-1s, eight-outside-1s`},
		{`["trend", {"trend": 7}]`, `rules[1]: trend: given twice; keep one`},
		{`[{"trend": 2}]`, `rules[0]: trend: count 2; it must be 3 to 60 (usual: 6)`},
		{`[{"run-one-side": 61}]`, `rules[0]: run-one-side: count 61; it must be 2 to 60 (usual: 9)`},
		{`[{"run-one-side": 8.5}]`, `rules[0]: run-one-side: count 8.5; it must be a whole number above 0`},
		{`[{"run-one-side": "9"}]`, `rules[0]: run-one-side: count 9; it must be a whole number above 0`},
		{`[{"run-one-side": 0}]`, `rules[0]: run-one-side: count 0; it must be a whole number above 0`},
		{`[{"run-one-side": -3}]`, `rules[0]: run-one-side: count -3; it must be 2 to 60 (usual: 9)`},
		{`[{"run-one-side": 1e300}]`, `rules[0]: run-one-side: count 1e+300; it must be a whole number above 0`},
		{`[{"beyond-limits": 2}]`, `rules[0]: beyond-limits: takes no count, has 2; one point beyond a limit is enough`},
		{`["trend", {"trend": 7, "alternating": 14}]`, `rules[1]: has 2 keys; write one rule to an entry, as {trend: 7}`},
		{`[9]`, `rules[0]: is 9; write a rule's key, or a key with its count as {trend: 7}`},
		{`"trend"`, `rules: trend is no list; write [beyond-limits, {trend: 7}]`},
	} {
		set := rules.Default()
		err := json.Unmarshal([]byte(c.in), &set)
		var refused *rules.SettingError
		require.ErrorAs(t, err, &refused, c.in)
		require.Equal(t, c.want, refused.Error())
		require.Equal(t, rules.Default(), set, "a refused list leaves the set as it was")
	}
}

func TestSetOnly(t *testing.T) {
	all := rules.All()
	guard := all.Only(rules.BeyondLimits)
	require.Equal(t, rules.Default(), guard)
	require.False(t, guard.On(rules.Trend))
	require.True(t, all.On(rules.Trend))
	require.Equal(t, 15, all.Window())
	require.Zero(t, rules.Set{}.Only(rules.Trend))
	for r := range rules.NumRules {
		require.Equal(t, r.UsualCount(), all.Count(r))
		got, ok := rules.ParseRule(r.String())
		require.True(t, ok)
		require.Equal(t, r, got)
	}
	_, ok := rules.ParseRule("unknown")
	require.False(t, ok)
}

func ExampleSet_Step() {
	set, err := rules.NewSet(spc.RuleSetting{Key: "beyond-limits"}, spc.RuleSetting{Key: "two-of-three-beyond-2s"})
	if err != nil {
		fmt.Println(err)
		return
	}
	limits := spc.Limits{Lower: 1104.5, Centre: 1107.5, Upper: 1110.5, HasLower: true, HasCentre: true, HasUpper: true, Sigma: 1}
	var state rules.State
	for i, x := range []float64{1107.1, 1109.7, 1108.0, 1109.9, 1110.6} {
		hits := set.Step(&state, x, limits)
		for _, h := range hits.All() {
			fmt.Printf("point %d: %s, made by", i+1, h.Words())
			for back := range h.Made() {
				fmt.Printf(" %d", i+1-back)
			}
			fmt.Println()
		}
	}
	// Output:
	// point 4: 2 of 3 near the upper limit, made by 2 4
	// point 5: beyond upper limit, made by 5
	// point 5: 2 of 3 near the upper limit, made by 4 5
}

func ExampleNewSet() {
	_, err := rules.NewSet(spc.RuleSetting{Key: "trend", Count: 2})
	fmt.Println(err)
	// Output: rules[0]: trend: count 2; it must be 3 to 60 (usual: 6)
}
