package plot_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/web/plot"
)

func TestChartMarks(t *testing.T) {
	c := shift()
	root := parse(t, c.Wide())
	require.Equal(t, "chart-A-7-wide", root.attr("data-testid"))
	require.Equal(t, "group", root.attr("role"))
	require.Len(t, root.byID("pane"), 1)
	require.Len(t, root.byID("signal"), 3)
	require.Len(t, root.byID("hollow"), 1)
	require.Len(t, root.byID("band"), 1)
	require.Len(t, root.byID("band-provisional"), 1)
	require.Len(t, root.named("a"), 96)
	says := root.says()
	require.Contains(t, says, "beyond lower limit, three in a row")
	require.Contains(t, says, "press warming up")
	require.Contains(t, says, "provisional from 40 subgroups")
	require.Contains(t, says, "frozen 09:00, M. Okafor")
	require.Contains(t, says, "upper 1108.90")
	require.Contains(t, says, "centre 1108.00")
	require.Contains(t, says, "lower 1107.10")
	require.Contains(t, says, "Thu 5 Mar", "with no midnight in view the day stands under the first hour")

	stop := root.find(func(e element) bool { return e.XMLName.Local == "a" && e.attr("tabindex") == "" })
	require.Equal(t, "/panels/A/0000095", stop[0].attr("href"), "the tab key reaches the newest point")

	phone := parse(t, c.Phone())
	require.Contains(t, phone.says(), "1108.90")
	require.NotContains(t, phone.says(), "upper 1108.90")
	require.Len(t, phone.named("a"), 72, "six of the eight hours")
}

func TestBandStepsAndEndsWhereTheLehrBegins(t *testing.T) {
	c := shift()
	c.To, c.LehrFrom = at(16, 0), at(14, 0)
	c.InLehr = []time.Time{at(14, 10), at(14, 20)}
	root := parse(t, c.Wide())
	lehr, band := root.byID("lehr")[0], root.byID("band")[0]
	require.InDelta(t, lehr.number(t, "x"), band.number(t, "x")+band.number(t, "width"), .02)
	require.Contains(t, root.says(), "in the lehr, not yet measured")
	prov := root.byID("band-provisional")[0]
	require.InDelta(t, band.number(t, "x"), prov.number(t, "x")+prov.number(t, "width"), .02)
	require.Less(t, band.number(t, "y"), prov.number(t, "y"), "the later limits are wider")
	require.Len(t, root.byID("revision"), 1)
}

// Limits that follow each point are one band that bends, not a revision at every point; one with words is a revision.
func TestLimitsThatMoveAreNoRevision(t *testing.T) {
	rev := func(words string) int {
		a, b := limits(at(1, 0), at(2, 0), 1, 2, 3), limits(at(2, 0), at(23, 0), 1.1, 2.1, 3.1)
		a.Words, b.Words = "guard", words
		c := plot.Chart{From: at(0, 0), To: at(23, 0), Panes: []plot.Pane{{Main: true, Limits: []plot.LimitSpan{a, b}}}}
		return strings.Count(c.Wide(), `class="rev"`)
	}
	require.Equal(t, rev("frozen")-1, rev(""))
}

func TestGaps(t *testing.T) {
	c := shift()
	p := &c.Panes[0]
	p.Points = append(p.Points[:30:30], p.Points[34:]...)
	p.Points[30].Gap = true
	root := parse(t, c.Wide())
	require.Contains(t, root.says(), "no panels, 25\u00a0min")
	require.Equal(t, 2, strings.Count(root.byID("data")[0].attr("d"), "M"), "the line breaks once")
	// Ten minutes and less are a break without words.
	c = shift()
	c.Panes[0].Points[30].Gap = true
	require.Empty(t, parse(t, c.Wide()).find(func(e element) bool { return strings.HasPrefix(e.Text, "no panels") }))
}

