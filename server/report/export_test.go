package report

import (
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
	if err := each(g.add); err != nil {
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
