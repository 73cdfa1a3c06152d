package main

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strconv"
	"sync"
	"time"
)

type loadCmd struct {
	URL     string        `help:"The service." default:"http://127.0.0.1:8048"`
	Token   string        `help:"Token with the scope ingest." env:"SAGWATCH_TOKEN" required:""`
	Rate    float64       `help:"Panels a second." default:"100"`
	For     time.Duration `help:"How long." default:"30s"`
	Press   string        `help:"Press whose panels are posted." enum:"A,B" default:"A"`
	Purpose string        `help:"production feeds the charts; study does not." enum:"production,study" default:"production"`
	Seed    uint64        `help:"Of the readings." default:"1"`
}

func (v *loadCmd) Run(ctx context.Context, s streams) error {
	n := int(v.Rate * v.For.Seconds())
	if !(v.Rate > 0 && v.Rate <= 100_000) || n < 1 || n > 10_000_000 {
		return fmt.Errorf("--rate %g for %s is %d panels; at least one and at most ten million", v.Rate, v.For, n)
	}
	begun := time.Now()
	sm, err := newSim(v.Seed, begun)
	if err != nil {
		return err
	}
	var l *line
	for _, x := range sm.lines {
		if x.press == v.Press {
			l = x
		}
	}
	c := newClient(v.URL, v.Token)
	var (
		mu    sync.Mutex
		times = make([]time.Duration, 0, n)
		t     tally
		under sync.WaitGroup
	)
	// A series of its own, and serials that no press stamps.
	series := "load-" + strconv.FormatInt(begun.UnixMilli(), 36)
	gap := time.Duration(float64(time.Second) / v.Rate)
	for i := range n {
		m := sm.loadPanel(l, series, int64(i), begun.Add(time.Duration(i)*gap), v.Purpose)
		due := begun.Add(time.Duration(i) * gap)
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(time.Until(due)):
		}
		under.Go(func() {
			err := c.post(ctx, &m)
			// From when it was due: a service that falls behind is not excused.
			took := time.Since(due)
			mu.Lock()
			defer mu.Unlock()
			times = append(times, took)
			if err != nil {
				t.refuse(err.Error())
			} else {
				t.stored++
			}
		})
	}
	under.Wait()
	slices.Sort(times)
	quantile := func(q float64) float64 {
		return float64(times[max(0, int(math.Ceil(q*float64(len(times))))-1)].Microseconds()) / 1000
	}
	fmt.Fprintf(s.out, "%d panels in %.1f s (%.1f a second): %s\nuntil the answer, commit included: p50 %.2f ms, p95 %.2f ms, p99 %.2f ms, longest %.2f ms\n",
		n, time.Since(begun).Seconds(), float64(n)/time.Since(begun).Seconds(), t, quantile(0.5), quantile(0.95), quantile(0.99), quantile(1))
	if t.refused > 0 {
		return fmt.Errorf("%d panels were refused", t.refused)
	}
	return nil
}

// loadPanel is panel i of a load: sound glass, measured at a time.
func (s *sim) loadPanel(l *line, series string, i int64, at time.Time, purpose string) measurement {
	p := l.panel(l.firstAt(at.Add(-l.lehr)) + i)
	f := p.press(s.chance)
	at = at.UTC().Truncate(time.Microsecond)
	pressed := at.Add(-l.lehr)
	return measurement{Gauge: l.gauge.id, Panel: fmt.Sprintf("%s-%07d", series, i), MeasuredAt: at, PressedAt: &pressed, Press: l.press, Product: l.product,
		Mould: l.moulds[p.mould], Lane: l.lanes[p.lane], Series: series, Sequence: &i, Purpose: purpose,
		Readings: l.gauge.read(&f, seat(s.chance, l.gauge.key, uint64(p.n)), s.condition(l, at, nil), s.chance.rng("load", uint64(i)))}
}
