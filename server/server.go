// Package server is the one place where numbers, rows and pages meet: the machine interface, the pages, who may do what,
// and the background work that keeps charts up to date.
package server

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"sync"
	"sync/atomic"
	"time"

	"github.com/alexedwards/scs/v2"
	"github.com/prometheus/client_golang/prometheus"

	"sagwatch/server/ingest"
	"sagwatch/server/plant"
	"sagwatch/server/report"
	"sagwatch/server/watch"
	"sagwatch/store"
)

// Config of a Server.
type Config struct {
	Store *store.Store
	// Site whose data this server serves; "" means the only one that is defined, else "main".
	Site string
	// Demo signs ready-made people in without passwords and shows a banner; only for a server that listens on loopback.
	Demo bool
	// SecureCookies marks cookies for TLS only; set it behind a TLS proxy.
	SecureCookies bool
	Version       string
	Now           func() time.Time
	Log           *slog.Logger
}

// Server serves one site.
type Server struct {
	cfg       Config
	store     *store.Store
	log       *slog.Logger
	site      string
	catalogue atomic.Pointer[plant.Catalogue]
	committer *ingest.Committer
	ingest    *ingest.Service
	watch     *watch.Watcher
	reports   *report.Runner
	changes   *changes
	asked     *report.CapabilityCache
	documents *documents
	live      *hub
	held      atomic.Pointer[map[string]*heldPress] // holds by press
	progress  progress
	sessions  *scs.SessionManager
	metrics   *metrics
	registry  *prometheus.Registry
	handler   http.Handler
	ready     atomic.Bool

	firstCode string // for the one-time set-up of the first administrator; "" once somebody exists
	firstMu   sync.Mutex
}

// New makes a server and reads the definitions. Run starts its background work.
func New(ctx context.Context, cfg Config) (*Server, error) {
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	if cfg.Log == nil {
		cfg.Log = slog.Default()
	}
	s := &Server{cfg: cfg, store: cfg.Store, log: cfg.Log, live: newHub()}
	var err error
	if s.site, err = ResolveSite(ctx, cfg.Store, cfg.Site); err != nil {
		return nil, err
	}
	if err := s.loadDefinitions(ctx); err != nil {
		return nil, err
	}
	if err := s.loadHolds(ctx); err != nil {
		return nil, err
	}
	s.committer = ingest.NewCommitter(cfg.Store, s.site, s.log)
	s.ingest = ingest.New(ingest.Config{Site: s.site, Catalogue: s.catalogue.Load, Committer: s.committer, Now: cfg.Now})
	s.watch = watch.New(watch.Config{Store: cfg.Store, Site: s.site, Catalogue: s.catalogue.Load, Rests: s.ingest.Rests, Log: s.log, Now: cfg.Now})
	s.changes = newChanges(cfg.Store, s.site)
	s.asked = report.NewCapabilityCache(report.Changes{Now: s.changes.now, Since: s.changes.since})
	s.documents = newDocuments()
	s.reports = &report.Runner{Source: s.reportSource, Now: cfg.Now, Log: s.log}
	s.registry = prometheus.NewRegistry()
	s.metrics = newMetrics(s.registry, s.committer, s.watch, s.live)
	s.sessions = scs.New()
	s.sessions.Store = cfg.Store.Sessions()
	s.sessions.Lifetime = 14 * 24 * time.Hour
	s.sessions.Cookie.Name = "sagwatch"
	s.sessions.Cookie.Secure = cfg.SecureCookies
	s.sessions.Cookie.SameSite = http.SameSiteLaxMode
	s.sessions.ErrorFunc = func(w http.ResponseWriter, r *http.Request, err error) { s.fail(w, r, fmt.Errorf("session: %w", err)) }
	if cfg.Demo {
		if err := s.addDemoPeople(ctx); err != nil {
			return nil, err
		}
	}
	if err := s.offerFirst(ctx); err != nil {
		return nil, err
	}
	s.handler = s.routes()
	return s, nil
}

// ResolveSite finds the site that a program without an explicit one works on: the only one that is defined, else "main".
func ResolveSite(ctx context.Context, st *store.Store, configured string) (string, error) {
	if configured != "" {
		return configured, nil
	}
	sites, err := st.Sites(ctx)
	if err != nil {
		return "", err
	}
	switch len(sites) {
	case 0:
		return "main", nil
	case 1:
		return sites[0], nil
	}
	return "", fmt.Errorf("the database holds %d sites; say which with --site (or SAGWATCH_SITE): %v", len(sites), sites)
}

