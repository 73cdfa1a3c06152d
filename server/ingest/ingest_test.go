package ingest_test

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/server/ingest"
	"sagwatch/server/plant"
	"sagwatch/server/setup"
)

// The plant of these tests is invented.
const plantFile = `
products:
  - id: P25
    contour: {sphere: 1107.5}
    limits: {radius_mm: [1101.5, 1113.5], max_deviation_um: 381}
    minimum_good_points: 4
    characteristics: [{name: width, unit: mm, nominal: 512.0, lower: 510.984, upper: 513.016, u: 0.02}]
presses:
  - {id: A, takt_s: 10, moulds: ["1", "2", "3"], lehr_minutes: 90, lanes: ["1", "2"]}
gauges:
  - id: CG-1
    kind: radial
    places: [[-200, 150], [200, 150], [-200, -150], [200, -150], [0, 100]]
    range: [1100, 1115]
    masters: [{panel: M-2, product: P25, radius_mm: 1107.5, allowed_um: 5}]
  - id: CG-2
    kind: radial
    places: [[-200, 150], [200, 150], [-200, -150], [200, -150], [0, 100]]
  - {id: PG-1, kind: dimensions}
`

var now = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

func catalogue(t testing.TB) *plant.Catalogue {
	t.Helper()
	p, err := setup.Read([]byte(plantFile))
	require.NoError(t, err)
	none, err := plant.New(nil)
	require.NoError(t, err)
	require.NoError(t, p.Check(none))
	changes, err := p.Changes("main", none)
	require.NoError(t, err)
	var revisions []plant.Revision
	for _, c := range changes {
		revisions = append(revisions, plant.Revision{Kind: c.Kind, ID: c.ID, Number: 1, Body: c.Body})
	}
	c, err := plant.New(revisions)
	require.NoError(t, err)
	return c
}

const good = `{"gauge": "CG-1", "panel": "A-0001234", "measured_at": "2026-03-02T07:44:10.250Z", "press": "A", "product": "P25",
 "readings": [1107.482, null, 1107.5, 1107.51, 1107.49], "mould": "3", "lane": "2", "cycle": 48213,
 "pressed_at": "2026-03-02T06:10:20Z", "series": "", "sequence": 1234, "purpose": "production",
 "characteristics": {"width": 512.31}, "counts": {"blister": {"nonconforming": 2, "inspected": 50}}}`

func check(t *testing.T, text string) (*ingest.Checked, error) {
	t.Helper()
	var m ingest.Message
	if err := ingest.Decode([]byte(text), &m); err != nil {
		return nil, err
	}
	c, p := ingest.Check(&m, catalogue(t), now)
	if p != nil {
		return nil, p
	}
	return c, nil
}

func TestFullMeasurementIsTaken(t *testing.T) {
	c, err := check(t, good)
	require.NoError(t, err)
	require.True(t, math.IsNaN(c.Readings[1]))
	require.Equal(t, 1107.482, c.Readings[0])
	require.Equal(t, int64(48213), c.Cycle)
	require.Equal(t, time.Date(2026, 3, 2, 6, 10, 20, 0, time.UTC), c.LineAt)
	require.False(t, c.LineEstimated)
	require.Equal(t, 512.31, c.Characteristics["width"])
}

func TestTimePressedIsEstimatedFromTheLehr(t *testing.T) {
	c, err := check(t, strings.Replace(good, `"pressed_at": "2026-03-02T06:10:20Z",`, "", 1))
	require.NoError(t, err)
	require.True(t, c.LineEstimated)
	require.Equal(t, time.Date(2026, 3, 2, 6, 14, 10, 250e6, time.UTC), c.LineAt)
}

