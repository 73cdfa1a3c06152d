package store

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"sagwatch/spc"
)

// States of a signal.
const (
	SignalOpen         = "open"
	SignalAcknowledged = "acknowledged"
	SignalClosed       = "closed"
	SignalWithdrawn    = "withdrawn" // a re-fold with late panels no longer finds it
)

// Signal is a chart's finding with what people did about it.
type Signal struct {
	spc.Fault
	State    string
	Reopened bool // it was closed or withdrawn and is open again
	// Lost is true when a re-fold no longer finds a signal that a person had already acknowledged or closed.
	Lost           bool
	Known, Changed time.Time // when it first became known, and last changed
}

// SignalLogEntry is one state of a signal and when it became known.
type SignalLogEntry struct {
	Known     time.Time
	State     string
	By        string // "" for what the fold found
	Note      string
	Cause     string
	Action    string
	CauseID   string    // on the plant's list, or spc.OtherCause; "" when none was named
	ActionID  string    // likewise
	FixedFrom time.Time // zero: not given
	Panels    []string  // late panels that made it vanish or come back
	Signal    spc.Fault // as it was known
}

// SignalFilter chooses signals; a zero field does not restrict.
type SignalFilter struct {
	States       []string
	Press, Gauge string
	Chart        string
	From, To     time.Time // line time of the first signalling panel; From inclusive, To exclusive
	Limit        int       // 0: 100
	Before       *SignalCursor
}

// SignalCursor is a place in a list of signals.
type SignalCursor struct {
	At time.Time
	ID string
}

const signalColumns = `body, state, reopened, lost, known, changed`

func rowToSignal(row pgx.CollectableRow) (g Signal, err error) {
	var body []byte
	if err = row.Scan(&body, &g.State, &g.Reopened, &g.Lost, &g.Known, &g.Changed); err != nil {
		return g, err
	}
	g.Known, g.Changed = g.Known.UTC(), g.Changed.UTC()
	return g, json.Unmarshal(body, &g.Fault)
}

// Signals lists signals, newest first by line time.
func (s *Store) Signals(ctx context.Context, site string, f SignalFilter) ([]Signal, error) {
	var at *time.Time
	var id string
	if f.Before != nil {
		at, id = &f.Before.At, f.Before.ID
	}
	limit := f.Limit
	if limit == 0 {
		limit = 100
	}
	rows, err := s.pool.Query(ctx, `
		SELECT `+signalColumns+` FROM signal
		WHERE site = $1 AND ($2::text[] IS NULL OR state = ANY ($2)) AND ($3 = '' OR press = $3)
		  AND ($4 = '' OR gauge = $4) AND ($5 = '' OR chart = $5)
		  AND ($6::timestamptz IS NULL OR at >= $6) AND ($7::timestamptz IS NULL OR at < $7)
		  AND ($8::timestamptz IS NULL OR (at, id) < ($8, $9 COLLATE "C"))
		ORDER BY at DESC, id DESC LIMIT $10`, // signal_at
		site, f.States, f.Press, f.Gauge, f.Chart, nullTime(f.From), nullTime(f.To), at, id, limit)
	if err != nil {
		return nil, wrap(err, "signals of site %q", site)
	}
	gs, err := pgx.CollectRows(rows, rowToSignal)
	return gs, wrap(err, "signals of site %q", site)
}

// Signal finds one.
func (s *Store) Signal(ctx context.Context, site, id string) (Signal, error) {
	rows, err := s.pool.Query(ctx, `SELECT `+signalColumns+` FROM signal WHERE site = $1 AND id = $2`, site, id)
	if err != nil {
		return Signal{}, wrap(err, "signal %q", id)
	}
	g, err := pgx.CollectExactlyOneRow(rows, rowToSignal)
	return g, wrap(err, "signal %q", id)
}

// SignalLog lists every state of a signal, oldest first.
func (s *Store) SignalLog(ctx context.Context, site, id string) ([]SignalLogEntry, error) {
	rows, err := s.pool.Query(ctx, `
		SELECT known, state, by, note, cause, action, cause_id, action_id, fixed_from, panels, body FROM signal_log
		WHERE site = $1 AND signal = $2 ORDER BY seq`, site, id) // signal_log_signal
	if err != nil {
		return nil, wrap(err, "log of signal %q", id)
	}
	es, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (e SignalLogEntry, err error) {
		var fixed *time.Time
		var body []byte
		err = row.Scan(&e.Known, &e.State, &e.By, &e.Note, &e.Cause, &e.Action, &e.CauseID, &e.ActionID, &fixed, &e.Panels, &body)
		if err != nil {
			return e, err
		}
		e.Known, e.FixedFrom = e.Known.UTC(), orZero(fixed)
		return e, json.Unmarshal(body, &e.Signal)
	})
	return es, wrap(err, "log of signal %q", id)
}

