package store_test

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/spc"
	"sagwatch/store"
	"sagwatch/store/storetest"
)

func after(n int) time.Time { return storetest.Start.Add(time.Duration(n) * 10 * time.Second) }

func hold(t testing.TB, s *store.Store, p store.HoldPredicate) int64 {
	t.Helper()
	id, err := s.AddHold(t.Context(), site, store.Hold{HoldPredicate: p, Reason: "mould 7 presses tight", By: "tamm"})
	require.NoError(t, err)
	return id
}

// heldBy lists the panels of a hold by all pages of the list, and checks that look-ups and counts agree with it.
func heldBy(t testing.TB, s *store.Store, id int64, among []store.PanelID) []string {
	t.Helper()
	h, err := s.Hold(t.Context(), site, id)
	require.NoError(t, err)
	var out []string
	q := store.HoldPanelsQuery{Hold: h.HoldPredicate, Of: id, Limit: 7}
	for {
		list, next, err := s.HoldPanels(t.Context(), site, q)
		require.NoError(t, err)
		for i := range list {
			out = append(out, list[i].Panel)
		}
		if next == nil {
			break
		}
		q.After = next
	}
	progress, err := s.HoldProgress(t.Context(), site, id, h.HoldPredicate)
	require.NoError(t, err)
	require.Equal(t, len(out), progress.Held, "the count and the list agree")
	slices.Sort(out)
	require.Equal(t, slices.Compact(slices.Clone(out)), out, "each panel once")
	if among != nil {
		of, err := s.HoldsOf(t.Context(), site, among)
		require.NoError(t, err)
		var looked []string
		for p, hs := range of {
			for _, x := range hs {
				if x.Hold.ID == id {
					require.Equal(t, h.Press, p.Press)
					looked = append(looked, p.Panel)
				}
			}
		}
		slices.Sort(looked)
		require.Equal(t, out, looked, "the look-up by panel and the list agree")
	}
	return out
}

func decide(t testing.TB, s *store.Store, id int64, decision string, panels ...string) {
	t.Helper()
	n, err := s.Decide(t.Context(), site, id, store.HoldDecision{Decision: decision, Reason: "seen", By: "tamm"}, panels, false)
	require.NoError(t, err)
	require.Equal(t, len(panels), n)
}

func one(t testing.TB, s *store.Store, press, panel string) []store.PanelHold {
	t.Helper()
	of, err := s.HoldsOf(t.Context(), site, []store.PanelID{{Press: press, Panel: panel}})
	require.NoError(t, err)
	return of[store.PanelID{Press: press, Panel: panel}]
}

// A range holds its first moment and not its last, only its press and its moulds, and what comes later.
func TestHoldEdges(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	rows := storetest.Rows(0, 40)
	insert(t, s, rows[:30]...)
	twin := storetest.Row(12, func(r *store.Row) { r.Press, r.Gauge = "B", "CG-2" }) // the same serial at another press
	insert(t, s, twin)
	id := hold(t, s, store.HoldPredicate{Press: "A", From: after(10), To: after(20)})
	require.Equal(t, panelsOf(rows[10:20]), heldBy(t, s, id, nil))
	require.Len(t, one(t, s, "A", rows[12].Panel), 1)
	require.Empty(t, one(t, s, "B", twin.Panel))
	require.Empty(t, one(t, s, "A", rows[9].Panel))
	require.Empty(t, one(t, s, "A", rows[20].Panel))

	mould := hold(t, s, store.HoldPredicate{Press: "A", Moulds: []string{"7"}, From: after(0)})
	require.Equal(t, []string{rows[6].Panel, rows[17].Panel, rows[28].Panel}, heldBy(t, s, mould, nil))
	lane := hold(t, s, store.HoldPredicate{Press: "A", Moulds: []string{"7"}, Lanes: []string{"2"}, From: after(0), To: after(9)})
	require.Equal(t, []string{rows[1].Panel, rows[5].Panel, rows[6].Panel}, heldBy(t, s, lane, nil), "of any of the streams named")
	gauge := hold(t, s, store.HoldPredicate{Press: "B", Gauges: []string{"CG-2"}, From: after(0)})
	require.Equal(t, []string{twin.Panel}, heldBy(t, s, gauge, nil))

	// One that was pressed in the range and comes when the range was sorted and closed is held all the same.
	decide(t, s, id, store.Release, panelsOf(rows[10:20])...)
	require.NoError(t, s.CloseHold(t.Context(), site, id, "", "tamm"))
	late := storetest.Row(100, func(r *store.Row) { r.PressedAt, r.LineAt = after(15), after(15) })
	insert(t, s, late)
	hs := one(t, s, "A", late.Panel)
	require.NotEmpty(t, hs)
	require.True(t, slices.ContainsFunc(hs, func(h store.PanelHold) bool { return h.Hold.ID == id && h.Bars() }))
	insert(t, s, rows[30:]...)
	require.Equal(t, []string{rows[6].Panel, rows[17].Panel, rows[28].Panel, rows[39].Panel}, heldBy(t, s, mould, nil), "an open range goes on")

	require.ErrorIs(t, s.EndHold(t.Context(), site, id, after(99), "x", "tamm"), store.ErrConflict)
	require.ErrorIs(t, s.EndHold(t.Context(), site, mould, after(0), "x", "tamm"), store.ErrInvalid)
	require.ErrorIs(t, s.CloseHold(t.Context(), site, mould, "enough", "tamm"), store.ErrConflict, "first say until when")
	require.NoError(t, s.EndHold(t.Context(), site, mould, after(28), "cooling cleared", "tamm"))
	require.Equal(t, []string{rows[6].Panel, rows[17].Panel}, heldBy(t, s, mould, nil))
	log, err := s.HoldLog(t.Context(), site, mould)
	require.NoError(t, err)
	require.Len(t, log, 2)
	require.Equal(t, after(28), log[1].To)
	require.Equal(t, "cooling cleared", log[1].Reason)
}

