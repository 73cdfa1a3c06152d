package monitor_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/spc"
	"sagwatch/spc/monitor"
)

// keeper does with a fold what a server does: panels come in any order and in batches, a late one re-folds from the
// latest checkpoint before it, and the process restarts now and then.
type keeper struct {
	t       *testing.T
	cfg     monitor.Config
	m       *monitor.Monitor
	track   *monitor.Track
	known   []monitor.Observation // in order
	points  []kept[monitor.Point]
	log     []kept[monitor.LimitsInForce]
	signals map[string]monitor.Finding
	at      spc.OrderKey // of the observation being added
}

// kept is an output with the observation that brought it.
type kept[T any] struct {
	by spc.OrderKey
	v  T
}

func newKeeper(t *testing.T, cfg monitor.Config, every int) *keeper {
	k := &keeper{t: t, cfg: cfg, track: monitor.NewTrack(every, 4), signals: map[string]monitor.Finding{}}
	m, err := monitor.New(cfg)
	require.NoError(t, err)
	k.follow(m)
	return k
}

func (k *keeper) follow(m *monitor.Monitor) {
	k.m = m
	m.Trace("", "", func(p monitor.Point) { k.points = append(k.points, kept[monitor.Point]{k.at, p}) })
}

func (k *keeper) restart() {
	snapshot, err := k.m.Snapshot()
	require.NoError(k.t, err)
	m, err := monitor.Restore(k.cfg, snapshot)
	require.NoError(k.t, err)
	again, err := m.Snapshot()
	require.NoError(k.t, err)
	require.Equal(k.t, snapshot, again, "the same state, the same bytes")
	k.follow(m)
}

func (k *keeper) arrive(batch []monitor.Observation) {
	byKey := func(a, b monitor.Observation) int { return a.Key.Compare(b.Key) }
	k.known = append(k.known, batch...)
	slices.SortFunc(k.known, byKey)
	first := slices.MinFunc(batch, byKey).Key
	var after spc.OrderKey
	if k.m.Count() > 0 {
		after = k.m.Last()
		if first.Compare(after) < 0 {
			snapshot, key, ok := k.track.Before(first)
			k.track.Drop(first)
			var m *monitor.Monitor
			var err error
			if ok {
				m, err = monitor.Restore(k.cfg, snapshot)
			} else {
				m, err = monitor.New(k.cfg)
			}
			require.NoError(k.t, err)
			k.follow(m)
			after = key
			k.points = slices.DeleteFunc(k.points, func(p kept[monitor.Point]) bool { return !ok || p.by.Compare(after) > 0 })
			k.log = slices.DeleteFunc(k.log, func(p kept[monitor.LimitsInForce]) bool { return !ok || p.by.Compare(after) > 0 })
			for id, s := range k.signals {
				if !ok || s.Found.Compare(after) > 0 {
					delete(k.signals, id)
				}
			}
			for _, s := range m.Findings() {
				k.signals[s.ID] = s
			}
		}
	}
	for i := range k.known {
		o := &k.known[i]
		if k.m.Count() > 0 && o.Key.Compare(after) <= 0 {
			continue
		}
		k.at = o.Key
		require.NoError(k.t, k.m.Add(o))
		for _, s := range k.m.TakeSignals() {
			k.signals[s.ID] = s
		}
		for _, l := range k.m.TakeLimits() {
			k.log = append(k.log, kept[monitor.LimitsInForce]{o.Key, l})
		}
		require.NoError(k.t, k.track.Note(k.m))
	}
}

