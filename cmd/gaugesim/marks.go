package main

import (
	"math"
	"slices"
	"strconv"
	"strings"
)

// finding is a signal in the terms of the score: the service's, or one of the plain chart.
type finding struct {
	ID, Chart string
	At        int // panel, of all the press's, at which it was opened
	Streams   []string
	Kind      string
	Extent    string
	Change    string
	Began     int // panel; -1: not said
	List      []int
	listed    map[int]bool // the list as a set
	Later     []int        // panels of its evidence
	Ended     bool
	EndedAt   int
	unlisted  int // panels on its list that never were
	withdrawn bool
}

// verity is what is really wrong in a trial.
type verity struct {
	Streams  []string
	Glass    bool
	Extent   string
	Single   bool
	Onset    int // panel
	End      int // panel after the last that the fault touches
	Moulds   int
	Press    string
	Gauge    string
	Affected []int // panels that came to the gauge
	Stations []string
	Hours    float64 // of the whole trial, by the press's clock
	Told     float64 // share of single panels at fault whose answer says so
	Quiet    bool
}

// truth of a trial.
func (t *trial) truth() verity {
	l := t.line
	m := len(l.moulds)
	v := verity{Onset: t.onset, End: t.end, Moulds: m, Press: l.press, Gauge: l.gauge.id, Stations: l.moulds, Quiet: t.quiet(),
		Hours: t.pressed(t.cycles*m).Sub(t.begin).Hours() - t.pause.Hours()}
	if t.quiet() {
		return v
	}
	c := causeNamed(t.cause)
	v.Glass, v.Extent, v.Single = c.glass, c.extent, c.change == "single"
	switch c.extent {
	case "one-stream", "several-streams":
		for _, i := range t.moulds {
			v.Streams = append(v.Streams, "mould:"+l.moulds[i])
		}
	case "one-lane":
		v.Streams = []string{"lane:" + l.lanes[t.lane]}
	case "all-streams":
		v.Streams = []string{"press:" + l.press}
	case "one-probe":
		v.Streams = []string{"probe:" + strconv.Itoa(t.place+1)}
	case "whole-gauge":
		v.Streams = []string{"gauge:" + l.gauge.id}
	}
	for n := range t.cycles * m {
		if !t.missing[n] && t.affected(n) {
			v.Affected = append(v.Affected, n)
		}
	}
	return v
}

// settling is how many cycles after the end of a fault a signal may still come of it: averages return slowly.
const settling = 30

// mark is the score of one trial.
type mark struct {
	Scenario string  `json:"scenario"`
	Seed     uint64  `json:"seed"`
	Cause    string  `json:"cause,omitempty"`
	Size     float64 `json:"size_sigma,omitempty"`
	Quiet    bool    `json:"quiet,omitempty"`
	Single   bool    `json:"single,omitempty"`

	Found      bool     `json:"found"`
	Delay      float64  `json:"delay_cycles"`      // of a found one
	Kind       bool     `json:"kind_right"`        // glass or gauge
	Extent     bool     `json:"extent_right"`      // one mould, some, a lane, all, a probe, the gauge
	Stream     bool     `json:"stream_right"`      // named, and no other
	Start      *float64 `json:"start_cycles"`      // said start less the true one; null: none said
	StartPanel *int     `json:"start_panels"`      // the same in panels of the press
	Recall     float64  `json:"recall"`            // of the truly affected, share on the list
	Precision  float64  `json:"precision"`         // of the list, share truly affected
	Told       float64  `json:"told"`              // of single panels at fault, share whose answer says so
	False      int      `json:"false_signals"`     // no fault accounts for them
	FalseEarly int      `json:"false_in_baseline"` // of them, those in the panels from which the limits come
	Further    int      `json:"further_signals"`   // of the same fault, beyond its first
	Signals    int      `json:"signals_of_fault"`
	Withdrawn  int      `json:"withdrawn"`
	// FalseBy counts the false signals by the chart that opened them, press, product and gauge left off.
	FalseBy map[string]int `json:"false_by_chart,omitempty"`
	Hours   float64        `json:"hours"`

	Answer *answered `json:"answer,omitempty"`
	Truth  *asked    `json:"truth,omitempty"`
}

// answered and asked are what was said and what was so, for whoever looks into a line.
type answered struct {
	Signal  string   `json:"signal"`
	Streams []string `json:"streams"`
	Kind    string   `json:"kind"`
	Extent  string   `json:"extent"`
	Change  string   `json:"change"`
	At      int      `json:"at_panel"`
	Began   int      `json:"began_panel"`
	Listed  int      `json:"listed"`
}

