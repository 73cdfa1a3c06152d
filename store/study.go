package store

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"sagwatch/spc"
)

// Kinds of gauge studies.
const (
	SingleMasterStudy = "single-master"
	CrossedStudy      = "crossed"
	NestedStudy       = "nested"
	LinearityStudy    = "linearity"
	StabilityStudy    = "stability"
	AttributeStudy    = "attributes"
	HalfTurnStudy     = "half-turn"
)

// States of a study.
const (
	StudyCollecting = "collecting"
	StudyCollected  = "collected"
	StudyAdopted    = "adopted"
	StudyAbandoned  = "abandoned"
)

// StudyPart is a panel or a master of a study.
type StudyPart struct {
	Panel string `json:"panel"`
	// Reference is the certified value in the unit of the study's characteristic and ReferenceU its standard uncertainty.
	Reference  *float64 `json:"reference,omitempty"`
	ReferenceU float64  `json:"reference_u,omitempty"`
	Truth      *int     `json:"truth,omitempty"` // category that is right, where known
}

// StudyCharacteristic is what a study measures, with its tolerance when the study was planned.
type StudyCharacteristic struct {
	Name       string   `json:"name"`
	Unit       string   `json:"unit"`
	Lower      *float64 `json:"lower,omitempty"`
	Upper      *float64 `json:"upper,omitempty"`
	Resolution float64  `json:"resolution,omitempty"` // least step of a value, in Unit; 0: not stated
}

// StudyLine is one reading to take, numbers from 1. Part is an index from 1 into the plan's parts.
type StudyLine struct {
	Line      int  `json:"line"`
	Part      int  `json:"part"`
	Appraiser int  `json:"appraiser"`
	Trial     int  `json:"trial"`
	Turned    bool `json:"turned,omitempty"`
}

// StudyPlan is a study as it was planned.
type StudyPlan struct {
	Parts           []StudyPart           `json:"parts"` // of a nested study: those of the first appraiser, then of the second, ...
	Appraisers      []string              `json:"appraisers"`
	Trials          int                   `json:"trials"`
	Characteristics []StudyCharacteristic `json:"characteristics,omitempty"`
	Categories      []string              `json:"categories,omitempty"`
	Seed            uint64                `json:"seed"`
	Lines           []StudyLine           `json:"lines"`
	GaugeRevision   int                   `json:"gauge_revision"`
	ProductRevision int                   `json:"product_revision,omitempty"`
}

// Has tells whether a panel is part of the study.
func (p *StudyPlan) Has(panel string) bool {
	return slices.ContainsFunc(p.Parts, func(part StudyPart) bool { return part.Panel == panel })
}

// Study is a gauge study.
type Study struct {
	ID             int64 // set by the database
	Kind, Title    string
	Gauge, Product string
	Plan           StudyPlan
	Takes          bool // its readings come from what the gauge sends
	State          string
	By             string
	At             time.Time // set by the database
	Taken          int       // readings that stand; filled on reading
}

// StudyReading is one reading of a study.
type StudyReading struct {
	Seq             int64 // set by the database
	Line            int
	Measurement     int64 // 0: keyed in
	MeasuredAt      time.Time
	Characteristics map[string]float64
	Deviations      []float64 // um by place; nil: none
	Category        *int
	By              string
	At              time.Time // set by the database
	WithdrawnBy     string
	WithdrawnAt     time.Time // zero: it stands
}

// StudyEntry is a change of a study's state.
type StudyEntry struct {
	State, Reason string
	Detail        json.RawMessage
	By            string
	At            time.Time // set by the database
}

const studyColumns = `s.id, s.kind, s.title, s.gauge, s.product, s.plan, s.takes, s.state, s.by, s.at,
	(SELECT count(*) FROM study_reading r WHERE r.site = s.site AND r.study = s.id AND r.withdrawn_at IS NULL)`

func scanStudy(row pgx.CollectableRow) (v Study, err error) {
	var plan []byte
	if err = row.Scan(&v.ID, &v.Kind, &v.Title, &v.Gauge, &v.Product, &plan, &v.Takes, &v.State, &v.By, &v.At, &v.Taken); err != nil {
		return v, err
	}
	v.At = v.At.UTC()
	return v, json.Unmarshal(plan, &v.Plan)
}

