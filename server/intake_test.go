package server_test

import (
	"bufio"
	"encoding/json"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func TestAMeasurementIsStoredOnceAndReadBackAsSent(t *testing.T) {
	t.Parallel()
	s := start(t)
	m := panel(1, 1108.2)
	m["readings"].([]any)[7] = nil
	status, res := s.post(m)
	require.Equal(t, 200, status, res)
	require.Equal(t, "stored", res["status"])
	require.Equal(t, "conforms", res["verdict"])
	require.InDelta(t, 1108.2, res["radius_mm"], 0.2)
	require.InDelta(t, 0.04, res["radius_u_mm"], 0.02)
	require.Equal(t, []any{8.0}, res["faulty_probes"], "a null reading is left out and named")

	status, again := s.post(m)
	require.Equal(t, 200, status)
	require.Equal(t, "duplicate", again["status"])
	require.Equal(t, res["id"], again["id"])
	require.Equal(t, res["radius_mm"], again["radius_mm"])
	require.Equal(t, 1, s.stored())

	list := s.get("/api/v1/measurements?press=A&panel=A-0000001")["measurements"].([]any)
	require.Len(t, list, 1)
	back := list[0].(map[string]any)
	var want map[string]any
	require.NoError(t, json.Unmarshal([]byte(m.json()), &want))
	require.Equal(t, want["readings"], back["readings"], "readings come back as the same numbers")
	require.Equal(t, want["pressed_at"], back["pressed_at"])
}

func TestOtherContentUnderTheSameIdentityIsAConflict(t *testing.T) {
	t.Parallel()
	s := start(t)
	_, first := s.post(panel(1, 1108.2))
	second := panel(1, 1109.9)
	for range 2 {
		status, res := s.post(second)
		require.Equal(t, 409, status)
		require.Equal(t, first["id"], res["existing"])
		require.Contains(t, res["detail"], "the first (id ")
	}
	require.Equal(t, 1, s.stored())
	conflicts := s.get("/api/v1/conflicts?state=open")["conflicts"].([]any)
	require.Len(t, conflicts, 1, "the same second content is kept once")
	id := conflicts[0].(map[string]any)["id"].(float64)
	for _, key := range []string{"id", "state", "stored_at"} {
		require.NotContains(t, conflicts[0].(map[string]any)["measurement"], key, "it is not stored as a measurement")
	}
	status, _, body := s.send("POST", "/api/v1/conflicts/"+itoa(id), "application/json", `{"action": "correction", "reason": "the first was of another panel"}`)
	require.Equal(t, 200, status, body)
	panel := s.get("/api/v1/panels/A/A-0000001")["measurements"].([]any)
	require.Len(t, panel, 2, "the first stays to be seen")
	require.Empty(t, s.get("/api/v1/conflicts?state=open")["conflicts"])
}

func itoa(v float64) string { b, _ := json.Marshal(int64(v)); return string(b) }

func TestWithoutASequencePanelAndTimeIdentify(t *testing.T) {
	t.Parallel()
	s := start(t)
	m := panel(1, 1108).with("sequence", nil)
	_, first := s.post(m)
	require.Equal(t, "stored", first["status"])
	_, again := s.post(m)
	require.Equal(t, "duplicate", again["status"])
	status, _ := s.post(m.with("lane", "2"))
	require.Equal(t, 409, status)
	conflict := s.get("/api/v1/conflicts")["conflicts"].([]any)[0].(map[string]any)["id"].(float64)
	status, _, body := s.send("POST", "/api/v1/conflicts/"+itoa(conflict), "application/json", `{"action": "new-series", "series": "z", "reason": "counter restarted"}`)
	require.Equal(t, 422, status)
	require.Contains(t, body, "has no sequence", "a series would not tell it apart")
	_, later := s.post(m.with("measured_at", "2026-03-02T08:00:00Z"))
	require.Equal(t, "stored", later["status"])
}

// Each kind of bad input gets a message of its own, and nothing of it is stored.
func TestBadInputIsRefusedAndNothingIsStored(t *testing.T) {
	t.Parallel()
	s := start(t)
	good := panel(1, 1108)
	readings := func(edit func(r []any) []any) measurement {
		return good.with("readings", edit(append([]any{}, good["readings"].([]any)...)))
	}
	scaled := func(factor float64) measurement {
		return readings(func(r []any) []any {
			for i := range r {
				r[i] = r[i].(float64) * factor
			}
			return r
		})
	}
	set := func(i int, v any) measurement {
		return readings(func(r []any) []any { r[i] = v; return r })
	}
	for _, c := range []struct {
		name, body, media string
		status            int
		field, words      string
	}{
		{"wrong count", readings(func(r []any) []any { return r[:47] }).json(), "", 422, "readings", "readings has 47 values, gauge CG-1 has 48 places"},
		{"not a number", set(12, "1108.2").json(), "", 422, "readings[12]", "place 13 must be a number or null"},
		{"NaN", strings.Replace(good.json(), `"readings":[`, `"readings":[NaN,`, 1), "", 400, "", "at byte"},
		{"huge", set(3, 1e200).json(), "", 422, "readings[3]", "outside the gauge's range"},
		{"beyond a number", strings.Replace(good.json(), `"readings":[`, `"readings":[1e999,`, 1), "", 422, "readings[0]", "too large"},
		{"negative radius", set(3, -1108).json(), "", 422, "readings[3]", "can't be negative"},
		{"unknown gauge", good.with("gauge", "CG-9").json(), "", 422, "gauge", "gauges are CG-1, CG-2, PG-1"},
		{"unknown product", good.with("product", "P9").json(), "", 422, "product", "products are P25"},
		{"unknown press", good.with("press", "Z").json(), "", 422, "press", "presses are A"},
		{"future", good.with("measured_at", time.Now().Add(6*time.Minute).Format(time.RFC3339)).json(), "", 422, "measured_at", "in the future"},
		{"inches", scaled(1 / 25.4).json(), "", 422, "readings[0]", "in inches instead of millimetres"},
		{"metres", scaled(1e-3).json(), "", 422, "readings[0]", "factor of 1000"},
		{"micrometres", scaled(1e3).json(), "", 422, "readings[0]", "in micrometres instead of millimetres"},
		{"inches at a gauge without a range", scaled(1/25.4).with("gauge", "CG-2").json(), "", 422, "readings[0]", "in inches"},
		{"truncated JSON", good.json()[:len(good.json())/2], "", 400, "", "was it cut off?"},
		{"empty", "", "", 400, "", "cut off"},
		{"unknown member", good.with("operator", "x").json(), "", 422, "operator", "unknown member"},
		{"wrong content type", good.json(), "text/plain", 415, "", "application/x-ndjson"},
		{"no content type", good.json(), "none", 415, "", "is not taken"},
		{"100 MB of JSON", `{"panel": "` + strings.Repeat("x", 100<<20) + `"}`, "", 413, "", "16 MiB"},
		{"a list of 10 001", `{"measurements": [` + strings.Repeat("{},", 10_000) + `{}]}`, "", 413, "", "may have 10000 measurements"},
	} {
		t.Run(c.name, func(t *testing.T) {
			media := c.media
			switch media {
			case "":
				media = "application/json"
			case "none":
				media = ""
			}
			status, head, body := s.send("POST", "/api/v1/measurements", media, c.body)
			require.Equal(t, c.status, status, body)
			require.Equal(t, "application/problem+json", head.Get("Content-Type"))
			p := object(t, body)
			require.EqualValues(t, c.status, p["status"])
			require.NotEmpty(t, p["title"])
			require.Contains(t, p["detail"], c.words)
			if c.field != "" {
				require.Equal(t, c.field, p["field"])
			}
		})
	}
	require.Zero(t, s.stored(), "nothing was half-stored")
	require.Empty(t, s.get("/api/v1/conflicts")["conflicts"])
	status, _ := s.post(good)
	require.Equal(t, 200, status, "the service is unharmed")
}

func TestABadMemberOfAListDoesNotSinkItsNeighbours(t *testing.T) {
	t.Parallel()
	s := start(t)
	bad := panel(2, 1108).with("mould", "99")
	status, _, body := s.send("POST", "/api/v1/measurements", "application/json",
		`{"measurements": [`+panel(1, 1108).json()+","+bad.json()+","+panel(1, 1109).json()+","+panel(3, 1108).json()+`, 7]}`)
	require.Equal(t, 200, status, body)
	results := object(t, body)["results"].([]any)
	require.Len(t, results, 5)
	var got []any
	for i, r := range results {
		m := r.(map[string]any)
		require.EqualValues(t, i, m["index"])
		got = append(got, m["status"])
	}
	require.Equal(t, []any{"stored", "refused", "refused", "stored", "refused"}, got)
	problem := func(i int) map[string]any { return results[i].(map[string]any)["problem"].(map[string]any) }
	require.EqualValues(t, 422, problem(1)["status"])
	require.Equal(t, "mould", problem(1)["field"])
	require.EqualValues(t, 1, problem(1)["index"])
	require.EqualValues(t, 409, problem(2)["status"])
	require.Equal(t, 2, s.stored())

	// The list alone is taken too.
	status, _, body = s.send("POST", "/api/v1/measurements", "application/json", " ["+panel(1, 1108).json()+","+panel(9, 1108).json()+"]")
	require.Equal(t, 200, status, body)
	results = object(t, body)["results"].([]any)
	require.Equal(t, "duplicate", results[0].(map[string]any)["status"])
	require.Equal(t, "stored", results[1].(map[string]any)["status"])
	status, _, body = s.send("POST", "/api/v1/measurements", "application/json", `[{"gauge": `)
	require.Equal(t, 400, status, body)
}

func TestABrokenLineInAStreamIsRefusedAndTheStreamGoesOn(t *testing.T) {
	t.Parallel()
	s := start(t)
	long := `{"panel": "` + strings.Repeat("x", 70<<10) + `"}`
	out := s.stream(panel(1, 1108).json(), `{"gauge": "CG-1", "pan`, panel(2, 1108).json(), long, "", panel(3, 1108).with("press", "Q").json(), panel(4, 1108).json())
	require.Len(t, out, 6, "one answer a line; the empty one needs none")
	var lines, states []any
	for _, r := range out {
		lines = append(lines, r["line"])
		states = append(states, r["status"])
	}
	require.Equal(t, []any{1.0, 2.0, 3.0, 4.0, 6.0, 7.0}, lines)
	require.Equal(t, []any{"stored", "refused", "stored", "refused", "refused", "stored"}, states)
	require.EqualValues(t, 400, out[1]["problem"].(map[string]any)["status"])
	require.EqualValues(t, 413, out[3]["problem"].(map[string]any)["status"])
	require.Equal(t, "press", out[4]["problem"].(map[string]any)["field"])
	require.Equal(t, 3, s.stored())
}

// The answer to a line comes while the sender still holds the stream open.
func TestAStreamIsAnsweredWhileItIsRead(t *testing.T) {
	t.Parallel()
	s := start(t)
	body, sender := io.Pipe()
	req, err := http.NewRequest("POST", s.URL+"/api/v1/measurements", body)
	require.NoError(t, err)
	req.Header.Set("Content-Type", "application/x-ndjson")
	req.Header.Set("Authorization", "Bearer "+s.token)
	go func() { _, _ = io.WriteString(sender, panel(1, 1108).json()+"\n") }()
	res, err := http.DefaultClient.Do(req)
	require.NoError(t, err)
	defer res.Body.Close()
	answers := bufio.NewReader(res.Body)
	for n := 1; n <= 5; n++ {
		line, err := answers.ReadString('\n')
		require.NoError(t, err)
		require.Equal(t, "stored", object(t, line)["status"])
		require.Equal(t, n, s.stored(), "answered only after it was stored")
		if n < 5 {
			_, err = io.WriteString(sender, panel(n+1, 1108).json()+"\n")
			require.NoError(t, err)
		}
	}
	require.NoError(t, sender.Close())
	_, err = answers.ReadString('\n')
	require.ErrorIs(t, err, io.EOF)
}

// A line that broke off with the connection is no measurement.
func TestAStreamThatBreaksOffStoresWholeLinesOnly(t *testing.T) {
	t.Parallel()
	s := start(t)
	body, sender := io.Pipe()
	req, err := http.NewRequest("POST", s.URL+"/api/v1/measurements", body)
	require.NoError(t, err)
	req.Header.Set("Content-Type", "application/x-ndjson")
	req.Header.Set("Authorization", "Bearer "+s.token)
	go func() {
		_, _ = io.WriteString(sender, panel(1, 1108).json()+"\n"+panel(2, 1108).json()[:300])
		_ = sender.CloseWithError(io.ErrUnexpectedEOF)
	}()
	if res, err := http.DefaultClient.Do(req); err == nil {
		_, _ = io.Copy(io.Discard, res.Body)
		res.Body.Close()
	}
	s.eventually("the whole line is stored", func() bool { return s.stored() == 1 })
	_, res := s.post(panel(2, 1108))
	require.Equal(t, "stored", res["status"])
}

// A blister on one panel must never vanish from its verdict.
func TestABlisterNeverConforms(t *testing.T) {
	t.Parallel()
	s := start(t)
	for i, height := range []float64{0.06, 0.2, 0.37, 0.5} {
		m := panel(i+1, 1107.6)
		r := m["readings"].([]any)
		r[20] = r[20].(float64) - height // nearer to the centre: glass stands high
		status, res := s.post(m)
		require.Equal(t, 200, status)
		require.NotEqual(t, "conforms", res["verdict"], "a blister of %g mm", height)
		require.Greater(t, res["max_deviation_um"], height*1e3*0.6)
		if height >= 0.5 {
			require.Equal(t, "does-not-conform", res["verdict"])
		} else {
			require.Equal(t, []any{21.0}, res["suspect_places"])
		}
	}
}

func TestPurposesAndLaterReadings(t *testing.T) {
	t.Parallel()
	s := start(t)
	// A second production reading of a panel is a recheck: it renews the verdict and is not counted.
	s.post(panel(1, 1113.49))
	later := panel(1, 1108).with("sequence", 900).with("measured_at", "2026-03-02T08:00:00Z")
	_, res := s.post(later)
	require.Equal(t, "stored", res["status"])
	p := s.get("/api/v1/panels/A/A-0000001")
	require.Equal(t, "conforms", p["verdict"])
	counted := 0
	for _, m := range p["measurements"].([]any) {
		if m.(map[string]any)["counted"].(bool) {
			counted++
		}
	}
	require.Equal(t, 1, counted)

	// A master check needs no press, is judged by its certificate, and belongs to no chart of the press.
	master := panel(5, 1107.5).with("purpose", "master").with("panel", "M-2").with("press", nil).with("product", nil).with("mould", nil)
	_, res = s.post(master)
	require.Equal(t, "conforms", res["verdict"], res)
	far := panel(6, 1107.5).with("purpose", "master").with("panel", "M-2").with("press", nil).with("product", nil).with("mould", nil)
	r := far["readings"].([]any)
	r[0] = r[0].(float64) + 0.05
	_, res = s.post(far)
	require.Equal(t, "does-not-conform", res["verdict"], res)
}

func TestCorrectionsKeepTheOriginal(t *testing.T) {
	t.Parallel()
	s := start(t)
	_, first := s.post(panel(1, 1108))
	id := itoa(first["id"].(float64))
	for body, want := range map[string]string{
		`{"fields": {"mould": "2"}}`:                                    "needs its reason",
		`{"fields": {}, "reason": "typo"}`:                              "changes nothing",
		`{"fields": {"mould": "77"}, "reason": "typo"}`:                 `mould "77" is not on press`,
		`{"fields": {"sequence": 9}, "reason": "typo"}`:                 "can't be corrected",
		`{"fields": {"nonsense": 9}, "reason": "typo"}`:                 "unknown member",
		`{"fields": {"mould": "2"}, "reason": "typo", "who": "nobody"}`: "unknown field",
	} {
		status, _, answer := s.send("POST", "/api/v1/measurements/"+id+"/corrections", "application/json", body)
		require.GreaterOrEqual(t, status, 400)
		require.Contains(t, object(t, answer)["detail"], want)
	}
	status, _, body := s.send("POST", "/api/v1/measurements/"+id+"/corrections", "application/json", `{"fields": {"mould": "3"}, "reason": "read the wrong mould"}`)
	require.Equal(t, 200, status, body)
	list := s.get("/api/v1/panels/A/A-0000001")["measurements"].([]any)
	require.Len(t, list, 2)
	states := map[string]any{}
	for _, m := range list {
		states[m.(map[string]any)["state"].(string)] = m.(map[string]any)["mould"]
	}
	require.Equal(t, map[string]any{"superseded": "2", "current": "3"}, states)

	current := itoa(object(t, body)["id"].(float64))
	status, _, body = s.send("POST", "/api/v1/measurements/"+current+"/void", "application/json", `{"reason": "glass fell off the pads"}`)
	require.Equal(t, 200, status, body)
	require.Equal(t, "not-judged", s.get("/api/v1/panels/A/A-0000001")["verdict"])
}

func TestDimensionsGauge(t *testing.T) {
	t.Parallel()
	s := start(t)
	m := measurement{"gauge": "PG-1", "panel": "A-0000001", "press": "A", "product": "P25", "mould": "1", "measured_at": "2026-03-02T08:00:00Z",
		"characteristics": map[string]any{"width": 512.31}, "counts": map[string]any{"blister": map[string]any{"nonconforming": 2, "inspected": 50}}}
	_, res := s.post(m)
	require.Equal(t, "conforms", res["verdict"], res)
	_, res = s.post(m.with("panel", "A-0000002").with("characteristics", map[string]any{"width": 513.5}))
	require.Equal(t, "does-not-conform", res["verdict"])
	_, res = s.post(m.with("panel", "A-0000003").with("characteristics", map[string]any{"width": 513.0}))
	require.Equal(t, "undecided", res["verdict"])
	status, res := s.post(m.with("panel", "A-0000004").with("readings", []any{1.0}))
	require.Equal(t, 422, status)
	require.Contains(t, res["detail"], "dimensions gauge without readings")
}
