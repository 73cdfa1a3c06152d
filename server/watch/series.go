package watch

import (
	"context"
	"slices"
	"sort"
	"time"

	"sagwatch/spc"
	"sagwatch/spc/monitor"
	"sagwatch/store"
)

// Series is the points of one stream of one chart in line order; Pending are those that are not final.
type Series struct {
	Points, Pending []monitor.Point
}

// Series works out a stream's points with line times in [from, to). The recent past is at hand; anything older is folded
// anew from the last checkpoint before it.
func (w *Watcher) Series(ctx context.Context, press, gauge, chart, name string, from, to time.Time) (Series, error) {
	k, ok := w.keeper(press, gauge)
	if !ok {
		return Series{}, ErrUnknown
	}
	if s, ok := k.atHand(chart, name, from, to); ok {
		return s, nil
	}
	return k.fromCheckpoint(ctx, chart, name, from, to)
}

func (k *keeper) atHand(chart, name string, from, to time.Time) (Series, bool) {
	k.state.RLock()
	defer k.state.RUnlock()
	if k.monitor == nil {
		return Series{}, true // nothing yet: the fold has not begun
	}
	if !k.begun.IsZero() && (!from.After(k.begun) || from.Before(k.last.LineAt.Add(-recent))) {
		return Series{}, false
	}
	list := k.points[stream{chart, name}]
	if len(list) > 0 && list[0].At.After(from) && k.last.LineAt.Sub(from) > recent {
		return Series{}, false // cut off at the beginning
	}
	out := Series{Points: append([]monitor.Point(nil), within(list, from, to)...)}
	for _, p := range k.monitor.Pending(chart, name) {
		if !p.At.Before(from) && p.At.Before(to) {
			out.Pending = append(out.Pending, p)
		}
	}
	return out, true
}

// within cuts the points of [from, to) out of a list in order.
func within(list []monitor.Point, from, to time.Time) []monitor.Point {
	i := sort.Search(len(list), func(i int) bool { return !list[i].At.Before(from) })
	j := sort.Search(len(list), func(j int) bool { return !list[j].At.Before(to) })
	return list[i:max(i, j)]
}

func (k *keeper) fromCheckpoint(ctx context.Context, chart, name string, from, to time.Time) (out Series, err error) {
	k.state.RLock()
	conf, charts := k.conf, k.charts
	k.state.RUnlock()
	m, last, has, err := k.restore(ctx, conf, charts, spc.OrderKey{LineAt: from})
	if err != nil {
		return out, err
	}
	var after *spc.OrderKey
	if has {
		after = &last
	} else if m, err = monitor.New(conf); err != nil {
		return out, err
	}
	m.Trace(chart, name, func(p monitor.Point) {
		if !p.At.Before(from) && p.At.Before(to) {
			out.Points = append(out.Points, p)
		}
	})
	// A cycle's point is final when a later cycle begins, a baseline's when it is full: read on past the end a little.
	err = k.observations(ctx, after, time.Time{}, to.Add(time.Hour), func(o *store.Obs) error {
		obs := observation(o)
		return m.Add(&obs)
	})
	if err != nil {
		return out, err
	}
	for _, p := range m.Pending(chart, name) {
		if !p.At.Before(from) && p.At.Before(to) {
			out.Pending = append(out.Pending, p)
		}
	}
	return out, nil
}

// Latest is a stream's name with its last point; one without panels (N 0) only tells how many its first limits wait for.
type Latest struct {
	Stream string
	Point  monitor.Point
}

// Streams lists the streams of a chart that have points at hand, in the order of their names.
func (w *Watcher) Streams(press, gauge, chart string) []Latest {
	k, ok := w.keeper(press, gauge)
	if !ok {
		return nil
	}
	k.state.RLock()
	defer k.state.RUnlock()
	var out []Latest
	for s, list := range k.points {
		if s.chart == chart && len(list) > 0 {
			out = append(out, Latest{s.stream, list[len(list)-1]})
		}
	}
	if k.monitor != nil {
		// A stream whose points all wait for their baseline has nothing final yet.
		for _, p := range k.monitor.Pending(chart, "") {
			if i := slices.IndexFunc(out, func(l Latest) bool { return l.Stream == p.Stream }); i >= 0 {
				out[i].Point = p
			} else {
				out = append(out, Latest{p.Stream, p})
			}
		}
	}
	if k.monitor != nil {
		for _, p := range k.monitor.Waiting(chart) {
			if i := slices.IndexFunc(out, func(l Latest) bool { return l.Stream == p.Stream }); i < 0 {
				out = append(out, Latest{p.Stream, p})
			}
		}
	}
	sort.Slice(out, func(i, j int) bool { return natural(out[i].Stream, out[j].Stream) })
	return out
}

// natural orders "mould:2" before "mould:10".
func natural(a, b string) bool {
	if len(a) != len(b) {
		return len(a) < len(b)
	}
	return a < b
}

// LastAt is the line time of the last panel folded; zero when there is none.
func (w *Watcher) LastAt(press, gauge string) time.Time {
	k, ok := w.keeper(press, gauge)
	if !ok {
		return time.Time{}
	}
	return k.lag().LastAt
}

// Quiet counts the final points of a stream since the last one that a rule marked; all of those at hand when none is.
func (w *Watcher) Quiet(press, gauge, chart, name string) int {
	k, ok := w.keeper(press, gauge)
	if !ok {
		return 0
	}
	k.state.RLock()
	defer k.state.RUnlock()
	list := k.points[stream{chart, name}]
	n := 0
	for i := len(list) - 1; i >= 0; i-- {
		for _, h := range list[i].Hits {
			if h.Rule != monitor.Jumped { // a jump keeps no signal open
				return n
			}
		}
		n++
	}
	return n
}
