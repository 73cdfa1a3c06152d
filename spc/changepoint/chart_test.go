package changepoint_test

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/changepoint"
	"sagwatch/spc/refusal"
)

// charts are the four kinds at one rate of false signals.
func charts(t testing.TB, arl0 float64) []*changepoint.Chart {
	t.Helper()
	var all []*changepoint.Chart
	for _, o := range []changepoint.ChartOptions{
		{Shape: changepoint.Step, Known: true, Mean: 10, Sigma: 2},
		{Shape: changepoint.Drift, Known: true, Mean: 10, Sigma: 2},
		{Shape: changepoint.Step},
		{Shape: changepoint.Drift},
	} {
		o.ARL0 = arl0
		c, err := changepoint.NewChart(o)
		require.NoError(t, err)
		all = append(all, c)
	}
	return all
}

// The mean number of judged points to a false signal is the wanted one, within 4 standard errors and the 4 % to which the
// table is simulated.
func TestChartFalseSignals(t *testing.T) {
	for _, arl0 := range []float64{100, 250} {
		for i, c := range charts(t, arl0) {
			src := rand.New(rand.NewPCG(77, uint64(i)))
			const runs = 1500
			var sum, ss float64
			for range runs {
				var s changepoint.ChartState
				n := 0
				for !c.Step(&s, 10+2*src.NormFloat64()).Signal {
					n++
				}
				n++
				if !c.Options().Known {
					n -= changepoint.FirstJudged - 1
				}
				sum += float64(n)
				ss += float64(n) * float64(n)
			}
			mean := sum / runs
			se := math.Sqrt((ss/runs - mean*mean) / runs)
			t.Logf("%+v: %.1f (%.1f)", c.Options(), mean, se)
			require.InDelta(t, arl0, mean, 4*se+0.04*arl0)
		}
	}
}

// The hull gives the statistic of all starts: the same as trying each.
func TestChartIsExact(t *testing.T) {
	all := charts(t, 200)
	src := rand.New(rand.NewPCG(3, 3))
	for trial := range 20 {
		var s [4]changepoint.ChartState
		var y []float64
		for n := 1; n <= 120; n++ {
			x := 10 + 2*src.NormFloat64()
			if n > 60 {
				x += float64(trial%5-2) * 1.5
			}
			y = append(y, x)
			for i, c := range all {
				p := c.Step(&s[i], x)
				want, since := dense(y, c.Options())
				require.InDelta(t, want, p.Statistic, 1e-9*(1+want), "chart %d, point %d", i, n)
				if want > 0 && n > 3 {
					require.Equal(t, since, p.Since, "chart %d, point %d", i, n)
				}
				require.Zero(t, s[i].Thinned)
			}
		}
	}
}

// dense tries every start by least squares.
func dense(y []float64, o changepoint.ChartOptions) (statistic float64, since int) {
	n := len(y)
	var mean, total float64
	if o.Known {
		mean = o.Mean
	} else {
		for _, v := range y {
			mean += v / float64(n)
		}
	}
	for _, v := range y {
		total += (v - mean) * (v - mean)
	}
	for start := range n {
		if start == 0 && !o.Known {
			continue
		}
		x := make([]float64, n)
		var xm, sxy, sxx float64
		for i := start; i < n; i++ {
			x[i] = 1
			if o.Shape == changepoint.Drift {
				x[i] = float64(i - start + 1)
			}
			xm += x[i] / float64(n)
		}
		if o.Known {
			xm = 0
		}
		for i, v := range y {
			sxy += (x[i] - xm) * (v - mean)
			sxx += (x[i] - xm) * (x[i] - xm)
		}
		e := sxy * sxy / sxx
		var v float64
		switch {
		case o.Known:
			v = math.Sqrt(e) / o.Sigma
		case n >= 3 && total > 0:
			v = math.Sqrt(float64(n-2) * e / math.Max(total-e, 1e-14*total))
		}
		if v > statistic*(1+1e-12) {
			statistic, since = v, n-start
		}
	}
	return statistic, since
}

func BenchmarkChart(b *testing.B) {
	for i, name := range []string{"step-known", "drift-known", "step-unknown", "drift-unknown"} {
		b.Run(name, func(b *testing.B) {
			c := charts(b, 500)[i]
			src := rand.New(rand.NewPCG(1, 1))
			y := make([]float64, 1<<16)
			for k := range y {
				y[k] = 10 + 2*src.NormFloat64()
			}
			var s changepoint.ChartState
			b.ReportAllocs()
			k := 0
			for b.Loop() {
				c.Step(&s, y[k&(1<<16-1)])
				k++
			}
			b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "points/s")
		})
	}
}

