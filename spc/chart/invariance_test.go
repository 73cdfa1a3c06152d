package chart_test

import (
	"encoding/json"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/chart"
	"sagwatch/spc/refusal"
)

// Shifting and scaling the values shifts and scales limits and estimates; the order of the values inside a subgroup does not
// matter; the input is left as it was.
func TestSubgroupEquivariance(t *testing.T) {
	src := rand.New(rand.NewPCG(41, 42))
	var x, y, mixed [][]float64
	for range 40 {
		g := make([]float64, 2+src.IntN(6))
		for i := range g {
			g[i] = src.NormFloat64()
		}
		h, m := make([]float64, len(g)), make([]float64, len(g))
		for i, j := range src.Perm(len(g)) {
			h[i], m[i] = 1107.5+0.25*g[i], g[j]
		}
		x, y, mixed = append(x, g), append(y, h), append(mixed, m)
	}
	kept, err := json.Marshal(x)
	require.NoError(t, err)
	for name, f := range map[string]func([][]float64, chart.Width) (chart.SubgroupResult, error){"mr": chart.MeanRange, "ms": chart.MeanSD, "medr": chart.MedianRange} {
		for _, w := range []chart.Width{{}, {K: 2}, {Probability: 0.002}} {
			a, err := f(x, w)
			require.NoError(t, err)
			b, err := f(y, w)
			require.NoError(t, err)
			c, err := f(mixed, w)
			require.NoError(t, err)
			relative(t, 1107.5+0.25*a.Centre, b.Centre, 1e-14, name)
			relative(t, 0.25*a.SigmaWithin, b.SigmaWithin, 1e-11, name)
			require.InDelta(t, a.Centre, c.Centre, 1e-14, name)
			relative(t, a.SigmaWithin, c.SigmaWithin, 1e-13, name)
			for _, n := range []int{2, 5} {
				la, err := a.MeanLimits(n)
				require.NoError(t, err)
				lb, err := b.MeanLimits(n)
				require.NoError(t, err)
				relative(t, 1107.5+0.25*la.Upper, lb.Upper, 1e-13, name)
				sa, err := a.SpreadLimits(n)
				require.NoError(t, err)
				sb, err := b.SpreadLimits(n)
				require.NoError(t, err)
				relative(t, 0.25*sa.Upper, sb.Upper, 1e-11, name)
			}
			target, err := a.About(3)
			require.NoError(t, err)
			l, err := target.MeanLimits(4)
			require.NoError(t, err)
			require.Equal(t, 3.0, l.Centre)
			require.Equal(t, chart.FromTarget, target.CentreFrom)
			standard, err := chart.StandardSubgroups(a.Kind, a.Centre, a.SigmaWithin, w)
			require.NoError(t, err)
			la, err := a.MeanLimits(4)
			require.NoError(t, err)
			ls, err := standard.MeanLimits(4)
			require.NoError(t, err)
			require.Equal(t, la, ls, "a standard of the same numbers is the same chart")
		}
	}
	now, err := json.Marshal(x)
	require.NoError(t, err)
	require.Equal(t, string(kept), string(now))
}

// A between/within chart of one size is an individuals chart of the means, and its limits for that size are those; the
// total variance of the model is what was put in.
func TestBetweenWithin(t *testing.T) {
	src := rand.New(rand.NewPCG(43, 44))
	g := make([][]float64, 4000)
	for j := range g {
		level := 10 + 0.7*src.NormFloat64()
		for range 5 {
			g[j] = append(g[j], level+0.4*src.NormFloat64())
		}
	}
	for _, o := range []chart.BetweenWithinOptions{{}, {Ranges: true}, {From: chart.Overall}} {
		r, err := chart.BetweenWithin(g, o)
		require.NoError(t, err)
		relative(t, 0.7, r.SigmaBetween, 0.06)
		relative(t, 0.4, r.Within.SigmaWithin, 0.03)
		relative(t, 0.8062, r.SigmaTotal, 0.05)
		l, err := r.MeanLimits(5)
		require.NoError(t, err)
		relative(t, r.Means.Limits.Upper, l.Upper, 1e-12)
		one, err := r.MeanLimits(1)
		require.NoError(t, err)
		require.Greater(t, one.Upper, l.Upper, "a mean of fewer values varies more")
	}
	// Cycles that vary less than their panels suggest, and of different size.
	r, err := chart.BetweenWithin([][]float64{{1, 9}, {2, 8.1}, {0, 9.9, 5}, {1, 9.2}}, chart.BetweenWithinOptions{})
	require.NoError(t, err)
	require.Negative(t, r.VarBetween)
	require.Zero(t, r.SigmaBetween)
	require.Equal(t, []refusal.WarningKind{refusal.SmallSample, refusal.Doubtful, refusal.Doubtful}, kinds(r.Warnings))
	l, err := r.MeanLimits(2)
	require.NoError(t, err)
	require.Less(t, l.Lower, l.Upper)
}

