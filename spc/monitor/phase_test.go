package monitor_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/spc"
	"sagwatch/spc/chart"
	"sagwatch/spc/monitor"
)

func event(kind, mould string, at time.Time) spc.Event {
	return spc.Event{Press: "A", Kind: kind, Mould: mould, At: at}
}

// TestPlungerChange: every stream begins a phase; after ten points the limits of the phase before guard it about the
// new centre; the provisional limits then find the guard's panel again, as the same signal.
func TestPlungerChange(t *testing.T) {
	p := press(0)
	x := []float64{9, 10, 11, 10, 12, 10, 9, 10, 11, 8, 10, 11, 9, 10, 10, 11, 10, 9, 10, 10} // phase 1
	after := []float64{29, 30, 31, 30, 32, 30, 29, 30, 31, 28, 30, 39, 31, 30, 29, 30, 31, 30, 29, 30}
	events := []spc.Event{event("note", "", start), event("plunger-change", "", start.Add(195*time.Second)), {Press: "B", Kind: "plunger-change", At: start}}
	f := newFold(t, monitor.Config{Press: p, Events: events, Charts: []spc.Chart{individuals("press", 20)}})
	for i, v := range x {
		f.add(t, observation(p, i, v))
	}
	first, ok := f.InForce("ind", "press:A")
	require.True(t, ok)
	for i, v := range after[:12] {
		f.add(t, observation(p, 20+i, v))
	}
	_, ok = f.InForce("ind", "press:A")
	require.False(t, ok)
	pending := f.Pending("ind", "")
	require.Len(t, pending, 12)
	require.Empty(t, pending[9].Source, "the tenth point has nine before it")
	require.Equal(t, spc.Guard, pending[10].Source)
	require.InDelta(t, 30, pending[10].Limits.Centre, 1e-12)
	require.InDelta(t, 30+(first.Limits.Upper-first.Limits.Centre)*math.Sqrt(1.1), pending[10].Limits.Upper, 1e-12)
	require.Equal(t, "beyond upper limit", pending[11].Hits[0].Words)
	guard := f.TakeSignals()
	require.Len(t, guard, 1)
	require.Equal(t, 2, guard[0].Phase)
	require.Equal(t, "S000031", guard[0].Panel)
	require.False(t, guard[0].Ended)
	require.Equal(t, pending[11].Limits, guard[0].Limits)

	for i, v := range after[12:] {
		f.add(t, observation(p, 32+i, v))
	}
	require.Len(t, f.points, 40)
	found := f.TakeSignals()
	require.Len(t, found, 1, "one fault, one signal")
	require.Equal(t, guard[0].ID, found[0].ID)
	require.Equal(t, 4, found[0].Hits, "guard, provisional limits, the jump up and the jump back")
	require.Equal(t, guard[0].Limits, found[0].Limits, "the limits at the first signalling point stay")
	require.False(t, f.points[20].HasMR, "no moving range crosses a phase")
	require.Equal(t, 2, f.points[20].Phase)
	log := f.LimitsLog()
	require.Len(t, log, 2)
	require.Equal(t, 2, log[1].Phase)
	require.Equal(t, start.Add(200*time.Second), log[1].From)
	require.Equal(t, start.Add(390*time.Second), log[1].KnownAt)
}

// TestGuardOfCycles: after a plunger change complete cycles are guarded about the mean of those so far.
func TestGuardOfCycles(t *testing.T) {
	p := press(4)
	list := steady(p, 4*60, 11)
	for i := 4 * 30; i < len(list); i++ {
		shift(&list[i], 50)
	}
	for i := 4 * 45; i < 4*46; i++ {
		shift(&list[i], 6)
	}
	list[4*50].Characteristics["x"] += 12
	ev := []spc.Event{event("plunger-change", "", list[4*30].Key.LineAt)}
	f := newFold(t, monitor.Config{Press: p, Events: ev, Charts: []spc.Chart{cycleChart(spc.CycleMean, 30), cycleChart(spc.CycleSpread, 30)}})
	f.add(t, list[:4*55]...)
	byChart := map[string][]string{}
	for _, s := range f.Signals() {
		require.Equal(t, 2, s.Phase)
		byChart[s.Chart] = append(byChart[s.Chart], s.Panel)
	}
	require.Equal(t, list[4*45+3].Key.Panel, byChart["cycle-mean"][0])
	require.Equal(t, list[4*50+3].Key.Panel, byChart["cycle-spread"][0])
	for _, pt := range f.Pending("cycle-spread", "") {
		require.True(t, pt.Hollow || pt.Source == spc.Guard || pt.Have > 10 && pt.Have <= 20, "no spread is shown before the centres show")
	}
}

