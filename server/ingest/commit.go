package ingest

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"sagwatch/store"
)

// ErrBusy says that more waits for the database than may wait; try again later.
var ErrBusy = errors.New("too much is waiting for the database")

// ErrStopped says that the service is stopping and takes nothing more.
var ErrStopped = errors.New("the service is stopping")

// Inserter stores rows in one durable transaction; the store does, and tests may slow it down or break it.
type Inserter interface {
	Insert(ctx context.Context, site string, rows []*store.Row) ([]store.Outcome, error)
}

const (
	// commitRows is how many rows share a transaction at most: enough to bury the cost of the flush to disk, few enough
	// that a single panel posted meanwhile waits some milliseconds only.
	commitRows = 1000
	// waitingRows is how many rows may wait; beyond it single requests are sent away and streams are slowed down.
	waitingRows = 8000
	// commitTimeout bounds one transaction.
	commitTimeout = 30 * time.Second
)

// Committer lets the rows of many requests share transactions: while one transaction is being made durable the next is
// collected. A row is answered only after its transaction is durable.
type Committer struct {
	to    Inserter
	site  string
	queue chan *waiting
	log   *slog.Logger

	mu      sync.Mutex
	stopped bool
	slots   chan struct{} // one for each row that waits
	done    chan struct{}
}

type waiting struct {
	row  *store.Row
	then func(store.Outcome, error)
}

// NewCommitter starts the committer; Stop ends it after what waits is stored.
func NewCommitter(to Inserter, site string, log *slog.Logger) *Committer {
	c := &Committer{to: to, site: site, log: log, queue: make(chan *waiting, waitingRows), slots: make(chan struct{}, waitingRows), done: make(chan struct{})}
	go c.run()
	return c
}

// Stop refuses new rows, stores those that wait, and returns.
func (c *Committer) Stop() {
	c.mu.Lock()
	if !c.stopped {
		c.stopped = true
		close(c.queue)
	}
	c.mu.Unlock()
	<-c.done
}

// Waiting is the number of rows not yet durable.
func (c *Committer) Waiting() int { return len(c.slots) }

// Try hands a row over, or returns ErrBusy at once when too many wait. then is called once, from another goroutine, when
// the row is durable or cannot be stored.
func (c *Committer) Try(row *store.Row, then func(store.Outcome, error)) error {
	select {
	case c.slots <- struct{}{}:
		return c.put(row, then)
	default:
		return ErrBusy
	}
}

// Put is Try that waits for room: this is how a long stream is slowed down.
func (c *Committer) Put(ctx context.Context, row *store.Row, then func(store.Outcome, error)) error {
	select {
	case c.slots <- struct{}{}:
		return c.put(row, then)
	case <-ctx.Done():
		return ctx.Err()
	}
}

func (c *Committer) put(row *store.Row, then func(store.Outcome, error)) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.stopped {
		<-c.slots
		return ErrStopped
	}
	c.queue <- &waiting{row, then} // never blocks: there are as many places as slots
	return nil
}

func (c *Committer) run() {
	defer close(c.done)
	batch := make([]*waiting, 0, commitRows)
	for first := range c.queue {
		batch = append(batch[:0], first)
	fill:
		for len(batch) < commitRows {
			select {
			case w, ok := <-c.queue:
				if !ok {
					break fill
				}
				batch = append(batch, w)
			default:
				break fill
			}
		}
		c.commit(batch)
	}
}

// commit stores a batch. When the database refuses the whole, each row is tried alone, so that one bad row does not sink
// its neighbours.
func (c *Committer) commit(batch []*waiting) {
	rows := make([]*store.Row, len(batch))
	for i, w := range batch {
		rows[i] = w.row
	}
	outcomes, err := c.insert(rows)
	for i, w := range batch {
		var o store.Outcome
		each := err
		switch {
		case err == nil:
			o = outcomes[i]
		case len(batch) > 1 && errors.Is(err, store.ErrInvalid):
			var one []store.Outcome
			if one, each = c.insert(rows[i : i+1]); each == nil {
				o = one[0]
			}
		}
		if each != nil && (i == 0 || errors.Is(err, store.ErrInvalid)) {
			c.log.Error("measurements not stored", "rows", len(batch), "gauge", w.row.Gauge, "panel", w.row.Panel, "error", each)
		}
		w.then(o, each)
		<-c.slots
	}
}

func (c *Committer) insert(rows []*store.Row) (out []store.Outcome, err error) {
	// Not the request's context: a client that hangs up must not undo its neighbours' transaction.
	ctx, cancel := context.WithTimeout(context.Background(), commitTimeout)
	defer cancel()
	if out, err = c.to.Insert(ctx, c.site, rows); err != nil {
		return nil, err
	}
	if len(out) != len(rows) {
		return nil, fmt.Errorf("stored %d of %d rows", len(out), len(rows))
	}
	return out, nil
}
