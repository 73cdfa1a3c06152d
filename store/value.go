package store

import (
	"context"
	"fmt"
	"math"
	"time"

	"github.com/jackc/pgx/v5"
	"golang.org/x/sync/errgroup"

	"sagwatch/spc"
)

// ValueQuery chooses what Values reads of what feeds the charts of a press.
type ValueQuery struct {
	Press    string
	Computed []spc.Computed
	Named    []string // characteristics of products
	Panels   bool     // the serials too; each column costs, so that millions are better read without
}

// Value is what a distribution needs of one measurement: far less than the fold does.
type Value struct {
	Gauge, Product, Mould string
	Panel                 string // only where the query asks for it
	LineAt                time.Time
	Cycle                 int64
	Excluded              string    // reason, "" when it is not excluded
	X                     []float64 // the computed ones, then the named ones, in the order of the query; NaN where there is none
}

// ValueReader reads values as they stood when it was made, however long it is used: parts that are read one after the other or side by
// side fit together, whatever is stored meanwhile.
type ValueReader struct {
	s        *Store
	first    pgx.Tx
	snapshot string
	site     string
	q        ValueQuery
	excluded map[int64]string
}

// Values calls use with a reader, which ends with it.
func (s *Store) Values(ctx context.Context, site string, q ValueQuery, use func(*ValueReader) error) error {
	for _, v := range q.Computed {
		if v >= spc.NumComputed {
			return wrap(ErrInvalid, "values: computed value number %d", v)
		}
	}
	r := &ValueReader{s: s, site: site, q: q, excluded: map[int64]string{}}
	var failed error
	err := pgx.BeginTxFunc(ctx, s.pool, pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly}, func(tx pgx.Tx) error {
		r.first = tx
		if err := tx.QueryRow(ctx, `SELECT pg_export_snapshot()`).Scan(&r.snapshot); err != nil {
			return err
		}
		list, err := exclusions(ctx, tx, site)
		if err != nil {
			return err
		}
		for _, e := range list {
			r.excluded[e.Measurement] = e.Reason
		}
		failed = use(r)
		return failed
	})
	if failed != nil {
		return failed
	}
	return wrap(err, "values of press %q", q.Press)
}

// Read calls fn with the values between two line times, to exclusive, in press order. The *Value is the same each time, with new
// content. An error of fn ends the reading and is returned as it is.
func (r *ValueReader) Read(ctx context.Context, from, to time.Time, fn func(*Value) error) error {
	return r.read(ctx, r.first, from, to, fn)
}

// ReadBeside reads as Read does, from each time to the next, side by side where connections allow. Part tells fn which of the spans a
// value is of: fn is called for several at once and must keep them apart.
func (r *ValueReader) ReadBeside(ctx context.Context, at []time.Time, fn func(part int, v *Value) error) error {
	group, ctx := errgroup.WithContext(ctx)
	var here []int // spans for the connection that is there
	for part := range len(at) - 1 {
		// Connections of their own: waiting for one more of the pool while holding one of it can last for ever.
		if part == 0 || !r.s.beside.TryAcquire(1) {
			here = append(here, part)
			continue
		}
		group.Go(func() error {
			defer r.s.beside.Release(1)
			conn, err := pgx.ConnectConfig(ctx, r.s.pool.Config().ConnConfig)
			if err != nil {
				return wrap(err, "values of press %q", r.q.Press)
			}
			defer conn.Close(context.WithoutCancel(ctx)) //nolint:errcheck // nothing is lost with it
			tx, err := conn.BeginTx(ctx, pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly})
			if err == nil {
				// The snapshot's name comes from the database and is no parameter: the command takes none.
				_, err = tx.Exec(ctx, fmt.Sprintf(`SET TRANSACTION SNAPSHOT '%s'`, r.snapshot))
			}
			if err != nil {
				return wrap(err, "values of press %q", r.q.Press)
			}
			return r.read(ctx, tx, at[part], at[part+1], func(v *Value) error { return fn(part, v) })
		})
	}
	group.Go(func() error {
		for _, part := range here {
			if err := r.read(ctx, r.first, at[part], at[part+1], func(v *Value) error { return fn(part, v) }); err != nil {
				return err
			}
		}
		return nil
	})
	return group.Wait()
}

func (r *ValueReader) read(ctx context.Context, tx pgx.Tx, from, to time.Time, fn func(*Value) error) error {
	var c conditions
	c.add("m.site = ?", r.site)
	c.add("m.press = ?", r.q.Press)
	c.add("m.counted")
	c.add("m.line_at >= ?", from)
	c.add("m.line_at < ?", to)
	columns := `m.gauge, m.product, m.mould, m.line_at, m.cycle`
	if r.q.Panels {
		columns += ", m.panel"
	}
	if len(r.excluded) > 0 {
		columns += ", m.id"
	}
	if len(r.q.Computed) > 0 {
		columns += ", " + valueColumns(r.q.Computed)
	}
	for _, name := range r.q.Named {
		c.args = append(c.args, name)
		columns += fmt.Sprintf(", (m.characteristics ->> $%d)::float8", len(c.args))
	}
	// Ending early drops the connection: finishing the query would mean reading all the rest of it.
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	v := Value{X: make([]float64, len(r.q.Computed)+len(r.q.Named))}
	var failed error
	// Without the serials panels of one gauge and one moment come as they lie, so that nothing but the columns asked for is read.
	order := `m.line_at, m.gauge`
	if r.q.Panels {
		order += `, m.series, m.sequence_order, m.panel, m.measured_at, m.order_hash`
	}
	err := scan(ctx, tx, `SELECT `+columns+` FROM measurement m`+c.String()+` ORDER BY `+order, c.args, // measurement_order of each partition, merged
		func(raw *rawReader) error {
			v.Gauge, v.Product, v.Mould = raw.name(), raw.name(), raw.name()
			v.LineAt, v.Cycle = raw.time(), raw.int8Or(spc.NoCycle)
			if r.q.Panels {
				v.Panel = raw.text()
			}
			if len(r.excluded) > 0 {
				v.Excluded = r.excluded[raw.int8()]
			}
			for i := range v.X {
				x, ok := raw.float8()
				if !ok {
					x = math.NaN()
				}
				v.X[i] = x
			}
			if failed = fn(&v); failed != nil {
				cancel()
			}
			return failed
		})
	if failed != nil {
		return failed
	}
	return wrap(err, "values of press %q", r.q.Press)
}
