package setup

import (
	"math"
	"slices"
	"time"

	"sagwatch/spc"
)

func readGauge(n node) spc.Gauge {
	f := n.object("id", "kind", "unit", "places", "values", "probe_u_um", "place_u_um", "radius_u_mm", "range", "resolution",
		"seating", "apex_distance_mm", "reading_sign", "direction", "master_contour", "reading", "leg_radius_mm",
		"ball_radius_mm", "masters", "master_every_h", "faulty", "retired")
	g := spc.Gauge{Unit: spc.Millimetre, ReadingSign: 1, Seating: []spc.Freedom{spc.ShiftZ, spc.TiltX, spc.TiltY}}
	if v, ok := n.required(f, "id"); ok {
		g.ID = v.id()
	}
	if v, ok := n.required(f, "kind"); ok {
		g.Kind = oneOf(v, spc.Radial, spc.Axial, spc.Deviation, spc.LocalRadius, spc.Dimensions)
	}
	if v, ok := f["unit"]; ok {
		g.Unit = oneOf(v, spc.Millimetre, spc.Micrometre, spc.Inch)
	}
	if v, ok := f["apex_distance_mm"]; ok {
		g.ApexDistanceMM = v.positive()
	}
	if g.Kind == spc.Dimensions {
		if v, ok := f["places"]; ok {
			v.bad("a dimensions gauge has no places")
		}
		if v, ok := f["values"]; ok {
			g.Values = v.whole(2, 256)
		}
	} else if g.Kind != "" {
		if v, ok := f["values"]; ok {
			v.bad("only a dimensions gauge has values; this one has places")
		}
		if v, ok := n.required(f, "places"); ok {
			g.Places = readPlaces(v, g.Kind)
		}
	}
	for key, to := range map[string]*float64{"place_u_um": &g.PlaceUUM, "radius_u_mm": &g.RadiusUMM,
		"resolution": &g.Resolution, "ball_radius_mm": &g.BallRadiusMM} {
		if v, ok := f[key]; ok {
			*to = v.notNegative()
		}
	}
	if v, ok := f["probe_u_um"]; ok && !v.isNull() {
		g.ProbeUUM = ptr(v.notNegative())
	}
	if v, ok := f["range"]; ok && !v.isNull() {
		if r := v.numbers(2); len(r) == 2 {
			g.Range = &[2]float64{r[0], r[1]}
			if r[0] >= r[1] {
				v.bad("the range's lower end %g is not below its upper end %g", r[0], r[1])
			}
		}
	}
	if v, ok := f["seating"]; ok {
		g.Seating = []spc.Freedom{}
		for _, item := range v.list() {
			d := oneOf(item, spc.ShiftX, spc.ShiftY, spc.ShiftZ, spc.TiltX, spc.TiltY)
			if slices.Contains(g.Seating, d) {
				item.bad("freedom %s stands twice", d)
			}
			g.Seating = append(g.Seating, d)
		}
	}
	readReadingKeys(n, f, &g)
	if v, ok := f["masters"]; ok {
		for _, item := range v.list() {
			m := readMaster(item, len(g.Places))
			if _, twice := g.Master(m.Panel); twice {
				item.bad("master %q stands twice", m.Panel)
			}
			g.Masters = append(g.Masters, m)
		}
	}
	if v, ok := f["master_every_h"]; ok {
		g.MasterEveryH = v.positive()
	}
	if v, ok := f["faulty"]; ok {
		for _, item := range v.list() {
			o := item.object("place", "from")
			var p spc.FaultyProbe
			if w, ok := item.required(o, "place"); ok {
				p.Place = w.whole(1, max(1, len(g.Places)))
			}
			if w, ok := item.required(o, "from"); ok {
				p.From = w.time()
			}
			g.Faulty = append(g.Faulty, p)
		}
	}
	if v, ok := f["retired"]; ok {
		g.Retired = v.boolean()
	}
	return g
}

// readReadingKeys takes the keys that only some kinds have.
func readReadingKeys(n node, f map[string]node, g *spc.Gauge) {
	only := func(key string, kind spc.GaugeKind) (node, bool) {
		v, ok := f[key]
		if ok && g.Kind != kind {
			v.bad("only a %s gauge has %s", kind, key)
			return v, false
		}
		return v, ok
	}
	if v, ok := only("reading_sign", spc.Deviation); ok {
		s := v.number()
		if s != 1 && s != -1 {
			v.bad("must be 1 (above) or -1 (below)")
		}
		g.ReadingSign = int(s)
	}
	if v, ok := only("direction", spc.Deviation); ok {
		g.DirectionNormal = oneOf(v, "z", "normal") == "normal"
	}
	if v, ok := only("master_contour", spc.Deviation); ok {
		g.MasterContour = readContour(v)
	}
	if v, ok := only("reading", spc.LocalRadius); ok {
		g.Sagitta = oneOf(v, "radius", "sagitta") == "sagitta"
	}
	if v, ok := only("leg_radius_mm", spc.LocalRadius); ok {
		g.LegRadiusMM = v.positive()
	}
	if g.Sagitta && g.LegRadiusMM == 0 {
		n.bad("leg_radius_mm is missing: a sagitta needs the radius of the circle on which the feet stand")
	}
}

