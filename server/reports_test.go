package server_test

import (
	"archive/zip"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"io"
	"log/slog"
	"mime/multipart"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/server"
	"sagwatch/server/plant"
	"sagwatch/server/report"
	"sagwatch/server/watch"
	"sagwatch/spc"
	"sagwatch/store"
	"sagwatch/store/storetest"
)

// check uploads a file, or types a digest.
func (s *service) check(c *http.Client, file []byte, digest string) (int, string) {
	s.t.Helper()
	var b bytes.Buffer
	m := multipart.NewWriter(&b)
	if file != nil {
		f, err := m.CreateFormFile("file", "report.pdf")
		require.NoError(s.t, err)
		_, err = f.Write(file)
		require.NoError(s.t, err)
	}
	require.NoError(s.t, m.WriteField("digest", digest))
	require.NoError(s.t, m.Close())
	res, err := c.Post(s.URL+"/reports/check", m.FormDataContentType(), &b)
	require.NoError(s.t, err)
	defer res.Body.Close()
	body, err := io.ReadAll(res.Body)
	require.NoError(s.t, err)
	return res.StatusCode, string(body)
}

func (s *service) file(c *http.Client, path string) (int, http.Header, []byte) {
	s.t.Helper()
	res, err := c.Get(s.URL + path)
	require.NoError(s.t, err)
	defer res.Body.Close()
	body, err := io.ReadAll(res.Body)
	require.NoError(s.t, err)
	return res.StatusCode, res.Header, body
}

