package server_test

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"runtime"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/server/plant"
	"sagwatch/server/report"
	"sagwatch/spc"
	"sagwatch/store"
	"sagwatch/store/storetest"
)

var yearBegin = time.Date(2026, 1, 31, 22, 0, 0, 0, time.UTC) // midnight in Tallinn

// pressB is a source over a database with panels of press B, one every takt: 11 moulds, a radius and a form error that drift from shift
// to shift, 48 readings each. The values are invented; what counts is how many there are and how wide a row is.
func pressB(t testing.TB, n int, takt time.Duration) *report.Source {
	t.Helper()
	st := storetest.New(t)
	press := spc.Press{ID: "B", TaktS: takt.Seconds(), LehrMinutes: 90}
	for i := range 11 {
		press.Moulds = append(press.Moulds, fmt.Sprint(i+1))
	}
	lower, upper, most := 1101.5, 1113.5, 381.0
	product := spc.Product{ID: "P25", Limits: map[string]spc.Interval{"radius_mm": {Lower: &lower, Upper: &upper}, "max_deviation_um": {Upper: &most}}}
	var rs []plant.Revision
	for _, d := range []struct {
		kind, id string
		body     any
	}{{plant.KindSite, "north", spc.Site{ID: "north", TimeZone: "Europe/Tallinn", Shifts: []string{"06:00", "14:00", "22:00"}}}, {plant.KindPress, "B", press}, {plant.KindProduct, "P25", product},
		{plant.KindGauge, "CG-1", spc.Gauge{ID: "CG-1", Kind: spc.Radial, Masters: []spc.Master{{Panel: "M-2", Product: "P25"}}}}} {
		b, err := json.Marshal(d.body)
		require.NoError(t, err)
		rs = append(rs, plant.Revision{Kind: d.kind, ID: d.id, Number: 1, EffectiveFrom: time.Unix(0, 0).UTC(), Body: b, Reason: "test", By: "test"})
	}
	c, err := plant.New(rs)
	require.NoError(t, err)
	r := rand.New(rand.NewPCG(1, 2))
	level := 0.0
	for at := 0; at < n; at += 5000 {
		rows := make([]*store.Row, min(5000, n-at))
		for i := range rows {
			k := at + i
			if k%2880 == 0 {
				level = 0.2 * r.NormFloat64()
			}
			rows[i] = storetest.Row(k, func(x *store.Row) {
				x.Press, x.Panel, x.Mould, x.Cycle = "B", fmt.Sprintf("B-%07d", k), fmt.Sprint(k%11+1), int64(k/11)
				x.LineAt = yearBegin.Add(time.Duration(k) * takt)
				x.PressedAt, x.MeasuredAt = x.LineAt, x.LineAt.Add(90*time.Minute)
				for j := range x.Readings {
					x.Readings[j] = 1107.5 + math.Round(r.NormFloat64()*1e3)/1e6
				}
				x.Result.Values.Set(spc.RadiusMM, 1107.4+level+0.5*r.NormFloat64()+0.1*float64(k%11-5))
				x.Result.Values.Set(spc.MaxDeviationUM, 135+20*level-26*math.Log(r.ExpFloat64()))
			})
		}
		_, err := st.Insert(t.Context(), "north", rows)
		require.NoError(t, err)
	}
	var masters []*store.Row
	for k := 0; time.Duration(k)*4*time.Hour < time.Duration(n)*takt; k++ {
		masters = append(masters, storetest.Row(n+k, func(x *store.Row) {
			x.Panel, x.Purpose, x.Press, x.PressedAt, x.Mould, x.Lane, x.Cycle = "M-2", spc.MasterCheck, "", time.Time{}, "", "", spc.NoCycle
			x.LineAt = yearBegin.Add(time.Duration(k) * 4 * time.Hour)
			x.MeasuredAt = x.LineAt
			x.Result.Values.Set(spc.MasterMaxErrorUM, 5)
		}))
	}
	_, err = st.Insert(t.Context(), "north", masters)
	require.NoError(t, err)
	return &report.Source{Store: st, Site: "north", Catalogue: c, Version: "test"}
}

// peak runs f and gives the most that was alive on the heap meanwhile, in bytes above what was there before.
func peak(f func()) uint64 {
	alive := func() uint64 {
		var m runtime.MemStats
		runtime.GC()
		runtime.ReadMemStats(&m)
		return m.HeapAlloc
	}
	before, most := alive(), uint64(0)
	stop := make(chan struct{})
	var wg sync.WaitGroup
	wg.Go(func() {
		for {
			select {
			case <-stop:
				return
			default:
				most = max(most, alive())
			}
		}
	})
	f()
	close(stop)
	wg.Wait()
	most = max(most, alive())
	return most - min(before, most)
}

