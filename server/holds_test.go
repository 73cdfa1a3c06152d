package server_test

import (
	"context"
	"encoding/csv"
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/store"
)

// makeHold puts panels on hold by the machine interface and returns the hold.
func (s *service) makeHold(body string) map[string]any {
	s.t.Helper()
	status, head, out := s.send("POST", "/api/v1/holds", "application/json", body)
	require.Equal(s.t, 201, status, out)
	h := object(s.t, out)
	require.Equal(s.t, fmt.Sprintf("/api/v1/holds/%v", h["id"]), head.Get("Location"))
	return h
}

func (s *service) change(path, body string) (int, map[string]any) {
	s.t.Helper()
	status, _, out := s.send("POST", path, "application/json", body)
	return status, object(s.t, out)
}

func pressed(n int) string {
	return origin.Add(time.Duration(n) * 10 * time.Second).Format(time.RFC3339)
}

// serials lists the panels of a hold.
func (s *service) heldSerials(id any, query string) (out []string) {
	s.t.Helper()
	for _, p := range s.get(fmt.Sprintf("/api/v1/holds/%v/panels%s", id, query))["panels"].([]any) {
		out = append(out, p.(map[string]any)["panel"].(string))
	}
	return out
}

func TestHoldsByTheMachineInterface(t *testing.T) {
	t.Parallel()
	s := start(t)
	for n := range 12 {
		status, res := s.post(panel(n, 1107.5))
		require.Equal(t, 200, status)
		require.NotContains(t, res, "on_hold", "nothing is on hold")
	}
	h := s.makeHold(fmt.Sprintf(`{"press": "A", "streams": ["mould:2"], "from": %q, "to": %q, "reason": "mould 2 presses tight"}`, pressed(3), pressed(30)))
	require.Equal(t, "open", h["state"])
	require.Equal(t, []any{"mould:2"}, h["streams"])
	require.EqualValues(t, 3, h["progress"].(map[string]any)["outstanding"])
	require.Equal(t, []string{"A-0000004", "A-0000007", "A-0000010"}, s.heldSerials(h["id"], ""))

	// One that is measured now is answered with its verdict and the hold; so is a recheck; others are not.
	status, res := s.post(panel(13, 1107.5))
	require.Equal(t, 200, status)
	require.Equal(t, "conforms", res["verdict"])
	require.Equal(t, true, res["on_hold"])
	require.Contains(t, res["reasons"].([]any)[0], "mould 2 presses tight")
	require.Equal(t, h["id"], res["holds"].([]any)[0].(map[string]any)["id"])
	_, res = s.post(panel(14, 1107.5))
	require.NotContains(t, res, "on_hold")
	recheck := panel(4, 1107.5).with("purpose", "recheck").with("sequence", 900).with("pressed_at", nil).with("mould", nil).with("measured_at", origin.Add(9*time.Hour).Format(time.RFC3339))
	_, res = s.post(recheck)
	require.Equal(t, true, res["on_hold"], "the panel is on hold, whatever this measurement says of it")
	_, res = s.post(recheck)
	require.Equal(t, "duplicate", res["status"])
	require.Equal(t, true, res["on_hold"])
	for _, line := range s.stream(panel(16, 1107.5).json(), panel(17, 1107.5).json()) {
		require.Equal(t, line["panel"] == "A-0000016", line["on_hold"] == true, line)
	}

	// A decision on several at once; one that is not on hold is named and nothing is written.
	at := fmt.Sprintf("/api/v1/holds/%v", h["id"])
	status, out := s.change(at+"/panels", `{"panels": ["A-0000007", "A-0000008"], "decision": "release", "reason": "seen"}`)
	require.Equal(t, 422, status)
	require.Contains(t, out["detail"], "A-0000008")
	require.NotContains(t, out["detail"], "A-0000007")
	status, out = s.change(at+"/panels", `{"panels": ["A-0000007", "A-0000010"], "decision": "release", "reason": "measured by hand"}`)
	require.Equal(t, 200, status, out)
	require.EqualValues(t, 2, out["progress"].(map[string]any)["released"])
	for _, wrong := range []string{`{"panel": "A-0000004", "decision": "lifted", "reason": "x"}`, `{"panel": "A-0000004", "decision": "scrap", "reason": " "}`, `{"decision": "scrap", "reason": "x"}`} {
		status, _ = s.change(at+"/panels", wrong)
		require.Equal(t, 422, status, wrong)
	}
	require.Equal(t, false, s.get("/api/v1/panels/A/A-0000007")["on_hold"])
	got := s.get("/api/v1/panels/A/A-0000004")
	require.Equal(t, true, got["on_hold"])
	require.Equal(t, "conforms", got["verdict"], "the verdict is that of the measurements")
	for _, m := range got["measurements"].([]any) {
		require.Equal(t, true, m.(map[string]any)["on_hold"])
	}

	// Every form of the list of measurements says it.
	_, _, table := s.send("GET", "/api/v1/measurements?press=A", "", "")
	require.Equal(t, 4, strings.Count(table, `"on_hold":true`), "4, 13 and 16, and the recheck of 4")

	// Measured again: the panel stays on hold, with its new verdict, until somebody decides.
	status, out = s.change(at+"/panels", `{"panel": "A-0000004", "decision": "remeasure", "reason": "seat it again"}`)
	require.Equal(t, 200, status, out)
	require.EqualValues(t, 1, out["progress"].(map[string]any)["to_measure"])
	status, out = s.change(at+"/release", `{"condition": "remeasured-conforms", "reason": "all good"}`)
	require.Equal(t, 200, status)
	require.EqualValues(t, 0, out["released"], "nothing was measured again yet")
	require.EqualValues(t, 3, out["outstanding"])
	now := time.Now().UTC()
	_, res = s.post(panel(4, 1107.5).with("purpose", "recheck").with("sequence", 901).with("measured_at", now.Add(time.Minute).Format(time.RFC3339Nano)))
	require.Equal(t, true, res["on_hold"])
	require.Equal(t, "remeasure", res["holds"].([]any)[0].(map[string]any)["decision"])
	_, res = s.post(panel(13, 1090.5).with("purpose", "recheck").with("sequence", 902).with("measured_at", now.Add(2*time.Minute).Format(time.RFC3339Nano)))
	require.Equal(t, "does-not-conform", res["verdict"])
	status, out = s.change(at+"/release", `{"condition": "remeasured-conforms", "reason": "all good"}`)
	require.Equal(t, 200, status)
	require.EqualValues(t, 1, out["released"], "4 conforms again, 13 does not, 16 was not measured again")
	require.EqualValues(t, 2, out["outstanding"])
	require.Equal(t, []string{"A-0000013", "A-0000016"}, s.heldSerials(h["id"], "?decision=outstanding"))

	// It is closed when nothing is outstanding, or with a reason.
	status, out = s.change(at+"/close", `{}`)
	require.Equal(t, 422, status)
	require.Contains(t, out["detail"], "On 2 panels")
	s.change(at+"/panels", `{"panel": "A-0000013", "decision": "scrap", "reason": "too tight"}`)
	s.change(at+"/panels", `{"panel": "A-0000016", "decision": "rework", "reason": "edge"}`)
	status, out = s.change(at+"/close", `{}`)
	require.Equal(t, 200, status, out)
	require.Equal(t, "closed", out["state"])
	_, res = s.post(panel(19, 1107.5))
	require.Equal(t, true, res["on_hold"], "it came when the hold was closed, and nobody has decided on it")
	require.Equal(t, true, s.get("/api/v1/panels/A/A-0000013")["on_hold"], "what was scrapped is good no more")

	// Its panels as a table, page by page.
	var rows [][]string
	for path := at + "/panels?limit=2"; path != ""; {
		req, err := http.NewRequest("GET", s.URL+path, nil)
		require.NoError(t, err)
		req.Header.Set("Accept", "text/csv")
		req.Header.Set("Authorization", "Bearer "+s.token)
		res, err := http.DefaultClient.Do(req)
		require.NoError(t, err)
		list, err := csv.NewReader(res.Body).ReadAll()
		res.Body.Close()
		require.NoError(t, err)
		require.Equal(t, "panel", list[0][1])
		rows = append(rows, list[1:]...)
		path, _, _ = strings.Cut(strings.TrimPrefix(res.Header.Get("Link"), "<"), ">")
	}
	require.Len(t, rows, 6)
	require.Equal(t, "scrap", rows[3][11])
	require.Equal(t, "does-not-conform", rows[3][8])
	list := s.get("/api/v1/holds?press=A")["holds"].([]any)
	require.Len(t, list, 1)
	require.Empty(t, s.get("/api/v1/holds?state=open")["holds"])
	log := s.get(at)["log"].([]any)
	require.Equal(t, "closed", log[len(log)-1].(map[string]any)["kind"])
}

