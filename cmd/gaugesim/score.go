package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"time"

	"golang.org/x/sync/errgroup"
)

type scoreCmd struct {
	Scenario string `help:"Only scenarios whose name matches this regular expression." placeholder:"REGEXP"`
	Seeds    int    `help:"How many seeds each scenario gets: the plant, the panels and the fault are drawn anew." default:"3"`
	From     uint64 `help:"The first seed." default:"1"`
	Parallel int    `help:"How many presses send at once." default:"3"`
	Batch    int    `help:"How many presses one service gets, before it is begun afresh." default:"48"`
	Out      string `help:"File for the score as JSON, each trial with what was said and what was so." placeholder:"FILE"`
	List     bool   `help:"Print the scenarios and stop."`
	Check    bool   `help:"Exit with 1 when an aim is not met."`
	Detail   bool   `help:"Print each trial too."`
	DataDir  string `help:"Folder for the services' data, emptied afterwards (default: one for temporary files; for root below /var/lib)." placeholder:"DIR"`
	Sagwatch string `help:"The sagwatch program (default: beside this one)." placeholder:"FILE"`
}

func (v *scoreCmd) Run(ctx context.Context, s streams) (err error) {
	list, err := v.chosen()
	if err != nil {
		return err
	}
	if v.List {
		for _, c := range list {
			help := "quiet"
			if !c.quiet() {
				help = causeNamed(c.cause).help
			}
			if _, err := fmt.Fprintf(s.out, "%-40s %s\n", c.name, help); err != nil {
				return err
			}
		}
		return nil
	}
	if v.Seeds < 1 || v.Parallel < 1 || v.Batch < 1 {
		return errors.New("--seeds, --parallel and --batch must be at least 1")
	}
	if v.Sagwatch == "" {
		if v.Sagwatch, err = besideMe(); err != nil {
			return err
		}
	}
	begun := time.Now()
	var trials []*trial
	for _, c := range list {
		for k := range v.Seeds {
			t, err := newTrial(c, v.From+uint64(k), len(trials)+1)
			if err != nil {
				return err
			}
			trials = append(trials, t)
		}
	}
	result := score{Begun: begun.UTC().Truncate(time.Second)}
	for batch := range slices.Chunk(trials, v.Batch) {
		own, plain, panels, err := v.runBatch(ctx, batch, s)
		if err != nil {
			return err
		}
		result.Trials, result.Plain, result.Panels = append(result.Trials, own...), append(result.Plain, plain...), result.Panels+panels
		fmt.Fprintf(s.err, "%d of %d trials, %.0f s\n", len(result.Trials), len(trials), time.Since(begun).Seconds())
	}
	result.Seconds = time.Since(begun).Seconds()
	result.Aims = aims(result.Trials)
	result.Lines, result.PlainLines = summarise(result.Trials), summarise(result.Plain)
	if err := result.write(s.out, v.Detail); err != nil {
		return err
	}
	if v.Out != "" {
		body, err := json.MarshalIndent(result, "", " ")
		if err != nil {
			return err
		}
		if err := os.WriteFile(v.Out, append(body, '\n'), 0o644); err != nil {
			return err
		}
	}
	if v.Check && slices.ContainsFunc(result.Aims, func(a aim) bool { return !a.Met }) {
		return errors.New("not every aim is met")
	}
	return nil
}

// chosen are the scenarios that --scenario names.
func (v *scoreCmd) chosen() ([]scenario, error) {
	all := scenarios()
	if v.Scenario == "" {
		return all, nil
	}
	match, err := regexp.Compile(v.Scenario)
	if err != nil {
		return nil, fmt.Errorf("--scenario: %w", err)
	}
	all = slices.DeleteFunc(all, func(c scenario) bool { return !match.MatchString(c.name) })
	if len(all) == 0 {
		return nil, fmt.Errorf("no scenario matches %q; --list names them", v.Scenario)
	}
	return all, nil
}

// runBatch plays trials against a service of their own: each is one press of the site.
func (v *scoreCmd) runBatch(ctx context.Context, batch []*trial, s streams) (own, plain []mark, panels int, err error) {
	parent := v.DataDir
	if parent == "" && os.Geteuid() == 0 {
		parent = "/var/lib" // root's PostgreSQL runs as another user, who must be able to reach it
	}
	dir, err := os.MkdirTemp(parent, "gaugesim-score-")
	if err != nil {
		return nil, nil, 0, err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	if err := os.Chmod(dir, 0o755); err != nil {
		return nil, nil, 0, err
	}
	free, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, nil, 0, err
	}
	listen := free.Addr().String()
	if err := free.Close(); err != nil {
		return nil, nil, 0, err
	}
	svc := &service{program: v.Sagwatch, env: append(os.Environ(), "SAGWATCH_DATA_DIR="+filepath.Join(dir, "data"))}
	if err := svc.start(io.Discard, s.err, listen, "--log-level", "warn"); err != nil {
		return nil, nil, 0, err
	}
	defer func() { err = errors.Join(err, svc.stop()) }()
	url := "http://" + listen
	if err := svc.ready(ctx, url); err != nil {
		return nil, nil, 0, err
	}
	setUp, err := setUpFile(batch)
	if err != nil {
		return nil, nil, 0, err
	}
	if _, err := svc.command(ctx, setUp, "setup", "apply", "-", "--reason", "score"); err != nil {
		return nil, nil, 0, err
	}
	out, err := svc.command(ctx, nil, "token", "add", "score", "--scopes", "ingest,read,write")
	if err != nil {
		return nil, nil, 0, err
	}
	words := strings.Split(strings.TrimSpace(out), "\n")
	token := words[len(words)-1]
	c := newClient(url, token)
	if err := c.knows(ctx, batch[len(batch)-1]); err != nil {
		return nil, nil, 0, err
	}
	begun := time.Now()
	heard := make([]*heard, len(batch))
	g, gctx := errgroup.WithContext(ctx)
	g.SetLimit(v.Parallel)
	for i, t := range batch {
		g.Go(func() (err error) {
			heard[i], err = send(gctx, newClient(url, token), t)
			return err
		})
	}
	if err := g.Wait(); err != nil {
		return nil, nil, 0, err
	}
	sent := time.Now()
	if err := c.settled(ctx, batch); err != nil {
		return nil, nil, 0, err
	}
	folded := time.Now()
	for i, t := range batch {
		found, err := c.findings(ctx, t)
		if err != nil {
			return nil, nil, 0, err
		}
		a, b := t.marks(found, heard[i])
		own, plain, panels = append(own, a), append(plain, b), panels+heard[i].kept
	}
	fmt.Fprintf(s.err, "%d measurements sent in %.0f s, charts settled %.0f s later, signals read in %.0f s\n",
		panels, sent.Sub(begun).Seconds(), folded.Sub(sent).Seconds(), time.Since(folded).Seconds())
	return own, plain, panels, nil
}

