package server_test

import (
	"fmt"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// withPeriphery adds a gauge that sends five values, and charts of what is counted and of outside dimensions.
func withPeriphery() []byte {
	return []byte(strings.Replace(string(plantYAML()), "charts:\n", `  - {id: SG-1, kind: dimensions, unit: mm, values: 5}
charts:
  - {id: A-blister, press: A, product: P25, characteristic: blister, kind: p, limits: {k: 3}}
  - {id: A-seed, press: A, product: P25, characteristic: small seed, kind: u, limits: {probability: 0.0027}, adjusted: true}
  - {id: A-crack, press: A, product: P25, characteristic: crack, kind: interval, limits: {k: 3}}
  - {id: A-width, press: A, product: P25, characteristic: width, kind: individuals, by: mould, baseline: 20, limits: {k: 3}}
  - {id: A-seal, press: A, product: P25, characteristic: mean, kind: mean-range, subgroup: 2, baseline: 15, limits: {k: 3}}
  - {id: A-seal-sd, press: A, product: P25, characteristic: sd, kind: individuals, baseline: 20, limits: {k: 3}}
`, 1))
}

// tally is an hour's findings by eye.
func tally(n int, blisters, seen, seeds, cracks int) measurement {
	at := origin.Add(time.Duration(n) * time.Hour)
	return measurement{"gauge": "PG-1", "panel": fmt.Sprintf("T-%05d", n), "measured_at": at.Add(90 * time.Minute).Format(time.RFC3339Nano), "pressed_at": at.Format(time.RFC3339Nano),
		"press": "A", "product": "P25", "sequence": n, "counts": map[string]any{"blister": map[string]any{"nonconforming": blisters, "inspected": seen},
			"small seed": map[string]any{"defects": seeds, "units": 10 + n%2}, "crack": map[string]any{"nonconforming": cracks, "inspected": seen}}}
}

// drawn reads a chart through the machine interface.
func (s *service) drawn(chart, stream string, until time.Time) []map[string]any {
	s.t.Helper()
	out := s.get("/api/v1/charts/" + chart + "/points?stream=" + url.QueryEscape(stream) + "&from=" + origin.Add(-time.Hour).Format(time.RFC3339) + "&to=" + until.Format(time.RFC3339))
	var list []map[string]any
	for _, p := range out["points"].([]any) {
		list = append(list, p.(map[string]any))
	}
	return list
}

// What is counted by eye and measured on the rim enters, is charted and signals as everything else does.
func TestCountsAndDimensionsAreChartedAndSignal(t *testing.T) {
	s := startWith(t, withPeriphery())
	var lines []string
	for n := range 40 {
		blisters, seen, crack := 2+n%3, 100+20*(n%2), 0
		if n == 36 {
			blisters = 30
		}
		if n%3 == 0 {
			crack = 1
		}
		lines = append(lines, tally(n, blisters, seen, 3+n%4, crack).json())
		at := origin.Add(time.Duration(n) * time.Hour)
		width := 512 + 0.01*float64(n%5)
		if n == 39 {
			width += 0.5
		}
		for i := range 3 {
			dim := measurement{"gauge": "PG-1", "panel": fmt.Sprintf("W-%05d", 3*n+i), "measured_at": at.Add(2 * time.Hour).Format(time.RFC3339Nano), "pressed_at": at.Add(time.Duration(i) * time.Minute).Format(time.RFC3339Nano),
				"press": "A", "product": "P25", "mould": fmt.Sprint(i + 1), "characteristics": map[string]any{"width": width + 0.002*float64((n*7+i)%4)}}
			lines = append(lines, dim.json())
		}
		seal := 0.1 + 0.01*float64(n*5%7)
		five := []float64{seal, seal + .02, seal + .01, seal - .01, seal + .03*float64(n%3)}
		if n == 38 {
			five[2] += 2
		}
		lines = append(lines, measurement{"gauge": "SG-1", "panel": fmt.Sprintf("F-%05d", n), "measured_at": at.Add(2 * time.Hour).Format(time.RFC3339Nano), "pressed_at": at.Format(time.RFC3339Nano),
			"press": "A", "product": "P25", "readings": five}.json())
	}
	for i, r := range s.stream(lines...) {
		require.Equal(t, "stored", r["status"], "%d: %v", i, r)
	}
	until := origin.Add(41 * time.Hour)
	s.eventually("all counts are charted", func() bool { return len(s.drawn("A-blister", "press:A", until)) == 40 })

	list := s.drawn("A-blister", "press:A", until)
	require.Equal(t, 0.02, list[0]["value"])
	require.Equal(t, 100.0, list[0]["n"])
	require.Equal(t, "provisional", list[0]["limits"])
	require.Greater(t, list[0]["upper"], list[1]["upper"], "fewer inspected, wider limits")
	require.Contains(t, list[36]["words"], "beyond upper limit")
	require.Len(t, s.drawn("A-seed", "press:A", until), 40)
	cracks := s.drawn("A-crack", "press:A", until)
	require.Len(t, cracks, 14)
	require.Equal(t, 10.0, cracks[0]["need"].(float64)-15, "25 intervals make a baseline")

	signalled := map[string]bool{}
	s.eventually("each chart signals", func() bool {
		for _, g := range s.get("/api/v1/signals?press=A&from=" + origin.Add(-time.Hour).Format(time.RFC3339) + "&limit=500")["signals"].([]any) {
			for _, e := range g.(map[string]any)["evidence"].([]any) { // one fault, whatever charts found it
				signalled[e.(map[string]any)["chart"].(string)] = true
			}
		}
		return signalled["A-blister"] && signalled["A-width"] && signalled["A-seal"] && signalled["A-seal-sd"]
	})

	tamm := s.browser("tamm")
	span := "?stream=press:A&from=" + url.QueryEscape("2026-03-02 06:00") + "&to=" + url.QueryEscape("2026-03-04 06:00")
	status, text := s.page(tamm, "/charts/A-blister"+span)
	require.Equal(t, 200, status)
	says(t, text, "share rejected for blister")
	says(t, text, "of 100 inspected")
	says(t, text, "Each point has the limits of its own number of inspected")
	says(t, text, "stands outside the press&#39;s budget of false signals")
	status, text = s.page(tamm, "/charts/A-seed"+span)
	require.Equal(t, 200, status)
	says(t, text, "The limits are adjusted")
	_, text = s.page(tamm, "/signals")
	says(t, text, "blister")
}

// Findings are keyed in with one number of panels, corrected in the same form, and stand on the charts.
func TestFindingsAreKeyedIn(t *testing.T) {
	s := startWith(t, withPeriphery())
	sorby := s.browser("sorby")
	_, text := s.page(sorby, "/gauge/PG-1/key-in")
	says(t, text, "Found by eye")
	says(t, text, "Panels looked at")
	says(t, text, "Blister")
	form := url.Values{"panel": {"T-1"}, "press": {"A"}, "product": {"P25"}, "measured_at": {"2026-03-02 10:00"}, "purpose": {"production"}, "seen": {"50"}, "n1": {"51"}}
	status, _, text := s.submit(sorby, "/gauge/PG-1/key-in", form)
	require.Equal(t, 422, status)
	says(t, text, "more than were looked at")
	require.Zero(t, s.stored())
	form.Set("n1", "3")
	form.Set("other", "scratch")
	form.Set("other_found", "0")
	status, _, _ = s.submit(sorby, "/gauge/PG-1/key-in", form)
	require.Equal(t, 200, status)
	m := s.get("/api/v1/measurements?panel=T-1")["measurements"].([]any)[0].(map[string]any)
	require.Equal(t, map[string]any{"blister": map[string]any{"nonconforming": 3.0, "inspected": 50.0}, "scratch": map[string]any{"nonconforming": 0.0, "inspected": 50.0}}, m["counts"])

	correct := fmt.Sprintf("/measurements/%.0f/correct", m["id"])
	_, text = s.page(sorby, correct)
	says(t, text, `name="seen" value="50"`)
	form = url.Values{"panel": {"T-1"}, "press": {"A"}, "product": {"P25"}, "measured_at": {"2026-03-02 10:00"}, "purpose": {"production"}, "seen": {"50"}, "n1": {"4"}, "n2": {""}, "n3": {""}, "n4": {"0"}, "reason": {"misread"}}
	status, _, text = s.submit(sorby, correct, form)
	require.Equal(t, 200, status, text)
	s.eventually("the corrected count is on the chart", func() bool {
		list := s.drawn("A-blister", "press:A", origin.Add(24*time.Hour))
		return len(list) == 1 && list[0]["value"] == 0.08
	})
}