// scenario is a random press with everything that can happen to it.
func scenario(r *rand.Rand) (monitor.Config, []monitor.Observation) {
	p := press(3 + r.IntN(4))
	all := []spc.RuleSetting{{Key: "beyond-limits"}, {Key: "run-one-side", Count: 5}, {Key: "trend"}, {Key: "two-of-three-beyond-2s"}, {Key: "alternating", Count: 8}}
	few := []spc.RuleSetting{{Key: "beyond-limits"}}
	pick := func() []spc.RuleSetting {
		if r.IntN(2) == 0 {
			return all
		}
		return few
	}
	lo, hi := 97.0, 108.0
	given := spc.Limits{Lower: 98, Centre: 102, Upper: 106, HasLower: true, HasCentre: true, HasUpper: true}
	n := 150 + r.IntN(250)
	when := func() time.Time { return start.Add(time.Duration(r.IntN(n*10)) * time.Second) }
	charts := []spc.Chart{
		{ID: "mould", Press: "A", Product: "P25", Characteristic: "x", Kind: spc.Individuals, By: "mould", Baseline: 5 + r.IntN(20), Rules: pick()},
		{ID: "press", Press: "A", Characteristic: "x", Kind: spc.Individuals, Baseline: 30, Rules: pick(), Limits: spc.LimitRule{Probability: 0.02}},
		{ID: "lane", Press: "A", Characteristic: "x", Kind: spc.Individuals, By: "lane", Limits: spc.LimitRule{Lower: &lo, Upper: &hi}},
		{ID: "dev", Press: "A", Product: "P25", Characteristic: "max_deviation_um", Kind: spc.Individuals, By: "mould", Baseline: 10, Limits: spc.LimitRule{K: 2}},
		{ID: "mean", Press: "A", Product: "P25", Characteristic: "x", Kind: spc.CycleMean, Baseline: 8, Rules: pick(), Limits: spc.LimitRule{K: 2}},
		{ID: "spread", Press: "A", Characteristic: "x", Kind: spc.CycleSpread, Baseline: 6 + r.IntN(10), Rules: pick(), Limits: spc.LimitRule{K: 2}},
		{ID: "dev-spread", Press: "A", Characteristic: "max_deviation_um", Kind: spc.CycleSpread, Baseline: 7, Limits: spc.LimitRule{K: 2}},
	}
	charts = append(charts,
		spc.Chart{ID: "ewma-mould", Press: "A", Characteristic: "x", Kind: spc.EWMAChart, By: "mould", Baseline: 12, EWMA: &spc.EWMA{Lambda: 0.3, L: 2}},
		spc.Chart{ID: "ewma", Press: "A", Product: "P25", Characteristic: "max_deviation_um", Kind: spc.EWMAChart, Baseline: 9, EWMA: &spc.EWMA{Lambda: 0.2, L: 2}, Limits: spc.LimitRule{Side: "upper"}},
		spc.Chart{ID: "cusum", Press: "A", Characteristic: "x", Kind: spc.CUSUMChart, By: "press", Baseline: 8, CUSUM: &spc.CUSUM{K: 0.5, H: 3, HeadStart: 1}},
		spc.Chart{ID: "group", Press: "A", Characteristic: "x", Kind: spc.Group, Baseline: 8 + r.IntN(20), Rules: pick(), Limits: spc.LimitRule{K: 2}},
		spc.Chart{ID: "dev-group", Press: "A", Product: "P25", Characteristic: "max_deviation_um", Kind: spc.Group, Baseline: 7, Limits: spc.LimitRule{K: 2, Side: "upper"}},
		spc.Chart{ID: "range", Press: "A", Characteristic: "x", Kind: spc.MeanRange, By: "mould", Subgroup: 2 + r.IntN(3), Baseline: 5, Limits: spc.LimitRule{K: 2}, Rules: pick()},
		spc.Chart{ID: "between", Press: "A", Product: "P25", Characteristic: "x", Kind: spc.BetweenWithin, Subgroup: 3, Baseline: 10, Limits: spc.LimitRule{K: 2}},
		spc.Chart{ID: "median", Press: "A", Characteristic: "x", Kind: spc.MedianRange, By: "lane", Subgroup: 3, Baseline: 6, Limits: spc.LimitRule{K: 2}},
		spc.Chart{ID: "shape", Press: "A", Kind: spc.TSquared, Baseline: 14, Limits: spc.LimitRule{K: 2}},
		spc.Chart{ID: "shape-mould", Press: "A", Kind: spc.TSquared, By: "mould", Baseline: 15, Limits: spc.LimitRule{K: 2}},
		spc.Chart{ID: "shape-drift", Press: "A", Kind: spc.MEWMA, Baseline: 14, EWMA: &spc.EWMA{Lambda: 0.4}, Limits: spc.LimitRule{K: 2}},
		spc.Chart{ID: "change", Press: "A", Characteristic: "x", Kind: spc.ChangePoint, By: "lane", Baseline: 20, Limits: spc.LimitRule{ARL0: 60}},
		spc.Chart{ID: "p", Press: "A", Characteristic: "blister", Kind: spc.PChart, By: "mould", Baseline: 6, Limits: spc.LimitRule{K: 2}, Rules: pick()},
		spc.Chart{ID: "np", Press: "A", Product: "P25", Characteristic: "blister", Kind: spc.NPChart, Subgroup: 1 + r.IntN(4), Baseline: 9, Limits: spc.LimitRule{Probability: 0.05}},
		spc.Chart{ID: "c", Press: "A", Characteristic: "scratch", Kind: spc.CChart, Baseline: 8, Adjusted: true, Limits: spc.LimitRule{K: 2}},
		spc.Chart{ID: "u", Press: "A", Characteristic: "scratch", Kind: spc.UChart, By: "lane", Baseline: 8, Limits: spc.LimitRule{ARL0: 50}},
		spc.Chart{ID: "interval", Press: "A", Characteristic: "blister", Kind: spc.IntervalChart, Subgroup: 2, Baseline: 12, Limits: spc.LimitRule{K: 2}},
	)
	cfg := monitor.Config{Site: "main", Press: p, Charts: charts}
	for range r.IntN(4) {
		cfg.Events = append(cfg.Events, event([]string{"mould-change", "plunger-change", "mould-change", "note"}[r.IntN(4)], p.Moulds[r.IntN(len(p.Moulds))], when()))
	}
	for i := range r.IntN(4) {
		l := spc.PostedLimits{Chart: charts[r.IntN(len(charts))].ID, EffectiveFrom: when(), Revision: i}
		if r.IntN(2) == 0 {
			l.Given = &given
		} else {
			l.BaselineFrom = when()
			l.BaselineTo = l.BaselineFrom.Add(time.Duration(1+r.IntN(n*5)) * time.Second)
		}
		cfg.Posted = append(cfg.Posted, l)
	}
	var list []monitor.Observation
	level := 0.0
	for i := range n {
		if r.IntN(30) == 0 {
			level = float64(r.IntN(5))
		}
		x := 100 + float64(i%len(p.Moulds)) + level + r.NormFloat64()
		o := observation(p, i, x)
		if r.IntN(4) > 0 {
			o.Values.Set(spc.MaxDeviationUM, 100*math.Exp(0.3*r.NormFloat64()))
		}
		if r.IntN(10) > 0 {
			for _, c := range []spc.Computed{spc.RadiusMM, spc.TwofoldUM, spc.TwistUM, spc.Cubic1UM, spc.Cubic2UM, spc.Cubic3UM, spc.Cubic4UM, spc.Bow4UM} {
				o.Values.Set(c, 10+level+float64(i%len(p.Moulds))+r.NormFloat64())
			}
		}
		bad, seen, found, area := r.Int64N(2+int64(level)), 5+r.Int64N(20), r.Int64N(4), 1+r.Int64N(3)
		o.Counts = map[string]spc.Count{"blister": {Nonconforming: &bad, Inspected: &seen}, "scratch": {Defects: &found, Units: &area}}
		switch r.IntN(25) {
		case 0:
			continue // never came
		case 1:
			o.Mould = ""
		case 2:
			o.Excluded = "dropped"
		case 3:
			o.Product = "P21"
		case 4:
			delete(o.Characteristics, "x")
		case 5:
			o.Key.LineAt = o.Key.LineAt.Add(time.Duration(r.IntN(60)-30) * time.Second)
		}
		o.Lane = []string{"", "1", "2"}[r.IntN(3)]
		if i/100%2 == 1 {
			o.Cycle = int64(i / len(p.Moulds))
		}
		list = append(list, o)
	}
	slices.SortFunc(list, func(a, b monitor.Observation) int { return a.Key.Compare(b.Key) })
	return cfg, list
}

