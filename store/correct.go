package store

import (
	"bytes"
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"

	"sagwatch/spc"
)

// Correct puts row in the place of measurement id, which stays visible as superseded; the corrected value takes its own
// place in the order. ErrConflict when the measurement no longer stands, ErrExists when row's identity belongs to
// another measurement. The same content again is a duplicate and changes nothing.
func (s *Store) Correct(ctx context.Context, site string, id int64, row *Row, reason, by string) (Outcome, error) {
	if err := checkRow(row); err != nil {
		return Outcome{}, wrap(err, "correct measurement %d", id)
	}
	old, err := s.Measurement(ctx, site, id)
	if err != nil {
		return Outcome{}, err
	}
	if err := s.ensurePartitions(ctx, []*Row{row}); err != nil {
		return Outcome{}, wrap(err, "correct measurement %d", id)
	}
	var out Outcome
	err = pgx.BeginFunc(ctx, s.pool, func(tx pgx.Tx) (err error) {
		if err := lockGauges(ctx, tx, site, old.Gauge, row.Gauge); err != nil {
			return err
		}
		out, err = correct(ctx, tx, site, id, row, reason, by)
		return err
	})
	return out, wrap(err, "correct measurement %d", id)
}

// Void takes a measurement out of charts and counts; it stays visible with the reason.
func (s *Store) Void(ctx context.Context, site string, id int64, reason, by string) error {
	old, err := s.Measurement(ctx, site, id)
	if err != nil {
		return err
	}
	err = pgx.BeginFunc(ctx, s.pool, func(tx pgx.Tx) error {
		if err := lockGauges(ctx, tx, site, old.Gauge); err != nil {
			return err
		}
		old, err := retire(ctx, tx, site, id, Voided)
		if err != nil {
			return err
		}
		if _, err := tx.Exec(ctx, `
			INSERT INTO measurement_change (site, measurement, kind, reason, by) VALUES ($1, $2, 'void', $3, $4)`,
			site, id, reason, by); err != nil {
			return err
		}
		if err := recount(ctx, tx, site, groupOf(&old)); err != nil {
			return err
		}
		return notify(ctx, tx, noticesOf(site, []*Row{&old})...)
	})
	return wrap(err, "void measurement %d", id)
}

// lockGauges takes what queueLocks queues.
func lockGauges(ctx context.Context, tx pgx.Tx, site string, gauges ...string) error {
	batch := &pgx.Batch{}
	queueLocks(batch, site, gauges...)
	return tx.SendBatch(ctx, batch).Close()
}