func panelsOf(rows []*store.Row) (out []string) {
	for _, r := range rows {
		out = append(out, r.Panel)
	}
	return out
}

// What was made void is glass still; a correction moves a panel; a later measurement whose time pressed is not known moves nothing.
func TestHoldFollowsThePanel(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	guess := func(at time.Time) func(*store.Row) {
		return func(r *store.Row) { r.PressedAt, r.LineAt, r.LineEstimated = time.Time{}, at, true }
	}
	recheck := func(seq int64) func(*store.Row) {
		return func(r *store.Row) { r.Purpose, r.Sequence = spc.Recheck, seq }
	}
	insert(t, s, storetest.Row(1, guess(after(1))), storetest.Row(2), storetest.Row(3), storetest.Row(50))
	morning := hold(t, s, store.HoldPredicate{Press: "A", From: after(0), To: after(10)})
	noon := hold(t, s, store.HoldPredicate{Press: "A", From: after(1000), To: after(1010)})
	a := func(n int) string { return fmt.Sprintf("A-%07d", n) }
	all := []store.PanelID{{Press: "A", Panel: a(1)}, {Press: "A", Panel: a(2)}, {Press: "A", Panel: a(3)}, {Press: "A", Panel: a(50)}, {Press: "A", Panel: a(51)}}
	require.Equal(t, []string{a(1), a(2), a(3)}, heldBy(t, s, morning, all))

	again := storetest.Row(1, guess(after(1003)), recheck(9001))
	insert(t, s, again)
	require.Empty(t, heldBy(t, s, noon, all), "its first measurement tells more")
	only := storetest.Row(51, guess(after(1004)), recheck(9002))
	insert(t, s, only)
	require.Equal(t, []string{a(51)}, heldBy(t, s, noon, all), "nothing else tells where it was pressed")

	two := get(t, s, rowID(t, s, a(2)))
	require.NoError(t, s.Void(t.Context(), site, two.ID, "badly seated", "okafor"))
	require.Equal(t, []string{a(1), a(2), a(3)}, heldBy(t, s, morning, all), "the reading is void, the panel stays on hold")
	insert(t, s, storetest.Row(2, guess(after(1005)), func(r *store.Row) { r.Sequence = 9003 }))
	require.Contains(t, heldBy(t, s, morning, all), a(2), "also when it is measured anew")

	_, err := s.Correct(t.Context(), site, rowID(t, s, a(3)), storetest.Row(3, func(r *store.Row) { r.PressedAt, r.LineAt = after(20), after(20) }), "typed wrong", "okafor")
	require.NoError(t, err)
	_, err = s.Correct(t.Context(), site, rowID(t, s, a(50)), storetest.Row(50, func(r *store.Row) { r.PressedAt, r.LineAt = after(5), after(5) }), "typed wrong", "okafor")
	require.NoError(t, err)
	require.Equal(t, []string{a(1), a(2), a(50)}, heldBy(t, s, morning, all))
}

func rowID(t testing.TB, s *store.Store, panel string) int64 {
	t.Helper()
	rows, err := s.Panel(t.Context(), site, "A", panel)
	require.NoError(t, err)
	for i := range rows {
		if rows[i].State == store.Current {
			return rows[i].ID
		}
	}
	t.Fatalf("no current measurement of %s", panel)
	return 0
}

