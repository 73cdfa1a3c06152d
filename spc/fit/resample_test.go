package fit_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/dist"
	"sagwatch/spc/fit"
	"sagwatch/spc/refusal"
)

func normals(n int, seed uint64) []float64 {
	r := rand.New(rand.NewPCG(seed, 99))
	x := make([]float64, n)
	for i := range x {
		x[i] = r.NormFloat64()
	}
	return x
}

func TestBootstrapDoesNotDependOnTheProcessors(t *testing.T) {
	t.Parallel()
	s, err := fit.Values(normals(200, 1))
	require.NoError(t, err)
	figures := func(dst []float64, counts []int) { dst[0], dst[1] = s.MeanSDOf(counts) }
	one, err := s.Bootstrap(nil, 2, fit.Resampling{Resamples: 100, Seed: 5, Workers: 1}, figures)
	require.NoError(t, err)
	many, err := s.Bootstrap(nil, 2, fit.Resampling{Resamples: 100, Seed: 5, Workers: 7}, figures)
	require.NoError(t, err)
	require.Equal(t, one, many)
	other, err := s.Bootstrap(nil, 2, fit.Resampling{Resamples: 100, Seed: 6}, figures)
	require.NoError(t, err)
	require.NotEqual(t, one, other)
}

// The standard error of a mean is s/sqrt n, with whole blocks that of the blocks' means: of values, of tied values and of
// a histogram.
func TestBootstrapGivesTheStandardErrorOfAMean(t *testing.T) {
	t.Parallel()
	const blocks, size = 60, 10
	r := rand.New(rand.NewPCG(2, 2))
	x, block := make([]float64, blocks*size), make([]int, blocks*size)
	for b := range blocks {
		level := r.NormFloat64()
		for i := range size {
			x[b*size+i], block[b*size+i] = level+0.5*r.NormFloat64(), 1000-b
		}
	}
	s, err := fit.Values(x)
	require.NoError(t, err)
	whole, err := s.Blocks(block)
	require.NoError(t, err)
	require.Len(t, whole, blocks)
	mean := func(s *fit.Sample) func([]float64, []int) {
		return func(dst []float64, counts []int) { dst[0], _ = s.MeanSDOf(counts) }
	}
	_, sd := dist.MeanSD(x)
	means := make([]float64, blocks)
	for b := range means {
		means[b], _ = dist.MeanSD(x[b*size : (b+1)*size])
	}
	_, sdMeans := dist.MeanSD(means)
	o := fit.Resampling{Resamples: 4000, Seed: 3}
	check := func(s *fit.Sample, blocks []fit.Block, want float64) {
		t.Helper()
		out, err := s.Bootstrap(blocks, 1, o, mean(s))
		require.NoError(t, err)
		lower, upper, got, ok := fit.PercentileLimits(out, 0, 0.95)
		require.True(t, ok)
		require.InEpsilon(t, want, got, 0.06) // five standard errors
		centre, _ := s.MeanSD()
		require.InDelta(t, centre-1.96*want, lower, 0.25*want)
		require.InDelta(t, centre+1.96*want, upper, 0.25*want)
	}
	check(s, nil, sd/math.Sqrt(blocks*size))
	check(s, whole, sdMeans/math.Sqrt(blocks))

	rounded := make([]float64, len(x))
	for i, v := range x {
		rounded[i] = math.Round(5 * v)
	}
	s, err = fit.Values(rounded)
	require.NoError(t, err)
	_, sd = dist.MeanSD(rounded)
	check(s, nil, sd/math.Sqrt(blocks*size))
	edges := make([]float64, 0, 40)
	for e := math.Floor(slices.Min(rounded)) - 0.5; e <= slices.Max(rounded)+1; e++ {
		edges = append(edges, e)
	}
	counts := make([]int, len(edges)-1)
	for _, v := range rounded {
		counts[int(v-edges[0])]++
	}
	s, err = fit.Binned(edges, counts)
	require.NoError(t, err)
	check(s, nil, sd/math.Sqrt(blocks*size))
	_, err = s.Blocks(block)
	refused(t, err, refusal.Mismatch, "histogram")
}

// Counts of a resampled histogram of two bins are binomial, few and many.
func TestResampledCountsAreBinomial(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ a, b int }{{3, 40}, {40, 3}, {30, 70}, {5000, 5000}, {2_000_000, 1000}} {
		s, err := fit.Binned([]float64{0, 1, 2}, []int{c.a, c.b})
		require.NoError(t, err)
		n, p := c.a+c.b, float64(c.a)/float64(c.a+c.b)
		const resamples = 20_000
		out, err := s.Bootstrap(nil, 2, fit.Resampling{Resamples: resamples, Seed: 11}, func(dst []float64, counts []int) {
			dst[0], dst[1] = float64(counts[0]), float64(counts[0]+counts[1])
		})
		require.NoError(t, err)
		for _, q := range []float64{0.02, 0.2, 0.5, 0.8, 0.98} {
			k := dist.BinomialQuantile(q, n, p)
			want, got := dist.BinomialCDF(k, n, p), 0.0
			for _, row := range out {
				require.EqualValues(t, n, row[1])
				if row[0] <= float64(k) {
					got++
				}
			}
			require.InDelta(t, want, got/resamples, 4.5*math.Sqrt(want*(1-want)/resamples)+1e-12, "%v at %g", c, q)
		}
	}
}

func TestBootstrapRefuses(t *testing.T) {
	t.Parallel()
	s, err := fit.Values([]float64{1, 2, 3})
	require.NoError(t, err)
	none := func([]float64, []int) {}
	one, err := fit.Values([]float64{1})
	require.NoError(t, err)
	_, err = one.Bootstrap(nil, 1, fit.Resampling{}, none)
	refused(t, err, refusal.TooFew, "values")
	_, err = s.Bootstrap([]fit.Block{{}}, 1, fit.Resampling{}, none)
	refused(t, err, refusal.TooFew, "blocks")
	_, err = s.Bootstrap([]fit.Block{{Place: []int32{0}, Count: []int32{1}}, {Place: []int32{3}, Count: []int32{1}}}, 1, fit.Resampling{}, none)
	refused(t, err, refusal.Mismatch, "block 2 does not belong")
	_, err = s.Blocks([]int{1, 2})
	refused(t, err, refusal.Mismatch, "3 block numbers, not 2")
}