// TestMouldChange: the mould's own chart begins a phase, the others go on; on the cycle charts the mould is left out until
// it has its own centre, and the press's phase goes on at its level.
func TestMouldChange(t *testing.T) {
	p := press(4)
	list := steady(p, 4*100, 17)
	for i := 4 * 40; i < len(list); i++ {
		if list[i].Mould == "3" {
			shift(&list[i], 40)
		}
	}
	change := list[4*40].Key.LineAt.Add(time.Second)
	f := newFold(t, monitor.Config{Press: p, Events: []spc.Event{event("mould-change", "3", change)},
		Charts: []spc.Chart{individuals("mould", 20), cycleChart(spc.CycleMean, 20), cycleChart(spc.CycleSpread, 20)}})
	f.add(t, list...)
	require.Equal(t, 2, f.of("ind", "mould:3")[40].Phase)
	require.Equal(t, 1, f.of("ind", "mould:3")[39].Phase)
	require.Equal(t, 1, f.of("ind", "mould:2")[99].Phase)
	cycles := f.of("cycle-mean", "")
	require.Len(t, cycles, 99)
	for j, pt := range cycles {
		require.Equal(t, 1, pt.Phase)
		want := 4
		if j >= 40 && j < 60 {
			want = 3
		}
		require.Equal(t, want, pt.N, "cycle %d", j)
		require.InDelta(t, 101.5, pt.Value, 3, "a new casting's level is not the press's")
	}
	for _, s := range f.Signals() {
		require.NotEqual(t, "cycle-spread", s.Chart)
	}
}

// TestMouldChangeInBaseline: the old and the new casting are two streams of the baseline.
func TestMouldChangeInBaseline(t *testing.T) {
	p := press(4)
	list := steady(p, 4*45, 19)
	for i := 4 * 20; i < len(list); i++ {
		if list[i].Mould == "3" {
			shift(&list[i], 40)
		}
	}
	f := newFold(t, monitor.Config{Press: p, Events: []spc.Event{event("mould-change", "3", list[4*20].Key.LineAt)},
		Charts: []spc.Chart{cycleChart(spc.CycleSpread, 40)}})
	f.add(t, list...)
	points := f.of("cycle-spread", "")
	require.Len(t, points, 44)
	for _, pt := range points {
		require.Equal(t, 4, pt.N)
		require.Less(t, pt.Value, 3.0)
	}
	l, _ := f.InForce("cycle-spread", "press:A")
	require.InDelta(t, 142, l.Centres[2].Centre, 1.5)
}

// TestMouldChangeLateInBaseline: four values are no centre, so the new casting is left out of the baseline's last four cycles
// and waits for forty values, those four among them.
func TestMouldChangeLateInBaseline(t *testing.T) {
	p := press(4)
	list := steady(p, 4*80, 19)
	for i := 4 * 36; i < len(list); i++ {
		if list[i].Mould == "3" {
			shift(&list[i], 40)
		}
	}
	f := newFold(t, monitor.Config{Press: p, Events: []spc.Event{event("mould-change", "3", list[4*36].Key.LineAt)},
		Charts: []spc.Chart{cycleChart(spc.CycleMean, 40)}})
	f.add(t, list...)
	points := f.of("cycle-mean", "")
	require.Len(t, points, 79)
	for j, pt := range points {
		want := 4
		if j >= 36 && j < 76 {
			want = 3
		}
		require.Equal(t, want, pt.N, "cycle %d", j)
		require.InDelta(t, 101.5, pt.Value, 2.5)
	}
}

// TestRunsStartAfresh: four above the centre, new limits with the same centre, one more: no five on one side.
func TestRunsStartAfresh(t *testing.T) {
	p := press(0)
	c := individuals("press", 0)
	lower, centre, upper := -3.0, 0.0, 3.0
	c.Limits = spc.LimitRule{Lower: &lower, Centre: &centre, Upper: &upper}
	c.Rules = []spc.RuleSetting{{Key: "run-one-side", Count: 5}}
	given := spc.Limits{Lower: -4, Upper: 4, HasLower: true, HasUpper: true, HasCentre: true}
	at := func(i int) time.Time { return start.Add(time.Duration(i) * 10 * time.Second) }
	for name, cfg := range map[string]monitor.Config{
		"limits": {Posted: []spc.PostedLimits{{Chart: "ind", Given: &given, EffectiveFrom: at(4)}}},
		"phase":  {Events: []spc.Event{event("product-change", "", at(4))}},
	} {
		t.Run(name, func(t *testing.T) {
			cfg.Press, cfg.Charts = p, []spc.Chart{c}
			f := newFold(t, cfg)
			for i := range 9 {
				f.add(t, observation(p, i, 1))
				require.Equal(t, i == 8, len(f.Signals()) == 1, "panel %d", i)
			}
			s := f.Signals()[0]
			require.Equal(t, "5 on one side", s.Words)
			require.Equal(t, []string{"S000004", "S000005", "S000006", "S000007", "S000008"}, s.Evidence[0].Panels)
			require.Equal(t, monitor.Hit{Rule: "run-one-side", Words: "5 on one side", Back: 5, Mask: 31}, f.points[8].Hits[0])
		})
	}
}

