package server

import (
	"encoding/json"
	"fmt"
	"net/http"
	"sync"
	"time"

	"sagwatch/store"
)

// hub hands notices from the database to the browsers that listen. A slow browser loses notices, never holds others up:
// what it gets is only the word that something changed, and it fetches the page as it then is.
type hub struct {
	mu     sync.Mutex
	subs   map[chan store.Notice]struct{}
	closed bool
}

func newHub() *hub { return &hub{subs: map[chan store.Notice]struct{}{}} }

func (h *hub) subscribe() chan store.Notice {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.closed {
		return nil
	}
	c := make(chan store.Notice, 16)
	h.subs[c] = struct{}{}
	return c
}

func (h *hub) count() int {
	h.mu.Lock()
	defer h.mu.Unlock()
	return len(h.subs)
}

func (h *hub) unsubscribe(c chan store.Notice) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if _, ok := h.subs[c]; ok {
		delete(h.subs, c)
		close(c)
	}
}

func (h *hub) send(n store.Notice) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for c := range h.subs {
		select {
		case c <- n:
		default:
		}
	}
}

func (h *hub) close() {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.closed = true
	for c := range h.subs {
		delete(h.subs, c)
		close(c)
	}
}

const (
	// quietest is how close two events of one stream may follow: a bulk load must not redraw a page a hundred times a second.
	quietest = 500 * time.Millisecond
	// heartbeat keeps proxies from closing a quiet stream and lets the page notice a dead one.
	heartbeat = 15 * time.Second
)

// serveLive handles GET /live?press=&gauge=: server-sent events, "changed" with what changed.
func (s *Server) serveLive(w http.ResponseWriter, r *http.Request) error {
	press, gauge := r.URL.Query().Get("press"), r.URL.Query().Get("gauge")
	notices := s.live.subscribe()
	if notices == nil {
		return &Trouble{Status: http.StatusServiceUnavailable, Say: "The service is stopping."}
	}
	defer s.live.unsubscribe(notices)
	out := http.NewResponseController(w)
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("Cache-Control", "no-store")
	w.Header().Set("X-Accel-Buffering", "no")
	if _, err := fmt.Fprint(w, "retry: 2000\n\n"); err != nil {
		return nil
	}
	if err := out.Flush(); err != nil {
		return err
	}
	beat := time.NewTicker(heartbeat)
	defer beat.Stop()
	var waiting *store.Notice
	var due <-chan time.Time
	var last time.Time
	for {
		text := ""
		select {
		case <-r.Context().Done():
			return nil
		case n, open := <-notices:
			if !open {
				return nil
			}
			if press != "" && n.Press != "" && n.Press != press || gauge != "" && n.Gauge != "" && n.Gauge != gauge {
				continue
			}
			waiting = &n
			if wait := quietest - time.Since(last); wait > 0 {
				if due == nil {
					due = time.After(wait)
				}
				continue
			}
		case <-due:
			due = nil
		case <-beat.C:
			text = ": still here\n\n"
		}
		if waiting != nil && text == "" {
			data, err := json.Marshal(waiting)
			if err != nil {
				return err
			}
			text = "event: changed\ndata: " + string(data) + "\n\n"
			waiting, last = nil, time.Now()
		}
		if text == "" {
			continue
		}
		if _, err := fmt.Fprint(w, text); err != nil {
			return nil
		}
		if err := out.Flush(); err != nil {
			return nil
		}
	}
}

// progress is how far the long streams that announced their length have come.
type progress struct {
	mu      sync.Mutex
	streams map[*streamProgress]struct{}
}

type streamProgress struct{ done, of int64 }

func (p *progress) begin(of int64) *streamProgress {
	s := &streamProgress{of: of}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.streams == nil {
		p.streams = map[*streamProgress]struct{}{}
	}
	p.streams[s] = struct{}{}
	return s
}

func (p *progress) step(s *streamProgress) {
	p.mu.Lock()
	defer p.mu.Unlock()
	s.done++
}

func (p *progress) end(s *streamProgress) {
	p.mu.Lock()
	defer p.mu.Unlock()
	delete(p.streams, s)
}

// now adds the streams up; of is 0 when none is under way.
func (p *progress) now() (done, of int64) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for s := range p.streams {
		done += s.done
		of += s.of
	}
	return done, of
}
