package server

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strings"

	"sagwatch/server/ingest"
	"sagwatch/store"
)

// Trouble is what a handler returns when it cannot do what was asked: the status, the sentence that the person sees, and
// the cause that only the log sees.
type Trouble struct {
	Status int
	Say    string // "There is no panel A-0147599 of press A."
	Do     string // what to do; "" for nothing
	Type   string // problem type for machines; "" for about:blank
	Field  string
	Err    error
}

// Error is for the log.
func (t *Trouble) Error() string {
	if t.Err != nil {
		return fmt.Sprintf("%s (%v)", t.Say, t.Err)
	}
	return t.Say
}

// Unwrap gives the cause.
func (t *Trouble) Unwrap() error { return t.Err }

func notFound(format string, a ...any) *Trouble {
	return &Trouble{Status: http.StatusNotFound, Say: fmt.Sprintf(format, a...)}
}

func badInput(field, format string, a ...any) *Trouble {
	return &Trouble{Status: http.StatusUnprocessableEntity, Type: ingest.TypeRefused, Field: field, Say: fmt.Sprintf(format, a...)}
}

// troubleOf maps what the layers below return to what a client sees. The cause is never shown.
func troubleOf(err error) *Trouble {
	var t *Trouble
	var p *ingest.Problem
	switch {
	case errors.As(err, &t):
		return t
	case errors.As(err, &p):
		return &Trouble{Status: p.Status, Say: p.Detail, Type: p.Type, Field: p.Field, Err: err}
	case errors.Is(err, store.ErrNotFound):
		return &Trouble{Status: http.StatusNotFound, Say: "There is nothing under this address.", Err: err}
	case errors.Is(err, store.ErrExists), errors.Is(err, store.ErrConflict):
		return &Trouble{Status: http.StatusConflict, Say: "Somebody has changed this meanwhile; nothing was stored. Look at it as it is now, then try again.", Err: err}
	case errors.Is(err, store.ErrInvalid):
		return &Trouble{Status: http.StatusUnprocessableEntity, Say: "The database cannot keep this; nothing was stored.", Err: err}
	case errors.Is(err, ingest.ErrBusy):
		return &Trouble{Status: http.StatusTooManyRequests, Type: ingest.TypeBusy, Say: "More measurements wait for the database than may wait; nothing was stored. Send it again in a second.", Err: err}
	case errors.Is(err, ingest.ErrStopped):
		return &Trouble{Status: http.StatusServiceUnavailable, Say: "The service is stopping; nothing was stored. Send it again in a few seconds.", Err: err}
	case errors.Is(err, context.Canceled):
		return &Trouble{Status: 499, Say: "The request was broken off.", Err: err}
	}
	return &Trouble{Status: http.StatusInternalServerError, Say: "Something went wrong in Sagwatch.", Err: err}
}

// api wraps a handler of the machine interface: what it returns becomes problem details by RFC 9457.
func (s *Server) api(h func(w http.ResponseWriter, r *http.Request) error) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		err := h(w, r)
		if err == nil {
			return
		}
		t := troubleOf(err)
		number := s.logTrouble(r, t)
		p := ingest.Problem{Type: t.Type, Title: http.StatusText(t.Status), Status: t.Status, Detail: t.Say, Field: t.Field}
		if p.Type == "" {
			p.Type = "about:blank"
		}
		if t.Do != "" {
			p.Detail += " " + t.Do
		}
		if number != "" {
			p.Detail += " The log has the details under " + number + "."
		}
		var own *ingest.Problem
		if errors.As(err, &own) {
			p = *own
		}
		writeProblem(w, &p)
	}
}

func writeProblem(w http.ResponseWriter, p *ingest.Problem) {
	if p.Status == http.StatusTooManyRequests || p.Status == http.StatusServiceUnavailable {
		w.Header().Set("Retry-After", "1")
	}
	w.Header().Set("Content-Type", "application/problem+json")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(p.Status)
	_ = json.NewEncoder(w).Encode(p) // the client may have gone; there is nobody else to tell
}

// logTrouble writes the cause to the log and returns the number under which it stands there, for failures only.
func (s *Server) logTrouble(r *http.Request, t *Trouble) string {
	if t.Status < 500 {
		s.log.Debug("refused", "method", r.Method, "path", r.URL.Path, "status", t.Status, "error", t.Error())
		return ""
	}
	number := strings.ToLower(rand.Text()[:8])
	s.log.Error("failed", "number", number, "method", r.Method, "path", r.URL.Path, "status", t.Status, "error", t.Error())
	return number
}

// writeJSON answers with a value.
func writeJSON(w http.ResponseWriter, status int, v any) error {
	body, err := json.Marshal(v)
	if err != nil {
		return err
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	_, err = w.Write(append(body, '\n'))
	if err != nil {
		return nil //nolint:nilerr // the client has gone
	}
	return nil
}
