package store

import (
	"context"
	"time"

	"sagwatch/spc"
)

// observationColumns are what readObs reads, the values aside.
const observationColumns = `m.id, m.gauge, m.panel, m.measured_at, m.press, m.product, m.mould, m.casting, m.lane, m.cycle,
	m.series, m.sequence_order, m.line_at, m.order_hash, m.characteristics, m.counts, m.verdict`

// Observations calls fn with what feeds the charts of a press, in order. The *Obs is the same each time, with new
// content: copy what is to stay. An error of fn ends the reading and is returned as it is.
func (s *Store) Observations(ctx context.Context, site string, q ObservationQuery, fn func(*Obs) error) error {
	var c conditions
	c.add("m.site = ?", site)
	c.add("m.press = ?", q.Press)
	c.add("m.counted")
	return s.observe(ctx, site, c, false, q.After, q.From, q.To, q.Values, fn) // measurement_order of each partition, merged
}

// MasterChecks calls fn with the current master checks of a gauge, in order; otherwise like Observations.
func (s *Store) MasterChecks(ctx context.Context, site string, q MasterQuery, fn func(*Obs) error) error {
	var c conditions
	c.add("m.site = ?", site)
	c.add("m.gauge = ?", q.Gauge)
	c.add("m.purpose = 'master'")
	c.add("m.state = 'current'")
	if q.Panels != nil {
		c.add("m.panel = ANY (?)", q.Panels) // measurement_panel
	}
	return s.observe(ctx, site, c, q.Panels != nil, q.After, q.From, q.To, q.Values, fn) // measurement_gauge
}

// observe reads the rows of the conditions in order. Few of them are found first and sorted afterwards; else an index that has the
// order is walked, however many of its rows do not count.
func (s *Store) observe(ctx context.Context, site string, c conditions, few bool, after *spc.OrderKey, from, to time.Time,
	values []spc.Computed, fn func(*Obs) error) error {
	columns := observationColumns
	if values == nil {
		values = everyValue
	}
	for _, v := range values {
		if v >= spc.NumComputed {
			return wrap(ErrInvalid, "observations: computed value number %d", v)
		}
	}
	if len(values) > 0 {
		columns += ", " + valueColumns(values)
	}
	c.between("m.line_at", from, to)
	if after != nil {
		c.add("m.line_at >= ?", after.LineAt)
		c.add("(m.line_at, m.gauge, m.series, m.sequence_order, m.panel, m.measured_at, m.order_hash) > (?, ?, ?, ?, ?, ?, ?)",
			keyArgs(*after)...)
	}
	rows := `measurement m` + c.String()
	if few {
		rows = `(SELECT * FROM measurement m` + c.String() + ` OFFSET 0) m`
	}
	// There are few exclusions: cheaper than a join for each row.
	list, err := s.Exclusions(ctx, site)
	if err != nil {
		return err
	}
	excluded := make(map[int64]string, len(list))
	for _, e := range list {
		excluded[e.Measurement] = e.Reason
	}
	// Ending early drops the connection: finishing the query would mean reading all the rest of it.
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var o Obs
	var failed error
	err = scan(ctx, s.pool, `SELECT `+columns+` FROM `+rows+`
		ORDER BY m.line_at, m.gauge, m.series, m.sequence_order, m.panel, m.measured_at, m.order_hash`, c.args,
		func(r *rawReader) error {
			if err := readObs(r, values, &o); err != nil {
				return err
			}
			o.Excluded = excluded[o.Measurement]
			if failed = fn(&o); failed != nil {
				cancel()
			}
			return failed
		})
	if failed != nil {
		return failed
	}
	return wrap(err, "observations of site %q", site)
}

func readObs(r *rawReader, values []spc.Computed, o *Obs) error {
	o.Measurement = r.int8()
	o.Key.Gauge = r.name()
	o.Key.Panel = r.text()
	o.Key.MeasuredAt = r.time()
	o.Press = r.name()
	o.Product = r.name()
	o.Mould = r.name()
	o.Casting = r.name()
	o.Lane = r.name()
	o.Cycle = r.int8Or(spc.NoCycle)
	o.Key.Series = r.name()
	o.Key.Sequence = fromOrder(r.int8())
	o.Key.LineAt = r.time()
	o.Key.Hash = fromOrderHash(r.int8())
	o.Characteristics = nil
	if err := decodeJSON(r.next(), &o.Characteristics); err != nil {
		return err
	}
	o.Counts = nil
	if err := decodeJSON(r.next(), &o.Counts); err != nil {
		return err
	}
	o.Verdict = spc.Verdict(r.name())
	readValues(r, values, &o.Values)
	return nil
}
