package monitor_test

import (
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/spc"
	"sagwatch/spc/monitor"
)

func TestNewRefuses(t *testing.T) {
	nan, one, two := math.NaN(), 1.0, 2.0
	for want, edit := range map[string]func(*spc.Chart, *monitor.Config){
		"chart ind: is of press \"B\", not of \"A\"":                       func(c *spc.Chart, _ *monitor.Config) { c.Press = "B" },
		"chart ind: names no characteristic":                               func(c *spc.Chart, _ *monitor.Config) { c.Characteristic = "" },
		"chart ind: baseline 1; it must be at least 2 points":              func(c *spc.Chart, _ *monitor.Config) { c.Baseline = 1 },
		"chart ind: by \"probe\"; a chart is by mould":                     func(c *spc.Chart, _ *monitor.Config) { c.By = "probe" },
		"chart ind: by \"mould\" has no meaning here":                      func(c *spc.Chart, _ *monitor.Config) { c.Kind, c.By = spc.CycleMean, "mould" },
		"chart ind: rules[0]: upwards":                                     func(c *spc.Chart, _ *monitor.Config) { c.Rules = []spc.RuleSetting{{Key: "upwards"}} },
		"chart ind: the sigma multiple of the limits is -1":                func(c *spc.Chart, _ *monitor.Config) { c.Limits.K = -1 },
		"chart ind: limits must be finite":                                 func(c *spc.Chart, _ *monitor.Config) { c.Limits.Upper = &nan },
		"chart ind: limits must be finite, with lower":                     func(c *spc.Chart, _ *monitor.Config) { c.Limits.Lower, c.Limits.Upper = &two, &one },
		"chart ind: limits need a lower or an upper":                       func(c *spc.Chart, _ *monitor.Config) { c.Limits.Centre = &one },
		"chart ind: posted limits 1 have neither given values":             func(c *spc.Chart, m *monitor.Config) { m.Posted = []spc.PostedLimits{{Chart: "ind"}} },
		"chart ind: a cycle-mean chart needs a press of at least 2 moulds": func(c *spc.Chart, m *monitor.Config) { c.Kind, m.Press = spc.CycleMean, press(1) },
		"chart ind: is defined twice":                                      func(c *spc.Chart, m *monitor.Config) { m.Charts = append(m.Charts, *c) },
		"monitor: a fold needs a press or a gauge":                         func(c *spc.Chart, m *monitor.Config) { m.Press = nil },
		"monitor: press A: mould \"1\" is empty or comes twice":            func(c *spc.Chart, m *monitor.Config) { m.Press.Moulds = []string{"1", "1"} },
		"monitor: press A: takt_s NaN":                                     func(c *spc.Chart, m *monitor.Config) { m.Press.TaktS = nan },
	} {
		c := individuals("press", 0)
		cfg := monitor.Config{Press: press(3)}
		edit(&c, &cfg)
		cfg.Charts = append(cfg.Charts, c)
		_, err := monitor.New(cfg)
		require.ErrorContains(t, err, want)
	}
}

func TestAddRefuses(t *testing.T) {
	p := press(3)
	f := newFold(t, monitor.Config{Press: p, Charts: []spc.Chart{individuals("press", 3)}})
	a, b := observation(p, 0, 1), observation(p, 1, 2)
	f.add(t, b)
	require.ErrorIs(t, f.Add(&a), monitor.ErrOrder)
	require.ErrorIs(t, f.Add(&b), monitor.ErrOrder)
	c := observation(p, 2, 1)
	c.Press = "B"
	require.ErrorContains(t, f.Add(&c), `panel S000002 is of press "B", this fold is of press "A"`)
	require.EqualValues(t, 1, f.Count())
}

func TestBaselineThatDoesNotVary(t *testing.T) {
	p := press(0)
	f := newFold(t, monitor.Config{Press: p, Charts: []spc.Chart{individuals("press", 5)}})
	for i := range 5 {
		f.add(t, observation(p, i, 7))
	}
	require.Len(t, f.points, 5)
	require.Empty(t, f.points[4].Source)
	require.Contains(t, f.LimitsLog()[0].Refused, "do not vary")
	for i, x := range []float64{7, 8, 7, 9, 7} {
		f.add(t, observation(p, 5+i, x))
	}
	require.Equal(t, spc.Provisional, f.points[9].Source)
}

