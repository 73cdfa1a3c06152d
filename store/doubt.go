package store

import (
	"context"
	"encoding/json"
	"slices"
	"strconv"
	"time"

	"github.com/jackc/pgx/v5"

	"sagwatch/spc"
)

// What may be decided about measurements in doubt.
const (
	DoubtAccept    = "accept"    // they count as they are
	DoubtRemeasure = "remeasure" // each stays in doubt until its panel was measured again
	DoubtVoid      = "void"
)

// Check is one check of a gauge's master, as it stands.
type Check struct {
	ID         int64
	Panel      string
	MeasuredAt time.Time
	Verdict    spc.Verdict
	Error      *float64 // largest error against the certificate, um
}

// DoubtDecision is what somebody decided about what a gauge measured in a stretch of time.
type DoubtDecision struct {
	Gauge      string
	From, To   time.Time // measured_at, both exclusive; zero From: from the first
	Decision   string
	Voided     int
	Reason, By string
	At         time.Time
}

func (d *DoubtDecision) covers(at time.Time) bool {
	return (d.From.IsZero() || at.After(d.From)) && at.Before(d.To)
}

// Span is a stretch in which a gauge's measurements are in doubt: after the last good check of its master, before the next.
type Span struct {
	Gauge    string
	From, To time.Time // measured_at, both exclusive; zero: from the first, no good check yet
	Failed   []Check   // in order, at least one
}

func (s *Span) covers(at time.Time) bool {
	return (s.From.IsZero() || at.After(s.From)) && (s.To.IsZero() || at.Before(s.To))
}

// Doubts is what is known of a gauge's doubt.
type Doubts struct {
	Spans     []Span
	Decisions []DoubtDecision // oldest first
}

// Doubt of one measurement.
const (
	NoDoubt     = ""
	InDoubt     = "doubtful"
	ToRemeasure = "remeasure" // in doubt, and somebody decided to measure the panel again
)

// Spans finds where a gauge is in doubt from its checks in the order measured. A check that is undecided or could not be judged neither
// begins nor ends a doubt.
func Spans(gauge string, checks []Check) (out []Span) {
	var good time.Time
	var failed []Check
	for _, c := range checks {
		switch c.Verdict {
		case spc.DoesNotConform:
			failed = append(failed, c)
		case spc.Conforms:
			if len(failed) > 0 {
				out = append(out, Span{gauge, good, c.MeasuredAt, failed})
				failed = nil
			}
			good = c.MeasuredAt
		}
	}
	if len(failed) > 0 {
		out = append(out, Span{gauge, good, time.Time{}, failed})
	}
	return out
}

// At tells the doubt of what was measured at a moment, whatever became of its panel since.
func (d *Doubts) At(at time.Time) string {
	if !slices.ContainsFunc(d.Spans, func(s Span) bool { return s.covers(at) }) {
		return NoDoubt
	}
	for i := len(d.Decisions) - 1; i >= 0; i-- {
		if x := &d.Decisions[i]; x.covers(at) {
			switch x.Decision {
			case DoubtAccept:
				return NoDoubt
			case DoubtRemeasure:
				return ToRemeasure
			}
			return InDoubt
		}
	}
	return InDoubt
}

// Accepted is true of a stretch that is over and was accepted whole, by the latest decision on any of it.
func (d *Doubts) Accepted(s Span) bool {
	for i := len(d.Decisions) - 1; i >= 0 && !s.To.IsZero(); i-- {
		if x := &d.Decisions[i]; x.From.Before(s.To) && x.To.After(s.From) {
			return x.Decision == DoubtAccept && !x.From.After(s.From) && !x.To.Before(s.To)
		}
	}
	return false
}

// Checks reads the checks of a gauge's master that stand, in the order measured.
func (s *Store) Checks(ctx context.Context, site, gauge string) (out []Check, err error) {
	rows, err := s.pool.Query(ctx, `
		SELECT m.id, m.panel, m.measured_at, m.verdict, m.master_max_error_um FROM measurement m
		WHERE m.site = $1 AND m.gauge = $2 AND m.purpose = 'master' AND m.state = 'current'
		ORDER BY m.measured_at, m.id`, site, gauge) // measurement_master
	if err != nil {
		return nil, wrap(err, "checks of gauge %q", gauge)
	}
	out, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (c Check, err error) {
		err = row.Scan(&c.ID, &c.Panel, &c.MeasuredAt, &c.Verdict, &c.Error)
		c.MeasuredAt = c.MeasuredAt.UTC()
		return c, err
	})
	return out, wrap(err, "checks of gauge %q", gauge)
}

// Doubts works out where a gauge is in doubt, and what was decided.
func (s *Store) Doubts(ctx context.Context, site, gauge string) (d Doubts, err error) {
	checks, err := s.Checks(ctx, site, gauge)
	if err != nil {
		return d, err
	}
	if d.Spans = Spans(gauge, checks); len(d.Spans) == 0 {
		return d, nil
	}
	rows, err := s.pool.Query(ctx, `
		SELECT from_at, to_at, decision, voided, reason, by, at FROM doubt_decision WHERE site = $1 AND gauge = $2 ORDER BY seq`, site, gauge)
	if err != nil {
		return d, wrap(err, "doubts of gauge %q", gauge)
	}
	d.Decisions, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (x DoubtDecision, err error) {
		var from *time.Time
		err = row.Scan(&from, &x.To, &x.Decision, &x.Voided, &x.Reason, &x.By, &x.At)
		x.Gauge, x.From, x.To, x.At = gauge, orZero(from), x.To.UTC(), x.At.UTC()
		return x, err
	})
	return d, wrap(err, "doubts of gauge %q", gauge)
}

