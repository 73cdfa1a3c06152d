package setup

import (
	"bytes"
	"encoding/json"
	"fmt"
	"reflect"
	"slices"
	"sort"
	"time"

	"sagwatch/server/plant"
	"sagwatch/spc"
	"sagwatch/spc/monitor"
)

// Change is one object that a file would define anew or revise.
type Change struct {
	Kind, ID string
	Body     json.RawMessage
	Was      int      // the revision it replaces; 0 for a new object
	Fields   []string // keys that differ, for a revised object
}

// Retired tells whether the object is taken out of use.
func (c Change) Retired() bool {
	var r struct {
		Retired bool `json:"retired"`
	}
	return json.Unmarshal(c.Body, &r) == nil && r.Retired
}

// SiteBody is a site's definition as it is stored.
func SiteBody(s spc.Site) (json.RawMessage, error) { return json.Marshal(s) }

// String says the change in words.
func (c Change) String() string {
	switch {
	case c.Was == 0 && len(c.Fields) > 0:
		return fmt.Sprintf("%s %s changes in %s from what comes with Sagwatch", c.Kind, c.ID, join(c.Fields))
	case c.Was == 0:
		return fmt.Sprintf("%s %s is new", c.Kind, c.ID)
	}
	return fmt.Sprintf("%s %s changes in %s (revision %d becomes %d)", c.Kind, c.ID, join(c.Fields), c.Was, c.Was+1)
}

func join(words []string) string {
	switch len(words) {
	case 0:
		return "nothing"
	case 1:
		return words[0]
	}
	out := words[0]
	for _, w := range words[1 : len(words)-1] {
		out += ", " + w
	}
	return out + " and " + words[len(words)-1]
}

// Changes is ChangesAt after every revision that is defined.
func (p *Plant) Changes(site string, c *plant.Catalogue) ([]Change, error) {
	return p.ChangesAt(site, c, time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC))
}

