package report_test

import (
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/server/report"
	"sagwatch/spc"
	"sagwatch/store"
)

// The headline says the worst that is known of any characteristic, not only of the one with the least index, and what would help.
func TestHeadlineSaysTheWorst(t *testing.T) {
	t.Parallel()
	lower, upper, low, high := 1101.5, 1113.5, 418.0, 422.0
	c := capabilityPlant(t, 1, spc.Product{Limits: map[string]spc.Interval{"radius_mm": {Lower: &lower, Upper: &upper}},
		Characteristics: []spc.Characteristic{{Name: "height", Unit: "mm", Lower: &low, Upper: &high}}})
	said := func(change func(radius, height *report.CapabilityEvidence)) (string, string, map[string]bool) {
		r := rand.New(rand.NewPCG(7, 8))
		in, err := report.GatherFrom(c, "north", report.CapabilityQuery{Press: "B", Product: "P25"}, capabilityFrom, capabilityFrom.AddDate(0, 0, 4), panelsOf(1000, 1, 4*time.Minute, func(_ int, o *store.Obs) {
			o.Values.Set(spc.RadiusMM, 1107.5+r.NormFloat64())
			o.Characteristics = map[string]float64{"height": 420 + .1*r.NormFloat64()}
		}))
		require.NoError(t, err)
		of := map[string]*report.CapabilityEvidence{}
		for i := range in.Of {
			e := &in.Of[i].Evidence
			e.Covered, e.Points, e.Expect = 1, 1000, 2.7
			e.Charts = []report.CapabilityChart{{ID: "c", Kind: spc.Individuals, Source: spc.Frozen, From: capabilityFrom.AddDate(0, 0, -1), Revision: 1, By: "M. Okafor"}}
			of[in.Of[i].Name] = e
		}
		change(of["radius_mm"], of["height"])
		w, err := report.WorkCapability(in)
		require.NoError(t, err)
		require.Equal(t, "radius_mm", w.Worked[0].Name, "the least index is that of the radius")
		stands := map[string]bool{}
		for _, o := range w.Worked {
			stands[o.Name] = o.Supported()
		}
		doubts := ""
		for _, s := range w.SaidDoubts() {
			doubts += s.String() + "\n"
		}
		return w.Said().String(), doubts, stands
	}
	head, doubts, ok := said(func(_, _ *report.CapabilityEvidence) {})
	require.Contains(t, head, "Press B meets the wanted 1.33: ")
	require.NotContains(t, doubts, "What would support")
	require.Equal(t, map[string]bool{"radius_mm": true, "height": true}, ok)

	signals := func(e *report.CapabilityEvidence, n int, state string) {
		for range n {
			e.Signals = append(e.Signals, report.CapabilitySignal{ID: "s", Chart: "c", At: capabilityFrom.Add(time.Hour), State: state})
		}
	}
	head, doubts, ok = said(func(_, height *report.CapabilityEvidence) { signals(height, 40, store.SignalClosed) })
	require.Contains(t, head, "Performance only, for press B was not stable in the height: Ppk ")
	require.Contains(t, doubts, "What would support an index: of the height, the causes of the signals found")
	require.Equal(t, map[string]bool{"radius_mm": true, "height": false}, ok)

	head, doubts, _ = said(func(radius, _ *report.CapabilityEvidence) { signals(radius, 1, store.SignalOpen) })
	require.Contains(t, head, "a signal of press B is still open in the radius")
	require.Contains(t, doubts, "the open signal explained")
	head, _, ok = said(func(radius, _ *report.CapabilityEvidence) { signals(radius, 1, store.SignalClosed) })
	require.Contains(t, head, "meets the wanted 1.33: ")
	require.True(t, ok["radius_mm"], "a signal that was dealt with speaks against nothing where chance makes as many")

	head, doubts, ok = said(func(radius, height *report.CapabilityEvidence) {
		radius.Charts[0].Source, height.Charts[0].Source = spc.Provisional, spc.Provisional
	})
	require.Contains(t, head, "unsupported as yet")
	require.Contains(t, head, "Control limits are provisional only.")
	require.Contains(t, doubts, "limits that an engineer freezes")
	require.False(t, ok["radius_mm"])
}
