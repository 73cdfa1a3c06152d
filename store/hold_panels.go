package store

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"sagwatch/spc"
)

// PanelID names a panel: serials are unique within a press.
type PanelID struct{ Press, Panel string }

func idsOf(press string, panels []string) []PanelID {
	out := make([]PanelID, len(panels))
	for i, p := range panels {
		out[i] = PanelID{press, p}
	}
	return out
}

// PanelHold is a hold that a panel belongs to, with the latest decision on it.
type PanelHold struct {
	Hold     Hold
	Decision *HoldDecision // nil: none yet
	// Measured is when the panel was measured last since the decision to measure it again; zero: not yet.
	Measured time.Time
}

// Outstanding tells whether somebody has still to decide.
func (h *PanelHold) Outstanding() bool { return h.Decision == nil || h.Decision.Decision == Remeasure }

// Bars tells whether the hold keeps the panel from being good: only a release, or a closing with a reason, ends that.
func (h *PanelHold) Bars() bool {
	return h.Decision == nil || h.Decision.Decision != Release && h.Decision.Decision != Lifted
}

// placed is the condition on a measurement m that it tells where its panel was pressed, see HoldPredicate.
func placed(m string) string {
	return `(` + m + `.state IN ('current', 'void') AND ` + m + `.purpose IN ('production', 'recheck')
		AND (` + m + `.counted OR NOT ` + m + `.line_estimated OR ` + m + `.state = 'void' AND ` + m + `.purpose = 'production'
		  OR NOT EXISTS (SELECT FROM measurement_key k WHERE k.site = ` + m + `.site AND k.press = ` + m + `.press AND k.panel = ` + m + `.panel AND k.counted)))` // measurement_key_counted
}

// streams is the condition on m that it is of the moulds, lanes and gauges (expressions of arrays).
func streams(m, moulds, lanes, gauges string) string {
	return fmt.Sprintf(`(cardinality(%[2]s) + cardinality(%[3]s) + cardinality(%[4]s) = 0 OR %[1]s.mould = ANY (%[2]s) OR %[1]s.lane = ANY (%[3]s) OR %[1]s.gauge = ANY (%[4]s))`,
		m, moulds, lanes, gauges)
}

// inRange is the condition that a serial lies in a range of serials of one length.
func inRange(serial, first, last string) string {
	return fmt.Sprintf(`(%[1]s >= %[2]s AND %[1]s <= %[3]s AND octet_length(%[1]s) = octet_length(%[2]s))`, serial, first, last)
}

// holdsOf finds the holds of panels, newest first, with the latest decision; only one of them, or all (0).
func holdsOf(ctx context.Context, q querier, site string, panels []PanelID, only int64) (map[PanelID][]PanelHold, error) {
	out := map[PanelID][]PanelHold{}
	if len(panels) == 0 {
		return out, nil
	}
	presses, serials := make([]string, len(panels)), make([]string, len(panels))
	for i, p := range panels {
		presses[i], serials[i] = p.Press, p.Panel
	}
	// MATERIALIZED and OFFSET 0 keep the look-ups apart: one probe of measurement_panel a panel and month, whatever the planner thinks of
	// sizes, and then the few rows are held against the holds.
	rows, err := q.Query(ctx, `
		WITH p AS (SELECT DISTINCT press, panel FROM unnest($2::text[] COLLATE "C", $3::text[] COLLATE "C") u(press, panel)),
		candidate AS MATERIALIZED (SELECT * FROM hold WHERE site = $1 AND press = ANY ($2) AND ($4 = 0 OR id = $4)),
		place AS MATERIALIZED (
			SELECT m.press, m.panel, m.line_at, m.mould, m.lane, m.gauge FROM p
			CROSS JOIN LATERAL (
				SELECT m.* FROM measurement m WHERE m.site = $1 AND m.panel = p.panel AND m.press = p.press AND `+placed("m")+` OFFSET 0) m
			WHERE EXISTS (SELECT FROM candidate WHERE from_at IS NOT NULL)),
		hit AS (
			SELECT m.press, m.panel, h.id FROM place m
			JOIN candidate h ON h.press = m.press AND m.line_at >= h.from_at AND (h.to_at IS NULL OR m.line_at < h.to_at) AND `+streams("m", "h.moulds", "h.lanes", "h.gauges")+`
			UNION
			SELECT p.press, p.panel, h.id FROM p JOIN candidate h ON h.press = p.press
			WHERE h.from_at IS NULL AND (p.panel = ANY (h.serials) OR h.first <> '' AND `+inRange("p.panel", "h.first", "h.last")+`))
		SELECT hit.panel, d.decision, d.reason, d.by, d.at, since.at, `+holdColumns+`
		FROM hit JOIN candidate h ON h.id = hit.id`+latestDecision("h.id", "hit")+measuredSince("hit.press", "hit.panel")+`
		ORDER BY h.id DESC`, site, presses, serials, only)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var ph PanelHold
		var panel string
		var d decided
		fields, finish := holdFields(&ph.Hold)
		if err := rows.Scan(append([]any{&panel, &d.decision, &d.reason, &d.by, &d.at, &d.measured}, fields...)...); err != nil {
			return nil, err
		}
		finish()
		ph.Decision, ph.Measured = d.of(panel), orZero(d.measured)
		id := PanelID{ph.Hold.Press, panel}
		out[id] = append(out[id], ph)
	}
	return out, rows.Err()
}

