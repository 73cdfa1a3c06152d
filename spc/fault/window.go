package fault

import (
	"math"
	"slices"
	"time"

	"sagwatch/spc"
)

// Panel is what a diagnosis needs of one measurement.
type Panel struct {
	Name           string
	At, MeasuredAt time.Time // line time, and that of the gauge
	Mould, Lane    string
	Gauge          string
	Cycle          int       // running number of its cycle in the window, never falling; -1: in none
	Values         []float64 // of the window's characteristics; NaN: absent
}

// Check is a master check of the gauge.
type Check struct {
	Master     string
	MeasuredAt time.Time
	Values     []float64 // of the window's characteristics, as far as a master has them; NaN: absent
}

// Window is the panels around a signal, in line order.
type Window struct {
	Press           string
	Moulds          []string // of the press, in table order
	Characteristics []string
	Panels          []Panel
	Checks          []Check // in order of measuring
	// Rests works out what is left of the readings of panels (by index) after the shape terms, in um by place, NaN where a
	// place is missing, one list a panel; nil: not known. Its error ends the diagnosis.
	Rests func(panels []int) ([][]float64, error)
}

// Question is the finding about which is asked.
type Question struct {
	Chart           spc.ChartKind
	Stream          string   // "mould:7", "lane:2", "press:A"
	Characteristics []string // that the chart is about: one, or all terms of a chart of several
	// Rather are characteristics with a sign that are looked at instead where the change shows about as clearly in them: of a
	// largest deviation neither size nor the master's part can be told.
	Rather []string
	At     time.Time // line time of its first panel
	Until  time.Time // line time of the last panel to look at; zero: all
}

// table is the panels of a window by cycle and mould.
type table struct {
	w      *Window
	moulds []string
	cycles int
	single bool    // the press has no cycles of several moulds: each panel stands for one
	panel  [][]int // [mould][cycle] index of the panel; -1: none
	first  []int   // first and last panel of each cycle
	last   []int
}

// newTable sorts the panels up to a time.
func newTable(w *Window, until time.Time) *table {
	t := &table{w: w, moulds: w.Moulds}
	n := len(w.Panels)
	if !until.IsZero() {
		n, _ = slices.BinarySearchFunc(w.Panels, until, func(p Panel, at time.Time) int {
			if p.At.After(at) {
				return 1
			}
			return -1
		})
	}
	t.single = len(w.Moulds) < 2
	if t.single {
		t.moulds = []string{""}
		if len(w.Moulds) == 1 {
			t.moulds = w.Moulds
		}
		t.panel = [][]int{make([]int, n)}
		for i := range n {
			t.panel[0][i] = i
			t.first, t.last = append(t.first, i), append(t.last, i)
		}
		t.cycles = n
		return t
	}
	place := map[string]int{}
	for j, m := range w.Moulds {
		place[m] = j
	}
	t.panel = make([][]int, len(w.Moulds))
	now := -1
	for i := range w.Panels[:n] {
		p := &w.Panels[i]
		j, ok := place[p.Mould]
		if p.Cycle < 0 || !ok {
			continue
		}
		if p.Cycle != now {
			now = p.Cycle
			t.cycles++
			t.first, t.last = append(t.first, i), append(t.last, i)
			for k := range t.panel {
				t.panel[k] = append(t.panel[k], -1)
			}
		}
		t.last[t.cycles-1] = i
		if t.panel[j][t.cycles-1] < 0 {
			t.panel[j][t.cycles-1] = i
		}
	}
	return t
}

// values is one characteristic by mould and cycle, NaN where there is none.
func (t *table) values(c string) [][]float64 {
	k := slices.Index(t.w.Characteristics, c)
	out := make([][]float64, len(t.moulds))
	for j := range out {
		out[j] = make([]float64, t.cycles)
		for i, p := range t.panel[j] {
			out[j][i] = math.NaN()
			if p >= 0 && k >= 0 {
				out[j][i] = t.w.Panels[p].Values[k]
			}
		}
	}
	return out
}

// cycleOf is the cycle of the first panel at or after a line time; the number of cycles when there is none.
func (t *table) cycleOf(at time.Time) int {
	i, _ := slices.BinarySearchFunc(t.last, at, func(p int, at time.Time) int {
		if t.w.Panels[p].At.Before(at) {
			return -1
		}
		return 1
	})
	return i
}

// lanes lists the lanes, when nearly all panels have one and there are several.
func (t *table) lanes() []string {
	var out []string
	with, all := 0, 0
	for j := range t.panel {
		for _, p := range t.panel[j] {
			if p < 0 {
				continue
			}
			all++
			if lane := t.w.Panels[p].Lane; lane != "" {
				with++
				if !slices.Contains(out, lane) {
					out = append(out, lane)
				}
			}
		}
	}
	slices.Sort(out)
	if len(out) < 2 || len(out) > 64 || float64(with) < 0.9*float64(all) {
		return nil
	}
	return out
}

// lane is the lane of the panel of a mould in a cycle.
func (t *table) lane(j, i int) string {
	if p := t.panel[j][i]; p >= 0 {
		return t.w.Panels[p].Lane
	}
	return ""
}