func TestRefusalsNameFieldAndRemedy(t *testing.T) {
	readings := `[1107.482, null, 1107.5, 1107.51, 1107.49]`
	for _, c := range []struct{ name, old, new, field, words string }{
		{"wrong count", readings, `[1107.5, 1107.5]`, "readings", "readings has 2 values, gauge CG-1 has 5 places"},
		{"text for a number", readings, `[1107.482, "1107.5", 1107.5, 1107.51, 1107.49]`, "readings[1]", "must be a number or null"},
		{"huge exponent", readings, `[1107.482, 1e999, 1107.5, 1107.51, 1107.49]`, "readings[1]", "too large"},
		{"huge", readings, `[1107.482, 99999999, 1107.5, 1107.51, 1107.49]`, "readings[1]", "place 2 reads 99999999 mm, outside the gauge's range 1100 to 1115"},
		{"negative radius", readings, `[1107.482, -1107.5, 1107.5, 1107.51, 1107.49]`, "readings[1]", "can't be negative"},
		{"inches", readings, `[43.6, 43.6, 43.6, 43.6, 43.6]`, "readings[0]", "sent in inches instead of millimetres"},
		{"metres", readings, `[1.1075, 1.1075, 1.1075, 1.1075, 1.1075]`, "readings[0]", "sent in metres"},
		{"micrometres", readings, `[1107500, 1107500, 1107500, 1107500, 1107500]`, "readings[0]", "sent in micrometres"},
		{"readings missing", `"readings": ` + readings, `"readings": null`, "readings", "readings are missing"},
		{"unknown gauge", "CG-1", "CG-9", "gauge", `gauge "CG-9" is not defined; gauges are CG-1, CG-2, PG-1`},
		{"unknown product", `"product": "P25"`, `"product": "P26"`, "product", "products are P25"},
		{"unknown press", `"press": "A"`, `"press": "B"`, "press", "presses are A"},
		{"unknown mould", `"mould": "3"`, `"mould": "12"`, "mould", "its moulds are 1, 2, 3"},
		{"unknown lane", `"lane": "2"`, `"lane": "7"`, "lane", "its lanes are 1, 2"},
		{"unknown characteristic", `"width": 512.31`, `"widht": 512.31`, "characteristics.widht", "it has width"},
		{"inch characteristic", `"width": 512.31`, `"width": 20.17`, "characteristics.width", "in inches"},
		{"future", "2026-03-02T07:44:10.250Z", "2026-03-02T12:05:01Z", "measured_at", "in the future; set the gauge computer's clock"},
		{"no offset", "2026-03-02T07:44:10.250Z", "2026-03-02 07:44:10", "measured_at", "is not an RFC 3339 time"},
		{"pressed after", "2026-03-02T06:10:20Z", "2026-03-02T08:10:20Z", "pressed_at", "later than measured_at"},
		{"unknown member", `"lane": "2"`, `"lanes": "2"`, "lanes", `unknown member "lanes"`},
		{"member twice", `"lane": "2"`, `"lane": "2", "lane": "1"`, "lane", "stands twice"},
		{"number for text", `"panel": "A-0001234"`, `"panel": 1234`, "panel", "panel must be text in quotes, is a number"},
		{"fraction for a counter", `"sequence": 1234`, `"sequence": 12.5`, "sequence", "must be a whole number, is 12.5"},
		{"negative counter", `"sequence": 1234`, `"sequence": -1`, "sequence", "outside 0 to 2^53-1"},
		{"panel missing", `"panel": "A-0001234",`, "", "panel", "panel is missing"},
		{"control character", "A-0001234", `A\u0000`, "panel", "printable"},
		{"purpose", `"purpose": "production"`, `"purpose": "prod"`, "purpose", "use production, recheck, study or master"},
		{"master of no gauge", `"purpose": "production"`, `"purpose": "master"`, "panel", "its masters are: M-2"},
		{"more bad than seen", `"nonconforming": 2`, `"nonconforming": 51`, "counts.blister", "51 nonconforming of 50 inspected"},
		{"half a count", `"nonconforming": 2, `, "", "counts.blister", "needs both"},
	} {
		t.Run(c.name, func(t *testing.T) {
			require.Contains(t, good, c.old)
			_, err := check(t, strings.Replace(good, c.old, c.new, 1))
			var p *ingest.Problem
			require.ErrorAs(t, err, &p)
			require.Equal(t, 422, p.Status)
			require.Equal(t, c.field, p.Field, p.Detail)
			require.Contains(t, p.Detail, c.words)
		})
	}
}

func TestWithoutARangeAWrongUnitIsSeenByTheContour(t *testing.T) {
	text := strings.Replace(strings.Replace(good, "CG-1", "CG-2", 1), "[1107.482, null, 1107.5, 1107.51, 1107.49]", "[43.6, 43.6, 43.6, 43.6, 43.6]", 1)
	_, err := check(t, text)
	require.ErrorContains(t, err, "what a panel can have")
	require.ErrorContains(t, err, "inches")
}

func TestBrokenJSONIsMalformed(t *testing.T) {
	for _, text := range []string{"", "{", `{"gauge": "CG-1", `, `{"readings": [NaN]}`, "nonsense", good[:200], good + "x"} {
		var m ingest.Message
		require.ErrorIs(t, ingest.Decode([]byte(text), &m), ingest.ErrMalformed, text)
	}
}

func TestContentHashSeesEveryMemberAndNothingElse(t *testing.T) {
	a, err := check(t, good)
	require.NoError(t, err)
	same, err := check(t, strings.Replace(good, `"cycle": 48213`, `"cycle": 48213.0`, 1))
	if err == nil { // a whole number written with a decimal point is refused or equal, never different
		require.Equal(t, ingest.ContentHash(&a.Measurement), ingest.ContentHash(&same.Measurement))
	}
	absent, err := check(t, strings.Replace(good, `"series": "", `, `"series": null, `, 1))
	require.NoError(t, err)
	require.Equal(t, ingest.ContentHash(&a.Measurement), ingest.ContentHash(&absent.Measurement))
	seen := map[[32]byte]string{ingest.ContentHash(&a.Measurement): "original"}
	for old, new := range map[string]string{"1107.482": "1107.4820000000002", "A-0001234": "A-0001235", `"mould": "3"`: `"mould": "1"`,
		"48213": "48214", "06:10:20Z": "06:10:21Z", "512.31": "512.32", `"nonconforming": 2`: `"nonconforming": 3`, "1234,": "1235,",
		"production": "recheck", "null": "1107.5", `"series": ""`: `"series": "b"`, ".250Z": ".251Z", `"lane": "2"`: `"lane": "1"`} {
		require.Contains(t, good, old)
		b, err := check(t, strings.Replace(good, old, new, 1))
		require.NoError(t, err, new)
		h := ingest.ContentHash(&b.Measurement)
		require.NotContains(t, seen, h, "%s and %s", seen[h], new)
		seen[h] = new
	}
}

func FuzzDecodeAndCheck(f *testing.F) {
	f.Add([]byte(good))
	f.Add([]byte(`{"measurements": []}`))
	f.Add([]byte(`{"readings":[1e308,-0,null]}`))
	c := catalogue(f)
	f.Fuzz(func(t *testing.T, data []byte) {
		var m ingest.Message
		if ingest.Decode(data, &m) != nil {
			return
		}
		checked, p := ingest.Check(&m, c, now)
		if (checked == nil) == (p == nil) {
			t.Fatal("neither checked nor refused")
		}
		if checked != nil {
			for _, v := range checked.Readings {
				if math.IsInf(v, 0) {
					t.Fatal(fmt.Sprint("infinite reading taken: ", checked.Readings))
				}
			}
			ingest.ContentHash(&checked.Measurement)
		}
	})
}
