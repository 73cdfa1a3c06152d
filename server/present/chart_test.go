package present_test

import (
	"encoding/json"
	"fmt"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/server/present"
	"sagwatch/spc"
	"sagwatch/spc/monitor"
	"sagwatch/store"
	"sagwatch/web/plot"
	"sagwatch/web/ui"
)

var (
	now       = time.Date(2026, 3, 5, 13, 41, 0, 0, time.UTC)
	looking   = present.View{Zone: time.UTC, Now: now, Lengths: ui.InMM}
	ofMould   = spc.Chart{ID: "A.P25.radius_mm.individuals.mould", Press: "A", Product: "P25", Characteristic: "radius_mm", Kind: spc.Individuals, By: "mould", Limits: spc.LimitRule{K: 3}, Standard: true}
	band      = spc.Limits{Lower: 1107.16, Centre: 1108.02, Upper: 1108.88, HasLower: true, HasCentre: true, HasUpper: true}
	upToThree = 1113.5
	fromOne   = 1101.5
	product   = &spc.Product{ID: "P25", Contour: &spc.Contour{Kind: spc.ContourSphere, R: 1107.5}, K: 2, Limits: map[string]spc.Interval{"radius_mm": {Lower: &fromOne, Upper: &upToThree}}}
)

// made gives points of mould 7, one in 110 s up to 12:00, with frozen limits.
func made(values ...float64) []monitor.Point {
	out := make([]monitor.Point, len(values))
	for i, x := range values {
		out[i] = monitor.Point{Chart: ofMould.ID, Stream: "mould:7", Phase: 1, At: now.Truncate(time.Hour).Add(-time.Hour - time.Duration(len(values)-1-i)*110*time.Second), Panel: fmt.Sprintf("A-%03d", i),
			Measurement: int64(i + 1), Value: x, HasMR: i > 0, N: 1, Complete: true, Limits: band, Source: spc.Frozen}
	}
	return out
}

func beyond(p *monitor.Point) {
	p.Hits = []monitor.Hit{{Rule: "beyond-limits", Words: "beyond lower limit", Back: 1, Mask: 1}}
}

func TestWhatAChartSays(t *testing.T) {
	cases := []struct {
		name   string
		points func() []monitor.Point
		say    string
	}{
		{"steady", func() []monitor.Point { return made(1108, 1108.1, 1107.9) }, "Mould 7 on press A has been steady for four minutes, three panels, at 1108.02\u00a0mm."},
		{"one beyond", func() []monitor.Point { p := made(1108, 1107); beyond(&p[1]); return p }, "Mould 7 on press A: the last radius of curvature, 1107.00\u00a0mm, lies beyond lower limit."},
		{"two beyond", func() []monitor.Point { p := made(1108, 1107, 1106.9); beyond(&p[1]); beyond(&p[2]); return p }, "Mould 7 on press A has been beyond the lower limit since 11:58, two panels in a row."},
		{"back", func() []monitor.Point { p := made(1108, 1107, 1108); beyond(&p[1]); return p }, "Mould 7 on press A is back inside its limits at 1108.00\u00a0mm; its last signal point was at 11:58."},
		{"a jump alone is no signal", func() []monitor.Point {
			p := made(1107.2, 1108.8)
			p[1].Hits = []monitor.Hit{{Rule: monitor.Jumped, Words: "jumped", Back: 2, Mask: 3}}
			return p
		}, "Mould 7 on press A has been steady for two minutes, two panels, at 1108.02\u00a0mm."},
		{"no limits yet", func() []monitor.Point {
			p := made(1108, 1108)
			for i := range p {
				p[i].Source, p[i].Have, p[i].Need = "", 120, 200
			}
			return p
		}, "Mould 7 on press A has no limits yet for radius of curvature: 120 of 200 panels."},
		{"left out and hollow points say nothing", func() []monitor.Point {
			p := made(1108, 1107, 1106)
			p[1].Excluded, p[2].Hollow = "warming up", true
			return p
		}, "Mould 7 on press A has been steady for less than a minute, one panel, at 1108.02\u00a0mm."},
		{"nothing", func() []monitor.Point { return nil }, "Mould 7 on press A shows no radius of curvature in this time."},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			d := present.ChartData{Chart: ofMould, Product: product, Stream: "mould:7", From: now.Add(-8 * time.Hour), To: now, Points: c.points(), LastAt: now.Add(-100 * time.Minute), Lehr: 90 * time.Minute}
			m := present.Chart(looking, ui.Frame{}, d)
			require.Equal(t, c.say, m.Statement.Say.String())
			require.Equal(t, len(d.Points), len(m.Twin.Rows))
			if len(d.Points) == 0 {
				require.Nil(t, m.Main)
				require.NotEmpty(t, m.Empty)
				require.Empty(t, m.CSV)
			} else {
				require.NotNil(t, m.Main)
				require.Contains(t, m.CSV, ".csv?from=")
			}
		})
	}
}