// TestArrivalDoesNotMatter: order of arrival, batches, checkpoints and restarts leave no trace.
func TestArrivalDoesNotMatter(t *testing.T) {
	runs := 24
	if testing.Short() {
		runs = 6
	}
	signals, changed := 0, 0
	for seed := range runs {
		r := rand.New(rand.NewPCG(uint64(seed), 77))
		cfg, list := scenario(r)
		want := newKeeper(t, cfg, 1<<40)
		want.arrive(list)

		k := newKeeper(t, cfg, 1+r.IntN(60))
		order := slices.Clone(list)
		// Some runs: anything anywhere. Others: mostly in order, some late.
		reach := len(order)
		if seed%6 > 0 {
			reach = 40
		}
		for i := range order {
			j := min(len(order)-1, i+r.IntN(reach))
			if seed%6 == 0 || r.IntN(10) == 0 {
				order[i], order[j] = order[j], order[i]
			}
		}
		for len(order) > 0 {
			n := min(len(order), 1+r.IntN(40))
			k.arrive(order[:n])
			order = order[n:]
			if r.IntN(4) == 0 {
				k.restart()
			}
		}
		require.Equal(t, len(want.points), len(k.points), "seed %d", seed)
		for i := range want.points {
			require.Equal(t, want.points[i], k.points[i], "seed %d, point %d", seed, i)
		}
		require.Equal(t, want.log, k.log, "seed %d", seed)
		require.Equal(t, want.signals, k.signals, "seed %d", seed)
		require.Equal(t, want.m.Pending("", ""), k.m.Pending("", ""), "seed %d", seed)
		signals += len(want.signals)
		for _, s := range want.signals {
			if s.Found.Panel != s.Panel {
				changed++
			}
		}
		checkSound(t, want)
	}
	require.Greater(t, signals, 10*runs, "the scenarios make signals")
	require.Greater(t, changed, runs, "also late ones")
}

