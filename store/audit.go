package store

import (
	"context"
	"encoding/json"
	"time"

	"github.com/jackc/pgx/v5"
)

// AuditEntry says who did what to what.
type AuditEntry struct {
	Seq    int64     // set by the database
	At     time.Time // set by the database
	By     string
	Action string          // "user.add", "measurement.void", ...
	Object string          // what it was done to
	Detail json.RawMessage // nil: none
}

// AddAudit appends an entry.
func (s *Store) AddAudit(ctx context.Context, site string, e AuditEntry) error {
	_, err := s.pool.Exec(ctx, `INSERT INTO audit (site, by, action, object, detail) VALUES ($1, $2, $3, $4, $5)`,
		site, e.By, e.Action, e.Object, e.Detail)
	return wrap(err, "audit %s %q", e.Action, e.Object)
}

// Audit lists up to limit entries before a sequence number (0: the newest), newest first.
func (s *Store) Audit(ctx context.Context, site string, before int64, limit int) ([]AuditEntry, error) {
	rows, err := s.pool.Query(ctx, `
		SELECT seq, at, by, action, object, detail FROM audit
		WHERE site = $1 AND ($2 = 0 OR seq < $2) ORDER BY seq DESC LIMIT $3`, site, before, limit) // audit_pkey
	if err != nil {
		return nil, wrap(err, "audit of site %q", site)
	}
	es, err := pgx.CollectRows(rows, pgx.RowToStructByName[AuditEntry])
	for i := range es {
		es[i].At = es[i].At.UTC()
	}
	return es, wrap(err, "audit of site %q", site)
}
