package setup_test

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/server/plant"
	"sagwatch/server/setup"
	"sagwatch/spc"
)

const sample = `
site: KV
time_zone: Europe/Tallinn
shifts: ["06:00", "14:00", "22:00"]
products:
  - id: P25
    contour: {sphere: 1107.5}
    side: concave
    outline_mm: {width: 540, height: 420, corner: 70}
    corner_mm: [255, 190]
    limits: {radius_mm: [1101.5, 1113.5], max_deviation_um: 381}
    k: 2
    minimum_good_points: 40
    characteristics: [{name: width, unit: mm, nominal: 512.0, lower: 510.984, upper: 513.016, u: 0.02}]
  - id: Q19
    contour: {polynomial: [5e-4, 0, 5e-4, 0, 0, 0, 0]}
presses:
  - {id: A, takt_s: 10, moulds: ["1", "2", 3], lehr_minutes: 90, lanes: ["1", "2"], fitted: {"2": M-2231}, standard_charts: true}
gauges:
  - id: CG-1
    kind: radial
    unit: mm
    places: [[-0.2, 0.1, -0.97467943448], [0.2, 0.1, -0.97467943448], [-0.2, -0.1, -0.97467943448], {at: [0.2, -0.1, -0.97467943448], used: false}]
    probe_u_um: 3
    range: [1100, 1115]
    resolution: 0.001
    seating: [z, tilt_x, tilt_y]
    masters: [{panel: M-2, product: P25, radius_mm: 1107.5, radius_u_mm: 0.01, u_um: 1.0, allowed_um: 5, valid_to: 2026-12-31}]
    master_every_h: 4
  - {id: D-1, kind: dimensions, values: 5}
charts:
  - {id: A-radius-mould, press: A, product: P25, characteristic: radius_mm, kind: individuals, by: mould, limits: {k: 3}, rules: [beyond-limits, {run-one-side: 9}]}
  - {id: A-small, press: A, product: P25, characteristic: radius_mm, kind: ewma, ewma: {lambda: 0.1, l: 2.7}}
`

func empty(t *testing.T) *plant.Catalogue {
	t.Helper()
	c, err := plant.New(nil)
	require.NoError(t, err)
	return c
}

// defined turns changes into the catalogue that storing them would give.
func defined(t *testing.T, before *plant.Catalogue, changes []setup.Change) *plant.Catalogue {
	t.Helper()
	revisions := append([]plant.Revision(nil), before.Revisions...)
	for _, c := range changes {
		revisions = append(revisions, plant.Revision{Kind: c.Kind, ID: c.ID, Number: c.Was + 1, Body: c.Body, EffectiveFrom: time.Unix(int64(c.Was), 0)})
	}
	after, err := plant.New(revisions)
	require.NoError(t, err)
	return after
}

func TestReadTakesEveryKeyOfTheReference(t *testing.T) {
	p, err := setup.Read([]byte(sample))
	require.NoError(t, err)
	require.Equal(t, "KV", p.SiteID)
	require.Equal(t, []string{"1", "2", "3"}, p.Presses[0].Moulds)
	require.Equal(t, "M-2231", p.Presses[0].Fitted["2"])
	require.InDelta(t, 1107.5, p.Products[0].Contour.R, 0)
	require.Equal(t, 381.0, *p.Products[0].Limits["max_deviation_um"].Upper)
	require.Nil(t, p.Products[0].Limits["max_deviation_um"].Lower)
	require.Equal(t, 1101.5, *p.Products[0].Limits["radius_mm"].Lower)
	require.Equal(t, 40, p.Products[1].MinimumGoodPoints, "the default")
	require.Equal(t, spc.ContourPolynomial, p.Products[1].Contour.Kind)
	g := p.Gauges[0]
	require.True(t, g.Places[3].Unused)
	require.Equal(t, []spc.Freedom{spc.ShiftZ, spc.TiltX, spc.TiltY}, g.Seating)
	require.Equal(t, 3.0, *g.ProbeUUM)
	require.Equal(t, 5, p.Gauges[1].Count())
	require.Equal(t, []spc.RuleSetting{{Key: "beyond-limits"}, {Key: "run-one-side", Count: 9}}, p.Charts[0].Rules)
	require.Equal(t, 0.1, p.Charts[1].EWMA.Lambda)
	require.Empty(t, p.Notes, "every chart is worked out")
	require.NoError(t, p.Check(empty(t)))
}

