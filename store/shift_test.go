package store_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/spc"
	"sagwatch/store"
	"sagwatch/store/storetest"
)

// What a hand-over asks of the measurements of a shift: counts, panels that nothing has decided, stretches without a panel.
func TestShift(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	ctx := t.Context()
	from := time.Date(2026, 3, 2, 4, 0, 0, 0, time.UTC)
	row := func(i int, panel string, minute int, verdict spc.Verdict, change ...func(*store.Row)) *store.Row {
		return storetest.Row(i, append([]func(*store.Row){func(r *store.Row) {
			r.Panel, r.LineAt, r.Result.Verdict = panel, from.Add(time.Duration(minute)*time.Minute), verdict
			r.MeasuredAt = r.LineAt.Add(90 * time.Minute)
			r.Mould, r.Casting, r.Press = fmt.Sprint(i%2), "", "A"
		}}, change...)...)
	}
	again := func(minutes int) func(*store.Row) {
		return func(r *store.Row) {
			r.Purpose, r.MeasuredAt = spc.Recheck, r.MeasuredAt.Add(time.Duration(minutes)*time.Minute)
		}
	}
	rows := []*store.Row{
		row(0, "A-0", 0, spc.Conforms), row(1, "A-1", 1, spc.Undecided), row(2, "A-2", 2, spc.Undecided), row(3, "A-3", 40, spc.DoesNotConform), row(4, "A-4", 41, spc.Undecided),
		row(5, "A-1", 1, spc.Conforms, again(5)),                                           // decided
		row(6, "A-2", 2, spc.Undecided, again(6)),                                          // still not
		row(7, "A-4", 41, spc.Conforms, again(7), func(r *store.Row) { r.Gauge = "PG-1" }), // by another kind of gauge: decides nothing
		row(8, "A-5", 480, spc.Undecided),                                                  // the next shift
		row(9, "B-1", 5, spc.NotJudged, func(r *store.Row) { r.Press = "B" }),
	}
	_, err := s.Insert(ctx, site, rows)
	require.NoError(t, err)
	to := from.Add(8 * time.Hour)

	counts, err := s.CountsByMould(ctx, site, from, to)
	require.NoError(t, err)
	sum := map[string]store.Counts{}
	for _, c := range counts {
		x := sum[c.Press]
		sum[c.Press] = store.Counts{Conforms: x.Conforms + c.Conforms, Undecided: x.Undecided + c.Undecided, DoesNotConform: x.DoesNotConform + c.DoesNotConform, NotJudged: x.NotJudged + c.NotJudged}
		if c.Press == "A" && c.Mould == "1" {
			require.Equal(t, store.Counts{Undecided: 1, DoesNotConform: 1}, c.Counts)
			require.Equal(t, from.Add(time.Minute), c.First)
			require.Equal(t, from.Add(40*time.Minute), c.Last)
		}
	}
	require.Equal(t, map[string]store.Counts{"A": {Conforms: 1, Undecided: 3, DoesNotConform: 1}, "B": {NotJudged: 1}}, sum, "each panel once, rechecks not")

	kinds := map[string]spc.GaugeKind{rows[0].Gauge: spc.Radial, "PG-1": spc.Dimensions}
	list, all, err := s.WaitingPanels(ctx, site, "A", from, to, kinds, 10)
	require.NoError(t, err)
	require.Equal(t, 2, all)
	require.Equal(t, "A-2", list[0].Panel)
	require.Equal(t, rows[6].MeasuredAt, list[0].MeasuredAt, "the latest measurement is shown")
	require.Equal(t, "A-4", list[1].Panel)
	list, all, err = s.WaitingPanels(ctx, site, "", from, to, kinds, 1)
	require.NoError(t, err)
	require.Len(t, list, 1)
	require.Equal(t, 2, all, "all are counted")
	_, all, err = s.WaitingPanels(ctx, site, "", to, to.Add(time.Hour), nil, 1)
	require.NoError(t, err)
	require.Zero(t, all)

	gaps, err := s.Gaps(ctx, site, "", from, to, 15*time.Minute, 10)
	require.NoError(t, err)
	require.Equal(t, []store.Gap{{Press: "A", From: from.Add(2 * time.Minute), To: from.Add(40 * time.Minute)}}, gaps)
}
