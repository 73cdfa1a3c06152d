package monitor_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/spc"
	"sagwatch/spc/chart"
	"sagwatch/spc/internal/ref"
	"sagwatch/spc/monitor"
)

// The flow rates of ten batches: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 (values MEMORY, see the file).
// The limits differ from the printed ones by the rounding of d2 to 1.128 there, 3 * 1.8778 * (1/1.128 - 1/1.12838) = 0.0017.
func TestHandbookIndividuals(t *testing.T) {
	var file struct {
		Examples []struct {
			ID         string
			InlineData struct{ X []float64 } `json:"inline_data"`
			Values     []struct {
				Name  string
				Value float64
			}
		}
	}
	ref.JSON(t, &file, "handbook", "published.json")
	found := false
	for _, e := range file.Examples {
		if e.ID != "individuals_6_3_2_2" {
			continue
		}
		found = true
		want := map[string]float64{}
		for _, v := range e.Values {
			want[v.Name] = v.Value
		}
		p := press(0)
		f := newFold(t, monitor.Config{Press: p, Charts: []spc.Chart{individuals("press", 10)}})
		for i, x := range e.InlineData.X {
			require.Empty(t, f.points, "points are held until the baseline is complete")
			have, need := f.Progress("ind", "press:A")
			if i > 0 {
				require.Equal(t, []int{i, 10}, []int{have, need})
			}
			f.add(t, observation(p, i, x))
		}
		require.Len(t, f.points, 10)
		l := f.LimitsLog()
		require.Len(t, l, 1)
		ref.Absolute(t, want["mean"], l[0].Limits.Centre, 5e-5, "centre")
		ref.Absolute(t, want["ucl"], l[0].Limits.Upper, 0.002, "upper limit")
		ref.Absolute(t, want["lcl"], l[0].Limits.Lower, 0.002, "lower limit")
		ref.Absolute(t, want["mrbar"], l[0].MRLimits.Centre, 5e-5, "mean moving range")
		require.Equal(t, spc.Provisional, l[0].Source)
		require.Equal(t, 10, l[0].N)
		require.False(t, l[0].Lag1Found)
		require.Equal(t, start, l[0].From)
		require.Equal(t, start.Add(90*time.Second), l[0].KnownAt)
		require.Contains(t, l[0].Notes[0], "10 points")
		require.Empty(t, f.Signals(), "the handbook finds no batch out of control")
		require.False(t, f.points[0].HasMR)
		require.InDelta(t, 2.0, f.points[1].MR, 1e-12)
		require.Empty(t, f.Pending("", ""))
	}
	require.True(t, found)
}

// Eight points by hand: mean 10, moving ranges 2, 2, ... so sigma = 2 / 1.12838 and limits 10 ± 5.317; the baseline
// alternates, its lag-1 correlation is -0.875, beyond 1.96/sqrt(8) = 0.69: then the overall sigma, sqrt(8/7), holds,
// limits 10 ± 3.207. 13.3 is beyond.
func TestCorrelatedBaselineUsesOverallSigma(t *testing.T) {
	p := press(0)
	f := newFold(t, monitor.Config{Press: p, Charts: []spc.Chart{individuals("press", 8)}})
	for i, x := range []float64{9, 11, 9, 11, 9, 11, 9, 11, 13.1, 13.3} {
		f.add(t, observation(p, i, x))
	}
	l, ok := f.InForce("ind", "press:A")
	require.True(t, ok)
	require.InDelta(t, -0.875, l.Lag1, 1e-12)
	require.True(t, l.Lag1Found)
	require.InDelta(t, 10+3*math.Sqrt(8.0/7), l.Limits.Upper, 1e-12)
	require.Contains(t, l.Notes[len(l.Notes)-1], "too wide")
	s := f.Signals()
	require.Len(t, s, 1)
	require.Equal(t, "S000009", s[0].Panel)
	require.Equal(t, "beyond upper limit", s[0].Words)
	require.Equal(t, [][]string{{"S000009"}}, [][]string{s[0].Evidence[0].Panels})
	require.Equal(t, 13.3, s[0].Value)
}

