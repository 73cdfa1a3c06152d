package store

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"time"

	"github.com/jackc/pgx/v5"

	"sagwatch/spc"
)

// rival is a row of a batch whose identity another content holds.
type rival struct {
	index  int // in the batch
	holder int64
	row    *Row
}

// settleRivals decides what becomes of rivals: a content that is known as a correction of the holder, or that became a
// measurement of its own, is a duplicate; any other is kept as a conflict, once.
func settleRivals(ctx context.Context, tx pgx.Tx, site string, rivals []rival, outcomes []Outcome) error {
	for _, v := range rivals {
		var id int64
		err := tx.QueryRow(ctx, `
			SELECT id FROM measurement_key WHERE site = $1 AND original = $2 AND content_hash = $3
			ORDER BY id DESC LIMIT 1`, site, v.holder, v.row.ContentHash[:]).Scan(&id) // measurement_key_chain
		if err == nil {
			outcomes[v.index] = Outcome{Status: Duplicate, ID: id}
			continue
		}
		if err != pgx.ErrNoRows {
			return err
		}
		var conflict int64
		var became *int64
		err = tx.QueryRow(ctx, `
			SELECT id, measurement FROM conflict WHERE site = $1 AND existing = $2 AND content_hash = $3`,
			site, v.holder, v.row.ContentHash[:]).Scan(&conflict, &became) // conflict_once
		if err == pgx.ErrNoRows {
			var content []byte
			if content, err = encodeContent(v.row); err != nil {
				return fmt.Errorf("panel %q: %w", v.row.Panel, err)
			}
			err = tx.QueryRow(ctx, `
				INSERT INTO conflict (site, existing, content_hash, content, source) VALUES ($1, $2, $3, $4, $5)
				RETURNING id`, site, v.holder, v.row.ContentHash[:], content, v.row.Source).Scan(&conflict)
		}
		switch {
		case err != nil:
			return err
		case became != nil:
			outcomes[v.index] = Outcome{Status: Duplicate, ID: *became}
		default:
			outcomes[v.index] = Outcome{Status: Conflict, ID: v.holder, Conflict: conflict}
		}
	}
	return nil
}

// content is a whole row as JSON: NaN readings are null, absent values are left out.
type content struct {
	Row           Row
	ContentHash   []byte
	Readings      []*float64
	Values        map[string]float64
	HasNoReadings bool `json:",omitempty"` // null, not an empty list
}

func encodeContent(r *Row) ([]byte, error) {
	c := content{Row: *r, ContentHash: r.ContentHash[:], Values: map[string]float64{}}
	c.HasNoReadings = r.Readings == nil
	for _, x := range r.Readings {
		if math.IsNaN(x) {
			c.Readings = append(c.Readings, nil)
		} else {
			c.Readings = append(c.Readings, &x)
		}
	}
	for k := range spc.NumComputed {
		if x, ok := r.Result.Values.Get(k); ok {
			c.Values[k.String()] = x
		}
	}
	c.Row.Readings, c.Row.Result.DeviationsUM, c.Row.Result.ResidualsUM = nil, nil, nil
	b, err := json.Marshal(c)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrInvalid, err)
	}
	return b, nil
}

func decodeContent(b []byte) (*Row, error) {
	var c content
	if err := json.Unmarshal(b, &c); err != nil {
		return nil, err
	}
	r := &c.Row
	copy(r.ContentHash[:], c.ContentHash)
	if !c.HasNoReadings {
		r.Readings = make([]float64, len(c.Readings))
		for i, x := range c.Readings {
			if r.Readings[i] = math.NaN(); x != nil {
				r.Readings[i] = *x
			}
		}
	}
	for name, x := range c.Values {
		k, ok := spc.ComputedByName(name)
		if !ok {
			return nil, fmt.Errorf("unknown value %q", name)
		}
		r.Result.Values.Set(k, x)
	}
	return r, nil
}

const conflictColumns = `id, existing, content, source, received_at, coalesce(resolution, ''), coalesce(measurement, 0),
	reason, resolved_by, resolved_at`

