package store_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/store"
	"sagwatch/store/storetest"
)

func get(t testing.TB, s *store.Store, id int64) store.Row {
	t.Helper()
	r, err := s.Measurement(t.Context(), site, id)
	require.NoError(t, err)
	return r
}

func reading(x float64) func(*store.Row) { return func(r *store.Row) { r.Readings[0] = x } }

func TestCorrect(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	rows := storetest.Rows(0, 5)
	insert(t, s, rows...)
	old := rows[2].ID
	fixed := storetest.Row(2, reading(1107), func(r *store.Row) { r.LineAt = rows[4].LineAt.Add(time.Second) })
	out, err := s.Correct(t.Context(), site, old, fixed, "wrong press time", "anna")
	require.NoError(t, err)
	require.Equal(t, store.Stored, out.Status)

	got := get(t, s, out.ID)
	requireSameRow(t, fixed, &got)
	require.Equal(t, store.Current, got.State)
	require.Equal(t, 2, got.Revision)
	require.Equal(t, old, got.CorrectionOf)
	require.True(t, got.Counted)
	was := get(t, s, old)
	require.Equal(t, store.Superseded, was.State)
	require.False(t, was.Counted)
	require.Equal(t, 1107.5+0.001*float64((2*31)%200-100), was.Readings[0], "the original stays")
	var panels []string
	for _, o := range observe(t, s, store.ObservationQuery{Press: "A"}) {
		panels = append(panels, o.Key.Panel)
	}
	require.Equal(t, []string{rows[0].Panel, rows[1].Panel, rows[3].Panel, rows[4].Panel, rows[2].Panel}, panels, "it takes its place in the order")
	all, err := s.Panel(t.Context(), site, "A", rows[2].Panel)
	require.NoError(t, err)
	require.Len(t, all, 2)
	changes, err := s.Changes(t.Context(), site, "A", rows[2].Panel)
	require.NoError(t, err)
	require.Len(t, changes, 1)
	require.WithinDuration(t, time.Now(), changes[0].At, time.Minute)
	changes[0].At = time.Time{}
	require.Equal(t, store.Change{Measurement: old, Kind: "correction", ReplacedBy: out.ID, Reason: "wrong press time", By: "anna"}, changes[0])

	// Sent again, the original and the correction are known.
	again := insert(t, s, storetest.Row(2), storetest.Row(2, reading(1107), func(r *store.Row) { r.LineAt = fixed.LineAt }), storetest.Row(2, reading(99)))
	require.Equal(t, "duplicate duplicate conflict", statuses(again))
	require.Equal(t, []int64{old, out.ID, old}, []int64{again[0].ID, again[1].ID, again[2].ID})

	_, err = s.Correct(t.Context(), site, old, storetest.Row(2, reading(5)), "again", "anna")
	require.ErrorIs(t, err, store.ErrConflict, "only what stands may be corrected")
	same, err := s.Correct(t.Context(), site, out.ID, storetest.Row(2, reading(1107)), "no change", "anna")
	require.NoError(t, err)
	require.Equal(t, store.Duplicate, same.Status)
	_, err = s.Correct(t.Context(), site, out.ID, storetest.Row(3, reading(7)), "wrong identity", "anna")
	require.ErrorIs(t, err, store.ErrExists)
	require.Equal(t, store.Current, get(t, s, out.ID).State, "a refused correction changes nothing")
	_, err = s.Correct(t.Context(), site, 1<<40, storetest.Row(2), "", "anna")
	require.ErrorIs(t, err, store.ErrNotFound)

	// Corrected once more, to another month, panel and identity, and back.
	moved := storetest.Row(77, func(r *store.Row) { r.MeasuredAt = r.MeasuredAt.AddDate(-1, 0, 0) })
	out2, err := s.Correct(t.Context(), site, out.ID, moved, "another panel", "anna")
	require.NoError(t, err)
	require.Equal(t, "duplicate", statuses(insert(t, s, storetest.Row(77, func(r *store.Row) { r.MeasuredAt = moved.MeasuredAt }))), "the new identity is taken too")
	back := storetest.Row(2, reading(3))
	out3, err := s.Correct(t.Context(), site, out2.ID, back, "it was right", "anna")
	require.NoError(t, err)
	require.Equal(t, 4, get(t, s, out3.ID).Revision)
	require.Len(t, observe(t, s, store.ObservationQuery{Press: "A"}), 5)
}