func TestJSONIsReadLikeYAML(t *testing.T) {
	p, err := setup.Read([]byte(`{"site": "KV", "presses": [{"id": "A", "moulds": ["1"], "takt_s": 10.5}]}`))
	require.NoError(t, err)
	require.Equal(t, 10.5, p.Presses[0].TaktS)
}

func TestMirroredDirectionsAreTurnedDownAndSaid(t *testing.T) {
	p, err := setup.Read([]byte(strings.ReplaceAll(sample, "-0.97467943448", "0.97467943448")))
	require.NoError(t, err)
	require.Negative(t, p.Gauges[0].Places[0].Z)
	require.Contains(t, strings.Join(p.Notes, "\n"), "mirrored")
}

func TestApplyingTwiceChangesNothing(t *testing.T) {
	p, err := setup.Read([]byte(sample))
	require.NoError(t, err)
	first, err := p.Changes("KV", empty(t))
	require.NoError(t, err)
	require.Len(t, first, 8, "site, two products, a press, two gauges, two charts")
	c := defined(t, empty(t), first)
	second, err := p.Changes("KV", c)
	require.NoError(t, err)
	require.Empty(t, second)

	p, err = setup.Read([]byte(strings.Replace(sample, "takt_s: 10", "takt_s: 11", 1)))
	require.NoError(t, err)
	third, err := p.Changes("KV", c)
	require.NoError(t, err)
	require.Len(t, third, 1)
	require.Equal(t, "press A changes in takt_s (revision 1 becomes 2)", third[0].String())
}

func TestExportReadsBackAsTheSame(t *testing.T) {
	p, err := setup.Read([]byte(sample))
	require.NoError(t, err)
	changes, err := p.Changes("KV", empty(t))
	require.NoError(t, err)
	c := defined(t, empty(t), changes)
	out, err := setup.Export("KV", c)
	require.NoError(t, err)
	back, err := setup.Read(out)
	require.NoError(t, err, string(out))
	again, err := back.Changes("KV", c)
	require.NoError(t, err)
	require.Empty(t, again, string(out))
}

func TestRefusalsNameLineAndRemedy(t *testing.T) {
	for _, c := range []struct{ name, old, new, want string }{
		{"unknown key", "lehr_minutes: 90", "lehr_minuts: 90", `line 18: presses[0].lehr_minuts: unknown key "lehr_minuts"; did you mean "lehr_minutes"?`},
		{"word for number", "takt_s: 10", "takt_s: ten", `presses[0].takt_s: should be a number, is "ten"`},
		{"limits upside down", "[1101.5, 1113.5]", "[1113.5, 1101.5]", "line 11: products[0].limits.radius_mm: the lower limit 1113.5 is not below the upper limit 1101.5"},
		{"unknown characteristic", "max_deviation_um: 381", "max_deviatoin_um: 381", `did you mean "max_deviation_um"?`},
		{"two contours", "{sphere: 1107.5}", "{sphere: 1107.5, biradial: [1, 2]}", "name one contour"},
		{"time zone", "Europe/Tallinn", "Europe/Nowhere", `line 3: time_zone: time zone "Europe/Nowhere" is not known`},
		{"shift", `"14:00"`, `"25:00"`, "is not a time of day"},
		{"three places", "{at: [0.2, -0.1, -0.97467943448], used: false}", "", "4 to 256 places, this one has 3"},
		{"direction not unit", "[-0.2, 0.1, -0.97467943448]", "[-0.2, 0.1, -0.5]", "a direction has length 1"},
		{"same place twice", "[0.2, 0.1, -0.97467943448]", "[-0.2, 0.1, -0.97467943448]", "place 2 lies where place 1 lies"},
		{"rule", "{run-one-side: 9}", "{run-onside: 9}", `did you mean "run-one-side"?`},
		{"limit forms", "limits: {k: 3}", "limits: {k: 3, arl0: 400}", "give limits in one form"},
		{"fitted station", `fitted: {"2"`, `fitted: {"9"`, "is not one of this press's moulds"},
		{"key twice", "takt_s: 10,", "takt_s: 10, takt_s: 11,", "takt_s"},
		{"not finite", "takt_s: 10", "takt_s: .nan", "should be a number"},
	} {
		t.Run(c.name, func(t *testing.T) {
			require.Contains(t, sample, c.old)
			_, err := setup.Read([]byte(strings.Replace(sample, c.old, c.new, 1)))
			require.ErrorContains(t, err, c.want)
		})
	}
}