// TestMostMouldsChanged: with fewer than half the centres left the cycle charts begin a phase.
func TestMostMouldsChanged(t *testing.T) {
	p := press(4)
	list := steady(p, 4*60, 23)
	f := newFold(t, monitor.Config{Press: p, Events: []spc.Event{event("mould-change", "", list[4*30].Key.LineAt)}, Charts: []spc.Chart{cycleChart(spc.CycleMean, 20)}})
	f.add(t, list...)
	points := f.of("cycle-mean", "")
	require.Len(t, points, 59)
	require.Equal(t, 2, points[40].Phase)
	require.Equal(t, spc.Provisional, points[40].Source)
}

// TestStationOutOfUse: a press on which one station never presses gets its limits from twice as many cycles.
func TestStationOutOfUse(t *testing.T) {
	p := press(4)
	var list []monitor.Observation
	for i, o := range steady(p, 4*60, 29) {
		if i%4 != 2 {
			list = append(list, o)
		}
	}
	f := newFold(t, monitor.Config{Press: p, Charts: []spc.Chart{cycleChart(spc.CycleMean, 20)}})
	f.add(t, list...)
	points := f.of("cycle-mean", "")
	require.Len(t, points, 59)
	require.Equal(t, 3, points[0].N)
	require.InDelta(t, 1/math.Sqrt(3), points[0].Limits.Sigma, 0.2)
}

func TestPostedLimits(t *testing.T) {
	p := press(0)
	given := spc.Limits{Lower: 5, Centre: 10, Upper: 15, HasLower: true, HasCentre: true, HasUpper: true}
	at := func(i int) time.Time { return start.Add(time.Duration(i) * 10 * time.Second) }
	posted := []spc.PostedLimits{
		{Chart: "ind", EffectiveFrom: at(30), Given: &given, Revision: 2, By: "Kask", Reason: "trial"},
		// Effective before its baseline's end: holds from the end on.
		{Chart: "ind", BaselineFrom: at(5), BaselineTo: at(15), EffectiveFrom: at(2), Revision: 1},
		{Chart: "ind", BaselineFrom: at(900), BaselineTo: at(901), EffectiveFrom: at(35), Revision: 3},
		{Chart: "other", EffectiveFrom: at(1), Given: &given},
	}
	x := []float64{9, 10, 11, 10, 12, 10, 9, 10, 11, 8, 10, 11, 9, 10, 10, 16}
	f := newFold(t, monitor.Config{Press: p, Posted: posted, Charts: []spc.Chart{individuals("press", 200)}})
	for i := range 40 {
		f.add(t, observation(p, i, x[i%len(x)]))
	}
	require.Len(t, f.points, 40)
	res, err := chart.Individuals(x[5:15], chart.IndividualsOptions{})
	require.NoError(t, err)
	for i, pt := range f.points {
		switch {
		case i < 15:
			require.Empty(t, pt.Source, "never judged: frozen limits came first")
			require.Zero(t, pt.Need)
		case i < 30:
			require.Equal(t, spc.Frozen, pt.Source)
			require.InDelta(t, res.Limits.Upper, pt.Limits.Upper, 1e-12)
		default:
			require.Equal(t, given, pt.Limits)
		}
		require.Equal(t, i > 15 && i != 30, pt.HasMR && i != 30 || i > 15 && i != 30, "%d", i)
	}
	require.False(t, f.points[15].HasMR)
	require.False(t, f.points[30].HasMR)
	s := f.Signals()
	require.Len(t, s, 2, "new limits end a signal: 16 at point 15 under one, at 31 under the other")
	require.Equal(t, []string{"S000015", "S000031"}, []string{s[0].Panel, s[1].Panel})
	require.True(t, s[0].Ended)
	log := f.LimitsLog()
	require.Len(t, log, 2)
	require.Equal(t, 10, log[0].N)
	require.Equal(t, []any{"Kask", "trial", 2}, []any{log[1].By, log[1].Reason, log[1].Revision})
}

