package main

import (
	"bytes"
	"context"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
	"github.com/xuri/excelize/v2"

	"sagwatch/server/report"
	"sagwatch/store"
)

// download fetches what a link of the page leads to, as the browser does, with the person's session.
func (b *browser) download(selector string) []byte {
	b.t.Helper()
	text := script[string](b, fmt.Sprintf(`fetch(document.querySelector(%q).href).then(r => { if (!r.ok) throw r.status; return r.arrayBuffer(); })
		.then(a => { let s = ""; new Uint8Array(a).forEach(c => s += String.fromCharCode(c)); return btoa(s); })`, selector))
	file, err := base64.StdEncoding.DecodeString(text)
	require.NoError(b.t, err)
	return file
}

// figuresOf are the figures of a workbook by id.
func figuresOf(t testing.TB, xlsx []byte) map[string]float64 {
	t.Helper()
	f, err := excelize.OpenReader(bytes.NewReader(xlsx))
	require.NoError(t, err)
	rows, err := f.GetRows("Figures", excelize.Options{RawCellValue: true})
	require.NoError(t, err)
	out := map[string]float64{}
	for _, r := range rows {
		if len(r) > 3 {
			if v, err := strconv.ParseFloat(r[3], 64); err == nil {
				out[r[0]] = v
			}
		}
	}
	return out
}

// printed is the text of a PDF.
func printed(t testing.TB, pdf []byte) string {
	t.Helper()
	tool, err := exec.LookPath("pdftotext")
	require.NoError(t, err, "no pdftotext found; run: apt-get install poppler-utils")
	name := filepath.Join(t.TempDir(), "report.pdf")
	require.NoError(t, os.WriteFile(name, pdf, 0o600))
	text, err := exec.Command(tool, "-layout", name, "-").Output()
	require.NoError(t, err)
	return string(text)
}

// fixed writes a number to some decimals.
func fixed(x float64, decimals int) string { return strconv.FormatFloat(x, 'f', decimals, 64) }

// figureOf is a figure of an answer of the machine interface.
func figureOf(t testing.TB, answer, id string) float64 {
	t.Helper()
	var a struct {
		Figures []struct {
			ID    string  `json:"id"`
			Value float64 `json:"value"`
		} `json:"figures"`
	}
	require.NoError(t, json.Unmarshal([]byte(answer), &a))
	for _, f := range a.Figures {
		if f.ID == id {
			return f.Value
		}
	}
	require.Fail(t, "no figure "+id)
	return 0
}