func TestChecksAcrossObjects(t *testing.T) {
	for _, c := range []struct{ name, old, new, want string }{
		{"master of an unknown product", "panel: M-2, product: P25", "panel: M-2, product: P26", `master M-2 is of product "P26", which is not defined`},
		{"chart of an unknown press", "press: A, product: P25, characteristic: radius_mm, kind: individuals", "press: Z, product: P25, characteristic: radius_mm, kind: individuals", `press "Z" is not defined`},
		{"chart of an unknown value", "characteristic: radius_mm, kind: individuals", "characteristic: colour, kind: individuals", "neither computed nor one of product"},
		{"casting twice", `fitted: {"2": M-2231}`, `fitted: {"2": M-2231, "1": M-2231}`, "fitted twice: on press A mould 1 and on press A mould 2"},
	} {
		t.Run(c.name, func(t *testing.T) {
			require.Contains(t, sample, c.old)
			p, err := setup.Read([]byte(strings.Replace(sample, c.old, c.new, 1)))
			require.NoError(t, err)
			require.ErrorContains(t, p.Check(empty(t)), c.want)
		})
	}
}

func TestDefinitionInForceIsTheOneOfItsTime(t *testing.T) {
	body := func(takt float64) json.RawMessage {
		b, err := json.Marshal(spc.Press{ID: "A", TaktS: takt})
		require.NoError(t, err)
		return b
	}
	day := func(d int) time.Time { return time.Date(2026, 1, d, 0, 0, 0, 0, time.UTC) }
	c, err := plant.New([]plant.Revision{
		{Kind: plant.KindPress, ID: "A", Number: 1, EffectiveFrom: day(10), Body: body(10)},
		{Kind: plant.KindPress, ID: "A", Number: 2, EffectiveFrom: day(20), Body: body(11)},
	})
	require.NoError(t, err)
	for _, q := range []struct {
		at   time.Time
		takt float64
	}{{day(1), 10}, {day(10), 10}, {day(19), 10}, {day(20), 11}, {day(30), 11}} {
		p, _ := c.Press("A", q.at)
		require.Equal(t, q.takt, p.TaktS, q.at)
	}
}

func FuzzReadNeverPanics(f *testing.F) {
	f.Add([]byte(sample))
	f.Add([]byte("{}"))
	f.Add([]byte("products: [{id: 1, contour: {sphere: }}]"))
	f.Add([]byte("a: &a [*a]"))
	f.Fuzz(func(t *testing.T, data []byte) {
		p, err := setup.Read(data)
		if (p == nil) == (err == nil) {
			t.Fatal("neither a plant nor an error")
		}
	})
}

