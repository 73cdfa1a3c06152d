package store

import (
	"bytes"
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"sagwatch/spc"
)

// Insert stores measurements in one transaction, all or none, and says what became of each, in their order. It sets
// ID, Hash, Counted, State and Revision of the rows that it stores.
//
// A row whose identity is there with the same content is a duplicate and changes nothing. With other content it is
// kept in the list of conflicts, each content once. Which measurement of a press, panel and gauge feeds charts does
// not depend on the order of arrival: an earlier one that comes late takes the flag over.
//
// Writers of one gauge follow one another (an advisory lock till commit), so that two copies of one row are told
// apart whoever sends them; different gauges do not wait for one another.
func (s *Store) Insert(ctx context.Context, site string, rows []*Row) ([]Outcome, error) {
	if len(rows) == 0 {
		return nil, nil
	}
	for i, r := range rows {
		if err := checkRow(r); err != nil {
			return nil, wrap(err, "insert: row %d, panel %q", i, r.Panel)
		}
		r.State, r.Revision, r.CorrectionOf, r.Counted, r.ID = Current, 1, 0, false, 0
	}
	if err := s.ensurePartitions(ctx, rows); err != nil {
		return nil, wrap(err, "insert")
	}
	var outcomes []Outcome
	err := pgx.BeginFunc(ctx, s.pool, func(tx pgx.Tx) (err error) {
		outcomes, err = insert(ctx, tx, site, rows)
		return err
	})
	if err != nil {
		return nil, wrap(err, "insert %d measurements of site %q", len(rows), site)
	}
	return outcomes, nil
}

// identity of a measurement within its site: with a sequence panel and at stay empty.
type identity struct {
	gauge, series string
	sequence      int64
	panel         string
	at            int64 // microseconds
}

func identityOf(r *Row) identity {
	if r.Sequence >= 0 {
		return identity{gauge: r.Gauge, series: r.Series, sequence: r.Sequence}
	}
	return identity{gauge: r.Gauge, sequence: spc.EverySequence, panel: r.Panel, at: r.MeasuredAt.UnixMicro()}
}

// holder is the measurement that holds an identity.
type holder struct {
	id   int64
	hash []byte
}

// group is what one measurement feeds charts for.
type group struct{ press, panel, gauge string }

func groupOf(r *Row) group { return group{r.Press, r.Panel, r.Gauge} }

// chosen is the measurement of a group that feeds charts.
type chosen struct {
	key spc.OrderKey
	id  int64
}

func insert(ctx context.Context, tx pgx.Tx, site string, rows []*Row) ([]Outcome, error) {
	gauges := make([]string, len(rows))
	for i, r := range rows {
		gauges[i] = r.Gauge
	}
	batch := &pgx.Batch{}
	queueLocks(batch, site, gauges...)
	held := queueHolders(batch, site, rows)
	counted := queueCounted(batch, site, rows)
	ids := queueIDs(batch, len(rows))
	if err := tx.SendBatch(ctx, batch).Close(); err != nil {
		return nil, err
	}

	outcomes := make([]Outcome, len(rows))
	var fresh []*Row
	var rivals []rival
	for i, r := range rows {
		id := identityOf(r)
		h, ok := held[id]
		switch {
		case !ok:
			r.ID = (*ids)[i]
			held[id] = holder{r.ID, r.ContentHash[:]}
			fresh = append(fresh, r)
			outcomes[i] = Outcome{Status: Stored, ID: r.ID}
		case bytes.Equal(h.hash, r.ContentHash[:]):
			outcomes[i] = Outcome{Status: Duplicate, ID: h.id}
		default:
			rivals = append(rivals, rival{i, h.id, r})
		}
	}
	if err := settleRivals(ctx, tx, site, rivals, outcomes); err != nil {
		return nil, err
	}
	if len(fresh) > 0 {
		if err := storeFresh(ctx, tx, site, fresh, counted); err != nil {
			return nil, err
		}
	}
	return outcomes, fillExisting(ctx, tx, site, outcomes)
}