// A hand-over is looked at, issued, downloaded in each form, known again by its file and its digests, and made again to the byte.
func TestHandOverFromPageToFileAndBack(t *testing.T) {
	t.Parallel()
	s := start(t)
	const n = 300
	for _, r := range s.stream(lines(history(n))...) {
		require.Equal(t, "stored", r["status"])
	}
	ctx := context.Background()
	_, err := s.store.AddEvent(ctx, "north", spc.Event{Press: "A", Kind: "stop", At: origin.Add(20 * time.Minute), Text: "plunger <b>", By: "tamm"})
	require.NoError(t, err)
	shift := url.QueryEscape("2026-03-02T06:00:00Z") // any moment of the early shift, which began at 06:00 plant time
	tamm, viewer := s.browser("tamm"), s.browser("sorby")
	// The counts by verdict, from the machine interface.
	bad, all := 0, 0
	for _, m := range s.get("/api/v1/measurements?press=A&limit=10000")["measurements"].([]any) {
		all++
		if m.(map[string]any)["verdict"] == "does-not-conform" {
			bad++
		}
	}
	var live string
	s.eventually("the hand-over knows the panels and the charts are up to date", func() bool {
		status, body := s.page(tamm, "/hand-over?press=A&shift="+shift)
		live = body
		return status == 200 && !strings.Contains(body, "had not taken in every panel")
	})
	require.Contains(t, live, "panels gauged")
	require.Contains(t, live, "What the next shift must know")
	require.Contains(t, live, "plunger &lt;b&gt;")
	require.Contains(t, live, "<svg", "the cycles are drawn")

	status, _, _ := s.form(viewer, "/hand-over", url.Values{"press": {"A"}, "shift": {"2026-03-02T06:00:00Z"}})
	require.Equal(t, 403, status, "a technician does not issue")
	status, _, body := s.form(tamm, "/hand-over", url.Values{"press": {"A"}, "shift": {"2026-03-02T06:00:00Z"}})
	require.Equal(t, 200, status, body)
	list := s.get("/api/v1/reports")["reports"].([]any)
	require.Len(t, list, 1)
	one := list[0].(map[string]any)
	id := int64(one["id"].(float64))
	require.Equal(t, "hand-over", one["kind"])
	require.Equal(t, "2026-03-02T04:00:00Z", one["from"], "by plant time")

	base := "/reports/" + json.Number(strings.TrimSpace(strings.TrimSuffix(jsonText(t, id), "\n"))).String()
	code, head, pdf := s.file(viewer, base+"/report.pdf")
	require.Equal(t, 200, code)
	require.Equal(t, "application/pdf", head.Get("Content-Type"))
	require.Contains(t, head.Get("Content-Disposition"), "attachment")
	digest := sha256.Sum256(pdf)
	require.Equal(t, hex.EncodeToString(digest[:]), one["pdf_digest"])

	// JSON and CSV hold the same numbers.
	_, _, j := s.file(viewer, base+"/report.json")
	var doc struct {
		InputsDigest string `json:"-"`
		Figures      []struct {
			ID    string   `json:"id"`
			Value *float64 `json:"value"`
		} `json:"figures"`
		Origin struct {
			InputsDigest string `json:"inputs_digest"`
		} `json:"origin"`
	}
	require.NoError(t, json.Unmarshal(j, &doc))
	require.Equal(t, one["inputs_digest"], doc.Origin.InputsDigest)
	values := map[string]float64{}
	for _, f := range doc.Figures {
		if f.Value != nil {
			values[f.ID] = *f.Value
		}
	}
	require.EqualValues(t, all, values["gauged.press:A"])
	require.InDelta(t, 100*float64(bad)/float64(all), values["does-not-conform.press:A"], 1e-12)
	_, _, z := s.file(viewer, base+"/report.zip")
	files, err := zip.NewReader(bytes.NewReader(z), int64(len(z)))
	require.NoError(t, err)
	require.GreaterOrEqual(t, len(files.File), 9)
	code, _, _ = s.file(viewer, base+"/report.xlsx")
	require.Equal(t, 200, code)
	code, _, _ = s.file(viewer, base+"/report.xml")
	require.Equal(t, 404, code, "a hand-over has no judged characteristics to exchange")
	for _, hostile := range []string{base + "/..%2f..%2fetc", base + "/report.exe", "/reports/0", "/reports/-1", "/reports/99999", "/reports/1%27--", "/reports/9999999999999999999999"} {
		code, _, page := s.file(viewer, hostile)
		require.Equal(t, 404, code, hostile)
		require.NotContains(t, string(page), "went wrong")
	}
	code, _, _ = s.file(&http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}, base+"/report.pdf")
	require.Equal(t, 303, code, "nobody downloads without signing in")

	// Known again.
	status, body = s.check(viewer, pdf, "")
	require.Equal(t, 200, status)
	require.Contains(t, body, "This service issued it")
	changed := bytes.Clone(pdf)
	changed[len(changed)/2] ^= 1
	_, body = s.check(viewer, changed, "")
	require.Contains(t, body, "it was changed")
	_, body = s.check(viewer, []byte("%PDF-1.7 something else"), "")
	require.Contains(t, body, "did not issue this file")
	_, body = s.check(viewer, nil, strings.ToUpper(doc.Origin.InputsDigest[:32])+" "+doc.Origin.InputsDigest[32:])
	require.Contains(t, body, "the digest of the data of")
	_, body = s.check(viewer, nil, hex.EncodeToString(digest[:]))
	require.Contains(t, body, "the digest of the PDF of")
	_, body = s.check(viewer, nil, strings.Repeat("0", 64))
	require.Contains(t, body, "issued no report with this digest")
	for _, wrong := range []string{"", "zz", "' OR 1=1 --", strings.Repeat("é", 64)} {
		status, body = s.check(viewer, nil, wrong)
		require.Equal(t, 422, status, wrong)
		require.Contains(t, body, "Nothing was checked")
	}
	status, body = s.check(viewer, make([]byte, 33<<20), "")
	require.Equal(t, 413, status)
	require.Contains(t, body, "larger than 32 MiB")
	status, _, _ = s.form(viewer, "/reports/check", url.Values{"digest": {"x"}})
	require.Equal(t, 400, status, "no upload")

	// Made again, and after more data came: the same.
	for _, r := range s.stream(panel(n+1, 1107.9).json(), panel(n+2, 1107.9).json()) {
		require.Equal(t, "stored", r["status"])
	}
	status, _, body = s.form(viewer, base+"/again", nil)
	require.Equal(t, 200, status)
	require.Contains(t, body, "the same to the byte")
	same, err := report.Check(ctx, s.store, "north", id)
	require.NoError(t, err)
	require.True(t, same)

	if tool, err := exec.LookPath("pdftotext"); err == nil {
		name := filepath.Join(t.TempDir(), "r.pdf")
		require.NoError(t, os.WriteFile(name, pdf, 0o600))
		out, err := exec.Command(tool, "-layout", name, "-").Output()
		require.NoError(t, err)
		require.Contains(t, string(out), doc.Origin.InputsDigest)
		require.Contains(t, string(out), "plunger <b>")
	}
	_, page := s.page(viewer, "/reports")
	require.Contains(t, page, "Hand-over of the early shift")
	status, _, body = s.send("GET", "/api/v1/reports?digest="+hex.EncodeToString(digest[:]), "", "")
	require.Equal(t, 200, status)
	require.Contains(t, body, `"id":`+jsonText(t, id))
}

