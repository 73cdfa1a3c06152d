//go:build unix

// Package pglocal runs a private PostgreSQL for one data folder: the server
// programs that the system already has, a cluster of its own, reached through a
// unix socket only and by peer authentication, so that no password and no open
// port exists. The server ends with the process that started it, also when that
// process is killed, and the next start finds everything that was committed.
//
// One process owns a data folder (Start). Others may use the running cluster
// while it does (Attach). A command that does not care calls Open.
//
//	find.go      the server programs, of the version that wrote the folder
//	folder.go    the data folder: where it is by default, who may use it
//	account.go   the user PostgreSQL runs as, and who may log in
//	lock.go      one owner at a time; what an earlier owner left running
//	initdb.go    a new cluster
//	socket.go    a folder for the socket with a path that is short enough
//	run.go       the server process, from start to stop
//	attach.go    the running cluster of another process
//
// PostgreSQL packages: the distribution's. Nothing is downloaded here.
package pglocal

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"path/filepath"
	"time"
)

// Config says where a cluster lives.
type Config struct {
	// Dir is the data folder; it is created when missing. Required.
	Dir string

	// BinDir is the folder with initdb and postgres. Empty: PATH and the usual
	// places of distributions are searched for the version that wrote Dir, or
	// for the newest when Dir is new.
	BinDir string

	// Log receives what happens to the server: started, exited, waiting. The
	// server's own log is postgres.log in Dir. Nil: nothing is logged.
	Log *slog.Logger

	// Volatile gives up durability for speed. A crash of the machine may
	// destroy the whole cluster: only for clusters thrown away after a test.
	Volatile bool
}

// The reasons a cluster cannot be had that a caller may want to tell apart. The
// error that wraps one says which folder, and what to do.
var (
	ErrNoBinaries = errors.New("no PostgreSQL server programs")         // not installed
	ErrVersion    = errors.New("PostgreSQL of another version")         // Dir needs a version that is not installed
	ErrOwned      = errors.New("data folder in use")                    // another process owns Dir
	ErrNotRunning = errors.New("no PostgreSQL runs on the data folder") // nothing to attach to
	ErrFolder     = errors.New("data folder unusable")                  // cannot be created, written or entered
	ErrDiskFull   = errors.New("disk full")
)

// Cluster is a running private PostgreSQL with the database sagwatch in it.
type Cluster struct {
	dsn    string
	data   string  // the cluster's own folder
	binDir string  // of the programs the server was started from
	server *server // nil when attached
}

// Start brings up the cluster of cfg.Dir, creating it when the folder is new,
// and makes this process its only owner (ErrOwned when there is one already).
// It returns when the database accepts connections. After a crash that includes
// the replay of the log, so it waits as long as the server keeps trying and ctx
// allows; ctx does not bound the life of the cluster.
func Start(ctx context.Context, cfg Config) (*Cluster, error) {
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.NewTextHandler(io.Discard, nil))
	}
	if cfg.Dir == "" {
		return nil, errors.New("pglocal: Config.Dir is empty")
	}
	var err error
	if cfg.Dir, err = filepath.Abs(cfg.Dir); err != nil {
		return nil, err
	}
	return start(ctx, cfg)
}

// Open returns the cluster of cfg.Dir: started by this process, or, when another
// process owns the folder, attached to (waiting for an owner that is still
// starting). A service calls Start; a command that may run beside the service
// calls Open.
func Open(ctx context.Context, cfg Config) (*Cluster, error) {
	for {
		c, err := Start(ctx, cfg)
		if !errors.Is(err, ErrOwned) {
			return c, err
		}
		owned := err
		// The owner may still be starting, or be gone by now: after some rounds
		// the folder is asked for again.
		for range 5 {
			if c, err = Attach(ctx, cfg.Dir); !errors.Is(err, ErrNotRunning) {
				return c, err
			}
			select {
			case <-ctx.Done():
				return nil, errors.Join(owned, ctx.Err())
			case <-time.After(100 * time.Millisecond):
			}
		}
	}
}

// DSN is the connection string of the database, for pgx and for PostgreSQL's
// own programs. A later Start on the same folder gives the same string, so a
// connection pool survives a restart.
func (c *Cluster) DSN() string { return c.dsn }

// BinDir is the folder of PostgreSQL's programs of the cluster's version
// (pg_dump, psql and so on, where they are installed); empty when unknown.
func (c *Cluster) BinDir() string {
	if c.server != nil {
		return c.binDir
	}
	major, err := writtenBy(c.data)
	if err != nil {
		return ""
	}
	bin, err := find("", major)
	if err != nil {
		return ""
	}
	return bin.dir
}

// Done is closed when the server has ended, by Stop or by itself. It is nil,
// so never ready, for an attached cluster: there the connections tell.
func (c *Cluster) Done() <-chan struct{} {
	if c.server == nil {
		return nil
	}
	return c.server.done
}

// Stop ends the server and gives the folder free. Sessions still open are
// ended; what they committed is kept. On an attached cluster it does nothing.
// It may be called again.
func (c *Cluster) Stop() {
	if c.server != nil {
		c.server.stop()
	}
}
