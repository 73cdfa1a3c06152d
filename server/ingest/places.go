package ingest

import (
	"encoding/json"
	"fmt"
	"math"
	"time"

	"sagwatch/server/plant"
	"sagwatch/spc"
	"sagwatch/spc/judge"
	"sagwatch/spc/surface"
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
	pair, plan, err := s.judgedBy(c, row)
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

// Rests works out, for stored curvature measurements, what is left of each reading after seating and shape terms: um, by place of
// the gauge, NaN where a place is missing or left out. Measurements that cannot be worked out have none.
func (s *Service) Rests(rows []*store.Row) [][]float64 {
	c := s.cfg.Catalogue()
	type key struct {
		gauge, product string
		gr, pr         int
	}
	plans := map[key]*judge.Plan{}
	work := s.works.Get().(*judge.Work)
	defer s.works.Put(work)
	out := make([][]float64, len(rows))
	var res spc.Result
	var shape surface.Shape
	for i, row := range rows {
		k := key{row.Gauge, row.Product, row.GaugeRev, row.ProductRev}
		plan, seen := plans[k]
		if !seen {
			_, plan, _ = s.judgedBy(c, row) // nil where there are no places
			plans[k] = plan
		}
		if plan == nil || plan.Basis() == nil {
			continue
		}
		plan.Judge(work, row.Readings, row.MeasuredAt, &res)
		var present []int
		var d []float64
		for place, v := range res.DeviationsUM {
			if !math.IsNaN(v) {
				present, d = append(present, place), append(d, v)
			}
		}
		if err := plan.Basis().Fit(&shape, present, d); err != nil {
			continue
		}
		rest := make([]float64, len(res.DeviationsUM))
		for place := range rest {
			rest[place] = math.NaN()
		}
		for n, place := range present {
			rest[place] = shape.Residual[n]
		}
		out[i] = rest
	}
	return out
}

// judgedBy finds the revisions that a stored curvature measurement was judged by, and their plan.
func (s *Service) judgedBy(c *plant.Catalogue, row *store.Row) (*Checked, *judge.Plan, error) {
	pair := &Checked{Measurement: row.Measurement, GaugeRev: row.GaugeRev, ProductRev: row.ProductRev}
	var err error
	if pair.GaugeDef, err = revision[spc.Gauge](c, plant.KindGauge, row.Gauge, row.GaugeRev); err != nil {
		return nil, nil, err
	}
	if pair.ProductDef, err = revision[spc.Product](c, plant.KindProduct, row.Product, row.ProductRev); err != nil {
		return nil, nil, err
	}
	if pair.GaugeDef.Kind == spc.Dimensions {
		return nil, nil, fmt.Errorf("gauge %s has no places", row.Gauge)
	}
	plan, err := s.plan(pair)
	return pair, plan, err
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
