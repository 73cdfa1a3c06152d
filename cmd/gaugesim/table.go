package main

import (
	"fmt"
	"io"
	"math"
	"strings"
	"time"
)

// score is the outcome of a run.
type score struct {
	Begun      time.Time `json:"begun"`
	Seconds    float64   `json:"seconds"`
	Panels     int       `json:"panels"`
	Aims       []aim     `json:"aims"`
	Lines      []summary `json:"scenarios"`
	PlainLines []summary `json:"plain_scenarios"`
	Trials     []mark    `json:"trials"`
	Plain      []mark    `json:"plain_trials"`
}

// summary is one scenario over its seeds. Shares are of the faults found, save Missed.
type summary struct {
	Scenario  string   `json:"scenario"`
	Quiet     bool     `json:"quiet,omitempty"`
	Single    bool     `json:"single,omitempty"`
	Trials    int      `json:"trials"`
	Missed    int      `json:"missed"`
	Delay     *float64 `json:"delay_cycles"`
	Kind      *float64 `json:"kind_right"`
	Extent    *float64 `json:"extent_right"`
	Stream    *float64 `json:"stream_right"`
	Start     *float64 `json:"start_error_cycles"` // mean of the absolute error, where a start was said
	StartPan  *float64 `json:"start_error_panels"`
	StartSaid *float64 `json:"start_said"`
	Recall    *float64 `json:"recall"`
	Precision *float64 `json:"precision"`
	Told      *float64 `json:"told"`
	Signals   *float64 `json:"signals_per_fault"`
	False     float64  `json:"false_per_shift"`
	Further   float64  `json:"further_per_shift"`
}

// average of what was added; nothing while nothing was.
type average struct {
	sum float64
	n   int
}

func (a *average) add(v float64) { a.sum, a.n = a.sum+v, a.n+1 }
func (a *average) yes(v bool) {
	if v {
		a.sum++
	}
	a.n++
}
func (a *average) value() *float64 {
	if a.n == 0 {
		return nil
	}
	v := a.sum / float64(a.n)
	return &v
}

// summarise gathers trials by scenario, in their order.
func summarise(list []mark) []summary {
	var out []summary
	for i := 0; i < len(list); {
		j := i
		for j < len(list) && list[j].Scenario == list[i].Scenario {
			j++
		}
		out = append(out, summariseOne(list[i:j]))
		i = j
	}
	return out
}

// summariseOne gathers trials under the name of the first.
func summariseOne(list []mark) summary {
	s := summary{Scenario: list[0].Scenario, Quiet: list[0].Quiet, Single: list[0].Single, Trials: len(list)}
	var delay, kind, extent, stream, start, startPanels, said, recall, precision, told, signals average
	hours, falses, further := 0.0, 0, 0
	for _, m := range list {
		hours, falses, further = hours+m.Hours, falses+m.False, further+m.Further
		switch {
		case m.Quiet:
			continue
		case m.Single:
			told.add(m.Told)
			if !m.Found {
				s.Missed++
			}
			continue
		}
		signals.add(float64(m.Signals))
		if !m.Found {
			s.Missed++
			continue
		}
		delay.add(m.Delay)
		kind.yes(m.Kind)
		extent.yes(m.Extent)
		stream.yes(m.Stream)
		recall.add(m.Recall)
		precision.add(m.Precision)
		said.yes(m.Start != nil)
		if m.Start != nil {
			start.add(math.Abs(*m.Start))
			startPanels.add(math.Abs(float64(*m.StartPanel)))
		}
	}
	s.Delay, s.Kind, s.Extent, s.Stream, s.Start, s.StartPan = delay.value(), kind.value(), extent.value(), stream.value(), start.value(), startPanels.value()
	s.StartSaid, s.Recall, s.Precision, s.Told, s.Signals = said.value(), recall.value(), precision.value(), told.value(), signals.value()
	if hours > 0 {
		s.False, s.Further = float64(falses)/shifts(hours), float64(further)/shifts(hours)
	}
	return s
}

// aim is one of what the score should reach.
type aim struct {
	What   string  `json:"what"`
	Wanted string  `json:"wanted"`
	Value  float64 `json:"value"`
	Met    bool    `json:"met"`
}

// aims holds the trials to what is wanted. An aim that no trial speaks of is left out.
func aims(list []mark) []aim {
	var missed, large, single int
	var kind, extent, recall, precision, told average
	hours, falses, further := 0.0, 0, 0
	worst := 0.0
	perScenario := map[string]*summaryRate{}
	for _, m := range list {
		hours, falses, further = hours+m.Hours, falses+m.False, further+m.Further
		r := perScenario[m.Scenario]
		if r == nil {
			r = &summaryRate{}
			perScenario[m.Scenario] = r
		}
		r.hours, r.signals = r.hours+m.Hours, r.signals+m.False
		if m.Quiet {
			continue
		}
		if m.Single {
			single++
			told.add(m.Told)
			continue
		}
		if m.Size == 0 || m.Size >= 2 {
			large++
			if !m.Found {
				missed++
			}
		}
		if m.Found {
			kind.yes(m.Kind)
			extent.yes(m.Extent)
			recall.add(m.Recall)
			precision.add(m.Precision)
		}
	}
	for _, r := range perScenario {
		worst = max(worst, float64(r.signals)/shifts(r.hours))
	}
	var out []aim
	if large > 0 {
		out = append(out, aim{"faults of 2 sigma or more that are missed", "none", float64(missed), missed == 0})
	}
	share := func(what string, a *average, least float64) {
		if v := a.value(); v != nil {
			out = append(out, aim{what, fmt.Sprintf("at least %g", least), *v, *v >= least})
		}
	}
	share("glass or gauge right, of the found", &kind, 0.95)
	share("extent right, of the found", &extent, 0.95)
	share("truly affected panels on the list (recall)", &recall, 0.99)
	share("listed panels truly affected (precision)", &precision, 0.90)
	share("single panels at fault whose answer says so", &told, 0.95)
	if hours > 0 {
		rate := float64(falses) / shifts(hours)
		out = append(out, aim{"false signals a shift and press", "at most 1", rate, rate <= 1})
		rate = float64(falses+further) / shifts(hours)
		out = append(out, aim{"the same with further signals of one fault", "at most 1", rate, rate <= 1})
		out = append(out, aim{"false signals a shift in the worst scenario", "at most 1", worst, worst <= 1})
	}
	return out
}

