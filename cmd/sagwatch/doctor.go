package main

import (
	"context"
	"fmt"
	"net/http"
	"strings"
	"time"

	"sagwatch/server"
	"sagwatch/store"
	"sagwatch/store/pglocal"
)

// doctorCmd looks at what the service needs and says what is wrong; its status serves as a health check.
type doctorCmd struct {
	URL string `help:"Ask only the running service at this address whether it is ready." placeholder:"URL"`
}

func (v *doctorCmd) Run(ctx context.Context, c *cli, s streams) error {
	ctx, cancel := context.WithTimeout(ctx, 15*time.Second)
	defer cancel()
	if v.URL != "" {
		req, err := http.NewRequestWithContext(ctx, http.MethodGet, strings.TrimRight(v.URL, "/")+"/readyz", nil)
		if err != nil {
			return err
		}
		res, err := http.DefaultClient.Do(req)
		if err != nil {
			return err
		}
		defer res.Body.Close()
		if res.StatusCode != http.StatusOK {
			return fmt.Errorf("the service at %s is not ready (%s)", v.URL, res.Status)
		}
		fmt.Fprintln(s.out, "The service is ready.")
		return nil
	}
	dsn := c.DatabaseURL
	if dsn == "" {
		dir, err := c.folder()
		if err != nil {
			return err
		}
		fmt.Fprintf(s.out, "No database is configured: the private PostgreSQL in %s is used.\n", dir)
		cluster, err := pglocal.Open(ctx, pglocal.Config{Dir: dir, BinDir: c.PgBin})
		if err != nil {
			return err
		}
		defer cluster.Stop()
		dsn = cluster.DSN()
	}
	st, err := store.Open(ctx, dsn, store.Options{MaxConns: 2})
	if err != nil {
		return err
	}
	defer st.Close()
	fmt.Fprintln(s.out, "The database answers.")
	have, want, err := st.SchemaVersions(ctx)
	if err != nil {
		return err
	}
	if have < want {
		return fmt.Errorf("the schema is at version %d, this program wants %d: run sagwatch migrate", have, want)
	}
	fmt.Fprintf(s.out, "The schema is at version %d.\n", have)
	site, err := server.ResolveSite(ctx, st, c.Site)
	if err != nil {
		return err
	}
	catalogue, err := server.ReadCatalogue(ctx, st, site)
	if err != nil {
		return err
	}
	fmt.Fprintf(s.out, "Site %s: %d products, %d presses, %d gauges.\n", site, len(catalogue.Products()), len(catalogue.Presses()), len(catalogue.Gauges()))
	return nil
}
