// Package storetest gives each test a migrated database of its own, on a real PostgreSQL.
//
// Where the server comes from: SAGWATCH_TEST_DATABASE_URL when it is set (a server on which the user may create
// databases), else a private cluster in a temporary folder, one a test program, without durability (fsync off): a
// cluster that is thrown away need not survive a crash of the machine. Without PostgreSQL a test fails; it never skips.
//
// A test program says in one of its files
//
//	func TestMain(m *testing.M) { storetest.Main(m) }
//
// A database is dropped after its test. With SAGWATCH_TEST_KEEP=1 that of a failed test is kept and its address logged.
package storetest

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"sagwatch/migrations"
	"sagwatch/store"
	"sagwatch/store/pglocal"
)

const (
	urlVariable  = "SAGWATCH_TEST_DATABASE_URL"
	keepVariable = "SAGWATCH_TEST_KEEP"
	startTimeout = 2 * time.Minute
)

var (
	inMain  atomic.Bool
	stop    = func() {}
	kept    atomic.Bool
	counter atomic.Int64
	// server starts or finds the server once and returns its address and the template's name.
	server = sync.OnceValues(func() (s struct{ dsn, template string }, err error) {
		ctx, cancel := context.WithTimeout(context.Background(), startTimeout)
		defer cancel()
		if s.dsn = os.Getenv(urlVariable); s.dsn == "" {
			if s.dsn, err = startCluster(ctx); err != nil {
				return s, fmt.Errorf("no PostgreSQL for tests: %w (install it, or set %s)", err, urlVariable)
			}
		}
		s.template, err = makeTemplate(ctx, s.dsn)
		return s, err
	})
)

// Main runs a program's tests and then stops the private cluster.
func Main(m *testing.M) {
	inMain.Store(true)
	code := m.Run()
	stop()
	os.Exit(code)
}

// New returns a migrated database that is this test's alone.
func New(t testing.TB) *store.Store {
	t.Helper()
	s, err := store.Open(t.Context(), DSN(t), store.Options{MaxConns: 16})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	return s
}

// DSN makes a migrated database for this test alone and returns its address.
func DSN(t testing.TB) string {
	t.Helper()
	srv := running(t)
	return create(t, srv.dsn, "TEMPLATE "+srv.template)
}

// EmptyDSN makes a database without a schema and returns its address.
func EmptyDSN(t testing.TB) string {
	t.Helper()
	return create(t, running(t).dsn, "TEMPLATE template0")
}

func running(t testing.TB) struct{ dsn, template string } {
	t.Helper()
	if !inMain.Load() {
		t.Fatal("add func TestMain(m *testing.M) { storetest.Main(m) } to this package's tests")
	}
	srv, err := server()
	if err != nil {
		t.Fatal(err)
	}
	return srv
}

func create(t testing.TB, dsn, options string) string {
	t.Helper()
	name := fmt.Sprintf("sagwatch_test_%d_%d", os.Getpid(), counter.Add(1))
	if err := exec(t.Context(), dsn, `CREATE DATABASE `+name+` `+options); err != nil {
		t.Fatal(err)
	}
	own := withDatabase(dsn, name)
	t.Cleanup(func() {
		if t.Failed() && os.Getenv(keepVariable) != "" {
			kept.Store(true)
			t.Logf("database kept: %s", own)
			return
		}
		// The test's own context has ended by now.
		if err := exec(context.Background(), dsn, `DROP DATABASE `+name+` WITH (FORCE)`); err != nil {
			t.Error(err)
		}
	})
	return own
}

func startCluster(ctx context.Context) (string, error) {
	// Not below t.TempDir: root runs the server as another user, who must be able to enter, and the socket's path must
	// be short.
	dir, err := os.MkdirTemp("", "sagwatch-test-")
	if err != nil {
		return "", err
	}
	if err := os.Chmod(dir, 0o755); err != nil {
		return "", err
	}
	c, err := pglocal.Start(ctx, pglocal.Config{Dir: dir + "/pg", Volatile: true})
	if err != nil {
		os.RemoveAll(dir)
		return "", err
	}
	stop = func() {
		c.Stop()
		if kept.Load() {
			fmt.Fprintf(os.Stderr, "cluster with kept databases: %s\n", dir)
			return
		}
		os.RemoveAll(dir)
	}
	return c.DSN(), nil
}

// makeTemplate makes the database that all others are copies of, named by the hash of the migrations.
func makeTemplate(ctx context.Context, dsn string) (string, error) {
	name, err := templateName()
	if err != nil {
		return "", err
	}
	conn, err := pgx.Connect(ctx, dsn)
	if err != nil {
		return "", err
	}
	defer conn.Close(context.WithoutCancel(ctx)) //nolint:errcheck // nothing is lost with it
	// Several test programs may share the server. Any fixed number; it goes with the connection.
	if _, err := conn.Exec(ctx, `SELECT pg_advisory_lock(7346101)`); err != nil {
		return "", err
	}
	var ready bool
	if err := conn.QueryRow(ctx, `SELECT count(*) > 0 FROM pg_database WHERE datname = $1`, name).Scan(&ready); err != nil || ready {
		return name, err
	}
	// Migrated under another name, so that a half-made one is never taken for the template.
	building := name + "_new"
	for _, sql := range []string{`DROP DATABASE IF EXISTS ` + building, `CREATE DATABASE ` + building + ` TEMPLATE template0`} {
		if _, err := conn.Exec(ctx, sql); err != nil {
			return "", err
		}
	}
	s, err := store.Open(ctx, withDatabase(dsn, building), store.Options{})
	if err != nil {
		return "", err
	}
	err = s.Migrate(ctx)
	s.Close()
	if err != nil {
		return "", err
	}
	_, err = conn.Exec(ctx, `ALTER DATABASE `+building+` RENAME TO `+name)
	return name, err
}

func templateName() (string, error) {
	h := sha256.New()
	names, err := fs.Glob(migrations.FS, "*.sql")
	if err != nil {
		return "", err
	}
	for _, n := range names {
		b, err := migrations.FS.ReadFile(n)
		if err != nil {
			return "", err
		}
		fmt.Fprintf(h, "%s %d\n%s", n, len(b), b)
	}
	return "sagwatch_template_" + hex.EncodeToString(h.Sum(nil))[:16], nil
}

// withDatabase is dsn with another database.
func withDatabase(dsn, name string) string {
	if strings.HasPrefix(dsn, "postgres://") || strings.HasPrefix(dsn, "postgresql://") {
		if u, err := url.Parse(dsn); err == nil {
			u.Path = "/" + name
			return u.String()
		}
	}
	return dsn + " dbname=" + name // the last one counts
}

func exec(ctx context.Context, dsn, sql string) error {
	conn, err := pgx.Connect(ctx, dsn)
	if err != nil {
		return err
	}
	defer conn.Close(ctx) //nolint:errcheck // nothing is lost with it
	_, err = conn.Exec(ctx, sql)
	return err
}
