package store

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
)

// orderColumns is press order, see order.go.
const orderColumns = `m.line_at, m.gauge, m.series, m.sequence_order, m.panel, m.measured_at, m.order_hash, m.id`

const orderDescending = `m.line_at DESC, m.gauge DESC, m.series DESC, m.sequence_order DESC, m.panel DESC,
	m.measured_at DESC, m.order_hash DESC, m.id DESC`

// querier is a pool or a transaction.
type querier interface {
	Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error)
}

// binaryResults asks for every column in binary, as rawReader needs.
var binaryResults = pgx.QueryResultFormats{pgx.BinaryFormatCode}

// scan runs a query and calls fn with each row; it is what pgx.ForEachRow is, without a conversion for each column.
func scan(ctx context.Context, q querier, sql string, args []any, fn func(*rawReader) error) error {
	rows, err := q.Query(ctx, sql, append([]any{binaryResults}, args...)...)
	if err != nil {
		return err
	}
	defer rows.Close()
	r := newRawReader()
	for rows.Next() {
		r.reset(rows.RawValues())
		if err := fn(r); err != nil {
			return err
		}
	}
	return rows.Err()
}

// queryRows reads whole rows; rest is the query from WHERE on.
func queryRows(ctx context.Context, q querier, rest string, args ...any) ([]Row, error) {
	var out []Row
	err := scan(ctx, q, `SELECT `+rowColumns+` FROM measurement m `+rest, args, func(r *rawReader) error {
		out = append(out, Row{})
		return readRow(r, &out[len(out)-1])
	})
	return out, err
}

// rowsByID reads measurements by id; those that do not exist are left out.
func rowsByID(ctx context.Context, q querier, site string, ids []int64) (map[int64]*Row, error) {
	// The key table knows the month; measurement_key_pkey, then measurement_pkey of that partition alone.
	out := make(map[int64]*Row, len(ids))
	err := scan(ctx, q, `
		SELECT `+rowColumns+` FROM measurement_key k
		CROSS JOIN LATERAL (
			SELECT * FROM measurement m WHERE m.site = k.site AND m.id = k.id AND m.measured_at = k.measured_at LIMIT 1) m
		WHERE k.site = $1 AND k.id = ANY ($2)`, []any{site, ids}, func(r *rawReader) error {
		row := new(Row)
		if err := readRow(r, row); err != nil {
			return err
		}
		out[row.ID] = row
		return nil
	})
	return out, err
}

func fillExisting(ctx context.Context, q querier, site string, outcomes []Outcome) error {
	var ids []int64
	for _, o := range outcomes {
		if o.Status != Stored {
			ids = append(ids, o.ID)
		}
	}
	if len(ids) == 0 {
		return nil
	}
	rows, err := rowsByID(ctx, q, site, ids)
	for i, o := range outcomes {
		if o.Status != Stored {
			outcomes[i].Existing = rows[o.ID]
		}
	}
	return err
}

// Measurement finds one by its id, in any state.
func (s *Store) Measurement(ctx context.Context, site string, id int64) (Row, error) {
	rows, err := rowsByID(ctx, s.pool, site, []int64{id})
	if err != nil {
		return Row{}, wrap(err, "measurement %d", id)
	}
	r, ok := rows[id]
	if !ok {
		return Row{}, wrap(ErrNotFound, "measurement %d", id)
	}
	return *r, nil
}

// MeasurementsByID finds several by their ids, in any state; those that there are not are left out.
func (s *Store) MeasurementsByID(ctx context.Context, site string, ids []int64) (map[int64]*Row, error) {
	rows, err := rowsByID(ctx, s.pool, site, ids)
	return rows, wrap(err, "%d measurements", len(ids))
}

// conditions gathers parts of a WHERE with their parameters.
type conditions struct {
	where []string
	args  []any
}

// add appends a condition, in which each ? stands for the next of args.
func (c *conditions) add(cond string, args ...any) {
	for _, a := range args {
		c.args = append(c.args, a)
		cond = strings.Replace(cond, "?", fmt.Sprintf("$%d", len(c.args)), 1)
	}
	c.where = append(c.where, cond)
}

func (c *conditions) equal(column, value string) {
	if value != "" {
		c.add(column+" = ?", value)
	}
}

func (c *conditions) between(column string, from, to time.Time) {
	if !from.IsZero() {
		c.add(column+" >= ?", from)
	}
	if !to.IsZero() {
		c.add(column+" < ?", to)
	}
}

func (c *conditions) String() string { return " WHERE " + strings.Join(c.where, " AND ") }

// maxPage bounds one page of a list.
const maxPage = 10_000

