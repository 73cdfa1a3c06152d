package main

import (
	_ "embed"
	"fmt"
	"math"
	"time"

	"github.com/goccy/go-yaml"

	"sagwatch/spc"
	"sagwatch/spc/surface"
)

// plantFile is the invented plant's set-up file, as `sagwatch setup apply` takes it.
//
//go:embed plant.yaml
var plantFile []byte

// routes says which product each press makes, which gauge measures it, and whether the press's computer tells when it
// pressed a panel: a set-up file does not say it, because a plant changes it from day to day.
var routes = []struct {
	press, product, gauge string
	tells                 bool
}{{"A", "P25", "CG-1", true}, {"B", "Q21", "CG-2", false}}

// periphery is the gauge of outside dimensions that both presses share.
const periphery = "PG-1"

// origin is where the presses began to count their panels: serials, mould and cycle follow from the time alone, so a gauge
// that starts again goes on where it was.
var origin = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)

// line is one press with what it makes, its lehr and its contour gauge.
type line struct {
	press    string
	key      uint64 // of the press, for chance
	tells    bool   // its computer tells when it pressed a panel
	moulds   []string
	lanes    []string
	castings []string // by station
	takt     time.Duration
	lehr     time.Duration
	product  string
	surface  *surface.Surface
	radius   float64 // of the contour at its apex, mm
	corner   float64 // half-diagonal, mm
	width    float64 // nominal outside dimensions, mm
	height   float64
	gauge    *gauge
}

// plant is the part of the set-up file that the simulation needs.
type plant struct {
	lines []*line
	zone  *time.Location
}

// setupFile holds the keys of a set-up file that matter here.
type setupFile struct {
	TimeZone string `yaml:"time_zone"`
	Products []struct {
		ID      string
		Contour struct {
			Sphere     float64
			Polynomial []float64
		}
		Corner  [2]float64                      `yaml:"corner_mm"`
		Outline struct{ Width, Height float64 } `yaml:"outline_mm"`
	}
	Presses []struct {
		ID     string
		Takt   float64 `yaml:"takt_s"`
		Lehr   float64 `yaml:"lehr_minutes"`
		Moulds []string
		Lanes  []string
		Fitted map[string]string
	}
	Gauges []struct {
		ID, Kind, Unit string
		Places         [][2]float64
		Probe          float64 `yaml:"probe_u_um"`
		Resolution     float64
		Masters        []struct{ Panel string }
	}
}

func readPlant(data []byte) (*plant, error) {
	var f setupFile
	if err := yaml.Unmarshal(data, &f); err != nil {
		return nil, fmt.Errorf("the plant's set-up file: %w", err)
	}
	zone, err := time.LoadLocation(f.TimeZone)
	if err != nil {
		return nil, err
	}
	p := &plant{zone: zone}
	for _, r := range routes {
		l := &line{press: r.press, tells: r.tells, key: hashString(r.press), product: r.product}
		for _, press := range f.Presses {
			if press.ID != r.press {
				continue
			}
			l.moulds, l.lanes = press.Moulds, press.Lanes
			l.takt = time.Duration(press.Takt * float64(time.Second))
			l.lehr = time.Duration(press.Lehr * float64(time.Minute))
			for _, m := range press.Moulds {
				l.castings = append(l.castings, press.Fitted[m])
			}
		}
		for _, product := range f.Products {
			if product.ID != r.product {
				continue
			}
			c := spc.Contour{Kind: spc.ContourSphere, R: product.Contour.Sphere}
			l.radius = c.R
			if a := product.Contour.Polynomial; len(a) == 7 {
				c = spc.Contour{Kind: spc.ContourPolynomial, A: [7]float64(a)}
				l.radius = 1 / (a[0] + a[2]) // the mean of 2 a1 and 2 a3 is the mean curvature at the apex
			}
			if l.surface, err = surface.New(c); err != nil {
				return nil, err
			}
			l.corner = math.Hypot(product.Corner[0], product.Corner[1])
			l.width, l.height = product.Outline.Width, product.Outline.Height
		}
		for _, g := range f.Gauges {
			if g.ID != r.gauge {
				continue
			}
			if l.gauge, err = newGauge(g.ID, g.Kind, g.Unit, g.Places, g.Probe, g.Resolution, l); err != nil {
				return nil, err
			}
			for _, m := range g.Masters {
				l.gauge.master = m.Panel
			}
		}
		if l.surface == nil || l.gauge == nil || len(l.moulds) == 0 || l.takt <= 0 || len(l.lanes) == 0 {
			return nil, fmt.Errorf("the plant's set-up file lacks press %s, product %s or gauge %s", r.press, r.product, r.gauge)
		}
		p.lines = append(p.lines, l)
	}
	return p, nil
}