func jsonText(t *testing.T, v any) string {
	t.Helper()
	b, err := json.Marshal(v)
	require.NoError(t, err)
	return string(b)
}

// Schedules are added and ended by supervisors, and refused with words.
func TestSchedulesOnThePage(t *testing.T) {
	t.Parallel()
	s := start(t)
	tamm, viewer := s.browser("tamm"), s.browser("sorby")
	status, _, _ := s.form(viewer, "/reports/schedules", url.Values{"kind": {"hand-over"}})
	require.Equal(t, 403, status)
	for _, wrong := range []url.Values{{"kind": {"gauge-study"}}, {"kind": {"<script>"}}, {"kind": {"hand-over"}, "press": {"Z"}}, {"kind": {"capability"}}} {
		status, _, body := s.form(tamm, "/reports/schedules", wrong)
		require.Equal(t, 422, status, wrong)
		require.Contains(t, body, "No schedule was added")
		require.NotContains(t, body, "<script>")
	}
	status, _, body := s.form(tamm, "/reports/schedules", url.Values{"kind": {"hand-over"}, "press": {"A"}})
	require.Equal(t, 200, status)
	require.Contains(t, body, "hand-over of press A, every shift")
	status, _, body = s.form(tamm, "/reports/schedules", url.Values{"kind": {"hand-over"}, "press": {"A"}})
	require.Equal(t, 422, status)
	require.Contains(t, body, "issues the same already")
	list, err := s.store.ReportSchedules(context.Background(), "north")
	require.NoError(t, err)
	require.Len(t, list, 1)
	require.Equal(t, "tamm", list[0].By)
	end := "/reports/schedules/" + jsonText(t, list[0].ID) + "/end"
	status, _, _ = s.form(viewer, end, nil)
	require.Equal(t, 403, status)
	status, _, body = s.form(tamm, end, nil)
	require.Equal(t, 200, status)
	require.Contains(t, body, "ended")
	status, _, _ = s.form(tamm, end, nil)
	require.Equal(t, 404, status, "once")
}

// runner is one of the servers on a database, with a clock of its own.
func runner(t *testing.T, st *store.Store, now *time.Time, behind *bool) *report.Runner {
	t.Helper()
	catalogue, err := server.ReadCatalogue(t.Context(), st, "north")
	require.NoError(t, err)
	src := &report.Source{Store: st, Site: "north", Catalogue: catalogue, Version: "test",
		Series: func(context.Context, string, string, string, string, time.Time, time.Time) (watch.Series, error) {
			return watch.Series{}, nil
		},
		Lags: func() []watch.Lag {
			return []watch.Lag{{Fold: "press/A", LastAt: *now, Behind: *behind}} // told of a late panel, say
		}}
	return &report.Runner{Source: func() *report.Source { return src }, Now: func() time.Time { return *now }, Log: slog.New(slog.DiscardHandler)}
}

