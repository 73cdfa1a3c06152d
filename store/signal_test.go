package store_test

import (
	"math"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/spc"
	"sagwatch/store"
	"sagwatch/store/storetest"
)

func signal(id string, n int) spc.Fault {
	at := storetest.Start.Add(time.Duration(n) * time.Minute)
	return spc.Fault{Signal: spc.Signal{ID: id, Press: "A", Product: "P25", Chart: "A.P25.radius_mm.individuals", Stream: "mould:7", Phase: 1,
		Rule: "beyond-limits", Words: "beyond lower limit", Panel: "A-1", Measurement: 12, At: at, LastPanel: "A-1", LastAt: at,
		Value: 1107.1, Limits: spc.Limits{Lower: 1107.2, Centre: 1107.5, HasLower: true, HasCentre: true, Sigma: 0.1},
		Evidence: []spc.Evidence{{Rule: "beyond-limits", Words: "beyond lower limit", At: at, Panels: []string{"A-1"}, Value: 1107.1}}}}
}

func states(t *testing.T, s *store.Store, id string) (out []string) {
	t.Helper()
	log, err := s.SignalLog(t.Context(), site, id)
	require.NoError(t, err)
	for _, e := range log {
		require.WithinDuration(t, time.Now(), e.Known, time.Minute)
		require.Equal(t, id, e.Signal.ID)
		out = append(out, e.State)
	}
	return out
}

func TestSignalLife(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	save := func(f store.Fold) {
		t.Helper()
		f.Press = "A"
		require.NoError(t, s.SaveFold(t.Context(), site, f))
	}
	state := func(id string) store.Signal {
		t.Helper()
		g, err := s.Signal(t.Context(), site, id)
		require.NoError(t, err)
		return g
	}
	a, b := signal("a", 0), signal("b", 1)
	save(store.Fold{Signals: []spc.Fault{a, b}})
	require.Equal(t, a, state("a").Fault)
	require.Equal(t, store.SignalOpen, state("a").State)
	changed := state("a").Changed
	save(store.Fold{Signals: []spc.Fault{a, b}})
	require.Equal(t, []string{"open"}, states(t, s, "a"), "saving again logs nothing")
	require.Equal(t, changed, state("a").Changed)

	// It goes on: the body changes, the state does not.
	a.LastPanel, a.Ended = "A-9", true
	save(store.Fold{Signals: []spc.Fault{a}})
	require.Equal(t, a, state("a").Fault)
	require.Equal(t, []string{"open"}, states(t, s, "a"))

	// Late panels make both vanish; what a person has dealt with stays, noted.
	require.NoError(t, s.ChangeSignal(t.Context(), site, "a", store.SignalChange{State: store.SignalAcknowledged, By: "anna", Note: "looking"}))
	save(store.Fold{Withdrawn: []string{"a", "b"}, LatePanels: []string{"A-5", "A-6"}})
	save(store.Fold{Withdrawn: []string{"a", "b"}, LatePanels: []string{"A-5", "A-6"}})
	require.Equal(t, []string{"open", "withdrawn"}, states(t, s, "b"))
	require.Equal(t, []string{"open", "acknowledged", "acknowledged"}, states(t, s, "a"))
	require.True(t, state("a").Lost)
	require.False(t, state("b").Lost)
	log, err := s.SignalLog(t.Context(), site, "b")
	require.NoError(t, err)
	require.Equal(t, []string{"A-5", "A-6"}, log[1].Panels)
	require.ErrorIs(t, s.ChangeSignal(t.Context(), site, "b", store.SignalChange{State: store.SignalClosed}), store.ErrConflict)

	// And come back.
	save(store.Fold{Signals: []spc.Fault{a, b}})
	require.Equal(t, []string{"open", "withdrawn", "open"}, states(t, s, "b"))
	require.True(t, state("b").Reopened)
	require.False(t, state("a").Lost)
	require.Equal(t, store.SignalAcknowledged, state("a").State)

	fixed := storetest.Start.Add(time.Hour)
	require.NoError(t, s.ChangeSignal(t.Context(), site, "a", store.SignalChange{State: store.SignalClosed, By: "anna", Cause: "worn plunger", Action: "changed", Note: "done", FixedFrom: fixed}))
	log, err = s.SignalLog(t.Context(), site, "a")
	require.NoError(t, err)
	last := log[len(log)-1]
	require.Equal(t, []any{"closed", "anna", "worn plunger", "changed", "done", fixed}, []any{last.State, last.By, last.Cause, last.Action, last.Note, last.FixedFrom})
	require.ErrorIs(t, s.ChangeSignal(t.Context(), site, "a", store.SignalChange{State: store.SignalAcknowledged}), store.ErrConflict)
	require.ErrorIs(t, s.ChangeSignal(t.Context(), site, "a", store.SignalChange{State: "gone"}), store.ErrInvalid)
	require.NoError(t, s.ChangeSignal(t.Context(), site, "a", store.SignalChange{State: store.SignalOpen, By: "anna"}))
	require.True(t, state("a").Reopened)
	require.ErrorIs(t, s.ChangeSignal(t.Context(), site, "none", store.SignalChange{State: store.SignalClosed}), store.ErrNotFound)
	require.ErrorIs(t, s.SaveFold(t.Context(), site, store.Fold{Press: "A", Signals: []spc.Fault{signal("c", 2)}, Withdrawn: []string{"none"}}), store.ErrNotFound)
	_, err = s.Signal(t.Context(), site, "c")
	require.ErrorIs(t, err, store.ErrNotFound, "a fold that fails leaves nothing")
}