// ErrSiteChanged says that the only site now has another name than when the server started; start it anew.
var ErrSiteChanged = errors.New("the site was named; starting anew for it")

// Handler serves all routes.
func (s *Server) Handler() http.Handler { return s.handler }

// FirstSetUp is the path of the one-time page on which the first administrator is made, or "".
func (s *Server) FirstSetUp() string {
	s.firstMu.Lock()
	defer s.firstMu.Unlock()
	if s.firstCode == "" {
		return ""
	}
	return "/first?code=" + s.firstCode
}

// Run listens for changes and keeps the charts up to date until ctx ends. It returns ErrSiteChanged when the server must
// be made anew because a set-up file named the site.
func (s *Server) Run(ctx context.Context) error {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	var wg sync.WaitGroup
	wg.Go(func() {
		if err := s.watch.Run(ctx); err != nil && ctx.Err() == nil {
			s.log.Error("watching the presses ended", "error", err)
			cancel(err)
		}
	})
	wg.Go(func() {
		// Listen reconnects by itself; after a gap it sends an empty notice, since anything may have changed meanwhile.
		if err := s.store.Listen(ctx, func(n store.Notice) error { s.noticed(ctx, n, cancel); return nil }); err != nil && ctx.Err() == nil {
			cancel(err)
		}
	})
	wg.Go(func() { s.reloadNowAndThen(ctx, cancel) })
	wg.Go(func() { s.reports.Run(ctx) })
	s.ready.Store(true)
	<-ctx.Done()
	s.ready.Store(false)
	s.live.close()
	wg.Wait()
	if err := context.Cause(ctx); !errors.Is(err, context.Canceled) {
		return err
	}
	return nil
}

// Stop stores what waits; call it after the HTTP server has drained.
func (s *Server) Stop() { s.committer.Stop() }

// noticed handles one change somewhere in the database.
func (s *Server) noticed(ctx context.Context, n store.Notice, cancel context.CancelCauseFunc) {
	if n.Kind == store.NoticeDefinition || n.Kind == store.NoticeResync {
		if err := s.definitionsChanged(ctx); err != nil {
			if errors.Is(err, ErrSiteChanged) {
				cancel(err)
				return
			}
			s.log.Error("definitions not read again", "error", err)
		}
	}
	if n.Site != "" && n.Site != s.site {
		return
	}
	if s.changes.noticed(n) {
		return
	}
	if n.Kind == store.NoticeHold || n.Kind == store.NoticeResync {
		s.holdsChanged(ctx)
	}
	s.watch.Notice(n)
	s.live.send(n)
}

// reloadNowAndThen is the safety net under notifications, which PostgreSQL does not promise across a lost connection.
func (s *Server) reloadNowAndThen(ctx context.Context, cancel context.CancelCauseFunc) {
	tick := time.NewTicker(time.Minute)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			if err := s.definitionsChanged(ctx); errors.Is(err, ErrSiteChanged) {
				cancel(err)
			}
			s.holdsChanged(ctx)
		}
	}
}

func (s *Server) definitionsChanged(ctx context.Context) error {
	site, err := ResolveSite(ctx, s.store, s.cfg.Site)
	if err != nil {
		return err
	}
	if site != s.site {
		return ErrSiteChanged
	}
	return s.loadDefinitions(ctx)
}

func (s *Server) loadDefinitions(ctx context.Context) error {
	c, err := ReadCatalogue(ctx, s.store, s.site)
	if err != nil {
		return err
	}
	s.catalogue.Store(c)
	return nil
}

// ReadCatalogue reads every revision of a site's definitions.
func ReadCatalogue(ctx context.Context, st *store.Store, site string) (*plant.Catalogue, error) {
	defs, err := st.Definitions(ctx, site)
	if err != nil {
		return nil, err
	}
	revisions := make([]plant.Revision, len(defs))
	for i, d := range defs {
		revisions[i] = plant.Revision{Kind: d.Kind, ID: d.ID, Number: d.Revision, EffectiveFrom: d.EffectiveFrom, Body: d.Body, Reason: d.Reason, By: d.By, At: d.At}
	}
	return plant.New(revisions)
}
