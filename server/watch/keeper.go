package watch

import (
	"context"
	"encoding/json"
	"errors"
	"slices"
	"sort"
	"sync"
	"time"

	"sagwatch/spc"
	"sagwatch/spc/monitor"
	"sagwatch/store"
)

const (
	// checkpointEvery is how many observations lie between two checkpoints: a late panel re-folds at most about so many.
	checkpointEvery = 4096
	// recent is how much of the past is kept at hand for pages: a day and the shift before.
	recent = 34 * time.Hour
	// lateTogether is how long late panels wait for one another, so that a gauge computer that comes back after an hour
	// costs a few re-folds, not one a panel.
	lateTogether = 500 * time.Millisecond
)

// keeper is the fold of one press or gauge.
type keeper struct {
	cfg          *Config
	press, gauge string
	fold         string
	wake         chan struct{}

	mu     sync.Mutex
	from   time.Time // earliest line time touched and not looked at yet; zero: none
	late   []string  // panels that notices named since
	config bool      // the configuration may have changed
	told   bool
	busy   bool // what was told of is being worked out, and not all of it is stored
	count  int64

	// The rest belongs to run, under state when pages look.
	state   sync.RWMutex
	conf    monitor.Config
	charts  []byte // digest of the charts' definitions: checkpoints of others are of no use
	digest  []byte // digest of everything: a change is looked into
	monitor *monitor.Monitor
	last    spc.OrderKey
	hasLast bool
	marks   []mark
	points  map[stream][]monitor.Point
	faults  []*spc.Fault // that may still take findings, in the order found
	// marksFrom is the line time after which marks are complete, begun the one after which points are; zero: from the
	// first panel.
	marksFrom, begun time.Time
}

// stream is one series of one chart.
type stream struct{ chart, stream string }

// mark remembers one folded observation, to tell a late panel from a notice that came after its rows were read.
type mark struct {
	at       time.Time
	id       int64
	excluded bool
}

func newKeeper(cfg *Config, press, gauge string) *keeper {
	return &keeper{cfg: cfg, press: press, gauge: gauge, fold: foldName(press, gauge), wake: make(chan struct{}, 1), config: true, told: true}
}

// tell records a change and wakes the keeper.
func (k *keeper) tell(n store.Notice) {
	k.mu.Lock()
	k.told = true
	if n.Kind != store.NoticeMeasurement {
		k.config = true
	}
	if !n.From.IsZero() && (k.from.IsZero() || n.From.Before(k.from)) {
		k.from = n.From
	}
	if n.Panel != "" && len(k.late) < 100 {
		k.late = append(k.late, n.Panel)
	}
	k.mu.Unlock()
	select {
	case k.wake <- struct{}{}:
	default:
	}
}

func (k *keeper) lag() Lag {
	k.mu.Lock()
	l := Lag{Fold: k.fold, Behind: k.told || k.busy, Count: k.count}
	k.mu.Unlock()
	k.state.RLock()
	defer k.state.RUnlock()
	if k.hasLast {
		l.LastAt = k.last.LineAt
	}
	return l
}

func (k *keeper) run(ctx context.Context) {
	k.wake <- struct{}{}
	again := time.NewTicker(30 * time.Second) // the net under lost notices
	defer again.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-k.wake:
		case <-again.C:
		}
		if err := k.catchUp(ctx); err != nil && ctx.Err() == nil {
			k.cfg.Log.Error("charts are not up to date; trying again", "fold", k.fold, "error", err)
			k.mu.Lock()
			k.config, k.told = true, true
			k.mu.Unlock()
			select {
			case <-ctx.Done():
				return
			case <-time.After(retry):
			}
			k.monitor = nil // what failed half-way is not built upon
			select {
			case k.wake <- struct{}{}:
			default:
			}
		}
	}
}

