package report_test

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"github.com/xuri/excelize/v2"

	"sagwatch/server/report"
	"sagwatch/spc"
	"sagwatch/store"
)

// shiftInputs are an invented early shift of two presses: one with a signal that goes on, one that was stopped.
func shiftInputs() *report.HandOverInputs {
	zone := time.FixedZone("", 7200)
	at := func(clock string) time.Time {
		c, err := time.ParseInLocation("2006-01-02 15:04", "2026-03-05 "+clock, zone)
		if err != nil {
			panic(err)
		}
		return c.UTC()
	}
	in := &report.HandOverInputs{Shift: "early shift", Head: report.Head{Kind: store.HandOverReport, Title: "Hand-over of the early shift of Thursday 5 March 2026, every press", Site: "TW", Plant: "TW", Zone: "Europe/Tallinn",
		From: at("06:00"), To: at("14:00"), IssuedBy: "R. Tamm", IssuedAt: at("14:05"), Version: "v0.4", Definitions: []string{"press A revision 1"}, Query: json.RawMessage(`{}`)}}
	a := report.HandOverPress{ID: "A", LehrMinutes: 90, Moulds: []string{"1", "2"}, Products: []string{"P25"}, First: at("06:00"), Last: at("12:33"), Before: store.Counts{Conforms: 400, DoesNotConform: 2}}
	a.Counts = []report.HandOverCount{{Mould: "1", Counts: store.Counts{Conforms: 196, Undecided: 3, DoesNotConform: 1}}, {Mould: "2", Counts: store.Counts{Conforms: 190, DoesNotConform: 10}}}
	b := report.HandOverPress{ID: "B", LehrMinutes: 90, Moulds: []string{"1"}, Products: []string{"P25"}, First: at("06:01"), Last: at("09:00")}
	b.Counts = []report.HandOverCount{{Mould: "1", Counts: store.Counts{Conforms: 100}}}
	in.Presses = []report.HandOverPress{a, b}
	three := 3.2
	in.Gauges = []report.HandOverGauge{{ID: "CG-1", Last: at("14:04"), Masters: true, EveryH: 4, Master: at("09:30"), Verdict: spc.Conforms, ErrorUM: &three, Allowed: 5},
		{ID: "CG-2", Last: at("10:40"), Masters: true, EveryH: 8, Master: at("08:00"), Verdict: spc.Conforms, ErrorUM: &three, Allowed: 5}}
	signal := report.HandOverSignal{ID: "s1", Press: "A", Product: "P25", Of: "radius_mm", Kind: "individuals", Stream: "mould:2", Words: "beyond lower limit", Panel: "A-0147575", At: at("11:49"), LastAt: at("12:33"), Known: at("13:25"), Changed: at("13:25"), State: store.SignalOpen,
		Value: 1106.02, Lower: 1106.47, Upper: 1109.57, Sigma: .52}
	closed := signal
	closed.ID, closed.Of, closed.State, closed.Ended, closed.Changed, closed.At, closed.Words = "s0", "twist_um", store.SignalClosed, true, at("08:47"), at("07:14"), "nine on one side"
	closed.Cause, closed.Action = "Shell worn", "Mould changed"
	in.Signals = []report.HandOverSignal{signal, closed}
	in.Waiting = []store.WaitingPanel{{Press: "A", Panel: "A-0147577", Mould: "1", Gauge: "CG-1", LineAt: at("11:55"), MeasuredAt: at("13:31"), Reasons: []string{"max_deviation_um too close to its limit"}}}
	in.WaitAll = 3
	in.Events = []spc.Event{{Press: "B", Kind: "stop", At: at("09:05"), Text: "plunger", By: "tamm"}, {Press: "A", Kind: "mould-change", Mould: "1", At: at("07:30"), By: "tamm"}}
	in.Limits = []report.HandOverLimit{{Chart: "A.P25.radius_mm.individuals.mould", Of: "radius_mm", Stream: "mould:1", From: at("10:30"), Source: spc.Provisional, Limits: spc.Limits{Lower: 1106.5, Centre: 1108, Upper: 1109.5, HasLower: true, HasCentre: true, HasUpper: true, Sigma: .5}}}
	in.Changes = []report.HandOverChange{{Kind: "product", ID: "P25", Revision: 5, From: at("09:00"), At: at("08:58"), Reason: "tighter radius", By: "okafor"}}
	in.Gaps = []store.Gap{{Press: "A", From: at("08:10"), To: at("08:40")}}
	c := report.HandOverCycles{Press: "A", Product: "P25", Of: "radius_mm", RoundS: 110}
	for i := range 200 {
		p := report.HandOverPoint{At: at("06:00").Add(time.Duration(i) * 110 * time.Second), Panel: "A", Value: 1107.5 + float64(i%7)*.05, N: 2, Lower: 1107.2, Centre: 1107.6, Upper: 1108, Source: spc.Frozen, Complete: true}
		if i == 190 {
			p.Value, p.Signal, p.Words = 1107.1, true, "beyond lower limit"
		}
		c.Points = append(c.Points, p)
	}
	in.Charts = []report.HandOverCycles{c}
	return in
}

