//go:build unix

package pglocal

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

// Attach connects to the cluster of dir that another process owns and runs, for
// a command beside the service. Stop on the result does nothing. ErrNotRunning
// when no server runs there or it is not ready yet.
func Attach(ctx context.Context, dir string) (*Cluster, error) {
	dir, err := filepath.Abs(dir)
	if err != nil {
		return nil, err
	}
	data := filepath.Join(dir, "pgdata")
	p, err := readPidFile(data)
	if errors.Is(err, fs.ErrPermission) {
		return nil, folderError(dir, err)
	}
	if err != nil || !p.ready || !serves(p.pid, data) {
		return nil, fmt.Errorf("%w: %s: start sagwatch serve first", ErrNotRunning, dir)
	}
	c := &Cluster{dsn: dsn(p.socket, database), data: data}
	conn, err := pgx.Connect(ctx, c.dsn)
	var refusal *pgconn.PgError
	switch {
	case errors.As(err, &refusal) && refusal.Code != "57P03" && refusal.Code != "3D000":
		// Not cannot_connect_now, nor invalid_catalog_name of a database that
		// its owner is about to make: waiting would not help.
		return nil, fmt.Errorf("PostgreSQL in %s: %w", dir, err)
	case err != nil:
		return nil, fmt.Errorf("%w: %s: %w", ErrNotRunning, dir, err)
	}
	if err := conn.Close(ctx); err != nil {
		return nil, err
	}
	return c, nil
}