func TestShiftIsFoundInItsStreamOnly(t *testing.T) {
	p := press(11)
	list := steady(p, 11*300, 5)
	for i := 11 * 250; i < len(list); i++ {
		if list[i].Mould == "7" {
			shift(&list[i], 8)
		}
	}
	f := newFold(t, monitor.Config{Site: "main", Press: p, Charts: []spc.Chart{individuals("mould", 200), cycleChart(spc.CycleMean, 200), cycleChart(spc.CycleSpread, 200)}})
	f.add(t, list...)
	at := list[11*250+6].Key.LineAt
	large := map[string]monitor.Finding{}
	for _, x := range f.TakeSignals() {
		if x.LastAt.After(at) && x.Hits > 3 {
			large[x.Chart+" "+x.Stream] = x
		}
	}
	x, ok := large["ind mould:7"]
	require.True(t, ok)
	require.Equal(t, list[11*250+6].Key.Panel, x.Panel)
	require.Equal(t, list[11*299+6].Key.Panel, x.LastPanel)
	require.Equal(t, x.At, x.Found.LineAt)
	require.GreaterOrEqual(t, x.Hits, 50)
	require.Len(t, x.Evidence, monitor.EvidenceFirst+monitor.EvidenceLatest)
	require.Equal(t, x.Panel, x.Evidence[0].Panels[0])
	require.Equal(t, x.LastPanel, x.Evidence[19].Panels[0])
	require.False(t, x.Ended)
	require.Contains(t, large, "cycle-spread press:A")
	for name := range large {
		require.Contains(t, []string{"ind mould:7", "cycle-spread press:A", "cycle-mean press:A"}, name,
			"no other mould; the cycle mean moves by 8/11, 2.4 of its own sigmas")
	}
	require.Empty(t, f.TakeSignals(), "nothing changed since")
	require.NotEmpty(t, f.Signals(), "open ones stay")
}

// A baseline with an outlier is judged once it is complete: the signal carries the early panel, and was found late.
func TestBaselineIsJudgedLate(t *testing.T) {
	p := press(0)
	list := steady(&spc.Press{ID: "A", TaktS: 10, Moulds: []string{""}}, 60, 3)
	for i := range list {
		list[i].Mould = ""
	}
	shift(&list[20], 9)
	f := newFold(t, monitor.Config{Press: p, Charts: []spc.Chart{individuals("press", 50)}})
	f.add(t, list[:49]...)
	require.Empty(t, f.Signals())
	require.Empty(t, f.points)
	pending := f.Pending("ind", "")
	require.Len(t, pending, 49)
	require.Equal(t, []int{21, 50}, []int{pending[20].Have, pending[20].Need})
	require.Empty(t, pending[20].Source)
	f.add(t, list[49])
	require.Len(t, f.points, 50)
	found := f.TakeSignals()
	require.Len(t, found, 1)
	require.Equal(t, "S000020", found[0].Panel)
	require.Equal(t, "S000049", found[0].Found.Panel)
	require.True(t, found[0].Ended, "29 quiet points followed")
	// The jump up to it and back is on the points, and in the evidence where the signal is open.
	require.Equal(t, monitor.Jumped, f.points[20].Hits[1].Rule)
	require.Equal(t, []string{"S000020", "S000021"}, found[0].Evidence[2].Panels)
	require.Equal(t, "S000020", found[0].LastPanel, "a jump does not keep a signal open")
}

