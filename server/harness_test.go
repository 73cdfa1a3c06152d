package server_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"math"
	"math/rand/v2"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/server"
	"sagwatch/server/plant"
	"sagwatch/server/setup"
	"sagwatch/store"
	"sagwatch/store/storetest"
)

func TestMain(m *testing.M) { storetest.Main(m) }

// The plant of these tests is invented: a press of three moulds and one of eleven, gauges with places on an 8 x 6 grid.
const plantFile = `
site: north
time_zone: Europe/Tallinn
products:
  - id: P25
    contour: {sphere: 1107.5}
    outline_mm: {width: 540, height: 420, corner: 70}
    corner_mm: [255, 190]
    limits: {radius_mm: [1101.5, 1113.5], max_deviation_um: 381}
    characteristics: [{name: width, unit: mm, nominal: 512.0, lower: 510.984, upper: 513.016, u: 0.02}]
presses:
  - {id: A, takt_s: 10, moulds: ["1", "2", "3"], lehr_minutes: 90, lanes: ["1", "2"], fitted: {"2": M-2231}}
gauges:
  - id: CG-1
    kind: radial
    places: PLACES
    probe_u_um: 3
    range: [1090, 1125]
    masters: [{panel: M-2, product: P25, radius_mm: 1107.5, allowed_um: 15}]
    master_every_h: 4
  - {id: CG-2, kind: radial, places: PLACES, probe_u_um: 3}
  - {id: PG-1, kind: dimensions}
charts:
  - {id: A-radius, press: A, product: P25, characteristic: radius_mm, kind: individuals, by: mould, baseline: 20, limits: {k: 3}, rules: [beyond-limits, {run-one-side: 9}]}
`

// places is the grid on which the gauges read, mm.
var places = func() [][2]float64 {
	var out [][2]float64
	for j := range 6 {
		for i := range 8 {
			out = append(out, [2]float64{-245 + 70*float64(i), 180 - 72*float64(j)})
		}
	}
	return out
}()

func plantYAML() []byte {
	list, _ := json.Marshal(places)
	return []byte(strings.ReplaceAll(plantFile, "PLACES", string(list)))
}

// radial gives the distances from the reference centre of a panel that is a sphere of radius r with its apex in place,
// rounded as a gauge does. The gauge's own centre is that of the nominal sphere of 1107.5 mm.
func radial(r, noise float64, rng *rand.Rand) []any {
	const r0 = 1107.5
	out := make([]any, len(places))
	for i, p := range places {
		uz := -math.Sqrt(r0*r0-p[0]*p[0]-p[1]*p[1]) / r0
		b := uz * (r - r0)
		t := b + math.Sqrt(b*b-(r-r0)*(r-r0)+r*r)
		out[i] = math.Round((t+noise*rng.NormFloat64())*1000) / 1000
	}
	return out
}

// service is a running server over a database of its own.
type service struct {
	*httptest.Server
	t      testing.TB
	store  *store.Store
	server *server.Server
	token  string
}

// start defines the plant and runs the service.
func start(t testing.TB) *service {
	t.Helper()
	return startWith(t, plantYAML())
}

func startWith(t testing.TB, file []byte) *service {
	t.Helper()
	return startOn(t, storetest.New(t), file)
}

// startOn does so over a database that is empty yet.
func startOn(t testing.TB, st *store.Store, file []byte) *service {
	t.Helper()
	ctx := context.Background()
	none, err := plant.New(nil)
	require.NoError(t, err)
	p, err := setup.Read(file)
	require.NoError(t, err)
	require.NoError(t, p.Check(none))
	changes, err := p.Changes("north", none)
	require.NoError(t, err)
	var defs []store.Definition
	for _, c := range changes {
		defs = append(defs, store.Definition{Kind: c.Kind, ID: c.ID, Body: c.Body, EffectiveFrom: time.Unix(0, 0).UTC(), Reason: "test", By: "test"})
	}
	require.NoError(t, st.AddDefinitions(ctx, "north", defs))
	token := server.NewToken()
	hash := server.HashToken(token)
	require.NoError(t, st.AddToken(ctx, server.EverySite, store.Token{Name: "gauge computer", Hash: hash[:], Scopes: server.Scopes, By: "test"}))
	return run(t, st, token)
}

// run serves a database, as after a restart.
func run(t testing.TB, st *store.Store, token string) *service {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	srv, err := server.New(ctx, server.Config{Store: st, Demo: true, Log: slog.New(slog.NewTextHandler(testWriter{t}, &slog.HandlerOptions{Level: slog.LevelWarn}))})
	require.NoError(t, err)
	var wg sync.WaitGroup
	wg.Go(func() { _ = srv.Run(ctx) })
	web := httptest.NewServer(srv.Handler())
	t.Cleanup(func() {
		cancel()
		web.CloseClientConnections()
		web.Close()
		wg.Wait()
		srv.Stop()
	})
	return &service{Server: web, t: t, store: st, server: srv, token: token}
}

