package judge

import (
	"fmt"
	"maps"
	"math"
	"slices"

	"sagwatch/spc"
	"sagwatch/spc/sphere"
	"sagwatch/spc/surface"
)

const (
	maxPlaces           = 256
	defaultK            = 2
	defaultSuspectRate  = 1e-4
	defaultSuspectShare = 0.1
	// maxSpan bounds coordinates in mm: beyond, a reading's unit is wrong.
	maxSpan = 1e6
)

// Plan is a gauge and a product worked out together: immutable, safe for concurrent use.
type Plan struct {
	// Mirrored is true when the gauge's directions all pointed away from the glass (uz > 0) and were taken with -uz.
	Mirrored bool
	// Dropped names seating freedoms that the contour cannot tell apart.
	Dropped []spc.Freedom
	// K is the coverage factor, SuspectRate the share of sound panels with a false suspect, and SuspectAmountUM the
	// amount that an outlier must exceed to be suspect: what the verdicts were made with.
	K, SuspectRate, SuspectAmountUM float64

	gauge   spc.Gauge
	product spc.Product
	unit    float64 // mm
	places  []place
	used    [][2]float64
	h       float64 // mm, half-diagonal to the corner; 0 without a product's contour
	corner  [2]float64
	side    float64 // +1 concave, -1 convex
	need    int

	contour *surface.Surface // nil: the fit alone
	align   *surface.Alignment
	basis   *surface.Basis
	bounds  []bound // of the suspect test, by the number of places left in it

	meter   sphere.Spherometer // local-radius gauges that read the sagitta
	weights []float64          // of local radii, per place

	sigma, placeU float64 // mm
	hasSigma      bool
	limits        []limit
	wantShapeU    bool
}

// place is one probe: a reading r mm lies at base + r dir, in the panel frame with the apex at the origin.
type place struct {
	base, dir [3]float64
	xy        [2]float64 // on the nominal contour
	row       int        // among the used places, -1 for an unused one
	quadrant  int        // 0 to 3, -1 for the centre
	words     string
}

// limit is one limit of the product on a computed characteristic.
type limit struct {
	c            spc.Computed
	lower, upper *float64
}

// Compile works out a gauge together with a product. A product without contour (the zero Product) gives the fit alone.
//
// Directions of a radial gauge with uz > 0 at every place are accepted as mirrored. Errors say which place or key is
// wrong and what would be right.
func Compile(g spc.Gauge, prod spc.Product) (*Plan, error) {
	p := &Plan{gauge: g, product: prod, unit: g.Unit.MM(), side: 1, K: prod.K, SuspectRate: prod.SuspectRate}
	if err := p.settings(); err != nil {
		return nil, err
	}
	if prod.Contour != nil {
		s, err := surface.New(*prod.Contour)
		if err != nil {
			return nil, fmt.Errorf("product %s: %w", prod.ID, err)
		}
		p.contour = s.OnSide(prod.Side)
	}
	if prod.Side == spc.Convex {
		p.side = -1
	}
	if err := p.lay(); err != nil {
		return nil, fmt.Errorf("gauge %s: %w", g.ID, err)
	}
	p.describe()
	if p.contour != nil {
		if err := p.shapes(); err != nil {
			return nil, fmt.Errorf("gauge %s with product %s: %w", g.ID, prod.ID, err)
		}
	}
	if g.Kind == spc.LocalRadius {
		if err := p.local(); err != nil {
			return nil, fmt.Errorf("gauge %s: %w", g.ID, err)
		}
	}
	return p, nil
}