func TestRestoreRefuses(t *testing.T) {
	p := press(3)
	cfg := monitor.Config{Site: "main", Press: p, Charts: []spc.Chart{individuals("mould", 5), cycleChart(spc.CycleMean, 5)}}
	f := newFold(t, cfg)
	list := steady(p, 40, 1)
	f.add(t, list...)
	snapshot, err := f.Snapshot()
	require.NoError(t, err)
	for i := range snapshot {
		bad := append([]byte(nil), snapshot...)
		bad[i] ^= 1
		_, err := monitor.Restore(cfg, bad)
		require.ErrorIs(t, err, monitor.ErrDamaged)
		_, err = monitor.Restore(cfg, snapshot[:i])
		require.ErrorIs(t, err, monitor.ErrDamaged)
	}
	last := f.Last().LineAt
	given := spc.Limits{Upper: 5, HasUpper: true}
	for name, c := range map[string]struct {
		edit  func(*monitor.Config)
		stale bool
	}{
		"an event before": {func(c *monitor.Config) { c.Events = []spc.Event{event("mould-change", "2", last)} }, true},
		"an event after":  {func(c *monitor.Config) { c.Events = []spc.Event{event("mould-change", "2", last.Add(1))} }, false},
		"a note before":   {func(c *monitor.Config) { c.Events = []spc.Event{event("note", "", start)} }, false},
		"limits from before": {func(c *monitor.Config) {
			c.Posted = []spc.PostedLimits{{Chart: "ind", EffectiveFrom: last, Given: &given}}
		}, true},
		"limits from later": {func(c *monitor.Config) {
			c.Posted = []spc.PostedLimits{{Chart: "ind", EffectiveFrom: last.Add(1), Given: &given}}
		}, false},
		"a baseline behind": {func(c *monitor.Config) {
			c.Posted = []spc.PostedLimits{{Chart: "ind", EffectiveFrom: last.Add(9), BaselineFrom: start, BaselineTo: last}}
		}, true},
		"limits of another chart": {func(c *monitor.Config) {
			c.Posted = []spc.PostedLimits{{Chart: "x", EffectiveFrom: start, Given: &given}}
		}, false},
		"a rule more": {func(c *monitor.Config) {
			c.Charts = append([]spc.Chart(nil), c.Charts...)
			c.Charts[0].Rules = []spc.RuleSetting{{Key: "trend"}}
		}, true},
		"another takt":             {func(c *monitor.Config) { q := *c.Press; q.TaktS = 11; c.Press = &q }, true},
		"another site":             {func(c *monitor.Config) { c.Site = "two" }, true},
		"another lehr (not ours)":  {func(c *monitor.Config) { q := *c.Press; q.LehrMinutes = 11; c.Press = &q }, false},
		"a retired chart (no use)": {func(c *monitor.Config) { c.Charts = append([]spc.Chart{{ID: "old", Retired: true}}, c.Charts...) }, false},
	} {
		t.Run(name, func(t *testing.T) {
			changed := cfg
			c.edit(&changed)
			_, err := monitor.Restore(changed, snapshot)
			if c.stale {
				require.ErrorIs(t, err, monitor.ErrStale)
			} else {
				require.NoError(t, err)
			}
		})
	}
}

func TestTrack(t *testing.T) {
	p := press(3)
	f := newFold(t, monitor.Config{Press: p, Charts: []spc.Chart{individuals("mould", 5)}})
	track := monitor.NewTrack(10, 3)
	list := steady(p, 55, 1)
	for _, o := range list {
		f.add(t, o)
		require.NoError(t, track.Note(f.Monitor))
	}
	_, after, ok := track.Before(list[45].Key)
	require.True(t, ok)
	require.Equal(t, list[39].Key, after)
	_, _, ok = track.Before(list[29].Key)
	require.False(t, ok, "only the latest three are kept, and a checkpoint must not hold the late panel's equal")
	track.Drop(list[45].Key)
	_, after, ok = track.Before(list[54].Key)
	require.True(t, ok)
	require.Equal(t, list[39].Key, after)
}

