package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"sagwatch/spc"
)

// MouldCounts counts what feeds charts of one mould, product and gauge by verdict.
type MouldCounts struct {
	Press, Product, Mould, Gauge string
	Counts
	First, Last time.Time // line times of the first and the last of them
}

// CountsByMould counts what feeds charts in a span of line time for every press at once, by press, product, mould and gauge.
func (s *Store) CountsByMould(ctx context.Context, site string, from, to time.Time) ([]MouldCounts, error) {
	rows, err := s.pool.Query(ctx, `
		SELECT press, product, mould, gauge,
		       count(*) FILTER (WHERE verdict = 'conforms'), count(*) FILTER (WHERE verdict = 'does-not-conform'),
		       count(*) FILTER (WHERE verdict = 'undecided'), count(*) FILTER (WHERE verdict = 'not-judged'), min(line_at), max(line_at)
		FROM measurement WHERE site = $1 AND counted AND line_at >= $2 AND line_at < $3
		GROUP BY press, product, mould, gauge ORDER BY press, product, mould, gauge`, site, from, to) // measurement_line
	if err != nil {
		return nil, wrap(err, "counts by mould")
	}
	out, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (c MouldCounts, err error) {
		err = row.Scan(&c.Press, &c.Product, &c.Mould, &c.Gauge, &c.Conforms, &c.DoesNotConform, &c.Undecided, &c.NotJudged, &c.First, &c.Last)
		c.First, c.Last = c.First.UTC(), c.Last.UTC()
		return c, err
	})
	return out, wrap(err, "counts by mould")
}

// WaitingPanel is a panel whose measurement decided nothing, and which nothing has decided since.
type WaitingPanel struct {
	Press, Panel, Mould, Gauge string
	LineAt, MeasuredAt         time.Time // of the latest measurement of it
	Reasons                    []string
}

// WaitingPanels lists up to limit panels pressed in a span of line time whose first measurement was undecided and whose latest one by
// a gauge of the same kind still is, in the order of pressing, and counts all of them. Kinds gives each gauge's kind; press "" is every press.
func (s *Store) WaitingPanels(ctx context.Context, site, press string, from, to time.Time, kinds map[string]spc.GaugeKind, limit int) (list []WaitingPanel, all int, err error) {
	names, kind := make([]string, 0, len(kinds)), make([]string, 0, len(kinds))
	for name, k := range kinds {
		names, kind = append(names, name), append(kind, string(k))
	}
	rows, err := s.pool.Query(ctx, `
		WITH kind AS (SELECT * FROM unnest($5::text[], $6::text[]) AS k(gauge, kind))
		SELECT m.press, m.panel, m.mould, last.gauge, m.line_at, last.measured_at, last.reasons, count(*) OVER ()
		FROM measurement m JOIN kind own ON own.gauge = m.gauge
		CROSS JOIN LATERAL (
			SELECT l.gauge, l.measured_at, l.reasons, l.verdict FROM measurement l JOIN kind k ON k.gauge = l.gauge
			WHERE l.site = m.site AND l.panel = m.panel AND l.press = m.press AND l.state = 'current'
			  AND l.purpose IN ('production', 'recheck') AND k.kind = own.kind
			ORDER BY l.measured_at DESC, l.id DESC LIMIT 1) last
		WHERE m.site = $1 AND ($2 = '' OR m.press = $2) AND m.line_at >= $3 AND m.line_at < $4 AND m.counted
		  AND m.verdict = 'undecided' AND last.verdict = 'undecided'
		ORDER BY m.line_at, m.press, m.panel, m.gauge LIMIT $7`, // measurement_line, measurement_panel
		site, press, from, to, names, kind, limit)
	if err != nil {
		return nil, 0, wrap(err, "undecided panels")
	}
	list, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (w WaitingPanel, err error) {
		err = row.Scan(&w.Press, &w.Panel, &w.Mould, &w.Gauge, &w.LineAt, &w.MeasuredAt, &w.Reasons, &all)
		w.LineAt, w.MeasuredAt = w.LineAt.UTC(), w.MeasuredAt.UTC()
		return w, err
	})
	return list, all, wrap(err, "undecided panels")
}

// LimitsOf lists the limits that were put in force from a point in a span of line time, as they became known, oldest first, up to
// limit; press "" is every press, and those of gauges are among them. Guards, which stand in until there are limits, are left out.
func (s *Store) LimitsOf(ctx context.Context, site, press string, from, to time.Time, limit int) ([]LimitsInForce, error) {
	rows, err := s.pool.Query(ctx, `
		SELECT chart, stream, phase, from_at, source, lower, centre, upper, sigma, body, known FROM limits_log
		WHERE site = $1 AND ($2 = '' OR press = $2 OR press = '') AND from_at >= $3 AND from_at < $4 AND source <> 'guard'
		ORDER BY seq LIMIT $5`, // few rows, one for each revision: read whole
		site, press, from, to, limit)
	if err != nil {
		return nil, wrap(err, "limits of a shift")
	}
	ls, err := pgx.CollectRows(rows, scanLimits)
	return ls, wrap(err, "limits of a shift")
}

// Gap is a stretch of line time in which a press has no measured panel.
type Gap struct {
	Press    string
	From, To time.Time // the panels before and after
}

// Gaps lists up to limit stretches longer than a span between panels that follow each other at a press, in the order of time.
func (s *Store) Gaps(ctx context.Context, site, press string, from, to time.Time, longer time.Duration, limit int) ([]Gap, error) {
	rows, err := s.pool.Query(ctx, `
		SELECT press, before, line_at FROM (
			SELECT press, line_at, lag(line_at) OVER (PARTITION BY press ORDER BY line_at) AS before FROM measurement
			WHERE site = $1 AND ($2 = '' OR press = $2) AND counted AND line_at >= $3 AND line_at < $4) x
		WHERE line_at - before > $5::interval ORDER BY before, press LIMIT $6`, site, press, from, to, longer, limit) // measurement_line
	if err != nil {
		return nil, wrap(err, "gaps of press %q", press)
	}
	out, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (g Gap, err error) {
		err = row.Scan(&g.Press, &g.From, &g.To)
		g.From, g.To = g.From.UTC(), g.To.UTC()
		return g, err
	})
	return out, wrap(err, "gaps of press %q", press)
}
