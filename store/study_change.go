package store

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
)

// StudyChange tells that the measurement behind a reading of a study was corrected or voided after it was taken. The study keeps the
// reading as it was.
type StudyChange struct {
	Seq         int64 // of the reading
	Line        int
	Measurement int64 // from which the reading was taken
	ReplacedBy  int64 // what stands in its place now; 0: it was voided
	Reason, By  string
	At          time.Time
}

// StudyChanges lists the changes of the measurements behind the standing readings of a study, by line. Of several changes of one
// measurement the last is given.
func (s *Store) StudyChanges(ctx context.Context, site string, id int64) ([]StudyChange, error) {
	rows, err := s.pool.Query(ctx, `
		SELECT r.seq, r.line, r.measurement, coalesce(c.replaced_by, 0), c.reason, c.by, c.at
		FROM study_reading r
		JOIN measurement_change f ON f.site = r.site AND f.measurement = r.measurement
		JOIN measurement_key k ON k.site = r.site AND k.id = r.measurement
		CROSS JOIN LATERAL (
			SELECT x.replaced_by, x.reason, x.by, x.at FROM measurement_change x
			WHERE x.site = r.site AND x.measurement IN (
				SELECT h.id FROM measurement_key h WHERE h.site = r.site AND h.original = coalesce(k.original, k.id)
				UNION ALL SELECT coalesce(k.original, k.id))
			ORDER BY x.seq DESC LIMIT 1) c
		WHERE r.site = $1 AND r.study = $2 AND r.withdrawn_at IS NULL
		ORDER BY r.line`, site, id) // study_reading_line, measurement_change_once, measurement_key_chain
	if err != nil {
		return nil, wrap(err, "changes behind study %d", id)
	}
	out, err := pgx.CollectRows(rows, pgx.RowToStructByPos[StudyChange])
	for i := range out {
		out[i].At = out[i].At.UTC()
	}
	return out, wrap(err, "changes behind study %d", id)
}

// ReplaceStudyReading puts r in the place of a reading, which stays to be seen as withdrawn; e is logged under the study's state, which
// stays what it is. ErrNotFound: no such reading stands. ErrConflict: the study is abandoned. ErrExists: the measurement was taken before.
func (s *Store) ReplaceStudyReading(ctx context.Context, site string, id, seq int64, r StudyReading, e StudyEntry) (StudyReading, error) {
	err := pgx.BeginFunc(ctx, s.pool, func(tx pgx.Tx) error {
		v, err := lockStudy(ctx, tx, site, id)
		if err != nil {
			return err
		}
		if v.State == StudyAbandoned {
			return fmt.Errorf("the study is %s: %w", v.State, ErrConflict)
		}
		err = tx.QueryRow(ctx, `
			UPDATE study_reading SET withdrawn_by = $4, withdrawn_at = now() WHERE site = $1 AND study = $2 AND seq = $3 AND withdrawn_at IS NULL
			RETURNING line`, site, id, seq, e.By).Scan(&r.Line) // study_reading_pkey
		if err != nil {
			return err
		}
		if err := addReading(ctx, tx, site, id, &r); err != nil {
			return err
		}
		e.State = v.State
		return logStudy(ctx, tx, site, id, e)
	})
	return r, wrap(err, "replace a reading of study %d", id)
}
