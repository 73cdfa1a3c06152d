package ingest

import (
	"encoding/json"
	"fmt"
	"time"

	"sagwatch/server/plant"
	"sagwatch/spc"
	"sagwatch/spc/judge"
	"sagwatch/store"
)

// Plan is the gauge and the product, as they are defined at a moment, worked out together: where the places lie.
func (s *Service) Plan(gauge, product string, at time.Time) (*judge.Plan, error) {
	c := s.cfg.Catalogue()
	pair := &Checked{Measurement: spc.Measurement{Gauge: gauge, Product: product}}
	pair.GaugeDef, pair.GaugeRev = c.Gauge(gauge, at)
	pair.ProductDef, pair.ProductRev = c.Product(product, at)
	if pair.GaugeDef == nil || pair.ProductDef == nil {
		return nil, fmt.Errorf("gauge %q or product %q is not defined", gauge, product)
	}
	return s.plan(pair)
}

// PlacesOf works a stored curvature measurement out anew, by the revisions that it was judged by, to give what a row does not
// keep: the deviation and the residual at each place. Those of a master check are its errors against the certificate.
func (s *Service) PlacesOf(row *store.Row) (spc.Result, *judge.Plan, error) {
	var res spc.Result
	c := s.cfg.Catalogue()
	pair := &Checked{Measurement: row.Measurement, GaugeRev: row.GaugeRev, ProductRev: row.ProductRev}
	var err error
	if pair.GaugeDef, err = revision[spc.Gauge](c, plant.KindGauge, row.Gauge, row.GaugeRev); err != nil {
		return res, nil, err
	}
	if pair.ProductDef, err = revision[spc.Product](c, plant.KindProduct, row.Product, row.ProductRev); err != nil {
		return res, nil, err
	}
	if pair.GaugeDef.Kind == spc.Dimensions {
		return res, nil, fmt.Errorf("gauge %s has no places", row.Gauge)
	}
	plan, err := s.plan(pair)
	if err != nil {
		return res, nil, err
	}
	work := s.works.Get().(*judge.Work)
	defer s.works.Put(work)
	if row.Purpose == spc.MasterCheck {
		master, _ := pair.GaugeDef.Master(row.Panel)
		plan.Master(work, &master, row.Readings, row.MeasuredAt, &res)
	} else {
		plan.Judge(work, row.Readings, row.MeasuredAt, &res)
	}
	return res, plan, nil
}

// revision finds one revision of an object by its number.
func revision[T any](c *plant.Catalogue, kind, id string, number int) (*T, error) {
	for _, r := range c.Revisions {
		if r.Kind == kind && r.ID == id && r.Number == number {
			v := new(T)
			return v, json.Unmarshal(r.Body, v)
		}
	}
	return nil, fmt.Errorf("revision %d of %s %q is not among the definitions", number, kind, id)
}