func TestStandardSet(t *testing.T) {
	product := spc.Product{ID: "P25", Contour: &spc.Contour{Kind: spc.ContourSphere, R: 1107.5}}
	set := monitor.StandardSet(*press(11), product)
	require.Len(t, set, 21)
	var ids []string
	for _, c := range set {
		ids = append(ids, c.ID)
		require.True(t, c.Standard)
		require.Equal(t, []spc.RuleSetting{{Key: "beyond-limits"}}, c.Rules)
	}
	require.Equal(t, []string{"A.P25.radius_mm.cycle-mean", "A.P25.radius_mm.group", "A.P25.radius_mm.ewma", "A.P25.radius_mm.cycle-spread", "A.P25.radius_mm.individuals.mould"}, ids[:5])
	// 17 charts of 2880 / 11 cycles share one false signal a shift.
	require.InDelta(t, 17*2880.0/11, set[1].Limits.ARL0, 1e-6)
	require.InDelta(t, 17*2880.0/11, set[2].Limits.ARL0, 1e-6)
	p0 := 1 / set[0].Limits.ARL0
	require.InEpsilon(t, 11/(17*2880.0), p0*math.Pow(1-p0, monitor.Quiet), 1e-9, "signals begin after 20 quiet points")
	require.True(t, set[4].Quiet)
	require.Equal(t, "upper", set[5].Limits.Side)
	require.Contains(t, ids, "A.P25.twist_um.cycle-spread")
	require.Equal(t, "A.P25.shape.t2", ids[20])
	no := false
	p := press(11)
	p.StandardCharts = &no
	require.Empty(t, monitor.StandardSet(*p, product))
	require.Len(t, monitor.StandardSet(*press(1), product), 9)
	for _, odd := range []spc.Press{{ID: "A", Moulds: []string{"1", "2"}, TaktS: 1e5}, {ID: "A", TaktS: 1e-3}, {ID: "A", FalseSignals: 1e9}, {ID: "A", FalseSignals: 1e-9, Moulds: press(60).Moulds}} {
		list := monitor.StandardSet(odd, product)
		require.NotEmpty(t, list)
		for _, c := range list {
			require.NoError(t, monitor.CheckChart(c, odd), "%+v", odd)
		}
	}
	require.Empty(t, monitor.StandardSet(*press(11), spc.Product{ID: "D"}))
	require.Empty(t, monitor.StandardGaugeCharts(spc.Gauge{ID: "CG-1"}))
	m, err := monitor.New(monitor.Config{Press: press(11), Charts: set})
	require.NoError(t, err)
	require.Equal(t, ids, m.Charts())
}

// FuzzFold feeds odd values, times, moulds and cycles: nothing panics, no output holds a number that is not finite, and
// a snapshot taken midway changes nothing.
func FuzzFold(f *testing.F) {
	f.Add([]byte("\x00\x00\x00\x00\x00\x00\xf0\x3f\x01\x02\x03\x04"), uint8(3))
	f.Add([]byte{1, 2, 3, 4, 5, 6, 7, 0x7f, 0, 0, 0, 0, 1, 2, 3, 4, 5, 6, 0xf0, 0x7f, 1, 1, 1, 1}, uint8(2))
	long := make([]byte, 12*200)
	r := rand.New(rand.NewPCG(1, 1))
	for i := range long {
		long[i] = byte(r.Uint32())
	}
	f.Add(long, uint8(4))
	f.Fuzz(func(t *testing.T, data []byte, baseline uint8) {
		p := press(4)
		b := 2 + int(baseline)%8
		cfg := monitor.Config{Press: p, Charts: []spc.Chart{individuals("mould", b), cycleChart(spc.CycleMean, b), cycleChart(spc.CycleSpread, b),
			{ID: "dev", Press: "A", Characteristic: "max_deviation_um", Kind: spc.Individuals, Baseline: b},
			{ID: "dev-mean", Press: "A", Characteristic: "max_deviation_um", Kind: spc.CycleMean, Baseline: b},
			{ID: "dev-spread", Press: "A", Characteristic: "max_deviation_um", Kind: spc.CycleSpread, Baseline: b}},
			Events: []spc.Event{event("plunger-change", "", start.Add(700*time.Second)), event("mould-change", "2", start.Add(300*time.Second))}}
		one, err := monitor.New(cfg)
		require.NoError(t, err)
		two, err := monitor.New(cfg)
		require.NoError(t, err)
		var a, b2 []monitor.Point
		one.Trace("", "", func(q monitor.Point) { a = append(a, q) })
		two.Trace("", "", func(q monitor.Point) { b2 = append(b2, q) })
		at := 0
		for i := 0; len(data) >= 12; i++ {
			x := math.Float64frombits(binary.LittleEndian.Uint64(data))
			flags := data[8:12]
			data = data[12:]
			at += int(flags[0])
			o := observation(p, at, x)
			o.Key.Panel, o.Key.Sequence = fmt.Sprint(i), int64(i)
			o.Mould = []string{"1", "2", "3", "4", "", "9"}[flags[1]%6]
			if flags[1] > 128 {
				o.Mould = p.Moulds[i%4]
			}
			o.Values.Set(spc.MaxDeviationUM, x)
			if flags[2] > 200 {
				o.Cycle = int64(flags[2]) - 201
			}
			if flags[3] == 7 {
				o.Excluded = "odd"
			}
			require.NoError(t, one.Add(&o))
			require.NoError(t, two.Add(&o))
			if flags[3]%32 == 1 {
				s, err := two.Snapshot()
				require.NoError(t, err)
				two, err = monitor.Restore(cfg, s)
				require.NoError(t, err)
				two.Trace("", "", func(q monitor.Point) { b2 = append(b2, q) })
			}
		}
		require.Equal(t, a, b2)
		require.Equal(t, one.Pending("", ""), two.Pending("", ""))
		require.Equal(t, one.Findings(), two.Findings())
		require.Equal(t, one.LimitsLog(), two.LimitsLog())
		for _, q := range append(a, one.Pending("", "")...) {
			for _, v := range []float64{q.Value, q.MR, q.Limits.Lower, q.Limits.Centre, q.Limits.Upper, q.Limits.Sigma, q.MRLimits.Upper} {
				require.False(t, math.IsNaN(v) || math.IsInf(v, 0), "%+v", q)
			}
		}
	})
}