// catchUp brings the fold to what is stored now.
func (k *keeper) catchUp(ctx context.Context) error {
	k.mu.Lock()
	from, late, config := k.from, k.late, k.config
	k.from, k.late, k.config, k.told, k.busy = time.Time{}, nil, false, false, true
	k.mu.Unlock()
	defer func() {
		k.mu.Lock()
		k.busy = false
		k.mu.Unlock()
	}()
	save := store.Fold{Press: k.press, Gauge: k.gauge, Fold: k.fold}
	var restart *time.Time // line time from which known signals are in question
	if config || k.monitor == nil {
		conf, charts, digest, err := k.configure(ctx)
		if err != nil {
			return err
		}
		if k.monitor == nil || string(digest) != string(k.digest) {
			whole := time.Time{}
			if err := k.begin(ctx, conf, charts, digest, nil); err != nil {
				return err
			}
			if k.hasLast {
				whole = k.last.LineAt
			}
			restart = &whole
		}
	}
	if restart == nil && !from.IsZero() && k.hasLast && !from.After(k.last.LineAt) {
		same, err := k.known(ctx, from)
		if err != nil {
			return err
		}
		if !same {
			select {
			case <-ctx.Done():
				return ctx.Err()
			case <-time.After(lateTogether):
			}
			k.mu.Lock()
			if !k.from.IsZero() && k.from.Before(from) {
				from = k.from
			}
			late = append(late, k.late...)
			k.late = nil
			k.mu.Unlock()
			before := spc.OrderKey{LineAt: from}
			if err := k.begin(ctx, k.conf, k.charts, k.digest, &before); err != nil {
				return err
			}
			at := time.Time{}
			if k.hasLast {
				at = k.last.LineAt
			}
			restart = &at
			save.DropAfter = &before
			save.LatePanels = late
		}
	}
	if restart != nil {
		if err := k.recall(ctx, *restart); err != nil {
			return err
		}
	}
	found, err := k.advance(ctx, &save)
	if err != nil {
		return err
	}
	if restart != nil {
		known := map[string]bool{}
		for i := range found {
			known[found[i].ID] = true
		}
		for _, f := range k.monitor.Findings() { // those too that go on unchanged
			if !known[f.ID] {
				found = append(found, f)
			}
		}
	}
	if err := k.gather(ctx, found, restart != nil, &save); err != nil {
		return err
	}
	if restart != nil {
		if err := k.reconcile(ctx, *restart, &save); err != nil {
			return err
		}
	}
	if len(save.Signals)+len(save.Withdrawn)+len(save.Limits)+len(save.Checkpoints) == 0 && save.DropAfter == nil {
		return nil
	}
	return k.cfg.Store.SaveFold(ctx, k.cfg.Site, save)
}

// begin restores the fold from the last checkpoint before a key (nil: one that leaves the recent past at hand), or
// starts it anew.
func (k *keeper) begin(ctx context.Context, conf monitor.Config, charts, digest []byte, before *spc.OrderKey) error {
	if before == nil {
		latest, err := k.cfg.Store.Checkpoint(ctx, k.cfg.Site, k.fold, charts, nil)
		if err == nil {
			before = &spc.OrderKey{LineAt: latest.Key.LineAt.Add(-recent)}
		} else if !errors.Is(err, store.ErrNotFound) {
			return err
		}
	}
	var m *monitor.Monitor
	var last spc.OrderKey
	var has bool
	var err error
	if before != nil {
		m, last, has, err = k.restore(ctx, conf, charts, *before)
		if err != nil {
			return err
		}
	}
	if m == nil {
		if m, err = monitor.New(conf); err != nil {
			return err
		}
	}
	k.state.Lock()
	defer k.state.Unlock()
	k.conf, k.charts, k.digest, k.monitor, k.last, k.hasLast = conf, charts, digest, m, last, has
	k.marksFrom, k.begun = time.Time{}, time.Time{}
	if has {
		k.marksFrom, k.begun = last.LineAt, last.LineAt
	}
	k.marks = nil
	k.points = map[stream][]monitor.Point{}
	m.Trace("", "", k.keep)
	return nil
}

// restore finds the last checkpoint before a key that still serves. One made before an event or posted limits of its own
// time were known does not (monitor.ErrStale); an earlier one may.
func (k *keeper) restore(ctx context.Context, conf monitor.Config, charts []byte, before spc.OrderKey) (*monitor.Monitor, spc.OrderKey, bool, error) {
	for {
		c, err := k.cfg.Store.Checkpoint(ctx, k.cfg.Site, k.fold, charts, &before)
		if errors.Is(err, store.ErrNotFound) {
			return nil, spc.OrderKey{}, false, nil
		}
		if err != nil {
			return nil, spc.OrderKey{}, false, err
		}
		m, err := monitor.Restore(conf, c.Body)
		if err == nil {
			return m, c.Key, true, nil
		}
		if !errors.Is(err, monitor.ErrStale) {
			k.cfg.Log.Warn("checkpoint not usable; trying an earlier one", "fold", k.fold, "at", c.Key.LineAt, "error", err)
		}
		before = c.Key
	}
}

// keep holds a point for the pages.
func (k *keeper) keep(p monitor.Point) {
	s := stream{p.Chart, p.Stream}
	list := k.points[s]
	if n := len(list); n > 256 && p.At.Sub(list[0].At) > recent+2*time.Hour {
		first := sort.Search(n, func(i int) bool { return p.At.Sub(list[i].At) <= recent })
		list = slices.Clone(list[first:])
	}
	k.points[s] = append(list, p)
}

