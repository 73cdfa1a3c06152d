package main

import (
	"bytes"
	"math/rand/v2"
	"net/http"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// apiCall posts JSON to the machine interface.
func (p *program) apiCall(token, path, body string) {
	p.t.Helper()
	req, err := http.NewRequest("POST", p.url+"/api/v1"+path, strings.NewReader(body))
	require.NoError(p.t, err)
	req.Header.Set("Authorization", "Bearer "+token)
	req.Header.Set("Content-Type", "application/json")
	res, err := http.DefaultClient.Do(req)
	require.NoError(p.t, err)
	defer res.Body.Close()
	require.Equal(p.t, 200, res.StatusCode, path)
}

// A reaction plan from the engineer's edit to the Pareto: edited, begun on a signal, worked through by two people of whom each sees
// what the other ticks, closed with cause and action, counted.
func TestAReactionPlanInABrowser(t *testing.T) {
	p := serve(t, dataDir(t), "--demo")
	p.command("setup", "apply", plantFile(t))
	token := p.token()
	axe, err := os.ReadFile("../../testdata/axe/axe.min.js")
	require.NoError(t, err)
	const n = 360
	rng := rand.New(rand.NewPCG(8, 5))
	begin := time.Now().Add(-90*time.Minute - n*10*time.Second).Truncate(10 * time.Second)
	var history bytes.Buffer
	for i := range n {
		r := 1107.8 + 0.25*rng.NormFloat64()
		if i%3 == 1 && i > n-40 {
			r += 2.5
		}
		history.Write(panelJSON(i, r, begin.Add(time.Duration(i)*10*time.Second)))
		history.WriteByte('\n')
	}
	require.Eventually(t, func() bool { return p.accepted(token, panelJSON(99990, 1107.8, begin.Add(-time.Hour))) }, 10*time.Second, 50*time.Millisecond)
	p.post(token, "application/x-ndjson", history.Bytes())

	// The engineer puts a plan into the plant's words.
	b := open(t, p.url)
	b.signIn("okafor", "/setup/causes")
	b.accessible(string(axe))
	b.shot("causes")
	b.click(`main a[href="/setup/causes/mould-cooling"]`)
	b.accessible(string(axe))
	b.set("plan", "Read the air at the guard.\nCall the mould shop.")
	b.click("#change button[type=submit]")
	require.Contains(t, b.text(), "The reason is missing")
	require.Equal(t, "Read the air at the guard.\nCall the mould shop.", script[string](b, "document.getElementById('plan').value"), "nothing typed is lost")
	b.accessible(string(axe))
	b.set("reason", "the guard has a gauge now")
	b.click("#change button[type=submit]")
	require.Equal(t, "/setup/causes", b.where())

	// The supervisor begins it on the signal and ticks a step with a note.
	b.signIn("tamm", "/signals")
	b.until("the signal", "document.querySelector('#list a[href^=\"/signals/\"]')")
	b.click("#list a[href^='/signals/']")
	signal := b.where()
	require.Contains(t, b.text(), "No plan has been begun yet.")
	b.set("plan-cause", "mould-cooling")
	b.click("#plan form[action$='/plans'] button")
	require.Contains(t, b.text(), "0 of two steps done")
	b.set("plan-note", "flow is nought")
	b.click("#step-mould-cooling-1")
	b.until("the ticked step", "document.querySelector('#plan-steps').innerText.includes('tamm: flow is nought')")
	b.accessible(string(axe))

	// Another one's tick shows by itself, and the note that is being typed stays.
	b.set("plan-note", "half a note")
	require.Eventually(t, func() bool { return strings.Contains(p.get(token, "/metrics"), "\nsagwatch_live_pages 1\n") }, 10*time.Second, 20*time.Millisecond, "the page listens")
	p.apiCall(token, signal+"/plans/mould-cooling/steps", `{"step": 2, "note": "they come at two"}`)
	b.until("the other's tick", "document.querySelector('#plan-steps').innerText.includes('they come at two')")
	require.Equal(t, "half a note", script[string](b, "document.getElementById('plan-note').value"))
	b.click("#step-mould-cooling-2") // taken back
	b.until("taken back", "document.querySelector('#plan-steps').innerText.includes('taken back')")
	b.shot("signal-plan")

	// Closing needs both; what was chosen stays.
	b.set("cause", "mould-cooling")
	b.click("#act button[formaction$='/close']")
	require.Contains(t, b.text(), "The signal is not closed yet")
	require.Equal(t, "mould-cooling", script[string](b, "document.getElementById('cause').value"))
	b.accessible(string(axe))
	b.set("action", "cooling")
	b.click("#act button[formaction$='/close']")
	require.Equal(t, signal, b.where())
	require.Contains(t, b.text(), "action: Cooling cleaned or set right")
	require.NotContains(t, b.text(), "Take back step")

	b.to("/pareto?press=A")
	require.Contains(t, b.text(), "Not enough yet")
	require.Contains(t, b.text(), "Cooling of one mould blocked or set wrong")
	b.until("the stair", "document.querySelector('svg .hist')")
	b.accessible(string(axe))
	b.shot("pareto")
}
