package store_test

import (
	"context"
	"errors"
	"math"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/spc"
	"sagwatch/store"
	"sagwatch/store/storetest"
)

func TestValues(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	rows := storetest.Rows(0, 200)
	rows[7].Characteristics = map[string]float64{"width": 512.31, "with 'quotes'": math.Copysign(0, -1)}
	rows[8].Result.Values.Clear(spc.RadiusMM)
	rows[9].Purpose, rows[10].Press, rows[11].Cycle = spc.Recheck, "B", spc.NoCycle
	insert(t, s, rows...)
	require.NoError(t, s.AddExclusion(t.Context(), site, spc.Exclusion{Measurement: rows[3].ID, Reason: "hand-fed", By: "anna"}))
	q := store.ValueQuery{Press: "A", Computed: []spc.Computed{spc.TwistUM, spc.RadiusMM}, Named: []string{"width", "with 'quotes'"}, Panels: true}
	first, end := rows[0].LineAt, rows[199].LineAt.Add(time.Second)
	read := func(each func(r *store.ValueReader, take func(*store.Value) error) error) (out []store.Value) {
		require.NoError(t, s.Values(t.Context(), site, q, func(r *store.ValueReader) error {
			return each(r, func(v *store.Value) error {
				c := *v
				c.X = append([]float64(nil), v.X...)
				out = append(out, c)
				return nil
			})
		}))
		return out
	}
	got := read(func(r *store.ValueReader, take func(*store.Value) error) error {
		return r.Read(t.Context(), first, end, take)
	})
	require.Len(t, got, 198)
	i := 0
	for _, o := range observe(t, s, store.ObservationQuery{Press: "A"}) { // the same as the fold sees
		v := got[i]
		i++
		require.Equal(t, []any{o.Key.Gauge, o.Product, o.Mould, o.Key.Panel, o.Key.LineAt, o.Cycle, o.Excluded}, []any{v.Gauge, v.Product, v.Mould, v.Panel, v.LineAt, v.Cycle, v.Excluded})
		for k, c := range q.Computed {
			if x, ok := o.Values.Get(c); ok {
				require.Equal(t, x, v.X[k])
			} else {
				require.True(t, math.IsNaN(v.X[k]))
			}
		}
		for k, n := range q.Named {
			if x, ok := o.Characteristics[n]; ok {
				require.Equal(t, math.Float64bits(x), math.Float64bits(v.X[2+k]))
			} else {
				require.True(t, math.IsNaN(v.X[2+k]))
			}
		}
	}
	require.Equal(t, 198, i)
	require.Equal(t, "hand-fed", got[3].Excluded)

	// Side by side and without serials it is the same, cut at the spans; what is stored meanwhile is not seen.
	q.Panels = false
	cuts := []time.Time{first, rows[50].LineAt, rows[51].LineAt, rows[120].LineAt, rows[150].LineAt, rows[160].LineAt, rows[170].LineAt, end}
	var mu sync.Mutex
	parts := make([][]time.Time, len(cuts)-1)
	once := sync.OnceFunc(func() {
		insert(t, s, storetest.Row(500, func(r *store.Row) { r.LineAt = rows[165].LineAt.Add(time.Second) }))
	})
	require.NoError(t, s.Values(t.Context(), site, q, func(r *store.ValueReader) error {
		once()
		return r.ReadBeside(t.Context(), cuts, func(part int, v *store.Value) error {
			mu.Lock()
			defer mu.Unlock()
			require.Empty(t, v.Panel)
			parts[part] = append(parts[part], v.LineAt)
			return nil
		})
	}))
	var all []time.Time
	for i, p := range parts {
		for _, at := range p {
			require.True(t, !at.Before(cuts[i]) && at.Before(cuts[i+1]))
		}
		all = append(all, p...)
	}
	require.Len(t, all, 198)
	for i := range all {
		require.Equal(t, got[i].LineAt, all[i])
	}
	require.Len(t, read(func(r *store.ValueReader, take func(*store.Value) error) error {
		return r.Read(t.Context(), first, end, take)
	}), 199)

	// An error of the reader comes back as it is, from any span; so does the end of the asker's patience.
	stop := errors.New("enough")
	require.Equal(t, stop, s.Values(t.Context(), site, q, func(r *store.ValueReader) error {
		return r.ReadBeside(t.Context(), cuts, func(part int, _ *store.Value) error {
			if part == 2 {
				return stop
			}
			return nil
		})
	}))
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	require.ErrorIs(t, s.Values(ctx, site, q, func(r *store.ValueReader) error { return nil }), context.Canceled)
	q.Computed = []spc.Computed{spc.NumComputed}
	require.ErrorIs(t, s.Values(t.Context(), site, q, func(*store.ValueReader) error { return nil }), store.ErrInvalid)
}