// decided is a latest decision as it is read: all null when there is none.
type decided struct {
	decision, reason, by *string
	at, measured         *time.Time
}

func (d decided) of(panel string) *HoldDecision {
	if d.decision == nil {
		return nil
	}
	return &HoldDecision{Panel: panel, Decision: *d.decision, Reason: *d.reason, By: *d.by, At: d.at.UTC()}
}

// latestDecision joins the latest decision d of a hold (an expression) on the panel of x (a relation).
func latestDecision(hold, x string) string {
	return `
		LEFT JOIN LATERAL (
			SELECT d.decision, d.reason, d.by, d.at FROM hold_decision d
			WHERE d.site = $1 AND d.hold = ` + hold + ` AND d.panel = ` + x + `.panel ORDER BY d.seq DESC LIMIT 1) d ON true` // hold_decision_panel
}

// measuredSince joins when a panel was last measured since it was to be measured again.
func measuredSince(press, panel string) string {
	return `
		LEFT JOIN LATERAL (
			SELECT max(m.measured_at) AS at FROM measurement m
			WHERE d.decision = 'remeasure' AND m.site = $1 AND m.panel = ` + panel + ` AND m.press = ` + press + ` AND m.measured_at > d.at
			  AND m.state = 'current' AND m.purpose IN ('production', 'recheck')) since ON true` // measurement_panel
}

// HoldsOf finds the holds that panels belong to, newest first, with the latest decision on each panel. Panels on none are left out.
func (s *Store) HoldsOf(ctx context.Context, site string, panels []PanelID) (map[PanelID][]PanelHold, error) {
	out, err := holdsOf(ctx, s.pool, site, panels, 0)
	return out, wrap(err, "holds of %d panels", len(panels))
}

// members asks for the panels of a predicate.
type members struct {
	args []any
	pred *HoldPredicate
	cond func(m string) string // that a measurement makes its panel a member
}

