package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net/http"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"sagwatch/store/pglocal"
)

// benchPlant is the real service on a private PostgreSQL that loses nothing (fsync on), with the plant of these tests set up.
type benchPlant struct {
	*program
	bearer string
	from   time.Time // when panel 0 was pressed
	next   int
	client *http.Client
}

func newBenchPlant(b *testing.B) *benchPlant {
	b.Helper()
	p := &benchPlant{program: serve(b, dataDir(b)), from: time.Now().Add(-60 * 24 * time.Hour)}
	p.command("setup", "apply", plantFile(b))
	p.bearer = p.token()
	p.client = &http.Client{Transport: &http.Transport{MaxIdleConnsPerHost: 64}, Timeout: 5 * time.Minute}
	b.Cleanup(p.client.CloseIdleConnections)
	// The running service takes the set-up by its notice.
	require.Eventually(b, func() bool { return p.send("application/json", p.panels(1)[0]) == nil }, 20*time.Second, 50*time.Millisecond)
	return p
}

// panels are the next n, ten seconds apart on the press.
func (p *benchPlant) panels(n int) [][]byte {
	out := make([][]byte, n)
	for i := range out {
		out[i] = panelJSON(p.next, 1107.5, p.from.Add(time.Duration(p.next)*10*time.Second))
		p.next++
	}
	return out
}

// send posts a body; an error unless every measurement in it is newly stored.
func (p *benchPlant) send(media string, body []byte) error {
	req, err := http.NewRequest(http.MethodPost, p.url+"/api/v1/measurements", bytes.NewReader(body))
	if err != nil {
		return err
	}
	req.Header.Set("Authorization", "Bearer "+p.bearer)
	req.Header.Set("Content-Type", media)
	res, err := p.client.Do(req)
	if err != nil {
		return err
	}
	defer res.Body.Close()
	answer, err := io.ReadAll(res.Body)
	if err != nil {
		return err
	}
	sent := max(1, bytes.Count(body, []byte("\n")))
	if stored := bytes.Count(answer, []byte(`"stored"`)); res.StatusCode != http.StatusOK || stored != sent {
		return fmt.Errorf("status %d, %d of %d stored: %.300s", res.StatusCode, stored, sent, answer)
	}
	return nil
}

// BenchmarkPostAt100ASecond posts single panels, a hundred a second for ten seconds, each on its tick whether or not
// earlier ones are answered, over connections kept alive; an answer comes after the commit. The sender runs on the same
// machine. The aim is a p99 under 20 ms.
func BenchmarkPostAt100ASecond(b *testing.B) {
	const every, posts = 10 * time.Millisecond, 1000
	p := newBenchPlant(b)
	for _, warm := range p.panels(50) {
		require.NoError(b, p.send("application/json", warm))
	}
	var took []time.Duration
	failed := 0
	for b.Loop() {
		bodies := p.panels(posts)
		batch, errs := make([]time.Duration, posts), make([]error, posts)
		var sent sync.WaitGroup
		start := time.Now()
		for i, body := range bodies {
			due := start.Add(time.Duration(i) * every)
			time.Sleep(time.Until(due))
			sent.Go(func() {
				begun := time.Now()
				errs[i] = p.send("application/json", body)
				batch[i] = time.Since(begun)
			})
		}
		sent.Wait()
		took = append(took, batch...)
		for _, err := range errs {
			if err != nil {
				failed++
				b.Log(err)
			}
		}
	}
	bare := bareCommits(b, p.dir, every, posts/2)
	b.ReportMetric(quantile(took, 0.5), "p50-ms")
	b.ReportMetric(quantile(took, 0.95), "p95-ms")
	b.ReportMetric(quantile(took, 0.99), "p99-ms")
	b.ReportMetric(quantile(bare, 0.5), "bare-commit-p50-ms")
	b.ReportMetric(quantile(bare, 0.99), "bare-commit-p99-ms")
	b.ReportMetric(float64(failed), "errors")
	b.ReportMetric(0, "ns/op")
	require.Zero(b, failed)
}

