package store_test

import (
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/spc"
	"sagwatch/store"
	"sagwatch/store/storetest"
)

// SQL's order of rows, every page cut and every "after" are those of spc.OrderKey.Compare, for keys full of ties and
// of text whose order depends on the language.
func TestOrderIsThatOfTheOrderKey(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	rng := rand.New(rand.NewPCG(11, 12))
	pick := func(from ...string) string { return from[rng.IntN(len(from))] }
	seen := map[[32]byte]bool{}
	var rows []*store.Row
	for len(rows) < 400 {
		r := storetest.Row(0, func(r *store.Row) {
			r.LineAt = storetest.Start.Add(time.Duration(rng.IntN(6)) * time.Microsecond)
			r.Gauge = pick("a", "B", "b", "ä", "aa", "a-b", "a b", "Z", "🏭")
			r.Series = pick("", "a", "A", "_")
			r.Sequence = []int64{spc.NoSequence, 0, 1, 1<<53 - 1, rng.Int64N(1 << 53)}[rng.IntN(5)]
			r.Panel = pick("1", "10", "2", "é", "z", "Ω")
			r.MeasuredAt = storetest.Start.Add(time.Duration(rng.IntN(3)) * time.Microsecond)
			r.Readings[0] = rng.Float64() // another hash
		})
		if !seen[r.ContentHash] {
			seen[r.ContentHash] = true
			rows = append(rows, r)
		}
	}
	out := insert(t, s, rows...)
	var want []*store.Row
	for i, o := range out {
		if o.Status == store.Stored {
			want = append(want, rows[i])
		}
	}
	require.Greater(t, len(want), 150)
	slices.SortFunc(want, func(a, b *store.Row) int { return a.Key().Compare(b.Key()) })

	page := func(f store.MeasurementFilter) (keys []spc.OrderKey) {
		for {
			got, next, err := s.Measurements(t.Context(), site, f)
			require.NoError(t, err)
			for i := range got {
				keys = append(keys, got[i].Key())
			}
			if next == nil {
				return keys
			}
			require.Len(t, got, f.Limit)
			f.After = next
		}
	}
	var keys, counted []spc.OrderKey
	for _, r := range want {
		keys = append(keys, r.Key())
		if r.Counted {
			counted = append(counted, r.Key())
		}
	}
	require.Equal(t, keys, page(store.MeasurementFilter{Press: "A", Limit: 1000}))
	require.Equal(t, keys, page(store.MeasurementFilter{Press: "A", Limit: 7}))
	require.Equal(t, keys, page(store.MeasurementFilter{Limit: 13}))
	slices.Reverse(keys)
	require.Equal(t, keys, page(store.MeasurementFilter{Press: "A", Limit: 7, Descending: true}))

	require.Greater(t, len(counted), 20)
	observe := func(q store.ObservationQuery) (keys []spc.OrderKey) {
		q.Press = "A"
		require.NoError(t, s.Observations(t.Context(), site, q, func(o *store.Obs) error {
			keys = append(keys, o.Key)
			return nil
		}))
		return keys
	}
	require.Equal(t, counted, observe(store.ObservationQuery{}))
	for i := range counted {
		require.Equal(t, counted[i+1:], append([]spc.OrderKey{}, observe(store.ObservationQuery{After: &counted[i]})...))
	}
	// A key that no row has cuts as well.
	k := spc.OrderKey{LineAt: storetest.Start.Add(2 * time.Microsecond), Gauge: "b", Sequence: spc.NoSequence, MeasuredAt: storetest.Start}
	i := slices.IndexFunc(counted, func(c spc.OrderKey) bool { return c.Compare(k) > 0 })
	require.Equal(t, counted[i:], observe(store.ObservationQuery{After: &k}))

	// Checkpoints are found by the same order.
	var cps []store.Checkpoint
	for i, k := range counted {
		cps = append(cps, store.Checkpoint{Key: k, Digest: []byte("d"), Body: []byte{byte(i)}})
	}
	rng.Shuffle(len(cps), func(i, j int) { cps[i], cps[j] = cps[j], cps[i] })
	require.NoError(t, s.SaveFold(t.Context(), site, store.Fold{Press: "A", Fold: "press:A", Checkpoints: cps}))
	for i := range counted {
		got, err := s.Checkpoint(t.Context(), site, "press:A", []byte("d"), &counted[i])
		if i == 0 {
			require.ErrorIs(t, err, store.ErrNotFound)
			continue
		}
		require.NoError(t, err)
		require.Equal(t, store.Checkpoint{Key: counted[i-1], Digest: []byte("d"), Body: []byte{byte(i - 1)}}, got)
	}
}
