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

var checked = time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)

func hour(h float64) time.Time { return checked.Add(time.Duration(h * float64(time.Hour))) }

func TestSpansOfDoubt(t *testing.T) {
	good, bad, open := spc.Conforms, spc.DoesNotConform, spc.Undecided
	checks := func(vs ...spc.Verdict) (out []store.Check) {
		for i, v := range vs {
			out = append(out, store.Check{ID: int64(i + 1), MeasuredAt: hour(float64(i)), Verdict: v})
		}
		return out
	}
	for name, c := range map[string]struct {
		verdicts []spc.Verdict
		want     [][2]float64 // -1: none
	}{
		"all good":                        {[]spc.Verdict{good, good}, nil},
		"between good ones":               {[]spc.Verdict{good, bad, good}, [][2]float64{{0, 2}}},
		"two failures are one doubt":      {[]spc.Verdict{good, bad, bad, good, good}, [][2]float64{{0, 3}}},
		"from the first, to now":          {[]spc.Verdict{bad}, [][2]float64{{-1, -1}}},
		"an undecided check says nothing": {[]spc.Verdict{good, open, bad, open, good}, [][2]float64{{0, 4}}},
		"two doubts":                      {[]spc.Verdict{good, bad, good, bad}, [][2]float64{{0, 2}, {2, -1}}},
	} {
		t.Run(name, func(t *testing.T) {
			got := store.Spans("CG-1", checks(c.verdicts...))
			require.Len(t, got, len(c.want))
			for i, w := range c.want {
				at := func(h float64) time.Time {
					if h < 0 {
						return time.Time{}
					}
					return hour(h)
				}
				require.Equal(t, at(w[0]), got[i].From)
				require.Equal(t, at(w[1]), got[i].To)
				require.NotEmpty(t, got[i].Failed)
			}
		})
	}
}

// A failed check puts in doubt what lies between the good ones, also what comes late; a decision ends that for its stretch alone.
func TestDoubtOfAGauge(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	ctx := t.Context()
	n := 0
	add := func(h float64, edit func(*store.Row)) int64 {
		n++
		r := storetest.Row(n, func(r *store.Row) {
			r.Gauge, r.Panel, r.MeasuredAt, r.LineAt = "CG-1", fmt.Sprintf("S%04d", n), hour(h), hour(h-1.5)
			r.Sequence, r.Purpose = int64(n), spc.Production
			r.Result.Verdict = spc.Conforms
			edit(r)
		})
		out, err := s.Insert(ctx, site, []*store.Row{r})
		require.NoError(t, err)
		require.Equal(t, store.Stored, out[0].Status)
		return out[0].ID
	}
	check := func(h float64, v spc.Verdict) int64 {
		return add(h, func(r *store.Row) {
			r.Panel, r.Press, r.Product, r.Mould, r.Lane, r.Purpose, r.LineAt = "M-2", "", "", "", "", spc.MasterCheck, hour(h)
			r.Result.Verdict = v
		})
	}
	panel := func(h float64) int64 { return add(h, func(r *store.Row) {}) }
	check(0, spc.Conforms)
	before, first := panel(-0.5), panel(0.5)
	check(1, spc.DoesNotConform)
	second := panel(1.5)
	other := add(0.6, func(r *store.Row) { r.Gauge = "CG-2" })

	doubtful := func() map[int64]string {
		t.Helper()
		var rows []store.Row
		for _, id := range []int64{before, first, second, other} {
			r, err := s.Measurement(ctx, site, id)
			require.NoError(t, err)
			rows = append(rows, r)
		}
		out, err := s.Doubtful(ctx, site, rows)
		require.NoError(t, err)
		return out
	}
	require.Equal(t, map[int64]string{first: store.InDoubt, second: store.InDoubt}, doubtful())
	count, panels, err := s.CountMeasured(ctx, site, "CG-1", hour(0), time.Time{})
	require.NoError(t, err)
	require.Equal(t, []int{2, 2}, []int{count, panels})
	since, err := s.GaugeAtRisk(ctx, site, "CG-1", hour(0.9))
	require.NoError(t, err)
	require.Equal(t, hour(0), since)
	since, err = s.GaugeAtRisk(ctx, site, "CG-1", hour(-1))
	require.NoError(t, err)
	require.True(t, since.IsZero(), "never checked before: everything")

	check(2, spc.Conforms)
	late := panel(0.7) // stored after the good check
	rows, err := s.Measured(ctx, site, "CG-1", hour(0), hour(2), 0)
	require.NoError(t, err)
	require.Len(t, rows, 3)
	require.Equal(t, late, rows[1].ID)
	word, err := s.Doubtful(ctx, site, rows)
	require.NoError(t, err)
	require.Len(t, word, 3, "late ones too")

	_, err = s.DecideDoubt(ctx, site, store.DoubtDecision{Gauge: "CG-1", From: hour(0), To: hour(2), Decision: store.DoubtRemeasure, Reason: "the drift is small", By: "anna"})
	require.NoError(t, err)
	require.Equal(t, map[int64]string{first: store.ToRemeasure, second: store.ToRemeasure}, doubtful())
	r, err := s.Measurement(ctx, site, first)
	require.NoError(t, err)
	add(3, func(x *store.Row) { x.Panel, x.Press, x.Purpose = r.Panel, r.Press, spc.Recheck })
	require.Equal(t, map[int64]string{second: store.ToRemeasure}, doubtful(), "the first was measured again")

	_, err = s.DecideDoubt(ctx, site, store.DoubtDecision{Gauge: "CG-1", From: hour(0), To: hour(1), Decision: store.DoubtAccept, Reason: "far inside", By: "anna"})
	require.NoError(t, err)
	require.Equal(t, map[int64]string{second: store.ToRemeasure}, doubtful())
	voided, err := s.DecideDoubt(ctx, site, store.DoubtDecision{Gauge: "CG-1", From: hour(1), To: hour(2), Decision: store.DoubtVoid, Reason: "probe 12 stuck", By: "anna"})
	require.NoError(t, err)
	require.Equal(t, 1, voided)
	require.Empty(t, doubtful(), "void ones count nowhere")
	d, err := s.Doubts(ctx, site, "CG-1")
	require.NoError(t, err)
	require.Len(t, d.Decisions, 3)
	require.Equal(t, "anna", d.Decisions[2].By)
	require.Equal(t, store.InDoubt, d.At(hour(1.7)), "what comes late into a void stretch is in doubt")
	require.Equal(t, store.NoDoubt, d.At(hour(0.7)))

	_, err = s.DecideDoubt(ctx, site, store.DoubtDecision{Gauge: "CG-1", From: hour(2), To: hour(1), Decision: store.DoubtAccept, Reason: "x", By: "anna"})
	require.Error(t, err)
}
