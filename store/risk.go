package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"
)

// MeasuredFirst is where in line time what a gauge measured on a press begins.
type MeasuredFirst struct {
	Press  string
	LineAt time.Time
}

// MeasuredFrom finds, for each press, the earliest line time of what a gauge has measured after a moment.
func (s *Store) MeasuredFrom(ctx context.Context, site, gauge string, after time.Time) ([]MeasuredFirst, error) {
	rows, err := s.pool.Query(ctx, `
		SELECT press, min(line_at) FROM measurement
		WHERE site = $1 AND gauge = $2 AND measured_at > $3 AND press <> '' AND purpose IN ('production', 'recheck') AND state IN ('current', 'void')
		GROUP BY press ORDER BY press`, site, gauge, after) // measurement_gauge
	if err != nil {
		return nil, wrap(err, "first measurements of gauge %q", gauge)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[MeasuredFirst])
	for i := range list {
		list[i].LineAt = list[i].LineAt.UTC()
	}
	return list, wrap(err, "first measurements of gauge %q", gauge)
}

// Ends is how many panels belong to a predicate, with the first and last in press order.
type Ends struct {
	Panels      int
	First, Last string // "": none
}

// PredicateEnds counts the panels of a predicate of a range of line time.
func (s *Store) PredicateEnds(ctx context.Context, site string, p HoldPredicate) (e Ends, err error) {
	q := newMembers(site, &p)
	err = s.pool.QueryRow(ctx, `
		SELECT count(DISTINCT m.panel), coalesce((array_agg(m.panel ORDER BY m.line_at, m.panel))[1], ''),
			coalesce((array_agg(m.panel ORDER BY m.line_at DESC, m.panel DESC))[1], '')
		FROM measurement m WHERE `+q.cond("m"), q.args...).Scan(&e.Panels, &e.First, &e.Last) // measurement_order
	return e, wrap(err, "panels of press %q", p.Press)
}
