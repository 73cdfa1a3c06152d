package monitor_test

import (
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc"
	"sagwatch/spc/monitor"
	"sagwatch/spc/multivariate"
)

var terms = []spc.Computed{spc.RadiusMM, spc.TwofoldUM, spc.TwistUM, spc.Cubic1UM, spc.Cubic2UM, spc.Cubic3UM, spc.Cubic4UM, spc.Bow4UM}

// shaped is n panels whose terms vary with standard deviation 1 about their mould's own, and 0.5 with the cycle.
func shaped(p *spc.Press, n int, seed uint64) []monitor.Observation {
	r := rand.New(rand.NewPCG(seed, 2))
	list := make([]monitor.Observation, n)
	var cycle [8]float64
	for i := range list {
		list[i] = observation(p, i, 0)
		list[i].Cycle = int64(i / len(p.Moulds))
		for k, c := range terms {
			if i%len(p.Moulds) == 0 {
				cycle[k] = 0.5 * r.NormFloat64()
			}
			list[i].Values.Set(c, float64(k*(i%len(p.Moulds)))+cycle[k]+r.NormFloat64())
		}
	}
	return list
}

func move(o *monitor.Observation, c spc.Computed, by float64) {
	x, _ := o.Values.Get(c)
	o.Values.Set(c, x+by)
}

// TestShapeOfAMould: T2 by mould is that of the multivariate baseline, and the evidence names the term.
func TestShapeOfAMould(t *testing.T) {
	p := press(3)
	list := shaped(p, 3*260, 4)
	for i := 3 * 230; i < len(list); i++ {
		if i%3 == 1 {
			move(&list[i], spc.Cubic2UM, 9)
		}
	}
	c := spc.Chart{ID: "t2", Press: "A", Kind: spc.TSquared, By: "mould", Limits: spc.LimitRule{ARL0: 2000}}
	f := newFold(t, monitor.Config{Site: "main", Press: p, Charts: []spc.Chart{c}})
	f.add(t, list...)
	var rows [][]float64
	for i := 1; i < len(list); i += 3 {
		row := make([]float64, len(terms))
		for k, c := range terms {
			row[k], _ = list[i].Values.Get(c)
		}
		rows = append(rows, row)
	}
	b, err := multivariate.Individuals(rows[:200], multivariate.Options{})
	require.NoError(t, err)
	t2, err := b.T2()
	require.NoError(t, err)
	limit, err := b.PhaseTwoLimit(1.0 / 2000)
	require.NoError(t, err)
	points := f.of("t2", "mould:2")
	require.Len(t, points, 260)
	for i, q := range points {
		want, err := t2.Statistic(rows[i])
		require.NoError(t, err)
		require.InEpsilon(t, want, q.Value, 1e-9)
		require.InEpsilon(t, limit, q.Limits.Upper, 1e-6)
		require.False(t, q.Limits.HasLower)
	}
	var late []spc.Signal
	for _, s := range f.Signals() {
		if s.Stream == "mould:2" && !s.Ended {
			late = append(late, s)
		}
	}
	require.Len(t, late, 1)
	require.Equal(t, "beyond upper limit", late[0].Words)
	last := late[0].Evidence[len(late[0].Evidence)-1]
	require.True(t, strings.HasPrefix(last.Words, "beyond upper limit: cubic 2 is "), last.Words)
	require.Contains(t, last.Words, "above its mean")
}

// TestShapeOfCycles: the means of the cycles, moulds' own centres taken off, at the rate of false signals wanted whatever is missing;
// what all moulds share shows.
func TestShapeOfCycles(t *testing.T) {
	p := press(5)
	n := 5 * 4000
	list := shaped(p, n+5*60, 6)
	for i := n; i < len(list); i++ {
		move(&list[i], spc.TwistUM, -3)
	}
	t2 := spc.Chart{ID: "t2", Press: "A", Characteristic: monitor.Shape, Kind: spc.TSquared, Baseline: 600, Limits: spc.LimitRule{Probability: 0.01}}
	drift := spc.Chart{ID: "drift", Press: "A", Kind: spc.MEWMA, Baseline: 600, EWMA: &spc.EWMA{Lambda: 0.3}, Limits: spc.LimitRule{ARL0: 100}}
	f := newFold(t, monitor.Config{Site: "main", Press: p, Charts: []spc.Chart{t2, drift}})
	for i, o := range list {
		if i > 5*700 && i < n && (i/5)%2 == 1 && i%5 < 2 {
			continue
		}
		f.add(t, o)
	}
	hits, count := map[int]int{}, map[int]int{}
	for _, q := range f.of("t2", "press:A") {
		if q.At.Before(list[5*701].Key.LineAt) || !q.At.Before(list[n].Key.LineAt) {
			continue
		}
		count[q.N]++
		hits[q.N] += len(q.Hits)
	}
	for _, size := range []int{3, 5} {
		require.Greater(t, count[size], 1500)
		require.InDelta(t, 0.01*float64(count[size]), hits[size], 16, "cycles of %d", size)
	}
	runs := 0
	for _, q := range f.of("drift", "press:A") {
		if q.At.Before(list[n].Key.LineAt) && len(q.Hits) > 0 {
			runs++
		}
	}
	require.Less(t, runs, 200)
	for _, id := range []string{"t2", "drift"} {
		points := f.of(id, "press:A")
		require.NotEmpty(t, points[len(points)-1].Hits)
		found := false
		for _, s := range f.Signals() {
			if s.Chart == id && !s.Ended {
				found = found || strings.Contains(s.Evidence[len(s.Evidence)-1].Words, "twist is ") && strings.Contains(s.Evidence[len(s.Evidence)-1].Words, "below its mean")
			}
		}
		require.True(t, found, id)
	}
}

// TestShapeThroughASnapshot: what follows is as without; other characteristics are refused.
func TestShapeThroughASnapshot(t *testing.T) {
	p := press(3)
	list := shaped(p, 3*80, 7)
	cfg := monitor.Config{Site: "main", Press: p, Charts: []spc.Chart{
		{ID: "a", Press: "A", Kind: spc.TSquared, Baseline: 30}, {ID: "b", Press: "A", Kind: spc.MEWMA, Baseline: 30, Limits: spc.LimitRule{K: 2}},
		{ID: "c", Press: "A", Kind: spc.MEWMA, By: "mould", Baseline: 30, Limits: spc.LimitRule{K: 2}}}}
	for _, cut := range []int{50, 91, 100, 160} {
		f := newFold(t, cfg)
		f.add(t, list[:cut]...)
		snapshot, err := f.Snapshot()
		require.NoError(t, err)
		m, err := monitor.Restore(cfg, snapshot)
		require.NoError(t, err)
		g := &fold{Monitor: m}
		m.Trace("", "", func(q monitor.Point) { g.points = append(g.points, q) })
		before := len(f.points)
		f.add(t, list[cut:]...)
		g.add(t, list[cut:]...)
		require.NotEmpty(t, g.points)
		require.Equal(t, f.points[before:], g.points)
		require.Equal(t, f.Signals(), g.Signals())
	}
	_, err := monitor.New(monitor.Config{Press: p, Charts: []spc.Chart{{ID: "c", Press: "A", Kind: spc.TSquared, Characteristic: "radius_mm"}}})
	require.ErrorContains(t, err, "shape")
}