// AddStudy keeps a plan and gives it its number; readings are those that are there already, as of a study of stability. ErrExists:
// another study that takes what this gauge sends is being collected.
func (s *Store) AddStudy(ctx context.Context, site string, v Study, readings []StudyReading) (Study, error) {
	plan, err := json.Marshal(v.Plan)
	if err != nil {
		return v, wrap(fmt.Errorf("%w: %w", ErrInvalid, err), "plan study %q", v.Title)
	}
	v.State = StudyCollecting
	if len(readings) == len(v.Plan.Lines) {
		v.State = StudyCollected
	}
	err = pgx.BeginFunc(ctx, s.pool, func(tx pgx.Tx) error {
		if err := tx.QueryRow(ctx, `
			INSERT INTO study (site, kind, title, gauge, product, plan, takes, state, by) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9) RETURNING id, at`,
			site, v.Kind, v.Title, v.Gauge, v.Product, plan, v.Takes, v.State, v.By).Scan(&v.ID, &v.At); err != nil {
			return err
		}
		for i := range readings {
			if err := addReading(ctx, tx, site, v.ID, &readings[i]); err != nil {
				return err
			}
		}
		return logStudy(ctx, tx, site, v.ID, StudyEntry{State: v.State, By: v.By})
	})
	v.At, v.Taken = v.At.UTC(), len(readings)
	return v, wrap(err, "plan study %q", v.Title)
}

func logStudy(ctx context.Context, tx pgx.Tx, site string, id int64, e StudyEntry) error {
	if e.Detail == nil {
		e.Detail = json.RawMessage("{}")
	}
	_, err := tx.Exec(ctx, `INSERT INTO study_log (site, study, state, reason, detail, by) VALUES ($1, $2, $3, $4, $5, $6)`,
		site, id, e.State, e.Reason, e.Detail, e.By)
	return err
}

func addReading(ctx context.Context, tx pgx.Tx, site string, id int64, r *StudyReading) error {
	values := r.Characteristics
	if values == nil {
		values = map[string]float64{}
	}
	body, err := json.Marshal(values)
	if err != nil {
		return fmt.Errorf("line %d: %w: %w", r.Line, ErrInvalid, err)
	}
	var measurement *int64
	if r.Measurement != 0 {
		measurement = &r.Measurement
	}
	err = tx.QueryRow(ctx, `
		INSERT INTO study_reading (site, study, line, measurement, measured_at, characteristics, deviations, category, by)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9) RETURNING seq, at`,
		site, id, r.Line, measurement, r.MeasuredAt, body, r.Deviations, r.Category, r.By).Scan(&r.Seq, &r.At)
	r.At = r.At.UTC()
	return err
}

// lockStudy reads a study and holds it until the transaction ends.
func lockStudy(ctx context.Context, tx pgx.Tx, site string, id int64) (Study, error) {
	rows, err := tx.Query(ctx, `SELECT `+studyColumns+` FROM study s WHERE s.site = $1 AND s.id = $2 FOR UPDATE OF s`, site, id) // study_pkey
	if err != nil {
		return Study{}, err
	}
	return pgx.CollectExactlyOneRow(rows, scanStudy)
}

func setStudy(ctx context.Context, tx pgx.Tx, site string, id int64, e StudyEntry) error {
	if _, err := tx.Exec(ctx, `UPDATE study SET state = $3 WHERE site = $1 AND id = $2`, site, id, e.State); err != nil {
		return err
	}
	return logStudy(ctx, tx, site, id, e)
}

