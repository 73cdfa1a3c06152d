package store

import (
	"context"
	"encoding/json"
	"fmt"
	"strconv"
	"time"

	"github.com/jackc/pgx/v5"
)

// NoticeHold tells that a hold was made or changed, or that somebody decided on panels of it.
const NoticeHold = "hold"

// What may be decided on a panel of a hold.
const (
	Release   = "release"
	Remeasure = "remeasure" // it stays on hold until it was measured again and somebody decides
	Rework    = "rework"
	Scrap     = "scrap"
	// Lifted is what closing a hold writes for panels on which nobody had decided.
	Lifted = "lifted"
)

// HoldPredicate says which panels of a press belong to a hold: those of a range of line time, those of a list, or those of a range of
// serials. It is kept as it is and asked anew each time, so that a panel that is stored later belongs to it too.
//
// A panel's place in line time is that of any measurement of it for production or as a recheck that still stands or was made void (the
// reading fell, the glass is there) and that can tell: one whose time pressed is known, or its first at a gauge. A recheck without a time
// pressed tells nothing where an earlier measurement does.
type HoldPredicate struct {
	Press string
	// Moulds (stations), Lanes and Gauges restrict a range of time: a panel of any of those named belongs to the hold; none named: all.
	Moulds, Lanes, Gauges []string
	From, To              time.Time // line time, From inclusive, To exclusive; zero To: open
	Serials               []string
	First, Last           string // serials of equal length in the order of their characters, both inclusive
}

// ByTime tells whether the predicate is a range of line time.
func (p *HoldPredicate) ByTime() bool { return !p.From.IsZero() }

// Open tells whether panels yet to be pressed belong to it.
func (p *HoldPredicate) Open() bool { return p.ByTime() && p.To.IsZero() }

// Hold is a predicate with who made it and why.
type Hold struct {
	ID int64
	HoldPredicate
	Signal     string // that it was made for; "": none
	Reason, By string
	At         time.Time
	Closed     time.Time // zero: open for decisions
}

// HoldEntry is one happening of a hold's log.
type HoldEntry struct {
	Kind       string // made | ended | closed
	To         time.Time
	Lifted     int // of a closing: panels on which nobody had decided
	Reason, By string
	At         time.Time
}

// HoldDecision is what somebody decided on a panel.
type HoldDecision struct {
	Panel      string
	Decision   string
	Reason, By string
	At         time.Time
}

const holdColumns = `h.id, h.press, h.moulds, h.lanes, h.gauges, h.from_at, h.to_at, h.serials, h.first, h.last, h.signal, h.reason, h.by, h.at, h.closed`

// holdFields are what holdColumns are scanned into, and what follows them.
func holdFields(h *Hold) (fields []any, finish func()) {
	var from, to, closed *time.Time
	return []any{&h.ID, &h.Press, &h.Moulds, &h.Lanes, &h.Gauges, &from, &to, &h.Serials, &h.First, &h.Last, &h.Signal, &h.Reason, &h.By, &h.At, &closed},
		func() { h.From, h.To, h.Closed, h.At = orZero(from), orZero(to), orZero(closed), h.At.UTC() }
}

func scanHold(row pgx.CollectableRow) (h Hold, err error) {
	fields, finish := holdFields(&h)
	err = row.Scan(fields...)
	finish()
	return h, err
}

// AddHold puts panels on hold and returns the hold's number.
func (s *Store) AddHold(ctx context.Context, site string, h Hold) (int64, error) {
	var id int64
	err := pgx.BeginFunc(ctx, s.pool, func(tx pgx.Tx) error {
		some := func(list []string) []string { return append([]string{}, list...) } // never null
		err := tx.QueryRow(ctx, `
			INSERT INTO hold (site, press, moulds, lanes, gauges, from_at, to_at, serials, first, last, signal, reason, by)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13) RETURNING id`,
			site, h.Press, some(h.Moulds), some(h.Lanes), some(h.Gauges), nullTime(h.From), nullTime(h.To), some(h.Serials), h.First, h.Last, h.Signal,
			h.Reason, h.By).Scan(&id)
		if err != nil {
			return err
		}
		return noteHold(ctx, tx, site, id, HoldEntry{Kind: "made", To: h.To, Reason: h.Reason, By: h.By}, h.Press, h.From)
	})
	return id, wrap(err, "hold panels of press %q", h.Press)
}

