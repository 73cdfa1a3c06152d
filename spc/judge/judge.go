package judge

import (
	"fmt"
	"math"
	"time"

	"sagwatch/spc"
	"sagwatch/spc/sphere"
	"sagwatch/spc/surface"
)

// Work holds the buffers of one goroutine; they may serve any plan in turn.
type Work struct {
	places  []int // 0-based places of the good readings
	rows    []int // their rows in the basis
	points  []sphere.Point
	local   []float64 // radii of a local-radius gauge, mm
	weights []float64
	raw     [][3]float64
	target  []float64 // a master's certified deviations, mm
	aligned surface.Aligned
	shape   surface.Shape
	test    test
	u       spc.Values // standard uncertainty of each value that has one
	placeU  []float64  // of each deviation, um; empty: unknown
	lack    string     // why the deviations have no uncertainty or are missing
	outside []int      // scratch of the verdict: places beyond the limit, and those too close to say
	close   []int
}

// NewWork makes empty buffers; they grow at the first panel.
func NewWork() *Work { return &Work{} }

// Judge works out one panel from its readings (in the gauge's unit, NaN for null), at the moment that decides which
// places are declared faulty, and writes everything to res.
//
// Left out (FaultyProbes) are places that are null or not finite, outside the gauge's range, unused, or declared faulty.
// Fewer good places than the product needs, or none in a quadrant, give Refusal in words and the verdict not-judged.
// Suspect places stay in every figure and turn conforms into undecided. Slices and the numbers that items point to
// are reused from res: who keeps a Result gives the next panel another. Dropped is shared with the plan.
//
// With w and res reused nothing is allocated while all is well.
func (p *Plan) Judge(w *Work, readings []float64, at time.Time, res *spc.Result) {
	p.work(w, readings, at, nil, res)
}

// work fills in the values; m is the master whose certificate is compared, or nil.
func (p *Plan) work(w *Work, readings []float64, at time.Time, m *spc.Master, res *spc.Result) {
	p.reset(w, res)
	if why := p.take(w, readings, at, res); why != "" {
		p.refuse(res, why)
		return
	}
	var why string
	if p.gauge.Kind == spc.LocalRadius {
		why = p.combine(w, res)
	} else {
		why = p.fit(w, m, res)
	}
	if why != "" {
		p.refuse(res, why)
		return
	}
	if m == nil {
		p.verdict(w, res)
	}
}

func (p *Plan) reset(w *Work, res *spc.Result) {
	n := len(p.places)
	*res = spc.Result{
		Verdict: spc.NotJudged, Reasons: res.Reasons[:0], Items: res.Items[:0],
		SuspectPlaces: res.SuspectPlaces[:0], FaultyProbes: res.FaultyProbes[:0],
		DeviationsUM: blank(res.DeviationsUM, n), ResidualsUM: blank(res.ResidualsUM, n), Dropped: p.Dropped,
	}
	w.places, w.rows, w.points, w.local, w.weights = w.places[:0], w.rows[:0], w.points[:0], w.local[:0], w.weights[:0]
	w.u, w.placeU, w.lack = spc.Values{}, w.placeU[:0], ""
	w.test.suspects = w.test.suspects[:0]
}

// blank is a slice of n NaN, in the old one's place where it is long enough.
func blank(s []float64, n int) []float64 {
	if cap(s) < n {
		s = make([]float64, n)
	}
	s = s[:n]
	for i := range s {
		s[i] = math.NaN()
	}
	return s
}

// refuse empties what was begun and says why there is no verdict.
func (p *Plan) refuse(res *spc.Result, why string) {
	res.Values = spc.Values{}
	res.Refusal = why
	res.Reasons = append(res.Reasons[:0], why)
	res.SuspectPlaces = res.SuspectPlaces[:0]
	res.DeviationsUM, res.ResidualsUM = blank(res.DeviationsUM, len(p.places)), blank(res.ResidualsUM, len(p.places))
	res.Items = res.Items[:0]
	for i := range p.limits {
		l := &p.limits[i]
		appendItem(res, l.c.String(), unitOf(l.c), l.lower, l.upper).Why = why
	}
}

