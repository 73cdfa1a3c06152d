package chart_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/chart"
	"sagwatch/spc/refusal"
)

// waves are subgroups of n whose means follow x(t) = phi x(t-1) + noise.
func waves(seed uint64, m, n int, phi, between float64) [][]float64 {
	src := rand.New(rand.NewPCG(seed, 9))
	groups := make([][]float64, m)
	x := 0.0
	for j := range groups {
		x = phi*x + math.Sqrt(1-phi*phi)*between*src.NormFloat64()
		groups[j] = make([]float64, n)
		for i := range groups[j] {
			groups[j][i] = 10 + x + src.NormFloat64()
		}
	}
	return groups
}

var subgroupCharts = map[string]func([][]float64, chart.Width) (chart.SubgroupResult, error){
	"mean-range": chart.MeanRange, "mean-sd": chart.MeanSD, "median-range": chart.MedianRange,
}

// autocorrelated gives the warning of a correlation.
func autocorrelated(t *testing.T, warnings []refusal.Warning) refusal.Warning {
	t.Helper()
	for _, w := range warnings {
		if w.Kind == refusal.Autocorrelated {
			return w
		}
	}
	t.Fatal("no warning of a correlation")
	return refusal.Warning{}
}

func TestSubgroupMeansOfCorrelatedNeighbours(t *testing.T) {
	t.Parallel()
	for name, f := range subgroupCharts {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			rise := waves(1, 100, 5, 0.8, 1)
			r, err := f(rise, chart.Width{})
			require.NoError(t, err)
			centres := make([]float64, len(rise))
			for j, g := range rise {
				for _, v := range g {
					centres[j] += v / float64(len(g))
				}
				if name == "median-range" {
					centres[j] = chart.Median(g)
				}
			}
			want, err := chart.Lag1(centres)
			require.NoError(t, err)
			require.InDelta(t, want.R, r.Lag1.R, 1e-12)
			require.True(t, r.Lag1.Significant)
			w := autocorrelated(t, r.Warnings)
			require.InDelta(t, want.R, w.Value, 1e-12)
			require.Contains(t, w.String(), "Neighbouring subgroup me")
			require.Contains(t, w.String(), "signal too often")

			swing, err := f(waves(2, 100, 5, -0.9, 1), chart.Width{})
			require.NoError(t, err)
			require.Contains(t, autocorrelated(t, swing.Warnings).String(), "to and fro")

			two, err := f(rise[:2], chart.Width{})
			require.NoError(t, err)
			require.Zero(t, two.Lag1)
			level, err := f([][]float64{{1, 3}, {1, 3}, {1, 3}, {1, 3}}, chart.Width{}) // the same means
			require.NoError(t, err)
			require.Zero(t, level.Lag1)
		})
	}
}

// Independent subgroups are warned of as often as the band of a lag-1 correlation says, in 5 of 100 baselines.
func TestSubgroupMeansWithoutCorrelation(t *testing.T) {
	t.Parallel()
	const baselines = 2000
	for name, f := range subgroupCharts {
		found := 0
		for i := range uint64(baselines) {
			r, err := f(waves(100+i, 50, 3, 0, 0), chart.Width{})
			require.NoError(t, err)
			if r.Lag1.Significant {
				found++
				autocorrelated(t, r.Warnings)
			} else {
				require.False(t, containsKind(r.Warnings, refusal.Autocorrelated))
			}
		}
		// The band is one of large samples: at 50 the rate is somewhat below.
		require.InDelta(t, 0.045, float64(found)/baselines, 0.015, name)
	}
}

