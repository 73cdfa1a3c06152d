package main

import (
	"fmt"
	"slices"
	"strings"
)

// condition words of a scenario: what the plant is like beside the fault. Without any, a press is nearly white, few panels
// are missing and its computer may or may not tell when it pressed.
const (
	withCorrelation = "autocorrelated" // cycle effect and moulds hang together in time
	withMissing     = "missing"        // single panels and short stretches never reach the gauge
	withIncomplete  = "incomplete"     // moulds are skipped for many cycles on end
	withSkew        = "skewed"         // form error of a skewed law
	withMoulds      = "moulds differ"  // levels of the moulds far apart
	withLate        = "late"           // a gauge computer's panels arrive hours later
	withStop        = "stop"           // the press stands for hours, with its events
	withMouldChange = "mould-change"   // another casting on one station, with its event
	withPlunger     = "plunger-change" // another plunger, centred, with its event
	withRepair      = "repaired"       // the fault ends before the panels do
)

// scenario is one line of the score.
type scenario struct {
	name  string
	cause string  // of the table of causes; "" for a quiet one
	size  float64 // in sigma; 0: not measured in sigma
	with  []string
}

func (s *scenario) has(condition string) bool { return slices.Contains(s.with, condition) }
func (s *scenario) quiet() bool               { return s.cause == "" }

// cause is one way in which the trade's panels go wrong, with what a right answer calls it.
type cause struct {
	name   string
	help   string
	glass  bool
	extent string // one-stream, several-streams, one-lane, all-streams, one-probe, whole-gauge; one-panel: no signal of a process
	change string // step, drift, spread, single
}

// causes are the rows of the trade's table of what goes wrong.
var causes = []cause{
	{"press-drift", "mould or plunger temperature: the radius of all moulds drifts", true, "all-streams", "drift"},
	{"press-step", "cooling of all moulds changed at a blow: their radius steps", true, "all-streams", "step"},
	{"mould-step", "one mould's cooling blocked: its radius steps", true, "one-stream", "step"},
	{"mould-drift", "one mould wears: its radius drifts", true, "one-stream", "drift"},
	{"moulds-step", "cooling of two or three moulds: their radius steps", true, "several-streams", "step"},
	{"moulds-drift", "two or three moulds: their radius drifts", true, "several-streams", "drift"},
	{"plunger", "plunger off centre: coma-like form in every mould", true, "all-streams", "step"},
	{"gob", "gob weight or loading: form scatters on every mould", true, "all-streams", "spread"},
	{"lehr-lane", "one lane of the lehr too hot: radius and two-fold term of that lane, seen behind the lehr", true, "one-lane", "step"},
	{"mould-twist", "shell of one mould twists: its twist term creeps", true, "one-stream", "drift"},
	{"probe-stuck", "one probe reads the same whatever lies there", false, "one-probe", "step"},
	{"probe-loose", "one probe scatters", false, "one-probe", "spread"},
	{"probe-drift", "one probe drifts", false, "one-probe", "drift"},
	{"probe-step", "one probe knocked: it reads off by an amount", false, "one-probe", "step"},
	{"gauge-drift", "gauge warms up: all panels and the master shift together", false, "whole-gauge", "drift"},
	{"gauge-step", "gauge set on a worn master: all panels and the sound master shift together", false, "whole-gauge", "step"},
	{"seating", "panels badly seated, chip of glass under a pad: to be seated again, no fault of the glass", false, "one-panel", "single"},
	{"blister", "a blister at one place of single panels", true, "one-panel", "single"},
}

func causeNamed(name string) cause {
	i := slices.IndexFunc(causes, func(c cause) bool { return c.name == name })
	if i < 0 {
		panic("no cause " + name)
	}
	return causes[i]
}

// scenarios lists the score's lines: faults by cause and size, then quiet ones.
func scenarios() []scenario {
	var out []scenario
	add := func(cause string, size float64, with ...string) {
		name := cause
		if size > 0 {
			name += fmt.Sprintf(" %g", size)
		}
		if len(with) > 0 {
			name += ", " + strings.Join(with, ", ")
		}
		out = append(out, scenario{name, cause, size, with})
	}
	for _, size := range []float64{1, 1.5, 2, 3, 4} {
		add("mould-step", size)
	}
	add("mould-step", 2, withCorrelation)
	add("mould-step", 2, withMissing)
	add("mould-step", 2, withIncomplete)
	add("mould-step", 3, withMoulds, withLate)
	add("mould-step", 3, withRepair)
	for _, size := range []float64{2, 3, 4} {
		add("mould-drift", size)
	}
	add("mould-drift", 3, withCorrelation, withMissing)
	add("moulds-step", 2)
	add("moulds-step", 3, withIncomplete)
	add("moulds-drift", 3)
	for _, size := range []float64{1, 2, 4} {
		add("press-drift", size)
	}
	add("press-drift", 3, withCorrelation)
	add("press-step", 1.5)
	add("press-step", 3, withMissing, withRepair)
	for _, size := range []float64{1.5, 2, 3} {
		add("plunger", size)
	}
	add("gob", 2)
	add("gob", 3, withMissing)
	for _, size := range []float64{1.5, 2, 4} {
		add("lehr-lane", size)
	}
	add("lehr-lane", 3, withRepair)
	for _, size := range []float64{2, 3} {
		add("mould-twist", size)
	}
	add("mould-twist", 4, withSkew)
	add("probe-stuck", 0)
	add("probe-stuck", 0, withRepair)
	for _, size := range []float64{2, 4} {
		add("probe-loose", size)
		add("probe-drift", size)
	}
	add("probe-step", 3)
	add("probe-drift", 3, withIncomplete)
	for _, size := range []float64{1, 2, 3} {
		add("gauge-drift", size)
	}
	add("gauge-step", 2)
	add("seating", 0)
	add("blister", 0)
	quiet := func(name string, with ...string) { out = append(out, scenario{name: "quiet, " + name, with: with}) }
	quiet("white")
	quiet("autocorrelated", withCorrelation)
	quiet("missing panels", withMissing)
	quiet("incomplete cycles", withIncomplete)
	quiet("skewed form error", withSkew)
	quiet("moulds far apart", withMoulds)
	quiet("mould change", withMouldChange)
	quiet("plunger change", withPlunger)
	quiet("restart after a stop", withStop)
	quiet("late panels", withLate)
	quiet("all of it", withCorrelation, withMissing, withSkew, withMoulds, withLate)
	return out
}