// inDoubt tells whether a measurement can be in doubt at all.
func inDoubt(r *Row) bool {
	return r.State == Current && (r.Purpose == spc.Production || r.Purpose == spc.Recheck)
}

// Doubtful tells which of some measurements are in doubt, by id: InDoubt or ToRemeasure. A panel that was to be measured again and was, by
// a measurement that stands and is not in doubt itself, is in doubt no longer.
func (s *Store) Doubtful(ctx context.Context, site string, list []Row) (map[int64]string, error) {
	known := map[string]*Doubts{}
	of := func(gauge string) (*Doubts, error) {
		if d, ok := known[gauge]; ok {
			return d, nil
		}
		d, err := s.Doubts(ctx, site, gauge)
		known[gauge] = &d
		return &d, err
	}
	out := map[int64]string{}
	for i := range list {
		r := &list[i]
		if !inDoubt(r) {
			continue
		}
		d, err := of(r.Gauge)
		if err != nil {
			return nil, err
		}
		word := d.At(r.MeasuredAt)
		if word == ToRemeasure {
			again, err := s.Panel(ctx, site, r.Press, r.Panel)
			if err != nil {
				return nil, err
			}
			for j := range again {
				x := &again[j]
				if !inDoubt(x) || !x.MeasuredAt.After(r.MeasuredAt) {
					continue
				}
				if d, err = of(x.Gauge); err != nil {
					return nil, err
				}
				if d.At(x.MeasuredAt) == NoDoubt {
					word = NoDoubt
				}
			}
		}
		if word != NoDoubt {
			out[r.ID] = word
		}
	}
	return out, nil
}

// Measured reads what a gauge measured of panels, for production or as rechecks, after one moment and before another (zero: none), in the
// order measured, at most limit (0: all).
func (s *Store) Measured(ctx context.Context, site, gauge string, after, before time.Time, limit int) ([]Row, error) {
	var c conditions
	c.add("m.site = ?", site)
	c.add("m.gauge = ?", gauge)
	c.add("m.state = 'current'")
	c.add("m.purpose IN ('production', 'recheck')")
	if !after.IsZero() {
		c.add("m.measured_at > ?", after)
	}
	if !before.IsZero() {
		c.add("m.measured_at < ?", before)
	}
	end := ""
	if limit > 0 {
		end = " LIMIT " + strconv.Itoa(limit)
	}
	rows, err := queryRows(ctx, s.pool, c.String()+" ORDER BY m.measured_at, m.id"+end, c.args...) // measurement_gauge
	return rows, wrap(err, "measurements of gauge %q", gauge)
}

// CountMeasured counts what Measured reads, and its panels.
func (s *Store) CountMeasured(ctx context.Context, site, gauge string, after, before time.Time) (measurements, panels int, err error) {
	err = s.pool.QueryRow(ctx, `
		SELECT count(*), count(DISTINCT (m.press, m.panel)) FROM measurement m
		WHERE m.site = $1 AND m.gauge = $2 AND m.state = 'current' AND m.purpose IN ('production', 'recheck')
		AND ($3::timestamptz IS NULL OR m.measured_at > $3) AND ($4::timestamptz IS NULL OR m.measured_at < $4)`,
		site, gauge, nullTime(after), nullTime(before)).Scan(&measurements, &panels)
	return measurements, panels, wrap(err, "measurements of gauge %q", gauge)
}

// GaugeAtRisk tells since when panels are at risk of a fault of a gauge that began at began at the earliest: since the last good check of
// its master before that; zero when there was none. At risk is what Measured reads after it.
func (s *Store) GaugeAtRisk(ctx context.Context, site, gauge string, began time.Time) (time.Time, error) {
	checks, err := s.Checks(ctx, site, gauge)
	since := time.Time{}
	for _, c := range checks {
		if c.Verdict == spc.Conforms && c.MeasuredAt.Before(began) {
			since = c.MeasuredAt
		}
	}
	return since, err
}

// DecideDoubt keeps a decision. Measurements of a void decision are made void with it, each with the reason; how many is returned.
func (s *Store) DecideDoubt(ctx context.Context, site string, d DoubtDecision) (voided int, err error) {
	if d.Decision == DoubtVoid {
		rows, err := s.Measured(ctx, site, d.Gauge, d.From, d.To, 0)
		if err != nil {
			return 0, err
		}
		for i := range rows {
			if err := s.Void(ctx, site, rows[i].ID, d.Reason, d.By); err != nil {
				return voided, err
			}
			voided++
		}
	}
	err = pgx.BeginFunc(ctx, s.pool, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `
			INSERT INTO doubt_decision (site, gauge, from_at, to_at, decision, voided, reason, by) VALUES ($1, $2, $3, $4, $5, $6, $7, $8)`,
			site, d.Gauge, nullTime(d.From), d.To, d.Decision, voided, d.Reason, d.By); err != nil {
			return err
		}
		detail, err := json.Marshal(map[string]any{"from": nullTime(d.From), "to": d.To, "decision": d.Decision, "voided": voided, "reason": d.Reason})
		if err != nil {
			return err
		}
		_, err = tx.Exec(ctx, `INSERT INTO audit (site, by, action, object, detail) VALUES ($1, $2, $3, $4, $5)`,
			site, d.By, "doubt."+d.Decision, d.Gauge, json.RawMessage(detail))
		return err
	})
	return voided, wrap(err, "decide on the doubt of gauge %q", d.Gauge)
}
