package present_test

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/server/plant"
	"sagwatch/server/present"
	"sagwatch/spc"
	"sagwatch/store"
	"sagwatch/web/ui"
)

func aSignal(state string) store.Signal {
	p := made(1108, 1107, 1106.9)
	return store.Signal{State: state, Known: now.Add(-16 * time.Minute), Changed: now.Add(-5 * time.Minute), Fault: spc.Fault{Signal: spc.Signal{ID: "abc", Press: "A", Product: "P25", Chart: ofMould.ID, Stream: "mould:7", Phase: 1, Rule: "beyond-limits", Words: "beyond lower limit",
		Panel: "A-001", At: p[1].At, FoundAt: p[1].At, LastPanel: "A-002", LastAt: p[2].At, Value: 1107, Limits: band,
		Evidence: []spc.Evidence{{Rule: "beyond-limits", Words: "beyond lower limit", At: p[1].At, Panels: []string{"A-001"}}, {Rule: "beyond-limits", Words: "beyond lower limit", At: p[2].At, Panels: []string{"A-002"}}}}}}
}

func TestSignalInWords(t *testing.T) {
	cases := []struct {
		name   string
		change func(*store.Signal)
		say    string
	}{
		{"goes on", func(*store.Signal) {}, "Mould 7 on press A: radius of curvature beyond the lower limit since 11:58."},
		{"ended", func(g *store.Signal) { g.Ended = true }, "Mould 7 on press A: radius of curvature lay beyond the lower limit from 11:58 to 12:00."},
		{"one point", func(g *store.Signal) { g.LastPanel, g.LastAt = g.Panel, g.At }, "Mould 7 on press A: one radius of curvature lay beyond the lower limit, at 11:58."},
		{"a run", func(g *store.Signal) { g.Words = "9 on one side" }, "Mould 7 on press A: radius of curvature signals since 11:58, 9 on one side."},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			g := aSignal(store.SignalOpen)
			c.change(&g)
			m := present.Signal(looking, ui.Frame{}, present.SignalData{Signal: g, Def: ofMould, Product: product})
			require.Equal(t, c.say, m.Statement.Say.String())
			require.NotEmpty(t, m.Caution.Danger)
		})
	}
}

func TestSignalPage(t *testing.T) {
	p := made(1108, 1107, 1106.9, 1108)
	beyond(&p[1])
	beyond(&p[2])
	g := aSignal(store.SignalOpen)
	g.At, g.LastAt = p[1].At, p[2].At
	d := present.SignalData{Signal: g, Def: ofMould, Product: product, Points: p, From: now.Add(-3 * time.Hour), To: now, Person: "R. Tamm", LastAt: p[3].At, Lehr: 90 * time.Minute}
	m := present.Signal(looking, ui.Frame{}, d)
	require.Equal(t, "for 16 minutes, acknowledged by nobody", m.StateSay)
	require.Len(t, m.Points.Rows, 2, "the points that made it, no others")
	require.Equal(t, "/panels/A/A-001", m.Points.Rows[0].Cells[0].Href)
	require.Equal(t, p[3].At, m.Chart.LehrFrom, "what is not measured yet is hatched")
	require.Equal(t, "/signals/abc/acknowledge", m.Acts.Acknowledge)

	d.Person = ""
	require.Nil(t, present.Signal(looking, ui.Frame{}, d).Acts, "who may not act is shown no form")

	d.Signal.State, d.Person = store.SignalClosed, "R. Tamm"
	d.History = []store.SignalLogEntry{{State: store.SignalOpen, Known: now.Add(-time.Hour), Signal: g.Fault}, {State: store.SignalClosed, By: "tamm", Cause: "cooling air", Known: now.Add(-5 * time.Minute)}}
	m = present.Signal(looking, ui.Frame{}, d)
	require.Nil(t, m.Acts)
	require.Equal(t, "by tamm, 13:36", m.StateSay)
	require.Equal(t, "by tamm. cause: cooling air", m.Log[0].Text.String(), "the latest first")

	d.Signal.State = store.SignalWithdrawn
	d.History = append(d.History, store.SignalLogEntry{State: store.SignalWithdrawn, Panels: []string{"A-000"}})
	m = present.Signal(looking, ui.Frame{}, d)
	require.Contains(t, m.Stale, "panel A-000 came late")
	require.Contains(t, m.Statement.Say.String(), "Withdrawn: mould 7 on press A")
	require.Equal(t, "The chart as it stands now, without this signal", m.ChartHead)
	require.Len(t, m.Points.Rows, 2, "as they were known")

	d.Def, d.Points = spc.Chart{}, nil // its chart is retired
	m = present.Signal(looking, ui.Frame{}, d)
	require.Nil(t, m.Chart)
	require.NotEmpty(t, m.ChartNote)
}

