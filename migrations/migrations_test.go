package migrations_test

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"io/fs"
	"os"
	"regexp"
	"strings"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/jackc/pgx/v5/stdlib"
	"github.com/pressly/goose/v3"
	"github.com/stretchr/testify/require"

	"sagwatch/migrations"
	"sagwatch/store"
	"sagwatch/store/storetest"
)

func TestMain(m *testing.M) { storetest.Main(m) }

func names(t *testing.T) []string {
	t.Helper()
	names, err := fs.Glob(migrations.FS, "*.sql")
	require.NoError(t, err)
	require.NotEmpty(t, names)
	return names
}

func TestNumbersAreUnique(t *testing.T) {
	t.Parallel()
	form := regexp.MustCompile(`^(\d{4})_[a-z0-9_]+\.sql$`)
	seen := map[string]string{}
	for _, n := range names(t) {
		m := form.FindStringSubmatch(n)
		require.NotNil(t, m, "%s: not of the form 0001_what.sql", n)
		require.Empty(t, seen[m[1]], "%s has the number of %s: give the newer one the next free number", n, seen[m[1]])
		seen[m[1]] = n
		b, err := migrations.FS.ReadFile(n)
		require.NoError(t, err)
		require.NotContains(t, string(b), "+goose Down", "%s: migrations only go forward", n)
		require.True(t, strings.HasPrefix(string(b), "-- "), "%s: begin with a comment that says why", n)
	}
}

// The list of landed files, which `make land` adds to.
const landedList = "../.ci/migrations.sha256"

func TestLandedFilesAreUnchanged(t *testing.T) {
	t.Parallel()
	list, err := os.ReadFile(landedList)
	require.NoError(t, err)
	changed, err := changedFiles(list, migrations.FS)
	require.NoError(t, err)
	require.Empty(t, changed, "a landed migration was changed or removed: put it back and write a new one")
}

// The check itself finds a changed and a removed file.
func TestChangedFiles(t *testing.T) {
	t.Parallel()
	n := names(t)[0]
	b, err := migrations.FS.ReadFile(n)
	require.NoError(t, err)
	sum := func(b []byte) string {
		h := sha256.Sum256(b)
		return hex.EncodeToString(h[:])
	}
	got, err := changedFiles([]byte(sum(b)+"  "+n+"\n"), migrations.FS)
	require.NoError(t, err)
	require.Empty(t, got)
	got, err = changedFiles([]byte(sum(append(b, ' '))+"  "+n+"\n"+sum(b)+"  0000_gone.sql\n"), migrations.FS)
	require.NoError(t, err)
	require.Equal(t, []string{n, "0000_gone.sql"}, got)
}

// changedFiles reads lines "hash  name" and returns the names whose file is gone or has another SHA-256.
func changedFiles(list []byte, files fs.FS) (changed []string, err error) {
	lines := bufio.NewScanner(bytes.NewReader(list))
	for lines.Scan() {
		hash, name, ok := strings.Cut(lines.Text(), "  ")
		if !ok {
			continue
		}
		b, err := fs.ReadFile(files, name)
		if sum := sha256.Sum256(b); err != nil || hex.EncodeToString(sum[:]) != hash {
			changed = append(changed, name)
		}
	}
	return changed, lines.Err()
}

// An empty database comes up to date, and doing it again changes nothing, also for two that start at once.
func TestMigrateEmpty(t *testing.T) {
	t.Parallel()
	dsn := storetest.EmptyDSN(t)
	errs := make(chan error)
	for range 3 {
		go func() {
			s, err := store.Open(t.Context(), dsn, store.Options{})
			if err == nil {
				defer s.Close()
				err = s.Migrate(t.Context())
			}
			errs <- err
		}()
	}
	for range 3 {
		require.NoError(t, <-errs)
	}
	s, err := store.Open(t.Context(), dsn, store.Options{})
	require.NoError(t, err)
	defer s.Close()
	have, want, err := s.SchemaVersions(t.Context())
	require.NoError(t, err)
	require.Equal(t, want, have)
	require.EqualValues(t, len(names(t)), want)
}

// A database that holds measurements, made by the migrations up to each number, comes up to date with all of them.
func TestMigratePopulated(t *testing.T) {
	t.Parallel()
	const firstWithMeasurements = 2
	for from := int64(firstWithMeasurements); from <= int64(len(names(t))); from++ {
		dsn := storetest.EmptyDSN(t)
		pool, err := pgxpool.New(t.Context(), dsn)
		require.NoError(t, err)
		db := stdlib.OpenDBFromPool(pool)
		p, err := goose.NewProvider(goose.DialectPostgres, db, migrations.FS)
		require.NoError(t, err)
		_, err = p.UpTo(t.Context(), from)
		require.NoError(t, err)
		s, err := store.Open(t.Context(), dsn, store.Options{})
		require.NoError(t, err)
		rows := storetest.Rows(0, 20)
		_, err = s.Insert(t.Context(), storetest.Site, rows)
		require.NoError(t, err)
		require.NoError(t, s.Migrate(t.Context()))
		for _, r := range rows {
			got, err := s.Measurement(t.Context(), storetest.Site, r.ID)
			require.NoError(t, err)
			require.Equal(t, r.Readings, got.Readings)
		}
		out, err := s.Insert(t.Context(), storetest.Site, rows[:1])
		require.NoError(t, err)
		require.Equal(t, store.Duplicate, out[0].Status)
		s.Close()
		require.NoError(t, db.Close())
		pool.Close()
	}
}

// Every column with a number that was measured or worked out says its unit; every constraint has a name of its own.
func TestColumnsSayTheirUnits(t *testing.T) {
	t.Parallel()
	conn, err := pgx.Connect(t.Context(), storetest.DSN(t))
	require.NoError(t, err)
	defer conn.Close(t.Context())
	rows, err := conn.Query(t.Context(), `
		SELECT c.table_name || '.' || c.column_name FROM information_schema.columns c
		WHERE c.table_schema = 'public' AND c.data_type IN ('double precision', 'ARRAY') AND c.udt_name IN ('float8', '_float8')
		  AND coalesce(col_description(c.table_name::regclass, c.ordinal_position), '') !~ '\m(mm|um|unit|place)\M'
		ORDER BY 1`)
	require.NoError(t, err)
	without, err := pgx.CollectRows(rows, pgx.RowTo[string])
	require.NoError(t, err)
	require.Empty(t, without)

	rows, err = conn.Query(t.Context(), `
		SELECT conrelid::regclass || ' ' || conname FROM pg_constraint
		WHERE connamespace = 'public'::regnamespace AND (conname ~ '_check\d*$' OR conname ~ '_key\d*$')
		  AND conrelid::regclass::text <> 'goose_db_version' ORDER BY 1`)
	require.NoError(t, err)
	unnamed, err := pgx.CollectRows(rows, pgx.RowTo[string])
	require.NoError(t, err)
	require.Empty(t, unnamed)
}
