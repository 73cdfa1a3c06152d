package store

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"
)

// Plan is a reaction plan that was begun on a signal, with its steps as they were then.
type Plan struct {
	Signal, Cause string
	Revision      int // of the cause's definition; 0: as it comes with the program
	Name          string
	Steps         []string
	By            string
	At            time.Time   // set by the database
	Log           []StepEntry // oldest first
}

// StepEntry is one acknowledgement of a step, or its taking back.
type StepEntry struct {
	Step int // from 1
	Done bool
	Note string
	By   string
	At   time.Time // set by the database
}

// Standing finds the entry that holds of a step, the latest; false when nobody has touched it.
func (p *Plan) Standing(step int) (StepEntry, bool) {
	for _, e := range slices.Backward(p.Log) {
		if e.Step == step {
			return e, true
		}
	}
	return StepEntry{}, false
}

// Done counts the steps that stand as done.
func (p *Plan) Done() (n int) {
	for i := range p.Steps {
		if e, ok := p.Standing(i + 1); ok && e.Done {
			n++
		}
	}
	return n
}

// underWay locks a signal on which people still work, and returns what a notice about it says.
func underWay(ctx context.Context, tx pgx.Tx, site, signal string) (Notice, error) {
	n := Notice{Site: site, Kind: NoticeSignal}
	var state string
	err := tx.QueryRow(ctx, `SELECT state, press, gauge, at FROM signal WHERE site = $1 AND id = $2 FOR UPDATE`,
		site, signal).Scan(&state, &n.Press, &n.Gauge, &n.From)
	if err != nil {
		return n, err
	}
	if state != SignalOpen && state != SignalAcknowledged {
		return n, fmt.Errorf("the signal is %s: %w", state, ErrConflict)
	}
	n.From = n.From.UTC()
	return n, nil
}

// BeginPlan begins a plan on a signal: ErrExists when the plan of this cause was begun before, ErrConflict when the signal
// is closed or withdrawn.
func (s *Store) BeginPlan(ctx context.Context, site string, p Plan) error {
	if p.Steps == nil {
		p.Steps = []string{} // which the table refuses
	}
	err := pgx.BeginFunc(ctx, s.pool, func(tx pgx.Tx) error {
		notice, err := underWay(ctx, tx, site, p.Signal)
		if err != nil {
			return err
		}
		if _, err := tx.Exec(ctx, `
			INSERT INTO signal_plan (site, signal, cause, revision, name, steps, by) VALUES ($1, $2, $3, $4, $5, $6, $7)`,
			site, p.Signal, p.Cause, p.Revision, p.Name, p.Steps, p.By); err != nil {
			return err
		}
		return notify(ctx, tx, notice)
	})
	return wrap(err, "begin the plan of %q on signal %q", p.Cause, p.Signal)
}

// MarkStep acknowledges a step of a plan or takes that back, as a new entry: ErrNotFound when the plan was not begun,
// ErrInvalid when it has no such step, ErrConflict when the step stands so already or the signal is closed or withdrawn.
func (s *Store) MarkStep(ctx context.Context, site, signal, cause string, e StepEntry) error {
	err := pgx.BeginFunc(ctx, s.pool, func(tx pgx.Tx) error {
		notice, err := underWay(ctx, tx, site, signal)
		if err != nil {
			return err
		}
		var steps int
		var done bool
		err = tx.QueryRow(ctx, `
			SELECT cardinality(p.steps), coalesce((
				SELECT done FROM signal_step l WHERE l.site = p.site AND l.signal = p.signal AND l.cause = p.cause AND l.step = $4
				ORDER BY seq DESC LIMIT 1), false)
			FROM signal_plan p WHERE site = $1 AND signal = $2 AND cause = $3`, site, signal, cause, e.Step).Scan(&steps, &done) // signal_step_signal
		switch {
		case err != nil:
			return err
		case e.Step < 1 || e.Step > steps:
			return fmt.Errorf("step %d of %d: %w", e.Step, steps, ErrInvalid)
		case done == e.Done:
			return fmt.Errorf("step %d stands so already: %w", e.Step, ErrConflict)
		}
		if _, err := tx.Exec(ctx, `
			INSERT INTO signal_step (site, signal, cause, step, done, note, by) VALUES ($1, $2, $3, $4, $5, $6, $7)`,
			site, signal, cause, e.Step, e.Done, e.Note, e.By); err != nil {
			return err
		}
		return notify(ctx, tx, notice)
	})
	return wrap(err, "step %d of the plan of %q on signal %q", e.Step, cause, signal)
}

