package store

import (
	"context"

	"github.com/jackc/pgx/v5"

	"sagwatch/spc"
)

// Checkpoint is a fold's state after the measurement with Key.
type Checkpoint struct {
	Key    spc.OrderKey
	Digest []byte // of the configuration that the fold ran with
	Body   []byte
}

const checkpointKey = `(line_at, gauge, series, sequence_order, panel, measured_at, order_hash)`

func saveCheckpoints(ctx context.Context, tx pgx.Tx, site string, f Fold) error {
	if k := f.DropAfter; k != nil {
		if err := dropCheckpoints(ctx, tx, site, f.Fold, *k); err != nil {
			return err
		}
	}
	for i, c := range f.Checkpoints {
		if i == 0 {
			if _, err := tx.Exec(ctx, `DELETE FROM checkpoint WHERE site = $1 AND fold = $2 AND digest <> $3`,
				site, f.Fold, c.Digest); err != nil {
				return err
			}
		}
		if _, err := tx.Exec(ctx, `
			INSERT INTO checkpoint (site, fold, line_at, gauge, series, sequence_order, panel, measured_at, order_hash, digest, body)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)
			ON CONFLICT ON CONSTRAINT checkpoint_pkey DO UPDATE SET digest = $10, body = $11, at = now()`,
			append(append([]any{site, f.Fold}, keyArgs(c.Key)...), c.Digest, c.Body)...); err != nil {
			return err
		}
	}
	return nil
}

func dropCheckpoints(ctx context.Context, q execer, site, fold string, from spc.OrderKey) error {
	_, err := q.Exec(ctx, `
		DELETE FROM checkpoint WHERE site = $1 AND fold = $2
		  AND `+checkpointKey+` >= ($3::timestamptz, $4 COLLATE "C", $5 COLLATE "C", $6::bigint, $7 COLLATE "C", $8::timestamptz, $9::bigint)`,
		append([]any{site, fold}, keyArgs(from)...)...)
	return err
}

// Checkpoint finds the last one of a fold before a key (nil: the last of all) that ran with the digest; ErrNotFound
// when there is none.
func (s *Store) Checkpoint(ctx context.Context, site, fold string, digest []byte, before *spc.OrderKey) (Checkpoint, error) {
	where, args := "", []any{site, fold, digest}
	if before != nil {
		where = ` AND ` + checkpointKey + ` < ($4::timestamptz, $5 COLLATE "C", $6 COLLATE "C", $7::bigint, $8 COLLATE "C", $9::timestamptz, $10::bigint)`
		args = append(args, keyArgs(*before)...)
	}
	var c Checkpoint
	var seq, hash int64
	err := s.pool.QueryRow(ctx, `
		SELECT line_at, gauge, series, sequence_order, panel, measured_at, order_hash, digest, body FROM checkpoint
		WHERE site = $1 AND fold = $2 AND digest = $3`+where+`
		ORDER BY line_at DESC, gauge DESC, series DESC, sequence_order DESC, panel DESC, measured_at DESC, order_hash DESC
		LIMIT 1`, args...).Scan(&c.Key.LineAt, &c.Key.Gauge, &c.Key.Series, &seq, &c.Key.Panel, &c.Key.MeasuredAt, &hash,
		&c.Digest, &c.Body) // checkpoint_pkey, backwards
	c.Key.LineAt, c.Key.MeasuredAt = c.Key.LineAt.UTC(), c.Key.MeasuredAt.UTC()
	c.Key.Sequence, c.Key.Hash = fromOrder(seq), fromOrderHash(hash)
	return c, wrap(err, "checkpoint of fold %q", fold)
}

// DeleteCheckpoints deletes those of a fold at or after a key.
func (s *Store) DeleteCheckpoints(ctx context.Context, site, fold string, from spc.OrderKey) error {
	return wrap(dropCheckpoints(ctx, s.pool, site, fold, from), "delete checkpoints of fold %q", fold)
}
