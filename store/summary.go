package store

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"sagwatch/spc"
)

// VerdictCounts counts what feeds charts by verdict.
func (s *Store) VerdictCounts(ctx context.Context, site string, q CountQuery) (Counts, error) {
	var c conditions
	c.add("m.site = ?", site)
	c.add("m.counted")
	c.equal("m.press", q.Press)
	c.equal("m.product", q.Product)
	c.equal("m.mould", q.Mould)
	c.equal("m.gauge", q.Gauge)
	c.between("m.line_at", q.From, q.To)
	var n Counts
	err := s.pool.QueryRow(ctx, `
		SELECT count(*) FILTER (WHERE verdict = 'conforms'), count(*) FILTER (WHERE verdict = 'does-not-conform'),
		       count(*) FILTER (WHERE verdict = 'undecided'), count(*) FILTER (WHERE verdict = 'not-judged')
		FROM measurement m`+c.String(), c.args...). // measurement_order
		Scan(&n.Conforms, &n.DoesNotConform, &n.Undecided, &n.NotJudged)
	return n, wrap(err, "verdict counts of press %q", q.Press)
}

// maxBuckets bounds one answer of Buckets.
const maxBuckets = 100_000

// Buckets sums up a characteristic of what feeds charts over N equal spans of line time (of whole microseconds, the
// last one shorter where that does not divide). Measurements without a value are left out, and so are empty spans.
func (s *Store) Buckets(ctx context.Context, site string, q BucketQuery) ([]Bucket, error) {
	span := q.To.Sub(q.From)
	if q.N < 1 || q.N > maxBuckets || span < time.Duration(q.N)*time.Microsecond {
		return nil, wrap(ErrInvalid, "buckets: %d spans from %s to %s", q.N, q.From, q.To)
	}
	// Rounded up, so that there are no more than N.
	us, n := span.Microseconds(), int64(q.N)
	step := time.Duration((us+n-1)/n) * time.Microsecond
	var c conditions
	c.add("m.site = ?", site)
	c.add("m.counted")
	c.equal("m.press", q.Press)
	c.equal("m.mould", q.Mould)
	c.equal("m.product", q.Product)
	c.equal("m.gauge", q.Gauge)
	c.between("m.line_at", q.From, q.To)
	var column string
	if k, ok := spc.ComputedByName(q.Characteristic); ok {
		column = "m." + k.String()
	} else {
		c.args = append(c.args, q.Characteristic)
		column = fmt.Sprintf("(m.characteristics ->> $%d)::float8", len(c.args))
	}
	c.args = append(c.args, q.From, step)
	sql := fmt.Sprintf(`
		SELECT date_bin($%d::interval, line_at, $%d::timestamptz) AS at, min(x), max(x), avg(x), count(x)
		FROM (SELECT m.line_at, %s AS x FROM measurement m%s) v
		WHERE x IS NOT NULL GROUP BY 1 ORDER BY 1`, len(c.args), len(c.args)-1, column, c.String()) // measurement_order
	rows, err := s.pool.Query(ctx, sql, c.args...)
	if err != nil {
		return nil, wrap(err, "buckets of %q", q.Characteristic)
	}
	bs, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (b Bucket, err error) {
		err = row.Scan(&b.At, &b.Min, &b.Max, &b.Mean, &b.Count)
		b.At = b.At.UTC()
		return b, err
	})
	return bs, wrap(err, "buckets of %q", q.Characteristic)
}
