package monitor_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat/distuv"

	"sagwatch/spc"
	"sagwatch/spc/monitor"
)

// TestFalseSignalRate: points beyond limits while nothing is wrong, against the exact probability under the limits that
// were in force (they rest on 200 points or cycles, so each stream has its own), and that against 2 Phi(-3) = 0.0027.
// Values are normal with sigma 1 about the moulds' levels; max_deviation_um is lognormal. Seeded.
func TestFalseSignalRate(t *testing.T) {
	const cycles, presses, logSigma = 700, 12, 0.25
	p := press(11)
	charts := []spc.Chart{individuals("mould", 0), cycleChart(spc.CycleMean, 0), cycleChart(spc.CycleSpread, 0),
		{ID: "dev", Press: "A", Characteristic: "max_deviation_um", Kind: spc.Individuals, By: "mould"},
		{ID: "dev-mean", Press: "A", Characteristic: "max_deviation_um", Kind: spc.CycleMean},
		{ID: "dev-spread", Press: "A", Characteristic: "max_deviation_um", Kind: spc.CycleSpread}}
	n, beyond, expected := map[string]float64{}, map[string]float64{}, map[string]float64{}
	within := func(q *monitor.Point, cdf func(float64) float64) float64 {
		in := cdf(q.Limits.Upper)
		if q.Limits.HasLower {
			in -= cdf(q.Limits.Lower)
		}
		return 1 - in
	}
	seen := map[string]int{}
	trace := func(q monitor.Point) {
		// Baseline points are not independent of their limits.
		if seen[q.Chart+q.Stream]++; seen[q.Chart+q.Stream] <= 200 {
			return
		}
		n[q.Chart]++
		if len(q.Hits) > 0 && q.Hits[0].Rule == "beyond-limits" {
			beyond[q.Chart]++
		}
		switch q.Chart {
		case "ind":
			level := 100 + float64((q.Measurement-1)%11)
			expected[q.Chart] += within(&q, distuv.Normal{Mu: level, Sigma: 1}.CDF)
		case "cycle-mean":
			expected[q.Chart] += within(&q, distuv.Normal{Mu: 105, Sigma: 1 / math.Sqrt(11)}.CDF)
		case "dev":
			expected[q.Chart] += within(&q, distuv.LogNormal{Mu: math.Log(100), Sigma: logSigma}.CDF)
		case "cycle-spread":
			// The centres' own error, 1/200 of a variance, is left out.
			chi := distuv.ChiSquared{K: 10}
			expected[q.Chart] += within(&q, func(s float64) float64 { return chi.CDF(10 * s * s) })
		}
	}
	r := rand.New(rand.NewPCG(20, 26))
	for range presses {
		clear(seen)
		m, err := monitor.New(monitor.Config{Press: p, Charts: charts})
		require.NoError(t, err)
		m.Trace("", "", trace)
		for i := range 11 * cycles {
			o := observation(p, i, 100+float64(i%11)+r.NormFloat64())
			o.Values.Set(spc.MaxDeviationUM, 100*math.Exp(logSigma*r.NormFloat64()))
			require.NoError(t, m.Add(&o))
		}
	}
	nominal := 2 * distuv.UnitNormal.CDF(-3)
	for _, c := range charts {
		t.Logf("%-12s %6.0f points, %3.0f beyond, %6.1f expected, rate %.4f", c.ID, n[c.ID], beyond[c.ID], expected[c.ID], beyond[c.ID]/n[c.ID])
		if e := expected[c.ID]; e > 0 {
			require.InDelta(t, e, beyond[c.ID], 4*math.Sqrt(e), c.ID)
		}
		// 200 points leave sigma with 5 to 6 % error (moving ranges), the skewed models are models: within a factor.
		rate := beyond[c.ID] / n[c.ID]
		require.Less(t, rate, 3*nominal, c.ID)
		require.Greater(t, rate, nominal/3, c.ID)
	}
	// Of limits that rest on n = 200 values: second order in the relative error of sigma, variance 0.826/n from moving
	// ranges (from memory: Cryer & Ryan 1990, The estimation of sigma for an X chart), and in that of the mean, 1/n:
	// P = 2 Phi(-3) + 27 phi(3) 0.826/n + 3 phi(3)/n.
	phi := distuv.UnitNormal.Prob(3)
	theory := nominal + 27*phi*0.826/200 + 3*phi/200
	require.InEpsilon(t, theory, expected["ind"]/n["ind"], 0.1)
	require.InEpsilon(t, theory, expected["dev"]/n["dev"], 0.1)
	require.Less(t, beyond["dev"]/n["dev"], 0.004)

	// Why not symmetric limits on a skewed characteristic: mean + 3 sd of this lognormal is passed 4 times as often.
	ln := distuv.LogNormal{Mu: math.Log(100), Sigma: logSigma}
	require.Greater(t, ln.Survival(ln.Mean()+3*ln.StdDev()), 3*nominal)
}

// TestSpreadsThatMoveTogether: where the scatter inside cycles drifts slowly, its limits widen and say so.
func TestSpreadsThatMoveTogether(t *testing.T) {
	p := press(6)
	r := rand.New(rand.NewPCG(4, 4))
	f := newFold(t, monitor.Config{Press: p, Charts: []spc.Chart{cycleChart(spc.CycleSpread, 200), cycleChart(spc.CycleMean, 200)}})
	for i := range 6 * 201 {
		f.add(t, observation(p, i, float64(i%6)+r.NormFloat64()*math.Exp(0.8*math.Sin(float64(i)/200))))
	}
	l, ok := f.InForce("cycle-spread", "press:A")
	require.True(t, ok)
	require.True(t, l.Lag1Found)
	require.True(t, slices.ContainsFunc(l.Notes, func(s string) bool { return len(s) > 40 && s[:10] == "The spread" }), "%q", l.Notes)
	require.Greater(t, l.Limits.Upper, 1.2*(l.Limits.Centre+3*l.SigmaWithin*0.3))
}

// TestCorrelatedCyclesKeepTheirLimits: limits of the cycle mean hold a wandering level; those from moving ranges would not.
func TestCorrelatedCyclesKeepTheirLimits(t *testing.T) {
	p := press(6)
	r := rand.New(rand.NewPCG(8, 8))
	f := newFold(t, monitor.Config{Press: p, Charts: []spc.Chart{cycleChart(spc.CycleMean, 200)}})
	level := 0.0
	for i := range 6 * 1500 {
		if i%6 == 0 {
			level = 0.9*level + r.NormFloat64()
		}
		f.add(t, observation(p, i, float64(i%6)+level+0.5*r.NormFloat64()))
	}
	l, _ := f.InForce("cycle-mean", "press:A")
	require.Greater(t, l.Lag1, 0.6)
	require.True(t, l.Lag1Found)
	sd := 1 / math.Sqrt(1-0.81)
	require.InEpsilon(t, sd, l.Limits.Sigma, 0.35)
	beyond := 0
	for _, q := range f.points[200:] {
		beyond += len(q.Hits)
	}
	require.Less(t, float64(beyond)/1300, 0.03)
}
