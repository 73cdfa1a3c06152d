package main

import (
	"context"
	"fmt"
	"os"

	"sagwatch/store"
	"sagwatch/store/pglocal"
)

// database is an open store with what must be stopped after it.
type database struct {
	*store.Store
	cluster *pglocal.Cluster // nil for a server that somebody else runs
}

// Close closes the connections, then stops the private PostgreSQL when this process started it.
func (d *database) Close() {
	d.Store.Close()
	if d.cluster != nil {
		d.cluster.Stop()
	}
}

// done is closed when the private PostgreSQL has ended; nil, so never, for any other.
func (d *database) done() <-chan struct{} {
	if d.cluster == nil {
		return nil
	}
	return d.cluster.Done()
}

// folder of the private PostgreSQL.
func (c *cli) folder() (string, error) {
	if c.DataDir != "" {
		return c.DataDir, nil
	}
	return pglocal.DefaultDir(os.Getenv)
}

// open connects to the configured database and migrates it. Without one it uses the private PostgreSQL: the service owns
// it (own), a command beside the service uses what runs.
func (c *cli) open(ctx context.Context, own bool) (*database, error) {
	d := &database{}
	dsn := c.DatabaseURL
	if dsn == "" {
		dir, err := c.folder()
		if err != nil {
			return nil, err
		}
		start := pglocal.Open
		if own {
			start = pglocal.Start
		}
		if d.cluster, err = start(ctx, pglocal.Config{Dir: dir, BinDir: c.PgBin}); err != nil {
			return nil, err
		}
		dsn = d.cluster.DSN()
	}
	var err error
	if d.Store, err = store.Open(ctx, dsn, store.Options{}); err != nil {
		if d.cluster != nil {
			d.cluster.Stop()
		}
		return nil, err
	}
	if err := d.Migrate(ctx); err != nil {
		d.Close()
		return nil, err
	}
	return d, nil
}

// migrateCmd brings the schema up to date; every other command does so too when it opens the database.
type migrateCmd struct{}

func (m *migrateCmd) Run(ctx context.Context, c *cli, s streams) error {
	d, err := c.open(ctx, false)
	if err != nil {
		return err
	}
	defer d.Close()
	have, want, err := d.SchemaVersions(ctx)
	if err != nil {
		return err
	}
	fmt.Fprintf(s.out, "The schema is at version %d of %d.\n", have, want)
	return nil
}
