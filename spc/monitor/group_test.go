package monitor_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc"
	"sagwatch/spc/chart"
	"sagwatch/spc/monitor"
	"sagwatch/spc/runlength"
)

// TestGroupNamesTheMould: one mould leaves the others; the signal is its own, all others stay quiet, and the chart shows the
// farthest mould of each cycle.
func TestGroupNamesTheMould(t *testing.T) {
	p := press(7)
	list := steady(p, 7*300, 21)
	for i := range list {
		if i >= 7*250 {
			shift(&list[i], 3) // all moulds: no business of this chart
			if i%7 == 4 {
				shift(&list[i], 8)
			}
		}
	}
	c := cycleChart(spc.Group, 200)
	c.Limits.ARL0 = 2000
	f := newFold(t, monitor.Config{Site: "main", Press: p, Charts: []spc.Chart{c}})
	f.add(t, list...)
	var late []spc.Signal
	for _, s := range f.Signals() {
		if !s.At.Before(list[7*250].Key.LineAt) {
			late = append(late, s)
		}
	}
	require.Len(t, late, 1)
	require.Equal(t, "mould:5", late[0].Stream)
	require.Equal(t, "beyond upper limit", late[0].Words)
	require.Equal(t, list[7*251-1].Key.Panel, late[0].Panel, "the last panel of the first cycle")
	require.InDelta(t, 8*6.0/7, late[0].Value, 2.5)
	require.False(t, late[0].Ended)

	// Points are those of the group chart of the same baseline.
	in, ok := f.InForce("group", "press:A")
	require.True(t, ok)
	require.InDelta(t, 1, in.SigmaWithin, 0.08)
	centres := make([]float64, 7)
	sigmas := make([]float64, 7)
	for i, m := range in.Centres {
		centres[i], sigmas[i] = m.Centre, in.SigmaWithin
	}
	g, err := chart.NewGroupChart(chart.GroupModel{Centres: centres, Sigmas: sigmas, Alike: true}, chart.Width{Probability: 1.0 / 2000})
	require.NoError(t, err)
	exact, err := runlength.GroupLimit(7, true, 2000)
	require.NoError(t, err)
	require.InDelta(t, exact.L*in.SigmaWithin*math.Sqrt(6.0/7), in.Limits.Upper, 1e-5, "the limit of the run length by another route")
	points := f.of("group", "press:A")
	require.Len(t, points, 299)
	byMould := f.of("group", "mould:5")
	require.Len(t, byMould, 299)
	for j, q := range points {
		row := make([]chart.StreamValue, 7)
		for i := range row {
			row[i] = chart.StreamValue{Stream: i, Value: list[7*j+i].Characteristics["x"]}
		}
		want, devs, err := g.Step(nil, row)
		require.NoError(t, err)
		far := devs[want.Highest]
		if -want.MinZ > want.MaxZ {
			far = devs[want.Lowest]
		}
		require.InDelta(t, far.D, q.Value, 1e-9)
		require.InDelta(t, want.Limit.Z*far.SD, q.Limits.Upper, 1e-9)
		require.Equal(t, want.Signal, len(q.Hits) > 0)
		if !want.Signal || want.Highest == 4 && want.MaxZ > -want.MinZ {
			require.InDelta(t, devs[4].D, byMould[j].Value, 1e-9)
		}
		require.Equal(t, devs[4].Side != chart.Inside, len(byMould[j].Hits) > 0)
	}
	require.Equal(t, "mould 5 beyond upper limit", points[298].Hits[0].Words)
}

// TestGroupOfUnlikeMoulds: a mould that varies more is judged by its own standard deviation.
func TestGroupOfUnlikeMoulds(t *testing.T) {
	p := press(5)
	r := rand.New(rand.NewPCG(8, 8))
	var list []monitor.Observation
	for i := range 5 * 2200 {
		s := 1.0
		if i%5 == 2 {
			s = 3
		}
		list = append(list, observation(p, i, 100+float64(i%5)+s*r.NormFloat64()))
	}
	c := cycleChart(spc.Group, 200)
	c.Limits.ARL0 = 100
	f := newFold(t, monitor.Config{Site: "main", Press: p, Charts: []spc.Chart{c}})
	f.add(t, list...)
	in, _ := f.InForce("group", "press:A")
	require.Contains(t, in.Notes[0], "vary differently")
	hits := map[string]int{}
	for _, q := range f.points {
		if len(q.Hits) > 0 {
			hits[q.Stream]++
		}
	}
	// About one cycle in 100, at most; no mould stands out.
	require.InDelta(t, 22, hits["press:A"], 15)
	for _, m := range p.Moulds {
		require.Less(t, hits["mould:"+m], 15, "mould %s", m)
	}
	wide, narrow := f.of("group", "mould:3")[300].Limits, f.of("group", "mould:1")[300].Limits
	require.InDelta(t, math.Sqrt(9*0.6+13.0/25)/math.Sqrt(0.6+13.0/25), wide.Upper/narrow.Upper, 0.2)
}