func newMembers(site string, p *HoldPredicate) *members {
	q := &members{args: []any{site, p.Press}, pred: p}
	arg := func(v any) string {
		q.args = append(q.args, v)
		return fmt.Sprintf("$%d", len(q.args))
	}
	some := func(list []string) []string { return append([]string{}, list...) }
	switch {
	case p.ByTime():
		from, to, of := arg(p.From), "", func(string) string { return "" }
		if !p.To.IsZero() {
			to = arg(p.To)
		}
		if len(p.Moulds)+len(p.Lanes)+len(p.Gauges) > 0 {
			moulds, lanes, gauges := arg(some(p.Moulds))+"::text[]", arg(some(p.Lanes))+"::text[]", arg(some(p.Gauges))+"::text[]"
			of = func(m string) string { return ` AND ` + streams(m, moulds, lanes, gauges) }
		}
		q.cond = func(m string) string {
			out := m + `.site = $1 AND ` + m + `.press = $2 AND ` + m + `.line_at >= ` + from
			if to != "" {
				out += ` AND ` + m + `.line_at < ` + to
			}
			return out + of(m) + ` AND ` + placed(m)
		}
	case p.First != "":
		first, last := arg(p.First), arg(p.Last)
		q.cond = func(m string) string {
			return m + `.site = $1 AND ` + m + `.press = $2 AND ` + inRange(m+`.panel`, first, last) + ` AND ` + m + `.state IN ('current', 'void') AND ` + m + `.purpose IN ('production', 'recheck')`
		}
	default:
		serials := arg(some(p.Serials)) + "::text[]"
		q.cond = func(m string) string {
			return m + `.site = $1 AND ` + m + `.press = $2 AND ` + m + `.panel = ANY (` + serials + `) AND ` + m + `.state IN ('current', 'void') AND ` + m + `.purpose IN ('production', 'recheck')`
		}
	}
	return q
}

func (q *members) listed() bool { return len(q.pred.Serials) > 0 }

// every is a query for the serials of all members, some more than once.
func (q *members) every() string {
	if q.listed() {
		return `SELECT l.panel FROM unnest($3::text[] COLLATE "C") l(panel) WHERE $2 <> ''` // measured or not: they were named
	}
	return `SELECT m.panel FROM measurement m WHERE ` + q.cond("m")
}

// once is a query for members, each once with its first measurement in the predicate.
func (q *members) once() string {
	// OFFSET 0 makes the panel's few rows come by measurement_panel: in the order that is wanted, the planner would rather read every
	// month by measurement_order until the panel turns up.
	first := func(columns, of string) string {
		return `SELECT ` + columns + ` FROM (
				SELECT * FROM measurement e WHERE e.site = $1 AND e.press = $2 AND e.panel = ` + of + `.panel OFFSET 0) e
			WHERE ` + q.cond("e") + ` ORDER BY e.line_at, e.id LIMIT 1`
	}
	if q.listed() {
		return `SELECT l.panel, f.line_at, f.line_estimated, f.mould, f.lane, f.product FROM (SELECT DISTINCT panel FROM unnest($3::text[] COLLATE "C") l(panel)) l
			LEFT JOIN LATERAL (` + first("e.*", "l") + `) f ON true`
	}
	// A sub-query for a single value is never turned into a join over the whole range.
	return `SELECT m.panel, m.line_at, m.line_estimated, m.mould, m.lane, m.product FROM measurement m
		WHERE ` + q.cond("m") + ` AND m.id = (` + first("e.id", "m") + `)`
}

// HoldPanel is a panel of a hold, or of a predicate.
type HoldPanel struct {
	Panel       string
	LineAt      time.Time // zero: a serial that was named and not measured yet
	Estimated   bool
	Mould, Lane string
	Product     string
	Decision    *HoldDecision
	Measured    time.Time // last, since it was to be measured again; zero: not yet
}

// Outstanding tells whether somebody has still to decide on it.
func (p *HoldPanel) Outstanding() bool { return p.Decision == nil || p.Decision.Decision == Remeasure }

// HoldCursor is a place in a list of panels.
type HoldCursor struct {
	LineAt time.Time
	Panel  string
}

// HoldPanelsQuery asks for panels of a predicate.
type HoldPanelsQuery struct {
	Hold HoldPredicate
	// Of is the number of the hold whose decisions count; 0: of none.
	Of int64
	// Decision restricts to a latest decision, "outstanding" to those on which somebody has still to decide; "": all.
	Decision string
	After    *HoldCursor
	Limit    int // 1 to 10 000; 0: 100
}

// Outstanding, as a decision to ask for, means that somebody has still to decide.
const Outstanding = "outstanding"