// noteHold writes a happening to the hold's log and to the audit, and tells listeners.
func noteHold(ctx context.Context, tx pgx.Tx, site string, id int64, e HoldEntry, press string, from time.Time) error {
	if _, err := tx.Exec(ctx, `INSERT INTO hold_log (site, hold, kind, to_at, lifted, reason, by) VALUES ($1, $2, $3, $4, $5, $6, $7)`,
		site, id, e.Kind, nullTime(e.To), e.Lifted, e.Reason, e.By); err != nil {
		return err
	}
	detail, err := json.Marshal(map[string]any{"reason": e.Reason, "to": nullTime(e.To), "lifted": e.Lifted})
	if err != nil {
		return err
	}
	if err := auditHold(ctx, tx, site, id, e.By, "hold."+e.Kind, detail); err != nil {
		return err
	}
	return notify(ctx, tx, Notice{Site: site, Kind: NoticeHold, Press: press, From: from.UTC()})
}

func auditHold(ctx context.Context, tx pgx.Tx, site string, id int64, by, action string, detail []byte) error {
	_, err := tx.Exec(ctx, `INSERT INTO audit (site, by, action, object, detail) VALUES ($1, $2, $3, $4, $5)`,
		site, by, action, strconv.FormatInt(id, 10), json.RawMessage(detail))
	return err
}

// Hold finds one by its number.
func (s *Store) Hold(ctx context.Context, site string, id int64) (Hold, error) {
	h, err := holdByID(ctx, s.pool, site, id, "")
	return h, wrap(err, "hold %d", id)
}

func holdByID(ctx context.Context, q querier, site string, id int64, lock string) (Hold, error) {
	rows, err := q.Query(ctx, `SELECT `+holdColumns+` FROM hold h WHERE h.site = $1 AND h.id = $2 `+lock, site, id)
	if err != nil {
		return Hold{}, err
	}
	return pgx.CollectExactlyOneRow(rows, scanHold)
}

// HoldFilter chooses holds; a zero field does not restrict.
type HoldFilter struct {
	Press    string
	Presses  []string
	Signal   string
	OpenOnly bool  // not closed
	Before   int64 // number; for the next page
	Limit    int   // 0: all
}

// Holds lists holds, newest first.
func (s *Store) Holds(ctx context.Context, site string, f HoldFilter) ([]Hold, error) {
	var c conditions
	c.add("h.site = ?", site)
	c.equal("h.press", f.Press)
	c.equal("h.signal", f.Signal)
	if f.Presses != nil {
		c.add("h.press = ANY (?)", f.Presses)
	}
	if f.OpenOnly {
		c.add("h.closed IS NULL")
	}
	if f.Before > 0 {
		c.add("h.id < ?", f.Before)
	}
	sql := `SELECT ` + holdColumns + ` FROM hold h` + c.String() + ` ORDER BY h.id DESC` // hold_pkey, hold_signal
	if f.Limit > 0 {
		c.args = append(c.args, f.Limit)
		sql += fmt.Sprintf(` LIMIT $%d`, len(c.args))
	}
	rows, err := s.pool.Query(ctx, sql, c.args...)
	if err != nil {
		return nil, wrap(err, "holds of site %q", site)
	}
	hs, err := pgx.CollectRows(rows, scanHold)
	return hs, wrap(err, "holds of site %q", site)
}

// HoldLog lists what was done to a hold, oldest first.
func (s *Store) HoldLog(ctx context.Context, site string, id int64) ([]HoldEntry, error) {
	rows, err := s.pool.Query(ctx, `
		SELECT kind, coalesce(to_at, '0001-01-01 00:00:00Z') AS to, lifted, reason, by, at FROM hold_log
		WHERE site = $1 AND hold = $2 ORDER BY seq`, site, id) // hold_log_hold
	if err != nil {
		return nil, wrap(err, "log of hold %d", id)
	}
	es, err := pgx.CollectRows(rows, pgx.RowToStructByPos[HoldEntry])
	for i := range es {
		es[i].To, es[i].At = es[i].To.UTC(), es[i].At.UTC()
	}
	return es, wrap(err, "log of hold %d", id)
}

// HoldDecisions lists the last decisions of a hold, newest first, replaced ones too; of one panel, or of all ("").
func (s *Store) HoldDecisions(ctx context.Context, site string, id int64, panel string, limit int) ([]HoldDecision, error) {
	rows, err := s.pool.Query(ctx, `
		SELECT panel, decision, reason, by, at FROM hold_decision
		WHERE site = $1 AND hold = $2 AND ($3 = '' OR panel = $3) ORDER BY seq DESC LIMIT $4`, site, id, panel, limit) // hold_decision_panel
	if err != nil {
		return nil, wrap(err, "decisions of hold %d", id)
	}
	ds, err := pgx.CollectRows(rows, pgx.RowToStructByPos[HoldDecision])
	for i := range ds {
		ds[i].At = ds[i].At.UTC()
	}
	return ds, wrap(err, "decisions of hold %d", id)
}

