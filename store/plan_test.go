package store_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/spc"
	"sagwatch/store"
	"sagwatch/store/storetest"
)

// A plan is begun once, keeps its steps, and each acknowledgement and taking back is an entry of its own.
func TestPlanOnASignal(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	ctx := t.Context()
	require.NoError(t, s.SaveFold(ctx, site, store.Fold{Press: "A", Signals: []spc.Fault{signal("a", 0)}}))
	p := store.Plan{Signal: "a", Cause: "plunger", Revision: 3, Name: "Plunger worn", Steps: []string{"look", "change"}, By: "anna"}
	require.NoError(t, s.BeginPlan(ctx, site, p))
	require.ErrorIs(t, s.BeginPlan(ctx, site, p), store.ErrExists)
	p.Cause, p.Steps = "gob", nil
	require.ErrorIs(t, s.BeginPlan(ctx, site, p), store.ErrInvalid, "a plan has steps")
	p.Signal = "none"
	require.ErrorIs(t, s.BeginPlan(ctx, site, p), store.ErrNotFound)

	mark := func(step int, done bool, note string) error {
		return s.MarkStep(ctx, site, "a", "plunger", store.StepEntry{Step: step, Done: done, Note: note, By: "bo"})
	}
	require.NoError(t, mark(1, true, "seen"))
	require.ErrorIs(t, mark(1, true, ""), store.ErrConflict)
	require.ErrorIs(t, mark(2, false, ""), store.ErrConflict, "what was never done cannot be taken back")
	require.NoError(t, mark(1, false, "wrong mould"))
	require.NoError(t, mark(2, true, ""))
	require.ErrorIs(t, mark(0, true, ""), store.ErrInvalid)
	require.ErrorIs(t, mark(3, true, ""), store.ErrInvalid)
	require.ErrorIs(t, s.MarkStep(ctx, site, "a", "gob", store.StepEntry{Step: 1, Done: true}), store.ErrNotFound)

	plans, err := s.Plans(ctx, site, "a")
	require.NoError(t, err)
	require.Len(t, plans, 1)
	got := plans[0]
	require.Equal(t, []any{"plunger", 3, "Plunger worn", "anna", []string{"look", "change"}}, []any{got.Cause, got.Revision, got.Name, got.By, got.Steps})
	require.WithinDuration(t, time.Now(), got.At, time.Minute)
	require.Len(t, got.Log, 3)
	require.Equal(t, []string{"seen", "wrong mould", ""}, []string{got.Log[0].Note, got.Log[1].Note, got.Log[2].Note})
	e, ok := got.Standing(1)
	require.True(t, ok)
	require.False(t, e.Done)
	require.Equal(t, 1, got.Done())

	require.NoError(t, s.ChangeSignal(ctx, site, "a", store.SignalChange{State: store.SignalClosed, By: "bo", Cause: "Plunger worn", CauseID: "plunger", Action: "Plunger changed", ActionID: "plunger-changed"}))
	require.ErrorIs(t, mark(1, true, ""), store.ErrConflict, "a closed signal's plan stands still")
	log, err := s.SignalLog(ctx, site, "a")
	require.NoError(t, err)
	require.Equal(t, []string{"plunger", "plunger-changed"}, []string{log[1].CauseID, log[1].ActionID})
}

// Only signals that stand closed count, by their last closing.
func TestClosings(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	ctx := t.Context()
	list := []spc.Fault{signal("a", 0), signal("b", 60), signal("c", 120)}
	list[1].Stream, list[1].Product = "mould:8", "P30"
	require.NoError(t, s.SaveFold(ctx, site, store.Fold{Press: "A", Signals: list}))
	risk := int64(12)
	closed := func(id, cause string, risk *int64) {
		t.Helper()
		require.NoError(t, s.ChangeSignal(ctx, site, id, store.SignalChange{State: store.SignalClosed, By: "bo", Cause: cause, CauseID: cause, AtRisk: risk}))
	}
	closed("a", "gob", nil)
	require.NoError(t, s.ChangeSignal(ctx, site, "a", store.SignalChange{State: store.SignalOpen, By: "bo"}))
	closed("a", "plunger", &risk)
	closed("b", "gob", nil)
	got := func(f store.ParetoFilter) (out []string) {
		t.Helper()
		cs, err := s.Closings(ctx, site, f)
		require.NoError(t, err)
		for _, c := range cs {
			require.False(t, c.Closed.Before(c.Opened))
			out = append(out, c.Signal+" "+c.CauseID)
		}
		return out
	}
	require.Equal(t, []string{"a plunger", "b gob"}, got(store.ParetoFilter{}))
	require.Equal(t, []string{"b gob"}, got(store.ParetoFilter{Mould: "8"}))
	require.Equal(t, []string{"b gob"}, got(store.ParetoFilter{Product: "P30"}))
	require.Equal(t, []string{"a plunger"}, got(store.ParetoFilter{Press: "A", To: storetest.Start.Add(time.Hour)}))
	require.Empty(t, got(store.ParetoFilter{Press: "B"}))
	cs, err := s.Closings(ctx, site, store.ParetoFilter{})
	require.NoError(t, err)
	require.Equal(t, &risk, cs[0].AtRisk)
	require.Nil(t, cs[1].AtRisk, "not counted is not nought")
}

func TestDefectCounts(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	n := func(x int64) *int64 { return &x }
	rows := storetest.Rows(1, 3)
	for _, r := range rows {
		r.Counts = nil
	}
	rows[0].Counts = map[string]spc.Count{"blister": {Nonconforming: n(2), Inspected: n(50)}, "scratch": {Defects: n(7), Units: n(50)}}
	rows[2].Counts = map[string]spc.Count{"blister": {Nonconforming: n(3), Inspected: n(40)}}
	_, err := s.Insert(t.Context(), site, rows)
	require.NoError(t, err)
	got, err := s.DefectCounts(t.Context(), site, store.ParetoFilter{})
	require.NoError(t, err)
	require.Equal(t, []store.DefectCount{{Name: "blister", Nonconforming: 5, Inspected: 90, Measurements: 2}, {Name: "scratch", Defects: 7, Units: 50, Measurements: 1}}, got)
	got, err = s.DefectCounts(t.Context(), site, store.ParetoFilter{From: rows[1].LineAt})
	require.NoError(t, err)
	require.Equal(t, []store.DefectCount{{Name: "blister", Nonconforming: 3, Inspected: 40, Measurements: 1}}, got)
	got, err = s.DefectCounts(t.Context(), site, store.ParetoFilter{Press: "none"})
	require.NoError(t, err)
	require.Empty(t, got)
}
