package main

import (
	"bytes"
	"context"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// The real program from an empty folder: first start, set-up, a token, a panel; stopped and started again, all is there.
func TestServeKeepsWhatItAcknowledged(t *testing.T) {
	dir := dataDir(t)
	p := serve(t, dir)
	require.Contains(t, p.out.String(), "/first?code=", "the first administrator's address is printed once")
	require.Contains(t, p.command("setup", "apply", plantFile(t), "--dry-run"), "nothing was stored")
	require.Contains(t, p.command("setup", "apply", plantFile(t)), "stored for site north")
	require.Contains(t, p.command("setup", "apply", plantFile(t)), "Nothing changes")
	token := p.token()
	pressed := time.Now().Add(-3 * time.Hour)
	require.Eventually(t, func() bool {
		res, err := http.Get(p.url + "/readyz")
		if err != nil {
			return false
		}
		res.Body.Close()
		return res.StatusCode == http.StatusOK
	}, 10*time.Second, 20*time.Millisecond)
	// The running service has seen the set-up by its notice, and taken the site's name.
	require.Eventually(t, func() bool { return p.accepted(token, panelJSON(1, 1108, pressed)) }, 10*time.Second, 50*time.Millisecond)
	start := time.Now()
	p.stop()
	require.Less(t, time.Since(start), 10*time.Second, "stops within ten seconds")

	p = serve(t, dir)
	require.Contains(t, p.command("setup", "export"), "sphere: 1107.5")
	req, err := http.NewRequest(http.MethodGet, p.url+"/api/v1/measurements?press=A", nil)
	require.NoError(t, err)
	req.Header.Set("Authorization", "Bearer "+token)
	res, err := http.DefaultClient.Do(req)
	require.NoError(t, err)
	defer res.Body.Close()
	var body bytes.Buffer
	_, err = body.ReadFrom(res.Body)
	require.NoError(t, err)
	require.Contains(t, body.String(), `"panel":"A-0000001"`)
	require.Contains(t, p.command("doctor"), "1 products, 1 presses, 1 gauges")

	var out, errs bytes.Buffer
	require.NotZero(t, run(context.Background(), []string{"--data-dir", dir, "serve", "--listen", "127.0.0.1:0"}, strings.NewReader(""), &out, &errs))
	require.Contains(t, errs.String(), "in use", "two services never share a data folder")
}

func (p *program) accepted(token string, body []byte) bool {
	req, err := http.NewRequest(http.MethodPost, p.url+"/api/v1/measurements", bytes.NewReader(body))
	require.NoError(p.t, err)
	req.Header.Set("Authorization", "Bearer "+token)
	req.Header.Set("Content-Type", "application/json")
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		return false
	}
	res.Body.Close()
	return res.StatusCode == http.StatusOK
}

func TestTheDemonstrationListensOnLoopbackOnly(t *testing.T) {
	var out, errs bytes.Buffer
	require.Equal(t, 1, run(context.Background(), []string{"serve", "--demo", "--listen", "0.0.0.0:0"}, strings.NewReader(""), &out, &errs))
	require.Contains(t, errs.String(), "loopback only")
}

func TestWrongWordsOnTheCommandLine(t *testing.T) {
	for _, args := range [][]string{{"serv"}, {"setup", "apply"}, {"token", "add", "x"}, {"user", "add", "x", "--role", "king", "--password-stdin"}} {
		var out, errs bytes.Buffer
		require.Equal(t, 2, run(context.Background(), args, strings.NewReader(""), &out, &errs), args)
		require.Contains(t, errs.String(), "sagwatch:")
	}
	var out, errs bytes.Buffer
	require.Equal(t, 0, run(context.Background(), []string{"--help"}, strings.NewReader(""), &out, &errs))
	require.Contains(t, out.String(), "Statistical process control")
}
