package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// rough is a service that keeps what it takes and fails now and then in every way that a service can.
type rough struct {
	mu    sync.Mutex
	kept  []string // panels in the order kept
	seen  map[string]bool
	fails int // counts calls
}

func (s *rough) keep(panel string) string {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.seen[panel] {
		return "duplicate"
	}
	s.seen[panel] = true
	s.kept = append(s.kept, panel)
	return "stored"
}

func (s *rough) turn() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.fails++
	return s.fails
}

func (s *rough) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	turn := s.turn()
	switch turn % 5 {
	case 1:
		w.WriteHeader(http.StatusTooManyRequests)
		return
	case 2:
		http.Error(w, "no", http.StatusServiceUnavailable)
		return
	case 3: // kept, but the answer never arrives
		if r.Header.Get("Content-Type") == "application/json" {
			var m measurement
			_ = json.NewDecoder(r.Body).Decode(&m)
			s.keep(m.Panel)
		}
		panic(http.ErrAbortHandler)
	}
	if r.Header.Get("Content-Type") == "application/json" {
		var m measurement
		if err := json.NewDecoder(r.Body).Decode(&m); err != nil {
			http.Error(w, err.Error(), http.StatusBadRequest)
			return
		}
		fmt.Fprintf(w, `{"status": %q}`, s.keep(m.Panel))
		return
	}
	out := http.NewResponseController(w)
	_ = out.EnableFullDuplex()
	for lines, n := bufio.NewScanner(r.Body), 1; lines.Scan(); n++ {
		var m measurement
		_ = json.Unmarshal(lines.Bytes(), &m)
		switch {
		case turn%5 == 4 && n == 30: // breaks off in the middle
			_ = out.Flush()
			panic(http.ErrAbortHandler)
		case m.Panel == "bad":
			fmt.Fprintln(w, `{"status": "refused", "problem": {"status": 422, "detail": "no such mould"}}`)
		case m.Panel == "p40" && turn%2 == 0:
			fmt.Fprintln(w, `{"status": "refused", "problem": {"status": 503, "detail": "the database is away"}}`)
		default:
			fmt.Fprintf(w, "{\"status\": %q}\n", s.keep(m.Panel))
		}
	}
}

func numberedPanels(n int) (list []measurement, names []string) {
	for i := range n {
		m := measurement{Gauge: "CG-1", Panel: fmt.Sprintf("p%d", i), MeasuredAt: noon, sent: noon}
		list, names = append(list, m), append(names, m.Panel)
	}
	return list, names
}

func TestStreamLosesNothing(t *testing.T) {
	t.Parallel()
	s := &rough{seen: map[string]bool{}}
	srv := httptest.NewServer(s)
	defer srv.Close()
	list, names := numberedPanels(100)
	list = append(list, measurement{Panel: "bad"})
	var lines [][]byte
	for i := range list {
		lines = append(lines, list[i].line())
	}
	got, err := newClient(srv.URL, "t").stream(context.Background(), lines)
	require.NoError(t, err)
	require.ElementsMatch(t, names, s.kept)
	require.Equal(t, 100, got.stored+got.duplicates)
	require.Equal(t, 1, got.refused)
	require.Contains(t, got.String(), "1 refused (the first: no such mould)")
}

func TestGaugeLosesNothingAndKeepsOrder(t *testing.T) {
	t.Parallel()
	s := &rough{seen: map[string]bool{}}
	srv := httptest.NewServer(s)
	defer srv.Close()
	list, names := numberedPanels(8)
	c := newClient(srv.URL, "t")
	for i := range list {
		require.NoError(t, c.post(context.Background(), &list[i]))
	}
	require.Equal(t, names, s.kept)
}