type asked struct {
	Press    string   `json:"press"`
	Streams  []string `json:"streams"`
	Kind     string   `json:"kind"`
	Extent   string   `json:"extent"`
	Onset    int      `json:"onset_panel"`
	End      int      `json:"end_panel"`
	Moulds   int      `json:"moulds"`
	Affected int      `json:"affected"`
}

// score marks what was found against what was so.
func (v *verity) score(found []finding) mark {
	m := mark{Quiet: v.Quiet, Single: v.Single, Hours: v.Hours, Told: v.Told}
	found = slices.DeleteFunc(slices.Clone(found), func(f finding) bool {
		if f.withdrawn {
			m.Withdrawn++
		}
		return f.withdrawn
	})
	slices.SortStableFunc(found, func(a, b finding) int { return a.At - b.At })
	var first *finding
	firstAt := 0
	for i := range found {
		f := &found[i]
		of := v.accounts(f)
		if of {
			m.Signals++
		} else {
			m.False++
			if f.Chart != "" {
				if m.FalseBy == nil {
					m.FalseBy = map[string]int{}
				}
				m.FalseBy[f.Chart]++
			}
		}
		if at, ok := v.sees(f, of); ok && (first == nil || at < firstAt) {
			first, firstAt = f, at
		}
	}
	m.Further = max(0, m.Signals-1)
	if v.Quiet {
		return m
	}
	kind := "gauge"
	if v.Glass {
		kind = "glass"
	}
	m.Truth = &asked{v.Press, v.Streams, kind, v.Extent, v.Onset, v.End, v.Moulds, len(v.Affected)}
	if v.Single {
		m.Found = v.Told == 1
		return m
	}
	if first == nil {
		return m
	}
	m.Delay = float64(firstAt/v.Moulds - v.Onset/v.Moulds)
	if m.Delay > horizon {
		m.Delay = 0
		return m
	}
	m.Found = true
	m.Kind, m.Extent, m.Stream = first.Kind == kind, first.Extent == v.Extent, v.names(first.Streams)
	if first.Began >= 0 {
		panels := first.Began - v.Onset
		cycles := float64(first.Began/v.Moulds - v.Onset/v.Moulds)
		m.Start, m.StartPanel = &cycles, &panels
	}
	hits := 0
	for _, n := range v.Affected {
		if first.on(n) {
			hits++
		}
	}
	if len(v.Affected) > 0 {
		m.Recall = float64(hits) / float64(len(v.Affected))
	}
	if all := len(first.listed) + first.unlisted; all > 0 {
		m.Precision = float64(hits) / float64(all)
	}
	m.Answer = &answered{first.ID, first.Streams, first.Kind, first.Extent, first.Change, first.At, first.Began, len(first.List)}
	return m
}

func (f *finding) on(n int) bool {
	if f.listed == nil {
		f.listed = map[int]bool{}
		for _, x := range f.List {
			f.listed[x] = true
		}
	}
	return f.listed[n]
}

// during tells whether a panel lies between the onset's cycle and the fault's end, and as long after as averages take.
func (v *verity) during(n int) bool {
	return n/v.Moulds >= v.Onset/v.Moulds && n < v.End+settling*v.Moulds
}

// accounts tells whether the fault explains a signal: it was opened while the fault lasted, on something that the fault
// touches. The press as a whole is touched by every fault; a mould that is sound only by faults of all, of a lane or of the
// gauge.
func (v *verity) accounts(f *finding) bool {
	if v.Quiet || !v.during(f.At) {
		return false
	}
	if v.Single {
		if !v.Glass && f.Kind != "gauge" {
			return false // sound glass was blamed
		}
		return slices.ContainsFunc(v.Affected, func(n int) bool { return n/v.Moulds == f.At/v.Moulds })
	}
	if v.Extent != "one-stream" && v.Extent != "several-streams" {
		return true
	}
	return slices.ContainsFunc(f.Streams, func(s string) bool {
		return slices.Contains(v.Streams, s) || !strings.HasPrefix(s, "mould:")
	})
}

