package store

import (
	"encoding/json"
	"fmt"
	"strings"

	"sagwatch/spc"
)

// everyValue is all computed values in their order.
var everyValue = func() []spc.Computed {
	all := make([]spc.Computed, spc.NumComputed)
	for c := range all {
		all[c] = spc.Computed(c)
	}
	return all
}()

// valueColumns are the columns of computed values, named as they are.
func valueColumns(values []spc.Computed) string {
	names := make([]string, len(values))
	for i, c := range values {
		names[i] = "m." + c.String()
	}
	return strings.Join(names, ", ")
}

// storedColumns are what a measurement is made of, in the order of writeRow and readRow.
var storedColumns = `m.id, m.gauge, m.panel, m.measured_at, m.press, m.product, m.mould, m.casting, m.lane, m.cycle,
	m.pressed_at, m.series, m.sequence_order, m.line_at, m.line_estimated, m.order_hash, m.purpose, m.counted, m.state,
	m.revision, m.correction_of, m.product_rev, m.gauge_rev, m.press_rev, m.algorithm, m.source, m.readings,
	m.characteristics, m.counts, m.verdict, m.reasons, m.items, m.suspect_places, m.faulty_probes, m.dropped, m.refusal,
	` + valueColumns(everyValue)

// rowColumns are what readRow reads.
var rowColumns = storedColumns + `, m.stored_at`

var copyMeasurement = `COPY measurement (site, ` + strings.ReplaceAll(storedColumns, "m.", "") + `) FROM STDIN BINARY`

const copyKey = `COPY measurement_key (site, id, gauge, series, sequence_order, panel, measured_at, press, line_at,
	content_hash, counted, owns, original) FROM STDIN BINARY`

// Numbers of fields of the two COPYs.
const (
	measurementFields = 37 + int(spc.NumComputed)
	keyFields         = 13
)

// writeRow adds a measurement to a COPY.
func writeRow(w *copyWriter, site string, r *Row) error {
	characteristics, err := encodeMap(r.Characteristics)
	if err != nil {
		return fmt.Errorf("characteristics: %w: %w", ErrInvalid, err)
	}
	counts, err := encodeMap(r.Counts)
	if err != nil {
		return fmt.Errorf("counts: %w: %w", ErrInvalid, err)
	}
	var items []byte
	if len(r.Result.Items) > 0 {
		if items, err = json.Marshal(r.Result.Items); err != nil {
			return fmt.Errorf("items: %w: %w", ErrInvalid, err)
		}
	}
	w.row(measurementFields)
	w.text(site)
	w.int8(r.ID)
	w.text(r.Gauge)
	w.text(r.Panel)
	w.time(r.MeasuredAt)
	w.text(r.Press)
	w.text(r.Product)
	w.text(r.Mould)
	w.text(r.Casting)
	w.text(r.Lane)
	if r.Cycle < 0 {
		w.null()
	} else {
		w.int8(r.Cycle)
	}
	if r.PressedAt.IsZero() {
		w.null()
	} else {
		w.time(r.PressedAt)
	}
	w.text(r.Series)
	w.int8(toOrder(r.Sequence))
	w.time(r.LineAt)
	w.bool(r.LineEstimated)
	w.int8(toOrderHash(r.Hash))
	w.text(string(r.Purpose))
	w.bool(r.Counted)
	w.text(r.State)
	w.int4(r.Revision)
	if r.CorrectionOf == 0 {
		w.null()
	} else {
		w.int8(r.CorrectionOf)
	}
	w.int4(r.ProductRev)
	w.int4(r.GaugeRev)
	w.int4(r.PressRev)
	w.int4(r.Algorithm)
	w.text(r.Source)
	w.float8s(r.Readings)
	w.bytes(characteristics)
	w.bytes(counts)
	w.text(string(r.Result.Verdict))
	w.texts(r.Result.Reasons)
	w.bytes(items)
	w.int2s(r.Result.SuspectPlaces)
	w.int2s(r.Result.FaultyProbes)
	dropped := make([]string, len(r.Result.Dropped))
	for i, f := range r.Result.Dropped {
		dropped[i] = string(f)
	}
	w.texts(dropped)
	w.text(r.Result.Refusal)
	for c := range spc.NumComputed {
		if x, ok := r.Result.Values.Get(c); ok {
			w.float8(x)
		} else {
			w.null()
		}
	}
	return nil
}