func TestSignalWords(t *testing.T) {
	pane := func(kinds string, words map[int]string) element {
		c := plot.Chart{Title: "t", From: at(6, 0), To: at(12, 0), Zone: tallinn}
		p := plot.Pane{Main: true, Limits: []plot.LimitSpan{limits(at(0, 0), at(23, 0), 1, 2, 3)}}
		for i, k := range kinds {
			q := plot.Point{At: at(6, 10*i), Value: 2.1, Words: words[i]}
			switch k {
			case 's':
				q.Kind, q.Value = plot.Signal, 3.5
			case 'h':
				q.Kind = plot.Hollow
			}
			p.Points = append(p.Points, q)
		}
		c.Panes = []plot.Pane{p}
		return parse(t, c.Wide())
	}
	texts := func(e element) []string {
		var out []string
		for _, x := range e.byID("signal-words") {
			out = append(out, x.Text)
		}
		return out
	}
	const beyond, run = "beyond upper limit", "9 on one side"
	require.Equal(t, []string{beyond}, texts(pane("mmsm", map[int]string{2: beyond})))
	require.Equal(t, []string{run}, texts(pane("sssssssss", map[int]string{8: run})), "the rule's points are all marked, the words stand once")
	require.Equal(t, []string{run}, texts(pane("sss", map[int]string{0: run, 1: run, 2: run})), "a rule that counts by itself is not counted again")
	require.Equal(t, []string{beyond + ", two in a row; " + run}, texts(pane("sss", map[int]string{0: beyond, 1: beyond, 2: run})))
	require.Equal(t, []string{beyond + ", two in a row"}, texts(pane("shs", map[int]string{0: beyond, 2: beyond})), "an excluded point does not break a run")
	require.ElementsMatch(t, []string{beyond, beyond}, texts(pane("smmmmmmmmmmmmmms", map[int]string{0: beyond, 15: beyond})))
}

// long is n points over days with one signal among them.
func long(n int, signal int) plot.Chart {
	c := plot.Chart{ID: "long", Title: "long", From: at(0, 0), To: at(24*40, 0), Zone: tallinn}
	p := plot.Pane{Title: "t", Main: true, Decimals: 2, Limits: []plot.LimitSpan{limits(c.From, c.To, 1106, 1108, 1110)}}
	p.Points = make([]plot.Point, n)
	every := c.To.Sub(c.From) / time.Duration(n)
	for i := range p.Points {
		p.Points[i] = plot.Point{At: c.From.Add(time.Duration(i) * every), Value: 1108 + .5*math.Sin(float64(i)*1.3)}
	}
	if signal >= 0 {
		p.Points[signal].Kind, p.Points[signal].Value, p.Points[signal].Words, p.Points[signal].Href = plot.Signal, 1110.4, "beyond upper limit", "/panels/A/7"
	}
	c.Panes = []plot.Pane{p}
	return c
}

func TestLoneSignalAmongManyStaysVisible(t *testing.T) {
	root := parse(t, long(100_000, 61_803).Wide())
	signals := root.byID("signal")
	require.Len(t, signals, 1)
	require.InDelta(t, 1198*.61803, signals[0].number(t, "cx"), .1)
	require.Contains(t, root.says(), "beyond upper limit")
	bars := root.byID("column")
	require.Len(t, bars, 1, "one path holds all columns")
	require.Equal(t, 599, strings.Count(bars[0].attr("d"), "M"))
	// Its column reaches up to it: the disc stands at the top of a bar.
	require.Regexp(t, `M741 `+signals[0].attr("cy")+`L`, bars[0].attr("d"))
	require.Len(t, root.byID("mean"), 1)
	require.Empty(t, root.byID("data"))
}

func TestExcludedPointsStayVisibleInColumns(t *testing.T) {
	c := long(20_000, -1)
	for i := 5000; i < 5100; i++ {
		c.Panes[0].Points[i].Kind, c.Panes[0].Points[i].Value = plot.Hollow, 1111
	}
	root := parse(t, c.Wide())
	require.NotEmpty(t, root.byID("hollow"))
	require.Less(t, len(root.byID("hollow")), 5)
}