// The points of a run are all marked; its words stand at the last, and excluded points are stepped over.
func TestPointsOfARule(t *testing.T) {
	p := made(1108.1, 1108.2, 1108.3, 1108.2)
	p[2].Excluded = "warming up"
	p[3].Hits = []monitor.Hit{{Rule: "run-one-side", Words: "3 on one side", Back: 3, Mask: 7}}
	got := present.Drawing(looking, ofMould, present.QuantityOf("radius_mm", product, ui.InMM), p, 0)
	require.Equal(t, []plot.PointKind{plot.Signal, plot.Signal, plot.Hollow, plot.Signal}, []plot.PointKind{got[0].Kind, got[1].Kind, got[2].Kind, got[3].Kind})
	require.Equal(t, []string{"", "", "", "3 on one side"}, []string{got[0].Words, got[1].Words, got[2].Words, got[3].Words})
	require.Equal(t, "warming up", got[2].Reason)
	require.Equal(t, "/panels/A/A-003", got[3].Href)
	require.Contains(t, got[3].Title, "1108.20")

	one := present.Drawing(looking, ofMould, present.QuantityOf("radius_mm", product, ui.InMM), p, 2)
	require.Equal(t, "this panel", one[1].Words)
	require.Equal(t, plot.Measured, one[0].Kind, "on a panel's page only the panel is marked")
}

// Changes skip what is left out; at new limits there is none.
func TestJumps(t *testing.T) {
	p := made(1108, 1109, 1108.5, 1107)
	p[1].Excluded, p[2].HasMR, p[3].HasMR = "warming up", true, true
	p[1].HasMR = false
	q := present.QuantityOf("radius_mm", product, ui.InMM)
	got := present.Jumps(q, p, present.Drawing(looking, ofMould, q, p, 0))
	require.Len(t, got, 2)
	require.InDelta(t, 0.5, got[0].Value, 1e-9)
	require.InDelta(t, -1.5, got[1].Value, 1e-9)
}

func TestBandsStepAndAreNeverBridged(t *testing.T) {
	p := made(1, 2, 3, 4, 5, 6)
	wide := band
	wide.Lower, wide.Upper = 1100, 1120
	p[0].Source, p[1].Source = spc.Provisional, spc.Provisional
	for i := 2; i < 4; i++ {
		p[i].Limits = wide
	}
	p[4].Source, p[5].Source = "", "" // a new phase without limits
	p[4].Phase, p[5].Phase = 2, 2
	log := []monitor.LimitsInForce{{Phase: 1, Source: spc.Provisional, N: 200, From: p[0].At}, {Phase: 1, Source: spc.Frozen, From: p[2].At, By: "M. Okafor"}}
	q := present.QuantityOf("radius_mm", product, ui.InMM)
	got := present.Bands(looking, ofMould, q, p, log, now)
	require.Len(t, got, 2)
	require.True(t, got[0].Provisional)
	require.Equal(t, "provisional from 200 panels", got[0].Words)
	require.Equal(t, p[2].At, got[0].To)
	require.False(t, got[1].Provisional)
	require.Equal(t, "frozen, M. Okafor", got[1].Words)
	require.Equal(t, 1100.0, got[1].Lower)
	require.Equal(t, p[3].At, got[1].To, "the band ends with its phase")
}

// A guard moves with every point of its phase and is named once.
func TestBandsOfAGuard(t *testing.T) {
	p := made(1, 2, 3, 4)
	for i := range p {
		p[i].Source = spc.Guard
		p[i].Limits.Centre += float64(i)
	}
	p[1].Source = "" // a cycle that lacks a mould
	got := present.Bands(looking, ofMould, present.QuantityOf("radius_mm", product, ui.InMM), p, nil, now)
	require.Len(t, got, 3)
	require.Contains(t, got[0].Words, "guard")
	require.Empty(t, got[1].Words+got[2].Words)
	require.Equal(t, got[0].To, got[1].From)
}

