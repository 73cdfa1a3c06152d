package present_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/server/present"
	"sagwatch/server/watch"
	"sagwatch/spc"
	"sagwatch/spc/monitor"
	"sagwatch/store"
	"sagwatch/web/plot"
	"sagwatch/web/ui"
)

// board is two presses of three moulds in the early shift, steady with provisional limits.
func board(t testing.TB) present.LineFacts {
	now := time.Date(2026, 3, 4, 13, 41, 0, 0, tallinn(t))
	f := present.LineFacts{Now: now, Lengths: ui.InMM, Charts: map[string]spc.Chart{}, Shift: present.ShiftAt([]string{"06:00", "14:00", "22:00"}, now)}
	limits := spc.Limits{Lower: 1107, Centre: 1108, Upper: 1109, HasLower: true, HasCentre: true, HasUpper: true, Sigma: 0.33}
	for _, id := range []string{"A", "B"} {
		p := present.PressFacts{Def: &spc.Press{ID: id, TaktS: 10, Moulds: []string{"1", "2", "3"}}, Product: "P25", Charted: true, Last: now.Add(-90 * time.Minute), Counts: store.Counts{Conforms: 998, Undecided: 1, DoesNotConform: 1}, Moulds: map[string]watch.Series{}}
		cycles, moulds := present.LineCharts(id, "P25")
		f.Charts[cycles] = spc.Chart{ID: cycles, Press: id, Characteristic: "radius_mm", Kind: spc.CycleMean}
		f.Charts[moulds] = spc.Chart{ID: moulds, Press: id, Characteristic: "radius_mm", Kind: spc.Individuals, By: "mould"}
		for n := range 20 {
			q := monitor.Point{At: p.Last.Add(time.Duration(n-20) * 30 * time.Second), Panel: fmt.Sprintf("%s-%d", id, n), Value: 1108.1, Complete: true, Limits: limits, Source: spc.Provisional}
			p.Cycles.Points = append(p.Cycles.Points, q)
			for _, m := range p.Def.Moulds {
				s := p.Moulds[m]
				s.Points = append(s.Points, q)
				p.Moulds[m] = s
			}
		}
		f.Presses = append(f.Presses, p)
	}
	f.Gauges = []present.GaugeFacts{{Def: &spc.Gauge{ID: "CG-1", Kind: spc.Radial}}}
	return f
}

func signal(f present.LineFacts, stream, words string, at time.Duration) store.Signal {
	_, chart := present.LineCharts("A", "P25")
	g := store.Signal{State: store.SignalOpen, Known: f.Now.Add(-16 * time.Minute)}
	g.ID, g.Press, g.Chart, g.Stream, g.Words, g.Panel, g.At = "s-"+stream, "A", chart, stream, words, "A-0147586", f.Now.Add(at)
	g.Value, g.Limits = 1106.41, spc.Limits{Lower: 1106.95, Centre: 1108, Upper: 1109.05, HasLower: true, HasCentre: true, HasUpper: true, Sigma: 0.35}
	return g
}