func TestDensity(t *testing.T) {
	kinds := func(n int) (discs, line, columns int) {
		root := parse(t, long(n, -1).Wide())
		return len(root.named("circle")), len(root.byID("data")), len(root.byID("column"))
	}
	for _, c := range []struct{ n, discs, line, columns int }{{400, 400, 1, 0}, {800, 0, 1, 0}, {5000, 0, 0, 1}} {
		discs, line, columns := kinds(c.n)
		require.Equal(t, []int{c.discs, c.line, c.columns}, []int{discs, line, columns}, "%d points", c.n)
	}
}

func TestColumnsGivenBeforehand(t *testing.T) {
	c := plot.Chart{Title: "t", From: at(0, 0), To: at(24, 0), Zone: tallinn, Bracket: &plot.Bracket{From: at(18, 0), To: at(24, 0), Words: "shown below"}}
	p := plot.Pane{Decimals: 2}
	for h := range 24 {
		if h == 10 || h == 11 {
			continue // a stop
		}
		p.Columns = append(p.Columns, plot.Column{At: at(h, 30), Min: 1, Max: 3 + float64(h)/100, Mean: 2, N: 30})
	}
	p.Columns[3].Signals = 2
	p.Columns = append(p.Columns, plot.Column{At: at(23, 59), Min: 9, Max: 9, Mean: 9}) // of none: nothing
	c.Panes = []plot.Pane{p}
	root := parse(t, c.Wide())
	require.Equal(t, 22, strings.Count(root.byID("column")[0].attr("d"), "M"))
	require.Equal(t, 2, strings.Count(root.byID("mean")[0].attr("d"), "M"), "the mean breaks at the stop")
	require.Len(t, root.byID("signal"), 1)
	require.Len(t, root.byID("bracket"), 1)
	require.Contains(t, root.says(), "greatest 3.23")
	require.Contains(t, root.says(), "least 1.00")
	require.Equal(t, 22, strings.Count(parse(t, c.Phone()).byID("column")[0].attr("d"), "M"), "the phone shows a long view whole")
}

func TestFewAndOddPoints(t *testing.T) {
	one := func(points ...plot.Point) element {
		return parse(t, plot.Chart{Title: "t", From: at(6, 0), To: at(12, 0), Zone: tallinn, Panes: []plot.Pane{{Main: true, Points: points, Decimals: 2}}}.Wide())
	}
	require.Contains(t, one().says(), "no panels in this time")
	require.Len(t, one(plot.Point{At: at(7, 0), Value: 5}).named("circle"), 1)
	equal := one(plot.Point{At: at(7, 0), Value: 5}, plot.Point{At: at(8, 0), Value: 5})
	require.Len(t, equal.named("circle"), 2)
	require.Contains(t, equal.says(), "always 5.00")
	require.Contains(t, one(plot.Point{At: at(7, 0), Value: math.NaN()}, plot.Point{At: at(8, 0), Value: math.Inf(1)}).says(), "no panels in this time")
	require.Len(t, one(plot.Point{At: at(5, 59), Value: 5}, plot.Point{At: at(12, 1), Value: 5}, plot.Point{At: at(12, 0), Value: 5}).named("circle"), 1)
	none := parse(t, plot.Chart{Title: "t"}.Wide())
	require.NotEmpty(t, none.attr("viewBox"))
}

func TestFarValuesDoNotFlattenThePicture(t *testing.T) {
	c := shift()
	c.Panes[0].Points[40].Value = 1e9
	c.Panes[0].Points[50].Value = -1e9
	root := parse(t, c.Wide())
	require.Contains(t, root.says(), "one value lies above this view")
	require.Contains(t, root.says(), "one value lies below this view")
	require.Greater(t, root.byID("band")[0].number(t, "height"), 100.)
	// A process that has moved far away as a whole is not "single values": it is shown.
	c = shift()
	for i := range c.Panes[0].Points {
		c.Panes[0].Points[i].Value += 40
	}
	for _, s := range parse(t, c.Wide()).says() {
		require.NotContains(t, s, "this view")
	}
}

