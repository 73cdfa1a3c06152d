package ingest

import (
	"fmt"

	"sagwatch/spc"
	"sagwatch/spc/judge"
	"sagwatch/store"
)

// Places is what a stored measurement says of each place, worked out anew from its readings.
type Places struct {
	XY      [][2]float64           // mm, in the gauge's numbering
	Words   func(place int) string // where a place lies (0-based): "top left"
	Result  spc.Result             // DeviationsUM and ResidualsUM by place, NaN where left out
	Plan    *judge.Plan
	Gauge   *spc.Gauge // as they were when it was measured
	Product *spc.Product
}

// PlacesOf works the per-place figures of a stored measurement out again, by the definitions that were in force when it was
// measured. It is nil for a gauge without places.
func (s *Service) PlacesOf(row *store.Row) (*Places, error) {
	c := Checked{Measurement: row.Measurement}
	cat := s.cfg.Catalogue()
	c.GaugeDef, c.GaugeRev = cat.Gauge(row.Gauge, row.MeasuredAt)
	if c.GaugeDef == nil {
		return nil, fmt.Errorf("gauge %s is not defined", row.Gauge)
	}
	if c.GaugeDef.Kind == spc.Dimensions {
		return nil, nil
	}
	product := row.Product
	master, isMaster := c.GaugeDef.Master(row.Panel)
	if row.Purpose == spc.MasterCheck && isMaster {
		product = master.Product
	}
	c.ProductDef, c.ProductRev = cat.Product(product, row.MeasuredAt)
	if c.ProductDef == nil {
		return nil, fmt.Errorf("product %s is not defined", product)
	}
	c.Product = product
	plan, err := s.plan(&c)
	if err != nil {
		return nil, err
	}
	out := &Places{XY: plan.Places(), Words: plan.Words, Plan: plan, Gauge: c.GaugeDef, Product: c.ProductDef}
	work := s.works.Get().(*judge.Work)
	defer s.works.Put(work)
	if row.Purpose == spc.MasterCheck {
		plan.Master(work, &master, row.Readings, row.MeasuredAt, &out.Result)
	} else {
		plan.Judge(work, row.Readings, row.MeasuredAt, &out.Result)
	}
	return out, nil
}
