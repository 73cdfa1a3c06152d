package server_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"sagwatch/server"
	"sagwatch/server/report"
	"sagwatch/store"
	"sagwatch/store/storetest"
)

const capabilityDay = "press=A&product=P25&from=2026-03-02T00:00:00Z&to=2026-03-03T00:00:00Z"

// capabilityFigure is a figure of that day, and how many panels it is of.
func (s *service) capabilityFigure(id string) (panels, value float64) {
	s.t.Helper()
	got := s.get("/api/v1/capability?" + capabilityDay)
	for _, f := range got["figures"].([]any) {
		if f := f.(map[string]any); f["id"] == id {
			return got["panels"].(float64), f["value"].(float64)
		}
	}
	require.Fail(s.t, "no figure "+id)
	return 0, 0
}

// A figure that is shown is of everything that was acknowledged before: new panels, late ones, corrections, voids and exclusions.
func TestCapabilityIsNeverStale(t *testing.T) {
	t.Parallel()
	s := start(t)
	ids := map[int]string{}
	store1 := func(n int, radius float64) {
		status, res := s.post(panel(n, radius))
		require.Equal(t, 200, status, res)
		ids[n] = fmt.Sprintf("%.0f", res["id"])
	}
	for n := range 60 {
		store1(n+10, 1107.5+0.1*float64(n%7-3))
	}
	panels, mean := s.capabilityFigure("mean.radius_mm")
	require.Equal(t, 60.0, panels)
	again, same := s.capabilityFigure("mean.radius_mm")
	require.Equal(t, []float64{panels, mean}, []float64{again, same})
	changed := func(what string, panels float64, change func()) {
		t.Helper()
		change()
		n, x := s.capabilityFigure("mean.radius_mm")
		require.Equal(t, panels, n, what)
		require.NotEqual(t, mean, x, what)
		mean = x
	}
	for i := range 10 {
		changed("a new panel", 61+float64(i), func() { store1(100+i, 1108.5) })
	}
	changed("a late panel", 71, func() { store1(1, 1105) })
	changed("a void", 70, func() {
		status, _, body := s.send("POST", "/api/v1/measurements/"+ids[20]+"/void", "application/json", `{"reason": "glass fell off the pads"}`)
		require.Equal(t, 200, status, body)
	})
	changed("a correction", 70, func() {
		status, _, body := s.send("POST", "/api/v1/measurements/"+ids[21]+"/corrections", "application/json",
			measurement{"fields": map[string]any{"readings": panel(21, 1112)["readings"]}, "reason": "wrong panel on the pads"}.json())
		require.Equal(t, 200, status, body)
	})
	_, cpk := s.capabilityFigure("cpk.radius_mm")
	status, _, body := s.send("POST", "/api/v1/exclusions", "application/json", `{"measurement": `+ids[1]+`, "reason": "fed by hand"}`)
	require.Contains(t, []int{200, 201}, status, body)
	_, without := s.capabilityFigure("cpk.radius_mm")
	require.NotEqual(t, cpk, without, "an exclusion")
}

// As above, with many who look and a line that runs; and with the service started anew.
func TestCapabilityIsNeverStaleWhileTheLineRuns(t *testing.T) {
	t.Parallel()
	s := start(t)
	var lines []string
	for n := range 30 {
		lines = append(lines, panel(n, 1107.5+0.1*float64(n%7-3)).json())
	}
	s.stream(lines...)
	var acknowledged atomic.Int64
	acknowledged.Store(30)
	var wg sync.WaitGroup
	wg.Go(func() {
		for n := 30; n < 70; n++ {
			if status, res := s.post(panel(n, 1107.5+0.1*float64(n%7-3))); status != 200 {
				t.Errorf("%d %v", status, res)
				return
			}
			acknowledged.Add(1)
		}
	})
	for range 3 {
		wg.Go(func() {
			for acknowledged.Load() < 70 && !t.Failed() {
				least := acknowledged.Load()
				if n := s.get("/api/v1/capability?" + capabilityDay)["panels"].(float64); n < float64(least) {
					t.Errorf("%v panels after %d were acknowledged", n, least)
				}
			}
		})
	}
	wg.Wait()
	panels, _ := s.capabilityFigure("mean.radius_mm")
	require.Equal(t, 70.0, panels)
}

