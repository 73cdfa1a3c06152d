package monitor_test

import (
	"fmt"
	"math/rand/v2"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/spc"
	"sagwatch/spc/monitor"
)

// start is the first moment of every invented run.
var start = time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)

// press is an invented press of k moulds with a takt of 10 s.
func press(k int) *spc.Press {
	p := &spc.Press{ID: "A", TaktS: 10}
	for i := range k {
		p.Moulds = append(p.Moulds, strconv.Itoa(i+1))
	}
	return p
}

// observation is panel i of a run: every takt one panel, moulds by turns, x as the characteristic "x".
func observation(p *spc.Press, i int, x float64) monitor.Observation {
	at := start.Add(time.Duration(float64(i) * p.TaktS * float64(time.Second)))
	o := monitor.Observation{Measurement: int64(i + 1), Press: p.ID, Product: "P25", Cycle: spc.NoCycle,
		Key:             spc.OrderKey{LineAt: at, Gauge: "CG-1", Panel: fmt.Sprintf("S%06d", i), MeasuredAt: at.Add(90 * time.Minute), Sequence: spc.NoSequence},
		Characteristics: map[string]float64{"x": x}}
	if len(p.Moulds) > 0 {
		o.Mould = p.Moulds[i%len(p.Moulds)]
	}
	return o
}

// individuals, mean and spread are charts of "x".
func individuals(by string, baseline int) spc.Chart {
	return spc.Chart{ID: "ind", Press: "A", Characteristic: "x", Kind: spc.Individuals, By: by, Baseline: baseline}
}

func cycleChart(kind spc.ChartKind, baseline int) spc.Chart {
	return spc.Chart{ID: string(kind), Press: "A", Characteristic: "x", Kind: kind, Baseline: baseline}
}

// fold is a monitor with all that its trace told.
type fold struct {
	*monitor.Monitor
	points []monitor.Point
}

func newFold(t testing.TB, c monitor.Config) *fold {
	t.Helper()
	m, err := monitor.New(c)
	require.NoError(t, err)
	f := &fold{Monitor: m}
	m.Trace("", "", func(p monitor.Point) { f.points = append(f.points, p) })
	return f
}

func (f *fold) add(t testing.TB, list ...monitor.Observation) {
	t.Helper()
	for i := range list {
		require.NoError(t, f.Add(&list[i]))
	}
}

// of lists the final points of one chart and stream.
func (f *fold) of(chart, stream string) []monitor.Point {
	var list []monitor.Point
	for _, p := range f.points {
		if p.Chart == chart && (stream == "" || p.Stream == stream) {
			list = append(list, p)
		}
	}
	return list
}

// steady is n values around the moulds' levels 100, 101, ... with standard deviation 1.
func steady(p *spc.Press, n int, seed uint64) []monitor.Observation {
	r := rand.New(rand.NewPCG(seed, 1))
	list := make([]monitor.Observation, n)
	for i := range list {
		list[i] = observation(p, i, 100+float64(i%len(p.Moulds))+r.NormFloat64())
	}
	return list
}

func shift(o *monitor.Observation, by float64) { o.Characteristics["x"] += by }