func TestChartRefuses(t *testing.T) {
	for name, c := range map[string]struct {
		o      changepoint.ChartOptions
		reason refusal.Reason
	}{
		"rate too high": {changepoint.ChartOptions{ARL0: 20}, refusal.OutOfRange},
		"rate too low":  {changepoint.ChartOptions{ARL0: 1e5}, refusal.OutOfRange},
		"not a number":  {changepoint.ChartOptions{ARL0: math.NaN()}, refusal.OutOfRange},
		"no sigma":      {changepoint.ChartOptions{ARL0: 370, Known: true}, refusal.OutOfRange},
		"mean":          {changepoint.ChartOptions{ARL0: 370, Known: true, Sigma: 1, Mean: math.Inf(1)}, refusal.NonFinite},
		"shape":         {changepoint.ChartOptions{ARL0: 370, Shape: "wave"}, refusal.Mismatch},
	} {
		_, err := changepoint.NewChart(c.o)
		var r *refusal.Error
		require.ErrorAs(t, err, &r, name)
		require.Equal(t, c.reason, r.Reason, name)
	}
	_, err := changepoint.AsymptoticARL0(0)
	require.Error(t, err)
}

// A steep drift without an end, every point of which is a vertex of the hull, neither overflows the state nor hides the
// change; a state survives encoding; a value that is not finite leaves no trace.
func TestChartState(t *testing.T) {
	for i, c := range charts(t, 370) {
		var s changepoint.ChartState
		src := rand.New(rand.NewPCG(9, 9))
		signal := 0
		for n := range 3000 {
			x := 10 + src.NormFloat64()*0.01 + math.Max(0, float64(n-200))
			p := c.Step(&s, x)
			if p.Signal && signal == 0 && n > 200 { // one before is chance
				signal = n
			}
			before := s
			require.Zero(t, c.Step(&s, math.NaN()).Statistic)
			require.Equal(t, before, s)
			if n == 150 {
				b, err := json.Marshal(s)
				require.NoError(t, err)
				s = changepoint.ChartState{}
				require.NoError(t, json.Unmarshal(b, &s))
				require.Equal(t, before, s)
			}
		}
		require.Positive(t, signal, "chart %d", i)
		require.Less(t, signal, 215, "chart %d", i)
		require.LessOrEqual(t, s.Lower.Len, changepoint.HullSize)
		if c.Options().Shape == changepoint.Step {
			require.Positive(t, s.Thinned)
		}
	}
}

// Limits fall with n while parameters are unknown and grow with ARL0 always.
func TestLimitsAreOrdered(t *testing.T) {
	for i, c := range charts(t, 200) {
		wider := charts(t, 600)[i]
		for n := 1; n < 1200; n++ {
			if math.IsInf(c.Limit(n), 1) {
				require.Less(t, n, changepoint.FirstJudged)
				continue
			}
			require.Greater(t, wider.Limit(n), c.Limit(n))
			if !c.Options().Known {
				require.LessOrEqual(t, c.Limit(n+1), c.Limit(n))
			}
		}
	}
}

// The table lies where the asymptotic formula of Siegmund and Venkatraman puts it.
func TestAsymptoticARL0(t *testing.T) {
	for _, arl0 := range []float64{200, 500, 2000} {
		got, err := changepoint.AsymptoticARL0(charts(t, arl0)[0].Limit(1000))
		require.NoError(t, err)
		t.Logf("%g: %.1f", arl0, got)
		require.InEpsilon(t, arl0, got, 0.08)
	}
}

func FuzzChart(f *testing.F) {
	f.Add(uint64(1), 1.0, 0.0)
	f.Add(uint64(2), 1e140, 1e149)
	f.Add(uint64(3), 0.0, 5.0)
	f.Fuzz(func(t *testing.T, seed uint64, sigma, level float64) {
		src := rand.New(rand.NewPCG(seed, 1))
		for _, c := range charts(t, 370) {
			var s changepoint.ChartState
			for range 200 {
				p := c.Step(&s, level+sigma*src.NormFloat64())
				require.False(t, math.IsNaN(p.Statistic+p.Size))
				require.GreaterOrEqual(t, p.Statistic, 0.0)
			}
		}
	})
}