// Limits that hold the correlation must not be said to signal too often: their rate of points beyond is the wanted one.
func TestWordsOfLimitsThatHoldTheCorrelation(t *testing.T) {
	t.Parallel()
	groups := waves(3, 4000, 4, 0.7, 1)
	means := make([]float64, len(groups))
	cycles := make([][]chart.StreamValue, len(groups))
	for j, g := range groups {
		for i, v := range g {
			means[j] += v / float64(len(g))
			cycles[j] = append(cycles[j], chart.StreamValue{Stream: i, Value: v})
		}
	}
	beyond := func(l chart.Limits) float64 {
		n := 0
		for _, v := range means {
			if chart.Beyond(l, v) != chart.Inside {
				n++
			}
		}
		return float64(n) / float64(len(means))
	}
	width := chart.Width{K: 2} // 4.55 % of points beyond
	short, err := chart.Individuals(means, chart.IndividualsOptions{Width: width})
	require.NoError(t, err)
	require.Contains(t, autocorrelated(t, short.Warnings).Detail, "signal too often")
	require.Greater(t, beyond(short.Limits), 0.15)

	for what, c := range map[string]func() (chart.Limits, []refusal.Warning, error){
		"individuals": func() (chart.Limits, []refusal.Warning, error) {
			r, err := chart.Individuals(means, chart.IndividualsOptions{From: chart.Overall, Width: width})
			return r.Limits, r.Warnings, err
		},
		"between and within": func() (chart.Limits, []refusal.Warning, error) {
			r, err := chart.BetweenWithin(groups, chart.BetweenWithinOptions{From: chart.Overall, Width: width})
			require.False(t, containsKind(r.Within.Warnings, refusal.Autocorrelated))
			return r.Means.Limits, r.Warnings, err
		},
		"cycles": func() (chart.Limits, []refusal.Warning, error) {
			m, err := chart.Cycles(cycles, make([]float64, 4), false)
			require.NoError(t, err)
			l, err := m.MeanLimits(4, width)
			return l, m.Warnings, err
		},
	} {
		limits, warnings, err := c()
		require.NoError(t, err, what)
		w := autocorrelated(t, warnings)
		require.Contains(t, w.Detail, "come in groups", what)
		require.NotContains(t, w.Detail, "too often", what)
		require.InDelta(t, 0.0455, beyond(limits), 0.012, what)
	}
	swing := make([]float64, 200)
	for i := range swing {
		swing[i] = math.Sin(float64(i)*3) + 0.1*math.Sin(float64(i*i))
	}
	r, err := chart.Individuals(swing, chart.IndividualsOptions{From: chart.Overall})
	require.NoError(t, err)
	require.Contains(t, autocorrelated(t, r.Warnings).Detail, "alternate")
}

// A target moves the limits of the means to itself and leaves their width.
func TestTargetsOfCyclesAndOfBetweenWithin(t *testing.T) {
	t.Parallel()
	groups := waves(4, 120, 4, 0.3, 0.5)
	cycles := make([][]chart.StreamValue, len(groups))
	for j, g := range groups {
		for i, v := range g {
			cycles[j] = append(cycles[j], chart.StreamValue{Stream: i, Value: v})
		}
	}
	const target = 10.25
	about := func(own, l chart.Limits) {
		t.Helper()
		require.InDelta(t, target, l.Centre, 1e-12)
		require.InDelta(t, own.Sigma, l.Sigma, 1e-12)
		require.InDelta(t, own.Upper-own.Centre, l.Upper-target, 1e-12)
		require.InDelta(t, own.Lower-own.Centre, l.Lower-target, 1e-12)
	}

	m, err := chart.Cycles(cycles, make([]float64, 4), false)
	require.NoError(t, err)
	require.Equal(t, chart.FromData, m.CentreFrom)
	at, err := m.About(target)
	require.NoError(t, err)
	require.Equal(t, chart.FromTarget, at.CentreFrom)
	for _, n := range []int{1, 3, 4} {
		own, err := m.MeanLimits(n, chart.Width{})
		require.NoError(t, err)
		l, err := at.MeanLimits(n, chart.Width{})
		require.NoError(t, err)
		about(own, l)
	}
	require.Equal(t, m.SigmaWithin, at.SigmaWithin)

	bw, err := chart.BetweenWithin(groups, chart.BetweenWithinOptions{})
	require.NoError(t, err)
	level := target
	asked, err := chart.BetweenWithin(groups, chart.BetweenWithinOptions{Target: &level})
	require.NoError(t, err)
	moved, err := bw.About(target)
	require.NoError(t, err)
	require.Equal(t, asked, moved)
	about(bw.Means.Limits, asked.Means.Limits)
	require.Equal(t, bw.Within, asked.Within)
	require.Equal(t, bw.Means.MovingRange, asked.Means.MovingRange)
	require.Nil(t, bw.Options.Target)
	for _, n := range []int{1, 4, 9} {
		own, err := bw.MeanLimits(n)
		require.NoError(t, err)
		l, err := asked.MeanLimits(n)
		require.NoError(t, err)
		about(own, l)
	}

	for _, bad := range []float64{math.NaN(), math.Inf(1)} {
		_, err = m.About(bad)
		require.Equal(t, refusal.OutOfRange, reasonOf(t, err))
		_, err = bw.About(bad)
		require.Equal(t, refusal.OutOfRange, reasonOf(t, err))
		_, err = chart.BetweenWithin(groups, chart.BetweenWithinOptions{Target: &bad})
		require.Equal(t, refusal.OutOfRange, reasonOf(t, err))
	}
}

func reasonOf(t *testing.T, err error) refusal.Reason {
	t.Helper()
	var refused *refusal.Error
	require.ErrorAs(t, err, &refused)
	return refused.Reason
}
