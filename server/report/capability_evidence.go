package report

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"sagwatch/server/plant"
	"sagwatch/server/watch"
	"sagwatch/spc"
	"sagwatch/spc/dist"
	"sagwatch/spc/monitor"
	"sagwatch/spc/rules"
	"sagwatch/store"
)

// expected counts the charted points of a characteristic and the false signals that chance alone makes among them.
func (g *capabilityGather) expected(name string) (points int, expect float64) {
	for _, c := range g.charts {
		if c.Characteristic != name {
			continue
		}
		n := g.in.Cycles
		if !c.OfCycles() {
			n = g.in.Panels
		}
		p := c.Limits.Probability
		switch {
		case c.Limits.ARL0 > 0:
			p = 1 / c.Limits.ARL0
		case p == 0:
			k := c.Limits.K
			if k == 0 {
				k = 3
			}
			p = 2 * dist.NormalTail(k)
		}
		points += n
		expect += p * float64(n)
	}
	return points, expect
}

const (
	capabilitySignals = 500                 // bounds the list of signals of one report
	capabilityLasting = 14 * 24 * time.Hour // so long before the period signals are looked for that last into it
)

// pointsBeyond counts the points of a signal that lay beyond the limits in a period: a process that stays away makes one signal of
// many points, and chance makes points. A chart with memory stays beyond long after one cause, so that its signal counts once.
func pointsBeyond(kind spc.ChartKind, evidence []spc.Evidence, from, to time.Time) int {
	switch kind {
	case spc.EWMAChart, spc.CUSUMChart, spc.ChangePoint, spc.MEWMA:
		return 1
	}
	seen := map[time.Time]bool{}
	for _, e := range evidence {
		if e.Rule == rules.BeyondLimits.String() && !e.At.Before(from) && e.At.Before(to) {
			seen[e.At] = true
		}
	}
	return len(seen)
}

// evidence reads the signals of the period and the limits that were in force.
func (g *capabilityGather) evidence(ctx context.Context, src *Source) error {
	in := g.in
	list, err := src.Store.Signals(ctx, src.Site, store.SignalFilter{Press: in.Press, From: in.From, To: in.To, Limit: capabilitySignals})
	if err != nil {
		return err
	}
	more := len(list) == capabilitySignals
	// What began before the period may last into it.
	earlier, err := src.Store.Signals(ctx, src.Site, store.SignalFilter{Press: in.Press, From: in.From.Add(-capabilityLasting), To: in.From, Limit: capabilitySignals})
	if err != nil {
		return err
	}
	for _, x := range earlier {
		if !x.LastAt.Before(in.From) {
			list = append(list, x)
		}
	}
	slices.SortStableFunc(list, func(a, b store.Signal) int {
		if d := a.At.Compare(b.At); d != 0 {
			return d
		}
		return strings.Compare(a.ID, b.ID)
	})
	if src.Lags != nil && in.Panels > 0 { // charts that nobody has begun to work out have not taken the period in either
		in.Behind = !slices.ContainsFunc(src.Lags(), func(l watch.Lag) bool { return l.Fold == "press/"+in.Press && !l.LastAt.Before(in.Last) })
	}
	for i := range in.Of {
		e := &in.Of[i].Evidence
		e.More = more
		first := in.Last
		for _, c := range g.charts {
			if c.Characteristic != in.Of[i].Name {
				continue
			}
			logged, err := src.Store.LimitsLog(ctx, src.Site, c.ID, time.Time{})
			if err != nil {
				return err
			}
			last := map[string]CapabilityChart{}
			var streams []string
			for _, l := range logged {
				if !l.From.Before(in.To) || l.Source == spc.Guard {
					continue
				}
				var how monitor.LimitsInForce
				if len(l.Body) > 0 {
					if err := json.Unmarshal(l.Body, &how); err != nil {
						return fmt.Errorf("limits of %s: %w", l.Chart, err)
					}
				}
				if how.Refused != "" {
					continue
				}
				if l.From.Before(first) {
					first = l.From
				}
				if _, ok := last[l.Stream]; !ok {
					streams = append(streams, l.Stream)
				}
				last[l.Stream] = CapabilityChart{ID: c.ID, Kind: c.Kind, Stream: l.Stream, From: l.From, Source: l.Source, Revision: how.Revision, By: how.By, Limits: l.Limits}
			}
			slices.Sort(streams)
			for _, s := range streams {
				e.Charts = append(e.Charts, last[s])
			}
			for _, x := range list {
				if x.Chart != c.ID || x.State == store.SignalWithdrawn || x.Product != "" && x.Product != in.Product {
					continue
				}
				s := CapabilitySignal{ID: x.ID, Chart: x.Chart, Stream: x.Stream, At: x.At, Words: x.Words, State: x.State, Points: pointsBeyond(c.Kind, x.Evidence, in.From, in.To)}
				for _, r := range in.Asked.Exclude {
					s.Explained = s.Explained || !x.At.Before(r.From) && x.At.Before(r.To)
				}
				e.Signals = append(e.Signals, s)
			}
		}
		if len(e.Charts) > 0 {
			switch {
			case !first.After(in.First):
				e.Covered = 1
			case in.Last.After(in.First):
				e.Covered = max(0, in.Last.Sub(first).Seconds()/in.Last.Sub(in.First).Seconds())
			}
		}
	}
	return nil
}

// gauges reads what the gauges' master checks said in the period.
func (g *capabilityGather) gauges(ctx context.Context, src *Source) error {
	names := make([]string, 0, len(g.panels.counts))
	for id := range g.panels.counts {
		names = append(names, id)
	}
	slices.Sort(names)
	for _, id := range names {
		out := CapabilityGauge{ID: id, Panels: g.panels.counts[id], Worst: None}
		if def, _ := src.Catalogue.Gauge(id, g.in.To); def != nil {
			out.Unit, out.Resolution = string(def.Unit), def.Resolution
		}
		// A gauge may stand behind the lehr, so that checks of these panels' day lie a little later than the panels.
		err := src.Store.MasterChecks(ctx, src.Site, store.MasterQuery{Gauge: id, Panels: src.masters(id), From: g.in.From, To: g.in.To.Add(g.press.Lehr()), Values: []spc.Computed{spc.MasterMaxErrorUM}}, func(o *store.Obs) error {
			out.Masters++
			if o.Verdict == spc.DoesNotConform {
				out.Outside++
			}
			if x, ok := o.Values.Get(spc.MasterMaxErrorUM); ok && (!out.Worst.Has() || math.Abs(x) > float64(out.Worst)) {
				out.Worst = Number(math.Abs(x))
			}
			return nil
		})
		if err != nil {
			return err
		}
		g.in.Gauges = append(g.in.Gauges, out)
		g.define(src.Catalogue, plant.KindGauge, id)
	}
	return nil
}