func TestTheBoardSaysTheSituation(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*present.LineFacts)
		say    string
		doubt  string
	}{
		"steady": {func(*present.LineFacts) {}, "Presses A and B are steady, and the gauges are in order.", "no signal yet"},
		"one mould": {func(f *present.LineFacts) {
			f.Signals = []store.Signal{signal(*f, "mould:3", "beyond lower limit", -123*time.Minute)}
		}, "Mould 3 on press A lies below its lower limit of radius since 11:38. Press B is steady.", "First panel A-0147586 at 1106.41\u00a0mm; the lower limit is 1106.95\u00a0mm. Nobody has acknowledged it yet; it has been open for 16 minutes."},
		"a run": {func(f *present.LineFacts) {
			f.Signals = []store.Signal{signal(*f, "mould:2", "9 on one side", -time.Hour)}
		}, "Mould 2 on press A shows 9 on one side in radius since 12:41. Press B is steady.", "the centre is 1108.00\u00a0mm"},
		"two moulds": {func(f *present.LineFacts) {
			f.Signals = []store.Signal{signal(*f, "mould:3", "beyond lower limit", -time.Hour), signal(*f, "mould:2", "beyond upper limit", -2*time.Hour)}
		}, "Mould 2 on press A lies above its upper limit of radius since 11:41. One more signal goes on. Press B is steady.", "upper limit"},
		"come back": {func(f *present.LineFacts) {
			g := signal(*f, "mould:3", "beyond lower limit", -time.Hour)
			g.Ended = true
			f.Signals = []store.Signal{g}
		}, "Nothing lies beyond its limits now, but one signal is not closed yet.", "come back"},
		"acknowledged": {func(f *present.LineFacts) {
			g := signal(*f, "mould:3", "beyond lower limit", -time.Hour)
			g.State = store.SignalAcknowledged
			f.Signals = []store.Signal{g}
		}, "Mould 3 on press A lies below its lower limit of radius since 12:41. Press B is steady.", "It is acknowledged and not closed."},
		"loading": {func(f *present.LineFacts) { f.Done, f.Of = 3120, 5760 }, "History is being taken in; charts and states are not final yet.", ""},
		"no limits": {func(f *present.LineFacts) {
			for i := range f.Presses {
				for k := range f.Presses[i].Cycles.Points {
					f.Presses[i].Cycles.Points[k].Source, f.Presses[i].Cycles.Points[k].Have, f.Presses[i].Cycles.Points[k].Need = "", k+1, 200
				}
				f.Presses[i].Moulds = nil
			}
		}, "Presses A and B have no limits yet: the charts judge nothing.", "Press A: no limits yet, 20 of 200 cycles."},
		"nothing": {func(f *present.LineFacts) {
			for i := range f.Presses {
				f.Presses[i] = present.PressFacts{Def: f.Presses[i].Def, Charted: true}
			}
		}, "Nothing has been measured yet.", "Two presses and one gauge are defined."},
		"no press": {func(f *present.LineFacts) { f.Presses = nil }, "No press is defined yet.", "set-up file"},
	} {
		f := board(t)
		c.change(&f)
		m := present.Line(f)
		require.Equal(t, c.say, m.Statement.Say.String(), name)
		var doubts string
		for _, d := range m.Statement.Doubts {
			doubts += d.String()
		}
		require.Contains(t, doubts, c.doubt, name)
		require.Equal(t, f.Of > 0, m.Loading != nil, name)
	}
}

func TestOnlyTheMouldWhoseSignalGoesOnIsMarked(t *testing.T) {
	f := board(t)
	over := signal(f, "mould:1", "beyond upper limit", -5*time.Hour)
	over.Ended = true
	f.Signals = []store.Signal{signal(f, "mould:3", "beyond lower limit", -123*time.Minute), over}
	m := present.Line(f)
	a, b := m.Presses[0], m.Presses[1]
	require.Equal(t, ui.Is(ui.Bad, "one signal open"), a.State)
	require.Equal(t, ui.Is(ui.Good, "steady"), b.State)
	require.False(t, a.Moulds[0].Out)
	require.True(t, a.Moulds[2].Out)
	require.Equal(t, "below limit since 11:38", a.Moulds[2].Words)
	require.Equal(t, "/signals/s-mould:3", a.Moulds[2].Href)
	require.Equal(t, "+0.10", b.Moulds[0].Last)
	require.True(t, a.Ring.Moulds[2].Signal)
	require.False(t, a.Ring.Moulds[0].Signal)
	require.Len(t, m.Signals, 2)
	require.Equal(t, "A, mould 3: radius beyond lower limit. First panel A-0147586.", m.Signals[0].Text.String())
	require.Contains(t, m.Signals[1].Text.String(), "come back")
}

