package store

import (
	"context"

	"github.com/jackc/pgx/v5"
)

// Sites lists the sites that have definitions, by name.
func (s *Store) Sites(ctx context.Context) ([]string, error) {
	rows, err := s.pool.Query(ctx, `SELECT DISTINCT site FROM definition ORDER BY site`)
	if err != nil {
		return nil, wrap(err, "sites")
	}
	sites, err := pgx.CollectRows(rows, pgx.RowTo[string])
	return sites, wrap(err, "sites")
}
