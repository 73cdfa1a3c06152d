package chart_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/chart"
)

// rate checks that the share of points beyond their limits is the wanted one, within 4 of its standard errors.
func rate(t *testing.T, want float64, beyond, of int, what string) {
	t.Helper()
	require.InDelta(t, want, float64(beyond)/float64(of), 4*math.Sqrt(want*(1-want)/float64(of)), what)
}

// Limits at a probability, for known parameters, let just that share of points through (seeded): medians, ranges, standard
// deviations and means of 2 to 8 values, and moving ranges.
func TestFalseAlarmsOfSubgroups(t *testing.T) {
	const p, trials, centre, sigma = 0.05, 20000, 1107.5, 0.8
	src := rand.New(rand.NewPCG(21, 22))
	w := chart.Width{Probability: p}
	for _, n := range []int{2, 3, 4, 5, 8} {
		median, err := chart.MedianLimits(n, centre, sigma, w)
		require.NoError(t, err)
		mean, err := chart.MeanLimits(n, centre, sigma, w)
		require.NoError(t, err)
		rng, err := chart.RangeLimits(n, sigma, w)
		require.NoError(t, err)
		sd, err := chart.SDLimits(n, sigma, w)
		require.NoError(t, err)
		var out [4]int
		x := make([]float64, n)
		for range trials {
			lo, hi, total, squares := math.Inf(1), math.Inf(-1), 0.0, 0.0
			for i := range x {
				x[i] = centre + sigma*src.NormFloat64()
				lo, hi = min(lo, x[i]), max(hi, x[i])
				total += x[i]
			}
			m := total / float64(n)
			for _, v := range x {
				squares += (v - m) * (v - m)
			}
			for i, side := range []chart.Side{chart.Beyond(median, chart.Median(x)), chart.Beyond(mean, m), chart.Beyond(rng, hi-lo), chart.Beyond(sd, math.Sqrt(squares/float64(n-1)))} {
				if side != chart.Inside {
					out[i]++
				}
			}
		}
		for i, what := range []string{"median", "mean", "range", "sd"} {
			rate(t, p, out[i], trials, what)
		}
	}
}

// A group chart signals at a complete cycle with just the wanted probability where the streams vary alike, whatever
// number is present, and with no more where they do not; the moments equations give the streams' own spreads back.
func TestFalseAlarmsOfGroups(t *testing.T) {
	const p, trials = 0.05, 20000
	src := rand.New(rand.NewPCG(23, 24))
	sigmas := []float64{0.3, 0.3, 0.6, 0.4, 0.9, 0.3}
	centres := []float64{1107, 1109, 1105, 1108, 1107, 1110}
	for _, alike := range []bool{true, false} {
		cycles := make([][]chart.StreamValue, trials)
		for j := range cycles {
			e := 2 * src.NormFloat64()
			for i, c := range centres {
				s := sigmas[i]
				if alike {
					s = 0.5
				}
				if j%2 == 0 || i != j%6 && i != (j+1)%6 {
					cycles[j] = append(cycles[j], chart.StreamValue{Stream: i, Value: c + e + s*src.NormFloat64()})
				}
			}
		}
		model, err := chart.GroupBaseline(cycles, centres, alike, false)
		require.NoError(t, err)
		require.Empty(t, model.Warnings)
		for i, s := range sigmas {
			if alike {
				s = 0.5
			}
			relative(t, s, model.Sigmas[i], 0.05, "stream", i)
			model.Sigmas[i] = s // known, for the rate
		}
		g, err := chart.NewGroupChart(model, chart.Width{Probability: p})
		require.NoError(t, err)
		var out, of [7]int
		var dst []chart.StreamDeviation
		for _, c := range cycles {
			var pt chart.GroupPoint
			pt, dst, err = g.Step(dst[:0], c)
			require.NoError(t, err)
			of[pt.M]++
			if pt.Signal {
				out[pt.M]++
			}
		}
		for _, m := range []int{4, 6} {
			if alike {
				rate(t, p, out[m], of[m], "alike")
				continue
			}
			got := float64(out[m]) / float64(of[m])
			require.Less(t, got, p+4*math.Sqrt(p*(1-p)/float64(of[m])), "Bonferroni never signals more often")
			require.Greater(t, got, 0.7*p)
		}
	}
}

// The exact time-varying limits of the EWMA hold pointwise: at each t the share beyond is the same.
func TestFalseAlarmsOfEWMA(t *testing.T) {
	const p, trials, length = 0.05, 8000, 8
	src := rand.New(rand.NewPCG(25, 26))
	for _, lambda := range []float64{0.1, 0.4, 1} {
		s, err := chart.NewEWMA(chart.EWMASettings{Target: 10, Sigma: 2, Lambda: lambda, Width: chart.Width{Probability: p}})
		require.NoError(t, err)
		var out [length]int
		for range trials {
			s.Reset()
			for i := range length {
				pt, err := s.Step(10 + 2*src.NormFloat64())
				require.NoError(t, err)
				if pt.Side != chart.Inside {
					out[i]++
				}
			}
		}
		for i := range out {
			rate(t, p, out[i], trials, "EWMA")
		}
	}
}

