package store

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"
)

// month names the partition of a moment: measurement_1990_01.
func month(t time.Time) string {
	t = t.UTC()
	return fmt.Sprintf("measurement_%04d_%02d", t.Year(), t.Month())
}

// ensurePartitions makes the monthly partitions that the rows need, before their transaction.
func (s *Store) ensurePartitions(ctx context.Context, rows []*Row) error {
	var missing []time.Time
	s.mu.RLock()
	last := ""
	for _, r := range rows {
		m := month(r.MeasuredAt)
		if m != last && !s.months[m] {
			missing = append(missing, r.MeasuredAt.UTC())
		}
		last = m
	}
	s.mu.RUnlock()
	slices.SortFunc(missing, time.Time.Compare)
	for _, t := range missing {
		if err := s.ensurePartition(ctx, t); err != nil {
			return fmt.Errorf("partition %s: %w", month(t), err)
		}
	}
	return nil
}

func (s *Store) ensurePartition(ctx context.Context, t time.Time) error {
	name := month(t)
	s.mu.RLock()
	known := s.months[name]
	s.mu.RUnlock()
	if known {
		return nil
	}
	from := time.Date(t.Year(), t.Month(), 1, 0, 0, 0, 0, time.UTC)
	err := pgx.BeginFunc(ctx, s.pool, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `SELECT pg_advisory_xact_lock($1)`, lockKey("partition")); err != nil {
			return err
		}
		var exists bool
		if err := tx.QueryRow(ctx, `SELECT to_regclass($1) IS NOT NULL`, name).Scan(&exists); err != nil || exists {
			return err
		}
		// Made apart and attached: CREATE TABLE ... PARTITION OF would lock out every reader and writer meanwhile.
		// Names and bounds are made of digits alone.
		if _, err := tx.Exec(ctx, fmt.Sprintf(`CREATE TABLE %s (LIKE measurement INCLUDING ALL)`, name)); err != nil {
			return err
		}
		const day = "2006-01-02 15:04:05Z"
		to := `'` + from.AddDate(0, 1, 0).Format(day) + `'`
		if from.Year() == 9999 && from.Month() == time.December {
			to = `MAXVALUE`
		}
		_, err := tx.Exec(ctx, fmt.Sprintf(`ALTER TABLE measurement ATTACH PARTITION %s FOR VALUES FROM ('%s') TO (%s)`,
			name, from.Format(day), to))
		return err
	})
	if err != nil {
		return err
	}
	s.mu.Lock()
	s.months[name] = true
	s.mu.Unlock()
	return nil
}
