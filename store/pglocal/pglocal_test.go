//go:build unix

package pglocal_test

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"sagwatch/store/pglocal"
)

// childDir makes the test program a child that owns the cluster of that folder
// until it is killed or its standard input ends.
const childDir = "PGLOCAL_TEST_CHILD_DIR"

func TestMain(m *testing.M) {
	if dir := os.Getenv(childDir); dir != "" {
		os.Exit(child(dir))
	}
	code := m.Run()
	if seedDir != "" {
		_ = os.RemoveAll(seedDir)
	}
	os.Exit(code)
}

func child(dir string) int {
	c, err := pglocal.Start(context.Background(), pglocal.Config{Dir: dir})
	if err != nil {
		fmt.Println("error", strings.ReplaceAll(err.Error(), "\n", " "))
		return 1
	}
	defer c.Stop()
	fmt.Println("ready", c.DSN())
	_, _ = io.Copy(io.Discard, os.Stdin)
	return 0
}

// owner is a child process that owns a cluster.
type owner struct {
	*exec.Cmd
	stdin io.Closer
}

// own starts a child on dir, as another user when attr says so, and returns it
// with the first line it prints: "ready DSN" or "error TEXT".
func own(t *testing.T, dir string, attr *syscall.SysProcAttr) (owner, string) {
	t.Helper()
	program, err := os.Executable()
	require.NoError(t, err)
	if attr != nil { // the build folder may be closed to that user
		to := filepath.Join(folder(t), "child")
		b, err := os.ReadFile(program)
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(to, b, 0o755))
		program = to
	}
	cmd := exec.Command(program)
	cmd.Env = append(os.Environ(), childDir+"="+dir)
	cmd.SysProcAttr, cmd.Stderr, cmd.Dir = attr, os.Stderr, "/"
	stdin, err := cmd.StdinPipe()
	require.NoError(t, err)
	stdout, err := cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	t.Cleanup(func() {
		stdin.Close()
		_ = cmd.Wait() // an error when the test has killed or awaited it
	})
	line, err := bufio.NewReader(stdout).ReadString('\n')
	require.NoError(t, err)
	return owner{cmd, stdin}, strings.TrimSpace(line)
}

// folder is an empty folder that every user may enter: root's PostgreSQL runs as
// somebody else, and t.TempDir is closed to him.
func folder(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("/tmp", "pglocal-test-")
	require.NoError(t, err)
	require.NoError(t, os.Chmod(dir, 0o755))
	t.Cleanup(func() { require.NoError(t, os.RemoveAll(dir)) })
	return dir
}

// seed is a cluster made once and stopped; copying it is much quicker than
// making another.
var (
	seedDir string // removed by TestMain
	seed    = sync.OnceValue(func() (err error) {
		if seedDir, err = os.MkdirTemp("/tmp", "pglocal-test-seed-"); err != nil {
			return err
		}
		if err = os.Chmod(seedDir, 0o755); err != nil {
			return err
		}
		c, err := pglocal.Start(context.Background(), pglocal.Config{Dir: seedDir})
		if err == nil {
			c.Stop()
		}
		return err
	})
)

// seeded puts a cluster into dir, which is made when missing.
func seeded(t *testing.T, dir string) string {
	t.Helper()
	require.NoError(t, seed())
	require.NoError(t, os.MkdirAll(dir, 0o755))
	out, err := exec.Command("cp", "-a", filepath.Join(seedDir, "pgdata"), dir).CombinedOutput()
	require.NoError(t, err, string(out))
	return dir
}

func start(t *testing.T, dir string) *pglocal.Cluster {
	t.Helper()
	c, err := pglocal.Start(t.Context(), pglocal.Config{Dir: dir})
	require.NoError(t, err)
	t.Cleanup(c.Stop)
	return c
}

func exec1(t *testing.T, dsn, sql string) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), dsn)
	require.NoError(t, err)
	defer conn.Close(context.Background())
	_, err = conn.Exec(t.Context(), sql)
	require.NoError(t, err)
}

func query(t *testing.T, dsn, sql string) string {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), dsn)
	require.NoError(t, err)
	defer conn.Close(context.Background())
	var s string
	require.NoError(t, conn.QueryRow(t.Context(), sql).Scan(&s))
	return s
}

// serverPID is the number of the server process.
func serverPID(t *testing.T, dir string) int {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(dir, "pgdata", "postmaster.pid"))
	require.NoError(t, err)
	first, _, _ := strings.Cut(string(b), "\n")
	pid, err := strconv.Atoi(first)
	require.NoError(t, err)
	return pid
}

func gone(pid int) bool { return errors.Is(syscall.Kill(pid, 0), syscall.ESRCH) }