// Measurements lists measurements in line order, newest first when asked; the cursor is nil after the last page.
func (s *Store) Measurements(ctx context.Context, site string, f MeasurementFilter) ([]Row, *Cursor, error) {
	limit := f.Limit
	if limit == 0 {
		limit = 100
	}
	if limit < 0 || limit > maxPage {
		return nil, nil, wrap(ErrInvalid, "measurements: limit %d, from 1 to %d", f.Limit, maxPage)
	}
	var c conditions
	c.add("m.site = ?", site)
	c.equal("m.press", f.Press)
	c.equal("m.mould", f.Mould)
	c.equal("m.panel", f.Panel)
	c.equal("m.gauge", f.Gauge)
	c.equal("m.product", f.Product)
	c.equal("m.purpose", string(f.Purpose))
	if f.PanelPrefix != "" {
		c.add("starts_with(m.panel, ?)", f.PanelPrefix)
	}
	if len(f.Verdicts) > 0 {
		vs := make([]string, len(f.Verdicts))
		for i, v := range f.Verdicts {
			vs[i] = string(v)
		}
		c.add("m.verdict = ANY (?)", vs)
	}
	if f.CountedOnly {
		c.add("m.counted")
	}
	if !f.EveryState {
		c.add("m.state = 'current'")
	}
	c.between("m.line_at", f.From, f.To)
	order, than := orderColumns, ">"
	if f.Descending {
		order, than = orderDescending, "<"
	}
	if f.After != nil {
		// The first condition is what the index can use.
		c.add("m.line_at "+than+"= ?", f.After.Key.LineAt)
		c.add("("+orderColumns+") "+than+" (?, ?, ?, ?, ?, ?, ?, ?)", append(keyArgs(f.After.Key), f.After.ID)...)
	}
	c.args = append(c.args, limit+1)
	// measurement_order (measurement_line without a press) of each partition, merged; measurement_panel for one panel.
	rows, err := queryRows(ctx, s.pool, c.String()+` ORDER BY `+order+fmt.Sprintf(` LIMIT $%d`, len(c.args)), c.args...)
	if err != nil {
		return nil, nil, wrap(err, "measurements of site %q", site)
	}
	if len(rows) <= limit {
		return rows, nil, nil
	}
	rows = rows[:limit]
	last := &rows[limit-1]
	return rows, &Cursor{Key: last.Key(), ID: last.ID}, nil
}

// Panel lists every measurement of a panel in line order, superseded and void ones too.
func (s *Store) Panel(ctx context.Context, site, press, serial string) ([]Row, error) {
	rows, err := queryRows(ctx, s.pool, `
		WHERE m.site = $1 AND m.press = $2 AND m.panel = $3 ORDER BY `+orderColumns, site, press, serial) // measurement_panel
	return rows, wrap(err, "panel %q of press %q", serial, press)
}

// Changes lists corrections and voids of a panel's measurements, oldest first.
func (s *Store) Changes(ctx context.Context, site, press, serial string) ([]Change, error) {
	rows, err := s.pool.Query(ctx, `
		SELECT c.measurement, c.kind, coalesce(c.replaced_by, 0) AS replaced_by, c.reason, c.by, c.at
		FROM measurement_change c
		WHERE c.site = $1 AND c.measurement IN (
			SELECT m.id FROM measurement m WHERE m.site = $1 AND m.press = $2 AND m.panel = $3)
		ORDER BY c.seq`, site, press, serial) // measurement_panel, measurement_change_once
	if err != nil {
		return nil, wrap(err, "changes of panel %q of press %q", serial, press)
	}
	cs, err := pgx.CollectRows(rows, pgx.RowToStructByName[Change])
	for i := range cs {
		cs[i].At = cs[i].At.UTC()
	}
	return cs, wrap(err, "changes of panel %q of press %q", serial, press)
}

// LatestPanels lists the last n current measurements, newest first: of a press in line order, of a gauge (press "") as
// it measured them, or of the whole site in line order (both "").
func (s *Store) LatestPanels(ctx context.Context, site, press, gauge string, n int) ([]Row, error) {
	if press != "" || gauge == "" {
		rows, _, err := s.Measurements(ctx, site, MeasurementFilter{Press: press, Gauge: gauge, Descending: true, Limit: n})
		return rows, err
	}
	rows, err := queryRows(ctx, s.pool, `
		WHERE m.site = $1 AND m.gauge = $2 AND m.state = 'current' ORDER BY m.measured_at DESC, m.id DESC LIMIT $3`,
		site, gauge, n) // measurement_gauge
	return rows, wrap(err, "latest panels of gauge %q", gauge)
}
