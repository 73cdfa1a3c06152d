package server

import (
	"context"
	"fmt"
	"net/http"
	"runtime/debug"
	"strings"
	"time"
)

// panicked is a programmer's mistake that reached the outermost layer.
type panicked struct{ value any }

func (p panicked) Error() string { return fmt.Sprintf("panic: %v\n%s", p.value, debug.Stack()) }

// secureHeaders allow nothing but the service's own files: no inline script or style, no frames, no other hosts.
func secureHeaders(next http.Handler) http.Handler {
	const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; font-src 'self'; connect-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		next.ServeHTTP(w, r)
	})
}

// healthz handles GET /healthz.
func (s *Server) healthz(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	fmt.Fprintln(w, "ok")
}

// readyz handles GET /readyz: 200 when the service can do its work, 503 with the reason in words when it can't.
func (s *Server) readyz(w http.ResponseWriter, r *http.Request) {
	ctx, cancel := context.WithTimeout(r.Context(), 3*time.Second)
	defer cancel()
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	var reasons []string
	if err := s.store.Ping(ctx); err != nil {
		if r.Context().Err() == nil { // else whoever asked has hung up, which says nothing about the database
			s.log.Warn("not ready", "error", err)
		}
		reasons = append(reasons, "the database does not answer")
	} else if have, want, err := s.store.SchemaVersions(ctx); err == nil && have < want {
		reasons = append(reasons, fmt.Sprintf("the database's schema is %d, this program wants %d: run sagwatch migrate", have, want))
	}
	if !s.ready.Load() {
		reasons = append(reasons, "the presses are not watched yet")
	}
	if len(reasons) > 0 {
		w.WriteHeader(http.StatusServiceUnavailable)
		fmt.Fprintln(w, strings.Join(reasons, "\n"))
		return
	}
	fmt.Fprintln(w, "ready")
}