func TestSignalEndsAfterQuietPointsAndANewOneOpens(t *testing.T) {
	p := press(0)
	c := individuals("press", 0)
	up, down := 3.0, -3.0
	c.Limits = spc.LimitRule{Lower: &down, Upper: &up}
	f := newFold(t, monitor.Config{Press: p, Charts: []spc.Chart{c}})
	i := 0
	feed := func(x float64, n int) {
		for range n {
			f.add(t, observation(p, i, x))
			i++
		}
	}
	feed(4, 1)
	feed(0, monitor.Quiet-1)
	feed(-4, 1)
	require.Len(t, f.Signals(), 1)
	feed(0, monitor.Quiet-1)
	require.False(t, f.Signals()[0].Ended)
	feed(0, 1)
	require.True(t, f.Signals()[0].Ended)
	feed(4, 1)
	s := f.Signals()
	require.Len(t, s, 2)
	require.NotEqual(t, s[0].ID, s[1].ID)
	require.Len(t, s[0].Evidence, 2)
	require.Equal(t, "beyond lower limit", s[0].Evidence[1].Words)
	require.Equal(t, spc.Frozen, f.points[0].Source)
}

// Three moulds at levels 10, 20, 60; the cycle effects are 0, +1, -1, ... A cycle in which mould 3 is missing is plotted
// where its effect is and not 15 lower, within the limits of two panels.
func TestIncompleteCycle(t *testing.T) {
	p := press(3)
	levels := []float64{10, 20, 60}
	effects := []float64{0.5, 1, -1, 0.1, -0.6, 0.2, 0.8, -1, 1.1, -0.5, 0.5}
	wobble := [][]float64{{0.1, -0.1, 0}, {-0.2, 0.1, 0.1}, {0.1, 0, -0.1}}
	f := newFold(t, monitor.Config{Press: p, Charts: []spc.Chart{cycleChart(spc.CycleMean, 9), cycleChart(spc.CycleSpread, 9)}})
	for j, e := range effects {
		for k := range 3 {
			if j == 9 && k == 2 {
				continue
			}
			f.add(t, observation(p, 3*j+k, levels[k]+e+wobble[j%3][k]))
		}
	}
	points := f.of("cycle-mean", "press:A")
	require.Len(t, points, 10, "the last cycle is not known to be over")
	for j := range 9 {
		require.InDelta(t, 30+effects[j], points[j].Value, 1e-9)
		require.True(t, points[j].Complete)
	}
	last := points[9]
	require.False(t, last.Complete)
	require.Equal(t, 2, last.N)
	require.InDelta(t, 29.5, last.Value, 1e-9)
	require.Equal(t, "S000028", last.Panel, "the last panel of the cycle")
	l, _ := f.InForce("cycle-mean", "press:A")
	require.Equal(t, l.LimitsByN[2], last.Limits)
	require.Greater(t, last.Limits.Sigma, l.Limits.Sigma)
	// Levels and the mean effect of the nine baseline cycles, 1.1 / 9.
	require.Equal(t, []monitor.MouldCentre{{"1", 10.122222222}, {"2", 20.122222222}, {"3", 60.122222222}}, rounded(l.Centres))

	hollow := f.Pending("cycle-mean", "")
	require.Len(t, hollow, 1)
	require.True(t, hollow[0].Hollow)
	require.Empty(t, hollow[0].Hits)
	require.InDelta(t, 30.5, hollow[0].Value, 1e-9)

	// The wobble's rows and columns each sum to 0, so it is all there is inside a cycle.
	spread := f.of("cycle-spread", "press:A")
	require.InDelta(t, 0.1, spread[0].Value, 1e-9)
	require.InDelta(t, math.Sqrt((0.04+0.01+0.01)/2), spread[1].Value, 1e-9)
	require.InDelta(t, math.Sqrt(2)*0.1, spread[9].Value, 1e-9)
	want, err := chart.SDLimits(2, math.Sqrt(3*(0.02+0.06+0.02)/(9*2-2)), chart.Width{})
	require.NoError(t, err)
	require.InDelta(t, want.Upper, spread[9].Limits.Upper, 1e-9)
}

