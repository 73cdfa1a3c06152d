package setup

import (
	"math"

	"sagwatch/spc"
)

func readProduct(n node) spc.Product {
	f := n.object("id", "contour", "side", "outline_mm", "corner_mm", "limits", "k", "minimum_good_points",
		"suspect_rate", "suspect_share", "characteristics", "retired")
	p := spc.Product{Side: spc.Concave, K: 2, MinimumGoodPoints: 40, SuspectRate: 1e-4, SuspectShare: 0.1}
	if v, ok := n.required(f, "id"); ok {
		p.ID = v.id()
	}
	if v, ok := f["contour"]; ok && !v.isNull() {
		p.Contour = readContour(v)
	}
	if v, ok := f["side"]; ok {
		p.Side = oneOf(v, spc.Concave, spc.Convex)
	}
	if v, ok := f["outline_mm"]; ok {
		o := v.object("width", "height", "corner")
		p.Outline = &spc.Outline{}
		for key, to := range map[string]*float64{"width": &p.Outline.WidthMM, "height": &p.Outline.HeightMM} {
			if w, ok := v.required(o, key); ok {
				*to = w.positive()
			}
		}
		if w, ok := o["corner"]; ok {
			p.Outline.CornerMM = w.notNegative()
		}
	}
	if v, ok := f["corner_mm"]; ok {
		if c := v.numbers(2); len(c) == 2 {
			p.CornerMM = &[2]float64{c[0], c[1]}
			if c[0] == 0 && c[1] == 0 {
				v.bad("the corner can't be the middle of the panel")
			}
		}
	}
	if v, ok := f["k"]; ok {
		p.K = v.positive()
	}
	if v, ok := f["minimum_good_points"]; ok {
		p.MinimumGoodPoints = v.whole(4, 256)
	}
	if v, ok := f["suspect_rate"]; ok {
		if p.SuspectRate = v.positive(); p.SuspectRate > 0.1 {
			v.bad("a share of sound panels, at most 0.1, is %g", p.SuspectRate)
		}
	}
	if v, ok := f["suspect_share"]; ok {
		if p.SuspectShare = v.notNegative(); p.SuspectShare > 1 {
			v.bad("a share of the deviation limit, at most 1, is %g", p.SuspectShare)
		}
	}
	if v, ok := f["characteristics"]; ok {
		seen := map[string]bool{}
		for _, item := range v.list() {
			c := readCharacteristic(item)
			if seen[c.Name] {
				item.bad("characteristic %q stands twice", c.Name)
			}
			seen[c.Name] = true
			p.Characteristics = append(p.Characteristics, c)
		}
	}
	if v, ok := f["limits"]; ok {
		p.Limits = readLimits(v)
	}
	if v, ok := f["retired"]; ok {
		p.Retired = v.boolean()
	}
	return p
}

func readContour(n node) *spc.Contour {
	f := n.object("sphere", "biradial", "polynomial")
	if len(f) != 1 {
		n.bad("name one contour: sphere, biradial or polynomial")
		return nil
	}
	c := &spc.Contour{}
	if v, ok := f["sphere"]; ok {
		c.Kind, c.R = spc.ContourSphere, v.positive()
	}
	if v, ok := f["biradial"]; ok {
		c.Kind = spc.ContourBiradial
		if r := v.numbers(2); len(r) == 2 {
			c.Rx, c.Ry = r[0], r[1]
			if c.Rx <= 0 || c.Ry <= 0 {
				v.bad("both radii must be greater than 0")
			}
		}
	}
	if v, ok := f["polynomial"]; ok {
		c.Kind = spc.ContourPolynomial
		if a := v.numbers(7); len(a) == 7 {
			copy(c.A[:], a)
		}
		if c.A == [7]float64{} {
			v.bad("all seven coefficients are 0: that is a plane")
		}
	}
	return c
}

func readCharacteristic(n node) spc.Characteristic {
	f := n.object("name", "unit", "nominal", "lower", "upper", "u")
	c := spc.Characteristic{Unit: "mm"}
	if v, ok := n.required(f, "name"); ok {
		c.Name = v.id()
		if _, taken := spc.ComputedByName(c.Name); taken {
			v.bad("%q is a computed characteristic; give another name", c.Name)
		}
	}
	if v, ok := f["unit"]; ok {
		c.Unit = v.text()
	}
	for key, to := range map[string]**float64{"nominal": &c.Nominal, "lower": &c.Lower, "upper": &c.Upper} {
		if v, ok := f[key]; ok && !v.isNull() {
			*to = ptr(v.number())
		}
	}
	if v, ok := f["u"]; ok && !v.isNull() {
		c.U = ptr(v.notNegative())
	}
	if c.Lower != nil && c.Upper != nil && *c.Lower >= *c.Upper {
		n.bad("the lower limit %g is not below the upper limit %g", *c.Lower, *c.Upper)
	}
	return c
}

// readLimits takes [lower, upper] (either may be null) or one number, which is an upper limit.
func readLimits(n node) map[string]spc.Interval {
	out := map[string]spc.Interval{}
	f := n.object()
	for _, name := range n.keys() {
		v, ok := f[name]
		if !ok {
			continue
		}
		c, known := spc.ComputedByName(name)
		if !known || c == spc.MaxDeviationPlace {
			names := make([]string, 0, spc.NumComputed)
			for i := range spc.NumComputed {
				names = append(names, i.String())
			}
			v.bad("%q is not a computed characteristic%s", name, nearest(name, names))
			continue
		}
		if _, single := scalar(v.n); single {
			out[name] = spc.Interval{Upper: ptr(v.number())}
			continue
		}
		var ends []*float64
		for _, e := range v.list() {
			if e.isNull() {
				ends = append(ends, nil)
			} else {
				ends = append(ends, ptr(e.number()))
			}
		}
		switch {
		case len(ends) != 2:
			v.bad("write one number (an upper limit) or [lower, upper]")
		case ends[0] != nil && ends[1] != nil && *ends[0] >= *ends[1]:
			v.bad("the lower limit %g is not below the upper limit %g", *ends[0], *ends[1])
		case c == spc.MaxDeviationUM && ends[0] != nil:
			v.bad("%s is never negative and has an upper limit only", name)
		default:
			out[name] = spc.Interval{Lower: ends[0], Upper: ends[1]}
		}
	}
	for name, i := range out {
		if i.Upper != nil && math.Signbit(*i.Upper) && name == spc.MaxDeviationUM.String() {
			f[name].bad("%s can't have a negative limit", name)
		}
	}
	return out
}