func TestTheShiftIsCountedOrTheOneBefore(t *testing.T) {
	f := board(t)
	m := present.Line(f)
	require.Equal(t, "The shift so far: 2000 gauged, two of them do not conform", m.Shift.Head)
	require.Equal(t, []string{"1000", "1000"}, m.Shift.Rows[0].Counts)
	require.Contains(t, m.Shift.Since, "Panels pressed since 06:00, as of 13:41")
	require.Equal(t, "Of those gauged do not conform: 0.10\u00a0% on A and 0.10\u00a0% on B.", m.Shift.Shares)
	f.Before = true
	require.Contains(t, present.Line(f).Shift.Head, "The shift before: 2000 gauged")
	for i := range f.Presses {
		f.Presses[i].Counts = store.Counts{}
	}
	require.Empty(t, present.Line(f).Shift.Rows)
}

func TestHitsMarkThePointsThatMadeThem(t *testing.T) {
	f := board(t)
	pts := f.Presses[0].Cycles.Points
	pts[17].Excluded = "stop"
	pts[19].Hits = []monitor.Hit{{Rule: "two-of-three", Words: "2 of 3 near the upper limit", Back: 3, Mask: 0b101}}
	pts[10].Hits = []monitor.Hit{{Rule: monitor.Jumped, Words: "jumped"}}
	drawn := present.Line(f).Presses[0].Cycles.Panes[0].Points
	require.Equal(t, plot.Signal, drawn[19].Kind)
	require.Equal(t, "2 of 3 near the upper limit", drawn[19].Words)
	require.Equal(t, plot.Measured, drawn[18].Kind)
	require.Equal(t, plot.Hollow, drawn[17].Kind, "an excluded point is not counted")
	require.Equal(t, plot.Signal, drawn[16].Kind)
	require.Equal(t, plot.Measured, drawn[10].Kind, "a jump alone is no signal")
	require.Equal(t, "/panels/A/A-19", drawn[19].Href)
}

func TestLengthsFollowThePersonsChoice(t *testing.T) {
	f := board(t)
	f.Lengths = ui.InInch
	pane := present.Line(f).Presses[0].Cycles.Panes[0]
	require.InDelta(t, 1108.1/25.4, pane.Points[0].Value, 1e-9)
	require.InDelta(t, 1107/25.4, pane.Limits[0].Lower, 1e-9)
	require.Contains(t, pane.What, "radius in inches")
}

func TestAGaugeAsksForItsMaster(t *testing.T) {
	now := time.Date(2026, 3, 4, 13, 41, 0, 0, tallinn(t))
	def := &spc.Gauge{ID: "CG-1", Kind: spc.Radial, Masters: []spc.Master{{Panel: "M-2", AllowedUM: 15}}, MasterEveryH: 4}
	check := func(ago time.Duration, v spc.Verdict) *store.Row {
		return &store.Row{Measurement: spc.Measurement{MeasuredAt: now.Add(-ago)}, Result: spc.Result{Verdict: v}}
	}
	for name, c := range map[string]struct {
		master *store.Row
		head   string
		kind   ui.Kind
	}{
		"soon":    {check(4*time.Hour-9*time.Minute, spc.Conforms), "CG-1 needs its master panel in nine minutes", ui.Held},
		"late":    {check(5*time.Hour, spc.Conforms), "CG-1 has needed its master panel since 12:41", ui.Held},
		"never":   {nil, "CG-1 needs its master panel: it was never checked", ui.Held},
		"beyond":  {check(time.Hour, spc.DoesNotConform), "CG-1 is beyond the allowed error on its master panel", ui.Bad},
		"quietly": {check(time.Hour, spc.Conforms), "The gauge asks for nothing", ui.Good},
	} {
		g := []present.GaugeFacts{{Def: def, Master: c.master}}
		require.Equal(t, c.head, present.GaugesHead(g, now), name)
		require.Equal(t, c.kind, present.GaugePicker(g, now).Gauges[0].State.Kind, name)
	}
}