// known tells whether everything stored from a line time to the last folded panel is what was folded.
func (k *keeper) known(ctx context.Context, from time.Time) (bool, error) {
	if from.Before(k.marksFrom) || !k.marksFrom.IsZero() && from.Equal(k.marksFrom) {
		return false, nil
	}
	i := sort.Search(len(k.marks), func(i int) bool { return !k.marks[i].at.Before(from) })
	same := true
	err := k.observations(ctx, nil, from, k.last.LineAt.Add(time.Microsecond), func(o *store.Obs) error {
		if o.Key.Compare(k.last) > 0 {
			return nil // newer than the fold: comes next
		}
		if i >= len(k.marks) || k.marks[i] != markOf(o) {
			same = false
			return errEnough
		}
		i++
		return nil
	})
	if err != nil && !errors.Is(err, errEnough) {
		return false, err
	}
	return same && i == len(k.marks), nil
}

var errEnough = errors.New("enough read")

func markOf(o *store.Obs) mark {
	return mark{at: o.Key.LineAt, id: o.Measurement, excluded: o.Excluded != ""}
}

func (k *keeper) observations(ctx context.Context, after *spc.OrderKey, from, to time.Time, fn func(*store.Obs) error) error {
	if k.press != "" {
		return k.cfg.Store.Observations(ctx, k.cfg.Site, store.ObservationQuery{Press: k.press, After: after, From: from, To: to}, fn)
	}
	return k.cfg.Store.MasterChecks(ctx, k.cfg.Site, store.MasterQuery{Gauge: k.gauge, After: after, From: from, To: to}, fn)
}

// advance folds everything after the last panel and collects what is to be stored.
func (k *keeper) advance(ctx context.Context, save *store.Fold) (found []monitor.Finding, err error) {
	var after *spc.OrderKey
	if k.hasLast {
		after = new(spc.OrderKey)
		*after = k.last
	}
	since := 0
	k.state.Lock()
	defer k.state.Unlock()
	err = k.observations(ctx, after, time.Time{}, time.Time{}, func(o *store.Obs) error {
		obs := observation(o)
		if err := k.monitor.Add(&obs); err != nil {
			return err
		}
		k.last, k.hasLast = o.Key, true
		k.marks = append(k.marks, markOf(o))
		if since++; since%checkpointEvery == 0 {
			body, err := k.monitor.Snapshot()
			if err != nil {
				return err
			}
			save.Checkpoints = append(save.Checkpoints, store.Checkpoint{Key: o.Key, Digest: k.charts, Body: body})
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	if since > 0 && since < checkpointEvery && k.sinceCheckpoint(since) {
		body, err := k.monitor.Snapshot()
		if err != nil {
			return nil, err
		}
		save.Checkpoints = append(save.Checkpoints, store.Checkpoint{Key: k.last, Digest: k.charts, Body: body})
	}
	found = k.monitor.TakeSignals()
	for _, l := range k.monitor.TakeLimits() {
		body, err := json.Marshal(l)
		if err != nil {
			return nil, err
		}
		save.Limits = append(save.Limits, store.LimitsInForce{Chart: l.Chart, Stream: l.Stream, Phase: l.Phase, From: l.From, Limits: l.Limits, Source: l.Source, Body: body})
	}
	if n := len(k.marks); n > 4*checkpointEvery {
		cut := n - 2*checkpointEvery
		k.marksFrom = k.marks[cut].at
		first := sort.Search(n, func(i int) bool { return k.marks[i].at.After(k.marksFrom) })
		k.marks = slices.Clone(k.marks[first:])
	}
	k.mu.Lock()
	k.count += int64(since)
	k.mu.Unlock()
	return found, nil
}

// sinceCheckpoint counts panels that came in small steps, so that the live line gets its checkpoints too.
func (k *keeper) sinceCheckpoint(n int) bool {
	k.mu.Lock()
	defer k.mu.Unlock()
	before := k.count / checkpointEvery
	return (k.count+int64(n))/checkpointEvery > before
}

func observation(o *store.Obs) monitor.Observation {
	return monitor.Observation{Key: o.Key, Measurement: o.Measurement, Press: o.Press, Product: o.Product, Mould: o.Mould, Lane: o.Lane,
		Cycle: o.Cycle, Excluded: o.Excluded, Values: o.Values, Characteristics: o.Characteristics, Counts: o.Counts}
}