func TestFixesAreThoseOfClosedSignals(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	a, b := signal("a", 0), signal("b", 1)
	require.NoError(t, s.SaveFold(t.Context(), site, store.Fold{Press: "A", Signals: []spc.Fault{a, b}}))
	from := a.At.Add(time.Hour)
	shut := func(id string, from time.Time) {
		t.Helper()
		require.NoError(t, s.ChangeSignal(t.Context(), site, id, store.SignalChange{State: store.SignalClosed, By: "anna", Cause: "wear", FixedFrom: from}))
	}
	fixes := func() []store.Fix {
		t.Helper()
		list, err := s.Fixes(t.Context(), site, "A", "")
		require.NoError(t, err)
		return list
	}
	require.Empty(t, fixes())
	shut("a", from)
	shut("b", time.Time{})
	require.Equal(t, []store.Fix{{Press: "A", Stream: "mould:7", From: from, By: "anna"}}, fixes())
	require.NoError(t, s.ChangeSignal(t.Context(), site, "a", store.SignalChange{State: store.SignalOpen, By: "anna"}))
	require.Empty(t, fixes(), "opened again: not fixed after all")
	shut("a", a.At)
	require.Empty(t, fixes(), "a fix before the signal fixed something else")
}

func TestSignalList(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	var all []spc.Fault
	for i, id := range []string{"e", "d", "c", "b", "a"} {
		all = append(all, signal(id, i/2)) // pairs at one time
	}
	all[0].Press, all[0].Gauge, all[0].Chart = "", "CG-1", "CG-1.master"
	require.NoError(t, s.SaveFold(t.Context(), site, store.Fold{Press: "A", Signals: all}))
	require.NoError(t, s.ChangeSignal(t.Context(), site, "a", store.SignalChange{State: store.SignalClosed}))
	list := func(f store.SignalFilter) (ids string) {
		gs, err := s.Signals(t.Context(), site, f)
		require.NoError(t, err)
		for _, g := range gs {
			ids += g.ID
		}
		return ids
	}
	require.Equal(t, "acbed", list(store.SignalFilter{}))
	require.Equal(t, "cbed", list(store.SignalFilter{States: []string{store.SignalOpen, store.SignalAcknowledged}}))
	require.Equal(t, "acbd", list(store.SignalFilter{Press: "A"}))
	require.Equal(t, "e", list(store.SignalFilter{Gauge: "CG-1"}))
	require.Equal(t, "e", list(store.SignalFilter{Chart: "CG-1.master"}))
	require.Equal(t, "cb", list(store.SignalFilter{From: all[2].At, To: all[4].At}))
	require.Equal(t, "ac", list(store.SignalFilter{Limit: 2}))
	require.Equal(t, "be", list(store.SignalFilter{Limit: 2, Before: &store.SignalCursor{At: all[2].At, ID: "c"}}))
}