// ChangesAt compares a checked plant with what is in force at a moment, that from which it is to hold. Objects that the
// file does not name are left alone.
func (p *Plant) ChangesAt(site string, c *plant.Catalogue, at time.Time) ([]Change, error) {
	var out []Change
	add := func(kind, id string, v any) error {
		body, err := json.Marshal(v)
		if err != nil {
			return err
		}
		was, found := c.InForce(kind, id, at)
		if !found {
			out = append(out, Change{Kind: kind, ID: id, Body: body})
			return nil
		}
		fields, err := differ(was.Body, body)
		if err != nil {
			return err
		}
		if len(fields) > 0 {
			newest, _ := c.Latest(kind, id)
			out = append(out, Change{Kind: kind, ID: id, Body: body, Was: newest.Number, Fields: fields})
		}
		return nil
	}
	if p.TimeZone != "" || p.Shifts != nil {
		s := c.Site(site)
		if p.TimeZone != "" {
			s.TimeZone = p.TimeZone
		}
		if p.Shifts != nil {
			s.Shifts = p.Shifts
		}
		if err := add(plant.KindSite, site, s); err != nil {
			return nil, err
		}
	}
	for _, v := range p.Products {
		if err := add(plant.KindProduct, v.ID, v); err != nil {
			return nil, err
		}
	}
	for _, v := range p.Presses {
		if err := add(plant.KindPress, v.ID, v); err != nil {
			return nil, err
		}
	}
	for _, v := range p.Gauges {
		if err := add(plant.KindGauge, v.ID, v); err != nil {
			return nil, err
		}
	}
	for _, v := range p.Charts {
		if err := add(plant.KindChart, v.ID, v); err != nil {
			return nil, err
		}
	}
	for _, v := range p.Causes {
		if err := add(plant.KindCause, v.ID, v); err != nil {
			return nil, err
		}
	}
	for _, v := range p.Actions {
		if err := add(plant.KindAction, v.ID, v); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// differ names the top-level keys whose values are not the same. Values are compared after parsing: the database keeps
// JSON by meaning, not by spelling.
func differ(a, b json.RawMessage) ([]string, error) {
	decode := func(raw json.RawMessage) (map[string]any, error) {
		d := json.NewDecoder(bytes.NewReader(raw))
		var m map[string]any
		return m, d.Decode(&m)
	}
	x, err := decode(a)
	if err != nil {
		return nil, err
	}
	y, err := decode(b)
	if err != nil {
		return nil, err
	}
	var out []string
	for k, v := range x {
		if w, ok := y[k]; !ok || !reflect.DeepEqual(v, w) {
			out = append(out, k)
		}
	}
	for k := range y {
		if _, ok := x[k]; !ok {
			out = append(out, k)
		}
	}
	sort.Strings(out)
	return out, nil
}

// Check looks at the file together with what is already defined: names must lead somewhere and castings stand on one
// station only. It returns Problems.
func (p *Plant) Check(c *plant.Catalogue) error {
	products := byID(c.Products(), p.Products, func(v spc.Product) string { return v.ID })
	presses := byID(c.Presses(), p.Presses, func(v spc.Press) string { return v.ID })
	gauges := byID(c.Gauges(), p.Gauges, func(v spc.Gauge) string { return v.ID })
	var problems Problems
	bad := func(kind, id, format string, a ...any) {
		problems = append(problems, Problem{Line: p.lines[kind+" "+id], Path: kind + " " + id, Text: fmt.Sprintf(format, a...)})
	}
	for _, g := range p.Gauges {
		for _, m := range g.Masters {
			if product, ok := products[m.Product]; !ok {
				bad("gauge", g.ID, "master %s is of product %q, which is not defined", m.Panel, m.Product)
			} else if product.Contour == nil && g.Kind != spc.Dimensions {
				bad("gauge", g.ID, "master %s is of product %s, which has no contour", m.Panel, m.Product)
			}
		}
	}
	p.checkCastings(presses, bad)
	p.checkCauses(c, bad)
	for _, ch := range p.Charts {
		if ch.Press == "" && ch.Gauge == "" {
			bad("chart", ch.ID, "name a press or a gauge")
		}
		if _, ok := presses[ch.Press]; ch.Press != "" && !ok {
			bad("chart", ch.ID, "press %q is not defined", ch.Press)
		}
		if _, ok := gauges[ch.Gauge]; ch.Gauge != "" && !ok {
			bad("chart", ch.ID, "gauge %q is not defined", ch.Gauge)
		}
		product, ok := products[ch.Product]
		if ch.Product != "" && !ok {
			bad("chart", ch.ID, "product %q is not defined", ch.Product)
		}
		if ch.Press != "" && ch.Product == "" {
			bad("chart", ch.ID, "a press's chart names its product")
		}
		_, computed := spc.ComputedByName(ch.Characteristic)
		computed = computed || ch.Kind.OfCounts() // whose characteristic is the name of a count
		own := slices.ContainsFunc(product.Characteristics, func(x spc.Characteristic) bool { return x.Name == ch.Characteristic })
		shape := ch.Kind == spc.TSquared || ch.Kind == spc.MEWMA // which the fold looks at itself
		if ch.Characteristic != "" && !shape && !computed && !own && (ch.Product == "" || ok) && ch.Kind.WorkedOut() {
			bad("chart", ch.ID, "characteristic %q is neither computed nor one of product %q", ch.Characteristic, ch.Product)
		}
		if press, ok := presses[ch.Press]; !ch.Retired && (ch.Characteristic != "" || shape) && (ch.Press == "" || ok) {
			if err := monitor.CheckChart(ch, press); err != nil {
				bad("chart", ch.ID, "%s", err.(*monitor.ChartError).Msg)
			}
		}
	}
	if len(problems) > 0 {
		return problems
	}
	return nil
}

// checkCastings: a casting is one piece of iron and stands on one station of the site.
func (p *Plant) checkCastings(presses map[string]spc.Press, bad func(kind, id, format string, a ...any)) {
	ids := make([]string, 0, len(presses))
	for id := range presses {
		ids = append(ids, id)
	}
	sort.Strings(ids)
	where := map[string]string{}
	for _, id := range ids {
		press := presses[id]
		if press.Retired {
			continue
		}
		for _, station := range press.Moulds {
			casting, ok := press.Fitted[station]
			if !ok {
				continue
			}
			here := fmt.Sprintf("press %s mould %s", id, station)
			if there, twice := where[casting]; twice {
				at := id
				if _, inFile := p.lines["press "+id]; !inFile && len(p.Presses) > 0 {
					at = p.Presses[0].ID
				}
				bad("press", at, "casting %s is fitted twice: on %s and on %s", casting, there, here)
			}
			where[casting] = here
		}
	}
}

func byID[T any](defined []*T, file []T, id func(T) string) map[string]T {
	out := map[string]T{}
	for _, v := range defined {
		out[id(*v)] = *v
	}
	for _, v := range file {
		out[id(v)] = v
	}
	return out
}