func kinds(list []refusal.Warning) []refusal.WarningKind {
	var out []refusal.WarningKind
	for _, w := range list {
		out = append(out, w.Kind)
	}
	return out
}

// States stored and read back between any two points give the chart of the whole series; CUSUM and EWMA are equivariant.
func TestStatesAreBatches(t *testing.T) {
	src := rand.New(rand.NewPCG(45, 46))
	x, y := make([]float64, 60), make([]float64, 60)
	for i := range x {
		x[i] = src.NormFloat64() + float64(i/30)
		y[i] = 100 - 4*x[i] // turned upside down
	}
	es := chart.EWMASettings{Sigma: 1, Lambda: 0.2, Width: chart.Width{K: 2.7}}
	cs := chart.CUSUMSettings{Sigma: 1, K: 0.5, H: 4, HeadStart: 2}
	ebatch, err := chart.EWMA(x, es)
	require.NoError(t, err)
	cbatch, err := chart.CUSUM(x, cs)
	require.NoError(t, err)
	qbatch, err := chart.QChart(x)
	require.NoError(t, err)
	e, err := chart.NewEWMA(es)
	require.NoError(t, err)
	c, err := chart.NewCUSUM(cs)
	require.NoError(t, err)
	var q chart.QState
	reread := func(v any) {
		b, err := json.Marshal(v)
		require.NoError(t, err)
		require.NoError(t, json.Unmarshal(b, v))
	}
	for i := range x {
		reread(&e)
		reread(&c)
		reread(&q)
		ep, err := e.Step(x[i])
		require.NoError(t, err)
		require.Equal(t, ebatch[i], ep)
		cp, err := c.Step(x[i])
		require.NoError(t, err)
		require.Equal(t, cbatch[i], cp)
		qp, err := q.Step(x[i])
		require.NoError(t, err)
		require.Equal(t, qbatch[i], qp)
	}
	es.Target, es.Sigma, cs.Target, cs.Sigma = 100, 4, 100, 4
	eturned, err := chart.EWMA(y, es)
	require.NoError(t, err)
	cturned, err := chart.CUSUM(y, cs)
	require.NoError(t, err)
	for i := range x {
		require.InDelta(t, 100-4*ebatch[i].Z, eturned[i].Z, 1e-11)
		require.InDelta(t, 100-4*ebatch[i].Limits.Upper, eturned[i].Limits.Lower, 1e-11)
		require.Equal(t, ebatch[i].Side, -eturned[i].Side)
		require.InDelta(t, cbatch[i].Hi, cturned[i].Lo, 1e-12)
		require.InDelta(t, cbatch[i].Lo, cturned[i].Hi, 1e-12)
	}
	// Scale and shift leave Q as it is.
	for i, p := range qbatch[2:] {
		v, err := chart.QChart(y)
		require.NoError(t, err)
		require.InDelta(t, -p.Q, v[i+2].Q, 1e-9)
	}
	// A reset is a new start.
	e.Reset()
	c.Reset()
	fresh, err := chart.NewEWMA(e.Settings)
	require.NoError(t, err)
	require.Equal(t, fresh, e)
	start, err := chart.NewCUSUM(c.Settings)
	require.NoError(t, err)
	require.Equal(t, start, c)
}

// A planted shift: the count since 0 gives its start, the sum its size.
func TestCUSUMFindsStartAndLevel(t *testing.T) {
	src := rand.New(rand.NewPCG(47, 48))
	off, level := 0.0, 0.0
	const trials = 400
	for range trials {
		s, err := chart.NewCUSUM(chart.CUSUMSettings{Target: 50, Sigma: 2, K: 1, H: 4})
		require.NoError(t, err)
		for i := range 40 {
			shift := 0.0
			if i >= 20 {
				shift = -4 // 2 sigma down
			}
			_, err := s.Step(50 + shift + 2*src.NormFloat64())
			require.NoError(t, err)
		}
		off += float64(s.N-s.NLo-20) / trials // values before the estimated start, 20 in truth
		level += s.Level(chart.Below) / trials
		require.Equal(t, 50.0, s.Level(chart.Inside))
	}
	require.InDelta(t, 0, off, 0.5)
	require.InDelta(t, 46, level, 0.2)
}