func rowToConflict(row pgx.CollectableRow) (c ConflictEntry, err error) {
	var body []byte
	var resolved *time.Time
	err = row.Scan(&c.ID, &c.Existing, &body, &c.Source, &c.ReceivedAt, &c.Resolution, &c.Measurement, &c.Reason, &c.By, &resolved)
	if err != nil {
		return c, err
	}
	c.ReceivedAt, c.ResolvedAt = c.ReceivedAt.UTC(), orZero(resolved)
	c.Row, err = decodeContent(body)
	return c, err
}

// Conflicts lists conflicts by number; openOnly leaves out resolved ones.
func (s *Store) Conflicts(ctx context.Context, site string, openOnly bool) ([]ConflictEntry, error) {
	rows, err := s.pool.Query(ctx, `SELECT `+conflictColumns+` FROM conflict
		WHERE site = $1 AND (NOT $2 OR resolution IS NULL) ORDER BY id`, site, openOnly) // conflict_open, conflict_pkey
	if err != nil {
		return nil, wrap(err, "conflicts of site %q", site)
	}
	cs, err := pgx.CollectRows(rows, rowToConflict)
	return cs, wrap(err, "conflicts of site %q", site)
}

// ConflictByID finds one.
func (s *Store) ConflictByID(ctx context.Context, site string, id int64) (ConflictEntry, error) {
	rows, err := s.pool.Query(ctx, `SELECT `+conflictColumns+` FROM conflict WHERE site = $1 AND id = $2`, site, id)
	if err != nil {
		return ConflictEntry{}, wrap(err, "conflict %d", id)
	}
	c, err := pgx.CollectExactlyOneRow(rows, rowToConflict)
	return c, wrap(err, "conflict %d", id)
}

// ResolveConflict resolves an open conflict; ErrConflict when it is resolved already, or when what it would correct no
// longer stands; ErrExists when the new series holds its identity too.
func (s *Store) ResolveConflict(ctx context.Context, site string, id int64, r Resolution) (Outcome, error) {
	c, err := s.ConflictByID(ctx, site, id)
	if err != nil {
		return Outcome{}, err
	}
	row := c.Row
	if r.Row != nil {
		row = r.Row
	}
	if r.Action == AcceptAsNewSeries {
		row.Series = r.Series
	}
	var out Outcome
	if r.Action != Drop {
		if err := checkRow(row); err != nil {
			return Outcome{}, wrap(err, "resolve conflict %d", id)
		}
		if err := s.ensurePartitions(ctx, []*Row{row}); err != nil {
			return Outcome{}, wrap(err, "resolve conflict %d", id)
		}
	}
	err = pgx.BeginFunc(ctx, s.pool, func(tx pgx.Tx) error {
		if r.Action != Drop {
			// The gauge before the conflict, as Insert takes them.
			if err := lockGauges(ctx, tx, site, c.Row.Gauge, row.Gauge); err != nil {
				return err
			}
		}
		var resolution *string
		if err := tx.QueryRow(ctx, `SELECT resolution FROM conflict WHERE site = $1 AND id = $2 FOR UPDATE`, site, id).Scan(&resolution); err != nil {
			return err
		}
		if resolution != nil {
			return fmt.Errorf("resolved already as %s: %w", *resolution, ErrConflict)
		}
		var became *int64
		switch r.Action {
		case Drop:
		case AcceptAsCorrection:
			target, err := head(ctx, tx, site, c.Existing)
			if err != nil {
				return err
			}
			if out, err = correct(ctx, tx, site, target, row, r.Reason, r.By); err != nil {
				return err
			}
			became = &out.ID
		case AcceptAsNewSeries:
			row.State, row.Revision, row.CorrectionOf, row.Counted, row.ID = Current, 1, 0, false, 0
			outs, err := insert(ctx, tx, site, []*Row{row})
			if err != nil {
				return err
			}
			if out = outs[0]; out.Status == Conflict {
				return fmt.Errorf("series %q has other content under this identity: %w", row.Series, ErrExists)
			}
			became = &out.ID
		default:
			return fmt.Errorf("action %q: %w", r.Action, ErrInvalid)
		}
		_, err := tx.Exec(ctx, `
			UPDATE conflict SET resolution = $3, measurement = $4, reason = $5, resolved_by = $6, resolved_at = now()
			WHERE site = $1 AND id = $2`, site, id, r.Action, became, r.Reason, r.By)
		return err
	})
	return out, wrap(err, "resolve conflict %d", id)
}