// HoldPanels lists the panels of a predicate, of a range of time in press order, else by serial; the cursor is nil after the last page.
func (s *Store) HoldPanels(ctx context.Context, site string, f HoldPanelsQuery) ([]HoldPanel, *HoldCursor, error) {
	limit := f.Limit
	if limit == 0 {
		limit = 100
	}
	if limit < 0 || limit > maxPage {
		return nil, nil, wrap(ErrInvalid, "panels on hold: limit %d, from 1 to %d", f.Limit, maxPage)
	}
	q := newMembers(site, &f.Hold)
	arg := func(v any) string {
		q.args = append(q.args, v)
		return fmt.Sprintf("$%d", len(q.args))
	}
	hold := arg(f.Of) + "::bigint"
	where, order := "true", "x.line_at, x.panel"
	if !f.Hold.ByTime() {
		order = "x.panel"
	}
	switch f.Decision {
	case "":
	case Outstanding:
		where += ` AND (d.decision IS NULL OR d.decision = 'remeasure')`
	default:
		where += ` AND d.decision = ` + arg(f.Decision)
	}
	if f.After != nil && f.Hold.ByTime() {
		at := arg(f.After.LineAt)
		where += ` AND x.line_at >= ` + at + ` AND (x.line_at, x.panel) > (` + at + `, ` + arg(f.After.Panel) + `)`
	} else if f.After != nil {
		where += ` AND x.panel > ` + arg(f.After.Panel)
	}
	rows, err := s.pool.Query(ctx, `
		SELECT x.panel, x.line_at, x.line_estimated, x.mould, x.lane, x.product, d.decision, d.reason, d.by, d.at, since.at
		FROM (`+q.once()+`) x`+latestDecision(hold, "x")+measuredSince("$2", "x.panel")+`
		WHERE `+where+` ORDER BY `+order+` LIMIT `+arg(limit+1), q.args...) // measurement_order; of serials measurement_panel
	if err != nil {
		return nil, nil, wrap(err, "panels on hold")
	}
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (p HoldPanel, err error) {
		var d decided
		var line *time.Time
		var estimated *bool
		var mould, lane, product *string
		if err = row.Scan(&p.Panel, &line, &estimated, &mould, &lane, &product, &d.decision, &d.reason, &d.by, &d.at, &d.measured); err != nil {
			return p, err
		}
		if p.LineAt = orZero(line); line != nil {
			p.Estimated, p.Mould, p.Lane, p.Product = *estimated, *mould, *lane, *product
		}
		p.Decision, p.Measured = d.of(p.Panel), orZero(d.measured)
		return p, nil
	})
	if err != nil || len(list) <= limit {
		return list, nil, wrap(err, "panels on hold")
	}
	list = list[:limit]
	last := &list[limit-1]
	return list, &HoldCursor{last.LineAt, last.Panel}, nil
}

// HoldProgress is how far the sorting of a hold has come.
type HoldProgress struct {
	Held        int // panels that belong to it
	Outstanding int // of them those on which somebody has still to decide
	ToMeasure   int // of the outstanding: to be measured again, not yet measured
	Measured    int // of the outstanding: measured again
	Released    int
	Rework      int
	Scrapped    int
	Lifted      int // by closing the hold
	// First and Last are the line times of the first and last panel stored so far; zero: none.
	First, Last time.Time
}

// Decided is how many panels somebody has decided on.
func (p HoldProgress) Decided() int { return p.Released + p.Rework + p.Scrapped }