// storeFresh writes new measurements, moves the counted flags and tells listeners.
func storeFresh(ctx context.Context, tx pgx.Tx, site string, fresh []*Row, counted map[group]chosen) error {
	best := map[group]*Row{}
	for _, r := range fresh {
		if r.Purpose != spc.Production {
			continue
		}
		g := groupOf(r)
		if b := best[g]; b == nil || r.Key().Compare(b.Key()) < 0 {
			best[g] = r
		}
	}
	var flipped []chosen
	for g, r := range best {
		old, ok := counted[g]
		switch {
		case !ok:
			r.Counted = true
		case r.Key().Compare(old.key) < 0:
			r.Counted = true
			flipped = append(flipped, old)
		}
	}
	// Before the new ones come: the index allows one a group.
	if err := uncount(ctx, tx, site, flipped); err != nil {
		return err
	}
	if err := copyRows(ctx, tx, site, fresh, func(*Row) (bool, int64) { return true, 0 }); err != nil {
		return err
	}
	return notify(ctx, tx, noticesOf(site, fresh)...)
}

// copyRows writes rows and their identities; keyed says whether a row owns its identity and which chain it belongs to.
func copyRows(ctx context.Context, tx pgx.Tx, site string, rows []*Row, keyed func(*Row) (owns bool, original int64)) error {
	var w copyWriter
	w.b = make([]byte, 0, 1024*len(rows))
	w.begin()
	for _, r := range rows {
		if err := writeRow(&w, site, r); err != nil {
			return fmt.Errorf("panel %q: %w", r.Panel, err)
		}
	}
	w.end()
	conn := tx.Conn().PgConn()
	if _, err := conn.CopyFrom(ctx, bytes.NewReader(w.b), copyMeasurement); err != nil {
		return err
	}
	w.b = w.b[:0]
	w.begin()
	for _, r := range rows {
		owns, original := keyed(r)
		writeKey(&w, site, r, owns, original)
	}
	w.end()
	_, err := conn.CopyFrom(ctx, bytes.NewReader(w.b), copyKey)
	return err
}

// uncount takes the flag from measurements that no longer feed charts.
func uncount(ctx context.Context, tx pgx.Tx, site string, cs []chosen) error {
	return setCounted(ctx, tx, site, cs, false)
}

func setCounted(ctx context.Context, tx pgx.Tx, site string, cs []chosen, counted bool) error {
	if len(cs) == 0 {
		return nil
	}
	batch := &pgx.Batch{}
	for _, c := range cs {
		batch.Queue(`UPDATE measurement_key SET counted = $3 WHERE site = $1 AND id = $2`, site, c.id, counted)
		batch.Queue(`UPDATE measurement SET counted = $4 WHERE site = $1 AND id = $2 AND measured_at = $3`,
			site, c.id, c.key.MeasuredAt, counted) // measurement_pkey of one partition
	}
	return tx.SendBatch(ctx, batch).Close()
}

// queueLocks makes writers of the same gauges wait for one another; sorted, so that they never deadlock. It also keeps
// the planner from reading whole tables for the look-ups that follow (its idea of their size lags behind an import);
// the look-ups themselves are LATERAL with a LIMIT, which leaves it no other way than one probe of an index each.
func queueLocks(batch *pgx.Batch, site string, gauges ...string) {
	slices.Sort(gauges)
	gauges = slices.Compact(gauges)
	keys := make([]int64, len(gauges))
	for i, g := range gauges {
		keys[i] = lockKey("gauge", site, g)
	}
	slices.Sort(keys)
	batch.Queue(`
		SELECT pg_advisory_xact_lock(k), set_config('enable_seqscan', 'off', true)
		FROM unnest($1::bigint[]) k`, keys)
}

