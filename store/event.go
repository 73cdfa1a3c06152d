package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"sagwatch/spc"
)

// AddEvent appends an event and returns its number.
func (s *Store) AddEvent(ctx context.Context, site string, e spc.Event) (int64, error) {
	var id int64
	err := pgx.BeginFunc(ctx, s.pool, func(tx pgx.Tx) error {
		err := tx.QueryRow(ctx, `
			INSERT INTO event (site, press, gauge, kind, at, mould, text, by) VALUES ($1, $2, $3, $4, $5, $6, $7, $8)
			RETURNING id`, site, e.Press, e.Gauge, e.Kind, e.At, e.Mould, e.Text, e.By).Scan(&id)
		if err != nil {
			return err
		}
		return notify(ctx, tx, Notice{Site: site, Kind: NoticeEvent, Press: e.Press, Gauge: e.Gauge, From: e.At.UTC()})
	})
	return id, wrap(err, "add event %s", e.Kind)
}

// EventFilter chooses events; a zero field does not restrict.
type EventFilter struct {
	Press, Gauge string
	From, To     time.Time // From inclusive, To exclusive
}

// Events lists events by time.
func (s *Store) Events(ctx context.Context, site string, f EventFilter) ([]spc.Event, error) {
	rows, err := s.pool.Query(ctx, `
		SELECT id, press, gauge, kind, at, mould, text, by FROM event
		WHERE site = $1 AND ($2 = '' OR press = $2) AND ($3 = '' OR gauge = $3)
		  AND ($4::timestamptz IS NULL OR at >= $4) AND ($5::timestamptz IS NULL OR at < $5)
		ORDER BY at, id`, site, f.Press, f.Gauge, nullTime(f.From), nullTime(f.To)) // event_at
	if err != nil {
		return nil, wrap(err, "events of site %q", site)
	}
	es, err := pgx.CollectRows(rows, pgx.RowToStructByName[spc.Event])
	for i := range es {
		es[i].At = es[i].At.UTC()
	}
	return es, wrap(err, "events of site %q", site)
}
