package report

import (
	"context"
	"encoding/json"
	"slices"
	"strconv"
	"time"

	"sagwatch/server/plant"
	"sagwatch/server/watch"
	"sagwatch/spc"
	"sagwatch/store"
	"sagwatch/web/ui"
)

// Source is where reports gather what they are made from.
type Source struct {
	Store     *store.Store
	Site      string
	Catalogue *plant.Catalogue
	Version   string // of the software
	// Series works out the points of a stream of a chart, and Lags says how far the charts have come: those of watch.Watcher.
	Series func(ctx context.Context, press, gauge, chart, stream string, from, to time.Time) (watch.Series, error)
	Lags   func() []watch.Lag
}

// masters are the serials of all masters that a gauge has had; checks of any other are refused.
func (s *Source) masters(gauge string) []string {
	out := []string{}
	for _, r := range s.Catalogue.Revisions {
		if r.Kind != plant.KindGauge || r.ID != gauge {
			continue
		}
		var g spc.Gauge
		if json.Unmarshal(r.Body, &g) != nil {
			continue // the catalogue would not have been made of it
		}
		for _, m := range g.Masters {
			if !slices.Contains(out, m.Panel) {
				out = append(out, m.Panel)
			}
		}
	}
	return out
}

// revisionsDuring are the revisions of an object that held at some moment of a period, in order: the one in force at its start, and those
// that came into force within it. A revision that another one of the same moment replaced never held.
func revisionsDuring(c *plant.Catalogue, kind, id string, from, to time.Time) (out []plant.Revision) {
	add := func(at time.Time) {
		r, ok := c.InForce(kind, id, at)
		if ok && !slices.ContainsFunc(out, func(o plant.Revision) bool { return o.Number == r.Number }) {
			out = append(out, r)
		}
	}
	add(from)
	for _, r := range c.Revisions {
		if r.Kind == kind && r.ID == id && r.EffectiveFrom.After(from) && r.EffectiveFrom.Before(to) {
			add(r.EffectiveFrom)
		}
	}
	slices.SortStableFunc(out, func(a, b plant.Revision) int { return a.EffectiveFrom.Compare(b.EffectiveFrom) })
	return out
}

// revisionWords name revisions: "product P25 revision 3", "product P25 revisions 3 and 4 (from 2026-03-05 09:00)".
func revisionWords(kind, id string, list []plant.Revision, zone *time.Location) string {
	if len(list) == 0 {
		return ""
	}
	words := make([]string, len(list))
	for i, r := range list {
		words[i] = strconv.Itoa(r.Number)
		if i > 0 {
			words[i] += " (from " + ui.ForField(r.EffectiveFrom.In(zone)) + ")"
		}
	}
	if len(words) == 1 {
		return kind + " " + id + " revision " + words[0]
	}
	return kind + " " + id + " revisions " + listed(words)
}

// zone is the plant's time zone by name and as a location.
func (s *Source) zone() (string, *time.Location) {
	name := s.Catalogue.Site(s.Site).TimeZone
	if name == "" {
		name = "UTC"
	}
	if zone, err := time.LoadLocation(name); err == nil {
		return name, zone
	}
	return "UTC", time.UTC
}
