package storetest

import (
	"crypto/sha256"
	"fmt"
	"math"
	"slices"
	"time"

	"sagwatch/spc"
	"sagwatch/store"
)

// Site of the rows that tests store.
const Site = "north"

// Start is the line time of the first of Rows.
var Start = time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)

// Row is a valid measurement: panel number n of press A on gauge CG-1, pressed n times ten seconds after Start. Each
// edit may change it before its content is sealed.
func Row(n int, edits ...func(*store.Row)) *store.Row {
	at := Start.Add(time.Duration(n) * 10 * time.Second)
	r := &store.Row{
		Measurement: spc.Measurement{
			Gauge: "CG-1", Panel: fmt.Sprintf("A-%07d", n), MeasuredAt: at.Add(90 * time.Minute), Press: "A", Product: "P25",
			Readings: make([]float64, 48), Mould: fmt.Sprint(n%11 + 1), Lane: fmt.Sprint(n%4 + 1), Cycle: int64(n / 11),
			PressedAt: at, Sequence: int64(n), Purpose: spc.Production,
		},
		LineAt: at, ProductRev: 1, GaugeRev: 1, PressRev: 1, Algorithm: 1, Casting: "M-1", Source: "line-a",
	}
	for i := range r.Readings {
		r.Readings[i] = 1107.5 + 0.001*float64((n*31+i*17)%200-100)
	}
	v := &r.Result.Values
	for c := range spc.MeanValue {
		v.Set(c, float64(c)+float64(n%97)/97)
	}
	v.Set(spc.RadiusMM, 1107.5+float64((n*37)%101-50)/100)
	r.Result.Verdict = spc.Conforms
	radius, u, lower, upper := 1107.5, 0.09, 1101.5, 1113.5
	r.Result.Items = []spc.Item{{Name: "radius_mm", Value: &radius, U: &u, Lower: &lower, Upper: &upper, Unit: "mm", Verdict: spc.Conforms}}
	for _, edit := range edits {
		edit(r)
	}
	return Seal(r)
}

// Rows are panels from to from+n-1.
func Rows(from, n int) []*store.Row {
	rows := make([]*store.Row, n)
	for i := range rows {
		rows[i] = Row(from + i)
	}
	return rows
}

// Seal hashes the row's content, after it was changed. Any form does for tests, as long as it tells contents apart.
func Seal(r *store.Row) *store.Row {
	h := sha256.New()
	m := r.Measurement
	fmt.Fprintf(h, "%q %q %d %q %q %q %q %d %d %q %d %q\n", m.Gauge, m.Panel, m.MeasuredAt.UnixMicro(), m.Press, m.Product,
		m.Mould, m.Lane, m.Cycle, m.PressedAt.UnixMicro(), m.Series, m.Sequence, m.Purpose)
	for _, x := range m.Readings {
		fmt.Fprintf(h, "%x ", math.Float64bits(x))
	}
	var names []string
	for name := range m.Characteristics {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		fmt.Fprintf(h, "%q %x ", name, math.Float64bits(m.Characteristics[name]))
	}
	fmt.Fprintf(h, "%v", countsText(m.Counts))
	h.Sum(r.ContentHash[:0])
	return r
}

func countsText(counts map[string]spc.Count) []string {
	var out []string
	for name, c := range counts {
		line := fmt.Sprintf("%q", name)
		for _, p := range []*int64{c.Nonconforming, c.Inspected, c.Defects, c.Units} {
			if p == nil {
				line += " -"
			} else {
				line += fmt.Sprintf(" %d", *p)
			}
		}
		out = append(out, line)
	}
	slices.Sort(out)
	return out
}
