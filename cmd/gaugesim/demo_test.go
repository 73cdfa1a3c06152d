package main

import (
	"bytes"
	"context"
	"encoding/json"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// printed collects what a running command prints.
type printed struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (s *printed) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.Write(p)
}

func (s *printed) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.String()
}

// The whole demonstration with the real service and its private PostgreSQL: a first start, a stop, a second start.
func TestDemonstration(t *testing.T) {
	if testing.Short() {
		t.Skip("builds the service")
	}
	t.Parallel()
	bin := filepath.Join(t.TempDir(), "sagwatch")
	build := exec.Command("go", "build", "-o", bin, "sagwatch/cmd/sagwatch")
	out, err := build.CombinedOutput()
	require.NoError(t, err, "%s", out)
	// A folder that PostgreSQL's user can enter, also when the test runs as root.
	dir, err := os.MkdirTemp("", "gaugesim-test-")
	require.NoError(t, err)
	require.NoError(t, os.Chmod(dir, 0o755))
	t.Cleanup(func() { os.RemoveAll(dir) })
	free, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	addr := free.Addr().String()
	require.NoError(t, free.Close())

	demo := func() (summary string, all *printed) {
		ctx, stop := context.WithCancel(context.Background())
		defer stop()
		all = &printed{}
		done := make(chan int, 1)
		go func() {
			done <- run(ctx, []string{"demo", "--sagwatch", bin, "--listen", addr, "--data-dir", filepath.Join(dir, "data"), "--hours", "1"}, all, all)
		}()
		history := regexp.MustCompile(`History (of|is) .*`)
		require.Eventually(t, func() bool { return len(done) > 0 || history.MatchString(all.String()) }, time.Minute, 20*time.Millisecond, "%s", all)
		summary = history.FindString(all.String())
		require.NotEmpty(t, summary, "%s", all)
		res, err := http.Get("http://" + addr + "/sign-in")
		require.NoError(t, err)
		require.NoError(t, res.Body.Close())
		require.Equal(t, http.StatusOK, res.StatusCode)
		begun := time.Now()
		stop()
		require.Zero(t, <-done, "%s", all)
		require.Less(t, time.Since(begun), 15*time.Second)
		return summary, all
	}
	// Somebody else's port is said before anything is started.
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	_, errs := call(t, 1, "demo", "--sagwatch", bin, "--listen", taken.Addr().String(), "--data-dir", filepath.Join(dir, "other"))
	require.Contains(t, errs, "choose another address with --listen")
	require.NoDirExists(t, filepath.Join(dir, "other"))
	require.NoError(t, taken.Close())

	summary, all := demo()
	require.Regexp(t, `^History of 1 h: 7\d\d measurements in [\d.]+ s: 7\d\d stored, 0 there already, 0 refused\.$`, summary)
	require.Contains(t, all.String(), "open http://"+addr+" and choose who you are")
	require.NotRegexp(t, `level=(WARN|ERROR)`, all.String())
	data, err := os.ReadFile(filepath.Join(dir, "data", "gaugesim-truth.jsonl"))
	require.NoError(t, err)
	for _, l := range strings.Split(strings.TrimSpace(string(data)), "\n") {
		var tr truth
		require.NoError(t, json.Unmarshal([]byte(l), &tr), l)
	}
	// Only what was missed in between, and nothing twice.
	summary, all = demo()
	require.Regexp(t, `^History (is complete; nothing was missing|of [345] minutes: \d measurements in [\d.]+ s: \d stored, 0 there already, 0 refused)\.$`, summary)
	require.NotRegexp(t, `level=(WARN|ERROR)`, all.String())
	require.Equal(t, 0, strings.Count(all.String(), "gaugesim:"), "%s", all)
}