// testWriter shows the log of a test that fails.
type testWriter struct{ t testing.TB }

func (w testWriter) Write(p []byte) (int, error) {
	w.t.Log(strings.TrimSpace(string(p)))
	return len(p), nil
}

// measurement is what a gauge sends, to be changed by tests.
type measurement map[string]any

var origin = time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)

// panel n of press A, pressed n times the takt after the origin.
func panel(n int, radius float64) measurement {
	rng := rand.New(rand.NewPCG(7, uint64(n)))
	at := origin.Add(time.Duration(n) * 10 * time.Second)
	return measurement{"gauge": "CG-1", "panel": fmt.Sprintf("A-%07d", n), "measured_at": at.Add(90 * time.Minute).Format(time.RFC3339Nano),
		"pressed_at": at.Format(time.RFC3339Nano), "press": "A", "product": "P25", "mould": fmt.Sprint(n%3 + 1), "sequence": n,
		"readings": radial(radius, 0.003, rng)}
}

func (m measurement) with(key string, value any) measurement {
	out := measurement{}
	for k, v := range m {
		out[k] = v
	}
	if value == nil {
		delete(out, key)
	} else {
		out[key] = value
	}
	return out
}

func (m measurement) json() string {
	b, err := json.Marshal(m)
	if err != nil {
		panic(err)
	}
	return string(b)
}

// send makes a request of the machine interface.
func (s *service) send(method, path, media, body string) (int, http.Header, string) {
	s.t.Helper()
	req, err := http.NewRequest(method, s.URL+path, strings.NewReader(body))
	require.NoError(s.t, err)
	if media != "" {
		req.Header.Set("Content-Type", media)
	}
	req.Header.Set("Authorization", "Bearer "+s.token)
	res, err := http.DefaultClient.Do(req)
	require.NoError(s.t, err)
	defer res.Body.Close()
	out, err := io.ReadAll(res.Body)
	require.NoError(s.t, err)
	return res.StatusCode, res.Header, string(out)
}

// post sends one measurement and decodes the answer.
func (s *service) post(m measurement) (int, map[string]any) {
	s.t.Helper()
	status, _, body := s.send("POST", "/api/v1/measurements", "application/json", m.json())
	return status, object(s.t, body)
}

// get reads an answer of the machine interface.
func (s *service) get(path string) map[string]any {
	s.t.Helper()
	status, _, body := s.send("GET", path, "", "")
	require.Equal(s.t, 200, status, body)
	return object(s.t, body)
}

func object(t testing.TB, body string) map[string]any {
	t.Helper()
	var out map[string]any
	d := json.NewDecoder(bytes.NewReader([]byte(body)))
	require.NoError(t, d.Decode(&out), body)
	return out
}

// stream sends measurements as NDJSON and returns the result lines.
func (s *service) stream(lines ...string) []map[string]any {
	s.t.Helper()
	status, _, body := s.send("POST", "/api/v1/measurements", "application/x-ndjson", strings.Join(lines, "\n")+"\n")
	require.Equal(s.t, 200, status, body)
	var out []map[string]any
	for line := range strings.SplitSeq(strings.TrimSpace(body), "\n") {
		out = append(out, object(s.t, line))
	}
	return out
}

// stored counts the measurements that are there.
func (s *service) stored() int {
	s.t.Helper()
	rows, _, err := s.store.Measurements(context.Background(), "north", store.MeasurementFilter{EveryState: true, Limit: 10_000})
	require.NoError(s.t, err)
	return len(rows)
}

// browser is an HTTP client that is signed in as one of the demonstration's people.
func (s *service) browser(person string) *http.Client {
	s.t.Helper()
	jar, err := cookiejar.New(nil)
	require.NoError(s.t, err)
	c := &http.Client{Jar: jar}
	res, err := c.PostForm(s.URL+"/sign-in", url.Values{"person": {person}, "back": {"/setup"}})
	require.NoError(s.t, err)
	res.Body.Close()
	require.Equal(s.t, 200, res.StatusCode)
	return c
}

// page fetches a page and returns its status and text.
func (s *service) page(c *http.Client, path string) (int, string) {
	s.t.Helper()
	res, err := c.Get(s.URL + path)
	require.NoError(s.t, err)
	defer res.Body.Close()
	body, err := io.ReadAll(res.Body)
	require.NoError(s.t, err)
	return res.StatusCode, string(body)
}

// eventually waits for something that the watchers bring about.
func (s *service) eventually(what string, ok func() bool) {
	s.t.Helper()
	require.Eventually(s.t, ok, time.Minute, 20*time.Millisecond, what) // long: the race detector on a busy machine
}