// SignalChange is what a person does to a signal.
type SignalChange struct {
	State         string // SignalAcknowledged, SignalClosed, or SignalOpen to reopen a closed one
	By            string
	Note          string
	Cause, Action string // of closing, in words
	// CauseID and ActionID are of closing: on the plant's list, or spc.OtherCause.
	CauseID, ActionID string
	AtRisk            *int64    // of closing: panels at risk as counted now; nil: as the signal has it, if it has it
	FixedFrom         time.Time // of closing: line time from which the fix holds; zero: none
}

// ChangeSignal acknowledges, closes or reopens a signal. An acknowledged signal may be acknowledged again, to add a
// note; ErrConflict when the state does not allow the change.
func (s *Store) ChangeSignal(ctx context.Context, site, id string, c SignalChange) error {
	err := pgx.BeginFunc(ctx, s.pool, func(tx pgx.Tx) error {
		var state, press, gauge string
		var body []byte
		var at time.Time
		err := tx.QueryRow(ctx, `SELECT state, press, gauge, at, body FROM signal WHERE site = $1 AND id = $2 FOR UPDATE`,
			site, id).Scan(&state, &press, &gauge, &at, &body)
		if err != nil {
			return err
		}
		ok := false
		switch c.State {
		case SignalAcknowledged:
			ok = state == SignalOpen || state == SignalAcknowledged
		case SignalClosed:
			ok = state == SignalOpen || state == SignalAcknowledged
		case SignalOpen:
			ok = state == SignalClosed
		default:
			return fmt.Errorf("state %q: %w", c.State, ErrInvalid)
		}
		if !ok {
			return fmt.Errorf("from %s to %s: %w", state, c.State, ErrConflict)
		}
		if _, err := tx.Exec(ctx, `
			UPDATE signal SET state = $3, reopened = reopened OR $4, changed = now() WHERE site = $1 AND id = $2`,
			site, id, c.State, c.State == SignalOpen); err != nil {
			return err
		}
		if _, err := tx.Exec(ctx, `
			INSERT INTO signal_log (site, signal, state, by, note, cause, action, cause_id, action_id, at_risk, fixed_from, body)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9,
				CASE WHEN $3 = 'closed' THEN coalesce($10::bigint, (($12::json)->'at_risk'->>'count')::bigint) END, $11, $12)`,
			site, id, c.State, c.By, c.Note, c.Cause, c.Action, c.CauseID, c.ActionID, c.AtRisk, nullTime(c.FixedFrom), body); err != nil {
			return err
		}
		notices := []Notice{{Site: site, Kind: NoticeSignal, Press: press, Gauge: gauge, From: at.UTC()}}
		if !c.FixedFrom.IsZero() || c.State == SignalOpen {
			// A fix begins a phase, and reopening takes it back: the charts are worked out anew.
			notices = append(notices, Notice{Site: site, Kind: NoticeEvent, Press: press, Gauge: gauge, From: at.UTC()})
		}
		return notify(ctx, tx, notices...)
	})
	return wrap(err, "change signal %q", id)
}

// Fix is when the cause of a signal was put right, as whoever closed it said.
type Fix struct {
	Press, Gauge, Stream string
	From                 time.Time // later than the signal
	By                   string
}

// Fixes lists what closed signals of a press, or of a gauge, say was put right and when; a fix of a signal that was
// opened again counts no more.
func (s *Store) Fixes(ctx context.Context, site, press, gauge string) ([]Fix, error) {
	rows, err := s.pool.Query(ctx, `
		SELECT g.press, g.gauge, g.stream, l.fixed_from, l.by FROM signal g
		CROSS JOIN LATERAL (
			SELECT fixed_from, by FROM signal_log l
			WHERE l.site = g.site AND l.signal = g.id AND l.state = 'closed' AND l.by <> '' ORDER BY seq DESC LIMIT 1) l
		WHERE g.site = $1 AND g.press = $2 AND g.gauge = $3 AND g.state = 'closed' AND l.fixed_from > g.at
		ORDER BY l.fixed_from, g.id`, site, press, gauge) // signal_log_signal
	if err != nil {
		return nil, wrap(err, "fixes of site %q", site)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[Fix])
	for i := range list {
		list[i].From = list[i].From.UTC()
	}
	return list, wrap(err, "fixes of site %q", site)
}

// Fold is what a fold over one press, or one gauge's masters, found.
type Fold struct {
	Press, Gauge string
	// Signals that are new or changed.
	Signals []spc.Fault
	// Withdrawn are the ids of signals that a re-fold no longer finds, LatePanels the panels that made it so.
	Withdrawn, LatePanels []string
	// Limits that came into force; those known already are not logged twice.
	Limits []LimitsInForce
	// Fold names the checkpoints; DropAfter deletes those at or after a key (stale after a re-fold from there), then
	// Checkpoints are added. Those of another digest are deleted with the first that is saved.
	Fold        string
	DropAfter   *spc.OrderKey
	Checkpoints []Checkpoint
}

