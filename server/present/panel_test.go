package present_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/server/present"
	"sagwatch/spc"
	"sagwatch/spc/surface"
	"sagwatch/store"
	"sagwatch/web/page"
	"sagwatch/web/plot"
	"sagwatch/web/ui"
)

func ptr(x float64) *float64 { return &x }

// corners is a gauge of 16 places on a 4 x 4 grid.
func corners() (xy [][2]float64) {
	for j := range 4 {
		for i := range 4 {
			xy = append(xy, [2]float64{-240 + 160*float64(i), 180 - 120*float64(j)})
		}
	}
	return xy
}

// onePanel is a panel measured twice and corrected once, at a gauge of 16 places with a suspect and a missing one.
func onePanel(t *testing.T) present.PanelData {
	t.Helper()
	xy := corners()
	basis, err := surface.NewBasis(xy, 318)
	require.NoError(t, err)
	var values spc.Values
	values.Set(spc.RadiusMM, 1106.84)
	values.Set(spc.RadiusUMM, 0.05)
	values.Set(spc.MaxDeviationUM, 172)
	values.Set(spc.MaxDeviationSignedUM, -172)
	values.Set(spc.MaxDeviationPlace, 15)
	values.Set(spc.CornerSagMM, 46.665)
	values.Set(spc.TwofoldUM, 102)
	result := spc.Result{Values: values, Verdict: spc.Undecided, SuspectPlaces: []int{3}, Items: []spc.Item{
		{Name: "radius_mm", Value: ptr(1106.84), U: ptr(0.05), Lower: ptr(1101.5), Upper: ptr(1113.5), Unit: "mm", Verdict: spc.Conforms},
		{Name: "max_deviation_um", Value: ptr(172), U: ptr(7), Upper: ptr(381), Unit: "um", Verdict: spc.Conforms}}}
	places := result
	places.DeviationsUM = make([]float64, 16)
	places.DeviationsUM[14], places.DeviationsUM[2], places.DeviationsUM[7] = -172, 120, math.NaN()
	at := now.Add(-20 * time.Minute)
	row := store.Row{Measurement: spc.Measurement{ID: 7, Gauge: "CG-1", Panel: "A-7", Press: "A", Product: "P25", Mould: "7", Lane: "2", MeasuredAt: at, Sequence: 12, Purpose: spc.Production, Readings: make([]float64, 16)},
		LineAt: at.Add(-90 * time.Minute), State: store.Current, Result: result, Counted: true, Revision: 2, CorrectionOf: 6, StoredAt: at, Source: "gauge computer", Casting: "M-2231"}
	old := row
	old.ID, old.State, old.Counted, old.CorrectionOf, old.Revision = 6, store.Superseded, false, 0, 1
	gauge := &spc.Gauge{ID: "CG-1", Kind: spc.Radial, Unit: spc.Millimetre, ProbeUUM: ptr(3), PlaceUUM: 4, RadiusUMM: 0.04, Masters: []spc.Master{{Panel: "M-2", AllowedUM: 15}}}
	for range xy {
		gauge.Places = append(gauge.Places, spc.Place{})
	}
	p := *product
	p.CornerMM = &[2]float64{255, 190}
	d := present.PanelData{Press: "A", Serial: "A-7", Rows: []store.Row{old, row}, Verdict: spc.Undecided, Kinds: map[int64]spc.GaugeKind{6: spc.Radial, 7: spc.Radial},
		Product: &p, Gauge: gauge, PressDef: &spc.Press{ID: "A", LehrMinutes: 90}, ProductRev: present.Defined{Number: 4}, GaugeRev: present.Defined{Number: 12},
		Places: &places, XY: xy, Words: func(int) string { return "bottom right" }, Basis: basis,
		Chart: ofMould, Among: made(1108, 1107.9, 1106.84), Counted: 3, AmongFrom: now.Add(-4 * time.Hour), AmongTo: now, MasterBefore: &store.Obs{Key: spc.OrderKey{LineAt: now.Add(-2 * time.Hour), Panel: "M-2"}, Verdict: spc.Conforms},
		Changes: []store.Change{{Measurement: 6, Kind: "correction", Reason: "panels swapped", By: "sorby", At: at.Add(time.Minute)}}, MayCorrect: true}
	d.Shown, d.Valid = &d.Rows[1], []*store.Row{&d.Rows[1]}
	return d
}