// A study as people do it: planned with a slip, collected at the gauge with its guidance and by hand, analysed, corrected afterwards,
// adopted as a new revision of the gauge, and reported in files whose figures are those of the page.
func TestAStudyInABrowser(t *testing.T) {
	p := serve(t, dataDir(t), "--demo")
	p.command("setup", "apply", plantFile(t))
	token := p.token()
	text, err := os.ReadFile("../../testdata/axe/axe.min.js")
	require.NoError(t, err)
	axe := string(text)
	b := open(t, p.url)
	b.signIn("okafor", "/studies")
	require.Contains(t, b.text(), "No gauge was studied yet.")
	b.accessible(axe)
	b.shot("studies-empty")
	b.to("/studies/new")
	b.accessible(axe)
	b.shot("study-kind")
	for id, value := range map[string]string{"kind": "crossed", "gauge": "CG-1", "product": "P25"} {
		b.set(id, value)
	}
	b.click("form.form button[type=submit]")
	b.set("parts", "A-1\nA-1\nA-3")
	b.set("trials", "2")
	b.set("appraisers", "Ahn\nTamm")
	b.set("seed", "11")
	b.click("form.form button[type=submit]")
	require.Contains(t, b.text(), "stands twice")
	require.Equal(t, "A-1\nA-1\nA-3", script[string](b, "document.getElementById('parts').value"), "nothing typed is lost")
	b.accessible(axe)
	b.shot("study-plan-wrong")
	b.set("parts", "A-1\nA-2\nA-3")
	b.click("form.form button[type=submit]")
	require.Equal(t, "/studies/1", b.where(), b.text())
	b.accessible(axe)
	b.to("/studies/1/sheet")
	b.accessible(axe)
	b.shot("study-sheet")

	// At the gauge.
	b.signIn("sorby", "/studies/1")
	b.accessible(axe)
	b.shot("study-collect")
	word := func() string {
		return script[string](b, "document.querySelector('#slab h1').lastChild.textContent.trim()")
	}
	rng, n := rand.New(rand.NewPCG(1, 9)), 0
	measure := func(panel string) {
		n++
		part, err := strconv.Atoi(strings.TrimPrefix(panel, "A-"))
		require.NoError(t, err)
		r := 1106 + float64(part)
		if script[bool](b, "document.querySelector('#slab').innerText.includes('Tamm')") {
			r += 0.4 // he seats panels in his own way
		}
		body, err := json.Marshal(map[string]any{"gauge": "CG-1", "panel": panel, "press": "A", "product": "P25", "mould": "1", "purpose": "study", "sequence": 5000 + n,
			"measured_at": time.Now().UTC().Format(time.RFC3339Nano), "readings": readingsOf(r, rng)})
		require.NoError(t, err)
		p.post(token, "application/json", body)
	}
	first := word()
	scan := func(serial string) {
		b.set("serial", serial)
		script[any](b, "window.leaving = true; document.getElementById('serial').form.requestSubmit(); null")
		b.until("the answer to a scan", "!window.leaving && document.readyState === 'complete'")
	}
	scan("A-9")
	require.Equal(t, "Wrong panel", word())
	require.Contains(t, b.text(), "Panel A-9 is not in this study. Take "+first)
	b.accessible(axe)
	b.shot("study-wrong-panel")
	scan(first)
	require.Equal(t, first, word())
	require.True(t, script[bool](b, "document.querySelector('#slab').classList.contains('good')"))
	require.Equal(t, "v-radius_mm", script[string](b, "document.activeElement.id"), "the value is next")
	b.accessible(axe)
	b.shot("study-right-panel")

	// What the gauge sends moves page and form on; what somebody has typed meanwhile is kept, says that it is late, and is not stored.
	b.to("/studies/1")
	measure(first)
	b.until("the next panel", "document.querySelector('#bar').innerText.includes('1 of 12') && document.querySelector('#key form').dataset.line === '2'")
	require.Contains(t, script[string](b, "document.getElementById('key').innerText"), word(), "the form is for the panel in large words")
	second := word()
	measure("A-99")
	b.until("a wrong panel is told at once", "document.querySelector('#slab h1').innerText.includes('Wrong panel')")
	b.set("v-radius_mm", "1107.77")
	measure(second)
	b.until("the word that it is late", "!document.querySelector('[data-late]').hidden")
	require.Equal(t, "1107.77", script[string](b, "document.getElementById('v-radius_mm').value"))
	b.shot("study-late")
	b.click("#key button[type=submit]")
	require.Contains(t, b.text(), "What you keyed in, radius “1107.77”, was for another line")
	require.Empty(t, script[string](b, "document.getElementById('v-radius_mm').value"))
	b.accessible(axe)
	b.shot("study-refused")
	b.to("/studies/1")
	b.set("v-radius_mm", "1106,5o")
	b.click("#key button[type=submit]")
	require.Contains(t, b.text(), "is not a number")
	third := word()
	b.set("v-radius_mm", strings.Replace(fixed(1106.05+number(t, third), 2), ".", ",", 1))
	b.click("#key button[type=submit]")
	b.until("the keyed-in reading", "document.querySelector('#bar').innerText.includes('3 of 12')")
	for taken := 4; taken <= 12; taken++ {
		measure(word())
		if taken < 12 {
			b.until(fmt.Sprintf("reading %d", taken), fmt.Sprintf("document.querySelector('#bar').innerText.includes('%d of 12')", taken))
		}
	}
	b.until("the analysis, by itself", "document.querySelector('#figures')")
	b.accessible(axe)
	b.shot("study-result")

	// A correction is told, and taken.
	var study struct {
		Values []struct {
			Line        int   `json:"line"`
			Measurement int64 `json:"measurement"`
		} `json:"values"`
	}
	require.NoError(t, json.Unmarshal([]byte(p.get(token, "/api/v1/studies/1")), &study))
	correction, err := json.Marshal(map[string]any{"fields": map[string]any{"readings": readingsOf(1106.2+number(t, first), rng)}, "reason": "probe 7 was stuck"})
	require.NoError(t, err)
	p.apiCall(token, fmt.Sprintf("/measurements/%d/corrections", study.Values[0].Measurement), string(correction))
	b.to("/studies/1")
	require.Contains(t, b.text(), "probe 7 was stuck")
	b.accessible(axe)
	b.shot("study-changed")
	b.click("#take button[type=submit]")
	require.Contains(t, b.text(), "took the corrected value of line 1")

	// Adopted by an engineer.
	b.signIn("okafor", "/studies/1")
	b.click("#adopt button[type=submit]")
	require.Contains(t, b.text(), "A new revision needs its reason.")
	b.accessible(axe)
	b.shot("study-adopt-wrong")
	b.set("reason", "the study of November")
	b.click("#adopt button[type=submit]")
	require.Contains(t, b.text(), "revision 2")
	b.accessible(axe)
	b.shot("study-adopted")
	require.Contains(t, p.get(token, "/api/v1/gauges/CG-1"), "gauge study 1: the study of November")
	b.to("/studies")
	b.accessible(axe)
	b.shot("studies")

	// Reported: the figure of the machine interface stands in the spreadsheet and in the print.
	want := figureOf(t, p.get(token, "/api/v1/studies/1"), "gauge.radius_mm")
	b.to("/studies/1")
	b.click("#report button[type=submit]")
	require.Equal(t, "/reports/1", b.where())
	b.accessible(axe)
	require.InEpsilon(t, want, figuresOf(t, b.download("a[href$='.xlsx']"))["gauge.radius_mm"], 1e-12)
	require.Contains(t, printed(t, b.download("a[href$='.pdf']")), fixed(want, decimalsOf(want)))

	// What nobody planned.
	b.to("/studies/77")
	require.Contains(t, b.text(), "There is no study 77")
	b.signIn("lind", "/studies/new")
	require.Contains(t, b.text(), "may not")
	b.accessible(axe)
}