// SaveFold stores what a fold found, all or nothing. Saving the same again changes and logs nothing.
func (s *Store) SaveFold(ctx context.Context, site string, f Fold) error {
	err := pgx.BeginFunc(ctx, s.pool, func(tx pgx.Tx) error {
		// One writer a press or gauge: two servers may hand over in between.
		if _, err := tx.Exec(ctx, `SELECT pg_advisory_xact_lock($1)`, lockKey("fold", site, f.Press, f.Gauge)); err != nil {
			return err
		}
		var first time.Time
		changed := false
		for i := range f.Signals {
			did, err := saveSignal(ctx, tx, site, &f.Signals[i], f.LatePanels)
			if err != nil {
				return fmt.Errorf("signal %q: %w", f.Signals[i].ID, err)
			}
			if did && (!changed || f.Signals[i].At.Before(first)) {
				first = f.Signals[i].At
			}
			changed = changed || did
		}
		for _, id := range f.Withdrawn {
			did, at, err := withdraw(ctx, tx, site, id, f.LatePanels)
			if err != nil {
				return fmt.Errorf("signal %q: %w", id, err)
			}
			if did && (!changed || at.Before(first)) {
				first = at
			}
			changed = changed || did
		}
		if len(f.Limits) > 0 {
			if err := logLimits(ctx, tx, site, f.Press, f.Gauge, f.Limits); err != nil {
				return fmt.Errorf("limits: %w", err)
			}
		}
		if err := saveCheckpoints(ctx, tx, site, f); err != nil {
			return fmt.Errorf("checkpoints: %w", err)
		}
		if !changed {
			return nil
		}
		return notify(ctx, tx, Notice{Site: site, Kind: NoticeSignal, Press: f.Press, Gauge: f.Gauge, From: first.UTC()})
	})
	return wrap(err, "save fold of press %q, gauge %q", f.Press, f.Gauge)
}

// saveSignal says whether anything changed.
func saveSignal(ctx context.Context, tx pgx.Tx, site string, g *spc.Fault, late []string) (bool, error) {
	body, err := json.Marshal(g)
	if err != nil {
		return false, err
	}
	var state string
	var lost bool
	var old []byte
	err = tx.QueryRow(ctx, `SELECT state, lost, body FROM signal WHERE site = $1 AND id = $2 FOR UPDATE`,
		site, g.ID).Scan(&state, &lost, &old)
	logState := ""
	note := ""
	switch {
	case err == pgx.ErrNoRows:
		state, logState = SignalOpen, SignalOpen
	case err != nil:
		return false, err
	case state == SignalWithdrawn:
		logState, note = SignalOpen, "found again"
	case lost:
		logState, note = state, "found again"
	case bytes.Equal(old, body):
		return false, nil
	}
	reopened := state == SignalWithdrawn
	if reopened {
		state = SignalOpen
	}
	if _, err := tx.Exec(ctx, `
		INSERT INTO signal (site, id, press, gauge, product, chart, stream, at, body, state)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)
		ON CONFLICT ON CONSTRAINT signal_pkey DO UPDATE SET press = $3, gauge = $4, product = $5, chart = $6, stream = $7,
			at = $8, body = $9, state = $10, reopened = signal.reopened OR $11, lost = false, changed = now()`,
		site, g.ID, g.Press, g.Gauge, g.Product, g.Chart, g.Stream, g.At, body, state, reopened); err != nil {
		return false, err
	}
	if logState == "" {
		return true, nil
	}
	return true, logSignal(ctx, tx, site, g.ID, logState, note, late, body)
}

// withdraw marks a signal that a re-fold lost. What a person has dealt with keeps its state.
func withdraw(ctx context.Context, tx pgx.Tx, site, id string, late []string) (bool, time.Time, error) {
	var state string
	var lost bool
	var at time.Time
	var body []byte
	err := tx.QueryRow(ctx, `SELECT state, lost, at, body FROM signal WHERE site = $1 AND id = $2 FOR UPDATE`,
		site, id).Scan(&state, &lost, &at, &body)
	if err != nil {
		return false, at, err
	}
	if state == SignalWithdrawn || lost {
		return false, at, nil
	}
	if state == SignalOpen {
		state = SignalWithdrawn
	} else {
		lost = true
	}
	if _, err := tx.Exec(ctx, `
		UPDATE signal SET state = $3, lost = $4, changed = now() WHERE site = $1 AND id = $2`, site, id, state, lost); err != nil {
		return false, at, err
	}
	return true, at, logSignal(ctx, tx, site, id, state, "no longer found with late panels", late, body)
}

func logSignal(ctx context.Context, tx pgx.Tx, site, id, state, note string, panels []string, body []byte) error {
	_, err := tx.Exec(ctx, `
		INSERT INTO signal_log (site, signal, state, by, note, cause, action, panels, body)
		VALUES ($1, $2, $3, '', $4, '', '', $5, $6)`, site, id, state, note, panels, body)
	return err
}