func TestLimitsAsKnown(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	l := store.LimitsInForce{Chart: "c", Stream: "mould:7", Phase: 1, From: storetest.Start, Source: spc.Provisional,
		Limits: spc.Limits{Lower: math.Copysign(0, -1), Upper: 1.1, HasLower: true, HasUpper: true, Sigma: 0.3}, Body: []byte(`{"points": 200.0}`)}
	save := func(ls ...store.LimitsInForce) {
		t.Helper()
		require.NoError(t, s.SaveFold(t.Context(), site, store.Fold{Press: "A", Limits: ls}))
	}
	other := l
	other.Stream = "mould:8"
	save(l, other)
	save(l, other) // known already
	log, err := s.LimitsLog(t.Context(), site, "c", time.Time{})
	require.NoError(t, err)
	require.Len(t, log, 2)
	between := log[1].Known
	moved := l
	moved.Limits.Upper = 1.2
	save(moved)
	save(l) // and back again is news
	log, err = s.LimitsLog(t.Context(), site, "c", time.Time{})
	require.NoError(t, err)
	require.Len(t, log, 4)
	for i, want := range []store.LimitsInForce{l, other, moved, l} {
		log[i].Known = time.Time{}
		require.Equal(t, want, log[i])
	}
	log, err = s.LimitsLog(t.Context(), site, "c", between)
	require.NoError(t, err)
	require.Len(t, log, 2)
}

func TestCheckpoints(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	key := func(n int) spc.OrderKey { r := storetest.Row(n); return r.Key() }
	cp := func(n int, digest string) store.Checkpoint {
		return store.Checkpoint{Key: key(n), Digest: []byte(digest), Body: []byte{byte(n)}}
	}
	save := func(f store.Fold) {
		t.Helper()
		f.Press, f.Fold = "A", "press:A"
		require.NoError(t, s.SaveFold(t.Context(), site, f))
	}
	last := func(digest string) byte {
		t.Helper()
		c, err := s.Checkpoint(t.Context(), site, "press:A", []byte(digest), nil)
		if err != nil {
			require.ErrorIs(t, err, store.ErrNotFound)
			return 0
		}
		return c.Body[0]
	}
	save(store.Fold{Checkpoints: []store.Checkpoint{cp(10, "x"), cp(20, "x"), cp(30, "x")}})
	require.Equal(t, byte(30), last("x"))
	require.Zero(t, last("y"))
	k := key(20)
	save(store.Fold{DropAfter: &k, Checkpoints: []store.Checkpoint{cp(15, "x")}})
	require.Equal(t, byte(15), last("x"))
	require.NoError(t, s.DeleteCheckpoints(t.Context(), site, "press:A", key(11)))
	require.Equal(t, byte(10), last("x"))
	save(store.Fold{Checkpoints: []store.Checkpoint{cp(12, "y")}})
	require.Zero(t, last("x"), "another configuration replaces all")
	require.Equal(t, byte(12), last("y"))
}

// Two servers that save the same at once leave one signal with one log entry.
func TestSaveFoldRaced(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	var wg sync.WaitGroup
	for range 6 {
		wg.Go(func() {
			l := store.LimitsInForce{Chart: "c", Phase: 1, From: storetest.Start, Source: spc.Frozen}
			if err := s.SaveFold(t.Context(), site, store.Fold{Press: "A", Signals: []spc.Fault{signal("a", 0), signal("b", 1)}, Limits: []store.LimitsInForce{l}}); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	require.Equal(t, []string{"open"}, states(t, s, "a"))
	log, err := s.LimitsLog(t.Context(), site, "c", time.Time{})
	require.NoError(t, err)
	require.Len(t, log, 1)
}
