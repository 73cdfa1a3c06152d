// Package watch keeps the charts of every press and gauge up to date: it reads measurements in order, feeds them to the
// monitors, and stores the signals and limits that come of it. What it stores is a pure function of what is known, so a
// late panel, a restart or a second server changes nothing but the time at which something becomes known.
package watch

import (
	"context"
	"errors"
	"log/slog"
	"sort"
	"sync"
	"time"

	"sagwatch/server/plant"
	"sagwatch/store"
)

// Config of a Watcher.
type Config struct {
	Store     *store.Store
	Site      string
	Catalogue func() *plant.Catalogue
	// Rests works out what is left of the readings of measurements after the shape terms, in um by place; nil: no residual maps.
	Rests func(rows []*store.Row) [][]float64
	Log   *slog.Logger
	Now   func() time.Time
}

// Watcher runs one keeper for each press and each gauge with masters.
type Watcher struct {
	cfg Config

	mu      sync.Mutex
	keepers map[string]*keeper // by fold: "press/A", "gauge/CG-1"
	changed chan struct{}      // something about the definitions
}

// New makes a watcher; Run starts it.
func New(cfg Config) *Watcher {
	return &Watcher{cfg: cfg, keepers: map[string]*keeper{}, changed: make(chan struct{}, 1)}
}

// retry is how long a keeper waits after the database failed it.
const retry = 2 * time.Second

// Run watches until ctx ends.
func (w *Watcher) Run(ctx context.Context) error {
	var wg sync.WaitGroup
	defer wg.Wait()
	for {
		for _, k := range w.missing() {
			wg.Go(func() { k.run(ctx) })
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-w.changed:
		}
	}
}

// missing makes a keeper for each press and gauge that has none yet.
func (w *Watcher) missing() []*keeper {
	c := w.cfg.Catalogue()
	w.mu.Lock()
	defer w.mu.Unlock()
	var out []*keeper
	add := func(press, gauge string) {
		k := newKeeper(&w.cfg, press, gauge)
		if _, there := w.keepers[k.fold]; !there {
			w.keepers[k.fold] = k
			out = append(out, k)
		}
	}
	for _, p := range c.Presses() {
		add(p.ID, "")
	}
	for _, g := range c.Gauges() {
		if len(g.Masters) > 0 {
			add("", g.ID)
		}
	}
	return out
}

// Notice hands on what changed in the database.
func (w *Watcher) Notice(n store.Notice) {
	if n.Kind == store.NoticeDefinition || n.Kind == store.NoticeResync {
		select {
		case w.changed <- struct{}{}:
		default:
		}
	}
	if n.Kind == store.NoticeSignal {
		return // our own doing
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, k := range w.keepers {
		if n.Press != "" && n.Press != k.press && n.Gauge != k.gauge || n.Press == "" && n.Gauge != "" && n.Gauge != k.gauge {
			continue
		}
		k.tell(n)
	}
}

// keeper finds the keeper of a press or gauge.
func (w *Watcher) keeper(press, gauge string) (*keeper, bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	k, ok := w.keepers[foldName(press, gauge)]
	return k, ok
}

// Lag says how far one fold is behind what is stored.
type Lag struct {
	Fold   string
	LastAt time.Time // line time of the last panel folded; zero: none
	Behind bool      // told of changes that are not folded yet, or whose signals are not stored yet
	Count  int64     // observations folded since the start
}

// Lags lists all folds by name.
func (w *Watcher) Lags() []Lag {
	w.mu.Lock()
	defer w.mu.Unlock()
	var out []Lag
	for _, k := range w.keepers {
		out = append(out, k.lag())
	}
	sort.Slice(out, func(i, j int) bool { return out[i].Fold < out[j].Fold })
	return out
}

// ErrUnknown says that nothing is watched under that name.
var ErrUnknown = errors.New("no such press or gauge")
