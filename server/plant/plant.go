// Package plant holds a site's definitions in every revision and tells which was in force at a moment. It is what the
// set-up file writes, what intake judges by and what pages show; it neither reads files nor queries.
package plant

import (
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"sagwatch/spc"
)

// Kinds of definitions.
const (
	KindSite    = "site"
	KindProduct = "product"
	KindPress   = "press"
	KindGauge   = "gauge"
	KindChart   = "chart"
	KindCause   = "cause"
	KindAction  = "action"
)

// Revision is one object as it was defined from a moment on.
type Revision struct {
	Kind, ID      string
	Number        int
	EffectiveFrom time.Time
	Body          json.RawMessage
	Reason, By    string
	At            time.Time
}

// Catalogue is all revisions of one site. It is not changed after New: share it freely.
type Catalogue struct {
	Revisions []Revision
	sites     map[string][]dated[spc.Site]
	products  map[string][]dated[spc.Product]
	presses   map[string][]dated[spc.Press]
	gauges    map[string][]dated[spc.Gauge]
	charts    map[string][]dated[spc.Chart]
	causes    map[string][]dated[spc.Cause]
	actions   map[string][]dated[spc.Action]
}

type dated[T any] struct {
	from   time.Time
	number int
	v      *T
}

// New sorts revisions into a catalogue.
func New(revisions []Revision) (*Catalogue, error) {
	c := &Catalogue{Revisions: revisions, sites: map[string][]dated[spc.Site]{}, products: map[string][]dated[spc.Product]{},
		presses: map[string][]dated[spc.Press]{}, gauges: map[string][]dated[spc.Gauge]{}, charts: map[string][]dated[spc.Chart]{},
		causes: map[string][]dated[spc.Cause]{}, actions: map[string][]dated[spc.Action]{}}
	for _, r := range revisions {
		var err error
		switch r.Kind {
		case KindSite:
			err = add(c.sites, r)
		case KindProduct:
			err = add(c.products, r)
		case KindPress:
			err = add(c.presses, r)
		case KindGauge:
			err = add(c.gauges, r)
		case KindChart:
			err = add(c.charts, r)
		case KindCause:
			err = add(c.causes, r)
		case KindAction:
			err = add(c.actions, r)
		default:
			err = fmt.Errorf("unknown kind %q", r.Kind)
		}
		if err != nil {
			return nil, fmt.Errorf("definition %s %s revision %d: %w", r.Kind, r.ID, r.Number, err)
		}
	}
	return c, nil
}

func add[T any](m map[string][]dated[T], r Revision) error {
	v := new(T)
	if err := json.Unmarshal(r.Body, v); err != nil {
		return err
	}
	list := append(m[r.ID], dated[T]{r.EffectiveFrom, r.Number, v})
	// The order in force is by time; of two that begin together the later revision holds.
	slices.SortStableFunc(list, func(a, b dated[T]) int {
		if d := a.from.Compare(b.from); d != 0 {
			return d
		}
		return a.number - b.number
	})
	m[r.ID] = list
	return nil
}

// at finds the revision in force at t; before the first one the first holds, so that history may be brought in under a
// definition made today.
func at[T any](m map[string][]dated[T], id string, t time.Time) (*T, int) {
	list := m[id]
	if len(list) == 0 {
		return nil, 0
	}
	best := list[0]
	for _, d := range list[1:] {
		if !d.from.After(t) {
			best = d
		}
	}
	return best.v, best.number
}

// forever is later than any measurement.
var forever = time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC)

// Product in force at t, with its revision; nil when there is none.
func (c *Catalogue) Product(id string, t time.Time) (*spc.Product, int) { return at(c.products, id, t) }

// Press in force at t, with its revision; nil when there is none.
func (c *Catalogue) Press(id string, t time.Time) (*spc.Press, int) { return at(c.presses, id, t) }

// Gauge in force at t, with its revision; nil when there is none.
func (c *Catalogue) Gauge(id string, t time.Time) (*spc.Gauge, int) { return at(c.gauges, id, t) }

// Chart in force at t, with its revision; nil when there is none.
func (c *Catalogue) Chart(id string, t time.Time) (*spc.Chart, int) { return at(c.charts, id, t) }

// Site's latest settings; the defaults when nothing was set.
func (c *Catalogue) Site(id string) spc.Site {
	if s, _ := at(c.sites, id, forever); s != nil {
		return *s
	}
	return spc.Site{ID: id, TimeZone: "UTC", Shifts: []string{"06:00", "14:00", "22:00"}}
}

func latest[T any](m map[string][]dated[T]) []*T {
	ids := make([]string, 0, len(m))
	for id := range m {
		ids = append(ids, id)
	}
	slices.Sort(ids)
	out := make([]*T, len(ids))
	for i, id := range ids {
		out[i], _ = at(m, id, forever)
	}
	return out
}

// Products lists the latest revision of each product by id, retired ones included.
func (c *Catalogue) Products() []*spc.Product { return latest(c.products) }

// Presses lists the latest revision of each press by id.
func (c *Catalogue) Presses() []*spc.Press { return latest(c.presses) }

// Gauges lists the latest revision of each gauge by id.
func (c *Catalogue) Gauges() []*spc.Gauge { return latest(c.gauges) }

// Charts lists the latest revision of each hand-made chart by id; the standard set is not among them.
func (c *Catalogue) Charts() []*spc.Chart { return latest(c.charts) }

// InForce finds the revision of an object that holds at t; before the first one the first.
func (c *Catalogue) InForce(kind, id string, t time.Time) (Revision, bool) {
	var best Revision
	found := false
	later := func(a, b Revision) bool { // a begins after b
		d := a.EffectiveFrom.Compare(b.EffectiveFrom)
		return d > 0 || d == 0 && a.Number > b.Number
	}
	for _, r := range c.Revisions {
		switch {
		case r.Kind != kind || r.ID != id:
		case !found:
			best, found = r, true
		case r.EffectiveFrom.After(t):
			// Only where none holds yet.
			if best.EffectiveFrom.After(t) && later(best, r) {
				best = r
			}
		case best.EffectiveFrom.After(t) || later(r, best):
			best = r
		}
	}
	if !found {
		return builtIn(kind, id)
	}
	return best, true
}

// Latest finds the newest revision of an object.
func (c *Catalogue) Latest(kind, id string) (Revision, bool) {
	var best Revision
	found := false
	for _, r := range c.Revisions {
		if r.Kind == kind && r.ID == id && (!found || r.Number > best.Number) {
			best, found = r, true
		}
	}
	if !found {
		return builtIn(kind, id)
	}
	return best, true
}