func made(t *testing.T, in *report.HandOverInputs) *report.Document {
	t.Helper()
	b, err := json.Marshal(in)
	require.NoError(t, err)
	d, err := report.Make(store.HandOverReport, b)
	require.NoError(t, err)
	return d
}

func plainSpaces(s string) string {
	return strings.Join(strings.Fields(strings.NewReplacer("\u00a0", " ", "\u2009", " ").Replace(s)), " ")
}

// What the next shift must know comes first, the most pressing first of all, and nothing that is in order is told.
func TestHandOverSaysWhatMatters(t *testing.T) {
	t.Parallel()
	d := made(t, shiftInputs())
	require.Equal(t, "Mould 2 on press A lies below its lower limit of radius since 11:49. 500 panels gauged, eleven do not conform (2.20 %).", plainSpaces(d.Statement))
	require.Equal(t, "What the next shift must know", d.Blocks[0].Heading)
	require.Equal(t, []string{
		"1. Mould 2 on press A lies below its lower limit of radius since 11:49, first panel A-0147575 at 1106.02 mm; nobody has acknowledged it.",
		"2. Gauge CG-1 has needed its master panel since 13:30.",
		"3. Three panels are undecided and must be measured again: A-0147577 and two more.",
		"4. Press B was stopped at 09:05; no start has been recorded since.",
		"5. No panel of press B pressed after 09:00 has been measured.",
		"6. Gauge CG-2 has sent nothing since 10:40.",
	}, strings.Split(plainLines(d.Blocks[0].Text), "\n"))
	require.Contains(t, plainSpaces(strings.Join(d.Doubts, " ")), "those pressed after about 12:35 (the lehr takes 90 minutes)")
	quiet := shiftInputs()
	quiet.Signals, quiet.Gauges, quiet.Waiting, quiet.WaitAll, quiet.Events, quiet.Presses = nil, nil, nil, 0, nil, quiet.Presses[:1]
	d = made(t, quiet)
	require.Contains(t, d.Statement, "No signal stands.")
	require.Contains(t, d.Blocks[0].Text, "Nothing is left open")
	running := shiftInputs()
	running.IssuedAt = running.To.Add(-time.Hour)
	require.Contains(t, made(t, running).Doubts[0], "The shift is not over")
}

func plainLines(s string) string {
	lines := strings.Split(s, "\n")
	for i := range lines {
		lines[i] = plainSpaces(lines[i])
	}
	return strings.Join(lines, "\n")
}