// TestGroupRate: with incomplete cycles too, a steady press signals as often as wanted.
func TestGroupRate(t *testing.T) {
	p := press(6)
	r := rand.New(rand.NewPCG(18, 8))
	c := cycleChart(spc.Group, 1000)
	c.Limits.Probability = 0.02
	m, err := monitor.New(monitor.Config{Site: "main", Press: p, Charts: []spc.Chart{c}})
	require.NoError(t, err)
	n, hits := map[int]int{}, map[int]int{}
	m.Trace("group", "press:A", func(q monitor.Point) {
		n[q.N]++
		if len(q.Hits) > 0 {
			hits[q.N]++
		}
	})
	for i := range 6 * 8000 {
		level := 100 + float64(i%6) + 2*math.Sin(float64(i/6)) // what the moulds share is no matter
		o := observation(p, i, level+r.NormFloat64())
		o.Cycle = int64(i / 6)
		if i > 6*1100 && i%6 < 2 && (i/6)%2 == 0 {
			continue
		}
		require.NoError(t, m.Add(&o))
	}
	for _, size := range []int{4, 6} {
		want := 0.02 * float64(n[size])
		// Four standard errors, and what the estimation of one standard deviation from 5000 degrees of freedom leaves.
		require.InDelta(t, want, hits[size], 4*math.Sqrt(want)+0.1*want, "cycles of %d", size)
	}
}

// TestGroupThroughAMouldChange: the mould is left out until it has a centre; its series begins a phase, the others go on.
func TestGroupThroughAMouldChange(t *testing.T) {
	p := press(4)
	list := steady(p, 4*200, 31)
	for i := 4 * 100; i < len(list); i++ {
		if i%4 == 1 {
			shift(&list[i], 20) // the new casting has another level
		}
	}
	c := cycleChart(spc.Group, 40)
	c.Limits.ARL0 = 1e5
	f := newFold(t, monitor.Config{Site: "main", Press: p, Charts: []spc.Chart{c}, Events: []spc.Event{event("mould-change", "2", list[4*100].Key.LineAt)}})
	f.add(t, list...)
	require.Empty(t, f.Signals())
	two, one := f.of("group", "mould:2"), f.of("group", "mould:1")
	require.Len(t, one, 199)
	require.Len(t, two, 199-40)
	require.Equal(t, 1, two[99].Phase)
	require.Equal(t, 2, two[100].Phase)
	require.Equal(t, 1, one[198].Phase)
}

// TestGroupOfSkewedValues: deviations of logarithms, in the characteristic's unit, one limit.
func TestGroupOfSkewedValues(t *testing.T) {
	p := press(6)
	r := rand.New(rand.NewPCG(5, 8))
	c := spc.Chart{ID: "group", Press: "A", Characteristic: "max_deviation_um", Kind: spc.Group, Baseline: 1000, Limits: spc.LimitRule{Probability: 0.02, Side: "upper"}}
	f := newFold(t, monitor.Config{Site: "main", Press: p, Charts: []spc.Chart{c}})
	for i := range 6 * 4000 {
		o := observation(p, i, 0)
		o.Values.Set(spc.MaxDeviationUM, 90*math.Exp(0.2*r.NormFloat64()+0.05*float64(i%6)))
		f.add(t, o)
	}
	in, _ := f.InForce("group", "press:A")
	require.True(t, in.Log)
	require.False(t, in.Limits.HasLower)
	hits := 0
	for _, q := range f.of("group", "press:A") {
		hits += len(q.Hits)
		require.Greater(t, q.Value, 0.0, "the farthest upwards")
	}
	require.InDelta(t, 40, hits, 25, "half of 0.02 on the one side")
	require.InDelta(t, 90*math.Exp(0.125)*(math.Exp(3.0*0.2*math.Sqrt(5.0/6))-1), in.Limits.Upper, 12)
}