// What has not changed is not read again; several who ask at once share one reading; what cannot be known to be unchanged is read.
func TestCapabilityIsReadOnce(t *testing.T) {
	t.Parallel()
	s := start(t)
	var lines []string
	for n := range 60 {
		lines = append(lines, panel(n, 1107.5+0.1*float64(n%7-3)).json())
	}
	s.stream(lines...)
	stands := ""
	s.eventually("the charts at rest", func() bool {
		before := stands
		stands = s.standing()
		return before == stands && strings.Contains(stands, "provisional")
	})
	catalogue, err := server.ReadCatalogue(t.Context(), s.store, "north")
	require.NoError(t, err)
	src := &report.Source{Store: s.store, Site: "north", Catalogue: catalogue, Version: "test"}
	// A reading asks for the moment once more than a look does.
	var asked atomic.Int64
	known, touched := true, false
	cache := report.NewCapabilityCache(report.Changes{
		Now:   func(context.Context) (uint64, bool) { return uint64(asked.Add(1)), known },
		Since: func(uint64, string, time.Time) bool { return touched }})
	from := time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC)
	work := func(q report.CapabilityQuery, by string) *report.Capability {
		q.Press, q.Product = "A", "P25"
		c, err := cache.Work(t.Context(), src, q, from, from.AddDate(0, 0, 1), by, from)
		require.NoError(t, err)
		return c
	}
	looks := func(f func()) int64 {
		before := asked.Load()
		f()
		return asked.Load() - before
	}
	var first, second *report.Capability
	require.EqualValues(t, 2, looks(func() { first = work(report.CapabilityQuery{}, "anna") }))
	require.EqualValues(t, 1, looks(func() { second = work(report.CapabilityQuery{}, "bert") }))
	require.Same(t, first.Worked[0], second.Worked[0], "worked out once")
	require.Equal(t, []string{"anna", "bert"}, []string{first.IssuedBy, second.IssuedBy}, "what is kept is nobody's")
	require.Contains(t, fmt.Sprint(second.Document().Origin), "bert")
	plain, err := report.GatherCapability(t.Context(), src, report.CapabilityQuery{Press: "A", Product: "P25"}, from, from.AddDate(0, 0, 1), "bert", from)
	require.NoError(t, err)
	want, err := json.Marshal(plain)
	require.NoError(t, err)
	got, err := json.Marshal(second.CapabilityInputs)
	require.NoError(t, err)
	require.True(t, bytes.Equal(want, got), "the same as without keeping")

	require.EqualValues(t, 2, looks(func() { work(report.CapabilityQuery{Wanted: 1.5}, "anna") }), "another question")
	require.EqualValues(t, 1, looks(func() { work(report.CapabilityQuery{}, "anna") }))
	touched = true
	require.EqualValues(t, 2, looks(func() { work(report.CapabilityQuery{}, "anna") }))
	touched, known = false, false
	require.EqualValues(t, 1, looks(func() {
		s.post(panel(200, 1107))
		require.Equal(t, 61, work(report.CapabilityQuery{}, "anna").Panels, "unknown: read, and not kept")
	}))
	known = true
	for i := range 10 { // more questions than are kept
		work(report.CapabilityQuery{Wanted: 1 + float64(i)/10}, "anna")
	}
	require.EqualValues(t, 2, looks(func() { work(report.CapabilityQuery{}, "anna") }), "the oldest gave way")
	catalogue.Revisions[0].Number++
	require.EqualValues(t, 2, looks(func() { work(report.CapabilityQuery{}, "anna") }), "other definitions")

	var wg sync.WaitGroup
	q := report.CapabilityQuery{Press: "A", Product: "P25", Wanted: 1.99}
	n := looks(func() {
		for range 20 {
			wg.Go(func() {
				c, err := cache.Work(context.Background(), src, q, from, from.AddDate(0, 0, 1), "anna", from)
				if err != nil || c.Panels != 61 {
					t.Errorf("%v %v", c, err)
				}
			})
		}
		wg.Wait()
	})
	require.Less(t, n, int64(40), "20 looks and fewer readings")
	gone, cancel := context.WithCancel(t.Context())
	cancel()
	_, err = cache.Work(gone, src, report.CapabilityQuery{Press: "A", Product: "P25", Wanted: 1.98}, from, from.AddDate(0, 0, 1), "anna", from)
	require.ErrorIs(t, err, context.Canceled)
}