func TestAnOpenHoldIsEndedBeforeItIsClosed(t *testing.T) {
	t.Parallel()
	s := start(t)
	for n := range 4 {
		s.post(panel(n, 1107.5))
	}
	h := s.makeHold(fmt.Sprintf(`{"press": "A", "from": %q, "reason": "plunger changed"}`, pressed(2)))
	at := fmt.Sprintf("/api/v1/holds/%v", h["id"])
	status, out := s.change(at+"/close", `{"reason": "x"}`)
	require.Equal(t, 409, status)
	require.Contains(t, out["detail"], "End it first")
	for _, wrong := range []string{`{"reason": "x"}`, fmt.Sprintf(`{"to": %q, "reason": "x"}`, pressed(2)), fmt.Sprintf(`{"to": %q}`, pressed(3))} {
		status, _ = s.change(at+"/end", wrong)
		require.Equal(t, 422, status, wrong)
	}
	status, out = s.change(at+"/end", fmt.Sprintf(`{"to": %q, "reason": "back"}`, pressed(5)))
	require.Equal(t, 200, status, out)
	_, res := s.post(panel(4, 1107.5))
	require.Equal(t, true, res["on_hold"])
	_, res = s.post(panel(5, 1107.5))
	require.NotContains(t, res, "on_hold", "pressed at the end")
	status, _ = s.change(at+"/end", fmt.Sprintf(`{"to": %q, "reason": "again"}`, pressed(7)))
	require.Equal(t, 409, status)
}

