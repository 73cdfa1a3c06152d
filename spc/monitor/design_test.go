package monitor_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc"
	"sagwatch/spc/monitor"
	"sagwatch/spc/rules"
	"sagwatch/spc/runlength"
)

// TestWantedRunLength: limits for a wanted run length are those with which the chart really has it.
func TestWantedRunLength(t *testing.T) {
	for _, c := range []struct {
		name  string
		chart spc.Chart
		k     float64
		tol   float64
		// source beside each
	}{
		// 370.4 points at 3 sigma: ISO 7870-2, and every textbook (COMPUTED: 1 / (2 Phi(-3)) = 370.398).
		{"beyond-limits alone", spc.Chart{Limits: spc.LimitRule{ARL0: 370.398}}, 3, 1e-5},
		// One limit: 1 / Phi(-3) = 740.797.
		{"one limit", spc.Chart{Limits: spc.LimitRule{ARL0: 740.797, Side: "upper"}}, 3, 1e-5},
		// Champ and Woodall 1987, Technometrics 29, table 1, rule set 12 (beyond limits, two of three beyond 2 sigma): 225.44 in
		// control at 3 sigma.
		{"two of three", spc.Chart{Limits: spc.LimitRule{ARL0: 225.44}, Rules: []spc.RuleSetting{{Key: "beyond-limits"}, {Key: "two-of-three-beyond-2s"}}}, 3, 1e-4},
		{"k as it stands", spc.Chart{Limits: spc.LimitRule{K: 2.5}}, 2.5, 1e-12},
		{"none", spc.Chart{}, 3, 1e-12},
	} {
		t.Run(c.name, func(t *testing.T) {
			k, err := monitor.Multiple(c.chart)
			require.NoError(t, err)
			require.InDelta(t, c.k, k, c.tol)
			if c.chart.Limits.ARL0 == 0 {
				return
			}
			set := rules.Default()
			if len(c.chart.Rules) > 0 {
				set, err = rules.NewSet(c.chart.Rules...)
				require.NoError(t, err)
			}
			one := runlength.Sigma(k, set)
			one.Limits.HasLower = c.chart.Limits.Side == ""
			r, err := one.RunLength(runlength.Standard, runlength.Options{})
			require.NoError(t, err)
			require.InEpsilon(t, c.chart.Limits.ARL0, r.ARL, 1e-6)
		})
	}
	for _, c := range []spc.Chart{
		{Limits: spc.LimitRule{ARL0: 1}},
		{Limits: spc.LimitRule{ARL0: 2, Side: "upper"}},
		{Limits: spc.LimitRule{ARL0: 5000}, Rules: []spc.RuleSetting{{Key: "beyond-limits"}, {Key: "run-one-side", Count: 5}}}, // the run alone comes sooner
		{Limits: spc.LimitRule{ARL0: 100}, Rules: []spc.RuleSetting{{Key: "no-such"}}},
	} {
		_, err := monitor.Multiple(c)
		require.Error(t, err)
		c.ID, c.Press, c.Characteristic, c.Kind = "c", "A", "x", spc.Individuals
		_, err = monitor.New(monitor.Config{Press: press(3), Charts: []spc.Chart{c}})
		require.ErrorContains(t, err, "chart c")
	}
}

// TestWantedRunLengthInForce: the fold's limits are at that multiple of the baseline's sigma.
func TestWantedRunLengthInForce(t *testing.T) {
	p := press(2)
	c := individuals("press", 60)
	c.Limits = spc.LimitRule{ARL0: 100}
	f := newFold(t, monitor.Config{Press: p, Charts: []spc.Chart{c}})
	f.add(t, steady(p, 80, 3)...)
	in, ok := f.InForce("ind", "press:A")
	require.True(t, ok)
	k, err := monitor.Multiple(c)
	require.NoError(t, err)
	require.InDelta(t, 2.5758, k, 1e-4) // COMPUTED: normal quantile at 0.995
	require.InDelta(t, k*in.Limits.Sigma, in.Limits.Upper-in.Limits.Centre, 1e-9)
}
