package server_test

import (
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// sendForm sends a form as a person's browser does and returns status, text and the address it ended at.
func (s *service) sendForm(c *http.Client, path string, form url.Values) (int, string, string) {
	s.t.Helper()
	res, err := c.PostForm(s.URL+path, form)
	require.NoError(s.t, err)
	defer res.Body.Close()
	body, err := io.ReadAll(res.Body)
	require.NoError(s.t, err)
	return res.StatusCode, string(body), res.Request.URL.RequestURI()
}

// A panel on hold is shown as good on no page.
func TestAPanelOnHoldIsShownAsGoodNowhere(t *testing.T) {
	t.Parallel()
	s := start(t)
	for n := range 3 {
		_, res := s.post(panel(n, 1107.5))
		require.Equal(t, "conforms", res["verdict"])
	}
	c := s.browser("tamm")
	pages := []string{"/gauge/CG-1?panel=A-0000002", "/panels/A/A-0000002", "/panels?serial=A-0000002", "/gauge/CG-1?panel=A-0000001"}
	good := `class="st good quiet"`
	for _, path := range pages {
		status, text := s.page(c, path)
		require.Equal(t, 200, status)
		require.Contains(t, strings.ToLower(text), "conforms", path)
	}
	h := s.makeHold(fmt.Sprintf(`{"press": "A", "from": %q, "reason": "mould 2 presses tight"}`, pressed(0)))
	for _, path := range pages {
		status, text := s.page(c, path)
		require.Equal(t, 200, status)
		text = text[:strings.Index(text, "<footer")]
		require.Contains(t, strings.ToLower(text), "on hold", path)
		for _, line := range strings.Split(text, good)[1:] {
			line, _, _ = strings.Cut(line, "</span>")
			require.NotContains(t, line, "conforms", path)
		}
		require.NotContains(t, text, "Conforms</h1>", path)
		require.NotContains(t, text, "conforms:", path)
		require.NotContains(t, text, "Pass the panel on", path)
	}
	_, text := s.page(c, "/gauge/CG-1?panel=A-0000002")
	require.Contains(t, text, "Set the panel aside. Do not pass it on.")
	require.Contains(t, text, "mould 2 presses tight")
	_, text = s.page(c, "/panels?from=2026-03-02+08:00&to=2026-03-02+09:00")
	require.Contains(t, text, "0 of 3 panels conform and are not on hold")
	id := int64(s.get("/api/v1/measurements?panel=A-0000002")["measurements"].([]any)[0].(map[string]any)["id"].(float64))
	for _, act := range []string{"correct", "void"} {
		_, text = s.page(c, fmt.Sprintf("/measurements/%d/%s", id, act))
		require.Contains(t, text, "on hold", act)
	}
	// Released, it is what it was measured to be.
	status, _ := s.change(fmt.Sprintf("/api/v1/holds/%v/panels", h["id"]), `{"panel": "A-0000002", "decision": "release", "reason": "checked by hand"}`)
	require.Equal(t, 200, status)
	_, text = s.page(c, "/gauge/CG-1?panel=A-0000002")
	require.Contains(t, text, "Pass the panel on")
	_, text = s.page(c, "/panels/A/A-0000002")
	require.Contains(t, text, "Panel A-0000002 conforms")
	require.Contains(t, text, "checked by hand", "that it was on hold stays to be seen")
	status, _ = s.change(fmt.Sprintf("/api/v1/holds/%v/panels", h["id"]), `{"panel": "A-0000001", "decision": "scrap", "reason": "cracked"}`)
	require.Equal(t, 200, status)
	_, text = s.page(c, "/gauge/CG-1?panel=A-0000001")
	require.Contains(t, text, "it was scrapped")
}

// The way of a hold by its pages: made, sorted by scanning, ended, closed.
func TestTheWayOfAHold(t *testing.T) {
	t.Parallel()
	s := start(t)
	for n := range 9 {
		s.post(panel(n, 1107.5))
	}
	tamm, sorby, lind := s.browser("tamm"), s.browser("sorby"), s.browser("lind")
	status, text := s.page(lind, "/holds")
	require.Equal(t, 200, status)
	require.Contains(t, text, "No hold is open.")
	require.NotContains(t, text, "/holds/new")
	status, _ = s.page(lind, "/holds/new")
	require.Equal(t, 403, status)

	// Plant time is two hours ahead of UTC in March.
	form := url.Values{"press": {"A"}, "from": {"2026-03-02 08:00:20"}, "moulds": {"1 3"}, "reason": {"plunger off centre"}}
	bad := url.Values{"press": {"A"}, "from": {"eight"}, "reason": {"x"}}
	status, text, _ = s.sendForm(sorby, "/holds/new", bad)
	require.Equal(t, 422, status)
	require.Contains(t, text, "Nothing is on hold yet")
	status, text, _ = s.sendForm(sorby, "/holds/new", url.Values{"press": {"A"}, "reason": {"x"}})
	require.Equal(t, 422, status)
	require.Contains(t, text, "either by time pressed")
	status, text, at := s.sendForm(sorby, "/holds/new", form)
	require.Equal(t, 200, status, "a technician may put on hold")
	at, _, _ = strings.Cut(at, "?")
	require.Contains(t, text, "These panels are on hold.")
	require.Contains(t, text, "five of five panels wait for a decision")
	require.Contains(t, text, "moulds 1 and 3")

	scan := func(c *http.Client, serial, decision, reason string) (int, string) {
		status, text, _ := s.sendForm(c, at+"/panels", url.Values{"panel": {serial}, "decision": {decision}, "reason": {reason}})
		return status, text
	}
	status, _ = scan(sorby, "A-0000002", "release", "x")
	require.Equal(t, 403, status, "but not release")
	status, text = scan(sorby, "A-0000002", "remeasure", "seat it again")
	require.Equal(t, 200, status)
	require.Contains(t, text, "Written for A-0000002")
	require.Contains(t, text, `value="remeasure" checked`, "decision and reason stay chosen")
	require.Contains(t, text, `value="seat it again"`)
	status, text = scan(tamm, "A-0000004", "release", "x")
	require.Equal(t, 422, status)
	require.Contains(t, text, "A-0000004: not on hold")
	require.Contains(t, text, `value="A-0000004"`, "what was typed stays")
	status, text = scan(tamm, "A-0000003", "", "x")
	require.Equal(t, 422, status)
	require.Contains(t, text, "choose what becomes of it")
	status, text = scan(tamm, "A-0000003 A-0000005", "release", "inside by hand gauge")
	require.Equal(t, 200, status)
	require.Contains(t, text, "Written for 2 panels")
	require.Contains(t, text, "three of five panels wait for a decision")

	act := func(act string, form url.Values) (int, string) {
		status, text, _ := s.sendForm(tamm, at+"/"+act, form)
		return status, text
	}
	status, text = act("close", url.Values{"reason": {"x"}})
	require.Equal(t, 409, status)
	require.Contains(t, text, "End it first")
	status, text = act("end", url.Values{"to": {"2026-03-02 08:00:00"}, "reason": {"x"}})
	require.Equal(t, 422, status)
	require.Contains(t, text, "not after the beginning")
	status, text = act("end", url.Values{"to": {"2026-03-02 08:01:20"}, "reason": {"plunger 16 is in"}})
	require.Equal(t, 200, status)
	require.Contains(t, text, "The range is ended.")
	require.Contains(t, text, "two of four panels wait for a decision", "A-0000008 is held no more")
	status, text = act("release", url.Values{"condition": {"conforms"}, "reason": {""}})
	require.Equal(t, 422, status)
	require.Contains(t, text, "a release says why")
	status, text = act("close", url.Values{"reason": {""}})
	require.Equal(t, 422, status)
	require.Contains(t, text, "On 2 panels")
	status, text = act("release", url.Values{"condition": {"conforms"}, "reason": {"all inside"}})
	require.Equal(t, 200, status)
	require.Contains(t, text, "Released: two panels.")
	status, text = act("close", url.Values{"reason": {""}})
	require.Equal(t, 200, status)
	require.Contains(t, text, "The hold is closed.")
	_, text = s.page(lind, at+"?show=all")
	for _, words := range []string{"plunger off centre", "plunger 16 is in", "inside by hand gauge", "sent to be measured again", "closed the hold"} {
		require.Contains(t, text, words)
	}
	require.NotContains(t, text, `<form class="form"`, "who only looks has no form")
	status, text = s.page(lind, at+"/panels.csv")
	require.Equal(t, 200, status)
	require.Len(t, strings.Split(strings.TrimSpace(text), "\n"), 5)
	_, text = s.page(lind, "/holds")
	require.Contains(t, text, "plunger off centre")

	// By a range of serials, and one that says nothing of its panels.
	status, text, _ = s.sendForm(tamm, "/holds/new", url.Values{"press": {"A"}, "serials": {"A-0000001 to A-0000003"}, "reason": {"chips"}})
	require.Equal(t, 200, status)
	require.Contains(t, text, "three of three panels wait for a decision")
}