// The group chart names the stream that left, by limit and by run, and neither the levels of the moulds nor of the cycle
// matter.
func TestGroupNamesTheStream(t *testing.T) {
	g, err := chart.NewGroupChart(chart.GroupModel{Centres: levels, Sigmas: []float64{1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1}, Alike: true}, chart.Width{})
	require.NoError(t, err)
	src := rand.New(rand.NewPCG(49, 50))
	var run chart.GroupRun
	for j := range 6 {
		cycle := press(src, 1, levels, 30, 0.3, 0)[0]
		cycle[6].Value += 5
		pt, devs, err := g.Step(nil, cycle)
		require.NoError(t, err)
		require.True(t, pt.Signal)
		require.Equal(t, 6, pt.Highest)
		require.Equal(t, chart.Above, devs[6].Side)
		require.Equal(t, chart.Inside, devs[3].Side)
		require.Equal(t, chart.Exact, pt.Limit.Method)
		run.Step(pt)
		require.Equal(t, j+1, run.High)
	}
	pt, devs, err := g.Step(nil, []chart.StreamValue{{Stream: 2, Value: 1}})
	require.NoError(t, err)
	require.Empty(t, devs)
	require.False(t, pt.Signal)
	run.Step(pt)
	require.Equal(t, 6, run.High, "a cycle of one stream says nothing")
	dst := make([]chart.StreamDeviation, 0, 16)
	cycle := press(src, 1, levels, 30, 0.3, 0)[0]
	require.Zero(t, testing.AllocsPerRun(100, func() { _, _, _ = g.Step(dst, cycle) }))
	_, _, err = g.Step(nil, []chart.StreamValue{{Stream: 11, Value: 1}})
	require.Error(t, err)

	// Nelson's run rule: 4 streams, the same the highest 3 times in succession, by simulation of who is highest.
	want, err := chart.GroupRunLength(4, 3)
	require.NoError(t, err)
	require.Equal(t, 21.0, want)
	total := 0
	for range 4000 {
		run := chart.GroupRun{}
		for run.High < 3 {
			run.Step(chart.GroupPoint{M: 4, Highest: src.IntN(4), Lowest: src.IntN(4)})
			total++
		}
	}
	require.InDelta(t, 21, float64(total)/4000, 4*20/63.2)
}

// Deviations from target: a run off its target widens no limits; standardised values run on through changes.
func TestShortRuns(t *testing.T) {
	src := rand.New(rand.NewPCG(51, 52))
	runs := make([]chart.ShortRun, 40)
	for j := range runs {
		runs[j] = chart.ShortRun{Target: 900 + 20*float64(j), Sigma: 0.5}
		for range 12 {
			runs[j].Values = append(runs[j].Values, runs[j].Target+3+0.5*src.NormFloat64())
		}
	}
	r, err := chart.DeviationsFromTarget(runs, chart.Width{})
	require.NoError(t, err)
	relative(t, 0.5, r.SigmaWithin, 0.15)
	require.Zero(t, r.Deviation.Centre)
	require.InDelta(t, 3, r.MeanDeviation, 0.1)
	require.Empty(t, r.Warnings)
	z, err := chart.Standardised(runs, chart.Width{})
	require.NoError(t, err)
	require.Len(t, z, 480)
	require.False(t, z[0].HasMovingRange)
	require.True(t, z[12].HasMovingRange)
	require.InDelta(t, 6, z[0].Z, 5)
	require.Equal(t, 3.0, z[5].Limits.Upper)
	relative(t, 3.6858865663778, z[5].RangeLimits.Upper, 1e-12, "D2(2), COMPUTED")
}

func FuzzStates(f *testing.F) {
	f.Add(1.0, 2.0, 0.2, 0.5, 4.0)
	f.Add(1e150, -1e150, 1.0, 0.0, 1e-9)
	f.Add(0.0, 0.0, 1e-300, 1e6, 1e6)
	f.Fuzz(func(t *testing.T, a, b, lambda, k, h float64) {
		x := []float64{a, b, a, b, a}
		if pts, err := chart.EWMA(x, chart.EWMASettings{Target: a, Sigma: h, Lambda: lambda}); err == nil {
			for _, p := range pts {
				require.Equal(t, p.Z, p.Z, "not a number")
				require.LessOrEqual(t, p.Limits.Lower, p.Limits.Upper)
			}
		}
		if pts, err := chart.CUSUM(x, chart.CUSUMSettings{Target: b, Sigma: 1, K: k, H: h}); err == nil {
			for _, p := range pts {
				require.GreaterOrEqual(t, p.Hi, 0.0)
				require.GreaterOrEqual(t, p.Lo, 0.0)
			}
		}
		if pts, err := chart.QChart(x); err == nil {
			for _, p := range pts {
				require.LessOrEqual(t, p.Q, 37.0)
				require.GreaterOrEqual(t, p.Q, -37.0)
			}
		}
		if l, err := chart.RejectLimits(chart.Proportion, 1+int(min(max(0, h), 1e6)), lambda, chart.Width{Probability: 0.01}); err == nil {
			require.True(t, !l.HasUpper || l.Lower <= l.Upper, "%+v", l)
		}
		if l, err := chart.PanelLimits(2, lambda, chart.Width{Probability: 0.01}); err == nil {
			require.True(t, l.Lower <= l.Centre && l.Centre <= l.Upper, "%+v", l)
		}
	})
}
