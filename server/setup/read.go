// Package setup reads the plant's set-up file (YAML or JSON), says everything that is wrong with it at once with line
// numbers, finds what it would change, and writes a set-up file back from what is defined.
package setup

import (
	"regexp"
	"slices"
	"time"

	"sagwatch/spc"
)

// Plant is what one set-up file defines.
type Plant struct {
	SiteID   string // "" when the file does not name one
	TimeZone string
	Shifts   []string
	Products []spc.Product
	Presses  []spc.Press
	Gauges   []spc.Gauge
	Charts   []spc.Chart
	Causes   []spc.Cause
	Actions  []spc.Action
	// Notes are things done on reading that the person should know (a mirrored gauge, a chart kind not worked out yet).
	Notes []string
	lines map[string]int // kind and id -> line, for checks across objects
	root  node
}

// Read parses and checks a set-up file by itself; Check does the checks against what else is defined. An error of type
// Problems lists all faults with their lines.
func Read(data []byte) (*Plant, error) {
	root, err := parse(data)
	if err != nil {
		return nil, err
	}
	p := &Plant{lines: map[string]int{}, root: root}
	top := root.object("site", "time_zone", "shifts", "products", "presses", "gauges", "charts", "causes", "actions")
	if n, ok := top["site"]; ok {
		p.SiteID = n.id()
	}
	if n, ok := top["time_zone"]; ok {
		p.TimeZone = n.text()
		if _, err := time.LoadLocation(p.TimeZone); err != nil || p.TimeZone == "Local" {
			n.bad("time zone %q is not known; use a name such as Europe/Tallinn or UTC", p.TimeZone)
		}
	}
	if n, ok := top["shifts"]; ok {
		p.Shifts = readShifts(n)
	}
	if n, ok := top["products"]; ok {
		p.Products = readAll(p, n, "product", readProduct, func(v spc.Product) string { return v.ID })
	}
	if n, ok := top["presses"]; ok {
		p.Presses = readAll(p, n, "press", readPress, func(v spc.Press) string { return v.ID })
	}
	if n, ok := top["gauges"]; ok {
		p.Gauges = readAll(p, n, "gauge", readGauge, func(v spc.Gauge) string { return v.ID })
	}
	if n, ok := top["charts"]; ok {
		p.Charts = readAll(p, n, "chart", readChart, func(v spc.Chart) string { return v.ID })
	}
	if n, ok := top["causes"]; ok {
		p.Causes = readAll(p, n, "cause", readCause, func(v spc.Cause) string { return v.ID })
	}
	if n, ok := top["actions"]; ok {
		p.Actions = readAll(p, n, "action", readAction, func(v spc.Action) string { return v.ID })
	}
	p.Notes = root.f.notes
	if len(root.f.problems) > 0 {
		return nil, root.f.problems
	}
	return p, nil
}

// readAll reads a list of objects with unique ids; of charts an id given twice replaces, as the last one holds.
func readAll[T any](p *Plant, n node, kind string, read func(node) T, id func(T) string) []T {
	var out []T
	seen := map[string]int{}
	for _, item := range n.list() {
		v := read(item)
		key := id(v)
		if i, twice := seen[key]; twice && key != "" {
			if kind == "chart" {
				out[i] = v
				continue
			}
			item.bad("%s %q is defined twice in this file", kind, key)
			continue
		}
		seen[key] = len(out)
		p.lines[kind+" "+key] = line(item.n)
		out = append(out, v)
	}
	return out
}

var clock = regexp.MustCompile(`^([01]\d|2[0-3]):[0-5]\d$`)

func readShifts(n node) []string {
	var out []string
	for _, item := range n.list() {
		s := item.text()
		switch {
		case !clock.MatchString(s):
			item.bad("%q is not a time of day; write \"06:00\", in quotes", s)
		case slices.Contains(out, s):
			item.bad("shift %s stands twice", s)
		case len(out) > 0 && s < out[len(out)-1]:
			item.bad("shifts go by the clock: %s comes after %s", s, out[len(out)-1])
		}
		out = append(out, s)
	}
	if len(out) == 0 {
		n.bad("name at least one shift, or leave the key out")
	}
	return out
}

// required finds a key that must be there.
func (n node) required(fields map[string]node, key string) (node, bool) {
	v, ok := fields[key]
	if !ok || v.isNull() {
		n.bad("%s is missing", key)
		return node{}, false
	}
	return v, true
}

func ptr[T any](v T) *T { return &v }

// ReadGauge reads a file that defines one gauge and nothing else: its keys alone, or a set-up file with one gauge.
func ReadGauge(data []byte) (spc.Gauge, error) {
	root, err := parse(data)
	if err != nil {
		return spc.Gauge{}, err
	}
	if slices.Contains(root.keys(), "gauges") {
		p, err := Read(data)
		if err != nil {
			return spc.Gauge{}, err
		}
		if len(p.Gauges) != 1 {
			return spc.Gauge{}, Problems{{Line: 1, Path: "gauges", Text: "one gauge is wanted here"}}
		}
		return p.Gauges[0], nil
	}
	g := readGauge(root)
	if len(root.f.problems) > 0 {
		return spc.Gauge{}, root.f.problems
	}
	return g, nil
}
