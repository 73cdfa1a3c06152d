package main

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"time"
)

type demoCmd struct {
	Listen   string        `help:"Address of the service, loopback only." env:"SAGWATCH_LISTEN" default:"127.0.0.1:8048"`
	DataDir  string        `help:"Data folder of the service (default: its own default)." env:"SAGWATCH_DATA_DIR" placeholder:"DIR"`
	Hours    float64       `help:"Hours of history on a first start; later starts bring what is missing, at most this much." default:"8"`
	Speed    float64       `help:"Above 1: history ends --replay ago, and from there the gauges send N times as fast as the clock until they reach the present; then at the true takt." default:"1" placeholder:"N"`
	Replay   time.Duration `help:"How far back --speed begins." default:"2h"`
	Seed     uint64        `help:"Of the plant. Keep it for one data folder: another seed gives other readings for the same panels." default:"1"`
	Truth    string        `help:"File for what is really wrong, one JSON object a line (default: gaugesim-truth.jsonl in the data folder, else in the folder for temporary files)." placeholder:"FILE"`
	Sagwatch string        `help:"The sagwatch program (default: beside this one)." placeholder:"FILE"`
	LogLevel string        `help:"What the service prints: debug, info, warn or error." env:"SAGWATCH_LOG_LEVEL" default:"warn" enum:"debug,info,warn,error"`
}

// overlap is how far a later start looks back, so that what lay on a gauge's computer at the end is not lost.
const overlap = 3 * time.Minute

func (d *demoCmd) Run(ctx context.Context, s streams) (err error) {
	if !(d.Hours > 0 && d.Hours <= 24*366) {
		return fmt.Errorf("--hours %g: more than 0 and at most a year", d.Hours)
	}
	if !(d.Speed >= 1 && d.Speed <= 10_000) {
		return fmt.Errorf("--speed %g: from 1 to 10000", d.Speed)
	}
	if d.Sagwatch == "" {
		if d.Sagwatch, err = besideMe(); err != nil {
			return err
		}
	}
	svc := &service{program: d.Sagwatch, env: os.Environ()}
	if d.DataDir != "" {
		if d.DataDir, err = filepath.Abs(d.DataDir); err != nil {
			return err
		}
		svc.env = append(svc.env, "SAGWATCH_DATA_DIR="+d.DataDir)
	}
	if err := svc.start(s.out, s.err, d.Listen, "--demo", "--log-level", d.LogLevel); err != nil {
		return err
	}
	address := "http://" + d.Listen
	err = d.play(ctx, svc, address, s)
	if ctx.Err() != nil { // somebody stopped it
		fmt.Fprintln(s.out, "The gauges have stopped; stopping the service.")
		err = nil
	}
	return errors.Join(err, svc.stop())
}

// play does all between the service's start and its stop.
func (d *demoCmd) play(ctx context.Context, svc *service, address string, s streams) error {
	begun := time.Now()
	if err := svc.ready(ctx, address); err != nil {
		return err
	}
	fmt.Fprintf(s.out, "\nTarnbeck Works, an invented plant, is running (%.1f s): open %s and choose who you are.\nCtrl-C stops it; what was measured stays.\n\n", time.Since(begun).Seconds(), address)
	ctx, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	go func() {
		select {
		case <-svc.ended:
			stop(fmt.Errorf("the service has ended (%w)", orEnded(svc.err)))
		case <-ctx.Done():
		}
	}()
	err := d.gauges(ctx, svc, address, begun, s)
	if cause := context.Cause(ctx); cause != nil && !errors.Is(cause, context.Canceled) {
		return cause
	}
	return err
}

// gauges defines the plant, brings what is missing of its history and measures until the context ends.
func (d *demoCmd) gauges(ctx context.Context, svc *service, address string, begun time.Time, s streams) error {
	name := "demonstration gauges " + time.Now().UTC().Format("2006-01-02T15:04:05.000Z")
	token, err := svc.newToken(ctx, name)
	if err != nil {
		return err
	}
	defer func() {
		// It would serve nobody else.
		late, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
		defer cancel()
		if _, err := svc.command(late, nil, "token", "revoke", name); err != nil {
			fmt.Fprintln(s.err, "gaugesim:", err)
		}
	}()
	c := newClient(address, token)
	if err := define(ctx, svc, c); err != nil {
		return err
	}
	sm, from, err := d.resume(ctx, c, begun)
	if err != nil {
		return err
	}
	now := time.Now()
	clock := plantClock{wall: now, speed: d.Speed, begin: now}
	if d.Speed > 1 {
		clock.begin = latest(from, now.Add(-d.Replay))
	}
	truth, err := d.openTruth(sm, clock.begin)
	if err != nil {
		return err
	}
	defer truth.Close()
	fmt.Fprintln(s.out, "What is really wrong, for whoever wants to compare:", truth.Name())
	if err := bringHistory(ctx, sm, c, from, clock.begin, s); err != nil {
		return err
	}
	live := &live{sim: sm, client: c, clock: clock, truth: truth, out: s.out, errw: s.err}
	return live.run(ctx, clock.begin)
}