// quantile in ms.
func quantile(took []time.Duration, share float64) float64 {
	slices.Sort(took)
	return float64(took[int(share*float64(len(took)-1))]) / float64(time.Millisecond)
}

// bareCommits is how long the same PostgreSQL takes to commit one small row at the same pace: what disk and machine allow.
func bareCommits(b *testing.B, dir string, every time.Duration, n int) []time.Duration {
	b.Helper()
	conn := beside(b, dir)
	_, err := conn.Exec(b.Context(), "CREATE TABLE IF NOT EXISTS bare_commit (n int)")
	require.NoError(b, err)
	took := make([]time.Duration, n)
	start := time.Now()
	for i := range took {
		time.Sleep(time.Until(start.Add(time.Duration(i) * every)))
		begun := time.Now()
		_, err := conn.Exec(b.Context(), "INSERT INTO bare_commit VALUES ($1)", i)
		require.NoError(b, err)
		took[i] = time.Since(begun)
	}
	return took
}

// beside connects to the private PostgreSQL of a running service.
func beside(b *testing.B, dir string) *pgx.Conn {
	b.Helper()
	cluster, err := pglocal.Attach(b.Context(), dir)
	require.NoError(b, err)
	conn, err := pgx.Connect(b.Context(), cluster.DSN())
	require.NoError(b, err)
	b.Cleanup(func() { conn.Close(context.Background()) })
	return conn
}

// BenchmarkStreamIn sends 20 000 panels as one NDJSON body, each judged, and compares with a bare COPY of the rows that
// came of it into a table of the same columns, keys and indexes.
func BenchmarkStreamIn(b *testing.B) {
	const panels = 20_000
	p := newBenchPlant(b)
	var took time.Duration
	sent := 0
	for b.Loop() {
		body := append(bytes.Join(p.panels(panels), []byte("\n")), '\n')
		start := time.Now()
		require.NoError(b, p.send("application/x-ndjson", body))
		took += time.Since(start)
		sent += panels
	}
	rate := float64(sent) / took.Seconds()
	bare := copyRate(b, p.dir)
	b.ReportMetric(rate, "panels/s")
	b.ReportMetric(bare, "bare-COPY-rows/s")
	b.ReportMetric(bare/rate, "COPY-times-faster")
	b.ReportMetric(0, "ns/op")
}

// copyRate is how many rows a second a bare COPY brings into tables like measurement and measurement_key, with all of
// their constraints and indexes, in one transaction; the best of three.
func copyRate(b *testing.B, dir string) float64 {
	b.Helper()
	ctx := b.Context()
	conn := beside(b, dir)
	tables := []string{"measurement", "measurement_key"}
	held := make([]bytes.Buffer, len(tables))
	for i, table := range tables {
		_, err := conn.PgConn().CopyTo(ctx, &held[i], "COPY (SELECT * FROM "+table+") TO STDOUT BINARY")
		require.NoError(b, err)
	}
	best := 0.0
	for range 3 {
		_, err := conn.Exec(ctx, `
			DROP TABLE IF EXISTS bare_measurement, bare_measurement_key;
			CREATE TABLE bare_measurement (LIKE measurement INCLUDING ALL);
			CREATE TABLE bare_measurement_key (LIKE measurement_key INCLUDING ALL)`)
		require.NoError(b, err)
		start := time.Now()
		tx, err := conn.Begin(ctx)
		require.NoError(b, err)
		var rows int64
		for i, table := range tables {
			tag, err := conn.PgConn().CopyFrom(ctx, bytes.NewReader(held[i].Bytes()), "COPY bare_"+table+" FROM STDIN BINARY")
			require.NoError(b, err)
			rows = tag.RowsAffected()
		}
		require.NoError(b, tx.Commit(ctx))
		best = max(best, float64(rows)/time.Since(start).Seconds())
	}
	return best
}