func TestSpecification(t *testing.T) {
	c := shift()
	low, high := 1101.5, 1113.5
	p := &c.Panes[0]
	p.SpecLower, p.SpecUpper, p.SpecUnit = &low, &high, "mm"
	root := parse(t, c.Wide())
	require.Contains(t, root.says(), "specification 1101.5 to 1113.5\u00a0mm lies outside this view")
	require.Empty(t, root.byID("specification"))
	near := 1109.2
	p.SpecUpper, p.SpecLower = &near, nil
	root = parse(t, c.Wide())
	require.Len(t, root.byID("specification"), 1)
	require.Contains(t, root.says(), "specification 1109.20")
}

func TestLabelsKeepApart(t *testing.T) {
	c := shift()
	c.Panes[0].Limits = []plot.LimitSpan{limits(at(0, 0), at(23, 0), 1107.99, 1108, 1108.01)}
	var y []float64
	for _, e := range parse(t, c.Wide()).named("text") {
		for _, word := range []string{"upper ", "centre ", "lower "} {
			if strings.HasPrefix(e.Text, word) {
				y = append(y, e.number(t, "y"))
			}
		}
	}
	require.Len(t, y, 3)
	require.GreaterOrEqual(t, y[1]-y[0], 15.49)
	require.GreaterOrEqual(t, y[2]-y[1], 15.49)
}

func TestTimeAxis(t *testing.T) {
	axis := func(from, to time.Time) []string {
		return parse(t, plot.Chart{Title: "t", From: from, To: to, Zone: tallinn}.Wide()).says()
	}
	require.Contains(t, axis(at(6, 0), at(6, 10)), "06:05")
	require.Contains(t, axis(at(-12, 0), at(12, 0)), "Thu 5 Mar")
	require.Contains(t, axis(at(0, 0), at(24*10, 0)), "9 Mar")
	require.Contains(t, axis(at(0, 0), at(24*365, 0)), "Aug")
	require.Contains(t, axis(at(0, 0), at(24*365, 0)), "2027")
	require.Contains(t, axis(at(0, 0), at(24*365*30, 0)), "2040")
	// Clocks go forward in the night to 29 March 2026 at 03:00: there is no 03:00, and hours stay full hours after it.
	spring := axis(time.Date(2026, 3, 28, 22, 0, 0, 0, tallinn), time.Date(2026, 3, 29, 10, 0, 0, 0, tallinn))
	require.NotContains(t, spring, "03:00")
	require.Contains(t, spring, "02:00")
	require.Contains(t, spring, "04:00")
	// And back in the night to 25 October: 03:00 comes twice.
	n := 0
	for _, s := range axis(time.Date(2026, 10, 24, 22, 0, 0, 0, tallinn), time.Date(2026, 10, 25, 10, 0, 0, 0, tallinn)) {
		if s == "03:00" {
			n++
		}
	}
	require.Equal(t, 2, n)
}

func TestEventsGatherWhenTheyFindNoRoom(t *testing.T) {
	c := shift()
	for i := range 40 {
		c.Events = append(c.Events, plot.Event{At: at(6, 12*i), Words: "master check +1.1 µm"})
	}
	root := parse(t, c.Wide())
	require.Less(t, len(root.byID("event")), 40)
	require.Contains(t, root.says(), "three events")
	c.Events = nil
	for i := range 10_000 {
		c.Events = append(c.Events, plot.Event{At: at(6, 0).Add(time.Duration(i) * 2 * time.Second), Words: "x"})
	}
	require.Less(t, len(parse(t, c.Wide()).byID("event")), 60)
}

func TestStemsAndChange(t *testing.T) {
	c := shift()
	c.Panes[0].Stems, c.Panes[0].ZeroLabel, c.Panes[0].Main = true, "no change", false
	c.Panes[0].Limits = []plot.LimitSpan{limits(at(0, 0), at(23, 0), -.96, 0, .96)}
	for i := range c.Panes[0].Points {
		c.Panes[0].Points[i].Value -= 1108
	}
	c.Change = &plot.Change{At: at(13, 30), Earliest: at(13, 20), Latest: at(13, 40), Words: "began 13:30"}
	root := parse(t, c.Wide())
	require.Contains(t, root.says(), "no change")
	require.Contains(t, root.says(), "upper +0.96")
	require.Contains(t, root.says(), "lower \u22120.96")
	require.Len(t, root.byID("change"), 1)
	require.Len(t, root.byID("change-set"), 1)
}

