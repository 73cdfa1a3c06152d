package present_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/server/present"
	"sagwatch/spc"
	"sagwatch/spc/judge"
	"sagwatch/store"
	"sagwatch/web/plot"
	"sagwatch/web/ui"
)

// atGauge judges one panel on a gauge of 48 places and gives what the technician's page is made of. change may spoil the readings.
func atGauge(t testing.TB, radius float64, change func(readings []float64)) present.GaugePageFacts {
	t.Helper()
	const r0 = 1107.5
	u := 3.0
	limit := 381.0
	lower, upper := 1101.5, 1113.5
	g := &spc.Gauge{ID: "CG-1", Kind: spc.Radial, Unit: spc.Millimetre, ProbeUUM: &u}
	product := &spc.Product{ID: "P25", Contour: &spc.Contour{Kind: spc.ContourSphere, R: r0}, Side: spc.Concave, K: 2, MinimumGoodPoints: 40, SuspectRate: 1e-4, SuspectShare: 0.1,
		Limits: map[string]spc.Interval{"radius_mm": {Lower: &lower, Upper: &upper}, "max_deviation_um": {Upper: &limit}}}
	var readings []float64
	for j := range 6 {
		for i := range 8 {
			x, y := -245+70*float64(i), 180-72*float64(j)
			uz := -math.Sqrt(r0*r0-x*x-y*y) / r0
			g.Places = append(g.Places, spc.Place{X: x / r0, Y: y / r0, Z: uz})
			b := uz * (radius - r0)
			// A fine regular waviness stands for noise, so that the test is the same each time.
			readings = append(readings, b+math.Sqrt(b*b-(radius-r0)*(radius-r0)+radius*radius)+0.002*math.Sin(float64(7*i+13*j)))
		}
	}
	if change != nil {
		change(readings)
	}
	plan, err := judge.Compile(*g, *product)
	require.NoError(t, err)
	f := present.GaugePageFacts{Now: time.Date(2026, 3, 4, 13, 41, 0, 0, tallinn(t)), Lengths: ui.InMM, Product: product, Plan: plan, Readings: 1, Places: &spc.Result{}, MayKeyIn: true, MayOthers: true}
	f.Def = g
	f.Shown = &store.Row{Measurement: spc.Measurement{ID: 7, Gauge: "CG-1", Panel: "A-0147681", Press: "A", Mould: "3", Product: "P25", Purpose: spc.Production, MeasuredAt: f.Now.Add(-8 * time.Second), Readings: readings}}
	plan.Judge(judge.NewWork(), readings, f.Shown.MeasuredAt, f.Places)
	f.Shown.Result = *f.Places
	f.Last = f.Shown
	return f
}

func TestTheSlabGivesVerdictOrderAndReason(t *testing.T) {
	for name, c := range map[string]struct {
		radius  float64
		change  func([]float64)
		again   int
		word    string
		order   string
		because string
	}{
		"conforms": {1107.6, nil, 1, "Conforms", "Pass the panel on and wait for the next one.", "the limit is 381\u00a0µm."},
		"suspect": {1107.6, func(r []float64) { r[9] -= 0.3 }, 1, "Undecided", "Lift the panel, wipe place 10 and the pads, seat it again and measure again.",
			"Place 10 (top left) stands alone"},
		"outside": {1107.6, func(r []float64) { r[46] += 0.5 }, 1, "Does not conform", "Set the panel aside and tell the supervisor.", "Place 47 (bottom right) is"},
		"close":   {1113.5, nil, 1, "Undecided", "Lift the panel, wipe the pads, seat it again and measure again.", "Radius 1113.5"},
		"twice":   {1113.5, nil, 2, "Undecided", "Set the panel aside and tell the supervisor: measured twice, and still undecided.", "Radius 1113.5"},
		"few places": {1107.6, func(r []float64) {
			for i := range 10 {
				r[i] = math.NaN()
			}
		}, 1, "Not judged", "Check the probes of ten places, then measure again.", "38 good places of 48; product P25 needs 40."},
	} {
		f := atGauge(t, c.radius, c.change)
		f.Readings = c.again
		m := present.Gauge(f)
		require.Equal(t, c.word, m.Slab.Word, name)
		require.Equal(t, c.order, m.Slab.Order, name)
		require.Contains(t, m.Slab.Because, c.because, name)
	}
}