func readPlaces(n node, kind spc.GaugeKind) []spc.Place {
	items := n.list()
	if len(items) < 4 || len(items) > 256 {
		n.bad("a gauge has 4 to 256 places, this one has %d", len(items))
	}
	places := make([]spc.Place, len(items))
	directions, up := 0, 0
	for i, item := range items {
		p := &places[i]
		at := item
		if _, isMap := mapping(item); isMap {
			o := item.object("at", "used")
			if v, ok := o["used"]; ok {
				p.Unused = !v.boolean()
			}
			var ok bool
			if at, ok = item.required(o, "at"); !ok {
				continue
			}
		}
		c := at.numbers(0)
		switch {
		case len(c) == 2:
			p.X, p.Y = c[0], c[1]
		case len(c) == 3 && kind == spc.Radial:
			norm := math.Sqrt(c[0]*c[0] + c[1]*c[1] + c[2]*c[2])
			if norm == 0 || c[2] == 0 {
				at.bad("direction %v does not point to the glass", c)
				continue
			}
			if math.Abs(norm-1) > 0.01 {
				at.bad("direction %v has length %.4f; a direction has length 1 (or give [x, y] in mm)", c, norm)
				continue
			}
			p.X, p.Y, p.Z = c[0]/norm, c[1]/norm, c[2]/norm
			directions++
			if p.Z > 0 {
				up++
			}
		case kind == spc.Radial:
			at.bad("a place is a direction [ux, uy, uz] or [x, y] in mm, this has %d numbers", len(c))
		default:
			at.bad("a place of a %s gauge is [x, y] in mm, this has %d numbers", kind, len(c))
		}
	}
	for i := range places {
		for j := range i {
			a, b := places[i], places[j]
			if a.X == b.X && a.Y == b.Y && a.Z == b.Z {
				items[i].bad("place %d lies where place %d lies", i+1, j+1)
				break
			}
		}
	}
	switch {
	case directions > 0 && directions < len(places):
		n.bad("%d places are directions and %d are [x, y]; use one form", directions, len(places)-directions)
	case up > 0 && up < directions:
		n.bad("%d directions point up and %d down; all must point to the glass (uz < 0)", up, directions-up)
	case up > 0:
		for i := range places {
			places[i].Z = -places[i].Z
		}
		n.note("%s: all directions point up (uz > 0); they were mirrored in z, since the glass lies below the gauge's reference centre", n.path)
	}
	return places
}

func mapping(n node) (node, bool) {
	return n, describe(n.n) == "a set of keys"
}

func readMaster(n node, places int) spc.Master {
	f := n.object("panel", "product", "radius_mm", "radius_u_mm", "deviations_um", "u_um", "allowed_um", "valid_to")
	var m spc.Master
	if v, ok := n.required(f, "panel"); ok {
		m.Panel = v.id()
	}
	if v, ok := n.required(f, "product"); ok {
		m.Product = v.id()
	}
	if v, ok := f["radius_mm"]; ok && !v.isNull() {
		m.RadiusMM = ptr(v.positive())
	}
	if v, ok := f["radius_u_mm"]; ok && !v.isNull() {
		m.RadiusUMM = ptr(v.notNegative())
	}
	if v, ok := f["deviations_um"]; ok && !v.isNull() {
		m.DeviationsUM = v.numbers(places)
	}
	if v, ok := f["u_um"]; ok {
		m.UUM = v.notNegative()
	}
	if v, ok := n.required(f, "allowed_um"); ok {
		m.AllowedUM = v.positive()
	}
	if v, ok := f["valid_to"]; ok && !v.isNull() {
		m.ValidTo = ptr(v.time())
	}
	return m
}

// time reads a date (its whole day, UTC) or an RFC 3339 time.
func (n node) time() time.Time {
	s := n.text()
	for _, layout := range []string{time.RFC3339Nano, time.DateOnly} {
		if t, err := time.Parse(layout, s); err == nil {
			return t.UTC()
		}
	}
	n.bad("%q is not a date (2026-12-31) or a time (2026-12-31T06:00:00Z)", s)
	return time.Time{}
}