// rounded takes the last few units off, which the order of summing leaves.
func rounded(c []monitor.MouldCentre) []monitor.MouldCentre {
	list := append([]monitor.MouldCentre(nil), c...)
	for i := range list {
		list[i].Centre = math.Round(list[i].Centre*1e9) / 1e9
	}
	return list
}

func TestCyclesBegin(t *testing.T) {
	type panel struct {
		mould string
		cycle int64
		after float64 // seconds since the first
	}
	none := spc.NoCycle
	for name, c := range map[string]struct {
		panels []panel
		sizes  []int
	}{
		"the mould's place comes round": {[]panel{{"1", none, 0}, {"2", none, 10}, {"3", none, 20}, {"4", none, 30}, {"1", none, 40}, {"3", none, 60}, {"2", none, 90}}, []int{4, 2}},
		// Moulds 1 and 3, then 45 s later mould 4: 4 moulds less half a takt is 35 s, so it is of the next cycle.
		"time passes":           {[]panel{{"1", none, 0}, {"3", none, 20}, {"4", none, 45}, {"1", none, 80}}, []int{2}},
		"just before the time":  {[]panel{{"1", none, 0}, {"3", none, 20}, {"4", none, 34}, {"1", none, 80}}, []int{3}},
		"numbers rule":          {[]panel{{"1", 5, 0}, {"2", 5, 10}, {"4", 6, 20}, {"3", 6, 30}, {"1", 6, 40}, {"2", 7, 50}}, []int{2, 3}},
		"a straggler":           {[]panel{{"1", 5, 0}, {"2", 5, 10}, {"1", 6, 20}, {"3", 5, 25}, {"2", 6, 30}, {"1", 7, 50}}, []int{2, 2}},
		"no mould, no cycle":    {[]panel{{"1", none, 0}, {"", none, 5}, {"9", none, 6}, {"2", none, 10}, {"1", none, 40}}, []int{2}},
		"fewer than half":       {[]panel{{"3", none, 0}, {"1", none, 40}, {"2", none, 50}, {"1", none, 80}}, []int{2}},
		"a mould twice by name": {[]panel{{"1", 5, 0}, {"2", 5, 10}, {"1", 5, 20}, {"1", 6, 30}}, []int{2}},
	} {
		t.Run(name, func(t *testing.T) {
			p := press(4)
			f := newFold(t, monitor.Config{Press: p, Charts: []spc.Chart{cycleChart(spc.CycleMean, 2)}})
			// Two baseline cycles, complete, then those of the case.
			for i := range 8 {
				f.add(t, observation(p, i, float64(i%4)+float64(i/4)))
			}
			for i, c := range c.panels {
				o := observation(p, 100+i, 1)
				o.Key.LineAt = start.Add(time.Hour + time.Duration(c.after*float64(time.Second)))
				o.Mould, o.Cycle = c.mould, c.cycle
				f.add(t, o)
			}
			var sizes []int
			for _, pt := range f.points[2:] {
				sizes = append(sizes, pt.N)
			}
			require.Equal(t, c.sizes, sizes)
		})
	}
}

// A second gauge that sends other characteristics of the same panels, at times of its own, does not cut the cycles of the first.
func TestAnotherGaugeDoesNotCutCycles(t *testing.T) {
	p := press(4)
	cfg := monitor.Config{Press: p, Charts: []spc.Chart{cycleChart(spc.CycleMean, 3)}}
	alone, both := newFold(t, cfg), newFold(t, cfg)
	for i := range 40 {
		o := observation(p, i, float64(i%4)+float64(i%3))
		alone.add(t, o)
		both.add(t, o)
		other := observation(p, max(i-2, 0), 0)
		other.Key.LineAt, other.Key.Gauge = o.Key.LineAt.Add(3*time.Second), "PG-1"
		other.Characteristics = map[string]float64{"width": 512}
		both.add(t, other)
	}
	require.Len(t, alone.points, 9)
	require.Equal(t, alone.points, both.points)
}
