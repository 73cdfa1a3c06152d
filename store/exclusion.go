package store

import (
	"context"

	"github.com/jackc/pgx/v5"

	"sagwatch/spc"
)

// AddExclusion takes a measurement out of charts; ErrNotFound when there is no such measurement.
func (s *Store) AddExclusion(ctx context.Context, site string, e spc.Exclusion) error {
	return wrap(s.exclude(ctx, site, e, false), "exclude measurement %d", e.Measurement)
}

// LiftExclusion puts a measurement back into charts.
func (s *Store) LiftExclusion(ctx context.Context, site string, e spc.Exclusion) error {
	return wrap(s.exclude(ctx, site, e, true), "lift the exclusion of measurement %d", e.Measurement)
}

func (s *Store) exclude(ctx context.Context, site string, e spc.Exclusion, lift bool) error {
	return pgx.BeginFunc(ctx, s.pool, func(tx pgx.Tx) error {
		n := Notice{Site: site, Kind: NoticeLimits}
		err := tx.QueryRow(ctx, `
			SELECT press, gauge, panel, line_at FROM measurement_key WHERE site = $1 AND id = $2`,
			site, e.Measurement).Scan(&n.Press, &n.Gauge, &n.Panel, &n.From)
		if err != nil {
			return err
		}
		if _, err = tx.Exec(ctx, `
			INSERT INTO exclusion (site, measurement, lifted, reason, by) VALUES ($1, $2, $3, $4, $5)`,
			site, e.Measurement, lift, e.Reason, e.By); err != nil {
			return err
		}
		n.From = n.From.UTC()
		return notify(ctx, tx, n)
	})
}

// Exclusions lists the exclusions that stand, by measurement.
func (s *Store) Exclusions(ctx context.Context, site string) ([]spc.Exclusion, error) {
	return exclusions(ctx, s.pool, site)
}

func exclusions(ctx context.Context, q querier, site string) ([]spc.Exclusion, error) {
	rows, err := q.Query(ctx, `
		SELECT measurement, reason, by FROM (
			SELECT DISTINCT ON (measurement) measurement, lifted, reason, by FROM exclusion
			WHERE site = $1 ORDER BY measurement, seq DESC) last
		WHERE NOT lifted ORDER BY measurement`, site) // exclusion_measurement
	if err != nil {
		return nil, wrap(err, "exclusions of site %q", site)
	}
	es, err := pgx.CollectRows(rows, pgx.RowToStructByName[spc.Exclusion])
	return es, wrap(err, "exclusions of site %q", site)
}