// Plans lists the plans begun on a signal, oldest first, with all that was ticked.
func (s *Store) Plans(ctx context.Context, site, signal string) ([]Plan, error) {
	rows, err := s.pool.Query(ctx, `
		SELECT signal, cause, revision, name, steps, by, at FROM signal_plan WHERE site = $1 AND signal = $2
		ORDER BY at, cause`, site, signal) // signal_plan_pkey
	if err != nil {
		return nil, wrap(err, "plans of signal %q", signal)
	}
	plans, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (p Plan, err error) {
		err = row.Scan(&p.Signal, &p.Cause, &p.Revision, &p.Name, &p.Steps, &p.By, &p.At)
		p.At = p.At.UTC()
		return p, err
	})
	if err != nil || len(plans) == 0 {
		return plans, wrap(err, "plans of signal %q", signal)
	}
	rows, err = s.pool.Query(ctx, `
		SELECT cause, step, done, note, by, at FROM signal_step WHERE site = $1 AND signal = $2 ORDER BY seq`, site, signal) // signal_step_signal
	if err != nil {
		return nil, wrap(err, "steps of signal %q", signal)
	}
	var cause string
	var e StepEntry
	_, err = pgx.ForEachRow(rows, []any{&cause, &e.Step, &e.Done, &e.Note, &e.By, &e.At}, func() error {
		e.At = e.At.UTC()
		for i := range plans {
			if plans[i].Cause == cause {
				plans[i].Log = append(plans[i].Log, e)
			}
		}
		return nil
	})
	return plans, wrap(err, "steps of signal %q", signal)
}

// ParetoFilter chooses what a Pareto counts; a zero field does not restrict.
type ParetoFilter struct {
	Press, Product, Mould string
	From, To              time.Time // line time; From inclusive, To exclusive
}

// Closing is how a signal that stands closed was closed last.
type Closing struct {
	Signal, Press, Gauge, Product, Stream string
	At                                    time.Time // line time of the first signalling panel
	Opened, Closed                        time.Time // when the signal became known, and was closed
	Cause, CauseID, Action, ActionID      string    // CauseID "" for a closing that named none
	AtRisk                                *int64    // as counted then; nil: not counted
}

// Closings lists signals that stand closed by their line time, oldest first; of one that was opened again and closed again
// the last closing counts. Mould fits a signal among whose streams that mould is.
func (s *Store) Closings(ctx context.Context, site string, f ParetoFilter) ([]Closing, error) {
	rows, err := s.pool.Query(ctx, `
		SELECT g.id, g.press, g.gauge, g.product, g.stream, g.at, g.known, l.known, l.cause, l.cause_id, l.action, l.action_id, l.at_risk
		FROM signal g CROSS JOIN LATERAL (
			SELECT known, cause, cause_id, action, action_id, at_risk FROM signal_log l
			WHERE l.site = g.site AND l.signal = g.id AND l.state = 'closed' AND l.by <> '' ORDER BY seq DESC LIMIT 1) l
		WHERE g.site = $1 AND g.state = 'closed' AND ($2 = '' OR g.press = $2) AND ($3 = '' OR g.product = $3)
		  AND ($4 = '' OR g.stream = 'mould:' || $4 OR g.body::jsonb @> jsonb_build_object('streams', jsonb_build_array('mould:' || $4)))
		  AND ($5::timestamptz IS NULL OR g.at >= $5) AND ($6::timestamptz IS NULL OR g.at < $6)
		ORDER BY g.at, g.id`, // signal_at, signal_log_signal
		site, f.Press, f.Product, f.Mould, nullTime(f.From), nullTime(f.To))
	if err != nil {
		return nil, wrap(err, "closings of site %q", site)
	}
	out, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (c Closing, err error) {
		err = row.Scan(&c.Signal, &c.Press, &c.Gauge, &c.Product, &c.Stream, &c.At, &c.Opened, &c.Closed, &c.Cause, &c.CauseID, &c.Action, &c.ActionID, &c.AtRisk)
		c.At, c.Opened, c.Closed = c.At.UTC(), c.Opened.UTC(), c.Closed.UTC()
		return c, err
	})
	return out, wrap(err, "closings of site %q", site)
}

// DefectCount is what was counted of one kind of defect. Pieces that do not conform and defects on units are other things and
// stay apart.
type DefectCount struct {
	Name                     string
	Nonconforming, Inspected int64
	Defects, Units           int64
	Measurements             int64 // that gave a count of it
}

// DefectCounts adds up the counts of what feeds charts, by the name of the defect.
func (s *Store) DefectCounts(ctx context.Context, site string, f ParetoFilter) ([]DefectCount, error) {
	rows, err := s.pool.Query(ctx, `
		SELECT c.key, coalesce(sum((c.value->>'nonconforming')::bigint), 0)::bigint, coalesce(sum((c.value->>'inspected')::bigint), 0)::bigint,
		       coalesce(sum((c.value->>'defects')::bigint), 0)::bigint, coalesce(sum((c.value->>'units')::bigint), 0)::bigint, count(*)
		FROM measurement m CROSS JOIN LATERAL json_each(m.counts) c
		WHERE m.site = $1 AND m.counted AND m.counts IS NOT NULL AND ($2 = '' OR m.press = $2) AND ($3 = '' OR m.product = $3)
		  AND ($4 = '' OR m.mould = $4) AND ($5::timestamptz IS NULL OR m.line_at >= $5) AND ($6::timestamptz IS NULL OR m.line_at < $6)
		GROUP BY c.key ORDER BY c.key`, // measurement_line
		site, f.Press, f.Product, f.Mould, nullTime(f.From), nullTime(f.To))
	if err != nil {
		return nil, wrap(err, "counts of defects of site %q", site)
	}
	out, err := pgx.CollectRows(rows, pgx.RowToStructByPos[DefectCount])
	return out, wrap(err, "counts of defects of site %q", site)
}