func TestPanel(t *testing.T) {
	m := present.Panel(looking, ui.Frame{}, onePanel(t))
	require.Equal(t, "Panel A-7 is undecided: one place stands alone. Seat it again and measure again.", m.Statement.Say.String())
	require.Equal(t, "Radius of curvature 1106.84\u00a0±\u00a00.10\u00a0mm, largest deviation 172\u00a0±\u00a014\u00a0µm of 381 (k = 2).", m.Statement.Doubts[0].String())
	require.Equal(t, "The master panel was in order before it, at 11:41; no check has come after it yet.", m.Statement.Doubts[1].String())
	require.Equal(t, "Farthest from the contour: 172\u00a0µm low at place 15, bottom right", m.MapHead)
	require.Contains(t, m.Suspect, "Place 3, bottom right, is suspect: 120\u00a0µm high")
	require.Equal(t, plot.Suspect, m.Map.Places[2].State)
	require.Equal(t, plot.Missing, m.Map.Places[7].State)
	require.Equal(t, "none", m.Places.Rows[0].Cells[8].Text)
	require.Equal(t, "proven inside", m.Measured.Rows[0].State.Word)
	require.Equal(t, "at most 381", m.Measured.Rows[1].Limits)
	require.Equal(t, "Limits (P25, revision 4)", m.Measured.Limits)
	require.Len(t, m.History.Rows, 2)
	require.Equal(t, "superseded by a correction", m.History.Rows[1].Cells[6].State.Word)
	require.Equal(t, "stands, feeds the charts, a correction", m.History.Rows[0].Cells[6].Text)
	require.Len(t, m.Acts, 1, "who may not void is not offered it")
	require.Equal(t, "/measurements/7/correct", m.Acts[0].Href)
	require.Equal(t, "this panel", m.Among.Panes[0].Points[2].Words)
	require.Equal(t, "sorby corrected a measurement: panels swapped", m.Log[0].Text.String())
	// Each figure with a dotted underline leads to something on the page.
	there := map[string]bool{}
	for _, o := range m.Why {
		there["#"+o.ID] = true
		require.NotEmpty(t, o.Source, o.Name)
		require.NotEmpty(t, o.Formula, o.Name)
	}
	for _, r := range m.Measured.Rows {
		if r.Why != "" {
			require.True(t, there[r.Why], r.Name)
		}
	}
}

// The doubts that the page works out itself, against the law of propagation done by hand: corner sag h = hypot(255, 190) = 318.0,
// ds/dR = 1 - R/sqrt(R^2 - h^2) by a difference quotient; a shape term's by the spread of its least-squares coefficient,
// u_d / sqrt(sum P^2), for orthogonal terms.
func TestDoubtsOfPanel(t *testing.T) {
	d := onePanel(t)
	m := present.Panel(looking, ui.Frame{}, d)
	by := map[string]page.MeasuredRow{}
	for _, r := range m.Measured.Rows {
		by[r.ID] = r
	}
	sag := func(r float64) float64 { h := math.Hypot(255, 190); return r - math.Sqrt(r*r-h*h) }
	slope := math.Abs(sag(1106.85)-sag(1106.83)) / 0.02
	require.InDelta(t, 0.0044, 2*slope*0.05, 0.0001)
	require.Equal(t, "±\u00a0"+ui.Number(2*slope*0.05, 4), by["item-corner_sag_mm"].Doubt)
	require.Equal(t, "no limit", by["item-corner_sag_mm"].Limits)

	sum := 0.0
	for i := range d.XY {
		p := d.Basis.At(i)[surface.Twofold]
		sum += p * p
	}
	u := 2 * 5 / math.Sqrt(sum) // hypot(3, 4) = 5
	require.Equal(t, "±\u00a0"+ui.Number(u, ui.DoubtDecimals(u)), by["item-twofold_um"].Doubt)

	d.Gauge.ProbeUUM = nil
	for _, r := range present.Panel(looking, ui.Frame{}, d).Measured.Rows {
		if r.ID == "item-twofold_um" {
			require.Equal(t, "unknown", r.Doubt, "without the uncertainty of a reading there is none of a term")
		}
	}
}

func TestPanelVerdictsInWords(t *testing.T) {
	cases := []struct {
		verdict spc.Verdict
		item    spc.Verdict
		suspect []int
		say     string
	}{
		{spc.Conforms, spc.Conforms, nil, "Panel A-7 conforms: its radius of curvature and largest deviation are proven inside."},
		{spc.DoesNotConform, spc.DoesNotConform, nil, "Panel A-7 does not conform: its radius of curvature is proven outside."},
		{spc.Undecided, spc.Undecided, nil, "Panel A-7 is undecided: its radius of curvature is too close to the limit to say."},
		{spc.NotJudged, spc.Conforms, nil, "Panel A-7 is not judged."},
	}
	for _, c := range cases {
		d := onePanel(t)
		d.Verdict = c.verdict
		d.Shown.Result.Items[0].Verdict = c.item
		d.Shown.Result.SuspectPlaces = c.suspect
		require.Equal(t, c.say, present.Panel(looking, ui.Frame{}, d).Statement.Say.String())
	}
	d := onePanel(t)
	d.Shown, d.Valid, d.Verdict = nil, nil, spc.NotJudged
	m := present.Panel(looking, ui.Frame{}, d)
	require.Equal(t, "Panel A-7 is not judged.", m.Statement.Say.String())
	require.Contains(t, m.Refusal, "void")
	require.Len(t, m.History.Rows, 2)
}

func TestPanels(t *testing.T) {
	d := onePanel(t)
	m := present.Panels(looking, ui.Frame{}, present.PanelsData{Rows: d.Rows[1:], Counts: store.Counts{Conforms: 8, Undecided: 1}, CountsSay: "In the day to 11:51,"})
	require.Equal(t, "In the day to 11:51, 8 of 9 panels conform.", m.Statement.Say.String())
	require.Contains(t, m.Statement.Doubts[0].String(), "One is undecided.")
	require.Equal(t, "/panels/A/A-7", m.Rows[0].Href)
	require.Equal(t, "corrected", m.Rows[0].Note)
	require.Equal(t, "11:51:00", m.Rows[0].Pressed)
	require.Equal(t, "No panel has been measured yet.", present.Panels(looking, ui.Frame{}, present.PanelsData{}).Statement.Say.String())
}
