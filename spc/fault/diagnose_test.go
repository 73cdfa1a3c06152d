package fault_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/spc"
	"sagwatch/spc/changepoint"
	"sagwatch/spc/fault"
)

// plant draws windows of one characteristic with a known change. The standard deviation of a panel's own deviation is 1.
type plant struct {
	moulds, cycles, start int
	lanes                 int
	wander, follow        float64 // of the cycles' effects
	missing               float64 // share of panels that never come
	size                  float64
	shape                 changepoint.Shape
	until                 int // cycle at which the change is over; 0: it stays
	moved                 func(mould, lane int) bool
	master                bool // moves with the panels
}

var begun = time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)

// at is the line time of the first panel of a cycle.
func (p plant) at(cycle int) time.Time {
	return begun.Add(time.Duration(cycle*p.moulds+1) * 10 * time.Second)
}

// window draws the panels, and a check of the master every 20 cycles.
func (p plant) window(seed uint64) *fault.Window {
	r := rand.New(rand.NewPCG(seed, 7))
	w := &fault.Window{Press: "A", Characteristics: []string{"radius_mm"}}
	level := make([]float64, p.moulds)
	for j := range level {
		w.Moulds = append(w.Moulds, strconv.Itoa(j+1))
		level[j] = 100 + 3*r.NormFloat64()
	}
	e := p.wander * r.NormFloat64()
	n := 0
	for i := range p.cycles {
		x := 0.0
		if i >= p.start && (p.until == 0 || i < p.until) {
			x = 1
			if p.shape == changepoint.Drift {
				x = float64(i-p.start+1) / float64(p.cycles-p.start)
			}
		}
		for j := range p.moulds {
			n++
			if r.Float64() < p.missing {
				continue
			}
			at := begun.Add(time.Duration(n) * 10 * time.Second)
			lane := n%p.lanes + 1
			v := level[j] + e + r.NormFloat64()
			if p.moved(j+1, lane) {
				v += p.size * x
			}
			w.Panels = append(w.Panels, fault.Panel{Name: fmt.Sprintf("A-%06d", n), At: at, MeasuredAt: at.Add(90 * time.Minute), Mould: w.Moulds[j],
				Lane: strconv.Itoa(lane), Gauge: "CG-1", Cycle: i, Values: []float64{v}})
		}
		if i%20 == 10 {
			v := 50 + 0.5*r.NormFloat64()
			if p.master {
				v += p.size * x
			}
			w.Checks = append(w.Checks, fault.Check{Master: "M-1", MeasuredAt: begun.Add(time.Duration(n)*10*time.Second + 90*time.Minute), Values: []float64{v}})
		}
		e = p.follow*e + p.wander*math.Sqrt(1-p.follow*p.follow)*r.NormFloat64()
	}
	return w
}

func everything(int, int) bool { return true }

// TestDiagnose: sixty cycles after a change of two standard deviations of a panel, what changed is told, and the 99 % set covers its start.
func TestDiagnose(t *testing.T) {
	t.Parallel()
	p := plant{moulds: 11, cycles: 220, start: 160, lanes: 4, wander: 0.4, follow: 0.4, missing: 0.03, shape: changepoint.Step, size: 2}
	cases := []struct {
		name, stream, extent, kind string
		chart                      spc.ChartKind
		streams                    []string
		moved                      func(mould, lane int) bool
		master                     bool
		shape                      changepoint.Shape
	}{
		{"one mould", "mould:7", spc.ExtentOneStream, spc.KindGlass, spc.Group, []string{"mould:7"}, func(m, _ int) bool { return m == 7 }, false, changepoint.Step},
		{"one mould drifts", "mould:7", spc.ExtentOneStream, spc.KindGlass, spc.Group, []string{"mould:7"}, func(m, _ int) bool { return m == 7 }, false, changepoint.Drift},
		{"three moulds", "mould:7", spc.ExtentSeveralStreams, spc.KindGlass, spc.Group, []string{"mould:3", "mould:4", "mould:7"},
			func(m, _ int) bool { return m == 7 || m == 3 || m == 4 }, false, changepoint.Step},
		{"all moulds", "press:A", spc.ExtentAllStreams, spc.KindGlass, spc.CycleMean, []string{"press:A"}, everything, false, changepoint.Step},
		{"the gauge", "press:A", spc.ExtentWholeGauge, spc.KindGauge, spc.CycleMean, []string{"gauge:CG-1"}, everything, true, changepoint.Step},
		{"a lane", "press:A", spc.ExtentOneLane, spc.KindGlass, spc.CycleMean, []string{"lane:2"}, func(_, l int) bool { return l == 2 }, false, changepoint.Step},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			p := p
			p.moved, p.master, p.shape = c.moved, c.master, c.shape
			const n = 6
			right, covered := 0, 0
			for seed := range uint64(n) {
				d, err := fault.Diagnose(p.window(seed), fault.Question{Chart: c.chart, Stream: c.stream, Characteristics: []string{"radius_mm"}, At: p.at(p.start + 8)})
				require.NoError(t, err)
				if d.Extent == c.extent && d.Kind == c.kind {
					right++
					require.Equal(t, c.streams, d.Streams)
					require.InDelta(t, 2, d.Size, 0.9)
				}
				if !d.Earliest.After(p.at(p.start)) && (c.shape == changepoint.Drift || !d.Latest.Before(p.at(p.start))) {
					covered++
				}
			}
			require.GreaterOrEqual(t, right, n-1)
			require.GreaterOrEqual(t, covered, n-1)
		})
	}
}