func TestHoldBySerials(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	insert(t, s, storetest.Rows(0, 12)...)
	insert(t, s, storetest.Row(5, func(r *store.Row) { r.Press, r.Gauge = "B", "CG-2" }), storetest.Row(6, func(r *store.Row) { r.Panel = "A-00000060" }))
	list := hold(t, s, store.HoldPredicate{Press: "A", Serials: []string{"A-0000003", "A-0000005", "A-7777777"}})
	require.Equal(t, []string{"A-0000003", "A-0000005", "A-7777777"}, heldBy(t, s, list, []store.PanelID{{Press: "A", Panel: "A-0000003"}, {Press: "A", Panel: "A-0000005"}, {Press: "A", Panel: "A-7777777"}, {Press: "B", Panel: "A-0000005"}}))
	require.Empty(t, one(t, s, "B", "A-0000005"))
	span := hold(t, s, store.HoldPredicate{Press: "A", First: "A-0000005", Last: "A-0000007"})
	require.Equal(t, []string{"A-0000005", "A-0000006", "A-0000007"}, heldBy(t, s, span, nil), "not A-00000060, which is longer")

	_, err := s.AddHold(t.Context(), site, store.Hold{HoldPredicate: store.HoldPredicate{Press: "A"}, Reason: "x", By: "tamm"})
	require.ErrorIs(t, err, store.ErrInvalid, "of nothing")
	_, err = s.AddHold(t.Context(), site, store.Hold{HoldPredicate: store.HoldPredicate{Press: "A", From: after(3), To: after(3)}, Reason: "x", By: "tamm"})
	require.ErrorIs(t, err, store.ErrInvalid, "an empty range")
	_, err = s.AddHold(t.Context(), site, store.Hold{HoldPredicate: store.HoldPredicate{Press: "A", First: "A-2", Last: "A-10"}, Reason: "x", By: "tamm"})
	require.ErrorIs(t, err, store.ErrInvalid, "ends of different length")
	_, err = s.AddHold(t.Context(), site, store.Hold{HoldPredicate: store.HoldPredicate{Press: "A", From: after(3)}, By: "tamm"})
	require.ErrorIs(t, err, store.ErrInvalid, "without a reason")
}

