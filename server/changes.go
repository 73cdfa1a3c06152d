package server

import (
	"context"
	"crypto/rand"
	"sync"
	"time"

	"sagwatch/store"
)

// changes remembers what notices told of measurements, and can find out that it has been told everything: with that, what was worked out
// from measurements may be kept and is never shown when it is out of date.
type changes struct {
	store *store.Store
	site  string

	mu      sync.Mutex
	moment  uint64             // counts notices
	resync  uint64             // moment of the last notice after which anything may be different
	touched map[string][]touch // by press, moments and line times both ascending
	waiting map[string]chan uint64
}

// touch is a notice: something changed at a line time, or later ones.
type touch struct {
	moment uint64
	from   time.Time
}

const (
	// touchesKept bounds what is remembered of a press; older ones are joined, which forgets sooner, never later.
	touchesKept = 4096
	// markPatience is how long a mark may take to come round before nothing that is kept is trusted.
	markPatience = 2 * time.Second
)

func newChanges(st *store.Store, site string) *changes {
	return &changes{store: st, site: site, touched: map[string][]touch{}, waiting: map[string]chan uint64{}}
}

// noticed takes in a notice; it tells whether it was a mark, which concerns nobody else.
func (c *changes) noticed(n store.Notice) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	switch n.Kind {
	case store.NoticeMark:
		if w, ok := c.waiting[n.Mark]; ok {
			w <- c.moment // has room
			delete(c.waiting, n.Mark)
		}
		return true
	case store.NoticeResync:
		c.moment++
		c.resync = c.moment
	case store.NoticeMeasurement, store.NoticeLimits: // the latter: exclusions
		c.moment++
		if n.Press == "" && n.Kind == store.NoticeLimits || n.From.IsZero() {
			c.resync = c.moment
			break
		}
		list := c.touched[n.Press]
		for len(list) > 0 && !list[len(list)-1].from.Before(n.From) { // said by the new one too
			list = list[:len(list)-1]
		}
		if list = append(list, touch{c.moment, n.From}); len(list) > touchesKept {
			list[1].from = list[0].from
			list = append(list[:0], list[1:]...)
		}
		c.touched[n.Press] = list
	}
	return false
}

// now is the moment of everything that was stored before the call; false where it cannot be found out.
func (c *changes) now(ctx context.Context) (uint64, bool) {
	mark, w := rand.Text(), make(chan uint64, 1)
	c.mu.Lock()
	c.waiting[mark] = w
	c.mu.Unlock()
	defer func() {
		c.mu.Lock()
		delete(c.waiting, mark)
		c.mu.Unlock()
	}()
	ctx, cancel := context.WithTimeout(ctx, markPatience)
	defer cancel()
	if err := c.store.Mark(ctx, c.site, mark); err != nil {
		return 0, false
	}
	select {
	case moment := <-w:
		return moment, true
	case <-ctx.Done():
		return 0, false
	}
}

// since tells whether measurements of a press with line times before to may have changed after a moment, as far as is known.
func (c *changes) since(moment uint64, press string, to time.Time) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.resync > moment {
		return true
	}
	for _, t := range c.touched[press] { // the earliest line time comes first
		if t.moment > moment {
			return t.from.Before(to)
		}
	}
	return false
}
