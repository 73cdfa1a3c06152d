package report

import (
	"context"
	"time"

	"sagwatch/server/plant"
	"sagwatch/server/watch"
	"sagwatch/store"
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