// capabilityIssued stores panels and issues a capability report; it gives the report's path.
func (s *service) capabilityIssued(engineer *http.Client) (store.Report, string) {
	s.t.Helper()
	var lines []string
	for n := range 60 {
		lines = append(lines, panel(n, 1107.5+0.1*float64(n%7-3)).json())
	}
	s.stream(lines...)
	res, err := engineer.PostForm(s.URL+"/capability", url.Values{"press": {"A"}, "product": {"P25"}, "from": {"2026-03-02 00:00"}, "to": {"2026-03-03 00:00"}})
	require.NoError(s.t, err)
	res.Body.Close()
	require.Equal(s.t, 200, res.StatusCode)
	list, err := s.store.Reports(s.t.Context(), "north", 0, 10)
	require.NoError(s.t, err)
	require.Len(s.t, list, 1)
	return list[0], "/reports/" + strconv.FormatInt(list[0].ID, 10)
}

// The page and the files of an issued report come from one document; a check makes it anew from what is stored.
func TestIssuedDocumentIsKept(t *testing.T) {
	t.Parallel()
	dsn := storetest.DSN(t)
	st, err := store.Open(t.Context(), dsn, store.Options{MaxConns: 16})
	require.NoError(t, err)
	t.Cleanup(st.Close)
	s := startOn(t, st, plantYAML())
	engineer := s.browser("okafor")
	issued, path := s.capabilityIssued(engineer)
	status, body := s.page(engineer, path)
	require.Equal(t, 200, status)
	require.True(t, strings.Contains(body, "Ppk"))
	files := map[string]string{}
	for _, f := range []string{"report.zip", "report.json", "report.xml"} {
		status, files[f] = s.page(engineer, path+"/"+f)
		require.Equal(t, 200, status, f)
	}
	var wg sync.WaitGroup
	for range 4 { // written side by side from the one document
		for f, want := range files {
			wg.Go(func() {
				if _, again := s.page(engineer, path+"/"+f); again != want {
					t.Errorf("%s differs", f)
				}
			})
		}
		wg.Go(func() {
			if status, _ := s.page(engineer, path+"/report.xlsx"); status != 200 {
				t.Errorf("workbook: %d", status)
			}
		})
	}
	wg.Wait()
	again := func() (int, string) {
		res, err := engineer.PostForm(s.URL+path+"/again", nil)
		require.NoError(t, err)
		defer res.Body.Close()
		b, err := io.ReadAll(res.Body)
		require.NoError(t, err)
		return res.StatusCode, string(b)
	}
	status, body = again()
	require.Equal(t, 200, status)
	require.True(t, strings.Contains(body, "the same to the byte"), body)

	// Somebody changes what is stored behind the service's back. The kept document is still the issued one; whatever reads what is stored
	// says so, the check above all.
	conn, err := pgx.Connect(t.Context(), dsn)
	require.NoError(t, err)
	defer conn.Close(context.Background())
	_, err = conn.Exec(t.Context(), `UPDATE report SET pdf = pdf || '\x20'::bytea WHERE id = $1`, issued.ID)
	require.NoError(t, err)
	status, _ = s.page(engineer, path)
	require.Equal(t, 200, status)
	status, _ = again()
	require.Equal(t, 500, status)
	status, _ = s.page(engineer, path+"/report.pdf")
	require.Equal(t, 500, status)
	same, err := report.Check(t.Context(), st, "north", issued.ID)
	require.NoError(t, err)
	require.False(t, same)
}