// TakeStudyReading keeps a reading; with the last one the study is collected. ErrConflict: the study takes none any more. ErrExists:
// its line has one, or the measurement was taken before.
func (s *Store) TakeStudyReading(ctx context.Context, site string, id int64, r StudyReading) (StudyReading, error) {
	err := pgx.BeginFunc(ctx, s.pool, func(tx pgx.Tx) error {
		v, err := lockStudy(ctx, tx, site, id)
		if err != nil {
			return err
		}
		if v.State != StudyCollecting {
			return fmt.Errorf("the study is %s: %w", v.State, ErrConflict)
		}
		if r.Line < 1 || r.Line > len(v.Plan.Lines) {
			return fmt.Errorf("line %d of %d: %w", r.Line, len(v.Plan.Lines), ErrInvalid)
		}
		if err := addReading(ctx, tx, site, id, &r); err != nil {
			return err
		}
		if v.Taken+1 == len(v.Plan.Lines) {
			return setStudy(ctx, tx, site, id, StudyEntry{State: StudyCollected, By: r.By})
		}
		return nil
	})
	return r, wrap(err, "take line %d of study %d", r.Line, id)
}

// UndoStudyReading withdraws a reading, which stays to be seen; a study that was collected is collected again. ErrNotFound: no such
// reading stands. ErrConflict: the study is adopted or abandoned. ErrExists: the gauge has another study meanwhile.
func (s *Store) UndoStudyReading(ctx context.Context, site string, id, seq int64, by string) error {
	err := pgx.BeginFunc(ctx, s.pool, func(tx pgx.Tx) error {
		v, err := lockStudy(ctx, tx, site, id)
		if err != nil {
			return err
		}
		if v.State != StudyCollecting && v.State != StudyCollected || v.Kind == StabilityStudy {
			return fmt.Errorf("the study is %s: %w", v.State, ErrConflict)
		}
		tag, err := tx.Exec(ctx, `
			UPDATE study_reading SET withdrawn_by = $4, withdrawn_at = now() WHERE site = $1 AND study = $2 AND seq = $3 AND withdrawn_at IS NULL`,
			site, id, seq, by) // study_reading_pkey
		if err != nil {
			return err
		}
		if tag.RowsAffected() == 0 {
			return ErrNotFound
		}
		if v.State == StudyCollected {
			return setStudy(ctx, tx, site, id, StudyEntry{State: StudyCollecting, By: by})
		}
		return nil
	})
	return wrap(err, "undo a reading of study %d", id)
}

// AbandonStudy ends a study without a result; what was read stays. ErrConflict: it is adopted or abandoned already.
func (s *Store) AbandonStudy(ctx context.Context, site string, id int64, reason, by string) error {
	err := pgx.BeginFunc(ctx, s.pool, func(tx pgx.Tx) error {
		v, err := lockStudy(ctx, tx, site, id)
		if err != nil {
			return err
		}
		if v.State != StudyCollecting && v.State != StudyCollected {
			return fmt.Errorf("the study is %s: %w", v.State, ErrConflict)
		}
		return setStudy(ctx, tx, site, id, StudyEntry{State: StudyAbandoned, Reason: reason, By: by})
	})
	return wrap(err, "abandon study %d", id)
}

// AdoptStudy adds the revisions of definitions that a study led to and notes the adoption, both or neither; it may be adopted again.
// detail is made from the revisions as they were numbered. ErrConflict: the study is not collected.
func (s *Store) AdoptStudy(ctx context.Context, site string, id int64, defs []Definition, e StudyEntry, detail func([]Definition) (json.RawMessage, error)) error {
	e.State = StudyAdopted
	err := pgx.BeginFunc(ctx, s.pool, func(tx pgx.Tx) error {
		v, err := lockStudy(ctx, tx, site, id)
		if err != nil {
			return err
		}
		if v.State != StudyCollected && v.State != StudyAdopted {
			return fmt.Errorf("the study is %s: %w", v.State, ErrConflict)
		}
		if err := addDefinitions(ctx, tx, site, defs); err != nil {
			return err
		}
		if e.Detail, err = detail(defs); err != nil {
			return err
		}
		return setStudy(ctx, tx, site, id, e)
	})
	return wrap(err, "adopt study %d", id)
}

// Study is one study; ErrNotFound.
func (s *Store) Study(ctx context.Context, site string, id int64) (Study, error) {
	rows, err := s.pool.Query(ctx, `SELECT `+studyColumns+` FROM study s WHERE s.site = $1 AND s.id = $2`, site, id) // study_pkey
	if err != nil {
		return Study{}, wrap(err, "study %d", id)
	}
	v, err := pgx.CollectExactlyOneRow(rows, scanStudy)
	return v, wrap(err, "study %d", id)
}