func TestPostedLimitsOfCycles(t *testing.T) {
	p := press(4)
	list := steady(p, 4*80, 31)
	at := func(cycle int) time.Time { return list[4*cycle].Key.LineAt }
	f := newFold(t, monitor.Config{Press: p, Charts: []spc.Chart{cycleChart(spc.CycleMean, 20), cycleChart(spc.CycleSpread, 20)},
		Posted: []spc.PostedLimits{{Chart: "cycle-mean", Stream: "press:A", BaselineFrom: at(10), BaselineTo: at(50), EffectiveFrom: at(60)},
			{Chart: "cycle-spread", BaselineFrom: at(0), BaselineTo: at(3), EffectiveFrom: at(10)}}})
	f.add(t, list...)
	var mean, ss float64
	points := f.of("cycle-mean", "")
	for _, pt := range points[10:50] {
		mean += pt.Value / 40
	}
	for _, pt := range points[10:50] {
		ss += (pt.Value - mean) * (pt.Value - mean)
	}
	require.Equal(t, spc.Provisional, points[59].Source)
	require.Equal(t, spc.Frozen, points[60].Source)
	require.InDelta(t, mean, points[60].Limits.Centre, 1e-9)
	require.InDelta(t, math.Sqrt(ss/39), points[60].Limits.Sigma, 1e-9)
	// Effective inside the provisional baseline: it waits for the moulds' centres.
	spreads := f.of("cycle-spread", "")
	require.Equal(t, spc.Provisional, spreads[19].Source)
	require.Equal(t, spc.Frozen, spreads[20].Source)
}

func TestExcludedPointsAreShownAndCountForNothing(t *testing.T) {
	p := press(2)
	list := steady(p, 2*40, 37)
	clean := newFold(t, monitor.Config{Press: p, Charts: []spc.Chart{individuals("mould", 10), cycleChart(spc.CycleMean, 10)}})
	clean.add(t, list...)
	var with []monitor.Observation
	for i, o := range list {
		if i == 4 || i == 60 {
			// One more panel of mould 1, half a takt before, excluded.
			x := observation(p, i, 1e6)
			x.Key.LineAt = x.Key.LineAt.Add(-5 * time.Second)
			x.Key.Panel, x.Measurement, x.Excluded = "X", int64(1000+i), "dropped in the lehr"
			with = append(with, x)
		}
		with = append(with, o)
	}
	f := newFold(t, monitor.Config{Press: p, Charts: []spc.Chart{individuals("mould", 10), cycleChart(spc.CycleMean, 10)}})
	f.add(t, with...)
	require.Equal(t, clean.Signals(), f.Signals())
	a, b := clean.of("ind", "mould:1"), f.of("ind", "mould:1")
	require.Len(t, b, len(a)+2)
	excluded := 0
	for _, pt := range b {
		if pt.Excluded != "" {
			require.Equal(t, "dropped in the lehr", pt.Excluded)
			require.False(t, pt.HasMR)
			require.Empty(t, pt.Hits)
			excluded++
			continue
		}
		want := a[0]
		a = a[1:]
		require.Equal(t, want.Value, pt.Value)
		require.Equal(t, want.Limits, pt.Limits)
	}
	require.Equal(t, 2, excluded)
	require.Equal(t, clean.of("cycle-mean", ""), f.of("cycle-mean", ""))
}

func TestGaugeMonitor(t *testing.T) {
	u := 5.0
	g := spc.Gauge{ID: "CG-1", Masters: []spc.Master{{Panel: "M-2", AllowedUM: u}}}
	charts := monitor.StandardGaugeCharts(g)
	require.Len(t, charts, 2)
	require.Equal(t, "CG-1.master", charts[0].ID)
	f := newFold(t, monitor.Config{Gauge: "CG-1", Charts: charts, Events: []spc.Event{{Gauge: "CG-1", Kind: "gauge-service", At: start.Add(50 * 4 * time.Hour)}}})
	for i := range 65 {
		o := monitor.Observation{Key: spc.OrderKey{LineAt: start.Add(time.Duration(i) * 4 * time.Hour), Gauge: "CG-1", Panel: "M-2"}, Measurement: int64(i)}
		o.Values.Set(spc.MasterMaxErrorUM, 1+0.3*math.Sin(float64(i*i)))
		o.Values.Set(spc.MasterRadiusErrorMM, 0.001*math.Cos(float64(i*i)))
		if i == 44 || i == 62 {
			o.Values.Set(spc.MasterMaxErrorUM, 20)
		}
		if i == 47 {
			o.Values.Set(spc.MasterRadiusErrorMM, -0.1)
		}
		f.add(t, o)
	}
	found := f.TakeSignals()
	require.Len(t, found, 3)
	ids := map[string]bool{}
	for _, s := range found {
		require.Equal(t, "gauge:CG-1", s.Stream)
		require.Equal(t, "CG-1", s.Gauge)
		require.Equal(t, "M-2", s.Panel)
		ids[s.ID] = true
	}
	require.Len(t, ids, 3, "the same master comes again: its time tells signals apart")
	require.Equal(t, 2, found[2].Phase)
	l := f.LimitsLog()[0]
	require.True(t, l.Log)
	require.Greater(t, l.Limits.Lower, 0.0)
	require.Greater(t, l.Limits.Upper-l.Limits.Centre, l.Limits.Centre-l.Limits.Lower)
}