// In-control run length of a two-sided CUSUM with k = 0.5, h = 4 (Lucas and Crosier 1982; 167.68 COMPUTED by an integral
// equation, runlength/cusum.json), by seeded simulation.
func TestRunLengthOfCUSUM(t *testing.T) {
	const trials = 1500
	src := rand.New(rand.NewPCG(27, 28))
	s, err := chart.NewCUSUM(chart.CUSUMSettings{Target: 5, Sigma: 3, K: 0.5, H: 4})
	require.NoError(t, err)
	total, squares := 0.0, 0.0
	for range trials {
		s.Reset()
		for {
			p, err := s.Step(5 + 3*src.NormFloat64())
			require.NoError(t, err)
			if p.Side != chart.Inside {
				break
			}
		}
		total += float64(s.N)
		squares += float64(s.N) * float64(s.N)
	}
	mean := total / trials
	require.InDelta(t, 167.68, mean, 4*math.Sqrt((squares/trials-mean*mean)/trials))
}

// Times between rejects, exponential and gamma, at the wanted rate; panels between rejects and counts at their exact one.
func TestFalseAlarmsOfRejects(t *testing.T) {
	const p, trials = 0.05, 20000
	src := rand.New(rand.NewPCG(29, 30))
	w := chart.Width{Probability: p}
	for _, r := range []int{1, 3} {
		times, err := chart.TimeLimits(r, 7, w)
		require.NoError(t, err)
		panels, err := chart.PanelLimits(r, 0.1, w)
		require.NoError(t, err)
		outT, outN, above := 0, 0, 0
		for range trials {
			sum, n := 0.0, 0
			for range r {
				sum += 7 * src.ExpFloat64()
				n++
				for src.Float64() >= 0.1 {
					n++
				}
			}
			if chart.Beyond(times, sum) != chart.Inside {
				outT++
			}
			if sum > times.Centre {
				above++
			}
			if chart.Beyond(panels, float64(n)) != chart.Inside {
				outN++
			}
		}
		rate(t, p, outT, trials, "times")
		rate(t, 0.5, above, trials, "the centre is the median")
		require.Less(t, float64(outN)/trials, p+4*math.Sqrt(p*(1-p)/trials), "whole numbers: at most the wanted rate")
	}
	for _, n := range []int{30, 200} {
		l, err := chart.RejectLimits(chart.Proportion, n, 0.12, w)
		require.NoError(t, err)
		below, above, err := chart.CountRates(chart.Proportion, float64(n), 0.12, l)
		require.NoError(t, err)
		require.LessOrEqual(t, below, p/2)
		require.LessOrEqual(t, above, p/2)
		out := 0
		for range trials / 4 {
			x := 0
			for range n {
				if src.Float64() < 0.12 {
					x++
				}
			}
			if chart.Beyond(l, float64(x)/float64(n)) != chart.Inside {
				out++
			}
		}
		rate(t, below+above, out, trials/4, "p chart")
	}
}

// Q values of a run in control are standard normal, whatever is known (seeded).
func TestQIsNormal(t *testing.T) {
	const trials = 6000
	src := rand.New(rand.NewPCG(31, 32))
	mean, sigma := 1107.5, 0.8
	for name, start := range map[string]chart.QState{"both": {Mean: &mean, Sigma: &sigma}, "sigma": {Sigma: &sigma}, "mean": {Mean: &mean}, "neither": {}} {
		out, of := 0, 0
		for range trials {
			s := start
			for range 5 {
				q, err := s.Step(mean + sigma*src.NormFloat64())
				require.NoError(t, err)
				if !q.Ready {
					continue
				}
				of++
				if math.Abs(q.Q) > 1.959963984540054 {
					out++
				}
			}
		}
		rate(t, 0.05, out, of, name)
		require.Equal(t, map[string]int{"both": 5, "sigma": 4, "mean": 4, "neither": 3}[name]*trials, of, name)
	}
}

// Laney's factor finds the extra variation: with proportions that vary by as much as binomial counts do, the adjusted
// limits hold 3 sigma of all of it and the dispersion test sees it; without, the factor is near 1.
func TestAdjusted(t *testing.T) {
	src := rand.New(rand.NewPCG(33, 34))
	for _, extra := range []float64{0, 0.02} {
		x := make([]chart.Rejects, 400)
		for j := range x {
			x[j].Inspected = 800 + src.IntN(400)
			p := 0.1 + extra*src.NormFloat64()
			for range x[j].Inspected {
				if src.Float64() < p {
					x[j].Rejected++
				}
			}
		}
		r, err := chart.RejectChart(chart.Proportion, x, chart.AttributeOptions{Adjusted: true})
		require.NoError(t, err)
		want := math.Sqrt(1 + extra*extra/(0.09/1000))
		require.InDelta(t, want, r.SigmaZ, 0.15*want)
		if extra > 0 {
			require.Less(t, r.Dispersion.P, 1e-9)
			require.Greater(t, r.Dispersion.Ratio, 3.0)
		} else {
			require.Greater(t, r.Dispersion.P, 0.001)
		}
		require.Empty(t, r.Warnings)
	}
}
