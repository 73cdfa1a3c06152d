package runlength_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
	"sagwatch/spc/rules"
	"sagwatch/spc/runlength"
)

// Simulated baselines: the run length that limits at 3 estimated sigma really have lies below the 5 %, 50 % and 95 %
// point in that share of baselines, within 4 standard errors; sigma from the mean moving range and from the standard
// deviation. Seeded.
func TestEstimatedRangeCovers(t *testing.T) {
	t.Parallel()
	const m, baselines = 40, 4000
	src := rand.New(rand.NewPCG(21, 40))
	var byMR, bySD []float64
	x := make([]float64, m)
	for range baselines {
		mr := 0.0
		for i := range x {
			x[i] = src.NormFloat64()
			if i > 0 {
				mr += math.Abs(x[i] - x[i-1])
			}
		}
		mean, sd := dist.MeanSD(x)
		actual := func(sigma float64) float64 {
			return 1 / (dist.NormalTail(3*sigma-mean) + dist.NormalTail(3*sigma+mean))
		}
		byMR = append(byMR, actual(mr/(m-1)*math.Sqrt(math.Pi)/2))
		bySD = append(bySD, actual(sd/dist.C4(m)))
	}
	for name, c := range map[string]struct {
		e       runlength.Estimate
		lengths []float64
		slack   float64
	}{"standard deviation": {runlength.FromSD(m), bySD, 0}, "moving range": {runlength.FromMovingRange(m), byMR, 0.006}} { // a chi variable stands in for the mean moving range
		r, err := runlength.EstimatedShewhart(3, c.e)
		require.NoError(t, err)
		for p, q := range map[float64]float64{0.05: r.Lower, 0.5: r.Median, 0.95: r.Upper, r.Short: r.Wanted} {
			n := 0
			for _, l := range c.lengths {
				if l <= q {
					n++
				}
			}
			require.InDelta(t, p, float64(n)/baselines, 4*math.Sqrt(p*(1-p)/baselines)+c.slack, name)
		}
		require.Len(t, r.Warnings, 1)
		require.Equal(t, refusal.SmallSample, r.Warnings[0].Kind)
		enough := c.e
		enough.DF *= float64(r.Warnings[0].Enough) / float64(enough.M)
		enough.M = r.Warnings[0].Enough
		more, err := runlength.EstimatedShewhart(3, enough)
		require.NoError(t, err)
		require.Empty(t, more.Warnings)
		// Wider limits hold what they promise in nine baselines of ten.
		k, err := runlength.GuaranteedMultiple(370, 0.9, c.e)
		require.NoError(t, err)
		require.Greater(t, k, 3.0)
		if name == "standard deviation" {
			wide, err := runlength.EstimatedShewhart(k, c.e)
			require.NoError(t, err)
			require.Greater(t, wide.Wanted, 370.0)
		}
	}
}

// A baseline that is too short for a guarantee is refused with the least number of points that is enough: with that many
// there is a multiple, with one less there is none.
func TestEnoughPointsForAGuarantee(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		arl0, prob float64
		e          runlength.Estimate
	}{
		"three points":   {370, 0.99, runlength.FromSD(3)},
		"a strict share": {1e6, 0.9999, runlength.FromSD(4)},
		"moving range":   {370, 0.999, runlength.FromMovingRange(4)},
	} {
		_, err := runlength.GuaranteedMultiple(c.arl0, c.prob, c.e)
		var few *refusal.Error
		require.ErrorAs(t, err, &few, name)
		require.Equal(t, refusal.TooFew, few.Reason, name)
		require.Greater(t, few.Need, c.e.M, name)
		of := func(m int) runlength.Estimate {
			e := c.e
			e.DF *= float64(m) / float64(e.M)
			e.M = m
			return e
		}
		k, err := runlength.GuaranteedMultiple(c.arl0, c.prob, of(few.Need))
		require.NoError(t, err, name)
		require.LessOrEqual(t, k, 19.9, name)
		if few.Need-1 > c.e.M {
			_, err = runlength.GuaranteedMultiple(c.arl0, c.prob, of(few.Need-1))
			refused(t, err, refusal.TooFew)
		}
	}
}