// worked is a database with a plant of three shifts and a schedule.
func worked(t *testing.T, begins time.Time) (*store.Store, store.ReportSchedule) {
	t.Helper()
	st := storetest.New(t)
	add := func(kind, id string, body any) store.Definition {
		b, err := json.Marshal(body)
		require.NoError(t, err)
		return store.Definition{Kind: kind, ID: id, Body: b, EffectiveFrom: time.Unix(0, 0).UTC(), Reason: "test", By: "test"}
	}
	require.NoError(t, st.AddDefinitions(t.Context(), "north", []store.Definition{
		add(plant.KindSite, "north", spc.Site{ID: "north", TimeZone: "Europe/Tallinn", Shifts: []string{"06:00", "14:00", "22:00"}}),
		add(plant.KindPress, "A", spc.Press{ID: "A", TaktS: 10, Moulds: []string{"1"}, LehrMinutes: 90}),
	}))
	s, err := st.AddReportSchedule(t.Context(), "north", store.ReportSchedule{Kind: store.HandOverReport, Every: report.EveryShift, Query: json.RawMessage(`{"press":"A"}`), Begins: begins, By: "tamm"})
	require.NoError(t, err)
	return st, s
}

// Two servers at once issue each shift once, also those that ended while both were down; the night of the change to summer time has its
// seven hours; and what is not to be made up for is not.
func TestScheduledReportsAreIssuedOnce(t *testing.T) {
	t.Parallel()
	begins := time.Date(2026, 3, 28, 10, 0, 0, 0, time.UTC) // Saturday 12:00 at the plant
	st, sched := worked(t, begins)
	now, behind := time.Date(2026, 3, 28, 12, 4, 0, 0, time.UTC), false
	one, two := runner(t, st, &now, &behind), runner(t, st, &now, &behind)
	both := func() {
		var wg sync.WaitGroup
		for _, r := range []*report.Runner{one, two} {
			wg.Go(func() { require.NoError(t, r.Once(context.Background())) })
		}
		wg.Wait()
		require.Empty(t, one.Failed(sched.ID)+two.Failed(sched.ID))
	}
	periods := func() (out []string) {
		list, err := st.Reports(t.Context(), "north", 0, 100)
		require.NoError(t, err)
		for i := len(list) - 1; i >= 0; i-- {
			require.Equal(t, sched.ID, list[i].Schedule)
			require.Equal(t, "schedule 1 of tamm", list[i].IssuedBy)
			out = append(out, list[i].From.Format("02 15:04")+" "+list[i].To.Sub(list[i].From).String())
		}
		return out
	}
	both()
	require.Empty(t, periods(), "14:04 at the plant: not yet")
	now = now.Add(time.Minute)
	both()
	require.Equal(t, []string{"28 04:00 8h0m0s"}, periods())
	both()
	require.Len(t, periods(), 1, "once")
	now = time.Date(2026, 3, 29, 3, 5, 0, 0, time.UTC) // 06:05 in summer time; two shifts have ended
	both()
	require.Equal(t, []string{"28 04:00 8h0m0s", "28 12:00 8h0m0s", "28 20:00 7h0m0s"}, periods())
	now = now.AddDate(0, 0, 30)
	both()
	require.Len(t, periods(), 3+8, "eight are made up for")
	for _, r := range mustReports(t, st) {
		same, err := report.Check(t.Context(), st, "north", r.ID)
		require.NoError(t, err)
		require.True(t, same)
	}
	require.NoError(t, st.RetireReportSchedule(t.Context(), "north", sched.ID))
	now = now.AddDate(0, 0, 1)
	both()
	require.Len(t, periods(), 11, "an ended schedule issues nothing")
}

func mustReports(t *testing.T, st *store.Store) []store.Report {
	t.Helper()
	list, err := st.Reports(t.Context(), "north", 0, 100)
	require.NoError(t, err)
	return list
}