// TestRestartAfterEveryPanel: a process that restarts after every panel sees at every panel what one that never restarts
// sees, through guards, waiting castings, gathered baselines and stragglers.
func TestRestartAfterEveryPanel(t *testing.T) {
	p := press(4)
	n := 4 * 75
	cfg := monitor.Config{Site: "main", Press: p, Charts: []spc.Chart{individuals("mould", 22), cycleChart(spc.CycleMean, 22), cycleChart(spc.CycleSpread, 22), cycleChart(spc.Group, 22)}}
	for i := range cfg.Charts {
		cfg.Charts[i].Limits.K = 1.5
	}
	list := steady(p, n, 41)
	for i := range list {
		if i >= n/2 {
			list[i].Cycle = int64(i / 4)
		}
		if i > n/2 && i%23 == 0 {
			list[i].Cycle-- // a straggler
		}
	}
	shift(&list[250], 12) // beyond the guard, and beyond the provisional limits that come afterwards
	cfg.Events = []spc.Event{event("mould-change", "2", list[100].Key.LineAt), event("plunger-change", "", list[170].Key.LineAt)}
	cfg.Posted = []spc.PostedLimits{{Chart: "cycle-mean", BaselineFrom: list[100].Key.LineAt, BaselineTo: list[150].Key.LineAt, EffectiveFrom: list[155].Key.LineAt}}
	one, two := newKeeper(t, cfg, 1<<40), newKeeper(t, cfg, 1<<40)
	guarded, waiting := 0, 0
	for i := range list {
		one.arrive(list[i : i+1])
		two.restart()
		two.arrive(list[i : i+1])
		a := one.m.Pending("", "")
		require.Equal(t, a, two.m.Pending("", ""))
		require.Equal(t, one.signals, two.signals)
		for _, q := range a {
			if q.Source == spc.Guard {
				guarded++
			}
			if q.Hollow && q.N == 3 && i%4 == 3 {
				waiting++
			}
		}
	}
	require.Equal(t, one.points, two.points)
	require.Equal(t, one.log, two.log)
	require.Greater(t, guarded, 100)
	require.Positive(t, waiting)
	late := 0
	for _, s := range one.signals {
		if s.Chart == "ind" && s.Panel == list[250].Key.Panel {
			late = s.Hits
		}
	}
	require.GreaterOrEqual(t, late, 2, "one signal of the guard and the limits")
}

// checkSound holds what must be true of any output.
func checkSound(t *testing.T, k *keeper) {
	seen := map[string]bool{}
	type place struct{ chart, stream string }
	phase := map[place]int{}
	last := map[place]time.Time{}
	for _, kp := range k.points {
		p := kp.v
		id := fmt.Sprint(p.Chart, p.Stream, p.Measurement)
		require.False(t, seen[id] && p.Chart != "interval", "a point is final once") // a measurement of several rejects makes several
		seen[id] = true
		at := place{p.Chart, p.Stream}
		require.GreaterOrEqual(t, p.Phase, phase[at])
		require.False(t, p.At.Before(last[at]), "points of a stream come in order")
		phase[at], last[at] = p.Phase, p.At
		if p.Source == "" || p.Excluded != "" {
			require.Empty(t, p.Hits)
		}
		if p.Source != "" {
			require.True(t, p.Limits.HasLower || p.Limits.HasUpper)
		}
		beyond := p.Limits.HasUpper && p.Value > p.Limits.Upper || p.Limits.HasLower && p.Value < p.Limits.Lower
		hit := slices.ContainsFunc(p.Hits, func(h monitor.Hit) bool { return h.Rule == "beyond-limits" })
		require.Equal(t, beyond && p.Excluded == "" && p.Source != "", hit)
	}
	for _, s := range k.signals {
		require.NotEmpty(t, s.Evidence)
		require.GreaterOrEqual(t, s.Hits, len(s.Evidence))
		require.LessOrEqual(t, len(s.Evidence), monitor.EvidenceFirst+monitor.EvidenceLatest)
		require.False(t, s.LastAt.Before(s.At))
		require.False(t, s.FoundAt.Before(s.At))
		for _, e := range s.Evidence {
			require.NotEmpty(t, e.Panels)
			require.NotContains(t, e.Panels, "")
		}
	}
}
