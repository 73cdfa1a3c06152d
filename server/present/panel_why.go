package present

import (
	"math"
	"strconv"
	"strings"

	"sagwatch/spc"
	"sagwatch/web/page"
	"sagwatch/web/ui"
)

// whyOf is where a figure's origin is told on the panel's page; "" for one that was sent as it is.
func (d *PanelData) whyOf(name string) string {
	if d.Places == nil {
		return ""
	}
	if _, shape := shapeNames[name]; shape {
		return "#why-shape"
	}
	switch name {
	case "radius_mm", "radius_u_mm", "radius_fit_u_mm", "seat_x_mm", "seat_y_mm":
		return "#why-radius"
	case "rms_um", "form_um":
		return "#why-residuals"
	case "max_deviation_um", "contour_rms_um", "contour_pv_um":
		return "#why-deviation"
	case "corner_sag_mm":
		return "#why-sag"
	case "radius_x_mm", "radius_y_mm":
		return "#why-local"
	}
	return ""
}

// why says of each computed figure its formula in words, its inputs and its source.
func (d *PanelData) why(v View) []page.Origin {
	if d.Places == nil || d.Gauge == nil || d.Product == nil {
		return d.whyVerdict()
	}
	values, k := &d.Shown.Result.Values, d.k()
	used := len(d.XY) - len(d.Shown.Result.FaultyProbes)
	unknown := func(x *float64, unit string) string {
		if x == nil {
			return "not stated: the uncertainty comes from the residuals"
		}
		return ui.WithUnit(ui.Number(*x, limitDecimals(*x)), unit)
	}
	places := ui.Fact{Name: "Places", Value: ui.Text(strconv.Itoa(used) + " of " + strconv.Itoa(len(d.XY)) + " used")}
	readings := ui.Fact{Name: "Readings", Value: ui.Cell{Text: "as received", Href: "#received"}}
	deviations := ui.Fact{Name: "Deviations", Value: ui.Cell{Text: "at the places", Href: "#readings"}}
	probe := ui.Fact{Name: "One reading", Value: ui.Text("standard uncertainty " + unknown(d.Gauge.ProbeUUM, "um"))}
	place := ui.Fact{Name: "One place", Value: ui.Text("standard uncertainty " + ui.WithUnit(ui.Number(d.Gauge.PlaceUUM, limitDecimals(d.Gauge.PlaceUUM)), "um"))}
	var out []page.Origin
	if r, ok := values.Get(spc.RadiusMM); ok {
		o := page.Origin{ID: "why-radius", Name: "Radius of curvature: " + d.quantity(v, "radius_mm").Text(r), Inputs: []ui.Fact{readings, places, probe},
			Formula: "Each reading becomes a point; the sphere is the one whose sum of squared distances to all used points is least. Its uncertainty is that of one reading carried through the fit, combined as root of squares with the gauge's own.",
			Source:  "A. B. Forbes, Least-squares best-fit geometric elements, NPL Report DITC 140/89, 1989 (the fit); JCGM 100:2008, GUM, 5.1 (propagation)."}
		if d.Gauge.Kind == spc.LocalRadius {
			o.Formula = "The mean of the local radii at the used places."
			o.Source = "JCGM 100:2008, GUM, 5.1 (propagation)."
		}
		if u, known := values.Get(spc.RadiusUMM); known {
			o.Name = "Radius of curvature: " + doubted(d.quantity(v, "radius_mm"), r, k*u)
			own := d.Gauge.RadiusUMM
			o.Inputs = append(o.Inputs, ui.Fact{Name: "The gauge's own", Value: ui.Text("standard uncertainty of the radius " + ui.WithUnit(ui.Number(own, limitDecimals(own)), "mm") + " (master, alignment)")})
		}
		out = append(out, o)
	}
	if x, ok := values.Get(spc.RMSUM); ok {
		form, _ := values.Get(spc.FormUM)
		out = append(out, page.Origin{ID: "why-residuals", Name: "Residuals from the sphere: rms " + ui.WithUnit(ui.Number(x, 1), "um") + ", form " + ui.WithUnit(ui.Number(form, 1), "um"),
			Formula: "A residual is the signed distance of a point from the fitted sphere along its normal, above is positive: radius less distance from the centre on a concave side. rms = root of (sum of squares / number of places); form = greatest less least.",
			Inputs:  []ui.Fact{places}, Source: "This project's interface, section 1 (signs and figures)."})
	}
	if x, ok := values.Get(spc.MaxDeviationUM); ok {
		o := page.Origin{ID: "why-deviation", Name: "Largest deviation: " + ui.WithUnit(ui.Number(x, 1), "um"), Inputs: []ui.Fact{readings, places, probe, place, deviations},
			Formula: "The points are laid on the product's contour by least squares over the freedoms that the seating allows; a deviation is the signed distance along the contour's normal, above is positive. The largest is the greatest size over the used places. u at a place: root of (probe_u squared x (1 - leverage) + place_u squared).",
			Source:  "Product " + d.Product.ID + ": " + ContourWords(d.Product.Contour) + ". JCGM 100:2008, GUM, 5.1 (propagation); the seating alignment is in this project's interface, section 1."}
		if free := seating(d.Gauge); free != "" {
			o.Inputs = append(o.Inputs, ui.Fact{Name: "Seating", Value: ui.Text(free)})
		}
		out = append(out, o)
	}
	if x, ok := values.Get(spc.CornerSagMM); ok {
		h := d.corner()
		out = append(out, page.Origin{ID: "why-sag", Name: "Corner sag: " + d.quantity(v, "corner_sag_mm").Text(x),
			Formula: "Sag = R - root of (R squared - h squared), of the fitted sphere. Its uncertainty: |1 - R / root of (R squared - h squared)| times that of R.",
			Inputs:  []ui.Fact{{Name: "R", Value: ui.Cell{Text: "the fitted radius", Href: "#why-radius"}}, {Name: "h", Value: ui.Text("distance of the corner from the middle, " + ui.WithUnit(ui.Number(h, 1), "mm"))}},
			Source:  "Geometry of the sphere; JCGM 100:2008, GUM, 5.1.2 (propagation)."})
	}
	if _, ok := values.Get(spc.RadiusXMM); ok {
		out = append(out, page.Origin{ID: "why-local", Name: "Radius along x and along y", Formula: "One over the curvature at the middle: the contour's own plus that of the quadratic shape terms.",
			Inputs: []ui.Fact{deviations, {Name: "Shape terms", Value: ui.Cell{Text: "bow and two-fold", Href: "#why-shape"}}}, Source: "Differential geometry; this project's interface, section 1."})
	}
	if d.shape() != nil {
		out = append(out, page.Origin{ID: "why-shape", Name: "Shape terms, in " + ui.Micro + "m at the corner",
			Formula: "With u = x / h and v = y / h the deviations are fitted by 1, u, v, u2 + v2 (bow), u2 - v2 (two-fold), 2uv (twist), four cubic terms and (u2 + v2)2, made orthogonal in this order over all used places of the gauge; each coefficient belongs to its leading term. Uncertainty: root of (probe_u squared + place_u squared) / root of (sum of the term's squares over the places).",
			Inputs:  []ui.Fact{deviations, probe, place}, Source: "This project's interface, section 1 (the basis); JCGM 100:2008, GUM, 5.1 (propagation). Gram-Schmidt orthogonalisation as in any text on linear algebra."})
		f := &out[len(out)-1]
		f.Formula = strings.NewReplacer("u2", "u²", "v2", "v²", ")2", ")²").Replace(f.Formula)
	}
	return append(out, d.whyVerdict()...)
}