// settings checks the numbers that verdicts hang on, and fills in the usual ones.
func (p *Plan) settings() error {
	g, prod := &p.gauge, &p.product
	switch g.Kind {
	case spc.Radial, spc.Axial, spc.Deviation, spc.LocalRadius:
	default:
		return fmt.Errorf("gauge %s: kind %q has no readings at places", g.ID, g.Kind)
	}
	if n := len(g.Places); n < 4 || n > maxPlaces {
		return fmt.Errorf("gauge %s: %d places; 4 to %d are needed", g.ID, n, maxPlaces)
	}
	notNegative := func(name string, v float64) error {
		if !(v >= 0 && v < maxSpan) {
			return fmt.Errorf("gauge %s: %s is %g; it must be 0 or more", g.ID, name, v)
		}
		return nil
	}
	if g.ProbeUUM != nil {
		if err := notNegative("probe_u_um", *g.ProbeUUM); err != nil {
			return err
		}
		p.sigma, p.hasSigma = *g.ProbeUUM*1e-3, true
	}
	for _, v := range []struct {
		name  string
		value float64
	}{{"place_u_um", g.PlaceUUM}, {"radius_u_mm", g.RadiusUMM}, {"resolution", g.Resolution}} {
		if err := notNegative(v.name, v.value); err != nil {
			return err
		}
	}
	p.placeU = g.PlaceUUM * 1e-3
	if g.Range != nil && !(g.Range[0] < g.Range[1]) {
		return fmt.Errorf("gauge %s: range %g to %g holds no reading; the lower end comes first", g.ID, g.Range[0], g.Range[1])
	}
	if p.K == 0 {
		p.K = defaultK
	}
	if !(p.K > 0 && p.K <= 100) {
		return fmt.Errorf("product %s: k is %g; it must lie above 0 and not above 100", prod.ID, p.K)
	}
	if p.SuspectRate == 0 {
		p.SuspectRate = defaultSuspectRate
	}
	if !(p.SuspectRate > 0 && p.SuspectRate < 1) {
		return fmt.Errorf("product %s: suspect_rate is %g; it must lie between 0 and 1", prod.ID, p.SuspectRate)
	}
	share := prod.SuspectShare
	if share == 0 {
		share = defaultSuspectShare
	}
	if !(share > 0 && share <= 1) {
		return fmt.Errorf("product %s: suspect_share is %g; it must lie between 0 and 1", prod.ID, share)
	}
	// Below a nanometre, or the reading's resolution, an amount is rounding.
	p.SuspectAmountUM = math.Max(1e-3, g.Resolution*p.unit*1e3)
	for _, name := range slices.Sorted(maps.Keys(prod.Limits)) {
		if _, ok := spc.ComputedByName(name); !ok {
			return fmt.Errorf("product %s: limits name %q, which is not a computed characteristic", prod.ID, name)
		}
	}
	for c := spc.RadiusMM; c <= spc.Bow4UM; c++ {
		l, ok := prod.Limits[c.String()]
		if !ok {
			continue
		}
		for _, v := range []*float64{l.Lower, l.Upper} {
			if v != nil && (math.IsNaN(*v) || math.IsInf(*v, 0)) {
				return fmt.Errorf("product %s: a limit of %s is not a finite number", prod.ID, c)
			}
		}
		if l.Lower != nil && l.Upper != nil && *l.Lower > *l.Upper {
			return fmt.Errorf("product %s: the limits of %s are the wrong way round: %g to %g", prod.ID, c, *l.Lower, *l.Upper)
		}
		if c == spc.MaxDeviationUM {
			if l.Lower != nil && *l.Lower > 0 {
				return fmt.Errorf("product %s: max_deviation_um has an upper limit only, not %g below", prod.ID, *l.Lower)
			}
			if l.Upper != nil {
				if *l.Upper < 0 {
					return fmt.Errorf("product %s: the limit of max_deviation_um is %g; it must not be negative", prod.ID, *l.Upper)
				}
				p.SuspectAmountUM = math.Max(p.SuspectAmountUM, share**l.Upper)
			}
		}
		if c >= spc.RadiusXMM {
			p.wantShapeU = true
		}
		p.limits = append(p.limits, limit{c: c, lower: l.Lower, upper: l.Upper})
	}
	p.need = max(prod.MinimumGoodPoints, 4)
	if g.Kind == spc.LocalRadius {
		p.need = max(prod.MinimumGoodPoints, 1)
	}
	return nil
}

// shapes prepares alignment, shape terms and the test for suspect places.
func (p *Plan) shapes() error {
	var err error
	if p.gauge.Kind == spc.LocalRadius {
		return nil
	}
	if p.align, err = surface.NewAlignment(p.contour, p.used, p.gauge.Seating); err != nil {
		return err
	}
	p.Dropped = p.align.Dropped()
	if p.basis, err = surface.NewBasis(p.used, p.h); err != nil {
		return err
	}
	p.bounds = bounds(p.SuspectRate, len(p.used), p.basis.Rank())
	return nil
}

// local prepares the combination of local radii: weights from the nominal contour, for one uncertainty of the reading
// at all places; weights from the readings themselves would favour the radii that err to one side.
func (p *Plan) local() error {
	g := &p.gauge
	if g.Sagitta {
		p.meter = sphere.Spherometer{LegRadius: g.LegRadiusMM, BallRadius: g.BallRadiusMM, Convex: p.side < 0}
		if _, err := p.meter.Radius(g.LegRadiusMM / 2); err != nil {
			return fmt.Errorf("leg_radius_mm and ball_radius_mm: %w", err)
		}
	}
	p.weights = make([]float64, len(g.Places))
	for i := range p.weights {
		p.weights[i] = 1
		if p.contour == nil {
			continue
		}
		c, ok := p.contour.Curvature(p.places[i].xy[0], p.places[i].xy[1])
		mean := p.side * (c.Max + c.Min) / 2
		if !ok || !(mean > 1e-9) {
			return fmt.Errorf("place %d: the nominal contour has no radius there", i+1)
		}
		slope, err := p.curvatureSlope(1 / mean)
		if err != nil {
			return fmt.Errorf("place %d: %w", i+1, err)
		}
		p.weights[i] = 1 / (slope * slope)
	}
	return nil
}

// curvatureSlope is |d(1/R)/d reading| at radius r, in 1/mm^2.
func (p *Plan) curvatureSlope(r float64) (float64, error) {
	u := 1.0
	if p.gauge.Sagitta {
		h, err := p.meter.Sagitta(r)
		if err != nil {
			return 0, err
		}
		if u, err = p.meter.RadiusU(h, 1, 0, 0); err != nil {
			return 0, err
		}
	}
	return u / (r * r), nil
}

// Places is the x and y in mm of each place on the nominal contour (a radial gauge without product: on the unit
// sphere, or that of its apex distance), in the gauge's numbering.
func (p *Plan) Places() [][2]float64 {
	out := make([][2]float64, len(p.places))
	for i := range p.places {
		out[i] = p.places[i].xy
	}
	return out
}

// Words says where a place lies (0-based): "top left", "middle right", "bottom middle".
func (p *Plan) Words(place int) string { return p.places[place].words }

// Basis is the fixed basis of shape terms over the used places; nil without contour and for local-radius gauges.
func (p *Plan) Basis() *surface.Basis { return p.basis }