func TestStartAndRestart(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(folder(t), "new", "data")
	c := start(t, dir)
	exec1(t, c.DSN(), `CREATE TABLE kept (v text); INSERT INTO kept VALUES ('glass')`)

	for name, want := range map[string]string{
		"fsync":              "on",
		"synchronous_commit": "on",
		"full_page_writes":   "on",
		"data_checksums":     "on",
		"listen_addresses":   "",
		"max_connections":    "100",
		"shared_buffers":     "256MB",
		"TimeZone":           "UTC",
		"lc_collate":         "C",
	} {
		require.Equal(t, want, query(t, c.DSN(), `SELECT current_setting('`+name+`')`), name)
	}
	require.Equal(t, "sagwatch sagwatch", query(t, c.DSN(), `SELECT current_user || ' ' || current_database()`))
	require.FileExists(t, filepath.Join(c.BinDir(), "initdb"))
	info, err := os.Stat(filepath.Join(dir, "socket"))
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o700), info.Mode().Perm())

	pid := serverPID(t, dir)
	c.Stop()
	require.True(t, gone(pid))
	<-c.Done()
	c.Stop() // again: nothing happens

	begun := time.Now()
	again := start(t, dir)
	t.Logf("restart took %v", time.Since(begun))
	require.Equal(t, c.DSN(), again.DSN())
	require.Equal(t, "glass", query(t, again.DSN(), `SELECT v FROM kept`))
}

func TestSecondOwnerIsRefusedAndMayAttach(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(folder(t), "data")

	_, err := pglocal.Attach(t.Context(), dir)
	require.ErrorIs(t, err, pglocal.ErrNotRunning)

	c := start(t, seeded(t, dir))
	exec1(t, c.DSN(), `CREATE TABLE t (v text); INSERT INTO t VALUES ('one')`)

	// From this process, and from another one.
	_, err = pglocal.Start(t.Context(), pglocal.Config{Dir: dir})
	require.ErrorIs(t, err, pglocal.ErrOwned)
	require.ErrorContains(t, err, "process "+strconv.Itoa(os.Getpid()))
	_, line := own(t, dir, nil)
	require.Contains(t, line, "error data folder in use")

	a, err := pglocal.Attach(t.Context(), dir)
	require.NoError(t, err)
	require.Equal(t, c.DSN(), a.DSN())
	require.Equal(t, c.BinDir(), a.BinDir())
	require.Nil(t, a.Done())
	require.Equal(t, "one", query(t, a.DSN(), `SELECT v FROM t`))
	a.Stop()
	require.Equal(t, "one", query(t, c.DSN(), `SELECT v FROM t`), "an attached command must not stop the owner's server")

	o, err := pglocal.Open(t.Context(), pglocal.Config{Dir: dir})
	require.NoError(t, err)
	require.Nil(t, o.Done(), "Open attaches when there is an owner")

	c.Stop()
	_, err = pglocal.Attach(t.Context(), dir)
	require.ErrorIs(t, err, pglocal.ErrNotRunning)
	o, err = pglocal.Open(t.Context(), pglocal.Config{Dir: dir})
	require.NoError(t, err)
	defer o.Stop()
	require.NotNil(t, o.Done(), "Open starts when there is none")
	require.Equal(t, "one", query(t, o.DSN(), `SELECT v FROM t`))
}

// Several commands at once on a new folder: one makes the cluster, the others
// wait for it.
func TestOpenTogetherOnNewFolder(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(folder(t), "data")
	results := make(chan *pglocal.Cluster, 4)
	for range cap(results) {
		go func() {
			c, err := pglocal.Open(t.Context(), pglocal.Config{Dir: dir})
			if err != nil {
				t.Error(err)
			}
			results <- c
		}()
	}
	owners := 0
	for range cap(results) {
		c := <-results
		require.NotNil(t, c)
		require.Equal(t, "1", query(t, c.DSN(), `SELECT '1'`))
		if c.Done() != nil {
			owners++
			defer c.Stop()
		}
	}
	require.Equal(t, 1, owners)
}

func TestAsOrdinaryUser(t *testing.T) {
	t.Parallel()
	if os.Getuid() != 0 {
		t.Skip("runs as an ordinary user already: every other test here is this one")
	}
	u, err := user.Lookup("nobody")
	require.NoError(t, err)
	uid, err := strconv.Atoi(u.Uid)
	require.NoError(t, err)
	gid, err := strconv.Atoi(u.Gid)
	require.NoError(t, err)
	as := &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}}

	home := folder(t)
	require.NoError(t, os.Chown(home, uid, gid))
	dir := filepath.Join(home, "data")
	o, line := own(t, dir, as)
	require.True(t, strings.HasPrefix(line, "ready "), line)
	var st syscall.Stat_t
	require.NoError(t, syscall.Stat(filepath.Join(dir, "pgdata"), &st))
	require.Equal(t, uint32(uid), st.Uid)

	// Root may run a command beside his service, and own the folder after him.
	a, err := pglocal.Attach(t.Context(), dir)
	require.NoError(t, err)
	exec1(t, a.DSN(), `CREATE TABLE t AS SELECT 'by root'::text AS v`)
	require.NoError(t, o.stdin.Close())
	require.NoError(t, o.Wait())
	c := start(t, dir)
	require.Equal(t, "by root", query(t, c.DSN(), `SELECT v FROM t`))
	c.Stop()

	// And he can still use it after that.
	_, line = own(t, dir, as)
	require.True(t, strings.HasPrefix(line, "ready "), line)

	// A folder he may not write to.
	closed := folder(t)
	_, line = own(t, filepath.Join(closed, "data"), as)
	require.Contains(t, line, "error data folder unusable: may not write to "+closed)
	require.Contains(t, line, "belongs to root")
	require.Contains(t, line, "SAGWATCH_DATA_DIR")
}