func TestAHoldThatSaysNothingIsRefused(t *testing.T) {
	t.Parallel()
	s := start(t)
	for body, words := range map[string]string{
		`{"press": "A", "reason": "x"}`:                                                               "either by time pressed",
		`{"press": "A", "from": "2026-03-02T06:00:00Z"}`:                                              "reason is missing",
		`{"press": "Z", "from": "2026-03-02T06:00:00Z", "reason": "x"}`:                               "not defined",
		`{"from": "2026-03-02T06:00:00Z", "reason": "x"}`:                                             "press is missing",
		`{"press": "A", "from": "2026-03-02T06:00:00Z", "to": "2026-03-02T06:00:00Z", "reason": "x"}`: "not after from",
		`{"press": "A", "streams": ["mould:9"], "from": "2026-03-02T06:00:00Z", "reason": "x"}`:       "mould 9 is none of press A; it has 1, 2, 3",
		`{"press": "A", "streams": ["probe:9"], "from": "2026-03-02T06:00:00Z", "reason": "x"}`:       "can't be by",
		`{"press": "A", "streams": ["gauge:CG-7"], "from": "2026-03-02T06:00:00Z", "reason": "x"}`:    "not defined",
		`{"press": "A", "serials": ["A-1"], "from": "2026-03-02T06:00:00Z", "reason": "x"}`:           "give one of them",
		`{"press": "A", "serials": ["A-1"], "streams": ["mould:1"], "reason": "x"}`:                   "belong to a hold by time",
		`{"press": "A", "first_serial": "A-9", "last_serial": "A-10", "reason": "x"}`:                 "same number of characters",
		`{"press": "A", "from": "2026-03-02T06:00:00Z", "reason": "x", "signal": "none"}`:             "There is no signal",
		`{"press": "A", "from": "0026-03-02T06:00:00Z", "reason": "x"}`:                               "a slip?",
	} {
		status, _, out := s.send("POST", "/api/v1/holds", "application/json", body)
		require.Equal(t, 422, status, body)
		require.Contains(t, object(t, out)["detail"], words, body)
	}
	require.Empty(t, s.get("/api/v1/holds")["holds"], "nothing was stored")
	status, _, _ := s.send("GET", "/api/v1/holds/77", "", "")
	require.Equal(t, 404, status)
}

// Another server on the same database answers with the hold, too.
func TestAHoldIsKnownToEveryServer(t *testing.T) {
	t.Parallel()
	s := start(t)
	other := run(t, s.store, s.token)
	s.makeHold(fmt.Sprintf(`{"press": "A", "from": %q, "reason": "plunger changed"}`, pressed(0)))
	n := 0
	other.eventually("the other server hears of the hold", func() bool {
		n++
		_, res := other.post(panel(n, 1107.5))
		return res["on_hold"] == true
	})
	// A server that starts knows it at once.
	_, res := run(t, s.store, s.token).post(panel(5000, 1107.5))
	require.Equal(t, true, res["on_hold"])
	hs, err := s.store.Holds(context.Background(), "north", store.HoldFilter{})
	require.NoError(t, err)
	require.Len(t, hs, 1)
}