func TestRefusalIsNotRepeated(t *testing.T) {
	t.Parallel()
	calls := 0
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		calls++
		require.Equal(t, "Bearer t", r.Header.Get("Authorization"))
		w.WriteHeader(http.StatusUnprocessableEntity)
		fmt.Fprint(w, `{"detail": "gauge \"CG-9\" is not defined"}`)
	}))
	defer srv.Close()
	list, _ := numberedPanels(1)
	err := newClient(srv.URL, "t").post(context.Background(), &list[0])
	var r *refusal
	require.ErrorAs(t, err, &r)
	require.Equal(t, `gauge "CG-9" is not defined`, r.detail)
	require.Equal(t, 1, calls)
}

func TestStopsWhenTold(t *testing.T) {
	t.Parallel()
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusServiceUnavailable) }))
	defer srv.Close()
	ctx, stop := context.WithCancelCause(context.Background())
	why := errors.New("enough")
	time.AfterFunc(100*time.Millisecond, func() { stop(why) })
	list, _ := numberedPanels(1)
	c := newClient(srv.URL, "t")
	require.ErrorIs(t, c.post(ctx, &list[0]), why)
	_, err := c.stream(ctx, [][]byte{list[0].line()})
	require.ErrorIs(t, err, why)
}

// The last panel is found by halving, across gaps.
func TestLastPanelIsFound(t *testing.T) {
	t.Parallel()
	var pressed []time.Time
	for i := range 1000 {
		if i < 200 || i > 700 {
			pressed = append(pressed, noon.Add(time.Duration(i)*10*time.Second))
		}
	}
	calls := 0
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		calls++
		from, err := time.Parse(time.RFC3339Nano, r.URL.Query().Get("from"))
		if err != nil {
			http.Error(w, err.Error(), http.StatusBadRequest)
			return
		}
		list := []stored{}
		for _, at := range pressed {
			if r.URL.Query().Get("press") == "A" && !at.Before(from) {
				list = append(list, stored{LineAt: at})
				break
			}
		}
		_ = json.NewEncoder(w).Encode(map[string]any{"measurements": list})
	}))
	defer srv.Close()
	c := newClient(srv.URL, "t")
	last, found, err := c.lastBetween(context.Background(), "A", "CG-1", noon.Add(-time.Hour), noon.Add(8*time.Hour))
	require.NoError(t, err)
	require.True(t, found)
	require.WithinDuration(t, pressed[len(pressed)-1], last, 15*time.Second)
	require.Less(t, calls, 30)
	_, found, err = c.lastBetween(context.Background(), "B", "CG-2", noon.Add(-time.Hour), noon.Add(8*time.Hour))
	require.NoError(t, err)
	require.False(t, found)
}

// Late panels are overtaken, all arrive, and each gauge's own order is that of its computer.
func TestLiveGaugesSendAll(t *testing.T) {
	t.Parallel()
	var mu sync.Mutex
	got := map[string]bool{}
	want := map[string]bool{}
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	s := plantAt(t, noon, noon.Add(time.Hour), "none")
	for _, m := range s.between(noon, noon.Add(time.Hour)) {
		want[m.key()] = true
	}
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		var m measurement
		if err := json.NewDecoder(r.Body).Decode(&m); err != nil {
			http.Error(w, err.Error(), http.StatusBadRequest)
			return
		}
		mu.Lock()
		defer mu.Unlock()
		delete(want, m.key())
		got[m.key()] = true
		if len(want) == 0 {
			stop()
		}
		fmt.Fprint(w, `{"status": "stored"}`)
	}))
	defer srv.Close()
	file, err := os.CreateTemp(t.TempDir(), "truth")
	require.NoError(t, err)
	defer file.Close()
	// An hour and a little pass in a second.
	v := &live{sim: s, client: newClient(srv.URL, "t"), clock: plantClock{wall: time.Now(), begin: noon, speed: 4000}, truth: file, out: io.Discard, errw: io.Discard}
	late, cancel := context.WithTimeout(ctx, 30*time.Second)
	defer cancel()
	require.ErrorIs(t, v.run(late, noon), context.Canceled)
	mu.Lock()
	defer mu.Unlock()
	require.Empty(t, want)
	require.Greater(t, len(got), 700)
}