// HoldProgress counts the panels of a hold, or of a predicate (number 0), by the latest decision on each.
func (s *Store) HoldProgress(ctx context.Context, site string, id int64, p HoldPredicate) (HoldProgress, error) {
	q := newMembers(site, &p)
	base := `SELECT m.panel, m.line_at FROM measurement m WHERE ` + q.cond("m")
	if q.listed() {
		base = `SELECT l.panel, f.line_at FROM unnest($3::text[] COLLATE "C") l(panel) LEFT JOIN (` + base + `) f ON f.panel = l.panel`
	}
	q.args = append(q.args, id)
	rows, err := s.pool.Query(ctx, `
		WITH latest AS (
			SELECT DISTINCT ON (panel) panel, decision, at FROM hold_decision
			WHERE site = $1 AND hold = `+fmt.Sprintf("$%d", len(q.args))+`::bigint ORDER BY panel, seq DESC)
		SELECT coalesce(d.decision, ''), coalesce(since.at IS NOT NULL, false), count(*), min(x.line_at), max(x.line_at)
		FROM (SELECT panel, min(line_at) AS line_at FROM (`+base+`) b GROUP BY panel) x
		LEFT JOIN latest d ON d.panel = x.panel`+measuredSince("$2", "x.panel")+`
		GROUP BY 1, 2`, q.args...) // measurement_order or measurement_panel, hold_decision_panel
	if err != nil {
		return HoldProgress{}, wrap(err, "progress of hold %d", id)
	}
	var out HoldProgress
	var decision string
	var measured bool
	var n int
	var first, last *time.Time
	_, err = pgx.ForEachRow(rows, []any{&decision, &measured, &n, &first, &last}, func() error {
		out.Held += n
		switch decision {
		case "":
			out.Outstanding += n
		case Remeasure:
			out.Outstanding += n
			if measured {
				out.Measured += n
			} else {
				out.ToMeasure += n
			}
		case Release:
			out.Released += n
		case Rework:
			out.Rework += n
		case Scrap:
			out.Scrapped += n
		case Lifted:
			out.Lifted += n
		}
		if at := orZero(first); !at.IsZero() && (out.First.IsZero() || at.Before(out.First)) {
			out.First = at
		}
		if at := orZero(last); at.After(out.Last) {
			out.Last = at
		}
		return nil
	})
	return out, wrap(err, "progress of hold %d", id)
}

// PanelRows reads every measurement of several panels, by panel, in line order.
func (s *Store) PanelRows(ctx context.Context, site string, panels []PanelID) (map[PanelID][]Row, error) {
	presses, serials := make([]string, len(panels)), make([]string, len(panels))
	for i, p := range panels {
		presses[i], serials[i] = p.Press, p.Panel
	}
	out := map[PanelID][]Row{}
	err := scan(ctx, s.pool, `
		SELECT `+rowColumns+` FROM (SELECT DISTINCT press, panel FROM unnest($2::text[] COLLATE "C", $3::text[] COLLATE "C") u(press, panel)) u
		CROSS JOIN LATERAL (
			SELECT * FROM measurement m WHERE m.site = $1 AND m.panel = u.panel AND m.press = u.press ORDER BY `+orderColumns+` OFFSET 0) m`,
		[]any{site, presses, serials}, func(r *rawReader) error { // measurement_panel
			var row Row
			if err := readRow(r, &row); err != nil {
				return err
			}
			id := PanelID{row.Press, row.Panel}
			out[id] = append(out[id], row)
			return nil
		})
	return out, wrap(err, "measurements of %d panels", len(panels))
}

// Tells tells whether a measurement that is being stored makes its panel a member by itself; a false answer is certain only of one that
// is the panel's first. It is what an answer to a gauge can be given by without asking the database.
func (p *HoldPredicate) Tells(r *Row) bool {
	if r.Press != p.Press || r.Purpose != spc.Production && r.Purpose != spc.Recheck {
		return false
	}
	if !p.ByTime() {
		if p.First != "" {
			return r.Panel >= p.First && r.Panel <= p.Last && len(r.Panel) == len(p.First)
		}
		for _, serial := range p.Serials {
			if serial == r.Panel {
				return true
			}
		}
		return false
	}
	if r.LineAt.Before(p.From) || !p.To.IsZero() && !r.LineAt.Before(p.To) {
		return false
	}
	if len(p.Moulds)+len(p.Lanes)+len(p.Gauges) == 0 {
		return true
	}
	for _, one := range []struct {
		list []string
		is   string
	}{{p.Moulds, r.Mould}, {p.Lanes, r.Lane}, {p.Gauges, r.Gauge}} {
		for _, x := range one.list {
			if x == one.is {
				return true
			}
		}
	}
	return false
}