// knows waits until the service knows a trial's gauge.
func (c *client) knows(ctx context.Context, t *trial) error {
	late, cancel := context.WithTimeout(ctx, 30*time.Second)
	defer cancel()
	for {
		var any struct{}
		err := c.get(late, "/api/v1/gauges/"+t.line.gauge.id, &any)
		var r *refusal
		if err == nil || !errors.As(err, &r) || r.status != 404 {
			return err
		}
		if p := (patience{}); !p.sleep(late, nil) {
			return fmt.Errorf("the set-up was applied, but the service does not know gauge %s", t.line.gauge.id)
		}
	}
}

// heard is what the service answered to a trial's panels.
type heard struct {
	kept   int
	radius map[int]float64 // by panel
	told   map[int]bool    // single panels at fault whose answer says so
}

// send plays a trial: one stream, which stops for each event so that it is known before what follows.
func send(ctx context.Context, c *client, t *trial) (*heard, error) {
	h := &heard{radius: map[int]float64{}, told: map[int]bool{}}
	first := map[int]bool{}
	c.seen = func(a *answer) {
		n, ok := t.number(a.Panel)
		if !ok || first[n] { // a panel that was seated again has a second answer
			return
		}
		first[n] = true
		if a.RadiusMM != nil {
			h.radius[n] = *a.RadiusMM
		}
		if t.singles[n] && t.tells(n, a) {
			h.told[n] = true
		}
	}
	var lines [][]byte
	flush := func() error {
		if len(lines) == 0 {
			return nil
		}
		got, err := c.stream(ctx, lines)
		lines = nil
		if err == nil && got.refused > 0 {
			err = fmt.Errorf("press %s (%s, seed %d): %s", t.line.press, t.name, t.seed, got)
		}
		h.kept += got.stored + got.duplicates
		return err
	}
	for _, x := range t.play() {
		if x.event == nil {
			lines = append(lines, x.line)
			continue
		}
		if err := flush(); err != nil {
			return nil, err
		}
		if err := c.event(ctx, x.event); err != nil {
			return nil, err
		}
	}
	return h, flush()
}

// tells tells whether the answer to a panel at fault says what is wrong with it: the place of a blister, or that it must be
// seated again.
func (t *trial) tells(n int, a *answer) bool {
	if t.cause == "blister" {
		return slices.Contains(a.Suspects, t.blisterAt(n)+1)
	}
	return slices.ContainsFunc(a.Reasons, func(s string) bool { return strings.Contains(strings.ToLower(s), "seat") })
}

// settled waits until the service's charts have taken in everything and nothing moves any more.
func (c *client) settled(ctx context.Context, batch []*trial) error {
	want := map[string]float64{}
	for _, t := range batch {
		last := t.cycles*len(t.line.moulds) - 1
		for t.missing[last] {
			last--
		}
		// A takt early: the line time of a press that does not tell is estimated.
		want["press/"+t.line.press] = float64(t.pressed(last).Add(-t.line.takt).UnixMicro()) / 1e6
	}
	const still = 2 * time.Second
	var was string
	since := time.Now()
	for {
		last, behind, text, err := c.folds(ctx)
		var b *busy
		if err != nil && !errors.As(err, &b) {
			return err
		}
		ready := err == nil && !behind
		for fold, at := range want {
			ready = ready && last[fold] >= at
		}
		if !ready || text != was {
			was, since = text, time.Now()
		} else if time.Since(since) >= still {
			return nil
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(250 * time.Millisecond):
		}
	}
}

// marks scores one trial, and the plain chart over the same panels.
func (t *trial) marks(found []finding, h *heard) (own, plain mark) {
	v := t.truth()
	m := len(t.line.moulds)
	v.Told = float64(len(h.told)) / float64(max(1, len(t.singles)))
	own, plain = v.score(found), v.scorePlain(plainChart(h.radius, t.phaseI*m, t.cycles*m, m, t.line.press))
	for _, f := range found {
		if !f.withdrawn && f.At < t.phaseI*m { // before any fault
			own.FalseEarly++
		}
	}
	for _, k := range []*mark{&own, &plain} {
		k.Scenario, k.Seed, k.Cause, k.Size = t.name, t.seed, t.cause, t.size
	}
	return own, plain
}