// The figures and their exact intervals. Limits by hand from the definition of Clopper and Pearson (Biometrika 26, 1934): for 0 of n the
// upper limit is 1 - 0.025^(1/n), for n of n the lower one 0.025^(1/n).
func TestHandOverFigures(t *testing.T) {
	t.Parallel()
	d := made(t, shiftInputs())
	by := map[string]report.Figure{}
	for _, f := range d.Figures {
		require.NotContains(t, by, f.ID, "two figures of one name")
		require.NotEmpty(t, f.Formula)
		require.NotEmpty(t, f.Inputs)
		require.NotEmpty(t, f.Source)
		by[f.ID] = f
	}
	require.EqualValues(t, 400, by["gauged.press:A"].Value)
	require.InDelta(t, 100*11./400, float64(by["does-not-conform.press:A"].Value), 1e-12)
	require.InDelta(t, 100*1./200, float64(by["does-not-conform.press:A.mould:1"].Value), 1e-12)
	none := by["does-not-conform.press:B"]
	require.EqualValues(t, 0, none.Value)
	require.EqualValues(t, 0, none.Lower)
	require.InDelta(t, 3.621669, float64(none.Upper), 1e-6) // 100 (1 - 0.025^(1/100))
	require.InDelta(t, 100-3.621669, float64(by["conforms.press:B"].Lower), 1e-6)
	// Every figure that a table names is in the appendix.
	for _, b := range d.Blocks {
		if b.Table != nil {
			for _, r := range b.Table.Rows {
				for _, c := range r {
					if c.Figure != "" {
						require.Contains(t, by, c.Figure)
					}
				}
			}
		}
	}
}

// The files say what was worked out, and the same inputs give the same bytes.
func TestHandOverFiles(t *testing.T) {
	t.Parallel()
	d := made(t, shiftInputs())
	pdf, err := d.PDF()
	require.NoError(t, err)
	if dir := os.Getenv("SAGWATCH_SHOTS"); dir != "" {
		require.NoError(t, os.WriteFile(filepath.Join(dir, "hand-over.pdf"), pdf, 0o644))
	}
	for range 5 {
		again, err := made(t, shiftInputs()).PDF()
		require.NoError(t, err)
		require.True(t, bytes.Equal(pdf, again), "the same inputs give the same bytes")
	}
	x, err := d.XLSX()
	require.NoError(t, err)
	f, err := excelize.OpenReader(bytes.NewReader(x))
	require.NoError(t, err)
	rows, err := f.GetRows("By mould", excelize.Options{RawCellValue: true})
	require.NoError(t, err)
	require.Equal(t, []string{"A", "2", "200", "190", "0", "10", "0"}, rows[3], "no row of units, where none has one")
	text := plainSpaces(pdfText(t, pdf))
	for _, want := range []string{"What the next shift must know", "500 panels gauged", "eleven do not conform", "A-0147575", "Press B was stopped at 09:05", "closed 08:47: Shell worn", "Stops and changes", "tighter radius", "Gauge CG-2 has sent nothing since 10:40", "2.75 % (1.38 to 4.87)", "intervals are 95 %"} {
		require.Contains(t, text, want)
	}
	require.NotContains(t, text, "NaN")
}

// A flood is one thing to know: a press of which many streams signal takes one line, and each stream one row.
func TestHandOverGroupsAFlood(t *testing.T) {
	t.Parallel()
	in := shiftInputs()
	base := in.Signals[0]
	in.Signals, in.Presses[0].Moulds = nil, []string{"1", "2", "3", "4", "5", "6", "7", "8", "9", "10", "11"}
	for i := range 40 {
		g := base
		g.ID, g.Stream, g.At = "s"+string(rune('a'+i)), "mould:"+string(rune('1'+i%8)), base.At.Add(time.Duration(i)*time.Minute)
		if i >= 8 {
			g.Of = "twist_um"
		}
		if i%4 == 0 {
			g.State = store.SignalAcknowledged
		}
		in.Signals = append(in.Signals, g)
	}
	d := made(t, in)
	require.Contains(t, plainSpaces(d.Statement), "Mould 1 on press A lies below its lower limit of radius since 11:49; signals of seven more streams go on.")
	line := strings.Split(plainLines(d.Blocks[0].Text), "\n")[0]
	require.Equal(t, "1. Press A: 40 signals go on, of eight of eleven moulds, the first since 11:49; ten of 40 acknowledged. Of the radius first: mould 1 on press A lies below its lower limit of radius since 11:49, first panel A-0147575 at 1106.02 mm. So many at once rather mean the gauge or the whole press than single moulds: check the gauge with its master panel first.", line)
	for _, b := range d.Blocks {
		if strings.HasPrefix(b.Heading, "Signals:") {
			require.Len(t, b.Table.Rows, 8)
			require.Equal(t, "Below: radius (1106.02 mm, limit 1106.47 mm), twist", plainSpaces(b.Table.Rows[0][2].Text))
			require.Equal(t, "5", b.Table.Rows[0][4].Text)
		}
	}
	for _, s := range d.Sheets {
		if s.Name == "Signals" {
			require.Len(t, s.Rows, 40, "the spreadsheet has every one")
		}
	}
}