func (d *PanelData) whyVerdict() []page.Origin {
	k := d.k()
	return []page.Origin{{ID: "why-verdict", Name: "Verdict",
		Formula: "Proven inside: value - k u and value + k u both within the limits. Proven outside: both beyond the same limit. Else too close to say. A panel with any value proven outside does not conform; else one that is too close, or a suspect place, leaves it undecided; else it conforms. The latest valid measurement of each kind of gauge counts.",
		Inputs:  []ui.Fact{{Name: "k", Value: ui.Text(ui.Number(k, limitDecimals(math.Round(k*1e4)/1e4)))}, {Name: "Limits", Value: ui.Text("of the product as it was defined when the panel was measured")}},
		Source:  "ISO 14253-1:2017, decision rules for proving conformity or nonconformity with specifications."}}
}

func seating(g *spc.Gauge) string {
	if len(g.Seating) == 0 {
		return "z, tilt x and tilt y"
	}
	var words []string
	for _, f := range g.Seating {
		words = append(words, strings.ReplaceAll(string(f), "_", " "))
	}
	return list(words)
}

// ContourWords says what a contour is: "sphere of 1107.5 mm".
func ContourWords(c *spc.Contour) string {
	if c == nil {
		return "no contour"
	}
	n := func(x float64) string { return ui.Number(x, limitDecimals(x)) }
	switch c.Kind {
	case spc.ContourSphere:
		return "sphere of " + ui.WithUnit(n(c.R), "mm")
	case spc.ContourBiradial:
		return "two radii, " + n(c.Rx) + " along x and " + ui.WithUnit(n(c.Ry), "mm") + " along y"
	case spc.ContourPolynomial:
		return "polynomial of seven even terms"
	}
	return string(c.Kind)
}