// The general way names about the same number of points as enough as the exact one, and that number is enough.
func TestEnoughPointsOfAnyChart(t *testing.T) {
	t.Parallel()
	beyond := func(d runlength.Distribution) (float64, error) { return 1 / (d.Tail(3) + d.CDF(-3)), nil }
	for _, m := range []int{20, 100} {
		e := runlength.FromSD(m)
		exact, err := runlength.EstimatedShewhart(3, e)
		require.NoError(t, err)
		r, err := runlength.Estimated(beyond, e)
		require.NoError(t, err)
		require.Len(t, exact.Warnings, 1)
		require.Len(t, r.Warnings, 1)
		require.InEpsilon(t, exact.Warnings[0].Enough, r.Warnings[0].Enough, 0.05)
		e.DF *= float64(r.Warnings[0].Enough) / float64(m)
		e.M = r.Warnings[0].Enough
		more, err := runlength.EstimatedShewhart(3, e)
		require.NoError(t, err)
		require.InEpsilon(t, more.Wanted/2, more.Lower, 0.03)
	}
}

// Palm and Wheeler's approximation of the degrees of freedom of the mean moving range (1990, unpublished; from memory) is
// 0.62 (m-1) or so; its variance is exactly (0.8264 m - 1.082)/(m-1)^2.
func TestMovingRangeDegreesOfFreedom(t *testing.T) {
	t.Parallel()
	for _, m := range []int{5, 20, 100, 1000} {
		e := runlength.FromMovingRange(m)
		n := float64(m - 1)
		require.InEpsilon(t, (0.8264*float64(m)-1.082)/(n*n), 1/(2*e.DF)*(1+1/(4*e.DF)), 0.02)
		require.InEpsilon(t, n/(2*0.8264), e.DF, 0.2)
	}
}

// The general route gives what the closed form gives, and serves EWMA and run rules.
func TestEstimatedForAnyChart(t *testing.T) {
	t.Parallel()
	for _, e := range []runlength.Estimate{runlength.FromSD(60), runlength.FromSD(1000), runlength.Pooled(25, 5)} {
		want, err := runlength.EstimatedShewhart(3, e)
		require.NoError(t, err)
		got, err := runlength.Estimated(func(d runlength.Distribution) (float64, error) {
			r, err := runlength.Sigma(3, rules.Default()).RunLength(d, runlength.Options{})
			return r.ARL, err
		}, e)
		require.NoError(t, err)
		require.InEpsilon(t, want.Lower, got.Lower, 1e-3)
		require.InEpsilon(t, want.Median, got.Median, 1e-3)
		require.InEpsilon(t, want.Upper, got.Upper, 1e-3)
		require.InDelta(t, want.Short, got.Short, 1e-3)
	}
	// The widened chart of correlated points, against simulated baselines: its 5 % and 95 % points cover.
	const phi, m = 0.5, 200
	wide := runlength.Autocorrelated{Phi: phi, K: 3}
	rng, err := runlength.Estimated(wide.ARL, runlength.FromCorrelatedSD(m, phi))
	require.NoError(t, err)
	src := rand.New(rand.NewPCG(31, 7))
	below, above := 0, 0
	const baselines = 200
	x := make([]float64, m)
	for range baselines {
		x[0] = src.NormFloat64()
		for i := 1; i < m; i++ {
			x[i] = phi*x[i-1] + math.Sqrt(1-phi*phi)*src.NormFloat64()
		}
		mean, sd := dist.MeanSD(x)
		arl, err := wide.ARL(runlength.Normal{Mean: -mean / sd, SD: 1 / sd})
		require.NoError(t, err)
		if arl < rng.Lower {
			below++
		}
		if arl > rng.Upper {
			above++
		}
	}
	se := math.Sqrt(0.05 * 0.95 * baselines)
	require.InDelta(t, 0.05*baselines, below, 4*se)
	require.InDelta(t, 0.05*baselines, above, 4*se)
	independent, err := runlength.Estimated(wide.ARL, runlength.FromSD(m))
	require.NoError(t, err)
	require.Less(t, rng.Lower, independent.Lower)
	require.Greater(t, rng.Upper, independent.Upper)
	_, err = runlength.Estimated(wide.ARL, runlength.FromCorrelatedSD(m, 1))
	refused(t, err, refusal.OutOfRange)
	_, err = wide.ARL(exponential{})
	refused(t, err, refusal.Mismatch)

	// The smaller lambda, the more an estimated centre costs.
	plain, err := runlength.EstimatedShewhart(3, runlength.FromSD(100))
	require.NoError(t, err)
	slow, err := runlength.EWMALimit(0.05, plain.Wanted, false)
	require.NoError(t, err)
	r, err := runlength.Estimated(slow.ARL, runlength.FromSD(100))
	require.NoError(t, err)
	require.Less(t, r.Median, plain.Median)
	require.NotEmpty(t, r.Warnings)
	_, err = runlength.Estimated(slow.ARL, runlength.FromSD(1))
	refused(t, err, refusal.TooFew)
	_, err = runlength.Estimated(runlength.EWMA{Lambda: 3}.ARL, runlength.FromSD(100))
	refused(t, err, refusal.OutOfRange)
}