// number is that of a panel's serial.
func number(t testing.TB, serial string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(strings.TrimPrefix(serial, "A-"), 64)
	require.NoError(t, err)
	return x
}

// decimalsOf is to how many decimals reports print a standard deviation: three figures.
func decimalsOf(x float64) int {
	n := 2
	for ; x < 1; x *= 10 {
		n++
	}
	return n
}

// Capability as people do it: asked with a slip, seen, issued, downloaded with the same figures, checked by upload, refused when it was
// changed; a schedule is made, and what it issues is listed.
func TestReportsInABrowser(t *testing.T) {
	dir := dataDir(t)
	p := serve(t, dir, "--demo")
	p.command("setup", "apply", plantFile(t))
	token := p.token()
	text, err := os.ReadFile("../../testdata/axe/axe.min.js")
	require.NoError(t, err)
	axe := string(text)
	const n = 480
	rng := rand.New(rand.NewPCG(4, 4))
	begin := time.Now().Add(-90*time.Minute - n*10*time.Second).Truncate(10 * time.Second)
	var history bytes.Buffer
	for i := range n {
		history.Write(panelJSON(i, 1107.6+0.25*rng.NormFloat64(), begin.Add(time.Duration(i)*10*time.Second)))
		history.WriteByte('\n')
	}
	require.Eventually(t, func() bool { return p.accepted(token, panelJSON(99990, 1107.6, begin.Add(-time.Hour))) }, 10*time.Second, 50*time.Millisecond)
	p.post(token, "application/x-ndjson", history.Bytes())

	b := open(t, p.url)
	b.signIn("okafor", "/reports")
	b.to("/capability?press=A&product=P25&from=yesterdy")
	require.Contains(t, b.text(), "to put right")
	b.accessible(axe)
	zone, err := time.LoadLocation("Europe/Tallinn")
	require.NoError(t, err)
	from, to := begin.Add(-time.Minute).Truncate(time.Minute), begin.Add((n+10)*10*time.Second).Truncate(time.Minute)
	b.to("/capability?press=A&product=P25&from=" + from.In(zone).Format("2006-01-02+15:04") + "&to=" + to.In(zone).Format("2006-01-02+15:04"))
	b.until("the capability", "document.querySelector('main').innerText.includes('Ppk')")
	b.accessible(axe)
	b.shot("capability")
	want := figureOf(t, p.get(token, "/api/v1/capability?press=A&product=P25&from="+from.UTC().Format(time.RFC3339)+"&to="+to.UTC().Format(time.RFC3339)), "ppk.radius_mm")
	require.Contains(t, b.text(), fixed(want, 2))
	b.click("main form button.first[type=submit]")
	require.Equal(t, "/reports/1", b.where(), b.text())
	b.accessible(axe)
	b.shot("report")
	pdf := b.download("a[href$='.pdf']")
	require.InEpsilon(t, want, figuresOf(t, b.download("a[href$='.xlsx']"))["ppk.radius_mm"], 1e-12)
	require.Contains(t, printed(t, pdf), fixed(want, 2))
	b.click("#files form button")
	require.Contains(t, b.text(), "the PDF is the same to the byte")

	// The file is known again by upload; one that was changed is not.
	check := func(name string, file []byte) string {
		path := filepath.Join(t.TempDir(), name)
		require.NoError(t, os.WriteFile(path, file, 0o600))
		b.to("/reports")
		b.do(chromedp.SetUploadFiles("#file", []string{path}))
		b.click("#check button[type=submit]")
		return b.text()
	}
	require.Contains(t, check("report.pdf", pdf), "This service issued it: report 1")
	b.accessible(axe)
	b.shot("report-checked")
	changed := bytes.Clone(pdf)
	changed[len(changed)/2] ^= 1
	require.NotContains(t, check("changed.pdf", changed), "This service issued it")
	b.shot("report-changed")
	b.to("/reports")
	b.click("#check button[type=submit]")
	require.Contains(t, b.text(), "choose a file or type a digest")
	b.accessible(axe)

	// A schedule; what it issues is listed.
	b.signIn("tamm", "/reports")
	b.set("kind", "capability")
	b.click("#schedules form[action='/reports/schedules'] button")
	require.Contains(t, b.text(), "No schedule was added")
	b.accessible(axe)
	b.shot("schedule-wrong")
	b.to("/reports")
	b.set("kind", "hand-over")
	b.click("#schedules form[action='/reports/schedules'] button")
	require.Contains(t, b.text(), "every shift")
	b.accessible(axe)
	b.shot("schedules")
	// Its first period ends hours from now; one that began with the shift before the last has a period that ended.
	c := &cli{DataDir: dir}
	d, err := c.open(context.Background(), false)
	require.NoError(t, err)
	_, err = d.AddReportSchedule(context.Background(), "north", store.ReportSchedule{Kind: store.HandOverReport, Every: report.EveryShift, Query: json.RawMessage(`{"press":"A"}`), Begins: time.Now().Add(-10 * time.Hour), By: "tamm"})
	require.NoError(t, err)
	d.Close()
	p.stop()
	p = serve(t, dir, "--demo")
	again := open(t, p.url)
	again.signIn("okafor", "/reports")
	again.until("the report of the schedule", "(() => { if (!document.querySelector('main').innerText.includes('Hand-over')) setTimeout(() => location.reload(), 200); return [...document.querySelectorAll('main a[href^=\"/reports/\"]')].some(a => a.innerText.includes('Hand-over')); })()")
	again.shot("reports")
	again.accessible(axe)
}
