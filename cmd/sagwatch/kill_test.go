package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// Nothing that was acknowledged is lost when the service, and with it its PostgreSQL, is killed in the middle of a stream; what was
// not acknowledged can be sent again.
func TestKilledUnderLoadLosesNothingAcknowledged(t *testing.T) {
	dir := dataDir(t)
	program := filepath.Join(t.TempDir(), "sagwatch")
	build := exec.Command("go", "build", "-buildvcs=false", "-o", program, ".")
	out, err := build.CombinedOutput()
	require.NoError(t, err, string(out))

	const n = 6000
	begin := time.Now().Add(-30 * time.Hour).Truncate(time.Second)
	var lines [][]byte
	for i := range n {
		lines = append(lines, append(panelJSON(i, 1108, begin.Add(time.Duration(i)*10*time.Second)), '\n'))
	}
	first := serve(t, dir)
	first.command("setup", "apply", plantFile(t))
	token := first.token()
	first.stop()

	ids := map[int]int64{} // acknowledged, by panel
	for range 2 {
		free, err := net.Listen("tcp", "127.0.0.1:0")
		require.NoError(t, err)
		addr := free.Addr().String()
		require.NoError(t, free.Close())
		process := exec.Command(program, "--data-dir", dir, "serve", "--listen", addr)
		process.Stderr = os.Stderr
		require.NoError(t, process.Start())
		require.Eventually(t, func() bool {
			res, err := http.Get("http://" + addr + "/readyz")
			if err != nil {
				return false
			}
			res.Body.Close()
			return res.StatusCode == http.StatusOK
		}, time.Minute, 20*time.Millisecond)

		body, sender := io.Pipe()
		req, err := http.NewRequest(http.MethodPost, "http://"+addr+"/api/v1/measurements", body)
		require.NoError(t, err)
		req.Header.Set("Authorization", "Bearer "+token)
		req.Header.Set("Content-Type", "application/x-ndjson")
		go func() {
			for _, line := range lines {
				if _, err := sender.Write(line); err != nil {
					return
				}
			}
		}()
		res, err := http.DefaultClient.Do(req)
		require.NoError(t, err)
		answers := bufio.NewReader(res.Body)
		for before := len(ids); ; {
			text, err := answers.ReadBytes('\n')
			if err != nil {
				break // the connection died with the service
			}
			var r struct {
				Status string
				Line   int
				ID     int64
			}
			require.NoError(t, json.Unmarshal(text, &r))
			require.NotEqual(t, "refused", r.Status)
			if old, known := ids[r.Line-1]; known {
				require.Equal(t, old, r.ID)
			}
			ids[r.Line-1] = r.ID
			if len(ids)-before == n/3 {
				require.NoError(t, process.Process.Kill())
			}
		}
		res.Body.Close()
		sender.CloseWithError(io.ErrClosedPipe) //nolint:errcheck // never fails
		require.Error(t, process.Wait(), "it was killed")
	}
	require.Greater(t, len(ids), n/3)

	p := serve(t, dir)
	req, err := http.NewRequest(http.MethodPost, p.url+"/api/v1/measurements", bytes.NewReader(bytes.Join(lines, nil)))
	require.NoError(t, err)
	req.Header.Set("Authorization", "Bearer "+token)
	req.Header.Set("Content-Type", "application/x-ndjson")
	res, err := http.DefaultClient.Do(req)
	require.NoError(t, err)
	defer res.Body.Close()
	answers := bufio.NewScanner(res.Body)
	total := 0
	for ; answers.Scan(); total++ {
		var r struct {
			Status string
			ID     int64
		}
		require.NoError(t, json.Unmarshal(answers.Bytes(), &r))
		if id, acknowledged := ids[total]; acknowledged {
			require.Equal(t, "duplicate", r.Status, "panel %d was acknowledged", total)
			require.Equal(t, id, r.ID)
		}
		require.NotEqual(t, "refused", r.Status)
	}
	require.Equal(t, n, total, "each line is answered once")
}
