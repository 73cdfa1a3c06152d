package store

import (
	"context"
	"encoding/json"
	"time"

	"github.com/jackc/pgx/v5"

	"sagwatch/spc"
)

// AddPostedLimits appends limits that a person froze or gave, and returns their revision within chart and stream.
func (s *Store) AddPostedLimits(ctx context.Context, site string, p spc.PostedLimits) (int, error) {
	var given []byte
	if p.Given != nil {
		var err error
		if given, err = json.Marshal(p.Given); err != nil {
			return 0, wrap(err, "post limits of chart %q", p.Chart)
		}
	}
	var revision int
	err := pgx.BeginFunc(ctx, s.pool, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `SELECT pg_advisory_xact_lock($1)`, lockKey("limits", site, p.Chart)); err != nil {
			return err
		}
		err := tx.QueryRow(ctx, `
			INSERT INTO posted_limits (site, chart, stream, revision, baseline_from, baseline_to, given, effective_from, reason, by)
			SELECT $1, $2, $3, coalesce(max(revision), 0) + 1, $4, $5, $6, $7, $8, $9
			FROM posted_limits WHERE site = $1 AND chart = $2 AND stream = $3
			RETURNING revision`, site, p.Chart, p.Stream, nullTime(p.BaselineFrom), nullTime(p.BaselineTo),
			given, p.EffectiveFrom, p.Reason, p.By).Scan(&revision)
		if err != nil {
			return err
		}
		return notify(ctx, tx, Notice{Site: site, Kind: NoticeLimits, From: p.EffectiveFrom.UTC()})
	})
	return revision, wrap(err, "post limits of chart %q", p.Chart)
}

// PostedLimits lists what was posted for a chart ("": for all), by chart, stream and revision.
func (s *Store) PostedLimits(ctx context.Context, site, chart string) ([]spc.PostedLimits, error) {
	rows, err := s.pool.Query(ctx, `
		SELECT chart, stream, baseline_from, baseline_to, given, effective_from, reason, by, at, revision
		FROM posted_limits WHERE site = $1 AND ($2 = '' OR chart = $2)
		ORDER BY chart, stream, revision`, site, chart) // posted_limits_pkey
	if err != nil {
		return nil, wrap(err, "posted limits of chart %q", chart)
	}
	ps, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (p spc.PostedLimits, err error) {
		var from, to *time.Time
		var given []byte
		err = row.Scan(&p.Chart, &p.Stream, &from, &to, &given, &p.EffectiveFrom, &p.Reason, &p.By, &p.At, &p.Revision)
		if err != nil {
			return p, err
		}
		p.BaselineFrom, p.BaselineTo, p.EffectiveFrom, p.At = orZero(from), orZero(to), p.EffectiveFrom.UTC(), p.At.UTC()
		if given != nil {
			p.Given = new(spc.Limits)
			err = json.Unmarshal(given, p.Given)
		}
		return p, err
	})
	return ps, wrap(err, "posted limits of chart %q", chart)
}

// LimitsInForce are limits that the fold put in force for a stream from a line time on.
type LimitsInForce struct {
	Chart, Stream string
	Phase         int
	From          time.Time // line time
	Source        spc.LimitSource
	Limits        spc.Limits
	Body          json.RawMessage // how they came to be, in the fold's own words
	Known         time.Time       // when it became known; set by the database
}

// logLimits appends those that differ from what was last known of the same chart, stream, phase and source.
func logLimits(ctx context.Context, tx pgx.Tx, site, press, gauge string, ls []LimitsInForce) error {
	batch := &pgx.Batch{}
	for _, l := range ls {
		// Served by limits_log_chart.
		batch.Queue(`
			INSERT INTO limits_log (site, press, gauge, chart, stream, phase, from_at, source, lower, centre, upper, sigma, body)
			SELECT $1, $2, $3, $4, $5, $6, $7::timestamptz, $8, $9::float8, $10::float8, $11::float8, $12::float8, coalesce($13::json, '{}')
			WHERE NOT EXISTS (
				SELECT FROM (
					SELECT from_at, lower, centre, upper, sigma FROM limits_log
					WHERE site = $1 AND chart = $4 AND stream = $5 AND phase = $6 AND source = $8
					ORDER BY seq DESC LIMIT 1) last
				WHERE (last.from_at, last.sigma) = ($7, $12) AND last.lower IS NOT DISTINCT FROM $9
				  AND last.centre IS NOT DISTINCT FROM $10 AND last.upper IS NOT DISTINCT FROM $11)`,
			site, press, gauge, l.Chart, l.Stream, l.Phase, l.From, string(l.Source),
			present(l.Limits.Lower, l.Limits.HasLower), present(l.Limits.Centre, l.Limits.HasCentre),
			present(l.Limits.Upper, l.Limits.HasUpper), l.Limits.Sigma, l.Body)
	}
	return tx.SendBatch(ctx, batch).Close()
}

func present(x float64, has bool) *float64 {
	if !has {
		return nil
	}
	return &x
}

// LimitsLog lists limits in force as they became known, up to a moment (zero: now), oldest first.
func (s *Store) LimitsLog(ctx context.Context, site, chart string, asOf time.Time) ([]LimitsInForce, error) {
	rows, err := s.pool.Query(ctx, `
		SELECT chart, stream, phase, from_at, source, lower, centre, upper, sigma, body, known FROM limits_log
		WHERE site = $1 AND chart = $2 AND ($3::timestamptz IS NULL OR known <= $3)
		ORDER BY seq`, site, chart, nullTime(asOf)) // limits_log_chart
	if err != nil {
		return nil, wrap(err, "limits of chart %q", chart)
	}
	ls, err := pgx.CollectRows(rows, scanLimits)
	return ls, wrap(err, "limits of chart %q", chart)
}

func scanLimits(row pgx.CollectableRow) (l LimitsInForce, err error) {
	var lower, centre, upper *float64
	err = row.Scan(&l.Chart, &l.Stream, &l.Phase, &l.From, &l.Source, &lower, &centre, &upper, &l.Limits.Sigma, &l.Body, &l.Known)
	l.From, l.Known = l.From.UTC(), l.Known.UTC()
	l.Limits.Lower, l.Limits.HasLower = value(lower)
	l.Limits.Centre, l.Limits.HasCentre = value(centre)
	l.Limits.Upper, l.Limits.HasUpper = value(upper)
	return l, err
}

func value(p *float64) (float64, bool) {
	if p == nil {
		return 0, false
	}
	return *p, true
}
