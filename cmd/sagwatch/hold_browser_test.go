package main

import (
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/require"
)

// A range is put on hold; a panel that comes late is held too and shown as good nowhere; the panels are sorted with a scanner, one
// after another; the rest is released; the hold is closed.
func TestAHoldInABrowser(t *testing.T) {
	p := serve(t, dataDir(t), "--demo")
	p.command("setup", "apply", plantFile(t))
	token := p.token()
	axe, err := os.ReadFile("../../testdata/axe/axe.min.js")
	require.NoError(t, err)
	begin := time.Now().Add(-3 * time.Hour).Truncate(10 * time.Second)
	pressed := func(n int) time.Time { return begin.Add(time.Duration(n) * 10 * time.Second) }
	require.Eventually(t, func() bool { return p.accepted(token, panelJSON(0, 1107.8, pressed(0))) }, 20*time.Second, 50*time.Millisecond)
	for n := 1; n < 12; n++ {
		if n != 6 {
			p.post(token, "application/json", panelJSON(n, 1107.8, pressed(n)))
		}
	}

	b := open(t, p.url)
	b.signIn("tamm", "/holds")
	require.Contains(t, b.text(), "No hold is open.")
	b.accessible(string(axe))
	b.click("a[href='/holds/new']")
	b.accessible(string(axe))
	b.shot("hold-new")
	zone, err := time.LoadLocation("Europe/Tallinn")
	require.NoError(t, err)
	b.set("from", pressed(4).In(zone).Format("2006-01-02 15:04:05"))
	b.set("to", pressed(9).In(zone).Format("2006-01-02 15:04:05"))
	b.click("form.form button[type=submit]") // the reason is missing
	require.Contains(t, b.text(), "Nothing is on hold yet")
	b.set("reason", "plunger off centre")
	b.click("form.form button[type=submit]")
	require.Contains(t, b.text(), "four of four panels wait for a decision")
	at := b.where()
	b.accessible(string(axe))
	b.shot("hold")

	// A late panel: the open page counts it by itself, and the gauge does not pass it on.
	p.post(token, "application/json", panelJSON(6, 1107.8, pressed(6)))
	b.until("the late panel", "document.querySelector('h1').innerText.includes('five of five panels wait')")
	b.to("/gauge/CG-1?panel=A-0000006")
	require.Contains(t, b.text(), "On hold")
	require.Contains(t, b.text(), "Do not pass it on")
	require.NotContains(t, b.text(), "Conforms")
	b.accessible(string(axe))
	b.shot("gauge-on-hold")
	b.to("/panels/A/A-0000006")
	require.Contains(t, b.text(), "Panel A-0000006 is on hold.")
	b.accessible(string(axe))
	b.shot("panel-on-hold")

	// Sorted by a scanner: it types the serial into the field that has the focus, and Enter.
	b.to(at)
	script[any](b, "document.querySelector('input[name=decision][value=release]').checked = true; null")
	b.set("reason", "inside by hand gauge")
	scan := func(serial string) {
		t.Helper()
		script[any](b, "window.leaving = true; document.getElementById('serial').focus(); null")
		b.do(chromedp.KeyEvent(serial + kb.Enter))
		b.until("the page after "+serial, "!window.leaving && document.readyState === 'complete'")
	}
	for i, serial := range []string{"A-0000004", "A-0000005", "A-0000006"} {
		scan(serial)
		require.Contains(t, b.text(), "Written for "+serial)
		require.Equal(t, "serial", script[string](b, "document.activeElement.id"), "the next one can be scanned at once")
		require.Contains(t, b.text(), fmt.Sprintf("%s of five panels wait", []string{"four", "three", "two"}[i]))
	}
	scan("A-0000003")
	require.Contains(t, b.text(), "A-0000003: not on hold")
	b.accessible(string(axe))
	b.shot("hold-refused")
	script[any](b, "document.querySelector('input[name=decision][value=scrap]').checked = true; document.getElementById('serial').value = ''; null")
	b.set("reason", "cracked at the edge")
	scan("A-0000007")
	require.Contains(t, b.text(), "one of five panels wait")

	b.set("release-reason", "checked by the engineer")
	script[any](b, "document.querySelector('input[name=condition][value=conforms]').checked = true; null")
	b.click("#release button[type=submit]")
	require.Contains(t, b.text(), "Released: one panel.")
	b.click("#close button[type=submit]")
	require.Contains(t, b.text(), "The hold is closed.")
	require.Contains(t, b.text(), "closed")
	b.accessible(string(axe))
	b.shot("hold-closed")
	b.to("/gauge/CG-1?panel=A-0000006")
	require.Contains(t, b.text(), "Conforms")
	b.to("/panels/A/A-0000007")
	require.True(t, strings.Contains(b.text(), "is scrapped"), b.text())
	b.to("/holds")
	b.accessible(string(axe))
	b.shot("holds")
}
