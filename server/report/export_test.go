package report

import (
	"math"
	"time"

	"sagwatch/server/plant"
	"sagwatch/store"
)

// GatherFrom gathers a capability report from observations that come from elsewhere than a database.
func GatherFrom(c *plant.Catalogue, site string, q CapabilityQuery, from, to time.Time, each func(add func(*store.Obs) error) error) (*CapabilityInputs, error) {
	g, err := newCapabilityGather(c, site, q, from, to)
	if err != nil {
		return nil, err
	}
	v := store.Value{X: make([]float64, len(g.panels.of))}
	err = each(func(o *store.Obs) error {
		v.Gauge, v.Product, v.Mould, v.Panel, v.LineAt, v.Cycle, v.Excluded = o.Key.Gauge, o.Product, o.Mould, o.Key.Panel, o.Key.LineAt, o.Cycle, o.Excluded
		for _, s := range g.panels.of {
			x, ok := o.Characteristics[s.Name]
			if s.computed {
				x, ok = o.Values.Get(s.value)
			}
			if !ok {
				x = math.NaN()
			}
			v.X[s.at] = x
		}
		return g.panels.add(&v)
	})
	if err != nil {
		return nil, err
	}
	if err := g.end(); err != nil {
		return nil, err
	}
	g.in.IssuedBy, g.in.IssuedAt, g.in.Version = "test", to, "test"
	g.in.Query = []byte(`{}`)
	return g.in, nil
}

// DefinitionDuring names the revisions of an object that were in force in a period.
func DefinitionDuring(c *plant.Catalogue, kind, id string, from, to time.Time) string {
	return revisionWords(kind, id, revisionsDuring(c, kind, id, from, to), time.UTC)
}
