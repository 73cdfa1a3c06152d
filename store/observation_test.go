package store_test

import (
	"errors"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/spc"
	"sagwatch/store"
	"sagwatch/store/storetest"
)

func observe(t testing.TB, s *store.Store, q store.ObservationQuery) (out []store.Obs) {
	t.Helper()
	require.NoError(t, s.Observations(t.Context(), site, q, func(o *store.Obs) error {
		out = append(out, *o)
		return nil
	}))
	return out
}

func TestObservations(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	rows := []*store.Row{
		storetest.Row(3), storetest.Row(1, func(r *store.Row) { r.Characteristics = map[string]float64{"width": 512.31} }), storetest.Row(2),
		storetest.Row(4, func(r *store.Row) { r.Purpose = spc.Recheck }), storetest.Row(5, func(r *store.Row) { r.Purpose = spc.Study }),
		storetest.Row(6, func(r *store.Row) { r.Press = "B" }),
		storetest.Row(7, func(r *store.Row) { r.Mould, r.Lane, r.Casting, r.Cycle = "", "", "", spc.NoCycle }),
	}
	insert(t, s, rows...)
	require.NoError(t, s.AddExclusion(t.Context(), site, spc.Exclusion{Measurement: rows[2].ID, Reason: "hand-fed", By: "anna"}))
	got := observe(t, s, store.ObservationQuery{Press: "A"})
	require.Len(t, got, 4)
	for i, r := range []*store.Row{rows[1], rows[2], rows[0], rows[6]} {
		want := store.Obs{Key: r.Key(), Measurement: r.ID, Press: "A", Product: "P25", Mould: r.Mould, Casting: r.Casting, Lane: r.Lane,
			Cycle: r.Cycle, Verdict: spc.Conforms, Values: r.Result.Values, Characteristics: r.Characteristics}
		if i == 1 {
			want.Excluded = "hand-fed"
		}
		require.Equal(t, want, got[i])
	}
	at := func(n int) time.Time { return storetest.Row(n).LineAt }
	require.Len(t, observe(t, s, store.ObservationQuery{Press: "A", From: at(2), To: at(3)}), 1, "from inclusive, to exclusive")
	require.Empty(t, observe(t, s, store.ObservationQuery{Press: "C"}))

	few := observe(t, s, store.ObservationQuery{Press: "A", Values: []spc.Computed{spc.TwistUM, spc.RadiusMM}})
	for i := range few {
		for c := range spc.NumComputed {
			x, ok := few[i].Values.Get(c)
			require.Equal(t, c == spc.TwistUM || c == spc.RadiusMM, ok)
			if ok {
				require.Equal(t, *got[i].Values.Ptr(c), x)
			}
		}
	}
	stop := errors.New("enough")
	n := 0
	err := s.Observations(t.Context(), site, store.ObservationQuery{Press: "A"}, func(*store.Obs) error { n++; return stop })
	require.Equal(t, stop, err)
	require.Equal(t, 1, n)
}

func TestMasterChecks(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	master := func(n int, gauge string) *store.Row {
		return storetest.Row(n, func(r *store.Row) {
			r.Gauge, r.Panel, r.Purpose, r.Press, r.PressedAt = gauge, "M-2", spc.MasterCheck, "", time.Time{}
			r.LineAt = r.MeasuredAt
			r.Result.Values.Set(spc.MasterRadiusErrorMM, float64(n))
		})
	}
	rows := []*store.Row{master(5, "CG-1"), master(1, "CG-1"), master(2, "CG-2"), storetest.Row(3), master(9, "CG-1")}
	insert(t, s, rows...)
	require.NoError(t, s.Void(t.Context(), site, rows[4].ID, "wrong master", "anna"))
	var got []float64
	read := func(q store.MasterQuery) {
		got = nil
		q.Gauge = "CG-1"
		require.NoError(t, s.MasterChecks(t.Context(), site, q, func(o *store.Obs) error {
			require.Equal(t, "M-2", o.Key.Panel)
			got = append(got, *o.Values.Ptr(spc.MasterRadiusErrorMM))
			return nil
		}))
	}
	read(store.MasterQuery{})
	require.Equal(t, []float64{1, 5}, got)
	read(store.MasterQuery{Panels: []string{"M-1", "M-2"}})
	require.Equal(t, []float64{1, 5}, got)
	read(store.MasterQuery{Panels: []string{"M-1"}})
	require.Empty(t, got)
	read(store.MasterQuery{Panels: []string{}})
	require.Empty(t, got, "a gauge without masters")
	key := rows[1].Key()
	read(store.MasterQuery{After: &key})
	require.Equal(t, []float64{5}, got)
	require.False(t, rows[0].Counted)
}

