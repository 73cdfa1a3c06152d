package monitor_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc"
	"sagwatch/spc/changepoint"
	"sagwatch/spc/chart"
	"sagwatch/spc/monitor"
)

func values(list []monitor.Point) (x []float64) {
	for _, p := range list {
		x = append(x, p.Value)
	}
	return x
}

// TestCoursesAreThoseOfTheCharts: what the fold plots of a press's single values is what the whole-series charts give with the
// same centre and standard deviation; an individuals chart beside it shows the values.
func TestCoursesAreThoseOfTheCharts(t *testing.T) {
	p := press(3)
	list := steady(p, 600, 5)
	for i := 300; i < len(list); i++ {
		shift(&list[i], 0.8)
	}
	ind := individuals("mould", 50)
	ewma, cusum, change := ind, ind, ind
	ewma.ID, ewma.Kind, ewma.EWMA = "ewma", spc.EWMAChart, &spc.EWMA{Lambda: 0.2, L: 2.8}
	cusum.ID, cusum.Kind, cusum.CUSUM = "cusum", spc.CUSUMChart, &spc.CUSUM{K: 0.5, H: 5, HeadStart: 2.5}
	change.ID, change.Kind = "change", spc.ChangePoint
	change.Limits.ARL0 = 500
	f := newFold(t, monitor.Config{Press: p, Charts: []spc.Chart{ind, ewma, cusum, change}})
	f.add(t, list...)
	raw := values(f.of("ind", "mould:2"))
	require.Len(t, raw, 200)
	in, ok := f.InForce("ind", "mould:2")
	require.True(t, ok)

	want, err := chart.EWMA(raw, chart.EWMASettings{Target: in.Limits.Centre, Sigma: in.Limits.Sigma, Lambda: 0.2, Width: chart.Width{K: 2.8}})
	require.NoError(t, err)
	signals := 0
	for i, q := range f.of("ewma", "mould:2") {
		require.InDelta(t, want[i].Z, q.Value, 1e-10)
		require.InDelta(t, want[i].Limits.Upper, q.Limits.Upper, 1e-10)
		require.InDelta(t, want[i].Limits.Lower, q.Limits.Lower, 1e-10)
		require.InDelta(t, want[i].Limits.Sigma, q.Limits.Sigma, 1e-10)
		require.Equal(t, want[i].Side != chart.Inside, len(q.Hits) > 0)
		require.False(t, q.HasMR)
		signals += len(q.Hits)
	}
	require.Positive(t, signals)
	settled, ok := f.InForce("ewma", "mould:2")
	require.True(t, ok)
	require.InDelta(t, in.Limits.Centre+2.8*in.Limits.Sigma/3, settled.Limits.Upper, 1e-9, "sqrt(0.2/1.8) is a third")

	sums, err := chart.CUSUM(raw, chart.CUSUMSettings{Target: in.Limits.Centre, Sigma: in.Limits.Sigma, K: 0.5, H: 5, HeadStart: 2.5})
	require.NoError(t, err)
	for i, q := range f.of("cusum", "mould:2") {
		require.InDelta(t, math.Max(sums[i].Hi, sums[i].Lo), math.Abs(q.Value), 1e-9)
		require.Equal(t, sums[i].Lo > sums[i].Hi, q.Value < 0)
		require.Equal(t, sums[i].Side != chart.Inside, len(q.Hits) > 0)
		require.Equal(t, 5.0, q.Limits.Upper)
		require.Equal(t, -5.0, q.Limits.Lower)
	}

	glr, err := changepoint.NewChart(changepoint.ChartOptions{Known: true, Mean: in.Limits.Centre, Sigma: in.Limits.Sigma, ARL0: 500})
	require.NoError(t, err)
	var state changepoint.ChartState
	for i, q := range f.of("change", "mould:2") {
		w := glr.Step(&state, raw[i])
		require.InDelta(t, w.Statistic, math.Abs(q.Value), 1e-9)
		require.Equal(t, w.Size < 0, q.Value < 0)
		require.Equal(t, w.Signal, len(q.Hits) > 0)
	}
	// The signal of a shift stays open while the chart stays beyond: one for each mould and chart.
	open := map[string]int{}
	for _, s := range f.Signals() {
		if s.Chart != "ind" && !s.Ended {
			open[s.Chart]++
		}
	}
	require.Equal(t, map[string]int{"ewma": 3, "cusum": 3, "change": 3}, open)
}

