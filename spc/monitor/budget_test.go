package monitor_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/spc"
	"sagwatch/spc/monitor"
)

// quietPress is how many false signals a shift, and of which charts, the standard set of a steady press makes in so many shifts.
func quietPress(t *testing.T, baseline, shifts int) (float64, map[spc.ChartKind]int) {
	p := press(11)
	p.FalseSignals = 2
	set := monitor.StandardSet(*p, spc.Product{ID: "P25", Contour: &spc.Contour{}})
	kind := map[string]spc.ChartKind{}
	for i := range set {
		set[i].Baseline = baseline
		kind[set[i].ID] = set[i].Kind
	}
	m, err := monitor.New(monitor.Config{Site: "main", Press: p, Charts: set})
	require.NoError(t, err)
	r := rand.New(rand.NewPCG(77, 3))
	of := map[spc.ChartKind]int{}
	from := 11 * (baseline + 1)
	seen := map[string]bool{}
	var o monitor.Observation
	for i := range from + shifts*2880 {
		o = observation(p, i, 0)
		o.Characteristics, o.Cycle = nil, int64(i/11)
		o.Values.Set(spc.RadiusMM, 1107.5+0.1*float64(i%11)+0.3*r.NormFloat64())
		o.Values.Set(spc.MaxDeviationUM, 90*math.Exp(0.15*r.NormFloat64()+0.02*float64(i%11)))
		for _, c := range []spc.Computed{spc.TwofoldUM, spc.TwistUM, spc.Cubic1UM, spc.Cubic2UM, spc.Cubic3UM, spc.Cubic4UM, spc.Bow4UM} {
			o.Values.Set(c, 10*r.NormFloat64())
		}
		require.NoError(t, m.Add(&o))
		if i%500 == 0 {
			for _, s := range m.TakeSignals() {
				if !seen[s.ID] && s.At.After(start.Add(time.Duration(from*10)*time.Second)) {
					seen[s.ID] = true
					of[kind[s.Chart]]++
				}
			}
			m.TakeLimits()
		}
	}
	return float64(len(seen)) / float64(shifts), of
}

// TestStandardSetKeepsItsBudget: with long baselines a steady press makes about as many false signals as it allows.
func TestStandardSetKeepsItsBudget(t *testing.T) {
	rate, of := quietPress(t, 3000, 40)
	// 80 expected. Charts of skewed values and of spreads follow their model only nearly.
	require.InDelta(t, 2, rate, 0.8)
	require.NotContains(t, of, spc.Individuals)
	require.Len(t, of, 5)
}