// queueHolders looks up who holds the rows' identities; the map is filled when the batch has run.
func queueHolders(batch *pgx.Batch, site string, rows []*Row) map[identity]holder {
	held := map[identity]holder{}
	var gauges, series, gaugesT, panels []string
	var sequences []int64
	var times []time.Time
	for _, r := range rows {
		if r.Sequence >= 0 {
			gauges, series, sequences = append(gauges, r.Gauge), append(series, r.Series), append(sequences, r.Sequence)
		} else {
			gaugesT, panels, times = append(gaugesT, r.Gauge), append(panels, r.Panel), append(times, r.MeasuredAt)
		}
	}
	if len(gauges) > 0 {
		batch.Queue(`
			SELECT k.id, k.content_hash, k.gauge, k.series, k.sequence_order
			FROM unnest($2::text[], $3::text[], $4::bigint[]) u(gauge, series, sequence_order)
			CROSS JOIN LATERAL (
				SELECT * FROM measurement_key k WHERE k.site = $1 AND k.gauge = u.gauge AND k.series = u.series
				AND k.sequence_order = u.sequence_order AND k.owns AND k.sequence_order < 9007199254740992 LIMIT 1) k`,
			site, gauges, series, sequences).Query(func(rows pgx.Rows) error { // measurement_key_sequence
			var h holder
			var id identity
			_, err := pgx.ForEachRow(rows, []any{&h.id, &h.hash, &id.gauge, &id.series, &id.sequence}, func() error {
				held[id] = holder{h.id, bytes.Clone(h.hash)}
				return nil
			})
			return err
		})
	}
	if len(panels) > 0 {
		batch.Queue(`
			SELECT k.id, k.content_hash, k.gauge, k.panel, k.measured_at
			FROM unnest($2::text[], $3::text[], $4::timestamptz[]) u(gauge, panel, measured_at)
			CROSS JOIN LATERAL (
				SELECT * FROM measurement_key k WHERE k.site = $1 AND k.gauge = u.gauge AND k.panel = u.panel
				AND k.measured_at = u.measured_at AND k.owns AND k.sequence_order = 9007199254740992 LIMIT 1) k`,
			site, gaugesT, panels, times).Query(func(rows pgx.Rows) error { // measurement_key_time
			var h holder
			var at time.Time
			id := identity{sequence: spc.EverySequence}
			_, err := pgx.ForEachRow(rows, []any{&h.id, &h.hash, &id.gauge, &id.panel, &at}, func() error {
				id.at = at.UnixMicro()
				held[id] = holder{h.id, bytes.Clone(h.hash)}
				return nil
			})
			return err
		})
	}
	return held
}

// queueCounted looks up which measurements feed charts for the rows' presses, panels and gauges.
func queueCounted(batch *pgx.Batch, site string, rows []*Row) map[group]chosen {
	counted := map[group]chosen{}
	var presses, panels, gauges []string
	for _, r := range rows {
		if r.Purpose == spc.Production {
			presses, panels, gauges = append(presses, r.Press), append(panels, r.Panel), append(gauges, r.Gauge)
		}
	}
	if len(presses) == 0 {
		return counted
	}
	batch.Queue(`
		SELECT k.press, k.panel, k.gauge, k.id, k.line_at, k.series, k.sequence_order, k.measured_at, k.content_hash
		FROM unnest($2::text[], $3::text[], $4::text[]) u(press, panel, gauge)
		CROSS JOIN LATERAL (
			SELECT * FROM measurement_key k WHERE k.site = $1 AND k.press = u.press AND k.panel = u.panel
			AND k.gauge = u.gauge AND k.counted LIMIT 1) k`,
		site, presses, panels, gauges).Query(func(rows pgx.Rows) error { // measurement_key_counted
		var g group
		var c chosen
		var sequence int64
		var hash []byte
		_, err := pgx.ForEachRow(rows, []any{&g.press, &g.panel, &g.gauge, &c.id, &c.key.LineAt, &c.key.Series, &sequence,
			&c.key.MeasuredAt, &hash}, func() error {
			c.key.Gauge, c.key.Panel, c.key.Sequence, c.key.Hash = g.gauge, g.panel, fromOrder(sequence), shortHash(hash)
			counted[g] = c
			return nil
		})
		return err
	})
	return counted
}

func queueIDs(batch *pgx.Batch, n int) *[]int64 {
	ids := make([]int64, 0, n)
	batch.Queue(`SELECT nextval('measurement_id') FROM generate_series(1, $1::int)`, n).Query(func(rows pgx.Rows) error {
		var id int64
		_, err := pgx.ForEachRow(rows, []any{&id}, func() error {
			ids = append(ids, id)
			return nil
		})
		return err
	})
	return &ids
}

// noticesOf sums rows up: one notice a press and gauge, with the earliest line time and the last panel.
func noticesOf(site string, rows []*Row) []Notice {
	type span struct{ first, last *Row }
	spans := map[[2]string]span{}
	for _, r := range rows {
		k := [2]string{r.Press, r.Gauge}
		sp, ok := spans[k]
		if !ok {
			sp = span{r, r}
		}
		if r.LineAt.Before(sp.first.LineAt) {
			sp.first = r
		}
		if r.Key().Compare(sp.last.Key()) > 0 {
			sp.last = r
		}
		spans[k] = sp
	}
	notices := make([]Notice, 0, len(spans))
	for k, sp := range spans {
		notices = append(notices, Notice{Site: site, Kind: NoticeMeasurement, Press: k[0], Gauge: k[1],
			Panel: sp.last.Panel, From: sp.first.LineAt.UTC()})
	}
	slices.SortFunc(notices, func(a, b Notice) int { return a.From.Compare(b.From) })
	return notices
}