func TestTheMapShowsWhatIsKnownOfEachPlace(t *testing.T) {
	f := atGauge(t, 1107.6, func(r []float64) { r[9] -= 0.3; r[20] = math.NaN() })
	m := present.Gauge(f).Map
	require.Len(t, m.Places, 48)
	require.Equal(t, plot.Suspect, m.Places[9].State)
	require.Greater(t, m.Places[9].DevUM, 250.0, "a shorter distance from the centre is glass above the contour")
	require.Equal(t, plot.Missing, m.Places[20].State)
	require.Equal(t, plot.Used, m.Places[0].State)

	f = atGauge(t, 1107.6, func(r []float64) {
		for i := range 10 {
			r[i] = math.NaN()
		}
	})
	m = present.Gauge(f).Map
	require.Len(t, m.Places, 10, "without a fit nothing is known but where readings are missing")
}

func TestAScanFindsOrOffersToKeyIn(t *testing.T) {
	f := atGauge(t, 1107.6, nil)
	f.Asked = "A-0999999"
	m := present.Gauge(f)
	require.Equal(t, "A-0999999", m.Scan.Value)
	require.Contains(t, m.Scan.Problem, "has not been measured on CG-1")
	require.Equal(t, "/gauge/CG-1/key-in?panel=A-0999999", m.Scan.Acts[0].Href)
	require.Equal(t, "A-0000000", m.Scan.Example)
	f.Found, f.Newer = true, true
	f.Last = &store.Row{Measurement: spc.Measurement{Panel: "A-2"}}
	m = present.Gauge(f)
	require.Empty(t, m.Scan.Problem)
	require.Equal(t, "A-2", m.Bar[len(m.Bar)-1].Value.Text, "an older panel says which one is the latest")
	f.MayKeyIn, f.MayOthers = false, false
	m = present.Gauge(f)
	require.Len(t, m.Scan.Acts, 1, "who may not key in is not offered it")
	require.NotContains(t, m.Facts[len(m.Facts)-1].Name, "Wrong?")
}

func TestAGaugeWithoutPanelsSaysSo(t *testing.T) {
	f := atGauge(t, 1107.6, nil)
	f.Shown, f.Last, f.Places, f.Plan = nil, nil, nil, nil
	m := present.Gauge(f)
	require.Equal(t, "No panel yet", m.Slab.Word)
	require.Nil(t, m.Map)
}

func TestAMasterIsNoPanelOfTheLine(t *testing.T) {
	f := atGauge(t, 1107.5, nil)
	f.Shown.Purpose, f.Shown.Panel, f.Shown.Press = spc.MasterCheck, "M-2", ""
	f.Def.Masters = []spc.Master{{Panel: "M-2", Product: "P25", AllowedUM: 15}}
	m := present.Gauge(f)
	require.Equal(t, "The gauge is in order. Go on measuring.", m.Slab.Order)
	require.Equal(t, "Master", m.Bar[0].Name)
	f.Shown.Result.Verdict = spc.DoesNotConform
	require.Equal(t, "Stop measuring on this gauge and tell the engineer.", present.Gauge(f).Slab.Order)
}

func TestVoidingSaysWhatItChanges(t *testing.T) {
	now := time.Date(2026, 3, 4, 13, 41, 0, 0, tallinn(t))
	kind := func(string, time.Time) spc.GaugeKind { return spc.Radial }
	row := func(id int64, minutes int, p spc.Purpose) store.Row {
		return store.Row{Measurement: spc.Measurement{ID: id, Gauge: "CG-1", Panel: "A-1", Press: "A", Purpose: p, MeasuredAt: now.Add(time.Duration(-minutes) * time.Minute)}, State: store.Current, Counted: id == 1}
	}
	first, second := row(1, 30, spc.Production), row(2, 20, spc.Production)
	require.Equal(t, "The panel has no other measurement of this kind: it will not be judged by CG-1. Its point leaves the charts.", present.VoidMeans(&first, []store.Row{first}, kind, now))
	require.Equal(t, "The panel's verdict then rests on the measurement of 13:21 on CG-1. In the charts that of 13:21 takes its place.", present.VoidMeans(&first, []store.Row{first, second}, kind, now))
	second.State = store.Voided
	require.Contains(t, present.VoidMeans(&first, []store.Row{first, second}, kind, now), "no other measurement")
	master := row(3, 5, spc.MasterCheck)
	require.Contains(t, present.VoidMeans(&master, nil, kind, now), "The master check counts no more")
}
