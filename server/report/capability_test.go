package report_test

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"runtime"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/server/plant"
	"sagwatch/server/report"
	"sagwatch/spc"
	"sagwatch/store"
)

// capabilityPlant is a catalogue of one press of so many moulds and a product with these limits.
func capabilityPlant(t testing.TB, moulds int, p spc.Product) *plant.Catalogue {
	t.Helper()
	press := spc.Press{ID: "B", TaktS: 10, LehrMinutes: 90}
	for i := range moulds {
		press.Moulds = append(press.Moulds, fmt.Sprint(i+1))
	}
	p.ID = "P25"
	var rs []plant.Revision
	for _, d := range []struct {
		kind, id string
		body     any
	}{{plant.KindSite, "north", spc.Site{ID: "north", TimeZone: "Europe/Tallinn", Shifts: []string{"06:00", "14:00", "22:00"}}}, {plant.KindPress, "B", press}, {plant.KindProduct, "P25", p}} {
		b, err := json.Marshal(d.body)
		require.NoError(t, err)
		rs = append(rs, plant.Revision{Kind: d.kind, ID: d.id, Number: 1, EffectiveFrom: time.Unix(0, 0).UTC(), Body: b, Reason: "test", By: "test"})
	}
	c, err := plant.New(rs)
	require.NoError(t, err)
	return c
}

func limits(name string, lower, upper float64) spc.Product {
	i := spc.Interval{}
	if !math.IsNaN(lower) {
		i.Lower = &lower
	}
	if !math.IsNaN(upper) {
		i.Upper = &upper
	}
	return spc.Product{Limits: map[string]spc.Interval{name: i}}
}

var capabilityFrom = time.Date(2026, 1, 31, 22, 0, 0, 0, time.UTC) // midnight in Tallinn

// panelsOf gives n panels, one every takt, of the moulds in turn.
func panelsOf(n, moulds int, takt time.Duration, fill func(i int, o *store.Obs)) func(add func(*store.Obs) error) error {
	return func(add func(*store.Obs) error) error {
		o := store.Obs{Press: "B", Product: "P25", Cycle: spc.NoCycle}
		o.Key.Gauge = "CG-1"
		for i := range n {
			o.Key.LineAt = capabilityFrom.Add(time.Duration(i) * takt)
			o.Mould = fmt.Sprint(i%moulds + 1)
			fill(i, &o)
			if err := add(&o); err != nil {
				return err
			}
		}
		return nil
	}
}

// BenchmarkCapabilityYear is a year of one press: 3.15 million panels of 11 moulds, two characteristics. It leaves the database out.
func BenchmarkCapabilityYear(b *testing.B) {
	lower, upper, most := 1101.5, 1113.5, 381.0
	c := capabilityPlant(b, 11, spc.Product{Limits: map[string]spc.Interval{"radius_mm": {Lower: &lower, Upper: &upper}, "max_deviation_um": {Upper: &most}}})
	const n = 3_150_000
	for b.Loop() {
		r := rand.New(rand.NewPCG(1, 2))
		level := 0.0
		var peak uint64
		var m runtime.MemStats
		start := time.Now()
		in, err := report.GatherFrom(c, "north", report.CapabilityQuery{Press: "B", Product: "P25"}, capabilityFrom, capabilityFrom.Add(366*24*time.Hour), panelsOf(n, 11, 10*time.Second, func(i int, o *store.Obs) {
			if i%2880 == 0 {
				level = 0.2 * r.NormFloat64()
			}
			o.Values.Set(spc.RadiusMM, 1107.4+level+0.5*r.NormFloat64()+0.1*float64(i%11-5))
			o.Values.Set(spc.MaxDeviationUM, 135+20*level-26*math.Log(r.ExpFloat64()))
			if i%200_000 == 0 {
				runtime.ReadMemStats(&m)
				peak = max(peak, m.HeapAlloc)
			}
		}))
		require.NoError(b, err)
		gathered := time.Since(start)
		runtime.ReadMemStats(&m)
		peak = max(peak, m.HeapAlloc)
		w, err := report.WorkCapability(in)
		require.NoError(b, err)
		runtime.ReadMemStats(&m)
		peak = max(peak, m.HeapAlloc)
		worked := time.Since(start) - gathered
		body, err := json.Marshal(in)
		require.NoError(b, err)
		d := w.Document()
		begin := time.Now()
		_, err = d.PDF()
		require.NoError(b, err)
		b.ReportMetric(gathered.Seconds(), "gather-s")
		b.ReportMetric(worked.Seconds(), "work-s")
		b.ReportMetric(time.Since(begin).Seconds(), "pdf-s")
		b.ReportMetric(float64(peak)/(1<<20), "peak-MiB")
		b.ReportMetric(float64(len(body))/(1<<20), "inputs-MiB")
	}
}
