package server

import (
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/go-chi/chi/v5"
	"github.com/go-chi/chi/v5/middleware"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"sagwatch/web/assets"
	"sagwatch/web/gallery"
)

// routes is the table of contents of the service. No route is open without a session or a token except health, the pages'
// own style and script, and signing in.
func (s *Server) routes() http.Handler {
	r := chi.NewRouter()
	r.Use(s.measure, s.recoverer, secureHeaders)

	r.Get("/healthz", s.healthz) // is the process alive
	r.Get("/readyz", s.readyz)   // does the database answer, is the schema ours, do the watchers run
	r.With(s.sessions.LoadAndSave, s.machineOrPerson(ScopeRead)).Handle("/metrics", promhttp.HandlerFor(s.registry, promhttp.HandlerOpts{}))
	r.Handle("/assets/*", assets.Handler())

	// The machine interface; tokens come in a header, so no browser can be tricked into sending one.
	r.Route("/api/v1", func(r chi.Router) {
		r.Use(s.sessions.LoadAndSave, http.NewCrossOriginProtection().Handler)
		r.With(s.machineOrPerson(ScopeIngest)).Post("/measurements", s.api(s.postMeasurements))
		s.apiRoutes(r)
		r.NotFound(s.api(func(_ http.ResponseWriter, r *http.Request) error { return notFound("There is no %s.", r.URL.Path) }))
		r.MethodNotAllowed(s.api(func(_ http.ResponseWriter, r *http.Request) error {
			return &Trouble{Status: http.StatusMethodNotAllowed, Say: r.Method + " is not possible on " + r.URL.Path + "."}
		}))
	})

	// Pages.
	r.Group(func(r chi.Router) {
		r.Use(middleware.Compress(5, "text/html", "text/csv"), s.sessions.LoadAndSave, http.NewCrossOriginProtection().Handler)
		r.Method("GET", "/sign-in", s.page(s.showSignIn))
		r.Method("POST", "/sign-in", s.page(s.doSignIn))
		r.Method("GET", "/first", s.page(s.showFirst))
		r.Method("POST", "/first", s.page(s.doFirst))
		r.Method("POST", "/looks", s.page(s.setLooks))
		r.Group(func(r chi.Router) {
			r.Use(s.person)
			r.Method("POST", "/sign-out", s.page(s.signOut))
			s.pageRoutes(r)
			if s.cfg.Demo {
				// Every page in every state, with invented figures, for whoever changes the pages.
				r.Handle("/gallery/*", http.StripPrefix("/gallery", gallery.Handler()))
				r.Handle("/gallery", http.RedirectHandler("/gallery/", http.StatusSeeOther))
			}
		})
		lost := s.api(func(_ http.ResponseWriter, r *http.Request) error { return notFound("There is no %s.", r.URL.Path) })
		lostPage := s.page(func(_ http.ResponseWriter, r *http.Request) error {
			return notFound("There is no page %s.", r.URL.Path)
		})
		r.NotFound(func(w http.ResponseWriter, r *http.Request) {
			if r.URL.Path == "/api" || strings.HasPrefix(r.URL.Path, "/api/") {
				lost(w, r) // machines get problem details
				return
			}
			lostPage.ServeHTTP(w, r)
		})
	})
	// Outside compression and session storing: the stream stays open.
	r.Group(func(r chi.Router) {
		r.Use(s.loadSession, s.person)
		r.Method("GET", "/live", s.page(s.serveLive))
	})
	return r
}

// loadSession reads the session without storing it afterwards, for answers that never end.
func (s *Server) loadSession(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		token := ""
		if c, err := r.Cookie(s.sessions.Cookie.Name); err == nil {
			token = c.Value
		}
		ctx, err := s.sessions.Load(r.Context(), token)
		if err != nil {
			s.fail(w, r, err)
			return
		}
		next.ServeHTTP(w, r.WithContext(ctx))
	})
}

// measure times each request under its route, not its address, so that the number of series stays small.
func (s *Server) measure(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		start := time.Now()
		sw := &statusWriter{ResponseWriter: w}
		next.ServeHTTP(sw, r)
		route := chi.RouteContext(r.Context()).RoutePattern()
		if route == "" {
			route = "none"
		}
		if route != "/live" {
			s.metrics.requests.WithLabelValues(r.Method, route, strconv.Itoa(sw.status)).Observe(since(start))
		}
	})
}

// recoverer turns a panic into a failure that is logged and shown like any other.
func (s *Server) recoverer(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		defer func() {
			switch v := recover(); v {
			case nil:
			case http.ErrAbortHandler:
				panic(v)
			default:
				s.fail(w, r, panicked{v})
			}
		}()
		next.ServeHTTP(w, r)
	})
}
