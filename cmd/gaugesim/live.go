package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"slices"
	"time"

	"golang.org/x/sync/errgroup"
)

// plantClock is the time at the plant: from begin it runs speed times as fast as the wall's until both agree.
type plantClock struct {
	wall, begin time.Time
	speed       float64
}

func (c plantClock) at(now time.Time) time.Time {
	t := c.begin.Add(time.Duration(float64(now.Sub(c.wall)) * c.speed))
	if t.After(now) {
		return now
	}
	return t
}

// live runs the gauges by the clock.
type live struct {
	sim       *sim
	client    *client
	clock     plantClock
	truth     *os.File
	out, errw io.Writer
}

// look is how often the gauges look at the clock.
const look = 200 * time.Millisecond

// run sends what is measured from a time on until the context ends. Each gauge's computer is a queue of its own: one that
// waits for the service holds up no other, and sends all of it later, in order.
func (v *live) run(ctx context.Context, from time.Time) error {
	g, ctx := errgroup.WithContext(ctx)
	queues := map[string]chan measurement{}
	queue := func(gauge string) chan measurement {
		q, ok := queues[gauge]
		if !ok {
			q = make(chan measurement, 100_000) // a fortnight of one press
			queues[gauge] = q
			g.Go(func() error { return v.send(ctx, q) })
		}
		return q
	}
	g.Go(func() error {
		var waiting []measurement
		tick := time.NewTicker(look)
		defer tick.Stop()
		for {
			now := v.clock.at(time.Now())
			if now.After(from) {
				waiting = append(waiting, v.sim.between(from, now)...)
				if err := v.tell(from, now); err != nil {
					return err
				}
				from = now
			}
			slices.SortStableFunc(waiting, func(a, b measurement) int { return a.sent.Compare(b.sent) })
			n := 0
			for n < len(waiting) && !waiting[n].sent.After(now) {
				select {
				case queue(waiting[n].Gauge) <- waiting[n]:
				case <-ctx.Done():
					return ctx.Err()
				}
				n++
			}
			waiting = slices.Delete(waiting, 0, n)
			select {
			case <-ctx.Done():
				return ctx.Err()
			case <-tick.C:
			}
		}
	})
	return g.Wait()
}

// send posts one gauge's measurements one by one.
func (v *live) send(ctx context.Context, q <-chan measurement) error {
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case m := <-q:
			err := v.client.post(ctx, &m)
			var r *refusal
			switch {
			case errors.As(err, &r) && (r.status == http.StatusUnauthorized || r.status == http.StatusForbidden):
				return fmt.Errorf("gauge %s may not send any more: %w", m.Gauge, err)
			case errors.As(err, &r):
				fmt.Fprintf(v.errw, "gaugesim: panel %s on gauge %s: %v\n", m.Panel, m.Gauge, err)
			case err != nil:
				return err
			}
		}
	}
}

// tell writes the faults that begin to show in a time to the truth file.
func (v *live) tell(from, to time.Time) error {
	var begun []truth
	for _, f := range v.sim.schedule.between(v.sim.lines, from, to) {
		at := f.from
		if f.glass {
			at = at.Add(f.line.lehr)
		}
		if !at.Before(from) && at.Before(to) {
			begun = append(begun, f.truth())
		}
	}
	return writeTruth(v.truth, begun)
}