// correct does the work of Correct under the gauges' locks.
func correct(ctx context.Context, tx pgx.Tx, site string, id int64, row *Row, reason, by string) (Outcome, error) {
	var hash []byte
	var original int64
	err := tx.QueryRow(ctx, `SELECT content_hash, coalesce(original, id) FROM measurement_key WHERE site = $1 AND id = $2`,
		site, id).Scan(&hash, &original)
	if err != nil {
		return Outcome{}, err
	}
	if bytes.Equal(hash, row.ContentHash[:]) {
		outs := []Outcome{{Status: Duplicate, ID: id}}
		err := fillExisting(ctx, tx, site, outs)
		return outs[0], err
	}
	old, err := retire(ctx, tx, site, id, Superseded)
	if err != nil {
		return Outcome{}, err
	}
	batch := &pgx.Batch{}
	held := queueHolders(batch, site, []*Row{row})
	ids := queueIDs(batch, 1)
	if err := tx.SendBatch(ctx, batch).Close(); err != nil {
		return Outcome{}, err
	}
	// The identity is new, or one that this chain of corrections owns already.
	h, taken := held[identityOf(row)]
	if taken && h.id != original {
		var chain int64
		if err := tx.QueryRow(ctx, `SELECT coalesce(original, id) FROM measurement_key WHERE site = $1 AND id = $2`,
			site, h.id).Scan(&chain); err != nil {
			return Outcome{}, err
		}
		if chain != original {
			return Outcome{}, fmt.Errorf("measurement %d has this identity: %w", h.id, ErrExists)
		}
	}
	row.ID, row.State, row.Revision, row.CorrectionOf, row.Counted = (*ids)[0], Current, old.Revision+1, id, false
	if err := copyRows(ctx, tx, site, []*Row{row}, func(*Row) (bool, int64) { return !taken, original }); err != nil {
		return Outcome{}, err
	}
	if _, err := tx.Exec(ctx, `
		INSERT INTO measurement_change (site, measurement, kind, replaced_by, reason, by) VALUES ($1, $2, 'correction', $3, $4, $5)`,
		site, id, row.ID, reason, by); err != nil {
		return Outcome{}, err
	}
	if err := recount(ctx, tx, site, groupOf(&old)); err != nil {
		return Outcome{}, err
	}
	if groupOf(row) != groupOf(&old) {
		if err := recount(ctx, tx, site, groupOf(row)); err != nil {
			return Outcome{}, err
		}
	}
	if err := tx.QueryRow(ctx, `SELECT counted FROM measurement_key WHERE site = $1 AND id = $2`, site, row.ID).Scan(&row.Counted); err != nil {
		return Outcome{}, err
	}
	return Outcome{Status: Stored, ID: row.ID}, notify(ctx, tx, noticesOf(site, []*Row{&old, row})...)
}

// retire gives a current measurement another state and takes its flag; ErrConflict when it does not stand any more.
func retire(ctx context.Context, tx pgx.Tx, site string, id int64, state string) (Row, error) {
	rows, err := rowsByID(ctx, tx, site, []int64{id})
	if err != nil {
		return Row{}, err
	}
	old, ok := rows[id]
	if !ok {
		return Row{}, ErrNotFound
	}
	if old.State != Current {
		return Row{}, fmt.Errorf("it is %s: %w", old.State, ErrConflict)
	}
	if old.Counted {
		if err := uncount(ctx, tx, site, []chosen{{old.Key(), id}}); err != nil {
			return Row{}, err
		}
	}
	_, err = tx.Exec(ctx, `UPDATE measurement SET state = $4, counted = false WHERE site = $1 AND id = $2 AND measured_at = $3`,
		site, id, old.MeasuredAt, state) // measurement_pkey
	return *old, err
}

// recount gives the flag to the first current production measurement of a group.
func recount(ctx context.Context, tx pgx.Tx, site string, g group) error {
	rows, err := queryRows(ctx, tx, `
		WHERE m.site = $1 AND m.press = $2 AND m.panel = $3 AND m.gauge = $4 AND m.state = 'current' AND m.purpose = $5
		ORDER BY `+orderColumns, site, g.press, g.panel, g.gauge, string(spc.Production)) // measurement_panel
	if err != nil {
		return err
	}
	var old, first []chosen
	for i := range rows {
		c := chosen{rows[i].Key(), rows[i].ID}
		switch {
		case i == 0 && !rows[i].Counted:
			first = append(first, c)
		case i > 0 && rows[i].Counted:
			old = append(old, c)
		}
	}
	if err := setCounted(ctx, tx, site, old, false); err != nil {
		return err
	}
	return setCounted(ctx, tx, site, first, true)
}

// head is the last of the chain of corrections that a measurement began.
func head(ctx context.Context, tx pgx.Tx, site string, id int64) (int64, error) {
	err := tx.QueryRow(ctx, `
		SELECT max(id) FROM measurement_key WHERE site = $1 AND original = (
			SELECT coalesce(original, id) FROM measurement_key WHERE site = $1 AND id = $2)
		HAVING max(id) IS NOT NULL`, site, id).Scan(&id) // measurement_key_chain
	if err == pgx.ErrNoRows {
		return id, nil
	}
	return id, err
}