// Decisions replace one another and stay; what is to be measured again stays outstanding until somebody decides.
func TestHoldDecisions(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	rows := storetest.Rows(0, 10)
	insert(t, s, rows...)
	id := hold(t, s, store.HoldPredicate{Press: "A", From: after(2), To: after(8)})
	h, err := s.Hold(t.Context(), site, id)
	require.NoError(t, err)
	progress := func() store.HoldProgress {
		p, err := s.HoldProgress(t.Context(), site, id, h.HoldPredicate)
		require.NoError(t, err)
		return p
	}
	require.Equal(t, store.HoldProgress{Held: 6, Outstanding: 6, First: after(2), Last: after(7)}, progress())

	_, err = s.Decide(t.Context(), site, id, store.HoldDecision{Decision: store.Release, Reason: "seen", By: "tamm"}, []string{rows[3].Panel, rows[8].Panel}, false)
	var strange *store.NotHeldError
	require.ErrorAs(t, err, &strange)
	require.Equal(t, []string{rows[8].Panel}, strange.Panels)
	require.Equal(t, 6, progress().Outstanding, "all or none")

	decide(t, s, id, store.Scrap, rows[2].Panel, rows[3].Panel)
	decide(t, s, id, store.Rework, rows[3].Panel)
	decide(t, s, id, store.Remeasure, rows[4].Panel, rows[5].Panel)
	decide(t, s, id, store.Release, rows[6].Panel)
	ds, err := s.HoldDecisions(t.Context(), site, id, rows[3].Panel, 10)
	require.NoError(t, err)
	require.Equal(t, []string{store.Rework, store.Scrap}, []string{ds[0].Decision, ds[1].Decision}, "both are there")
	require.Equal(t, store.HoldProgress{Held: 6, Outstanding: 3, ToMeasure: 2, Released: 1, Rework: 1, Scrapped: 1, First: after(2), Last: after(7)}, progress())
	require.True(t, one(t, s, "A", rows[2].Panel)[0].Bars(), "scrapped is never good")
	require.False(t, one(t, s, "A", rows[6].Panel)[0].Bars())

	// A recheck from before the decision says nothing; one after it does.
	now := time.Now().UTC().Truncate(time.Microsecond)
	insert(t, s, storetest.Row(4, func(r *store.Row) { r.Purpose, r.Sequence, r.MeasuredAt = spc.Recheck, 8001, now.Add(-time.Hour) }))
	require.Equal(t, 2, progress().ToMeasure)
	insert(t, s, storetest.Row(4, func(r *store.Row) { r.Purpose, r.Sequence, r.MeasuredAt = spc.Recheck, 8002, now.Add(time.Minute) }))
	require.Equal(t, 1, progress().ToMeasure)
	require.Equal(t, 1, progress().Measured)
	again := one(t, s, "A", rows[4].Panel)[0]
	require.Equal(t, now.Add(time.Minute), again.Measured)
	require.True(t, again.Bars())
	require.True(t, again.Outstanding())

	list, _, err := s.HoldPanels(t.Context(), site, store.HoldPanelsQuery{Hold: h.HoldPredicate, Of: id, Decision: store.Outstanding})
	require.NoError(t, err)
	require.Equal(t, []string{rows[4].Panel, rows[5].Panel, rows[7].Panel}, []string{list[0].Panel, list[1].Panel, list[2].Panel})
	list, _, err = s.HoldPanels(t.Context(), site, store.HoldPanelsQuery{Hold: h.HoldPredicate, Of: id, Decision: store.Scrap})
	require.NoError(t, err)
	require.Len(t, list, 1)

	// Releasing what is left passes over what somebody has decided on.
	n, err := s.Decide(t.Context(), site, id, store.HoldDecision{Decision: store.Release, Reason: "conforms again", By: "tamm"}, []string{rows[2].Panel, rows[4].Panel, rows[4].Panel}, true)
	require.NoError(t, err)
	require.Equal(t, 1, n)
	require.Equal(t, store.Scrap, one(t, s, "A", rows[2].Panel)[0].Decision.Decision)

	var left *store.OutstandingError
	require.ErrorAs(t, s.CloseHold(t.Context(), site, id, "", "tamm"), &left)
	require.Equal(t, 2, left.Panels)
	require.NoError(t, s.CloseHold(t.Context(), site, id, "the customer takes them", "tamm"))
	require.Equal(t, store.HoldProgress{Held: 6, Released: 2, Rework: 1, Scrapped: 1, Lifted: 2, First: after(2), Last: after(7)}, progress())
	require.False(t, one(t, s, "A", rows[7].Panel)[0].Bars())
	require.True(t, one(t, s, "A", rows[2].Panel)[0].Bars(), "closing makes nothing of what was scrapped")
	require.ErrorIs(t, s.CloseHold(t.Context(), site, id, "again", "tamm"), store.ErrConflict)
	log, err := s.HoldLog(t.Context(), site, id)
	require.NoError(t, err)
	require.Equal(t, 2, log[len(log)-1].Lifted)
	audit, err := s.Audit(t.Context(), site, 0, 100)
	require.NoError(t, err)
	var actions []string
	for _, e := range audit {
		actions = append(actions, e.Action)
	}
	require.Equal(t, "hold.closed hold.release hold.release hold.remeasure hold.rework hold.scrap hold.made", strings.Join(actions, " "))
}

