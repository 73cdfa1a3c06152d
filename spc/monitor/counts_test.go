package monitor_test

import (
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/spc"
	"sagwatch/spc/chart"
	"sagwatch/spc/dist"
	"sagwatch/spc/internal/ref"
	"sagwatch/spc/monitor"
)

func rejects(part, whole int64) map[string]spc.Count {
	return map[string]spc.Count{"blister": {Nonconforming: &part, Inspected: &whole}}
}

func defects(part, whole int64) map[string]spc.Count {
	return map[string]spc.Count{"blister": {Defects: &part, Units: &whole}}
}

func countChart(kind spc.ChartKind) spc.Chart {
	return spc.Chart{ID: string(kind), Press: "A", Characteristic: "blister", Kind: kind}
}

// tally is measurement i of a run of counts, one a minute.
func tally(p *spc.Press, i int, counts map[string]spc.Count) monitor.Observation {
	o := observation(p, 6*i, 0)
	o.Characteristics, o.Counts = nil, counts
	if len(p.Moulds) > 0 {
		o.Mould = p.Moulds[i%len(p.Moulds)]
	}
	return o
}

// lastColumn reads the numbers of a published series.
func lastColumn(t *testing.T, file string) (x []float64) {
	t.Helper()
	lines := strings.Split(strings.TrimSpace(string(ref.Bytes(t, "handbook", file))), "\n")
	for _, line := range lines {
		cells := strings.Split(strings.TrimSpace(line), ",")
		if v, err := strconv.ParseFloat(cells[len(cells)-1], 64); err == nil {
			x = append(x, v)
		}
	}
	return x
}

// Thirty wafers of 50 chips, and defects on 25 wafers: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.3.2 and 6.3.3.1; limits
// COMPUTED with NumPy 1.24.2 as mean ± 3 sqrt(mean (1 - mean) / 50) and mean ± 3 sqrt(mean).
func TestHandbookCounts(t *testing.T) {
	p := press(0)
	short := countChart(spc.PChart)
	short.Baseline = 30
	f := newFold(t, monitor.Config{Press: p, Charts: []spc.Chart{short}})
	for i, x := range lastColumn(t, "proportions_6_3_3_2.csv") {
		f.add(t, tally(p, i, rejects(int64(math.Round(50*x)), 50)))
	}
	l := f.LimitsLog()
	require.Len(t, l, 1)
	ref.Absolute(t, 0.41023911859473844, l[0].Limits.Upper, 1e-13, "upper limit")
	ref.Absolute(t, 0.05242754807192823, l[0].Limits.Lower, 1e-13, "lower limit")
	require.Len(t, f.points, 30)
	require.Equal(t, 50, f.points[0].N)
	require.Contains(t, l[0].Notes[0], "vary more", "the over-dispersion is said")
	require.NotEmpty(t, f.Signals(), "the handbook finds points beyond")

	f = newFold(t, monitor.Config{Press: p, Charts: []spc.Chart{countChart(spc.CChart)}})
	for i, x := range lastColumn(t, "counts_6_3_3_1.csv") {
		f.add(t, tally(p, i, defects(int64(x), 1)))
	}
	l = f.LimitsLog()
	require.Len(t, l, 1, "25 points are a baseline of counts")
	require.Equal(t, []float64{4, 16, 28}, []float64{l[0].Limits.Lower, l[0].Limits.Centre, l[0].Limits.Upper})
}