// A cycle of fewer panels has wider limits; the band shows those of the fullest.
func TestBandsOfCycles(t *testing.T) {
	p := made(1, 2, 3)
	short := band
	short.Lower, short.Upper = 1100, 1120
	p[0].N, p[1].N, p[2].N = 11, 9, 11
	p[1].Limits = short
	c := ofMould
	c.Kind = spc.CycleMean
	got := present.Bands(looking, c, present.QuantityOf("radius_mm", product, ui.InMM), p, nil, now)
	require.Len(t, got, 1)
	require.Equal(t, band.Lower, got[0].Lower)
}

// Inches: every drawn number is divided by 25.4, limits with it (1 in = 25.4 mm exactly, ISO 80000-3).
func TestInches(t *testing.T) {
	v := looking
	v.Lengths = ui.InInch
	d := present.ChartData{Chart: ofMould, Product: product, Stream: "mould:7", From: now.Add(-8 * time.Hour), To: now, Points: made(1108, 1108.2)}
	m := present.Chart(v, ui.Frame{}, d)
	pane := m.Main.Panes[0]
	require.InDelta(t, 1108/25.4, pane.Points[0].Value, 1e-12)
	require.InDelta(t, 1107.16/25.4, pane.Limits[0].Lower, 1e-12)
	require.InDelta(t, 1101.5/25.4, *pane.SpecLower, 1e-12)
	require.Equal(t, 1101.5, fromOne, "the product itself is not changed")
	require.Contains(t, m.Statement.Say.String(), "43.6228\u00a0in")
}

func TestCompanions(t *testing.T) {
	d := present.ChartData{Chart: ofMould, Product: product, Stream: "mould:7", From: now.Add(-8 * time.Hour), To: now, Points: made(1108, 1108.2, 1108.1)}
	titles := func(m *plot.Chart) (out []string) {
		for _, p := range m.Panes {
			out = append(out, p.Title)
		}
		return out
	}
	require.Equal(t, []string{"Where does it stand?", "Did it jump?"}, titles(present.Chart(looking, ui.Frame{}, d).Main))
	d.Chart.Kind, d.Scatter, d.Stream = spc.CycleMean, made(0.4, 0.5, 0.6), "press:A"
	require.Equal(t, []string{"Does it scatter?", "Where does it stand?"}, titles(present.Chart(looking, ui.Frame{}, d).Main))
}

func TestLongTimesAreColumns(t *testing.T) {
	d := present.ChartData{Chart: ofMould, Product: product, Stream: "mould:7", From: now.Add(-10 * 24 * time.Hour), To: now, Bin: time.Hour,
		Columns: []store.Bucket{{At: now.Add(-5 * time.Hour), Min: 1107, Max: 1109, Mean: 1108, Count: 33}, {At: now.Add(-4 * time.Hour), Min: 1106, Max: 1108, Mean: 1107, Count: 30}},
		Signals: []store.Signal{{Fault: spc.Fault{Signal: spc.Signal{ID: "x", At: now.Add(-210 * time.Minute), Words: "beyond lower limit", Value: 1106, Panel: "A-9"}}, State: store.SignalOpen}}}
	m := present.Chart(looking, ui.Frame{}, d)
	require.Equal(t, "Mould 7 on press A ran from 1106.00 to 1109.00\u00a0mm in ten days, 63 panels.", m.Statement.Say.String())
	require.Equal(t, []int{0, 1}, []int{m.Main.Panes[0].Columns[0].Signals, m.Main.Panes[0].Columns[1].Signals})
	require.Len(t, m.Twin.Rows, 2)
}

