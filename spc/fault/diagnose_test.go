package fault_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strconv"
	"sync"
	"testing"
	"time"

	"sagwatch/spc"
	"sagwatch/spc/changepoint"
	"sagwatch/spc/fault"
)

// plant draws windows of one characteristic with a known change. Standard deviation of a panel's own deviation is 1.
type plant struct {
	moulds, cycles, start int
	lanes                 int
	wander, follow        float64 // of the cycles' effects
	missing               float64 // share of panels that never come
	size                  float64
	shape                 changepoint.Shape
	moved                 func(mould, lane int) bool
	master                bool // moves with the panels
	checkEvery            int  // cycles; 0: no checks
	checkSD               float64
	panelSD               float64 // after the start; 0: 1
}

var begun = time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)

func (p plant) window(r *rand.Rand) *fault.Window {
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
		if i >= p.start {
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
			sd := 1.0
			if p.panelSD > 0 && i >= p.start {
				sd = p.panelSD
			}
			v := level[j] + e + sd*r.NormFloat64()
			lane := 0
			if p.lanes > 0 {
				lane = n%p.lanes + 1
			}
			if p.moved != nil && p.moved(j+1, lane) {
				v += p.size * x
			}
			q := fault.Panel{Name: fmt.Sprintf("A-%06d", n), At: at, MeasuredAt: at.Add(90 * time.Minute), Mould: w.Moulds[j], Gauge: "CG-1", Cycle: i, Values: []float64{v}}
			if lane > 0 {
				q.Lane = strconv.Itoa(lane)
			}
			w.Panels = append(w.Panels, q)
		}
		if p.checkEvery > 0 && i%p.checkEvery == p.checkEvery/2 {
			v := 50 + p.checkSD*r.NormFloat64()
			if p.master {
				v += p.size * x
			}
			w.Checks = append(w.Checks, fault.Check{Master: "M-1", MeasuredAt: begun.Add(time.Duration(n)*10*time.Second + 90*time.Minute), Values: []float64{v}})
		}
		e = p.follow*e + p.wander*math.Sqrt(1-p.follow*p.follow)*r.NormFloat64()
	}
	return w
}

func all(int, int) bool { return true }

func TestX(t *testing.T) {
	base := plant{moulds: 11, cycles: 240, start: 200, lanes: 4, wander: 0.4, follow: 0.4, missing: 0.03, shape: changepoint.Step, checkEvery: 20, checkSD: 0.5}
	type tc struct {
		name   string
		p      plant
		chart  spc.ChartKind
		stream string
		extent string
	}
	var cases []tc
	for _, size := range []float64{1.5, 2, 3} {
		for _, after := range []int{20, 100} {
			p := base
			p.cycles, p.size = p.start+after, size
			add := func(name string, chart spc.ChartKind, stream, extent string, moved func(int, int) bool, master bool) {
				p.moved, p.master = moved, master
				cases = append(cases, tc{fmt.Sprintf("%-8s size %g after %d", name, size, after), p, chart, stream, extent})
			}
			add("one", spc.Group, "mould:7", spc.ExtentOneStream, func(m, _ int) bool { return m == 7 }, false)
			add("some", spc.Group, "mould:7", spc.ExtentSeveralStreams, func(m, _ int) bool { return m == 7 || m == 3 || m == 4 }, false)
			add("all", spc.CycleMean, "press:A", spc.ExtentAllStreams, all, false)
			add("gauge", spc.CycleMean, "press:A", spc.ExtentWholeGauge, all, true)
			add("lane", spc.CycleMean, "press:A", spc.ExtentOneLane, func(_, l int) bool { return l == 2 }, false)
			p.shape = changepoint.Drift
			add("all dr", spc.CycleMean, "press:A", spc.ExtentAllStreams, all, false)
			add("one dr", spc.Group, "mould:7", spc.ExtentOneStream, func(m, _ int) bool { return m == 7 }, false)
			p.shape = changepoint.Step
		}
	}
	var wg sync.WaitGroup
	gate := make(chan bool, 2)
	for _, c := range cases {
		wg.Go(func() {
			gate <- true
			defer func() { <-gate }()
			right, kind, early, covered, wide, errs := 0, 0, 0, 0, 0.0, 0
			got := map[string]int{}
			const n = 16
			for seed := range n {
				r := rand.New(rand.NewPCG(uint64(seed), 7))
				w := c.p.window(r)
				at := w.Panels[len(w.Panels)-1].At
				_ = at
				alarm := begun.Add(time.Duration((c.p.start+2)*11) * 10 * time.Second)
				d, err := fault.Diagnose(w, fault.Question{Chart: c.chart, Stream: c.stream, Characteristics: w.Characteristics, At: alarm})
				if err != nil {
					errs++
					continue
				}
				got[d.Extent]++
				if d.Extent == c.extent {
					right++
				}
				want := spc.KindGlass
				if c.p.master {
					want = spc.KindGauge
				}
				if d.Kind == want {
					kind++
				}
				onset := begun.Add(time.Duration(c.p.start*11) * 10 * time.Second)
				if !d.Earliest.After(onset.Add(10 * time.Second * 4)) {
					covered++
				} else {
					early++
				}
				wide += onset.Sub(d.Earliest).Seconds() / 110
			}
			fmt.Printf("%-30s extent %3d%% kind %3d%% earliest covers %3d%% mean early %.1f cycles  %v err %d\n", c.name, right*100/n, kind*100/n, covered*100/n, wide/n, got, errs)
		})
	}
	wg.Wait()
}
