package monitor_test

import (
	"fmt"
	"time"

	"sagwatch/spc"
	"sagwatch/spc/monitor"
)

// Batches of a flow rate (NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2), then one that is too low.
func Example() {
	m, err := monitor.New(monitor.Config{
		Press:  &spc.Press{ID: "A"},
		Charts: []spc.Chart{{ID: "flow", Press: "A", Characteristic: "flow", Kind: spc.Individuals, Baseline: 10}},
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	first := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
	for i, flow := range []float64{49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1, 45.2} {
		err := m.Add(&monitor.Observation{
			Key:   spc.OrderKey{LineAt: first.Add(time.Duration(i) * time.Hour), Panel: fmt.Sprint("batch ", i+1)},
			Press: "A", Measurement: int64(i + 1), Cycle: spc.NoCycle, Characteristics: map[string]float64{"flow": flow},
		})
		if err != nil {
			fmt.Println(err)
		}
	}
	for _, l := range m.LimitsLog() {
		fmt.Printf("%s limits of %s: %.2f to %.2f\n", l.Source, l.Stream, l.Limits.Lower, l.Limits.Upper)
	}
	for _, s := range m.Signals() {
		fmt.Printf("%s, %.1f: %s\n", s.Panel, s.Value, s.Words)
	}
	// Output:
	// provisional limits of press:A: 45.82 to 55.80
	// batch 11, 45.2: beyond lower limit
}
