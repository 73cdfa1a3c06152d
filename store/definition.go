package store

import (
	"context"
	"encoding/json"
	"time"

	"github.com/jackc/pgx/v5"
)

// Definition is one revision of what a plant defined.
type Definition struct {
	Kind, ID      string // kind: site | product | press | gauge | chart
	Revision      int    // AddDefinitions sets it
	EffectiveFrom time.Time
	Body          json.RawMessage
	Retired       bool
	Reason, By    string
	At            time.Time // when it was stored; set by the database
}

// AddDefinitions appends a revision of each object, all or none, and sets Revision in defs.
func (s *Store) AddDefinitions(ctx context.Context, site string, defs []Definition) error {
	err := pgx.BeginFunc(ctx, s.pool, func(tx pgx.Tx) error { return addDefinitions(ctx, tx, site, defs) })
	return wrap(err, "add definitions of site %q", site)
}

func addDefinitions(ctx context.Context, tx pgx.Tx, site string, defs []Definition) error {
	// Two set-ups at once must not count the same revision.
	if _, err := tx.Exec(ctx, `SELECT pg_advisory_xact_lock($1)`, lockKey("definition", site)); err != nil {
		return err
	}
	for i := range defs {
		d := &defs[i]
		// Served by definition_pkey.
		err := tx.QueryRow(ctx, `
			INSERT INTO definition (site, kind, id, revision, effective_from, body, retired, reason, by)
			SELECT $1, $2, $3, coalesce(max(revision), 0) + 1, $4, $5, $6, $7, $8
			FROM definition WHERE site = $1 AND kind = $2 AND id = $3
			RETURNING revision, at`,
			site, d.Kind, d.ID, d.EffectiveFrom, d.Body, d.Retired, d.Reason, d.By).Scan(&d.Revision, &d.At)
		if err != nil {
			return wrap(err, "%s %q", d.Kind, d.ID)
		}
		d.At = d.At.UTC()
	}
	if len(defs) == 0 {
		return nil
	}
	return notify(ctx, tx, Notice{Site: site, Kind: NoticeDefinition})
}

// Definitions lists every revision by kind, id and revision.
func (s *Store) Definitions(ctx context.Context, site string) ([]Definition, error) {
	rows, err := s.pool.Query(ctx, `
		SELECT kind, id, revision, effective_from, body, retired, reason, by, at
		FROM definition WHERE site = $1 ORDER BY kind, id, revision`, site) // definition_pkey
	if err != nil {
		return nil, wrap(err, "definitions of site %q", site)
	}
	defs, err := pgx.CollectRows(rows, pgx.RowToStructByNameLax[Definition])
	for i := range defs {
		defs[i].EffectiveFrom, defs[i].At = defs[i].EffectiveFrom.UTC(), defs[i].At.UTC()
	}
	return defs, wrap(err, "definitions of site %q", site)
}