// The heading over the cycle means agrees with the signals that the same report lists.
func TestHandOverCyclesHeadingAgrees(t *testing.T) {
	t.Parallel()
	head := func(change func(in *report.HandOverInputs, c *report.HandOverCycles)) string {
		in := shiftInputs()
		c := &in.Charts[0]
		c.Points[190] = c.Points[189]
		change(in, c)
		for _, b := range made(t, in).Blocks {
			if b.Drawing != nil && strings.HasPrefix(b.Heading, "Press A: ") {
				return plainSpaces(strings.TrimPrefix(b.Heading, "Press A: "))
			}
		}
		return "no drawing"
	}
	spread := func(in *report.HandOverInputs) *report.HandOverSignal {
		g := in.Signals[0]
		g.ID, g.Kind, g.Stream, g.Words, g.At, g.LastAt = "s9", string(spc.CycleSpread), "press:A", "beyond upper limit", in.From.Add(time.Hour), in.From.Add(2*time.Hour)
		in.Signals = append(in.Signals, g)
		return &in.Signals[len(in.Signals)-1]
	}
	const inside = "the cycle means kept inside their limits"
	for _, c := range []struct {
		name, want string
		change     func(in *report.HandOverInputs, c *report.HandOverCycles)
	}{
		{"quiet, a mould's signal beside it", inside, func(*report.HandOverInputs, *report.HandOverCycles) {}},
		{"part of a signal", "one cycle is part of a signal", func(_ *report.HandOverInputs, c *report.HandOverCycles) { c.Points[3].Signal = true }},
		{"beyond without a signal", "one cycle mean lies beyond the limits", func(_ *report.HandOverInputs, c *report.HandOverCycles) { c.Points[3].Value = 1109 }},
		{"beyond, but left out", inside, func(_ *report.HandOverInputs, c *report.HandOverCycles) {
			c.Points[3].Value, c.Points[3].Excluded = 1109, "trial"
		}},
		{"the spread signalled", "one signal of the cycles in the shift, none at a mean that is drawn here", func(in *report.HandOverInputs, _ *report.HandOverCycles) { spread(in) }},
		{"withdrawn", inside, func(in *report.HandOverInputs, _ *report.HandOverCycles) { spread(in).State = store.SignalWithdrawn }},
		{"of another press", inside, func(in *report.HandOverInputs, _ *report.HandOverCycles) { spread(in).Press = "B" }},
		{"over before the shift", inside, func(in *report.HandOverInputs, _ *report.HandOverCycles) {
			g := spread(in)
			g.At, g.LastAt = in.From.Add(-2*time.Hour), in.From.Add(-time.Hour)
		}},
		{"earlier cycles not drawn", "the cycle means drawn here kept inside their limits, as far as they had any", func(_ *report.HandOverInputs, c *report.HandOverCycles) { c.Dropped = 4 }},
		{"no limits", "the cycles have no limits yet", func(_ *report.HandOverInputs, c *report.HandOverCycles) {
			for i := range c.Points {
				c.Points[i].Source, c.Points[i].Lower, c.Points[i].Upper = "", report.None, report.None
			}
		}},
	} {
		require.Equal(t, c.want, head(c.change), c.name)
	}
}