// TestWithoutAMaster: all panels shift alike and no check was made since: nobody can say whether it is the glass or the gauge.
func TestWithoutAMaster(t *testing.T) {
	t.Parallel()
	p := plant{moulds: 11, cycles: 220, start: 160, lanes: 4, wander: 0.3, size: 3, shape: changepoint.Step, moved: everything}
	w := p.window(1)
	w.Checks = nil
	d, err := fault.Diagnose(w, fault.Question{Chart: spc.CycleMean, Stream: "press:A", Characteristics: []string{"radius_mm"}, At: p.at(162)})
	require.NoError(t, err)
	require.Equal(t, spc.KindUndetermined, d.Kind)
	require.Equal(t, spc.ExtentAllStreams, d.Extent)
}

// TestTooLittle: a window of a few cycles says nothing.
func TestTooLittle(t *testing.T) {
	t.Parallel()
	p := plant{moulds: 11, cycles: 4, start: 2, lanes: 4, wander: 0.3, size: 3, shape: changepoint.Step, moved: everything}
	_, err := fault.Diagnose(p.window(1), fault.Question{Chart: spc.CycleMean, Stream: "press:A", Characteristics: []string{"radius_mm"}, At: p.at(3)})
	require.ErrorIs(t, err, fault.ErrFew)
}

// TestBack: charts fall silent on a fault that persists below their limits; it is over when its panels are back.
func TestBack(t *testing.T) {
	t.Parallel()
	one := func(m, _ int) bool { return m == 7 }
	p := plant{moulds: 11, cycles: 300, start: 160, lanes: 4, wander: 0.3, size: 2, shape: changepoint.Step, moved: one}
	q := fault.Question{Chart: spc.Group, Stream: "mould:7", Characteristics: []string{"radius_mm"}, At: p.at(165), Until: p.at(200)}
	w := p.window(3)
	d, err := fault.Diagnose(w, q)
	require.NoError(t, err)
	returned, persists := fault.Back(w, time.Time{}, d)
	require.True(t, persists)
	require.Zero(t, returned)

	p.until = 220
	w = p.window(3)
	if d, err = fault.Diagnose(w, q); err != nil {
		require.NoError(t, err)
	}
	returned, persists = fault.Back(w, time.Time{}, d)
	require.False(t, persists)
	require.False(t, returned.Before(p.at(219)), "no panel of it is left out")
	require.True(t, returned.Before(p.at(240)))
}

// TestSame: a new finding is of a fault whose start it shares; one that stands out later is its own.
func TestSame(t *testing.T) {
	t.Parallel()
	at := func(m int) time.Time { return begun.Add(time.Duration(m) * time.Minute) }
	known := &spc.Diagnosis{Extent: spc.ExtentOneStream, Streams: []string{"mould:7"}, Earliest: at(0), Latest: at(10), Size: 1, SizeSE: 0.1}
	fresh := func(stream string, from, to int, size float64) *spc.Diagnosis {
		return &spc.Diagnosis{Extent: spc.ExtentOneStream, Streams: []string{stream}, Earliest: at(from), Latest: at(to), Size: size, SizeSE: 0.1}
	}
	slack := time.Minute
	require.True(t, fault.Same(known, fresh("mould:3", 5, 20, 2), false, slack))
	require.False(t, fault.Same(known, fresh("mould:3", 50, 60, 0.4), true, slack), "another mould, later")
	require.True(t, fault.Same(known, fresh("mould:7", 50, 60, 0.4), true, slack), "the same mould while it goes on")
	require.False(t, fault.Same(known, fresh("mould:7", 50, 60, 0.4), false, slack), "it was over")
	require.False(t, fault.Same(known, fresh("mould:7", 50, 60, 3), true, slack), "another step of the same mould")
}
