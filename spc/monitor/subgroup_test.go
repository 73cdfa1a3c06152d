package monitor_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc"
	"sagwatch/spc/chart"
	"sagwatch/spc/monitor"
)

// TestSubgroups: limits and points are those of the charts of subgroups of the same baseline.
func TestSubgroups(t *testing.T) {
	p := press(1)
	list := steady(p, 400, 14)
	for i := 300; i < 304; i++ {
		shift(&list[i], []float64{9, -9, 9, -9}[i-300]) // one subgroup scatters about its old mean
	}
	list[20].Excluded = "dropped"
	var rows [][]float64
	var row []float64
	for i, o := range list {
		if i != 20 {
			if row = append(row, o.Characteristics["x"]); len(row) == 4 {
				rows, row = append(rows, row), nil
			}
		}
	}
	w := chart.Width{K: 3}
	mr, err := chart.MeanRange(rows[:50], w)
	require.NoError(t, err)
	ms, err := chart.MeanSD(rows[:50], w)
	require.NoError(t, err)
	md, err := chart.MedianRange(rows[:50], w)
	require.NoError(t, err)
	bw, err := chart.BetweenWithin(rows[:50], chart.BetweenWithinOptions{Width: w})
	require.NoError(t, err)
	bwMeans, err := bw.MeanLimits(4)
	require.NoError(t, err)
	for _, c := range []struct {
		kind  spc.ChartKind
		means func(int) (spc.Limits, error)
		inner chart.SubgroupResult
	}{
		{spc.MeanRange, mr.MeanLimits, mr}, {spc.MeanSD, ms.MeanLimits, ms}, {spc.MedianRange, md.MeanLimits, md},
		{spc.BetweenWithin, func(int) (spc.Limits, error) { return bwMeans, nil }, bw.Within},
	} {
		t.Run(string(c.kind), func(t *testing.T) {
			def := individuals("press", 0)
			def.Kind, def.Subgroup = c.kind, 4
			f := newFold(t, monitor.Config{Site: "main", Press: p, Charts: []spc.Chart{def}})
			f.add(t, list...)
			want, err := c.means(4)
			require.NoError(t, err)
			inner, err := c.inner.SpreadLimits(4)
			require.NoError(t, err)
			points := f.of("ind", "press:A")
			require.Len(t, points, 99)
			spread := 0
			for i, q := range points {
				require.InDelta(t, want.Upper, q.Limits.Upper, 1e-12)
				require.InDelta(t, want.Lower, q.Limits.Lower, 1e-12)
				require.InDelta(t, inner.Upper, q.Spread.Limits.Upper, 1e-12)
				if c.kind == spc.MedianRange {
					require.InDelta(t, chart.Median(rows[i]), q.Value, 1e-12)
				}
				require.Equal(t, 4, q.N)
				require.Equal(t, c.kind == spc.BetweenWithin && i > 0, q.HasMR)
				for _, h := range q.Hits {
					if h.Rule == monitor.SpreadBeyond && q.Spread.Value > 8 {
						require.Equal(t, "spread beyond upper limit", h.Words)
						spread++
					}
				}
			}
			require.GreaterOrEqual(t, spread, 1)
			found := false
			for _, s := range f.Signals() {
				found = found || s.Rule == monitor.SpreadBeyond && s.Value > s.Limits.Upper
			}
			require.True(t, found, "a spread opens a signal")
		})
	}
	def := individuals("press", 0)
	def.Kind, def.Subgroup = spc.MeanSD, 1
	_, err = monitor.New(monitor.Config{Press: p, Charts: []spc.Chart{def}})
	require.ErrorContains(t, err, "2 to 1000")
}

// TestAPhaseDropsTheSubgroupItCuts, and the panels of a stream follow each other whatever others come between.
func TestAPhaseDropsTheSubgroupItCuts(t *testing.T) {
	p := press(2)
	list := steady(p, 120, 15)
	def := individuals("mould", 5)
	def.Kind, def.Subgroup = spc.MeanRange, 4
	f := newFold(t, monitor.Config{Press: p, Charts: []spc.Chart{def}, Events: []spc.Event{event("plunger-change", "", list[61].Key.LineAt)}})
	f.add(t, list...)
	points := f.of("ind", "mould:1")
	require.Equal(t, list[54].Key.Panel, points[6].Panel, "the 28th of mould 1")
	require.Equal(t, 1, points[6].Phase)
	require.Equal(t, 2, points[7].Phase)
	require.Equal(t, list[68].Key.Panel, points[7].Panel, "three panels were dropped")
	mean := 0.0
	for _, i := range []int{62, 64, 66, 68} {
		mean += list[i].Characteristics["x"] / 4
	}
	require.InDelta(t, mean, points[7].Value, 1e-9)
}