// A report waits a while for charts that are not up to date, then it is issued with that doubt; what fails is tried again and shown.
func TestScheduledReportsWaitAndTryAgain(t *testing.T) {
	t.Parallel()
	st, sched := worked(t, origin)
	row := storetest.Row(1, func(r *store.Row) {
		r.Press, r.Mould, r.LineAt = "A", "1", time.Date(2026, 3, 2, 5, 0, 0, 0, time.UTC)
	})
	_, err := st.Insert(t.Context(), "north", []*store.Row{row})
	require.NoError(t, err)
	now, behind := time.Date(2026, 3, 2, 12, 5, 0, 0, time.UTC), true
	r := runner(t, st, &now, &behind)
	require.NoError(t, r.Once(t.Context()))
	require.Empty(t, mustReports(t, st), "the charts are behind")
	now = now.Add(16 * time.Minute)
	require.NoError(t, r.Once(t.Context()))
	list := mustReports(t, st)
	require.Len(t, list, 1)
	inputs, _, err := st.ReportFiles(t.Context(), "north", list[0].ID)
	require.NoError(t, err)
	d, err := report.Make(list[0].Kind, inputs)
	require.NoError(t, err)
	require.Contains(t, strings.Join(d.Doubts, " "), "had not taken in every panel")

	bad, err := st.AddReportSchedule(t.Context(), "north", store.ReportSchedule{Kind: store.HandOverReport, Every: report.EveryShift, Query: json.RawMessage(`{"press":"Z"}`), Begins: origin, By: "tamm"})
	require.NoError(t, err)
	require.NoError(t, r.Once(t.Context()), "one that fails does not hold up the others")
	require.Contains(t, r.Failed(bad.ID), `press "Z"`)
	require.Empty(t, r.Failed(sched.ID))
	require.Len(t, mustReports(t, st), 1)
}

// A capability report of a week waits for the charts as a hand-over does, goes out at once when they are there, and never claims a stable
// process over charts that had not seen every panel.
func TestScheduledCapabilityWaitsForTheCharts(t *testing.T) {
	t.Parallel()
	s := start(t)
	var lines []string
	for i := range 240 {
		lines = append(lines, panel(i, 1107.5+0.3*float64(i*7%13-6)/6).json())
	}
	s.stream(lines...)
	query := json.RawMessage(`{"press":"A","product":"P25"}`)
	add := func() store.ReportSchedule {
		x, err := s.store.AddReportSchedule(t.Context(), "north", store.ReportSchedule{Kind: store.CapabilityReport, Every: report.EveryWeek, Query: query, Begins: origin, By: "tamm"})
		require.NoError(t, err)
		return x
	}
	issued := func(x store.ReportSchedule) (out []*report.Document) {
		list, err := s.store.Reports(t.Context(), "north", 0, 10)
		require.NoError(t, err)
		for _, v := range list {
			if v.Schedule == x.ID {
				inputs, _, err := s.store.ReportFiles(t.Context(), "north", v.ID)
				require.NoError(t, err)
				d, err := report.Make(v.Kind, inputs)
				require.NoError(t, err)
				out = append(out, d)
			}
		}
		return out
	}
	const doubt = "The charts had not taken in all panels of the period"
	now, behind := time.Date(2026, 3, 9, 6, 0, 0, 0, time.UTC), true
	r := runner(t, s.store, &now, &behind)
	first := add()
	for range 15 {
		require.NoError(t, r.Once(t.Context()))
		require.Empty(t, issued(first), "the charts are behind")
		now = now.Add(time.Minute)
	}
	require.NoError(t, r.Once(t.Context()))
	require.Len(t, issued(first), 1, "after a quarter of an hour it goes out with its doubt")
	d := issued(first)[0]
	require.Contains(t, strings.Join(d.Doubts, " "), doubt)
	require.NotContains(t, d.Statement, "meets the wanted")
	require.NoError(t, s.store.RetireReportSchedule(t.Context(), "north", first.ID))
	second := add()
	require.NoError(t, r.Once(t.Context()))
	require.Empty(t, issued(second))
	behind = false
	now = now.Add(time.Minute)
	require.NoError(t, r.Once(t.Context()))
	require.Len(t, issued(second), 1, "as soon as they are there")
	require.NotContains(t, strings.Join(issued(second)[0].Doubts, " "), doubt)
}
