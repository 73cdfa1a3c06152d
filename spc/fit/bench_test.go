package fit_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/fit"
)

// BenchmarkAllFamiliesHistogram fits all families to a histogram of 2000 bins with a million values.
func BenchmarkAllFamiliesHistogram(b *testing.B) {
	s := binned(b, draw(b, fit.Gamma, []float64{3, 2}, 1_000_000, 1), 1999)
	for b.Loop() {
		for _, family := range fit.Families {
			if _, err := fit.Fit(s, family); err != nil {
				isRefusalOr(b, err)
			}
		}
	}
}

func isRefusalOr(b *testing.B, err error) {
	b.Helper()
	require.ErrorContains(b, err, "no maximum inside")
}

// BenchmarkBootstrapPercentiles is 2000 resamples of 10 000 values, three percentiles each.
func BenchmarkBootstrapPercentiles(b *testing.B) {
	x := draw(b, fit.Gamma, []float64{3, 2}, 10_000, 1)
	s, err := fit.Values(x)
	require.NoError(b, err)
	shift := make([]int, len(x))
	for i := range shift {
		shift[i] = i / 80
	}
	blocks, err := s.Blocks(shift)
	require.NoError(b, err)
	ps := []float64{fit.OuterTail, 0.5, 1 - fit.OuterTail}
	run := func(b *testing.B, s *fit.Sample, blocks []fit.Block) {
		for b.Loop() {
			_, err := s.Bootstrap(blocks, 3, fit.Resampling{Resamples: 2000, Seed: 1}, func(dst []float64, counts []int) { s.Quantiles(dst, ps, counts) })
			require.NoError(b, err)
		}
	}
	b.Run("values", func(b *testing.B) { run(b, s, nil) })
	b.Run("blocks", func(b *testing.B) { run(b, s, blocks) })
	b.Run("histogram", func(b *testing.B) {
		run(b, binned(b, draw(b, fit.Gamma, []float64{3, 2}, 1_000_000, 1), 1999), nil)
	})
}

func BenchmarkFitValues(b *testing.B) {
	for _, c := range planted {
		b.Run(string(c.family), func(b *testing.B) {
			s, err := fit.Values(draw(b, c.family, c.params, 1000, 1))
			require.NoError(b, err)
			for b.Loop() {
				_, err := fit.Fit(s, c.family)
				require.NoError(b, err)
			}
		})
	}
}