// sees tells whether a signal is on the right streams, and the panel at which it saw the fault: the one that opened it, or
// that of later evidence when a signal stood already.
func (v *verity) sees(f *finding, accounted bool) (int, bool) {
	if v.Quiet || v.Single || !v.concerns(f.Streams) {
		return 0, false
	}
	if accounted {
		return max(f.At, v.Onset), true
	}
	if f.At >= v.Onset || f.Ended && f.EndedAt < v.Onset {
		return 0, false
	}
	seen := -1
	for _, n := range f.Later {
		if n >= v.Onset && v.during(n) && (seen < 0 || n < seen) {
			seen = n
		}
	}
	return seen, seen >= 0
}

// concerns tells whether a signal's streams hold those of the fault: a mould or lane at fault must be named; a fault of all
// moulds or of the gauge is on the right streams when the press, half its moulds, the gauge or the probe is named.
func (v *verity) concerns(streams []string) bool {
	switch v.Extent {
	case "one-stream", "several-streams", "one-lane":
		return slices.ContainsFunc(streams, func(s string) bool { return slices.Contains(v.Streams, s) })
	}
	moulds := 0
	for _, s := range streams {
		switch {
		case s == "press:"+v.Press, s == "gauge:"+v.Gauge, slices.Contains(v.Streams, s):
			return true
		case strings.HasPrefix(s, "mould:"):
			moulds++
		}
	}
	return 2*moulds >= v.Moulds
}

// names tells whether exactly the right streams are named. All moulds are as good as their press; a probe's gauge may stand
// beside it.
func (v *verity) names(streams []string) bool {
	named := slices.Clone(streams)
	if v.Extent == "one-probe" {
		named = slices.DeleteFunc(named, func(s string) bool { return s == "gauge:"+v.Gauge })
	}
	slices.Sort(named)
	named = slices.Compact(named)
	want := slices.Sorted(slices.Values(v.Streams))
	if slices.Equal(named, want) {
		return true
	}
	if v.Extent != "all-streams" {
		return false
	}
	var all []string
	for _, s := range v.Stations {
		all = append(all, "mould:"+s)
	}
	slices.Sort(all)
	return slices.Equal(named, all)
}

// shifts of eight hours.
func shifts(hours float64) float64 { return hours / 8 }

// plainChart is the baseline: one individuals chart of the radius of all panels of the press in their order, limits three
// sigma either side of the mean, sigma the mean moving range over 1.128 (ISO 7870-2) of the panels of the cycles that give the
// service its limits too, one rule: a panel beyond. A signal is a panel beyond after one within. The chart does not say glass or
// gauge, has no change point, means the whole press, and puts at risk what comes from the signal's panel on.
func plainChart(radius map[int]float64, baseline, panels, moulds int, press string) []finding {
	var order []int
	for n := range panels {
		if v, ok := radius[n]; ok && !math.IsNaN(v) {
			order = append(order, n)
		}
	}
	var sum, ranges float64
	count := 0
	for i, n := range order {
		if n >= baseline {
			break
		}
		sum += radius[n]
		if i > 0 {
			ranges += math.Abs(radius[n] - radius[order[i-1]])
		}
		count++
	}
	if count < 2 {
		return nil
	}
	mean, sigma := sum/float64(count), ranges/float64(count-1)/1.128
	var out []finding
	beyond := false
	for i, n := range order {
		was := beyond
		if beyond = math.Abs(radius[n]-mean) > 3*sigma; beyond && !was {
			out = append(out, finding{At: n, Streams: []string{"press:" + press, "mould:" + strconv.Itoa(n%moulds+1)}, Kind: "undetermined", Extent: "all-streams",
				Began: n, List: order[i:]})
		}
	}
	return out
}

// scorePlain marks the plain chart: one of its signals is of the fault when its panel is truly affected, for then whoever looks at
// that panel looks at the right mould, lane or gauge.
func (v *verity) scorePlain(found []finding) mark {
	affected := map[int]bool{}
	for _, n := range v.Affected {
		affected[n] = true
	}
	var of, not []finding
	for _, f := range found {
		if affected[f.At] {
			f.Streams = append(slices.Clone(v.Streams), f.Streams...)
			of = append(of, f)
		} else {
			not = append(not, f)
		}
	}
	m := v.score(of)
	m.False += len(not)
	m.Stream = m.Found && v.Extent == "all-streams"
	m.Told = 0
	if v.Single {
		seen := map[int]bool{}
		for _, f := range of {
			seen[f.At] = true
		}
		m.Told = float64(len(seen)) / float64(max(1, len(v.Affected)))
		m.Found = m.Told == 1
	}
	return m
}