// plant is the standard set of one press, and observations for it made beforehand.
func plant(n int) (monitor.Config, []monitor.Observation) {
	p := press(11)
	cfg := monitor.Config{Site: "main", Press: p, Charts: monitor.StandardSet(*p, spc.Product{ID: "P25", Contour: &spc.Contour{}})}
	r := rand.New(rand.NewPCG(9, 9))
	list := make([]monitor.Observation, n)
	for i := range list {
		list[i] = observation(p, i, 0)
		list[i].Characteristics = nil
		list[i].Values.Set(spc.RadiusMM, 1107.5+0.1*float64(i%11)+0.3*r.NormFloat64())
		list[i].Values.Set(spc.MaxDeviationUM, 90*math.Exp(0.2*r.NormFloat64()))
		list[i].Values.Set(spc.TwofoldUM, 10*r.NormFloat64())
		list[i].Values.Set(spc.TwistUM, 10*r.NormFloat64())
		for _, c := range []spc.Computed{spc.Cubic1UM, spc.Cubic2UM, spc.Cubic3UM, spc.Cubic4UM, spc.Bow4UM} {
			list[i].Values.Set(c, 5*r.NormFloat64())
		}
	}
	return cfg, list
}

// BenchmarkStandardSet is one panel through the standard set of a press: 4 characteristics, each with 11 moulds' charts, the
// cycle mean, the group chart, the moving average and the cycle spread; and T2.
func BenchmarkStandardSet(b *testing.B) {
	cfg, list := plant(10000)
	m, err := monitor.New(cfg)
	require.NoError(b, err)
	b.ReportAllocs()
	at := start
	for i := 0; b.Loop(); i++ {
		o := &list[i%len(list)]
		at = at.Add(10 * time.Second)
		o.Key.LineAt = at
		if err := m.Add(o); err != nil {
			b.Fatal(err)
		}
		if i%1000 == 0 {
			m.TakeSignals()
			m.TakeLimits()
		}
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "panels/s")
}

func BenchmarkSnapshot(b *testing.B) {
	for _, n := range []int{2100, 10000} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			cfg, list := plant(n)
			m, err := monitor.New(cfg)
			require.NoError(b, err)
			for i := range list {
				require.NoError(b, m.Add(&list[i]))
			}
			m.TakeSignals()
			m.TakeLimits()
			var s []byte
			for b.Loop() {
				s, err = m.Snapshot()
				require.NoError(b, err)
			}
			b.ReportMetric(float64(len(s)), "bytes")
		})
	}
}