// Ten times the panels of a period take no more memory: none is loaded whole. And a period that is read in stretches side by side gives
// what its values give, whatever the way they are read.
func TestCapabilityMemoryDoesNotFollowPanels(t *testing.T) {
	const days = 150
	read := func(n int) (in *report.CapabilityInputs, most uint64, src *report.Source) {
		src = pressB(t, n, days*24*time.Hour/time.Duration(n))
		most = peak(func() {
			var err error
			in, err = report.GatherCapability(t.Context(), src, report.CapabilityQuery{Press: "B", Product: "P25"}, yearBegin, yearBegin.AddDate(0, 0, days), "test", yearBegin)
			require.NoError(t, err)
		})
		return in, most, src
	}
	few, small, _ := read(4_000)
	many, large, src := read(40_000)
	require.Equal(t, []int{4_000, 40_000}, []int{few.Panels, many.Panels})
	require.Len(t, few.Raw, 4_000)
	require.Empty(t, many.Raw)
	require.Len(t, many.Gauges, 1)
	require.Equal(t, days*6, many.Gauges[0].Masters)
	t.Logf("alive: %d KiB for 4 000 panels, %d KiB for 40 000", small>>10, large>>10)
	require.Less(t, large, small+8<<20, "40 000 rows of 1 KiB would take 40 MiB")

	// The same panels summed here, one after the other.
	n, sum, cycles, last := 0, 0.0, 0, int64(-1)
	require.NoError(t, src.Store.Observations(t.Context(), "north", store.ObservationQuery{Press: "B", Values: []spc.Computed{spc.RadiusMM}}, func(o *store.Obs) error {
		x, _ := o.Values.Get(spc.RadiusMM)
		n, sum = n+1, sum+x
		if o.Cycle != last {
			cycles, last = cycles+1, o.Cycle
		}
		return nil
	}))
	grid := many.Of[0].Grid
	total, least := 0.0, 0
	for i, c := range grid.Cells {
		total += float64(c.N) * c.Mean
		if i > 0 {
			p := grid.Cells[i-1]
			require.True(t, p.Stream < c.Stream || p.Stream == c.Stream && p.Block < c.Block, "one cell a mould and day, in order")
		}
		least = max(least, c.Block)
	}
	require.Equal(t, n, grid.N())
	require.InDelta(t, sum/float64(n), total/float64(n), 1e-9)
	require.Equal(t, cycles, many.Cycles)
	require.Len(t, many.Blocks, least+1)
	panels := 0
	for i, b := range many.Blocks {
		panels += b.Panels
		if i > 0 {
			require.True(t, many.Blocks[i-1].From.Before(b.From))
		}
	}
	require.Equal(t, n, panels)
}

// BenchmarkYearThroughDatabase is a capability report over a year of one press, 3 150 000 panels of two characteristics, read from
// PostgreSQL. Filling the database takes minutes and is not measured.
func BenchmarkYearThroughDatabase(b *testing.B) {
	const n = 3_150_000
	src := pressB(b, n, 10*time.Second)
	cache := report.NewCapabilityCache(report.Changes{Now: func(ctx context.Context) (uint64, bool) { return 1, true }, Since: func(uint64, string, time.Time) bool { return false }})
	q, to := report.CapabilityQuery{Press: "B", Product: "P25"}, yearBegin.AddDate(1, 0, 1)
	var gather, work, document, pdf, again time.Duration
	most := uint64(0)
	for b.Loop() {
		step := time.Now()
		lap := func(d *time.Duration) { *d, step = *d+time.Since(step), time.Now() }
		stop := sampleHeap(&most)
		in, err := report.GatherCapability(b.Context(), src, q, yearBegin, to, "test", to)
		require.NoError(b, err)
		require.Equal(b, n, in.Panels)
		lap(&gather)
		w, err := report.WorkCapability(in)
		require.NoError(b, err)
		lap(&work)
		d := w.Document()
		lap(&document)
		_, err = d.PDF()
		require.NoError(b, err)
		lap(&pdf)
		stop()

		b.StopTimer()
		_, err = cache.Work(b.Context(), src, q, yearBegin, to, "test", to)
		require.NoError(b, err)
		step = time.Now()
		_, err = cache.Work(b.Context(), src, q, yearBegin, to, "test", to)
		require.NoError(b, err)
		lap(&again)
		b.StartTimer()
	}
	for name, d := range map[string]time.Duration{"gather-s": gather, "work-s": work, "document-s": document, "pdf-s": pdf, "kept-s": again} {
		b.ReportMetric(d.Seconds()/float64(b.N), name)
	}
	b.ReportMetric(float64(most)/(1<<20), "peak-heap-MiB")
}

// sampleHeap notes the size of the heap, garbage included, until it is stopped.
func sampleHeap(most *uint64) (stop func()) {
	end, done := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(done)
		tick := time.NewTicker(20 * time.Millisecond)
		defer tick.Stop()
		for {
			var m runtime.MemStats
			runtime.ReadMemStats(&m)
			*most = max(*most, m.HeapAlloc)
			select {
			case <-end:
				return
			case <-tick.C:
			}
		}
	}()
	return func() { close(end); <-done }
}