// Points of different sizes have limits of their own, on every kind those that the chart's own package gives.
func TestLimitsStepWithTheSize(t *testing.T) {
	p := press(0)
	r := rand.New(rand.NewPCG(5, 5))
	u, adjusted := countChart(spc.UChart), countChart(spc.CChart)
	u.Limits.Probability, adjusted.ID, adjusted.Adjusted = 0.0027, "adjusted", true
	np := countChart(spc.NPChart)
	np.Limits.ARL0 = 500
	f := newFold(t, monitor.Config{Press: p, Charts: []spc.Chart{countChart(spc.PChart), np, countChart(spc.CChart), u, adjusted}})
	var bad []chart.Rejects
	var some []chart.Defects
	for i := range 60 {
		n := int64(50 + 10*r.IntN(20))
		d, x := r.Int64N(8), n/25+r.Int64N(6)
		counts := rejects(d, n)
		counts["seed"] = spc.Count{Defects: &x, Units: &n} // another name: not charted
		if i%2 == 1 {
			counts = defects(x, n)
		}
		if i < 50 && i%2 == 0 {
			bad = append(bad, chart.Rejects{Rejected: int(d), Inspected: int(n)})
		} else if i < 50 {
			some = append(some, chart.Defects{Count: int(x), Area: float64(n)})
		}
		f.add(t, tally(p, i, counts))
	}
	pp, err := chart.RejectChart(chart.Proportion, bad, chart.AttributeOptions{})
	require.NoError(t, err)
	pnp, err := chart.RejectChart(chart.NumberOf, bad, chart.AttributeOptions{Width: chart.Width{Probability: 1.0 / 500}})
	require.NoError(t, err)
	pu, err := chart.DefectChart(chart.CountPerArea, some, chart.AttributeOptions{Width: chart.Width{Probability: 0.0027}})
	require.NoError(t, err)
	pa, err := chart.DefectChart(chart.CountPerArea, some, chart.AttributeOptions{Adjusted: true})
	require.NoError(t, err)
	for _, pt := range f.points {
		n := float64(pt.N)
		var want spc.Limits
		switch pt.Chart {
		case "p":
			want, err = pp.Limits(n)
		case "np":
			want, err = pnp.Limits(n)
			require.Equal(t, pt.Value, math.Trunc(pt.Value))
		case "u":
			want, err = pu.Limits(n)
		case "c":
			want, err = chart.DefectLimits(chart.CountOf, n, pa.Level, chart.Width{})
		case "adjusted":
			want, err = pa.Limits(n)
			want.Lower, want.Centre, want.Upper, want.Sigma = want.Lower*n, want.Centre*n, want.Upper*n, want.Sigma*n
		}
		require.NoError(t, err)
		require.Equal(t, want, pt.Limits, pt.Chart)
	}
	for _, id := range []string{"p", "np", "c", "u", "adjusted"} {
		require.Len(t, f.of(id, ""), 30, id)
	}
}

// Single panels judged by eye: every 50 are a point; a panel excluded is as if it had not been looked at.
func TestPanelsAddUp(t *testing.T) {
	p := press(2)
	c := countChart(spc.PChart)
	c.Subgroup, c.By, c.Baseline = 50, "mould", 4
	f := newFold(t, monitor.Config{Press: p, Charts: []spc.Chart{c}})
	for i := range 1001 {
		o := tally(p, i, rejects(int64(i/2%10/9), 1)) // each mould's every tenth
		if i == 1000 {
			o.Excluded = "dropped"
		}
		f.add(t, o)
	}
	for _, s := range []string{"mould:1", "mould:2"} {
		list := f.of("p", s)
		require.Len(t, list, 10)
		for _, pt := range list {
			require.Equal(t, 0.1, pt.Value)
			require.Equal(t, 50, pt.N)
		}
	}
}

// A baseline waits for rejects, and where none come it gives no limits and says so.
func TestABaselineOfNoRejects(t *testing.T) {
	p := press(0)
	f := newFold(t, monitor.Config{Press: p, Charts: []spc.Chart{countChart(spc.PChart)}})
	for i := range 100 {
		require.Len(t, f.Pending("p", ""), i)
		f.add(t, tally(p, i, rejects(0, 40)))
	}
	require.Len(t, f.points, 100)
	require.Contains(t, f.LimitsLog()[0].Refused, "do not vary")
	for i := range 30 {
		f.add(t, tally(p, 100+i, rejects(int64(i%3/2), 40)))
	}
	require.Equal(t, spc.Provisional, f.points[len(f.points)-1].Source, "30 points with 10 rejects")
	require.Len(t, f.points, 130)
}

// Intervals by hand: two rejects in ten, nothing in ten, one in seven.
func TestIntervalsBetweenRejects(t *testing.T) {
	p := press(0)
	f := newFold(t, monitor.Config{Press: p, Charts: []spc.Chart{countChart(spc.IntervalChart)}})
	f.add(t, tally(p, 0, rejects(2, 10)), tally(p, 1, rejects(0, 10)), tally(p, 2, rejects(1, 7)))
	list := f.Pending("interval", "")
	require.Len(t, list, 3)
	require.Equal(t, []float64{4, 3, 17}, values(list), "at 4 and 7 of ten, then 3 + 10 + 4")

	r := rand.New(rand.NewPCG(8, 8))
	c := countChart(spc.IntervalChart)
	c.Subgroup, c.Baseline = 3, 40
	f = newFold(t, monitor.Config{Press: p, Charts: []spc.Chart{c}})
	draw := func(rate float64) int64 {
		if r.Float64() < rate {
			return 1
		}
		return 0
	}
	i := 0
	for ; len(f.points) < 60; i++ {
		f.add(t, tally(p, i, rejects(draw(0.02), 1)))
	}
	require.Empty(t, f.Signals())
	law, ok := f.InForce("interval", "press:A")
	require.True(t, ok)
	total := 0.0
	for _, pt := range f.points[:40] {
		total += pt.Value
	}
	want, err := chart.PanelLimits(3, 120/total, chart.Width{})
	require.NoError(t, err)
	require.Equal(t, want, law.Limits, "exact, from whole numbers of panels")
	require.True(t, want.HasLower)
	for ; len(f.Signals()) == 0 && i < 20000; i++ {
		f.add(t, tally(p, i, rejects(draw(0.3), 1)))
	}
	require.Equal(t, "beyond lower limit", f.Signals()[0].Words)
}