// Studies lists up to limit studies before a number (0: the newest), newest first.
func (s *Store) Studies(ctx context.Context, site string, before int64, limit int) ([]Study, error) {
	rows, err := s.pool.Query(ctx, `
		SELECT `+studyColumns+` FROM study s WHERE s.site = $1 AND ($2 = 0 OR s.id < $2) ORDER BY s.id DESC LIMIT $3`, site, before, limit) // study_pkey
	if err != nil {
		return nil, wrap(err, "studies of site %q", site)
	}
	vs, err := pgx.CollectRows(rows, scanStudy)
	return vs, wrap(err, "studies of site %q", site)
}

// StudyReadings lists the readings of a study in the order in which they were taken, withdrawn ones included.
func (s *Store) StudyReadings(ctx context.Context, site string, id int64) ([]StudyReading, error) {
	rows, err := s.pool.Query(ctx, `
		SELECT seq, line, coalesce(measurement, 0), measured_at, characteristics, deviations, category, by, at, coalesce(withdrawn_by, ''), withdrawn_at
		FROM study_reading WHERE site = $1 AND study = $2 ORDER BY seq`, site, id) // study_reading_line
	if err != nil {
		return nil, wrap(err, "readings of study %d", id)
	}
	out, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (r StudyReading, err error) {
		var values []byte
		var withdrawn *time.Time
		if err = row.Scan(&r.Seq, &r.Line, &r.Measurement, &r.MeasuredAt, &values, &r.Deviations, &r.Category, &r.By, &r.At, &r.WithdrawnBy, &withdrawn); err != nil {
			return r, err
		}
		r.MeasuredAt, r.At, r.WithdrawnAt = r.MeasuredAt.UTC(), r.At.UTC(), orZero(withdrawn)
		return r, json.Unmarshal(values, &r.Characteristics)
	})
	return out, wrap(err, "readings of study %d", id)
}

// StudyLog lists the changes of a study's state, oldest first.
func (s *Store) StudyLog(ctx context.Context, site string, id int64) ([]StudyEntry, error) {
	rows, err := s.pool.Query(ctx, `SELECT state, reason, detail, by, at FROM study_log WHERE site = $1 AND study = $2 ORDER BY seq`, site, id) // study_log_study
	if err != nil {
		return nil, wrap(err, "log of study %d", id)
	}
	es, err := pgx.CollectRows(rows, pgx.RowToStructByName[StudyEntry])
	for i := range es {
		es[i].At = es[i].At.UTC()
	}
	return es, wrap(err, "log of study %d", id)
}

// StudyMeasurements lists what a gauge measured since a moment for studies and of its masters, in the order of measuring: current
// rows that no reading of the study came from, stored since the study was planned. A correction of what was taken is none: it is
// StudyChanges that tells of it.
func (s *Store) StudyMeasurements(ctx context.Context, site string, v *Study, since time.Time) ([]Row, error) {
	rows, err := queryRows(ctx, s.pool, `
		WHERE m.site = $1 AND m.gauge = $2 AND m.measured_at >= $3 AND m.stored_at >= $4 AND m.purpose IN ($5, $6) AND m.state = $7
		  AND NOT EXISTS (SELECT FROM study_reading r WHERE r.site = m.site AND r.study = $8 AND r.measurement = m.id)
		  AND (m.revision = 1 OR NOT EXISTS (
			SELECT FROM study_reading r JOIN measurement_key a ON a.site = r.site AND a.id = r.measurement JOIN measurement_key b ON b.site = m.site AND b.id = m.id
			WHERE r.site = m.site AND r.study = $8 AND coalesce(a.original, a.id) = coalesce(b.original, b.id)))
		ORDER BY m.measured_at, m.id LIMIT 1000`, site, v.Gauge, since, v.At, string(spc.Study), string(spc.MasterCheck), Current, v.ID) // measurement_gauge
	return rows, wrap(err, "measurements for study %d", v.ID)
}