func TestAliasesStandForTheirAnchors(t *testing.T) {
	shared := `
products: [{id: P, contour: {sphere: 1000}}]
gauges:
  - {id: A, kind: axial, places: &grid [[-1, 1], &corner [1, 1], [-1, -1], [1, -1]]}
  - {id: B, kind: axial, places: *grid}
  - {id: C, kind: axial, places: [[-2, 2], *corner, {at: *corner, used: true}, [2, -2]]}
`
	_, err := setup.Read([]byte(shared))
	require.ErrorContains(t, err, "place 3 lies where place 2 lies")
	p, err := setup.Read([]byte(strings.Replace(shared, "{at: *corner, used: true}", "[-2, -2]", 1)))
	require.NoError(t, err)
	require.Equal(t, p.Gauges[0].Places, p.Gauges[1].Places)
	require.Equal(t, spc.Place{X: 1, Y: 1}, p.Gauges[2].Places[1])

	_, err = setup.Read([]byte("gauges:\n  - {id: B, kind: axial, places: *grid}\n"))
	require.ErrorContains(t, err, "line 2: *grid stands for nothing")
	_, err = setup.Read([]byte("gauges: &g\n  - {id: B, kind: axial, places: *g}\n"))
	require.Error(t, err, "an anchor that holds itself")
}

func TestApplyingAgainFromATimeBetweenRevisionsChangesNothing(t *testing.T) {
	read := func(radius string) *setup.Plant {
		p, err := setup.Read([]byte("products: [{id: P, contour: {sphere: " + radius + "}}]"))
		require.NoError(t, err)
		return p
	}
	body := func(radius string) json.RawMessage {
		changes, err := read(radius).Changes("KV", empty(t))
		require.NoError(t, err)
		return changes[0].Body
	}
	day := func(month time.Month) time.Time { return time.Date(2026, month, 1, 0, 0, 0, 0, time.UTC) }
	// The third revision was defined last and holds from a time before the second.
	c, err := plant.New([]plant.Revision{
		{Kind: plant.KindProduct, ID: "P", Number: 1, EffectiveFrom: day(time.February), Body: body("1001")},
		{Kind: plant.KindProduct, ID: "P", Number: 2, EffectiveFrom: day(time.July), Body: body("1002")},
		{Kind: plant.KindProduct, ID: "P", Number: 3, EffectiveFrom: day(time.March), Body: body("1003")},
	})
	require.NoError(t, err)
	for _, x := range []struct {
		at     time.Time
		radius string
	}{{day(time.January), "1001"}, {day(time.February), "1001"}, {day(time.March), "1003"}, {day(time.June), "1003"}, {day(time.July), "1002"}, {day(time.December), "1002"}} {
		for _, radius := range []string{"1001", "1002", "1003"} {
			changes, err := read(radius).ChangesAt("KV", c, x.at)
			require.NoError(t, err)
			if radius == x.radius {
				require.Empty(t, changes, "%s at %s", radius, x.at)
				continue
			}
			require.Len(t, changes, 1)
			require.Equal(t, 3, changes[0].Was, "the newest number, which the next one follows")
		}
	}
	changes, err := read("1002").Changes("KV", c)
	require.NoError(t, err)
	require.Empty(t, changes)
}

// TestChartsThatCannotBeFollowed are refused with the file, not found out by the fold.
func TestChartsThatCannotBeFollowed(t *testing.T) {
	read := func(chart string) error {
		p, err := setup.Read([]byte("products: [{id: P25, contour: {sphere: 1107.5}}]\npresses: [{id: A, moulds: [\"1\", \"2\"], takt_s: 10}]\ncharts: [{id: c, press: A, product: P25, characteristic: radius_mm, " + chart + "}]\n"))
		require.NoError(t, err)
		return p.Check(empty(t))
	}
	require.NoError(t, read("kind: cusum, cusum: {k: 0.5}, limits: {arl0: 400}"))
	require.NoError(t, read("kind: ewma, by: lane"))
	require.ErrorContains(t, read("kind: t2"), "shape") // all terms together, not the radius
	require.ErrorContains(t, read("kind: change-point, limits: {arl0: 100000}"), "50 to 2000")
	require.ErrorContains(t, read("kind: individuals, by: probe"), "by mould, press, lane or gauge")
	require.ErrorContains(t, read("kind: individuals, limits: {arl0: 5000}, rules: [beyond-limits, {run-one-side: 5}]"), "run length")
}