// EndHold ends an open range from a line time on: panels pressed then or later are no longer held. ErrConflict when the range has an end.
func (s *Store) EndHold(ctx context.Context, site string, id int64, to time.Time, reason, by string) error {
	err := pgx.BeginFunc(ctx, s.pool, func(tx pgx.Tx) error {
		h, err := holdByID(ctx, tx, site, id, "FOR UPDATE")
		if err != nil {
			return err
		}
		if !h.Open() {
			return fmt.Errorf("its range has an end: %w", ErrConflict)
		}
		if !to.After(h.From) {
			return fmt.Errorf("an end at or before its beginning: %w", ErrInvalid)
		}
		if _, err := tx.Exec(ctx, `UPDATE hold SET to_at = $3 WHERE site = $1 AND id = $2`, site, id, to); err != nil {
			return err
		}
		return noteHold(ctx, tx, site, id, HoldEntry{Kind: "ended", To: to, Reason: reason, By: by}, h.Press, h.From)
	})
	return wrap(err, "end hold %d", id)
}

// OutstandingError says how many panels of a hold nobody has decided on.
type OutstandingError struct{ Panels int }

func (e *OutstandingError) Error() string {
	return fmt.Sprintf("%d panels without a decision", e.Panels)
}

// CloseHold closes a hold. Without a reason it returns an OutstandingError when nobody has decided on some panel; with one those panels are
// lifted. A panel that comes later and belongs to the range is held all the same. ErrConflict when its range is open or it is closed already.
func (s *Store) CloseHold(ctx context.Context, site string, id int64, reason, by string) error {
	err := pgx.BeginFunc(ctx, s.pool, func(tx pgx.Tx) error {
		h, err := holdByID(ctx, tx, site, id, "FOR UPDATE")
		if err != nil {
			return err
		}
		if h.Open() || !h.Closed.IsZero() {
			return fmt.Errorf("closed already, or its range is open: %w", ErrConflict)
		}
		q := newMembers(site, &h.HoldPredicate)
		n := len(q.args)
		outstanding := ` FROM (SELECT DISTINCT panel FROM (` + q.every() + `) m) x` + latestDecision(fmt.Sprintf("$%d::bigint", n+1), "x") + `
			WHERE d.decision IS NULL OR d.decision = 'remeasure'`
		lifted := 0
		if reason == "" {
			if err := tx.QueryRow(ctx, `SELECT count(*)`+outstanding, append(q.args, id)...).Scan(&lifted); err != nil {
				return err
			}
			if lifted > 0 {
				return &OutstandingError{lifted}
			}
		} else {
			tag, err := tx.Exec(ctx, fmt.Sprintf(`
				INSERT INTO hold_decision (site, hold, panel, decision, reason, by)
				SELECT $1, $%d, x.panel, 'lifted', $%d, $%d`, n+1, n+2, n+3)+outstanding, append(q.args, id, reason, by)...)
			if err != nil {
				return err
			}
			lifted = int(tag.RowsAffected())
		}
		if _, err := tx.Exec(ctx, `UPDATE hold SET closed = now() WHERE site = $1 AND id = $2`, site, id); err != nil {
			return err
		}
		return noteHold(ctx, tx, site, id, HoldEntry{Kind: "closed", Lifted: lifted, Reason: reason, By: by}, h.Press, h.From)
	})
	return wrap(err, "close hold %d", id)
}

// NotHeldError names panels that do not belong to a hold.
type NotHeldError struct{ Panels []string }

func (e *NotHeldError) Error() string {
	return fmt.Sprintf("panels that do not belong to it: %q", e.Panels)
}