func TestCountsAndBuckets(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	var rows []*store.Row
	for i, v := range []spc.Verdict{spc.Conforms, spc.Conforms, spc.DoesNotConform, spc.Undecided, spc.NotJudged, spc.Conforms} {
		rows = append(rows, storetest.Row(i, func(r *store.Row) {
			r.Result.Verdict = v
			r.Result.Values = spc.Values{}
			if i != 4 {
				r.Result.Values.Set(spc.RadiusMM, float64(i*i))
			}
			r.Characteristics = map[string]float64{"width": 100 + float64(i)}
		}))
	}
	// Measured again: changes no count.
	rows = append(rows, storetest.Row(2, func(r *store.Row) { r.Sequence, r.LineAt = 100, r.LineAt.Add(time.Second) }))
	insert(t, s, rows...)
	n, err := s.VerdictCounts(t.Context(), site, store.CountQuery{Press: "A"})
	require.NoError(t, err)
	require.Equal(t, store.Counts{Conforms: 3, DoesNotConform: 1, Undecided: 1, NotJudged: 1}, n)
	require.Equal(t, 6, n.Total())
	n, err = s.VerdictCounts(t.Context(), site, store.CountQuery{Press: "A", From: rows[1].LineAt, To: rows[3].LineAt})
	require.NoError(t, err)
	require.Equal(t, store.Counts{Conforms: 1, DoesNotConform: 1}, n)
	n, err = s.VerdictCounts(t.Context(), site, store.CountQuery{Mould: rows[3].Mould, Gauge: "CG-1", Product: "P25"})
	require.NoError(t, err)
	require.Equal(t, store.Counts{Undecided: 1}, n)

	q := store.BucketQuery{Press: "A", Characteristic: "radius_mm", From: storetest.Start, To: storetest.Start.Add(time.Minute), N: 3}
	at := func(i int) time.Time { return storetest.Start.Add(time.Duration(i) * 20 * time.Second) }
	bs, err := s.Buckets(t.Context(), site, q)
	require.NoError(t, err)
	require.Equal(t, []store.Bucket{{at(0), 0, 1, 0.5, 2}, {at(1), 4, 9, 6.5, 2}, {at(2), 25, 25, 25, 1}}, bs)
	q.Characteristic = "width"
	bs, err = s.Buckets(t.Context(), site, q)
	require.NoError(t, err)
	require.Equal(t, []store.Bucket{{at(0), 100, 101, 100.5, 2}, {at(1), 102, 103, 102.5, 2}, {at(2), 104, 105, 104.5, 2}}, bs)
	q.N = 7 // does not divide: still at most 7, all rows in one
	bs, err = s.Buckets(t.Context(), site, q)
	require.NoError(t, err)
	total := 0
	for _, b := range bs {
		total += b.Count
	}
	require.Equal(t, 6, total)
	require.LessOrEqual(t, len(bs), 7)
	q.N = 0
	_, err = s.Buckets(t.Context(), site, q)
	require.ErrorIs(t, err, store.ErrInvalid)
}

func TestMeasurementFilter(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	rows := storetest.Rows(0, 30)
	rows[4].Result.Verdict = spc.Undecided
	rows[5].Result.Verdict = spc.DoesNotConform
	insert(t, s, rows...)
	again := storetest.Row(7, func(r *store.Row) { r.Sequence, r.LineAt = 500, r.LineAt.Add(time.Millisecond) })
	insert(t, s, again, storetest.Row(100, func(r *store.Row) { r.Press, r.Gauge, r.Panel, r.Purpose = "B", "CG-2", "B%_1", spc.Study }))
	require.NoError(t, s.Void(t.Context(), site, rows[0].ID, "dropped", "anna"))
	count := func(f store.MeasurementFilter) int {
		f.Limit = 1000
		got, next, err := s.Measurements(t.Context(), site, f)
		require.NoError(t, err)
		require.Nil(t, next)
		return len(got)
	}
	require.Equal(t, 31, count(store.MeasurementFilter{}))
	require.Equal(t, 32, count(store.MeasurementFilter{EveryState: true}))
	require.Equal(t, 29, count(store.MeasurementFilter{CountedOnly: true}))
	require.Equal(t, 1, count(store.MeasurementFilter{Press: "B"}))
	require.Equal(t, 1, count(store.MeasurementFilter{Gauge: "CG-2"}))
	require.Equal(t, 1, count(store.MeasurementFilter{Purpose: spc.Study}))
	require.Equal(t, 2, count(store.MeasurementFilter{Panel: "A-0000007"}))
	require.Equal(t, 10, count(store.MeasurementFilter{PanelPrefix: "A-000001"}))
	require.Equal(t, 1, count(store.MeasurementFilter{PanelPrefix: "B%"}))
	require.Equal(t, 2, count(store.MeasurementFilter{Verdicts: []spc.Verdict{spc.Undecided, spc.DoesNotConform}}))
	require.Equal(t, 3, count(store.MeasurementFilter{Mould: "3"}))
	require.Equal(t, 5, count(store.MeasurementFilter{From: rows[10].LineAt, To: rows[15].LineAt}))
	_, _, err := s.Measurements(t.Context(), site, store.MeasurementFilter{Limit: 10_001})
	require.ErrorIs(t, err, store.ErrInvalid)

	latest, err := s.LatestPanels(t.Context(), site, "A", "", 2)
	require.NoError(t, err)
	require.Equal(t, []string{rows[29].Panel, rows[28].Panel}, []string{latest[0].Panel, latest[1].Panel})
	latest, err = s.LatestPanels(t.Context(), site, "", "CG-2", 5)
	require.NoError(t, err)
	require.Len(t, latest, 1)
	require.Equal(t, "B%_1", latest[0].Panel)
}