// When the one that feeds charts goes, the next takes its place.
func TestVoid(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	later := func(n int) *store.Row {
		return storetest.Row(1, func(r *store.Row) { r.Sequence, r.LineAt = int64(100+n), r.LineAt.Add(time.Duration(n)*time.Second) })
	}
	rows := []*store.Row{later(2), storetest.Row(1), later(1)}
	insert(t, s, rows...)
	require.True(t, get(t, s, rows[1].ID).Counted)
	require.NoError(t, s.Void(t.Context(), site, rows[1].ID, "dropped on the gauge", "anna"))
	require.Equal(t, store.Voided, get(t, s, rows[1].ID).State)
	require.True(t, get(t, s, rows[2].ID).Counted)
	require.False(t, get(t, s, rows[0].ID).Counted)
	require.ErrorIs(t, s.Void(t.Context(), site, rows[1].ID, "", "anna"), store.ErrConflict)
	require.ErrorIs(t, s.Void(t.Context(), site, 1<<40, "", "anna"), store.ErrNotFound)
	require.Equal(t, "duplicate", statuses(insert(t, s, storetest.Row(1))), "sent again, it stays void")
	// The next one corrected to be the last: the third takes over, and a late first takes over from it.
	_, err := s.Correct(t.Context(), site, rows[2].ID, storetest.Row(1, func(r *store.Row) {
		r.Sequence, r.LineAt = 101, r.LineAt.Add(time.Hour)
		r.PressedAt = r.LineAt
	}), "late", "anna")
	require.NoError(t, err)
	require.True(t, get(t, s, rows[0].ID).Counted)
	first := storetest.Row(1, func(r *store.Row) { r.Sequence, r.LineAt = 99, r.LineAt.Add(-time.Hour) })
	insert(t, s, first)
	require.True(t, get(t, s, first.ID).Counted)
	require.False(t, get(t, s, rows[0].ID).Counted)
	changes, err := s.Changes(t.Context(), site, "A", rows[0].Panel)
	require.NoError(t, err)
	require.Equal(t, []string{"void", "correction"}, []string{changes[0].Kind, changes[1].Kind})
}

func TestConflicts(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	insert(t, s, storetest.Rows(0, 4)...)
	rivals := []*store.Row{storetest.Row(0, reading(1)), storetest.Row(1, reading(2), func(r *store.Row) {
		r.Characteristics = map[string]float64{"width": -0.1}
		r.Readings[5] = math.NaN()
	}), storetest.Row(2, reading(3))}
	out := insert(t, s, rivals...)
	require.Equal(t, "conflict conflict conflict", statuses(out))
	again := insert(t, s, rivals...)
	require.Equal(t, out[1].Conflict, again[1].Conflict)
	cs, err := s.Conflicts(t.Context(), site, true)
	require.NoError(t, err)
	require.Len(t, cs, 3)
	for i, c := range cs {
		require.Equal(t, out[i].ID, c.Existing)
		require.Equal(t, "line-a", c.Source)
		kept, sent := *c.Row, *rivals[i]
		require.Equal(t, sent.ContentHash, kept.ContentHash)
		requireSameRow(t, &sent, &kept)
	}

	// Dropped: stays dropped when it comes again.
	_, err = s.ResolveConflict(t.Context(), site, out[0].Conflict, store.Resolution{Action: store.Drop, Reason: "test shot", By: "anna"})
	require.NoError(t, err)
	require.Equal(t, "conflict", statuses(insert(t, s, rivals[0])))
	_, err = s.ResolveConflict(t.Context(), site, out[0].Conflict, store.Resolution{Action: store.AcceptAsCorrection, By: "anna"})
	require.ErrorIs(t, err, store.ErrConflict)

	// Accepted as a correction.
	got, err := s.ResolveConflict(t.Context(), site, out[1].Conflict, store.Resolution{Action: store.AcceptAsCorrection, Reason: "sent twice", By: "anna"})
	require.NoError(t, err)
	require.Equal(t, store.Superseded, get(t, s, out[1].ID).State)
	require.Equal(t, 2.0, get(t, s, got.ID).Readings[0])
	dup := insert(t, s, storetest.Row(1, reading(2), func(r *store.Row) { r.ContentHash = rivals[1].ContentHash; *r = *rivals[1] }))
	require.Equal(t, "duplicate", statuses(dup))

	// Accepted as a new series.
	_, err = s.ResolveConflict(t.Context(), site, out[2].Conflict, store.Resolution{Action: store.AcceptAsNewSeries, Series: "", By: "anna"})
	require.ErrorIs(t, err, store.ErrExists, "the old series is taken")
	got, err = s.ResolveConflict(t.Context(), site, out[2].Conflict, store.Resolution{Action: store.AcceptAsNewSeries, Series: "restarted", Reason: "counter restarted", By: "anna"})
	require.NoError(t, err)
	require.Equal(t, "restarted", get(t, s, got.ID).Series)
	require.Equal(t, store.Current, get(t, s, out[2].ID).State)
	dup = insert(t, s, storetest.Row(2, reading(3)))
	require.Equal(t, "duplicate", statuses(dup))
	require.Equal(t, got.ID, dup[0].ID)

	cs, err = s.Conflicts(t.Context(), site, true)
	require.NoError(t, err)
	require.Empty(t, cs)
	c, err := s.ConflictByID(t.Context(), site, out[2].Conflict)
	require.NoError(t, err)
	require.Equal(t, store.AcceptAsNewSeries, c.Resolution)
	require.Equal(t, "counter restarted", c.Reason)
	require.Equal(t, got.ID, c.Measurement)
	_, err = s.ConflictByID(t.Context(), site, 1<<40)
	require.ErrorIs(t, err, store.ErrNotFound)
}
