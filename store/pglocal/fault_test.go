//go:build unix

package pglocal_test

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/stretchr/testify/require"

	"sagwatch/store/pglocal"
)

func TestKilledOwner(t *testing.T) {
	t.Parallel()
	dir := seeded(t, folder(t))
	for round := range 3 {
		o, line := own(t, dir, nil)
		require.True(t, strings.HasPrefix(line, "ready "), line)
		dsn := strings.TrimPrefix(line, "ready ")
		if round == 0 {
			exec1(t, dsn, `CREATE TABLE t (n int)`)
		}
		exec1(t, dsn, fmt.Sprintf(`INSERT INTO t VALUES (%d)`, round))
		pid := serverPID(t, dir)
		require.NoError(t, o.Process.Kill())
		_ = o.Wait() // killed
		if round == 1 {
			// Not waiting: the next owner comes while the old server shuts down.
			continue
		}
		begun := time.Now()
		require.Eventually(t, func() bool { return gone(pid) }, 10*time.Second, 5*time.Millisecond)
		t.Logf("PostgreSQL gone %v after its owner", time.Since(begun))
	}
	c := start(t, dir)
	require.Equal(t, "0 1 2", query(t, c.DSN(), `SELECT string_agg(n::text, ' ' ORDER BY n) FROM t`))
}

func TestKilledServer(t *testing.T) {
	t.Parallel()
	dir := seeded(t, folder(t))
	c := start(t, dir)
	pool, err := pgxpool.New(t.Context(), c.DSN())
	require.NoError(t, err)
	defer pool.Close()
	_, err = pool.Exec(t.Context(), `CREATE TABLE t (n int)`)
	require.NoError(t, err)

	for round := range 3 {
		// A busy backend outlives its server for a moment and holds shared memory.
		busy, err := pgx.Connect(t.Context(), c.DSN())
		require.NoError(t, err)
		ended := make(chan struct{})
		go func() {
			defer close(ended)
			_, _ = busy.Exec(context.Background(), `SELECT count(*) FROM generate_series(1, 5000000)`)
			_ = busy.Close(context.Background())
		}()
		_, err = pool.Exec(t.Context(), `INSERT INTO t VALUES ($1)`, round)
		require.NoError(t, err)
		require.NoError(t, syscall.Kill(serverPID(t, dir), syscall.SIGKILL))
		select {
		case <-c.Done():
		case <-time.After(10 * time.Second):
			require.Fail(t, "the end of the server went unnoticed")
		}
		c.Stop() // nothing left to stop
		c = start(t, dir)
		<-ended
		// The pool made before is still good: same connection string.
		require.Eventually(t, func() bool {
			var n int
			return pool.QueryRow(t.Context(), `SELECT count(*) FROM t`).Scan(&n) == nil && n == round+1
		}, 10*time.Second, 10*time.Millisecond)
	}
}

// A process number left in the folder may belong to somebody else by now, here
// to a process of the server's own user, which PostgreSQL alone would take for
// a running server.
func TestStaleProcessNumber(t *testing.T) {
	t.Parallel()
	dir := seeded(t, folder(t))
	c := start(t, dir)
	exec1(t, c.DSN(), `CREATE TABLE t AS SELECT 'here'::text AS v`)
	pid := serverPID(t, dir)
	data := filepath.Join(dir, "pgdata")
	var st syscall.Stat_t
	require.NoError(t, syscall.Stat(data, &st))
	left, err := os.ReadFile(filepath.Join(data, "postmaster.pid"))
	require.NoError(t, err)
	c.Stop()

	other := exec.Command("sleep", "60")
	if os.Getuid() == 0 {
		other.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: st.Uid, Gid: st.Gid}}
	}
	require.NoError(t, other.Start())
	defer func() {
		require.NoError(t, other.Process.Kill())
		_ = other.Wait() // killed
	}()
	forged := strings.Replace(string(left), strconv.Itoa(pid), strconv.Itoa(other.Process.Pid), 1)
	for _, name := range []string{filepath.Join(data, "postmaster.pid"), filepath.Join(dir, "socket", ".s.PGSQL.5432.lock")} {
		require.NoError(t, os.WriteFile(name, []byte(forged), 0o600))
		require.NoError(t, os.Chown(name, int(st.Uid), int(st.Gid)))
	}
	_, err = pglocal.Attach(t.Context(), dir)
	require.ErrorIs(t, err, pglocal.ErrNotRunning)

	c = start(t, dir)
	require.Equal(t, "here", query(t, c.DSN(), `SELECT v FROM t`))
	require.False(t, gone(other.Process.Pid), "the other process must be left alone")
}

// An initdb that was killed half way leaves only pgdata.new.
func TestHalfMadeCluster(t *testing.T) {
	t.Parallel()
	dir := folder(t)
	require.NoError(t, os.MkdirAll(filepath.Join(dir, "pgdata.new", "base"), 0o700))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "pgdata.new", "PG_VERSION"), []byte("15\n"), 0o600))
	c := start(t, dir)
	require.Equal(t, "1", query(t, c.DSN(), `SELECT '1'`))
	require.NoDirExists(t, filepath.Join(dir, "pgdata.new"))

	// And a start given up in the middle can be repeated.
	other := folder(t)
	ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
	defer cancel()
	_, err := pglocal.Start(ctx, pglocal.Config{Dir: other})
	require.ErrorIs(t, err, context.DeadlineExceeded)
	require.NoDirExists(t, filepath.Join(other, "pgdata.new"))
	require.Equal(t, "1", query(t, start(t, other).DSN(), `SELECT '1'`))
}