// TestCyclesOfAnySizeHaveOneVariance: an incomplete cycle steps an average by its deviation over its own standard deviation.
func TestCyclesOfAnySizeHaveOneVariance(t *testing.T) {
	p := press(5)
	list := steady(p, 5*80, 6)
	// After the baseline of 60 whole cycles some moulds are missing by turns.
	var come []monitor.Observation
	for i, o := range list {
		if i > 5*62 && (i/5)%2 == 1 && i%5 >= 3 {
			continue
		}
		o.Cycle = int64(i / 5)
		come = append(come, o)
	}
	mean, ewma := cycleChart(spc.CycleMean, 60), cycleChart(spc.EWMAChart, 60)
	ewma.EWMA = &spc.EWMA{Lambda: 0.25, L: 3}
	f := newFold(t, monitor.Config{Press: p, Charts: []spc.Chart{mean, ewma}})
	f.add(t, come...)
	in, _ := f.InForce("cycle-mean", "press:A")
	require.False(t, in.Lag1Found)
	z, sizes := 0.0, map[int]int{}
	got := f.of("ewma", "press:A")
	for i, q := range f.of("cycle-mean", "press:A") {
		sizes[q.N]++
		z += 0.25 * ((q.Value-in.Limits.Centre)/in.LimitsByN[q.N].Sigma - z)
		require.InDelta(t, in.Limits.Centre+in.Limits.Sigma*z, got[i].Value, 1e-9)
		require.Equal(t, q.N, got[i].N)
	}
	require.Len(t, sizes, 2)
	require.Len(t, f.Pending("ewma", ""), 1, "the hollow cycle")
	hollow := f.Pending("cycle-mean", "")[0]
	require.InDelta(t, in.Limits.Centre+in.Limits.Sigma*(z+0.25*((hollow.Value-in.Limits.Centre)/in.LimitsByN[hollow.N].Sigma-z)), f.Pending("ewma", "")[0].Value, 1e-9)
	require.Equal(t, f.Pending("ewma", ""), f.Pending("ewma", ""), "looking changes nothing")
}

// TestCoursesStartAfresh: at a new phase; an excluded panel is passed over.
func TestCoursesStartAfresh(t *testing.T) {
	p := press(2)
	list := steady(p, 400, 8)
	list[120].Excluded = "dropped"
	e := individuals("mould", 40)
	e.Kind, e.EWMA = spc.EWMAChart, &spc.EWMA{Lambda: 0.1, L: 3}
	cfg := monitor.Config{Press: p, Charts: []spc.Chart{e}, Events: []spc.Event{event("plunger-change", "", list[200].Key.LineAt)}}
	f := newFold(t, cfg)
	f.add(t, list...)
	points := f.of("ind", "mould:1")
	require.Len(t, points, 199, "the excluded panel makes no point")
	first := func(q monitor.Point) float64 { return (q.Limits.Upper - q.Limits.Centre) / 3 / q.Limits.Sigma }
	for _, q := range points {
		require.InDelta(t, 1, first(q), 1e-9)
	}
	in, _ := f.InForce("ind", "mould:1")
	require.Equal(t, 2, in.Phase)
	require.InDelta(t, in.Limits.Sigma*math.Sqrt(0.1*1.9), points[99].Limits.Sigma, 1e-9, "the first point's limits: lambda sigma")
	require.InDelta(t, points[0].Limits.Sigma/points[98].Limits.Sigma, math.Sqrt(0.19), 1e-3)
	require.Zero(t, len(f.Pending("ind", "")))
}

