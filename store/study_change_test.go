package store_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc"
	"sagwatch/store"
	"sagwatch/store/storetest"
)

// A reading whose measurement is corrected or voided afterwards is told of, with the last word on it; one that took the correction is not.
func TestStudyChanges(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	ctx := t.Context()
	v, err := s.AddStudy(ctx, site, invented(), nil)
	require.NoError(t, err)
	study := func(r *store.Row) { r.Purpose = spc.Study }
	rows := []*store.Row{storetest.Row(1, study), storetest.Row(2, study)}
	_, err = s.Insert(ctx, site, rows)
	require.NoError(t, err)
	var readings []store.StudyReading
	for i, row := range rows {
		r, err := s.TakeStudyReading(ctx, site, v.ID, store.StudyReading{Line: i + 1, Measurement: row.ID, MeasuredAt: row.MeasuredAt, Characteristics: map[string]float64{"radius_mm": 1107}, By: "line-a"})
		require.NoError(t, err)
		readings = append(readings, r)
	}
	changes, err := s.StudyChanges(ctx, site, v.ID)
	require.NoError(t, err)
	require.Empty(t, changes)

	corrected := func(n, times int) *store.Row {
		return storetest.Row(n, study, func(r *store.Row) { r.Readings[0] += 0.01 * float64(times) })
	}
	once := corrected(1, 1)
	_, err = s.Correct(ctx, site, rows[0].ID, once, "slip", "lind")
	require.NoError(t, err)
	twice := corrected(1, 2)
	_, err = s.Correct(ctx, site, once.ID, twice, "another slip", "tamm")
	require.NoError(t, err)
	require.NoError(t, s.Void(ctx, site, rows[1].ID, "wrong panel", "lind"))
	changes, err = s.StudyChanges(ctx, site, v.ID)
	require.NoError(t, err)
	require.Len(t, changes, 2)
	require.False(t, changes[0].At.IsZero())
	changes[0].At, changes[1].At = changes[0].At.Truncate(0), changes[0].At.Truncate(0)
	require.Equal(t, []store.StudyChange{
		{Seq: readings[0].Seq, Line: 1, Measurement: rows[0].ID, ReplacedBy: twice.ID, Reason: "another slip", By: "tamm", At: changes[0].At},
		{Seq: readings[1].Seq, Line: 2, Measurement: rows[1].ID, Reason: "wrong panel", By: "lind", At: changes[0].At}}, changes)
	offered, err := s.StudyMeasurements(ctx, site, &v, storetest.Start)
	require.NoError(t, err)
	require.Empty(t, offered, "a correction of what was taken is no new measurement")

	took, err := s.ReplaceStudyReading(ctx, site, v.ID, readings[0].Seq, store.StudyReading{Measurement: twice.ID, MeasuredAt: twice.MeasuredAt, Characteristics: map[string]float64{"radius_mm": 1107.5}, By: "line-a"}, store.StudyEntry{By: "sorby"})
	require.NoError(t, err)
	require.Equal(t, 1, took.Line)
	changes, err = s.StudyChanges(ctx, site, v.ID)
	require.NoError(t, err)
	require.Len(t, changes, 1)
	require.Equal(t, 2, changes[0].Line)
	_, err = s.ReplaceStudyReading(ctx, site, v.ID, readings[0].Seq, store.StudyReading{Measurement: twice.ID}, store.StudyEntry{By: "sorby"})
	require.ErrorIs(t, err, store.ErrNotFound, "it does not stand any more")
	require.NoError(t, s.Void(ctx, site, twice.ID, "after all", "lind"))
	changes, err = s.StudyChanges(ctx, site, v.ID)
	require.NoError(t, err)
	require.Zero(t, changes[0].ReplacedBy)
	require.Equal(t, "after all", changes[0].Reason)
	back, err := s.Study(ctx, site, v.ID)
	require.NoError(t, err)
	require.Equal(t, store.StudyCollected, back.State, "the study stays what it is")
	require.Equal(t, 2, back.Taken)
}
