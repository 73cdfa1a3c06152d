package store

import (
	"encoding/binary"
	"fmt"
	"math"
	"time"
)

// PostgreSQL's binary formats, written and read by hand for the two paths where time counts: COPY of new measurements
// and reading measurements for the fold. Formats: PostgreSQL documentation, "COPY, Binary Format" and the types' send
// and receive functions.

const (
	copyHeader = "PGCOPY\n\xff\r\n\x00\x00\x00\x00\x00\x00\x00\x00\x00"
	oidFloat8  = 701
	oidText    = 25
	oidInt2    = 21
	// Microseconds from 1970 to PostgreSQL's epoch, 2000-01-01.
	pgEpoch = 946_684_800_000_000
)

// copyWriter gathers rows of a binary COPY.
type copyWriter struct{ b []byte }

func (w *copyWriter) begin() { w.b = append(w.b, copyHeader...) }
func (w *copyWriter) end()   { w.b = append(w.b, 0xff, 0xff) }

func (w *copyWriter) row(fields int) { w.b = binary.BigEndian.AppendUint16(w.b, uint16(fields)) }
func (w *copyWriter) size(n int)     { w.b = binary.BigEndian.AppendUint32(w.b, uint32(int32(n))) }
func (w *copyWriter) null()          { w.size(-1) }

func (w *copyWriter) text(s string) {
	w.size(len(s))
	w.b = append(w.b, s...)
}

func (w *copyWriter) bytes(b []byte) {
	if b == nil {
		w.null()
		return
	}
	w.size(len(b))
	w.b = append(w.b, b...)
}

func (w *copyWriter) int8(x int64) {
	w.size(8)
	w.b = binary.BigEndian.AppendUint64(w.b, uint64(x))
}

func (w *copyWriter) int4(x int) {
	w.size(4)
	w.b = binary.BigEndian.AppendUint32(w.b, uint32(int32(x)))
}

func (w *copyWriter) bool(x bool) {
	w.size(1)
	if x {
		w.b = append(w.b, 1)
	} else {
		w.b = append(w.b, 0)
	}
}

func (w *copyWriter) time(t time.Time) { w.int8(t.UnixMicro() - pgEpoch) }

func (w *copyWriter) float8(x float64) {
	w.size(8)
	w.b = binary.BigEndian.AppendUint64(w.b, math.Float64bits(x))
}

// array begins a one-dimensional array without nulls; the elements follow, each with its size.
func (w *copyWriter) array(n, oid, bytes int) {
	if n == 0 {
		w.size(12)
		w.size(0)
		w.size(0)
		w.size(oid)
		return
	}
	w.size(20 + bytes)
	w.size(1)
	w.size(0)
	w.size(oid)
	w.size(n)
	w.size(1)
}

func (w *copyWriter) float8s(xs []float64) {
	if xs == nil {
		w.null()
		return
	}
	w.array(len(xs), oidFloat8, 12*len(xs))
	for _, x := range xs {
		w.float8(x)
	}
}

func (w *copyWriter) texts(xs []string) {
	if len(xs) == 0 {
		w.null()
		return
	}
	n := 0
	for _, x := range xs {
		n += 4 + len(x)
	}
	w.array(len(xs), oidText, n)
	for _, x := range xs {
		w.text(x)
	}
}

func (w *copyWriter) int2s(xs []int) {
	if len(xs) == 0 {
		w.null()
		return
	}
	w.array(len(xs), oidInt2, 6*len(xs))
	for _, x := range xs {
		w.size(2)
		w.b = binary.BigEndian.AppendUint16(w.b, uint16(int16(x)))
	}
}

// rawReader reads the columns of one row, in binary format, from left to right.
type rawReader struct {
	v     [][]byte
	i     int
	names map[string]string // names that come back again and again, kept once
}

func newRawReader() *rawReader { return &rawReader{names: map[string]string{}} }

func (r *rawReader) reset(v [][]byte) { r.v, r.i = v, 0 }

func (r *rawReader) next() []byte {
	b := r.v[r.i]
	r.i++
	return b
}

// name is a text with few different values.
func (r *rawReader) name() string {
	b := r.next()
	if s, ok := r.names[string(b)]; ok { // does not allocate
		return s
	}
	s := string(b)
	if len(r.names) < 4096 {
		r.names[s] = s
	}
	return s
}

func (r *rawReader) text() string { return string(r.next()) }

func (r *rawReader) bool() bool { return r.next()[0] != 0 }

func (r *rawReader) int8() int64 { return int64(binary.BigEndian.Uint64(r.next())) }

func (r *rawReader) int4() int { return int(int32(binary.BigEndian.Uint32(r.next()))) }

// int8Or gives or for null.
func (r *rawReader) int8Or(or int64) int64 {
	if b := r.next(); b != nil {
		return int64(binary.BigEndian.Uint64(b))
	}
	return or
}

// time is the zero time for null.
func (r *rawReader) time() time.Time {
	b := r.next()
	if b == nil {
		return time.Time{}
	}
	return time.UnixMicro(int64(binary.BigEndian.Uint64(b)) + pgEpoch).UTC()
}

func (r *rawReader) float8() (float64, bool) {
	b := r.next()
	if b == nil {
		return 0, false
	}
	return math.Float64frombits(binary.BigEndian.Uint64(b)), true
}

// array calls each with the elements of a one-dimensional array without nulls; it says how many there are, -1 for null.
func (r *rawReader) array(each func([]byte)) (int, error) {
	b := r.next()
	if b == nil {
		return -1, nil
	}
	if len(b) < 12 || binary.BigEndian.Uint32(b) == 0 {
		return 0, nil
	}
	if binary.BigEndian.Uint32(b) != 1 || binary.BigEndian.Uint32(b[4:]) != 0 {
		return 0, fmt.Errorf("column %d: an array of more than one dimension, or with nulls", r.i)
	}
	n := int(binary.BigEndian.Uint32(b[12:]))
	b = b[20:]
	for range n {
		size := binary.BigEndian.Uint32(b)
		each(b[4 : 4+size])
		b = b[4+size:]
	}
	return n, nil
}

func (r *rawReader) float8s() ([]float64, error) {
	var xs []float64
	n, err := r.array(func(b []byte) { xs = append(xs, math.Float64frombits(binary.BigEndian.Uint64(b))) })
	if n == 0 {
		xs = []float64{}
	}
	return xs, err
}

func (r *rawReader) texts() ([]string, error) {
	var xs []string
	_, err := r.array(func(b []byte) { xs = append(xs, string(b)) })
	return xs, err
}

func (r *rawReader) int2s() ([]int, error) {
	var xs []int
	_, err := r.array(func(b []byte) { xs = append(xs, int(int16(binary.BigEndian.Uint16(b)))) })
	return xs, err
}