// writeKey adds a measurement's identity to a COPY; original is 0 for the first of its chain.
func writeKey(w *copyWriter, site string, r *Row, owns bool, original int64) {
	w.row(keyFields)
	w.text(site)
	w.int8(r.ID)
	w.text(r.Gauge)
	w.text(r.Series)
	w.int8(toOrder(r.Sequence))
	w.text(r.Panel)
	w.time(r.MeasuredAt)
	w.text(r.Press)
	w.time(r.LineAt)
	w.bytes(r.ContentHash[:])
	w.bool(r.Counted)
	w.bool(owns)
	if original == 0 {
		w.null()
	} else {
		w.int8(original)
	}
}

// readRow reads rowColumns.
func readRow(r *rawReader, row *Row) (err error) {
	row.ID = r.int8()
	row.Gauge = r.name()
	row.Panel = r.text()
	row.MeasuredAt = r.time()
	row.Press = r.name()
	row.Product = r.name()
	row.Mould = r.name()
	row.Casting = r.name()
	row.Lane = r.name()
	row.Cycle = r.int8Or(spc.NoCycle)
	row.PressedAt = r.time()
	row.Series = r.name()
	row.Sequence = fromOrder(r.int8())
	row.LineAt = r.time()
	row.LineEstimated = r.bool()
	row.Hash = fromOrderHash(r.int8())
	row.Purpose = spc.Purpose(r.name())
	row.Counted = r.bool()
	row.State = r.name()
	row.Revision = r.int4()
	row.CorrectionOf = r.int8Or(0)
	row.ProductRev = r.int4()
	row.GaugeRev = r.int4()
	row.PressRev = r.int4()
	row.Algorithm = r.int4()
	row.Source = r.name()
	if row.Readings, err = r.float8s(); err != nil {
		return err
	}
	if err := decodeJSON(r.next(), &row.Characteristics); err != nil {
		return err
	}
	if err := decodeJSON(r.next(), &row.Counts); err != nil {
		return err
	}
	row.Result.Verdict = spc.Verdict(r.name())
	if row.Result.Reasons, err = r.texts(); err != nil {
		return err
	}
	if err := decodeJSON(r.next(), &row.Result.Items); err != nil {
		return err
	}
	if row.Result.SuspectPlaces, err = r.int2s(); err != nil {
		return err
	}
	if row.Result.FaultyProbes, err = r.int2s(); err != nil {
		return err
	}
	dropped, err := r.texts()
	if err != nil {
		return err
	}
	for _, f := range dropped {
		row.Result.Dropped = append(row.Result.Dropped, spc.Freedom(f))
	}
	row.Result.Refusal = r.text()
	readValues(r, everyValue, &row.Result.Values)
	row.StoredAt = r.time()
	return nil
}

func readValues(r *rawReader, values []spc.Computed, v *spc.Values) {
	for _, c := range values {
		if x, ok := r.float8(); ok {
			v.Set(c, x)
		} else {
			v.Clear(c)
		}
	}
}

// encodeMap writes JSON with the shortest decimals that come back as the same numbers; an empty map is null.
func encodeMap[V any](m map[string]V) ([]byte, error) {
	if len(m) == 0 {
		return nil, nil
	}
	return json.Marshal(m)
}

func decodeJSON(b []byte, into any) error {
	if b == nil {
		return nil
	}
	return json.Unmarshal(b, into)
}