// TestDesigns: what a definition leaves open is designed for the run length wanted.
func TestDesigns(t *testing.T) {
	p := press(2)
	run := func(c spc.Chart) monitor.LimitsInForce {
		c.Press, c.Characteristic, c.By, c.Baseline = "A", "x", "mould", 40
		f := newFold(t, monitor.Config{Press: p, Charts: []spc.Chart{c}})
		f.add(t, steady(p, 90, 11)...)
		in, ok := f.InForce(c.ID, "mould:1")
		require.True(t, ok)
		return in
	}
	// h for k = 0.5 and a run length of 370: 4.77 (Hawkins 1993, "Cumulative sum control charting: an underutilized SPC tool",
	// Quality Engineering 5, table; from memory).
	require.InDelta(t, 4.77, run(spc.Chart{ID: "c", Kind: spc.CUSUMChart}).Limits.Upper, 0.01)
	// 2.5 sigma: 1/(2 Phi(-2.5)) = 80.5 points; one-sided sums need less than two-sided ones for one run length.
	two := run(spc.Chart{ID: "c", Kind: spc.CUSUMChart, Limits: spc.LimitRule{K: 2.5}}).Limits
	one := run(spc.Chart{ID: "c", Kind: spc.CUSUMChart, Limits: spc.LimitRule{K: 2.5, Side: "upper"}}).Limits
	require.Greater(t, two.Upper, one.Upper)
	require.False(t, one.HasLower)
	// Lambda 0.1 with settled limits: L = 2.814 for 500 points (Lucas and Saccucci 1990, table 3, from memory); exact limits signal
	// somewhat earlier in the beginning and need a little more.
	e := run(spc.Chart{ID: "e", Kind: spc.EWMAChart, EWMA: &spc.EWMA{Lambda: 0.1}, Limits: spc.LimitRule{ARL0: 500}})
	l := (e.Limits.Upper - e.Limits.Centre) / e.Limits.Sigma
	require.Greater(t, l, 2.814)
	require.Less(t, l, 2.9)
	// The best weight for a shift of one standard deviation at 500 points is about 0.13 (Crowder 1989, from memory).
	e = run(spc.Chart{ID: "e", Kind: spc.EWMAChart, Limits: spc.LimitRule{ARL0: 500}})
	require.Contains(t, e.Notes[len(e.Notes)-1], "weight 0.13")
	for _, c := range []spc.Chart{
		{ID: "c", Kind: spc.ChangePoint, Limits: spc.LimitRule{ARL0: 5000}},
		{ID: "c", Kind: spc.EWMAChart, EWMA: &spc.EWMA{Lambda: 1.5, L: 3}},
		{ID: "c", Kind: spc.CUSUMChart, CUSUM: &spc.CUSUM{K: 0.5, H: 4, HeadStart: 5}},
	} {
		c.Press, c.Characteristic = "A", "x"
		_, err := monitor.New(monitor.Config{Press: p, Charts: []spc.Chart{c}})
		require.ErrorContains(t, err, "chart c: ")
	}
}

// TestSmallDrift: a shift of one standard deviation of the cycle mean shows on the average long before it does on single points.
func TestSmallDrift(t *testing.T) {
	p := press(3)
	list := steady(p, 3*400, 12)
	for i := 3 * 300; i < len(list); i++ {
		shift(&list[i], 1/math.Sqrt(3))
	}
	mean, ewma := cycleChart(spc.CycleMean, 200), cycleChart(spc.EWMAChart, 200)
	ewma.EWMA = &spc.EWMA{Lambda: 0.13}
	f := newFold(t, monitor.Config{Press: p, Charts: []spc.Chart{mean, ewma}})
	f.add(t, list...)
	delay := map[string]int{}
	for _, q := range f.points {
		if i := int(q.Measurement)/3 - 300; i > 0 && len(q.Hits) > 0 && delay[q.Chart] == 0 {
			delay[q.Chart] = i
		}
	}
	require.InDelta(t, 10, delay["ewma"], 8, "about 10 points on average")
	require.True(t, delay["cycle-mean"] == 0 || delay["cycle-mean"] > delay["ewma"])
}

// TestGivenLimitsOfACourse: limits given for an average move its centre; those of a chart's definition judge what is plotted.
func TestGivenLimitsOfACourse(t *testing.T) {
	p := press(2)
	list := steady(p, 200, 9)
	e := individuals("mould", 20)
	e.Kind, e.EWMA = spc.EWMAChart, &spc.EWMA{Lambda: 0.5, L: 3}
	given := spc.Limits{Lower: 99, Centre: 100.5, Upper: 102, HasLower: true, HasCentre: true, HasUpper: true}
	cfg := monitor.Config{Press: p, Charts: []spc.Chart{e}, Posted: []spc.PostedLimits{{Chart: "ind", Stream: "mould:1", Given: &given, EffectiveFrom: list[100].Key.LineAt, Reason: "agreed"}}}
	f := newFold(t, cfg)
	f.add(t, list...)
	points := f.of("ind", "mould:1")
	require.Equal(t, given, points[60].Limits)
	require.InDelta(t, 100.5+0.5*(list[100].Characteristics["x"]-100.5), points[50].Value, 1e-9, "afresh from the centre given")
	lo, hi := -1.0, 1.0
	c := individuals("mould", 20)
	c.Kind, c.Limits = spc.CUSUMChart, spc.LimitRule{Lower: &lo, Upper: &hi}
	f = newFold(t, monitor.Config{Press: p, Charts: []spc.Chart{c}})
	f.add(t, list...)
	q := f.of("ind", "mould:2")[50]
	require.Equal(t, spc.Frozen, q.Source)
	require.Equal(t, 1.0, q.Limits.Upper)
}