func latest(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// define applies the plant's set-up file when the service does not know the plant yet. What people have changed since
// stays as they left it.
func define(ctx context.Context, svc *service, c *client) error {
	known := func() (bool, error) {
		for _, path := range []string{"/api/v1/gauges/" + periphery, "/api/v1/presses/" + routes[len(routes)-1].press} {
			var any struct{}
			err := c.get(ctx, path, &any)
			var r *refusal
			if errors.As(err, &r) && r.status == http.StatusNotFound {
				return false, nil
			}
			if err != nil {
				return false, err
			}
		}
		return true, nil
	}
	yes, err := known()
	if err != nil || yes {
		return err
	}
	if _, err := svc.command(ctx, plantFile, "setup", "apply", "-", "--reason", "invented plant of the demonstration"); err != nil {
		return err
	}
	// The service takes the definitions over in its own time.
	late, cancel := context.WithTimeout(ctx, 20*time.Second)
	defer cancel()
	for p := (patience{}); ; {
		if yes, err = known(); yes {
			return nil
		}
		var r *refusal
		if errors.As(err, &r) {
			return err
		}
		if p.wait = 0; !p.sleep(late, nil) {
			return errors.Join(errors.New("the set-up was applied, but the service does not know the plant"), err, ctx.Err())
		}
	}
}

// resume finds where the gauges stopped: on a first start they begin --hours ago.
func (d *demoCmd) resume(ctx context.Context, c *client, now time.Time) (*sim, time.Time, error) {
	earliest := now.Add(-time.Duration(d.Hours * float64(time.Hour)))
	sm, err := newSim(d.Seed, earliest)
	if err != nil {
		return nil, earliest, err
	}
	first := sm.lines[0]
	m, found, err := c.firstFrom(ctx, first.press, first.gauge.id, time.Time{})
	if err != nil || !found {
		return sm, earliest, err
	}
	// The first panel of all decides the faults' times, now as then.
	sm.schedule.begin = m.LineAt
	from := now
	for _, l := range sm.lines {
		last, found, err := c.lastBetween(ctx, l.press, l.gauge.id, earliest.Add(-l.lehr), now)
		switch at := last.Add(l.lehr - overlap); {
		case err != nil:
			return nil, earliest, err
		case !found:
			from = earliest
		case at.Before(from):
			from = at
		}
	}
	return sm, latest(from, earliest), nil
}

// openTruth writes the faults up to a time, from the plant's begin on.
func (d *demoCmd) openTruth(sm *sim, to time.Time) (*os.File, error) {
	name := d.Truth
	if name == "" {
		dir := d.DataDir
		if dir == "" {
			dir = os.TempDir()
		}
		name = filepath.Join(dir, "gaugesim-truth.jsonl")
	}
	f, err := os.Create(name)
	if err != nil {
		return nil, err
	}
	if err := writeTruth(f, sm.truth(sm.schedule.begin, to)); err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return f, nil
}

// bringHistory sends what was measured in a time and is not there yet as one stream.
func bringHistory(ctx context.Context, sm *sim, c *client, from, to time.Time, s streams) error {
	begun := time.Now()
	there := map[string]bool{}
	for _, gauge := range append([]string{periphery}, sm.gauges()...) {
		list, err := c.since(ctx, gauge, from.Add(-2*time.Hour))
		if err != nil {
			return err
		}
		for i := range list {
			there[list[i].key()] = true
		}
	}
	var lines [][]byte
	for _, m := range sm.between(from, to) {
		if !there[m.key()] {
			lines = append(lines, m.line())
		}
	}
	if len(lines) == 0 {
		fmt.Fprintln(s.out, "History is complete; nothing was missing.")
		return nil
	}
	t, err := c.stream(ctx, lines)
	if err != nil {
		return err
	}
	fmt.Fprintf(s.out, "History of %s: %d measurements in %.1f s: %s.\n", plain(to.Sub(from)), len(lines), time.Since(begun).Seconds(), t)
	return nil
}

// plain writes a duration as people say it.
func plain(d time.Duration) string {
	minutes := int(d.Round(time.Minute).Minutes())
	if minutes < 60 {
		return fmt.Sprintf("%d minutes", minutes)
	}
	if minutes%60 == 0 {
		return fmt.Sprintf("%d h", minutes/60)
	}
	return fmt.Sprintf("%d h %d min", minutes/60, minutes%60)
}
