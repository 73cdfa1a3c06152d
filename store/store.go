package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"hash/fnv"
	"strings"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/jackc/pgx/v5/stdlib"
	"github.com/pressly/goose/v3"
	"golang.org/x/sync/semaphore"

	"sagwatch/migrations"
)

// What a caller may tell apart with errors.Is.
var (
	ErrNotFound = errors.New("not found")
	ErrExists   = errors.New("exists already")
	ErrConflict = errors.New("conflicts with the present state")
	ErrInvalid  = errors.New("cannot be stored")
)

// longReaders is how many connections long readings may take on top of the pool's, all together.
const longReaders = 4

// Options of Open; the zero value is fit for use.
type Options struct {
	MaxConns    int32  // 0: the pool's default
	Application string // shown in pg_stat_activity; "": sagwatch
}

// Store is a pool of connections to one database. It is safe for concurrent use.
type Store struct {
	pool *pgxpool.Pool
	life context.Context // ends with Close
	end  context.CancelFunc
	// beside bounds the connections that long readings take on top of the pool's.
	beside *semaphore.Weighted

	mu     sync.RWMutex
	months map[string]bool // partitions known to exist
}

// Open connects to the database that dsn (a URL or key=value text) names. It does not migrate.
func Open(ctx context.Context, dsn string, opt Options) (*Store, error) {
	cfg, err := pgxpool.ParseConfig(dsn)
	if err != nil {
		return nil, fmt.Errorf("store: the database's address: %w", err)
	}
	if opt.MaxConns > 0 {
		cfg.MaxConns = opt.MaxConns
	}
	params := cfg.ConnConfig.RuntimeParams
	if params["application_name"] == "" {
		params["application_name"] = "sagwatch"
	}
	if opt.Application != "" {
		params["application_name"] = opt.Application
	}
	params["timezone"] = "UTC"
	// Queries here are short; compiling them costs more than it saves.
	params["jit"] = "off"
	// Lists come in an index's order, page by page. When the planner's statistics lag behind an import it thinks that
	// sorting everything is as cheap; sorts that are needed are made all the same.
	params["enable_sort"] = "off"
	pool, err := pgxpool.NewWithConfig(ctx, cfg)
	if err != nil {
		return nil, fmt.Errorf("store: open: %w", err)
	}
	if err := pool.Ping(ctx); err != nil {
		pool.Close()
		return nil, fmt.Errorf("store: open: %w", err)
	}
	s := &Store{pool: pool, beside: semaphore.NewWeighted(longReaders), months: map[string]bool{}}
	s.life, s.end = context.WithCancel(context.Background())
	return s, nil
}

// Close waits for running queries and closes all connections.
func (s *Store) Close() {
	s.end()
	s.pool.Close()
}

// Ping asks whether the database answers.
func (s *Store) Ping(ctx context.Context) error {
	if err := s.pool.Ping(ctx); err != nil {
		return fmt.Errorf("store: ping: %w", err)
	}
	return nil
}

// provider runs migrations over one connection of the pool's database.
func (s *Store) provider() (*goose.Provider, *sql.DB, error) {
	db := stdlib.OpenDBFromPool(s.pool)
	p, err := goose.NewProvider(goose.DialectPostgres, db, migrations.FS)
	if err != nil {
		db.Close()
		return nil, nil, err
	}
	return p, db, nil
}

// Migrate brings the schema up to date. Several programs may call it at once: one migrates, the others wait.
func (s *Store) Migrate(ctx context.Context) error {
	// A session lock on a connection of its own; migrations run each in a transaction of theirs.
	conn, err := s.pool.Acquire(ctx)
	if err != nil {
		return fmt.Errorf("store: migrate: %w", err)
	}
	defer conn.Release()
	key := lockKey("migrate")
	if _, err := conn.Exec(ctx, `SELECT pg_advisory_lock($1)`, key); err != nil {
		return fmt.Errorf("store: migrate: %w", err)
	}
	// Without the caller's context: the lock must go even when it was cancelled.
	defer conn.Exec(context.WithoutCancel(ctx), `SELECT pg_advisory_unlock($1)`, key) //nolint:errcheck // a broken connection has lost the lock anyway
	p, db, err := s.provider()
	if err != nil {
		return fmt.Errorf("store: migrate: %w", err)
	}
	defer db.Close()
	if _, err := p.Up(ctx); err != nil {
		return fmt.Errorf("store: migrate: %w", err)
	}
	return nil
}

// SchemaVersions are the database's schema number and the one that this program wants.
func (s *Store) SchemaVersions(ctx context.Context) (have, want int64, err error) {
	p, db, err := s.provider()
	if err != nil {
		return 0, 0, fmt.Errorf("store: schema versions: %w", err)
	}
	defer db.Close()
	if have, want, err = p.GetVersions(ctx); err != nil {
		return 0, 0, fmt.Errorf("store: schema versions: %w", err)
	}
	return have, want, nil
}

// lockKey turns names into an advisory lock's number. Two that collide only wait for one another.
func lockKey(names ...string) int64 {
	h := fnv.New64a()
	h.Write([]byte("sagwatch\x00" + strings.Join(names, "\x00"))) //nolint:errcheck // never fails
	return int64(h.Sum64())
}

// wrap names the call and turns PostgreSQL's codes into the sentinels.
func wrap(err error, format string, args ...any) error {
	if err == nil {
		return nil
	}
	what := "store: " + fmt.Sprintf(format, args...)
	var pg *pgconn.PgError
	switch {
	case errors.Is(err, pgx.ErrNoRows):
		return fmt.Errorf("%s: %w", what, ErrNotFound)
	case errors.As(err, &pg):
		switch pg.Code {
		case "23505": // unique_violation
			return fmt.Errorf("%s: %w: %w", what, ErrExists, err)
		case "23514", "22021", "22P05", "54000": // check_violation, invalid text, untranslatable, index row too large
			return fmt.Errorf("%s: %w: %w", what, ErrInvalid, err)
		}
	}
	return fmt.Errorf("%s: %w", what, err)
}

// nullTime is nil for the zero time.
func nullTime(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	return &t
}

// orZero is the zero time for nil, and UTC otherwise.
func orZero(t *time.Time) time.Time {
	if t == nil {
		return time.Time{}
	}
	return t.UTC()
}