func TestAsRoot(t *testing.T) {
	t.Parallel()
	if os.Getuid() != 0 {
		t.Skip("needs root: tells how root's PostgreSQL runs as another user")
	}
	dir := filepath.Join(folder(t), "data")
	start(t, dir)
	var st syscall.Stat_t
	require.NoError(t, syscall.Stat(filepath.Join(dir, "pgdata"), &st))
	require.NotZero(t, st.Uid)

	// Below a home only root may enter nobody else can run.
	home := filepath.Join(folder(t), "home")
	require.NoError(t, os.MkdirAll(filepath.Join(home, "sub"), 0o755))
	require.NoError(t, os.Chmod(home, 0o700))
	_, err := pglocal.Start(t.Context(), pglocal.Config{Dir: filepath.Join(home, "sub", "data")})
	require.ErrorIs(t, err, pglocal.ErrFolder)
	require.ErrorContains(t, err, "may not enter "+home+":")
	require.ErrorContains(t, err, "/var/lib/sagwatch")
}

func TestLongAndOddPaths(t *testing.T) {
	t.Parallel()
	for _, name := range []string{
		strings.Repeat("long/", 40) + "data",
		`with space, comma, "quote" and 'ü'`,
	} {
		dir := filepath.Join(folder(t), name)
		c := start(t, seeded(t, dir))
		require.Contains(t, c.DSN(), "host=/tmp/sagwatch-")
		require.Equal(t, "1", query(t, c.DSN(), `SELECT '1'`), name)
		a, err := pglocal.Attach(t.Context(), dir)
		require.NoError(t, err)
		require.Equal(t, c.DSN(), a.DSN())
		c.Stop()
		socket := strings.TrimPrefix(strings.Fields(c.DSN())[0], "host=")
		require.NoDirExists(t, socket)

		// Somebody else may have put something there.
		require.NoError(t, os.Mkdir(socket, 0o755))
		_, err = pglocal.Start(t.Context(), pglocal.Config{Dir: dir})
		require.ErrorIs(t, err, pglocal.ErrFolder)
		require.ErrorContains(t, err, socket)
		require.NoError(t, os.Remove(socket))
		require.Equal(t, c.DSN(), start(t, dir).DSN())
	}
}

func TestNoServerPrograms(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(folder(t), "data")
	_, err := pglocal.Start(t.Context(), pglocal.Config{Dir: dir, BinDir: folder(t)})
	require.ErrorIs(t, err, pglocal.ErrNoBinaries)
	require.ErrorContains(t, err, "apt-get install postgresql")
	require.NoDirExists(t, dir)
}

func TestFolderOfAnotherVersion(t *testing.T) {
	t.Parallel()
	dir := folder(t)
	data := filepath.Join(dir, "pgdata")
	require.NoError(t, os.Mkdir(data, 0o700))
	require.NoError(t, os.WriteFile(filepath.Join(data, "PG_VERSION"), []byte("9999\n"), 0o600))
	_, err := pglocal.Start(t.Context(), pglocal.Config{Dir: dir})
	require.ErrorIs(t, err, pglocal.ErrVersion)
	require.ErrorContains(t, err, "apt-get install postgresql-9999")

	require.NoError(t, os.WriteFile(filepath.Join(data, "PG_VERSION"), []byte("9.6\n"), 0o600))
	_, err = pglocal.Start(t.Context(), pglocal.Config{Dir: dir})
	require.ErrorIs(t, err, pglocal.ErrVersion)
	require.ErrorContains(t, err, `"9.6"`)
}

func TestNotAFolder(t *testing.T) {
	t.Parallel()
	file := filepath.Join(folder(t), "file")
	require.NoError(t, os.WriteFile(file, nil, 0o600))
	for _, dir := range []string{file, filepath.Join(file, "data")} {
		_, err := pglocal.Start(t.Context(), pglocal.Config{Dir: dir})
		require.ErrorIs(t, err, pglocal.ErrFolder)
		require.ErrorContains(t, err, "is not a folder")
	}
	_, err := pglocal.Start(t.Context(), pglocal.Config{})
	require.ErrorContains(t, err, "Dir is empty")
}

// What the server says when it cannot start reaches the caller.
func TestBrokenSettings(t *testing.T) {
	t.Parallel()
	dir := seeded(t, folder(t))
	conf := filepath.Join(dir, "pgdata", "postgresql.conf")
	good, err := os.ReadFile(conf)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(conf, append(good, "no_such_setting = 1\n"...), 0o600))
	_, err = pglocal.Start(t.Context(), pglocal.Config{Dir: dir})
	require.ErrorContains(t, err, "no_such_setting")
	require.ErrorContains(t, err, "postgres.log")

	// The folder is free again.
	require.NoError(t, os.WriteFile(conf, good, 0o600))
	start(t, dir)
}
