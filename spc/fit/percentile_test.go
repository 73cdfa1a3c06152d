package fit_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/fit"
	"sagwatch/spc/refusal"
)

// Limits of an outer percentile cover the true one at their level, by the delta method and by resampling.
func TestPercentileLimitsCover(t *testing.T) {
	t.Parallel()
	for _, c := range planted {
		if len(c.params) > 2 {
			continue
		}
		t.Run(string(c.family), func(t *testing.T) {
			t.Parallel()
			d, err := fit.New(c.family, c.params...)
			require.NoError(t, err)
			const samples = 150
			tails := []fit.Tail{{P: 0.5}, {P: fit.OuterTail, Upper: true}}
			covered := make([]float64, len(tails))
			for i := range samples {
				ps, err := mustFit(t, draw(t, c.family, c.params, 150, uint64(1000+i)), c.family).Percentiles(tails, 0.9)
				require.NoError(t, err)
				for k, p := range ps.Of {
					require.True(t, p.HasLimits)
					truth := d.Quantile(0.5)
					if k == 1 {
						truth = d.QuantileUpper(fit.OuterTail)
					}
					if p.Lower <= truth && truth <= p.Upper {
						covered[k]++
					}
				}
			}
			se := math.Sqrt(0.9 * 0.1 / samples)
			for k := range covered {
				require.InDelta(t, 0.9, covered[k]/samples, 4*se, "percentile %d", k+1)
			}
		})
	}
}

func TestBootstrapLimitsAgreeWithTheDeltaMethod(t *testing.T) {
	t.Parallel()
	f := mustFit(t, draw(t, fit.Weibull, []float64{2, 10}, 400, 3), fit.Weibull)
	delta, err := f.Percentiles(fit.Natural, 0.95)
	require.NoError(t, err)
	o := fit.Resampling{Resamples: 500, Seed: 4}
	boot, err := f.BootstrapPercentiles(fit.Natural, 0.95, o)
	require.NoError(t, err)
	require.Equal(t, 500, boot.Resamples)
	for k := range fit.Natural {
		a, b := delta.Of[k], boot.Of[k]
		require.Equal(t, a.Value, b.Value)
		require.InEpsilon(t, a.SE, b.SE, 0.15)
		require.InDelta(t, a.Lower, b.Lower, 0.5*a.SE)
		require.InDelta(t, a.Upper, b.Upper, 0.5*a.SE)
	}
	o.Workers = 3
	again, err := f.BootstrapPercentiles(fit.Natural, 0.95, o)
	require.NoError(t, err)
	require.Equal(t, boot, again)
	require.True(t, delta.Of[2].Extrapolated)
	require.False(t, delta.Of[1].Extrapolated)
	require.Equal(t, 741, delta.Warnings[0].Enough)
}

// Of more values than are drawn again the limits are drawn together.
func TestBootstrapOfManyValues(t *testing.T) {
	t.Parallel()
	f := mustFit(t, draw(t, fit.Rayleigh, []float64{2}, 80_000, 3), fit.Rayleigh)
	delta, err := f.Percentiles(fit.Natural, 0.95)
	require.NoError(t, err)
	boot, err := f.BootstrapPercentiles(fit.Natural, 0.95, fit.Resampling{Resamples: 200, Seed: 4})
	require.NoError(t, err)
	require.InEpsilon(t, delta.Of[2].SE, boot.Of[2].SE, 0.25)
}

func TestPercentilesRefuse(t *testing.T) {
	t.Parallel()
	x := draw(t, fit.JohnsonSB, []float64{0, 1, 0, 1}, 100, 1)
	s, err := fit.Values(x)
	require.NoError(t, err)
	f := mustFit(t, x, fit.Normal)
	_, err = f.Percentiles([]fit.Tail{{P: 1}}, 0.95)
	refused(t, err, refusal.OutOfRange, "probability is 1")
	_, err = f.Percentiles(fit.Natural, 95)
	refused(t, err, refusal.OutOfRange, "the confidence is 95")
	_, err = f.BootstrapPercentiles(nil, 0.95, fit.Resampling{})
	refused(t, err, refusal.TooFew, "percentiles")
	q, err := fit.FitFourQuantiles(s, 0)
	require.NoError(t, err)
	ps, err := q.Percentiles(fit.Natural, 0.95)
	require.NoError(t, err)
	require.False(t, ps.Of[0].HasLimits)
	require.Equal(t, refusal.Doubtful, ps.Warnings[len(ps.Warnings)-1].Kind)
}

// Probability limits of a skewed characteristic are passed as often on either side as they say.
func TestProbabilityLimits(t *testing.T) {
	t.Parallel()
	x := draw(t, fit.Gamma, []float64{2, 3}, 40_000, 12)
	l, err := fit.ProbabilityLimits(mustFit(t, x, fit.Gamma), 0.01)
	require.NoError(t, err)
	require.True(t, l.HasLower && l.HasCentre && l.HasUpper)
	require.InDelta(t, 400, float64(count(x, 0, l.Lower)), 4*20)
	require.InDelta(t, 400, float64(count(x, l.Upper, 1e9)), 4*20)
	require.InDelta(t, 20_000, float64(count(x, 0, l.Centre)), 4*100)
	require.InEpsilon(t, 3*math.Sqrt2, l.Sigma, 0.03)
	n, err := fit.New(fit.Normal, 5, 2)
	require.NoError(t, err)
	l, err = fit.ProbabilityLimits(n, fit.OuterTail)
	require.NoError(t, err)
	require.InDelta(t, -1, l.Lower, 1e-12)
	require.InDelta(t, 11, l.Upper, 1e-12)
	_, err = fit.ProbabilityLimits(n, 0.5)
	refused(t, err, refusal.OutOfRange, "probability of a limit is 0.5")
}