// The set by the predicate is what going through everything that was stored gives, whatever the order of arrival.
func TestHoldProperty(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	rng := rand.New(rand.NewPCG(5, 11))
	const n = 240
	var panels []store.PanelID
	for i := range n {
		panels = append(panels, store.PanelID{Press: "A", Panel: fmt.Sprintf("A-%07d", i)}, store.PanelID{Press: "B", Panel: fmt.Sprintf("A-%07d", i)})
	}
	var holds []int64
	for range 12 {
		p := store.HoldPredicate{Press: string("AB"[rng.IntN(2)])}
		switch rng.IntN(6) {
		case 0:
			for range 1 + rng.IntN(9) {
				p.Serials = append(p.Serials, fmt.Sprintf("A-%07d", rng.IntN(n)))
			}
		case 1:
			from := rng.IntN(n - 20)
			p.First, p.Last = fmt.Sprintf("A-%07d", from), fmt.Sprintf("A-%07d", from+rng.IntN(20))
		default:
			from := rng.IntN(n)
			if p.From = after(from); rng.IntN(3) > 0 {
				p.To = after(from + 1 + rng.IntN(80))
			}
			if rng.IntN(2) == 0 {
				p.Moulds = []string{fmt.Sprint(1 + rng.IntN(11)), fmt.Sprint(1 + rng.IntN(11))}
			}
			if rng.IntN(3) == 0 {
				p.Lanes = []string{fmt.Sprint(1 + rng.IntN(4))}
			}
		}
		holds = append(holds, hold(t, s, p))
	}
	var sequence int64 = 10_000
	row := func(i int) *store.Row {
		return storetest.Row(i, func(r *store.Row) {
			sequence++
			r.Sequence = sequence
			if rng.IntN(2) == 0 {
				r.Press, r.Gauge = "B", "CG-2"
			}
			if rng.IntN(4) == 0 {
				r.Purpose = []spc.Purpose{spc.Recheck, spc.Study}[rng.IntN(2)]
			}
			if rng.IntN(3) == 0 {
				r.MeasuredAt = r.MeasuredAt.Add(time.Duration(rng.IntN(n)) * 10 * time.Second)
				r.PressedAt, r.LineAt, r.LineEstimated = time.Time{}, r.MeasuredAt.Add(-90*time.Minute), true
			}
			if rng.IntN(6) == 0 {
				r.Mould = ""
			}
		})
	}
	order := rng.Perm(n + n/2)
	for start := 0; start < len(order); start += 40 {
		var batch []*store.Row
		for _, i := range order[start:min(start+40, len(order))] {
			batch = append(batch, row(i%n))
		}
		insert(t, s, batch...)
		// Some of what is there is corrected or made void.
		for _, r := range batch {
			switch rng.IntN(12) {
			case 0:
				require.NoError(t, s.Void(t.Context(), site, r.ID, "test", "okafor"))
			case 1:
				moved := row(rng.IntN(n))
				moved.Panel, moved.Press, moved.Gauge = r.Panel, r.Press, r.Gauge
				_, err := s.Correct(t.Context(), site, r.ID, storetest.Seal(moved), "test", "okafor")
				require.NoError(t, err)
			}
		}
	}
	stored := map[store.PanelID][]store.Row{}
	for _, p := range panels {
		rows, err := s.Panel(t.Context(), site, p.Press, p.Panel)
		require.NoError(t, err)
		stored[p] = rows
	}
	members, closedTo := 0, 0
	for _, id := range holds {
		h, err := s.Hold(t.Context(), site, id)
		require.NoError(t, err)
		var want []string
		for _, p := range panels {
			if belongs(&h.HoldPredicate, p, stored[p]) {
				want = append(want, p.Panel)
			}
		}
		slices.Sort(want)
		among := panels
		if len(h.Serials) > 0 || h.First != "" {
			among = nil // a serial is held before anything of it is stored
		}
		got := heldBy(t, s, id, among)
		require.Equal(t, want, got, "hold %d: %+v", id, h.HoldPredicate)
		members += len(got)
		if !h.To.IsZero() {
			closedTo++
		}
	}
	require.Greater(t, members, 100)
	require.Positive(t, closedTo)
}

// belongs is the rule of HoldPredicate, written down without regard to speed.
func belongs(h *store.HoldPredicate, p store.PanelID, rows []store.Row) bool {
	if p.Press != h.Press {
		return false
	}
	if len(h.Serials) > 0 {
		return slices.Contains(h.Serials, p.Panel)
	}
	counted := slices.ContainsFunc(rows, func(r store.Row) bool { return r.Counted })
	for _, r := range rows {
		if r.State == store.Superseded || r.Purpose != spc.Production && r.Purpose != spc.Recheck {
			continue
		}
		if h.First != "" {
			if p.Panel >= h.First && p.Panel <= h.Last {
				return true
			}
			continue
		}
		tells := !r.LineEstimated || r.Counted || !counted || r.State == store.Voided && r.Purpose == spc.Production
		inTime := !r.LineAt.Before(h.From) && (h.To.IsZero() || r.LineAt.Before(h.To))
		ofStream := len(h.Moulds)+len(h.Lanes) == 0 || slices.Contains(h.Moulds, r.Mould) || slices.Contains(h.Lanes, r.Lane)
		if tells && inTime && ofStream {
			return true
		}
	}
	return false
}

func TestHoldNotice(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	got := make(chan store.Notice, 8)
	ready := make(chan struct{})
	stop := errors.New("enough")
	done := make(chan error, 1)
	go func() {
		done <- s.Listen(t.Context(), func(n store.Notice) error {
			if n.Kind == store.NoticeResync {
				close(ready)
				return nil
			}
			got <- n
			return stop
		})
	}()
	<-ready
	hold(t, s, store.HoldPredicate{Press: "A", From: after(0)})
	require.ErrorIs(t, <-done, stop)
	require.Equal(t, store.Notice{Site: site, Kind: store.NoticeHold, Press: "A", From: after(0)}, <-got)
}
