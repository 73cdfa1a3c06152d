package ingest

import (
	"crypto/sha256"
	"encoding/binary"
	"hash"
	"math"
	"sort"

	"sagwatch/spc"
)

// ContentHash is equal for two measurements exactly when everything that was sent is equal after parsing (absent = null).
// It tells a duplicate from a conflict and is the last key of the order, so it depends on nothing but the content.
func ContentHash(m *spc.Measurement) [32]byte {
	w := writer{sha256.New()}
	w.text("sagwatch measurement 1")
	w.text(m.Gauge)
	w.text(m.Panel)
	w.int(m.MeasuredAt.UnixMicro())
	w.text(m.Press)
	w.text(m.Product)
	w.text(m.Mould)
	w.text(m.Lane)
	w.int(m.Cycle)
	if m.PressedAt.IsZero() {
		w.int(math.MinInt64)
	} else {
		w.int(m.PressedAt.UnixMicro())
	}
	w.text(m.Series)
	w.int(m.Sequence)
	w.text(string(m.Purpose))
	w.int(int64(len(m.Readings)))
	for _, v := range m.Readings {
		if math.IsNaN(v) {
			v = math.NaN() // one bit pattern for null
		}
		w.int(int64(math.Float64bits(v)))
	}
	w.int(int64(len(m.Characteristics)))
	for _, name := range sortedKeys(m.Characteristics) {
		w.text(name)
		w.int(int64(math.Float64bits(m.Characteristics[name])))
	}
	w.int(int64(len(m.Counts)))
	for _, name := range sortedKeys(m.Counts) {
		c := m.Counts[name]
		w.text(name)
		for _, p := range []*int64{c.Nonconforming, c.Inspected, c.Defects, c.Units} {
			if p == nil {
				w.int(-1)
			} else {
				w.int(*p)
			}
		}
	}
	return [32]byte(w.Sum(nil))
}

func sortedKeys[T any](m map[string]T) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	return keys
}

type writer struct{ hash.Hash }

func (w writer) int(v int64) {
	var b [8]byte
	binary.BigEndian.PutUint64(b[:], uint64(v))
	w.Write(b[:])
}

func (w writer) text(s string) {
	w.int(int64(len(s)))
	w.Write([]byte(s))
}
