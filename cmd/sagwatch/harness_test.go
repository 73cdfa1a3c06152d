package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// grid is where the gauges of these tests read, mm.
var grid = func() [][2]float64 {
	var out [][2]float64
	for j := range 6 {
		for i := range 8 {
			out = append(out, [2]float64{-245 + 70*float64(i), 180 - 72*float64(j)})
		}
	}
	return out
}()

// plantFile defines an invented plant: one press of three moulds, a radial gauge.
func plantFile(t testing.TB) string {
	t.Helper()
	places, err := json.Marshal(grid)
	require.NoError(t, err)
	name := filepath.Join(t.TempDir(), "plant.yaml")
	require.NoError(t, os.WriteFile(name, fmt.Appendf(nil, `
site: north
time_zone: Europe/Tallinn
shifts: ["06:00", "14:00", "22:00"]
products:
  - id: P25
    contour: {sphere: 1107.5}
    outline_mm: {width: 540, height: 420, corner: 70}
    corner_mm: [255, 190]
    limits: {radius_mm: [1101.5, 1113.5], max_deviation_um: 381}
presses:
  - {id: A, takt_s: 10, moulds: ["1", "2", "3"], lehr_minutes: 90, lanes: ["1", "2"]}
gauges:
  - id: CG-1
    kind: radial
    places: %s
    probe_u_um: 3
    range: [1090, 1125]
    masters: [{panel: M-2, product: P25, radius_mm: 1107.5, allowed_um: 15}]
    master_every_h: 4
charts:
  - {id: A-radius, press: A, product: P25, characteristic: radius_mm, kind: individuals, by: mould, baseline: 40, limits: {k: 4}}
`, places), 0o600))
	return name
}

// readingsOf a spherical panel of radius r, mm, as the gauge rounds them.
func readingsOf(r float64, rng *rand.Rand) []float64 {
	const r0 = 1107.5
	out := make([]float64, len(grid))
	for i, p := range grid {
		uz := -math.Sqrt(r0*r0-p[0]*p[0]-p[1]*p[1]) / r0
		b := uz * (r - r0)
		out[i] = math.Round((b+math.Sqrt(b*b-(r-r0)*(r-r0)+r*r)+0.003*rng.NormFloat64())*1e3) / 1e3
	}
	return out
}

// panelJSON is panel n, pressed at a time and measured 90 minutes later.
func panelJSON(n int, r float64, pressed time.Time) []byte {
	rng := rand.New(rand.NewPCG(1, uint64(n)))
	b, err := json.Marshal(map[string]any{"gauge": "CG-1", "panel": fmt.Sprintf("A-%07d", n), "press": "A", "product": "P25", "mould": fmt.Sprint(n%3 + 1),
		"pressed_at": pressed.UTC().Format(time.RFC3339), "measured_at": pressed.Add(90 * time.Minute).UTC().Format(time.RFC3339), "sequence": n,
		"readings": readingsOf(r, rng)})
	if err != nil {
		panic(err)
	}
	return b
}

// dataDir is a folder that the private PostgreSQL's user can enter, also when the test runs as root.
func dataDir(t testing.TB) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "sagwatch-test-")
	require.NoError(t, err)
	require.NoError(t, os.Chmod(dir, 0o755))
	t.Cleanup(func() { os.RemoveAll(dir) })
	return dir
}

// safeBuffer collects what a running command prints.
type safeBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (s *safeBuffer) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.Write(p)
}

func (s *safeBuffer) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.String()
}

// program is the real program with its private PostgreSQL: what main would run, without the process.
type program struct {
	t    testing.TB
	dir  string
	url  string
	out  *safeBuffer
	stop func()
}

// serve starts the service on a free port and waits until it is ready.
func serve(t testing.TB, dir string, flags ...string) *program {
	t.Helper()
	free, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	addr := free.Addr().String()
	require.NoError(t, free.Close())
	p := &program{t: t, dir: dir, url: "http://" + addr, out: &safeBuffer{}}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan int, 1)
	go func() {
		done <- run(ctx, append([]string{"--data-dir", dir, "serve", "--listen", addr}, flags...), strings.NewReader(""), p.out, p.out)
	}()
	var once sync.Once
	p.stop = func() {
		once.Do(func() {
			cancel()
			select {
			case <-done:
			case <-time.After(20 * time.Second):
				t.Error("the service did not stop")
			}
		})
	}
	t.Cleanup(p.stop)
	require.Eventually(t, func() bool {
		res, err := http.Get(p.url + "/readyz")
		if err != nil {
			return false
		}
		res.Body.Close()
		return res.StatusCode == http.StatusOK
	}, time.Minute, 20*time.Millisecond, "the service is ready: %s", p.out)
	return p
}

// command runs a command beside the service, on its database, and returns what it printed.
func (p *program) command(args ...string) string {
	p.t.Helper()
	var out, errs bytes.Buffer
	status := run(context.Background(), append([]string{"--data-dir", p.dir}, args...), strings.NewReader(""), &out, &errs)
	require.Zero(p.t, status, "%v: %s%s", args, &out, &errs)
	return out.String()
}

// token makes a token for everything.
func (p *program) token() string {
	p.t.Helper()
	lines := strings.Split(strings.TrimSpace(p.command("token", "add", fmt.Sprintf("test-%d", time.Now().UnixNano()), "--scopes", "ingest,read,write")), "\n")
	return lines[len(lines)-1]
}

// post sends one measurement, or many as NDJSON, and demands that all are taken.
func (p *program) post(token, media string, body []byte) {
	p.t.Helper()
	req, err := http.NewRequest(http.MethodPost, p.url+"/api/v1/measurements", bytes.NewReader(body))
	require.NoError(p.t, err)
	req.Header.Set("Authorization", "Bearer "+token)
	req.Header.Set("Content-Type", media)
	res, err := http.DefaultClient.Do(req)
	require.NoError(p.t, err)
	defer res.Body.Close()
	var answer bytes.Buffer
	_, err = answer.ReadFrom(res.Body)
	require.NoError(p.t, err)
	require.Equal(p.t, http.StatusOK, res.StatusCode, answer.String())
	require.NotContains(p.t, answer.String(), "refused")
}

// get reads an address of the service as a machine.
func (p *program) get(token, path string) string {
	p.t.Helper()
	req, err := http.NewRequest(http.MethodGet, p.url+path, nil)
	require.NoError(p.t, err)
	req.Header.Set("Authorization", "Bearer "+token)
	res, err := http.DefaultClient.Do(req)
	require.NoError(p.t, err)
	defer res.Body.Close()
	var body bytes.Buffer
	_, err = body.ReadFrom(res.Body)
	require.NoError(p.t, err)
	require.Equal(p.t, http.StatusOK, res.StatusCode, body.String())
	return body.String()
}
