package store

import (
	"context"
	"time"
)

// Insert stores measurements in one transaction and says what became of each, in their order.
func (s *Store) Insert(ctx context.Context, site string, rows []*Row) ([]Outcome, error) {
	return nil, ErrInvalid
}

// Measurement finds one by its id, in any state.
func (s *Store) Measurement(ctx context.Context, site string, id int64) (Row, error) {
	return Row{}, ErrNotFound
}

// Measurements lists measurements in line order; the cursor is nil after the last page.
func (s *Store) Measurements(ctx context.Context, site string, f MeasurementFilter) ([]Row, *Cursor, error) {
	return nil, nil, ErrNotFound
}

// Panel lists every measurement of a panel in line order, superseded and void ones too.
func (s *Store) Panel(ctx context.Context, site, press, serial string) ([]Row, error) {
	return nil, ErrNotFound
}

// Changes lists corrections and voids of a panel's measurements, oldest first.
func (s *Store) Changes(ctx context.Context, site, press, serial string) ([]Change, error) {
	return nil, ErrNotFound
}

// Correct puts row in the place of measurement id, which stays visible as superseded.
func (s *Store) Correct(ctx context.Context, site string, id int64, row *Row, reason, by string) (Outcome, error) {
	return Outcome{}, ErrNotFound
}

// Void takes a measurement out of everything; it stays visible.
func (s *Store) Void(ctx context.Context, site string, id int64, reason, by string) error {
	return ErrNotFound
}

// Conflicts lists conflicts by number; openOnly leaves out resolved ones.
func (s *Store) Conflicts(ctx context.Context, site string, openOnly bool) ([]ConflictEntry, error) {
	return nil, ErrNotFound
}

// ConflictByID finds one.
func (s *Store) ConflictByID(ctx context.Context, site string, id int64) (ConflictEntry, error) {
	return ConflictEntry{}, ErrNotFound
}

// ResolveConflict resolves an open conflict; ErrConflict when it is resolved already.
func (s *Store) ResolveConflict(ctx context.Context, site string, id int64, r Resolution) (Outcome, error) {
	return Outcome{}, ErrNotFound
}

// Observations calls fn with what feeds the charts of a press, in order; *Obs is reused between calls.
func (s *Store) Observations(ctx context.Context, site string, q ObservationQuery, fn func(*Obs) error) error {
	return ErrNotFound
}

// MasterChecks calls fn with a gauge's master checks in order; *Obs is reused between calls.
func (s *Store) MasterChecks(ctx context.Context, site string, q MasterQuery, fn func(*Obs) error) error {
	return ErrNotFound
}

// VerdictCounts counts what feeds charts by verdict.
func (s *Store) VerdictCounts(ctx context.Context, site string, q CountQuery) (Counts, error) {
	return Counts{}, ErrNotFound
}

// LatestPanels lists the last n current measurements of a press or a gauge ("": any), newest first.
func (s *Store) LatestPanels(ctx context.Context, site, press, gauge string, n int) ([]Row, error) {
	return nil, ErrNotFound
}

// Buckets sums up a characteristic over spans of line time.
func (s *Store) Buckets(ctx context.Context, site string, q BucketQuery) ([]Bucket, error) {
	return nil, ErrNotFound
}

var _ time.Time