// A plunger change begins a phase; from its 11th point the exact test of two rates guards it. Its false signals, counts being
// discrete, are fewer than asked for; a rate that rises fivefold is found.
func TestGuardOfCounts(t *testing.T) {
	p := press(0)
	r := rand.New(rand.NewPCG(3, 3))
	binomial := func(n int64, q float64) (k int64) {
		for range n {
			if r.Float64() < q {
				k++
			}
		}
		return k
	}
	const runs = 400
	guarded, hits := 0, 0
	for range runs {
		c := countChart(spc.NPChart)
		c.Limits.Probability = 0.02
		f := newFold(t, monitor.Config{Press: p, Charts: []spc.Chart{c}, Events: []spc.Event{event("plunger-change", "", start.Add(26*time.Minute))}})
		for i := range 50 {
			f.add(t, tally(p, i, rejects(binomial(60, 0.03), 60)))
		}
		require.Len(t, f.of("np", ""), 26)
		for i, pt := range f.Pending("np", "") {
			if i < 10 {
				require.Empty(t, pt.Source)
				continue
			}
			require.Equal(t, spc.Guard, pt.Source)
			guarded++
			hits += len(pt.Hits)
		}
	}
	rate := float64(hits) / float64(guarded)
	most := 0.02 + 3*math.Sqrt(0.02*0.98/float64(guarded))
	require.Less(t, rate, most)
	require.Greater(t, rate, 0.002, "it does signal")

	// By hand: 5 counted on 100, then a point on 25: X > U has at most the probability 0.01 given the sum.
	c := countChart(spc.CChart)
	c.Limits.Probability = 0.02
	f := newFold(t, monitor.Config{Press: p, Charts: []spc.Chart{c}, Events: []spc.Event{event("plunger-change", "", start.Add(25*time.Minute))}})
	for i := range 25 {
		f.add(t, tally(p, i, defects(int64(i%3), 10)))
	}
	for i := range 10 {
		f.add(t, tally(p, 25+i, defects(int64(i%2), 10)))
	}
	f.add(t, tally(p, 35, defects(9, 25)))
	last := f.Pending("c", "")[10]
	require.Equal(t, spc.Guard, last.Source)
	u := int(last.Limits.Upper)
	beyond := func(k int) float64 { return dist.BinomialTail(k-1, k+5, 0.2) } // P(X >= k) given X + 5
	require.LessOrEqual(t, beyond(u+1), 0.01)
	require.Greater(t, beyond(u), 0.01)
	require.False(t, last.Limits.HasLower)
	require.Len(t, last.Hits, 1)
	require.Equal(t, "c", f.Signals()[0].Chart)
}

func TestCountChartsRefuse(t *testing.T) {
	for want, edit := range map[string]func(*spc.Chart, *monitor.Config){
		"counts are of a press's panels":       func(c *spc.Chart, m *monitor.Config) { c.Press, c.Gauge, m.Press, m.Gauge = "", "PG-1", nil, "PG-1" },
		"a point holds 1 to 1000 measurements": func(c *spc.Chart, _ *monitor.Config) { c.Subgroup = 1001 },
		"adjusted is for charts of counts":     func(c *spc.Chart, _ *monitor.Config) { c.Kind, c.Adjusted = spc.Individuals, true },
		"cannot be adjusted":                   func(c *spc.Chart, _ *monitor.Config) { c.Kind, c.Adjusted = spc.IntervalChart, true },
	} {
		c, cfg := countChart(spc.PChart), monitor.Config{Press: press(2)}
		edit(&c, &cfg)
		cfg.Charts = []spc.Chart{c}
		_, err := monitor.New(cfg)
		require.ErrorContains(t, err, want)
	}
}
