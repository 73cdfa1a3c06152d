package main

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"strings"
	"time"
)

type historyCmd struct {
	Hours float64   `help:"How many hours of measuring." default:"8"`
	Seed  uint64    `help:"The same seed gives the same readings." default:"1"`
	End   time.Time `help:"When it ends, RFC 3339 (default: now, cut to the hour)." placeholder:"TIME"`
	Press string    `help:"One press only (default: both)." enum:"A,B," default:""`
	Fault []string  `help:"Only this fault, in the second half; several come one after the other (default: the plant's schedule, which begins after the limits' baseline of some six hours; none: no fault). See gaugesim faults." placeholder:"NAME"`
	Out   string    `short:"o" help:"File to write, - for standard output." default:"-" placeholder:"FILE"`
	Truth string    `help:"File for what is really wrong, one JSON object a line." placeholder:"FILE"`
}

// step is how much is worked out at once: memory stays flat however long the history.
const step = time.Hour

func (h *historyCmd) Run(ctx context.Context, s streams) error {
	if !(h.Hours > 0 && h.Hours <= 100_000) {
		return fmt.Errorf("--hours %g: more than 0 and at most 100000", h.Hours)
	}
	end := h.End.UTC()
	if h.End.IsZero() {
		end = time.Now().UTC().Truncate(time.Hour)
	}
	from := end.Add(-time.Duration(h.Hours * float64(time.Hour)))
	if from.Before(origin.AddDate(-20, 0, 0)) || from.Before(origin) {
		return fmt.Errorf("the plant began on %s and %g hours before %s lie earlier; choose a later --end", origin.Format(time.DateOnly), h.Hours, end.Format(time.RFC3339))
	}
	sm, err := newSim(h.Seed, from)
	if err != nil {
		return err
	}
	sm.only = h.Press
	if err := sm.force(h.Fault, from, end); err != nil {
		return err
	}
	w := s.out
	if h.Out != "-" {
		f, err := os.Create(h.Out)
		if err != nil {
			return err
		}
		defer f.Close()
		w = f
	}
	if err := sm.write(ctx, w, from, end); err != nil {
		return err
	}
	if f, ok := w.(*os.File); ok && h.Out != "-" {
		if err := f.Close(); err != nil {
			return err
		}
	}
	if h.Truth == "" {
		return nil
	}
	f, err := os.Create(h.Truth)
	if err != nil {
		return err
	}
	defer f.Close()
	if err := writeTruth(f, sm.truth(from, end)); err != nil {
		return err
	}
	return f.Close()
}

// newSim is the plant whose gauges begin to measure at from.
func newSim(seed uint64, from time.Time) (*sim, error) {
	p, err := readPlant(plantFile)
	if err != nil {
		return nil, err
	}
	s := &sim{plant: p, chance: chance(seed)}
	s.schedule.chance = s.chance
	s.schedule.begin = p.begin(s.chance, from)
	return s, nil
}

// begin is when the first press pressed the first panel that is measured at from or later.
func (p *plant) begin(c chance, from time.Time) time.Time {
	l := p.lines[0]
	for n := l.firstAt(from.Add(-l.lehr - l.takt)); ; n++ {
		if first := l.panel(n); !first.measured(c).Before(from) && !first.missing(c) {
			return first.pressed
		}
	}
}

// force replaces the schedule by the named faults, which share the second half of the time in turn, on each press.
func (s *sim) force(names []string, from, to time.Time) error {
	if len(names) == 1 && names[0] == "none" {
		s.schedule.quiet = true
		return nil
	}
	half := to.Sub(from) / 2
	for i, name := range names {
		k, err := kindNamed(name)
		if err != nil {
			var known []string
			for _, k := range kinds {
				known = append(known, k.name)
			}
			return fmt.Errorf("%w; the faults are %s, or none", err, strings.Join(known, ", "))
		}
		for _, l := range s.lines {
			at := from.Add(half + half*time.Duration(i)/time.Duration(len(names)))
			if k.glass || k.change == "single" {
				at = at.Add(-l.lehr)
			}
			f := newFault(k, l, at, s.chance, uint64(i))
			if k.change != "single" {
				f.last(at, half*3/4/time.Duration(len(names)))
			}
			s.schedule.forced = append(s.schedule.forced, f)
		}
	}
	return nil
}

// write puts what is measured in a time as NDJSON.
func (s *sim) write(ctx context.Context, w io.Writer, from, to time.Time) error {
	b := bufio.NewWriterSize(w, 1<<20)
	for t := from; t.Before(to); t = t.Add(step) {
		if err := ctx.Err(); err != nil {
			return err
		}
		end := t.Add(step)
		if end.After(to) {
			end = to
		}
		list := s.between(t, end)
		for i := range list {
			if _, err := b.Write(list[i].line()); err != nil {
				return err
			}
		}
	}
	return b.Flush()
}

// truth lists the faults that show on what is measured from from to to.
func (s *sim) truth(from, to time.Time) []truth {
	var out []truth
	for _, f := range s.schedule.between(s.lines, from, to) {
		if s.only != "" && f.line.press != s.only {
			continue
		}
		a, b := f.from, f.to
		if f.glass {
			a, b = a.Add(f.line.lehr), b.Add(f.line.lehr)
		}
		if a.Before(to) && b.After(from) {
			out = append(out, f.truth())
		}
	}
	return out
}

func writeTruth(w io.Writer, list []truth) error {
	enc := json.NewEncoder(w)
	for _, t := range list {
		if err := enc.Encode(t); err != nil {
			return err
		}
	}
	return nil
}