func TestSignalsList(t *testing.T) {
	last := &store.SignalLogEntry{State: store.SignalAcknowledged, By: "tamm", Known: now.Add(-time.Minute)}
	m := present.Signals(looking, ui.Frame{}, present.SignalsData{Open: 1, Rows: []present.SignalOnList{{Signal: aSignal(store.SignalOpen), Def: ofMould, Product: product}, {Signal: aSignal(store.SignalAcknowledged), Last: last}}})
	require.Equal(t, "One signal is open.", m.Statement.Say.String())
	require.Equal(t, "Mould 7 on press A: radius of curvature beyond lower limit", m.Rows[0].Name)
	require.Equal(t, "nobody yet, open for 16 minutes", m.Rows[0].Who)
	require.Equal(t, "acknowledged by tamm 13:40", m.Rows[1].Who)
	require.Contains(t, m.Rows[1].Chart, "no longer in use")
	require.Equal(t, "No signal is open.", present.Signals(looking, ui.Frame{}, present.SignalsData{}).Statement.Say.String())
}

func TestSetUp(t *testing.T) {
	body := func(v any) json.RawMessage {
		b, err := json.Marshal(v)
		require.NoError(t, err)
		return b
	}
	old := *product
	old.Limits = nil
	c, err := plant.New([]plant.Revision{
		{Kind: plant.KindProduct, ID: "P25", Number: 1, EffectiveFrom: time.Unix(0, 0).UTC(), Body: body(old), Reason: "first", By: "okafor", At: now.Add(-48 * time.Hour)},
		{Kind: plant.KindProduct, ID: "P25", Number: 2, EffectiveFrom: now.Add(-time.Hour), Body: body(product), Reason: "limits agreed", By: "okafor", At: now.Add(-time.Hour)},
		{Kind: plant.KindGauge, ID: "CG-9", Number: 1, Body: body(spc.Gauge{ID: "CG-9", Kind: spc.Radial, Unit: spc.Millimetre, Retired: true})},
	})
	require.NoError(t, err)
	first := store.Row{Measurement: spc.Measurement{ID: 7, Gauge: "CG-1", Panel: "A-7", Sequence: 12, Readings: []float64{1, 2, 3}, Mould: "7"}, Source: "gauge computer"}
	second := first
	second.Readings, second.Mould = []float64{1, 2.5, 4}, ""
	m := present.SetUp(looking, ui.Frame{}, present.SetUpData{Catalogue: c, May: true, Conflicts: []present.ConflictData{{Entry: store.ConflictEntry{ID: 4, Existing: 7, Row: &second, Source: "copy"}, Existing: first}}})
	require.Equal(t, "One product, no presses and no gauges are defined.", m.Statement.Say.String())
	p := m.Groups[0].Rows[0]
	require.Equal(t, "revision 2 since 12:41", p.Revision)
	require.Equal(t, "sphere of 1107.5\u00a0mm; radius 1101.5 to 1113.5\u00a0mm", p.Summary)
	require.Equal(t, "Limits agreed.", p.Reason)
	require.Len(t, p.Before, 1)
	require.Contains(t, p.Before[0].Text.String(), "since the beginning")
	require.True(t, m.Groups[2].Rows[0].Retired)

	k := m.Conflicts[0]
	require.Equal(t, "CG-1, sequence 12: two contents", k.Head)
	require.Len(t, k.Differs.Rows, 3, "when they came, mould, readings")
	require.Equal(t, []string{"Mould", "7", "none"}, []string{k.Differs.Rows[1].Cells[0].Text, k.Differs.Rows[1].Cells[1].Text, k.Differs.Rows[1].Cells[2].Text})
	require.Equal(t, []string{"Two readings, the first at place 2", "2", "2.5"}, []string{k.Differs.Rows[2].Cells[0].Text, k.Differs.Rows[2].Cells[1].Text, k.Differs.Rows[2].Cells[2].Text})
}

// What the panels tell stands under the headline, with its doubt; nothing is said that nobody asked.
func TestSignalTellsWhatItIsAbout(t *testing.T) {
	about := func(d *spc.Diagnosis) string {
		g := aSignal(store.SignalOpen)
		g.Diagnosis = d
		var out []string
		for _, s := range present.Signal(looking, ui.Frame{}, present.SignalData{Signal: g, Def: ofMould}).Statement.Doubts {
			out = append(out, s.String())
		}
		return strings.Join(out, " ")
	}
	require.NotContains(t, about(nil), "glass")
	sure := &spc.Diagnosis{Kind: spc.KindGlass, KindProbability: 0.987, Extent: spc.ExtentSeveralStreams, ExtentShare: 0.91, Streams: []string{"mould:3", "mould:7"}, Change: spc.ChangeDrift,
		Began: now.Add(-time.Hour), Earliest: now.Add(-2 * time.Hour), Latest: now.Add(-30 * time.Minute)}
	require.Contains(t, about(sure), "It lies in the glass (98 %).")
	require.Contains(t, about(sure), "It concerns mould 3 and mould 7 (91 %): a drift since")
	sure.Persists = true
	require.Contains(t, about(sure), "the panels have not")
	open := &spc.Diagnosis{Kind: spc.KindUndetermined, Extent: spc.ExtentAllStreams, ExtentShare: 0.7, Streams: []string{"press:A"}, Change: spc.ChangeStep, Open: true}
	require.Contains(t, about(open), "Glass or gauge is not settled: measure the master")
	require.Contains(t, about(open), "all moulds (70 %): a step since")
	require.Contains(t, about(open), "may have begun before")
}