// Decide writes one decision for several panels of a hold, all or none, and returns for how many. A NotHeldError names those that do not
// belong to it. With onlyOutstanding panels are passed over on which somebody has decided meanwhile.
func (s *Store) Decide(ctx context.Context, site string, id int64, d HoldDecision, panels []string, onlyOutstanding bool) (int, error) {
	done := 0
	err := pgx.BeginFunc(ctx, s.pool, func(tx pgx.Tx) error {
		// The lock lets decisions follow one another, so that "only outstanding" is true when it is written.
		h, err := holdByID(ctx, tx, site, id, "FOR UPDATE")
		if err != nil {
			return err
		}
		held, err := holdsOf(ctx, tx, site, idsOf(h.Press, panels), id)
		if err != nil {
			return err
		}
		var write, strange []string
		seen := map[string]bool{}
		for _, panel := range panels {
			if seen[panel] {
				continue
			}
			seen[panel] = true
			switch hs := held[PanelID{h.Press, panel}]; {
			case len(hs) == 0:
				strange = append(strange, panel)
			case !onlyOutstanding || hs[0].Outstanding():
				write = append(write, panel)
			}
		}
		if len(strange) > 0 {
			return &NotHeldError{strange}
		}
		if done = len(write); done == 0 {
			return nil
		}
		if _, err := tx.Exec(ctx, `
			INSERT INTO hold_decision (site, hold, panel, decision, reason, by)
			SELECT $1, $2, p, $4, $5, $6 FROM unnest($3::text[]) WITH ORDINALITY u(p, n) ORDER BY n`, site, id, write, d.Decision, d.Reason, d.By); err != nil {
			return err
		}
		detail, err := json.Marshal(map[string]any{"panels": write, "decision": d.Decision, "reason": d.Reason})
		if err != nil {
			return err
		}
		if err := auditHold(ctx, tx, site, id, d.By, "hold."+d.Decision, detail); err != nil {
			return err
		}
		return notify(ctx, tx, Notice{Site: site, Kind: NoticeHold, Press: h.Press, From: h.From.UTC()})
	})
	return done, wrap(err, "decide on panels of hold %d", id)
}

// SettledPanels lists, by open hold, the panels that the latest decision on them lets go.
func (s *Store) SettledPanels(ctx context.Context, site string) (map[int64]map[string]bool, error) {
	rows, err := s.pool.Query(ctx, `
		SELECT hold, panel FROM (
			SELECT DISTINCT ON (d.hold, d.panel) d.hold, d.panel, d.decision FROM hold h
			JOIN hold_decision d ON d.site = h.site AND d.hold = h.id
			WHERE h.site = $1 AND h.closed IS NULL ORDER BY d.hold, d.panel, d.seq DESC) x
		WHERE decision IN ('release', 'lifted')`, site) // hold_decision_panel
	if err != nil {
		return nil, wrap(err, "settled panels")
	}
	out := map[int64]map[string]bool{}
	var id int64
	var panel string
	_, err = pgx.ForEachRow(rows, []any{&id, &panel}, func() error {
		if out[id] == nil {
			out[id] = map[string]bool{}
		}
		out[id][panel] = true
		return nil
	})
	return out, wrap(err, "settled panels")
}

// BarredCounts counts, of what VerdictCounts counts, the panels that a hold keeps from being good.
func (s *Store) BarredCounts(ctx context.Context, site string, q CountQuery) (n Counts, err error) {
	var c conditions
	c.add("m.site = ?", site)
	c.equal("m.press", q.Press)
	c.between("m.line_at", q.From, q.To)
	of := conditions{args: c.args}
	of.add("m.counted")
	of.equal("m.product", q.Product)
	of.equal("m.mould", q.Mould)
	of.equal("m.gauge", q.Gauge)
	// A hold by time whose range lies elsewhere holds none of them.
	near := conditions{args: of.args}
	near.add("h.site = ?", site)
	near.equal("h.press", q.Press)
	if !q.From.IsZero() {
		near.add("(h.to_at IS NULL OR h.to_at > ?)", q.From)
	}
	if !q.To.IsZero() {
		near.add("(h.from_at IS NULL OR h.from_at < ?)", q.To)
	}
	err = s.pool.QueryRow(ctx, `
		WITH near AS MATERIALIZED (SELECT h.* FROM hold h`+near.String()+`)
		SELECT count(*) FILTER (WHERE m.verdict = 'conforms'), count(*) FILTER (WHERE m.verdict = 'does-not-conform'),
		       count(*) FILTER (WHERE m.verdict = 'undecided'), count(*) FILTER (WHERE m.verdict = 'not-judged')
		FROM (SELECT * FROM measurement m`+c.String()+` AND EXISTS (SELECT FROM near) OFFSET 0) m`+of.String()+` AND EXISTS (
			SELECT FROM near h`+latestDecision("h.id", "m")+`
			WHERE h.press = m.press AND (d.decision IS NULL OR d.decision NOT IN ('release', 'lifted'))
			  AND (h.from_at IS NOT NULL AND m.line_at >= h.from_at AND (h.to_at IS NULL OR m.line_at < h.to_at) AND `+streams("m", "h.moulds", "h.lanes", "h.gauges")+`
			    OR m.panel = ANY (h.serials) OR h.first <> '' AND `+inRange("m.panel", "h.first", "h.last")+`))`, // OFFSET 0: by measurement_order (measurement_line without a press), never through all that a gauge measured
		near.args...).Scan(&n.Conforms, &n.DoesNotConform, &n.Undecided, &n.NotJudged)
	return n, wrap(err, "panels on hold by verdict")
}