func TestWhiskersAreTwiceTheStandardUncertainty(t *testing.T) {
	c := plot.Chart{Title: "t", From: at(6, 0), To: at(12, 0), Zone: tallinn}
	c.Panes = []plot.Pane{{Main: true, Height: 200, Points: []plot.Point{{At: at(7, 0), Value: 0, U: .25}, {At: at(8, 0), Value: 1}}}}
	root := parse(t, c.Wide())
	y := map[string]float64{}
	for i, e := range root.named("circle") {
		y[[]string{"zero", "one"}[i]] = e.number(t, "cy")
	}
	w := root.find(func(e element) bool { return e.attr("class") == "whisk" })
	require.Len(t, w, 1)
	var x, low, high float64
	_, err := sscan(w[0].attr("d"), &x, &low, &high)
	require.NoError(t, err)
	require.InDelta(t, y["zero"]-y["one"], low-high, .02, "±2u = ±0.5 spans 1")
}

func TestSparkline(t *testing.T) {
	s := plot.Sparkline{Title: "Mould 7", Desc: "d", From: at(6, 0), To: at(14, 0), Lower: -.9, Centre: 0, Upper: .9, HasLimits: true, ChangeAt: at(13, 0)}
	for i := range 50 {
		s.Points = append(s.Points, plot.Point{At: at(6, 9*i), Value: .3 * math.Sin(float64(i)), Href: "/x"})
	}
	s.Points[49].Kind, s.Points[49].Value = plot.Signal, -1.1
	root := parse(t, s.SVG())
	require.Len(t, root.byID("signal"), 1)
	require.Len(t, root.byID("band"), 1)
	require.InDelta(t, 76*.9/1.35, root.byID("band")[0].number(t, "height"), .02)
	require.Len(t, root.byID("change"), 1)
	require.Empty(t, root.named("a"), "the whole drawing is one link on the board")
	for i := range 400 {
		s.Points = append(s.Points, plot.Point{At: at(13, 30).Add(time.Duration(i) * time.Second), Kind: plot.Signal, Href: "/x"})
	}
	require.Empty(t, parse(t, s.SVG()).named("a"), "nor when it is drawn in columns")
	s.HasLimits = false
	require.Empty(t, parse(t, s.SVG()).byID("band"))
	require.NotEmpty(t, parse(t, plot.Sparkline{Title: "t"}.SVG()))
}

func TestRing(t *testing.T) {
	r := plot.Ring{Title: "Press A", Words: []string{"11 moulds", "110 s round"}}
	for i := range 11 {
		r.Moulds = append(r.Moulds, plot.RingMould{Name: string(rune('A' + i)), Signal: i == 6, Href: "/m"})
	}
	root := parse(t, r.SVG())
	require.Len(t, root.byID("mould"), 10)
	require.Len(t, root.byID("mould-signal"), 1)
	require.Less(t, root.byID("mould")[0].number(t, "cy"), 20., "the first stands at the top")
	require.NotEmpty(t, parse(t, plot.Ring{}.SVG()))
}

func TestSpan(t *testing.T) {
	low, high := 10., 20.
	root := parse(t, plot.Span{Value: 15, U: .5, Lower: &low, Upper: &high}.SVG())
	require.Len(t, root.byID("specification"), 2)
	require.InDelta(t, 150, root.byID("value")[0].number(t, "cx"), .01)
	require.Contains(t, root.Children[0].Text, "15 ± 1")
	beyond := parse(t, plot.Span{Value: 400, Upper: &high}.SVG())
	require.Equal(t, "path", beyond.byID("value")[0].XMLName.Local, "a value beyond the drawing is an arrow at its edge")
	require.Empty(t, plot.Span{Value: 1}.SVG())
	require.Empty(t, plot.Span{Value: math.NaN(), Upper: &high}.SVG())
}