// take turns good readings into points (or local radii); it returns why the panel cannot be judged, or "".
func (p *Plan) take(w *Work, readings []float64, at time.Time, res *spc.Result) string {
	n := len(p.places)
	if len(readings) != n {
		return fmt.Sprintf("%d readings for %d places of gauge %s", len(readings), n, p.gauge.ID)
	}
	var in [4]int
	for i := range p.places {
		pl := &p.places[i]
		v := readings[i]
		if pl.row < 0 || math.IsNaN(v) || math.IsInf(v, 0) || p.gauge.Range != nil && (v < p.gauge.Range[0] || v > p.gauge.Range[1]) || p.faulty(i+1, at) {
			res.FaultyProbes = append(res.FaultyProbes, i+1)
			continue
		}
		r := v * p.unit
		if math.Abs(r) > maxSpan {
			return fmt.Sprintf("place %d: a reading of %g %s is beyond a kilometre: check the unit", i+1, v, p.unitName())
		}
		if p.gauge.Kind == spc.LocalRadius {
			if why := p.takeLocal(w, i, r, v); why != "" {
				return why
			}
		} else {
			w.points = append(w.points, sphere.Point{pl.base[0] + r*pl.dir[0], pl.base[1] + r*pl.dir[1], pl.base[2] + r*pl.dir[2]})
		}
		w.places = append(w.places, i)
		w.rows = append(w.rows, pl.row)
		if pl.quadrant >= 0 {
			in[pl.quadrant]++
		}
	}
	if good := len(w.places); good < p.need {
		if p.need > p.product.MinimumGoodPoints {
			return fmt.Sprintf("%d good places of %d; a fit needs %d", good, n, p.need)
		}
		return fmt.Sprintf("%d good places of %d; product %s needs %d", good, n, p.product.ID, p.need)
	}
	for q, k := range in {
		if k == 0 {
			return fmt.Sprintf("no good place at the %s; one is needed in each quadrant", quadrantWords[q])
		}
	}
	return ""
}

func (p *Plan) unitName() spc.Unit {
	if p.gauge.Unit == "" {
		return spc.Millimetre
	}
	return p.gauge.Unit
}

func (p *Plan) faulty(place int, at time.Time) bool {
	for i := range p.gauge.Faulty {
		if f := &p.gauge.Faulty[i]; f.Place == place && !at.Before(f.From) {
			return true
		}
	}
	return false
}

// fit works out the sphere, the alignment, the shape terms and the suspect places.
func (p *Plan) fit(w *Work, m *spc.Master, res *spc.Result) string {
	fit, err := sphere.FitPoints(w.points)
	switch {
	case err == nil && p.contour != nil && p.contour.Kind() == spc.ContourSphere && fit.Concave != (p.side > 0):
		return fmt.Sprintf("the points curve the wrong way for a %s side: check the sign of the readings", p.sideName())
	case err == nil:
		p.sphere(w, &fit, res)
	case p.contour == nil || p.contour.Kind() == spc.ContourSphere:
		return err.Error()
	}
	if p.contour == nil {
		w.lack = "the gauge is used without a product's contour"
		return ""
	}
	return p.deviations(w, m, res)
}

func (p *Plan) sideName() spc.Side {
	if p.side < 0 {
		return spc.Convex
	}
	return spc.Concave
}

// set stores a value and, where u >= 0, its standard uncertainty; what is not finite stays absent.
func set(w *Work, res *spc.Result, c spc.Computed, v, u float64) {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return
	}
	res.Values.Set(c, v)
	if u >= 0 && !math.IsInf(u, 0) {
		w.u.Set(c, u)
	}
}

const unknown = -1 // an uncertainty that nobody knows

// sphere sets what follows from the fitted sphere. Uncertainties come from probe_u, or from the residuals where the
// gauge does not state it; the radius's is combined with the gauge's radius_u_mm.
func (p *Plan) sphere(w *Work, fit *sphere.Fit, res *spc.Result) {
	sigma, known := p.sigma, p.hasSigma
	if s2, ok := fit.S2(); ok {
		set(w, res, spc.RadiusFitUMM, fit.RadiusU(math.Sqrt(s2)), unknown)
		if !known {
			sigma, known = math.Sqrt(s2), true
		}
	}
	u, seat := float64(unknown), [3]float64{unknown, unknown, unknown}
	if known {
		u = math.Hypot(fit.RadiusU(sigma), p.gauge.RadiusUMM)
		seat = fit.CentreU(sigma)
		set(w, res, spc.RadiusUMM, u, unknown)
	}
	set(w, res, spc.RadiusMM, fit.Radius, u)
	set(w, res, spc.SeatXMM, fit.Centre[0], seat[0])
	set(w, res, spc.SeatYMM, fit.Centre[1], seat[1])
	if sag, err := fit.Sag(p.corner[0], p.corner[1]); err == nil && p.h > 0 {
		su := float64(unknown)
		if known {
			su = sag / (fit.Radius - sag) * u
		}
		set(w, res, spc.CornerSagMM, sag, su)
	}
	sign := 1e3
	if !fit.Concave {
		sign = -1e3
	}
	low, high := math.Inf(1), math.Inf(-1)
	for k, i := range w.places {
		r := sign * fit.Residual(w.points[k])
		res.ResidualsUM[i] = r
		low, high = min(low, r), max(high, r)
	}
	set(w, res, spc.RMSUM, fit.RMS()*1e3, unknown)
	set(w, res, spc.FormUM, high-low, unknown)
}

