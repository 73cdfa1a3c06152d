package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"time"

	"sagwatch/server"
)

// serveCmd runs the service.
type serveCmd struct {
	Listen        string `help:"Address to listen on." env:"SAGWATCH_LISTEN" default:"127.0.0.1:8048"`
	Demo          bool   `help:"Ready-made people, no passwords, loopback only." env:"SAGWATCH_DEMO"`
	SecureCookies bool   `help:"Mark cookies for TLS only; set it behind a TLS proxy." env:"SAGWATCH_SECURE_COOKIES"`
	LogLevel      string `help:"debug, info, warn or error." env:"SAGWATCH_LOG_LEVEL" default:"info" enum:"debug,info,warn,error"`
}

// drain is how long requests under way may take after SIGTERM; with the rest the process ends within ten seconds.
const drain = 6 * time.Second

func (v *serveCmd) Run(ctx context.Context, c *cli, s streams) error {
	var level slog.Level
	if err := level.UnmarshalText([]byte(v.LogLevel)); err != nil {
		return err
	}
	log := slog.New(slog.NewTextHandler(s.err, &slog.HandlerOptions{Level: level}))
	if v.Demo {
		if err := loopback(v.Listen); err != nil {
			return err
		}
	}
	// Listen first: a port that is taken should be said before a database is started.
	listener, err := net.Listen("tcp", v.Listen)
	if err != nil {
		return fmt.Errorf("cannot listen on %s (choose another address with --listen): %w", v.Listen, err)
	}
	defer listener.Close()
	d, err := c.open(ctx, true)
	if err != nil {
		return err
	}
	defer d.Close()
	announce := true
	var swap swapper
	web := &http.Server{Handler: &swap, ReadHeaderTimeout: 10 * time.Second, IdleTimeout: 2 * time.Minute,
		ErrorLog: slog.NewLogLogger(log.Handler(), slog.LevelWarn)}
	served := make(chan error, 1)
	for {
		srv, err := server.New(ctx, server.Config{Store: d.Store, Site: c.Site, Demo: v.Demo, SecureCookies: v.SecureCookies, Version: version, Log: log})
		if err != nil {
			return err
		}
		swap.set(srv.Handler())
		if announce {
			go func() { served <- web.Serve(listener) }()
			fmt.Fprintf(s.out, "Sagwatch is at http://%s\n", listener.Addr())
			if first := srv.FirstSetUp(); first != "" {
				fmt.Fprintf(s.out, "Nobody can sign in yet. Make the first administrator, once, at http://%s%s\n", listener.Addr(), first)
			}
			announce = false
		}
		runCtx, stop := context.WithCancel(ctx)
		ran := make(chan error, 1)
		go func() { ran <- srv.Run(runCtx) }()
		select {
		case err = <-ran:
		case err = <-served:
		case <-d.done():
			err = errors.New("the private PostgreSQL ended; its log is in the data folder")
		case <-ctx.Done():
			log.Info("stopping: letting requests under way finish")
		}
		if errors.Is(err, server.ErrSiteChanged) {
			log.Info("the site has been named; starting anew for it")
			stop()
			srv.Stop()
			continue
		}
		// Live pages end when Run does; then the rest can drain.
		stop()
		late, cancel := context.WithTimeout(context.WithoutCancel(ctx), drain)
		defer cancel()
		if shut := web.Shutdown(late); shut != nil {
			log.Warn("not all requests finished in time", "error", shut)
			_ = web.Close()
		}
		srv.Stop()
		return err
	}
}

// loopback refuses to show the demonstration, which has no passwords, to other machines.
func loopback(listen string) error {
	host, _, err := net.SplitHostPort(listen)
	if err != nil {
		return err
	}
	if ip := net.ParseIP(host); host == "localhost" || ip != nil && ip.IsLoopback() {
		return nil
	}
	return fmt.Errorf("the demonstration has no passwords and listens on loopback only, not on %s", listen)
}