func TestWhatAChartSaysOfItself(t *testing.T) {
	text := func(c spc.Chart, log []monitor.LimitsInForce) string {
		var b strings.Builder
		for _, s := range present.Itself(looking, c, &spc.Press{ID: "A", FalseSignals: 1}, log) {
			b.WriteString(s.String() + "\n")
		}
		return b.String()
	}
	plain := text(ofMould, []monitor.LimitsInForce{{N: 200, BaselineFrom: now.Add(-7 * time.Hour), BaselineTo: now.Add(-time.Hour), Lag1: 0.11, Lag1Band: 0.14}})
	require.Contains(t, plain, "From a baseline of 200 panels, pressed 06:41 to 12:41")
	require.Contains(t, plain, "neighbours hardly resemble each other: the lag-1 correlation is 0.11; chance alone stays within 0.14")
	require.Contains(t, plain, "All standard charts of press A together: 1.0 false points")
	require.NotContains(t, plain, "by hand")

	told := text(ofMould, []monitor.LimitsInForce{{N: 200, Lag1: 0.3, Lag1Band: 0.14, Lag1Found: true, Notes: []string{"Neighbouring points are correlated (0.30, chance stays within 0.14)"}}})
	require.Equal(t, 1, strings.Count(told, "0.14"), "the correlation is told once: %s", told)

	made := ofMould
	made.Standard, made.Rules, made.Limits = false, []spc.RuleSetting{{Key: "beyond-limits"}, {Key: "run-one-side", Count: 7}}, spc.LimitRule{Probability: 0.001, Side: "upper"}
	hand := text(made, nil)
	require.Contains(t, hand, "A point signals when it lies beyond a limit or when seven in a row lie on one side of the centre.")
	require.Contains(t, hand, "made by hand")
}

func TestHowSoonAChartSignals(t *testing.T) {
	lim := spc.Limits{Lower: 1104, Centre: 1107, Upper: 1110, HasLower: true, HasCentre: true, HasUpper: true, Sigma: 1}
	page := func(c spc.Chart, l monitor.LimitsInForce) string {
		m := present.Chart(looking, ui.Frame{}, present.ChartData{Chart: c, Product: product, Press: &spc.Press{ID: "A"}, Stream: "mould:7", Log: []monitor.LimitsInForce{l}, Every: 110 * time.Second})
		if m.Alarms == nil {
			return ""
		}
		var b strings.Builder
		for _, s := range m.Alarms.Says {
			b.WriteString(s.String() + "\n")
		}
		for _, r := range m.Alarms.Delays.Rows {
			for _, c := range r.Cells {
				b.WriteString(c.Text + " | ")
			}
			b.WriteString("\n")
		}
		return b.String()
	}
	// Run lengths 370.4, 43.9, 6.30, 2.00 of three-sigma limits in control and after a shift by 1, 2, 3 sigma: Champ and
	// Woodall 1987, table 1, rule set C1.
	plain := page(ofMould, monitor.LimitsInForce{N: 200, Limits: lim})
	require.Contains(t, plain, "about once in 370 panels, that is every eleven hours; worked out exactly by a Markov chain for independent normal points.")
	require.Regexp(t, `Limits from a baseline of 200 panels leave that between \d+ and [\d\x{2009} ]+ \(90 %\)`, plain)
	require.Contains(t, plain, "1.0 sd, 1.00\u00a0mm | 44 | ")
	require.Contains(t, plain, "2.0 sd, 2.00\u00a0mm | 6.3 | ")
	require.Contains(t, plain, "3.0 sd, 3.00\u00a0mm | 2.0 | ")

	four := ofMould
	four.Rules = []spc.RuleSetting{{Key: "beyond-limits"}, {Key: "two-of-three-beyond-2s"}, {Key: "four-of-five-beyond-1s"}, {Key: "run-one-side", Count: 8}}
	require.Contains(t, page(four, monitor.LimitsInForce{N: 200, Limits: lim}), "about once in 92 panels", "91.75: Champ and Woodall 1987, rule set C1234")

	// One side of three sigma: 1/0.00135 = 740.8 (tables of the normal distribution).
	upper := lim
	upper.HasLower = false
	require.Contains(t, page(ofMould, monitor.LimitsInForce{N: 200, Limits: upper}), "about once in 741 panels")

	held := page(ofMould, monitor.LimitsInForce{N: 200, Limits: lim, Lag1: 0.8, Lag1Band: 0.14, Lag1Found: true})
	require.Contains(t, held, "for neighbours as correlated as in the baseline (0.80)")
	require.NotContains(t, held, "once in 370", "points beyond the limits come in groups")

	skew := lim
	skew.Lower, skew.Centre, skew.Upper = 50, 100, 200
	log := page(ofMould, monitor.LimitsInForce{N: 200, Limits: skew, Log: true})
	require.Contains(t, log, "about once in 370 panels", "limits at the probability of three sigma")
	require.Contains(t, log, "of the skewed model")

	spread := spc.Chart{ID: "s", Press: "A", Product: "P25", Characteristic: "radius_mm", Kind: spc.CycleSpread, Rules: []spc.RuleSetting{{Key: "beyond-limits"}}}
	byN := make([]spc.Limits, 6)
	// Five panels, sigma 1: c4 0.9400, B6 1.964, no lower limit; a point beyond with probability 0.0039 (ISO 7870-2, constants; reference/runlength, false-alarm rates of S charts).
	byN[5] = spc.Limits{Centre: 0.9400, Upper: 1.9636, HasCentre: true, HasUpper: true, Sigma: 0.3412}
	require.Contains(t, page(spread, monitor.LimitsInForce{N: 200, Limits: byN[5], LimitsByN: byN}), "about once in 256 cycles")
	require.Empty(t, page(ofMould, monitor.LimitsInForce{Refused: "The points do not vary."}))
}