// deviations sets what follows from the aligned contour.
func (p *Plan) deviations(w *Work, m *spc.Master, res *spc.Result) string {
	w.raw = w.raw[:0]
	for _, pt := range w.points {
		w.raw = append(w.raw, [3]float64(pt))
	}
	contour, target := p.contour, []float64(nil)
	if m != nil {
		var why string
		if contour, target, why = p.certificate(w, m); why != "" {
			return why
		}
	}
	if err := p.align.AlignTo(contour, &w.aligned, w.raw, target); err != nil {
		if e, ok := err.(*surface.RefusalError); ok && e.Reason == surface.OutsideRange {
			i := w.places[e.Index]
			return fmt.Sprintf("place %d (%s) lies too far from the nominal contour of product %s to be laid on it", i+1, p.places[i].words, p.product.ID)
		}
		return err.Error()
	}
	d, lev := w.aligned.Deviations, w.aligned.Leverages
	var ss, low, high float64
	low, high = math.Inf(1), math.Inf(-1)
	far := 0
	for k, i := range w.places {
		um := d[k] * 1e3
		res.DeviationsUM[i] = um
		ss += um * um
		low, high = min(low, um), max(high, um)
		if math.Abs(um) > math.Abs(d[far]*1e3) {
			far = k
		}
		if p.hasSigma {
			w.placeU = append(w.placeU, 1e3*math.Sqrt(p.sigma*p.sigma*max(0, 1-lev[k])+p.placeU*p.placeU))
		}
	}
	u := float64(unknown)
	if p.hasSigma {
		u = w.placeU[far]
	} else {
		w.lack = "the gauge states no probe_u_um"
	}
	set(w, res, spc.ContourRMSUM, math.Sqrt(ss/float64(len(d))), unknown)
	set(w, res, spc.ContourPVUM, high-low, unknown)
	set(w, res, spc.MaxDeviationUM, math.Abs(d[far])*1e3, u)
	set(w, res, spc.MaxDeviationSignedUM, d[far]*1e3, u)
	set(w, res, spc.MaxDeviationPlace, float64(w.places[far]+1), unknown)
	return p.shapeTerms(w, contour, res)
}

// shapeTerms sets the shape terms and the radii along x and y, and names the suspect places. Where the good places do
// not determine the terms they stay absent and no place is tested.
func (p *Plan) shapeTerms(w *Work, contour *surface.Surface, res *spc.Result) string {
	s := &w.shape
	if err := p.basis.Fit(s, w.rows, w.aligned.Deviations); err != nil {
		return ""
	}
	var u [surface.Terms]float64
	var ux, uy float64
	r := p.basis.Radii(contour, &s.Coef)
	if !p.hasSigma || !p.wantShapeU {
		for j := range u {
			u[j] = unknown
		}
		ux, uy = unknown, unknown
	} else {
		sigma := math.Hypot(p.sigma, p.placeU)
		u = s.StdErr(sigma)
		ux, uy = p.basis.RadiiU(&r, s, sigma)
		for j := range u {
			u[j] *= 1e3
		}
	}
	for j := surface.Bow; j < surface.Terms; j++ {
		if p.basis.Has(j) {
			set(w, res, surface.ShapeComputed[j], s.Coef[j]*1e3, u[j])
		}
	}
	// Without all three quadratic terms the radii would be the contour's own.
	if p.basis.Has(surface.Bow) && p.basis.Has(surface.Twofold) {
		if r.X > 0 {
			set(w, res, spc.RadiusXMM, r.X, ux)
		}
		if r.Y > 0 {
			set(w, res, spc.RadiusYMM, r.Y, uy)
		}
	}
	w.test.run(s, p.basis.Rank(), p.bounds, p.SuspectAmountUM*1e-3)
	for i := range p.places {
		for _, f := range w.test.suspects {
			if w.places[f.at] == i {
				res.SuspectPlaces = append(res.SuspectPlaces, i+1)
			}
		}
	}
	return ""
}
