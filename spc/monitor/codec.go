package monitor

import (
	"encoding/binary"
	"math"
	"time"

	"sagwatch/spc"
)

// codec writes or reads the plain binary form of a snapshot. One function for each type does both, so that the two
// cannot differ. Whole numbers are varints, floating-point numbers their 8 bytes, little end first; a string is
// written once and referred to afterwards. A reader's first error sticks and zeroes what follows.
type codec struct {
	reading bool
	buf     []byte // written so far, or left to read
	failed  bool
	numbers map[string]uint64 // of strings written
	strings []string          // read, by number
}

func newWriter() *codec           { return &codec{numbers: map[string]uint64{}} }
func newReader(buf []byte) *codec { return &codec{reading: true, buf: buf} }
func (c *codec) fail()            { c.failed, c.buf = true, nil }
func (c *codec) bytes(b []byte)   { c.buf = append(c.buf, b...) }
func (c *codec) take(n int) []byte {
	if n < 0 || n > len(c.buf) {
		c.fail()
		return nil
	}
	b := c.buf[:n]
	c.buf = c.buf[n:]
	return b
}

func (c *codec) uint(p *uint64) {
	if !c.reading {
		c.buf = binary.AppendUvarint(c.buf, *p)
		return
	}
	v, n := binary.Uvarint(c.buf)
	if n <= 0 {
		c.fail()
		*p = 0
		return
	}
	*p = v
	c.buf = c.buf[n:]
}

func (c *codec) int64(p *int64) {
	u := uint64(*p)<<1 ^ uint64(*p>>63)
	c.uint(&u)
	*p = int64(u>>1) ^ -int64(u&1)
}

func (c *codec) int(p *int) {
	v := int64(*p)
	c.int64(&v)
	*p = int(v)
}

func (c *codec) bool(p *bool) {
	var u uint64
	if *p {
		u = 1
	}
	c.uint(&u)
	if u > 1 {
		c.fail()
	}
	*p = u == 1
}

func (c *codec) float(p *float64) {
	if !c.reading {
		c.buf = binary.LittleEndian.AppendUint64(c.buf, math.Float64bits(*p))
		return
	}
	*p = 0
	if b := c.take(8); b != nil {
		*p = math.Float64frombits(binary.LittleEndian.Uint64(b))
	}
}

// string writes the number of a string known already, or the next number, the length and the bytes.
func (c *codec) string(p *string) {
	if !c.reading {
		if n, ok := c.numbers[*p]; ok {
			c.uint(&n)
			return
		}
		n, size := uint64(len(c.numbers)), uint64(len(*p))
		c.numbers[*p] = n
		c.uint(&n)
		c.uint(&size)
		c.buf = append(c.buf, *p...)
		return
	}
	*p = ""
	var n, size uint64
	c.uint(&n)
	switch {
	case c.failed:
	case n < uint64(len(c.strings)):
		*p = c.strings[n]
	case n > uint64(len(c.strings)):
		c.fail()
	default:
		c.uint(&size)
		if size > uint64(len(c.buf)) {
			c.fail()
			return
		}
		*p = string(c.take(int(size)))
		c.strings = append(c.strings, *p)
	}
}

// time keeps the instant; the zone is UTC.
func (c *codec) time(p *time.Time) {
	sec, nsec := p.Unix(), int64(p.Nanosecond())
	c.int64(&sec)
	c.int64(&nsec)
	if c.reading {
		if nsec < 0 || nsec >= 1e9 {
			c.fail()
			return
		}
		*p = time.Unix(sec, nsec).UTC()
	}
}

// size is the length of a list; a reader refuses one that cannot fit in what is left.
func (c *codec) size(n int) int {
	u := uint64(n)
	c.uint(&u)
	if c.reading && u > uint64(len(c.buf)) {
		c.fail()
		return 0
	}
	return int(u)
}

func list[T any](c *codec, p *[]T, item func(*codec, *T)) {
	n := c.size(len(*p))
	if c.reading {
		*p = nil
		// Grown as items are read: a damaged length must not cost memory.
		for i := 0; i < n && !c.failed; i++ {
			var v T
			item(c, &v)
			*p = append(*p, v)
		}
		return
	}
	for i := range *p {
		item(c, &(*p)[i])
	}
}

func (c *codec) floats(p []float64) {
	for i := range p {
		c.float(&p[i])
	}
}

func (c *codec) limits(l *spc.Limits) {
	for _, f := range []*float64{&l.Lower, &l.Centre, &l.Upper, &l.Sigma} {
		c.float(f)
	}
	for _, b := range []*bool{&l.HasLower, &l.HasCentre, &l.HasUpper} {
		c.bool(b)
	}
}

func (c *codec) key(k *spc.OrderKey) {
	c.time(&k.LineAt)
	c.string(&k.Gauge)
	c.string(&k.Series)
	c.int64(&k.Sequence)
	c.string(&k.Panel)
	c.time(&k.MeasuredAt)
	c.uint(&k.Hash)
}

func (c *codec) record(r *LimitsInForce) {
	for _, s := range []*string{&r.Chart, &r.Stream, (*string)(&r.Source), &r.FromPanel, &r.Refused, &r.Reason, &r.By} {
		c.string(s)
	}
	for _, t := range []*time.Time{&r.From, &r.KnownAt, &r.BaselineFrom, &r.BaselineTo} {
		c.time(t)
	}
	for _, n := range []*int{&r.Phase, &r.N, &r.Revision} {
		c.int(n)
	}
	c.int64(&r.Measurement)
	c.limits(&r.Limits)
	c.limits(&r.MRLimits)
	c.limits(&r.SpreadLimits)
	list(c, &r.LimitsByN, (*codec).limits)
	for _, f := range []*float64{&r.Lag1, &r.Lag1Band, &r.SigmaWithin, &r.SigmaOverall} {
		c.float(f)
	}
	c.bool(&r.Lag1Found)
	c.bool(&r.Log)
	list(c, &r.Centres, func(c *codec, m *MouldCentre) {
		c.string(&m.Mould)
		c.float(&m.Centre)
	})
	list(c, &r.Notes, (*codec).string)
}

func (c *codec) finding(f *finding) {
	for _, s := range []*string{&f.ID, &f.Press, &f.Gauge, &f.Product, &f.Chart, &f.Stream, &f.Rule, &f.Words, &f.Panel, &f.LastPanel} {
		c.string(s)
	}
	c.int(&f.Phase)
	c.int64(&f.Measurement)
	c.time(&f.At)
	c.time(&f.FoundAt)
	c.time(&f.LastAt)
	c.bool(&f.Ended)
	c.time(&f.EndedAt)
	c.time(&f.EndKnownAt)
	c.float(&f.Value)
	c.limits(&f.Limits)
	list(c, &f.Evidence, func(c *codec, e *spc.Evidence) {
		c.string(&e.Rule)
		c.string(&e.Words)
		c.time(&e.At)
		list(c, &e.Panels, (*codec).string)
		c.float(&e.Value)
	})
	c.int(&f.Hits)
	c.key(&f.Found)
	c.bool(&f.changed)
}