type summaryRate struct {
	hours   float64
	signals int
}

// write prints the score for people.
func (s *score) write(w io.Writer, detail bool) error {
	b := &strings.Builder{}
	fmt.Fprintf(b, "%d trials, %d panels, %.0f s. Sigma is the standard deviation of a stream's own panels about the cycle effect.\n", len(s.Trials), s.Panels, s.Seconds)
	b.WriteString("Delay, start error (absolute): cycles. Kind (glass or gauge), extent, stream named, recall and precision: per cent of the faults found.\n" +
		"False: signals that no fault accounts for, a shift and press; further: signals of one fault beyond its first, likewise.\n\n")
	s.table(b, "Sagwatch", s.Lines, s.Trials)
	b.WriteString("\n")
	s.table(b, "Plain chart: individuals of the radius of all panels, 3 sigma by the mean moving range, one rule", s.PlainLines, s.Plain)
	if detail {
		b.WriteString("\n")
		for _, m := range s.Trials {
			fmt.Fprintf(b, "%s, seed %d: ", m.Scenario, m.Seed)
			if m.Truth != nil {
				fmt.Fprintf(b, "press %s, truth %s %s %v from panel %d (%d moulds), %d affected; ", m.Truth.Press, m.Truth.Kind, m.Truth.Extent, m.Truth.Streams, m.Truth.Onset, m.Truth.Moulds, m.Truth.Affected)
			}
			switch {
			case m.Answer != nil:
				fmt.Fprintf(b, "said %s %s %v %s began %d, signal at %d, %d listed, recall %.3f, precision %.3f; ", m.Answer.Kind, m.Answer.Extent, m.Answer.Streams,
					m.Answer.Change, m.Answer.Began, m.Answer.At, m.Answer.Listed, m.Recall, m.Precision)
			case m.Single:
				fmt.Fprintf(b, "told %.2f; ", m.Told)
			case !m.Quiet:
				b.WriteString("missed; ")
			}
			fmt.Fprintf(b, "%d of the fault, %d false (%d in the baseline) %s, %d withdrawn, %.1f h\n", m.Signals, m.False, m.FalseEarly,
				strings.TrimPrefix(fmt.Sprint(m.FalseBy), "map"), m.Withdrawn, m.Hours)
		}
	}
	b.WriteString("\nAims\n")
	for _, a := range s.Aims {
		met := "met"
		if !a.Met {
			met = "NOT MET"
		}
		fmt.Fprintf(b, "  %-48s %-14s %8.3f  %s\n", a.What, a.Wanted, a.Value, met)
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func (s *score) table(b *strings.Builder, title string, lines []summary, trials []mark) {
	b.WriteString(title + "\n")
	fmt.Fprintf(b, "%-42s %7s %6s %5s %6s %6s %6s %7s %6s %6s %6s %7s %7s\n", "scenario", "missed", "delay", "kind", "extent", "stream", "start", "(panels)", "recall", "prec.", "signals", "false", "further")
	num := func(v *float64, format string, by float64) string {
		if v == nil {
			return "-"
		}
		return fmt.Sprintf(format, *v*by)
	}
	row := func(l summary) {
		missed := "-"
		if !l.Quiet {
			missed = fmt.Sprintf("%d/%d", l.Missed, l.Trials)
		}
		fmt.Fprintf(b, "%-42s %7s %6s %5s %6s %6s %6s %8s %6s %6s %7s %7.2f %7.2f", l.Scenario, missed, num(l.Delay, "%.1f", 1), num(l.Kind, "%.0f", 100), num(l.Extent, "%.0f", 100),
			num(l.Stream, "%.0f", 100), num(l.Start, "%.1f", 1), num(l.StartPan, "%.0f", 1), num(l.Recall, "%.1f", 100), num(l.Precision, "%.1f", 100), num(l.Signals, "%.1f", 1), l.False, l.Further)
		if l.Told != nil {
			fmt.Fprintf(b, "  told %.0f %%", 100**l.Told)
		}
		b.WriteString("\n")
	}
	for _, l := range lines {
		row(l)
	}
	var faults, quiets []mark
	for _, m := range trials {
		switch {
		case m.Quiet:
			quiets = append(quiets, m)
		case !m.Single:
			faults = append(faults, m)
		}
	}
	if len(faults) > 0 {
		all := summariseOne(faults)
		all.Scenario = "all lasting faults"
		row(all)
	}
	if len(quiets) > 0 {
		all := summariseOne(quiets)
		all.Scenario = "all quiet"
		row(all)
	}
}
