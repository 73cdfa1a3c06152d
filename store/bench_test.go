package store_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc"
	"sagwatch/store"
	"sagwatch/store/storetest"
)

// The benchmarks' server writes without fsync unless SAGWATCH_TEST_DATABASE_URL names another: a commit to disk comes
// on top, once a batch.

func BenchmarkInsert1000(b *testing.B) {
	s := storetest.New(b)
	warm := storetest.Rows(0, 1000) // the partition is there, statements are prepared
	_, err := s.Insert(b.Context(), site, warm)
	require.NoError(b, err)
	n := 1000
	for b.Loop() {
		b.StopTimer()
		rows := storetest.Rows(n, 1000)
		n += 1000
		b.StartTimer()
		_, err := s.Insert(b.Context(), site, rows)
		require.NoError(b, err)
	}
	b.ReportMetric(float64(n-1000)/b.Elapsed().Seconds(), "rows/s")
}

// A batch that is there already, as after a lost answer.
func BenchmarkInsertAgain1000(b *testing.B) {
	s := storetest.New(b)
	rows := storetest.Rows(0, 1000)
	_, err := s.Insert(b.Context(), site, rows)
	require.NoError(b, err)
	for b.Loop() {
		_, err := s.Insert(b.Context(), site, rows)
		require.NoError(b, err)
	}
	b.ReportMetric(float64(1000*b.N)/b.Elapsed().Seconds(), "rows/s")
}

func BenchmarkInsertSingle(b *testing.B) {
	s := storetest.New(b)
	n := 0
	for b.Loop() {
		_, err := s.Insert(b.Context(), site, []*store.Row{storetest.Row(n)})
		require.NoError(b, err)
		n++
	}
}

func BenchmarkObservations(b *testing.B) {
	s := storetest.New(b)
	const n = 100_000
	for i := 0; i < n; i += 5000 {
		_, err := s.Insert(b.Context(), site, storetest.Rows(i, 5000))
		require.NoError(b, err)
	}
	for name, values := range map[string][]spc.Computed{"every-value": nil, "four-values": {spc.RadiusMM, spc.MaxDeviationUM, spc.TwofoldUM, spc.TwistUM}} {
		b.Run(name, func(b *testing.B) {
			read := 0
			for b.Loop() {
				err := s.Observations(b.Context(), site, store.ObservationQuery{Press: "A", Values: values}, func(*store.Obs) error { read++; return nil })
				require.NoError(b, err)
			}
			require.Zero(b, read%n)
			b.ReportMetric(float64(read)/b.Elapsed().Seconds(), "rows/s")
		})
	}
}