func TestLimitsAsTheyWereKnown(t *testing.T) {
	at := func(h int) time.Time { return now.Add(time.Duration(h) * time.Hour) }
	row := func(stream string, from time.Time, n int) store.LimitsInForce {
		body, err := json.Marshal(monitor.LimitsInForce{Stream: stream, Phase: 1, Source: spc.Provisional, From: from, N: n, Limits: band})
		require.NoError(t, err)
		return store.LimitsInForce{Stream: stream, Body: body}
	}
	got := present.DecodeLimits([]store.LimitsInForce{row("mould:7", at(-2), 200), row("mould:8", at(-2), 200), row("mould:7", at(-5), 200), row("mould:7", at(-2), 201), {Stream: "mould:7", Body: []byte("{")}}, "mould:7")
	require.Len(t, got, 2)
	require.Equal(t, at(-5), got[0].From)
	require.Equal(t, 201, got[1].N, "the latest word about one beginning counts")
}

func TestLimitsForm(t *testing.T) {
	d := &present.ChartData{Chart: ofMould, Product: product, Stream: "mould:7", Points: made(1, 2, 3), Others: []present.StreamPoint{{Stream: "mould:7"}, {Stream: "mould:8"}}}
	f := present.LimitsForm(looking, d, url.Values{"how": {"given"}, "lower": {"11o7"}, "stream": {""}}, ui.Problems{Head: "Not yet", Items: []ui.Problem{{Field: "lower", Name: "Lower limit", Text: ": “11o7” is not a number."}}})
	by := map[string]ui.Input{}
	for _, i := range f.Fields {
		by[i.Name] = i
	}
	require.Equal(t, "11o7", by["lower"].Value, "what was typed stays")
	require.Equal(t, "Lower limit: “11o7” is not a number.", by["lower"].Problem)
	require.True(t, by["how"].Options[1].Selected)
	require.True(t, by["stream"].Options[1].Selected)
	require.Equal(t, "2026-03-05 11:56", by["baseline_from"].Value, "the time shown is offered as the baseline")
	require.False(t, by["reason"].Optional)
}

func TestChartsList(t *testing.T) {
	p := made(1108)[0]
	odd := p
	odd.Stream = "mould:8"
	beyond(&odd)
	groups := []present.ChartGroup{{Press: "A", Product: "P25", Charts: []present.ChartOnList{
		{Chart: ofMould, Product: product, Streams: []present.StreamPoint{{Stream: "mould:7", Point: p}, {Stream: "mould:8", Point: odd}}},
		{Chart: spc.Chart{ID: "later", Press: "A", Characteristic: "twist_um", Kind: "later"}}, {Chart: ofMould}}}}
	m := present.Charts(looking, ui.Frame{}, groups, 1)
	require.Equal(t, "One stream signals now, of 2 on three charts.", m.Statement.Say.String())
	rows := m.Groups[0].Rows
	require.Equal(t, "mould 8 beyond lower limit", rows[0].State.Word)
	require.Equal(t, ui.Bad, rows[0].State.Kind)
	require.Equal(t, "not worked out by this release", rows[1].State.Word)
	require.Empty(t, rows[1].Href)
	require.Equal(t, "no points yet", rows[2].State.Word)
}
