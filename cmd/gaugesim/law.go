package main

import (
	"fmt"
	"math"

	"sagwatch/spc/sphere"
	"sagwatch/spc/surface"
)

// sigmas are the standard deviations of a stream's own panels about the cycle effect, as the gauge sees them: what the law
// below gives each panel of its own, and the probes' noise, through the fit.
type sigmas struct {
	radius float64 // mm
	shape  [surface.Terms]float64
	place  float64 // um, of one probe's residual after the shape terms
}

// law is how sound panels of one trial differ. Radii in mm, shape in um at the corner.
type law struct {
	trial *trial
	sigmas

	panelSD   float64 // radius of a panel
	shapeSD   float64 // each shape term of a panel
	share     float64 // of the panel's variance that a mould carries on from one panel to its next
	mouldPhi  float64 // how much of it
	cycleSD   float64 // of the cycle effect, in panelSD
	cyclePhi  float64
	mouldSD   float64 // levels of the moulds
	mouldForm float64
	lanes     []float64 // two-fold by lane
	skew      float64   // of the form error: standard deviation of the logarithm of its size; 0: not skewed
	rough     float64   // um, root mean square of what a skewed form leaves at each place

	// By mould, and once more for the casting that comes in a mould change.
	levels      []float64
	forms       [][surface.Terms]float64
	marks       [][]float64 // by place, mm
	plunger     [surface.Terms]float64
	worn        []float64 // the plunger's marks by place, mm
	otherLevel  float64   // what another plunger changes
	otherForm   [surface.Terms]float64
	perRadius   float64 // mm of fitted radius per mm of radius
	bowPerMM    float64 // um of bow that the fit takes for a mm of radius
	cycle       [2]float64
	cycleAt     int
	carried     []float64
	carriedPrev []int
}

func newLaw(t *trial) (*law, error) {
	r := t.chance.rng("score law")
	m := len(t.line.moulds)
	scale := t.line.radius / 1107
	w := &law{trial: t, panelSD: between(r, 0.15, 0.30) * scale, shapeSD: between(r, 1.5, 4), cyclePhi: between(r, 0, 0.4), cycleSD: between(r, 0.05, 0.25),
		cycleAt: -1, carried: make([]float64, m)}
	if t.has(withCorrelation) {
		w.share, w.mouldPhi = between(r, 0.3, 0.6), between(r, 0.4, 0.8)
		w.cyclePhi, w.cycleSD = between(r, 0.6, 0.9), between(r, 0.25, 0.45)
	}
	w.mouldSD = between(r, 0.4, 1.5) * w.panelSD
	if t.has(withMoulds) {
		w.mouldSD = between(r, 3, 6) * w.panelSD
	}
	if t.has(withSkew) {
		w.skew, w.rough = between(r, 0.4, 0.6), between(r, 0.5, 1)*t.probeUM
	}
	w.mouldForm = between(r, 1, 2.5) * w.shapeSD
	for range t.line.lanes {
		w.lanes = append(w.lanes, between(r, 0, 1)*w.shapeSD*r.NormFloat64())
	}
	marks := func(sd float64) []float64 {
		out := make([]float64, len(t.places))
		for i := range out {
			out[i] = sd * 1e-3 * r.NormFloat64()
		}
		return out
	}
	form := func(sd float64) (out [surface.Terms]float64) {
		for _, term := range shaped {
			out[term] = sd * r.NormFloat64()
		}
		return out
	}
	for range m + 1 {
		w.levels = append(w.levels, w.mouldSD*r.NormFloat64())
		w.forms = append(w.forms, form(w.mouldForm))
		w.marks = append(w.marks, marks(2.5))
	}
	w.plunger, w.worn = form(7), marks(3)
	w.otherLevel, w.otherForm = w.panelSD*r.NormFloat64(), form(3)
	return w, w.measure()
}

// measure works sigma out: how the fit answers to each part of the law, part by part.
func (w *law) measure() error {
	t := w.trial
	g := t.line.gauge
	n := len(g.probes)
	radius := func(f *form, probe int, off float64) (float64, error) {
		pts := make([]sphere.Point, n)
		for i, p := range g.probes {
			z := f.at(t.line, i, p.x, p.y)
			s := 0.0
			if i == probe {
				s = off
			}
			// Along the probe's line, as its noise lies.
			pts[i] = sphere.Point{p.x + s*p.to[0], p.y + s*p.to[1], z + s*p.to[2]}
		}
		fit, err := sphere.FitPoints(pts)
		return fit.Radius, err
	}
	var err error
	slope := func(set func(f *form, by float64), probe int, by float64) float64 {
		var side [2]float64
		for k, s := range []float64{-by, by} {
			f := form{places: make([]float64, n)}
			off := 0.0
			if probe >= 0 {
				off = s
			} else {
				set(&f, s)
			}
			var e error
			if side[k], e = radius(&f, probe, off); e != nil && err == nil {
				err = e
			}
		}
		return (side[1] - side[0]) / (2 * by)
	}
	w.perRadius = slope(func(f *form, by float64) { f.radius = by }, -1, 0.1)
	w.bowPerMM = 1 / slope(func(f *form, by float64) { f.shape[surface.Bow] = by }, -1, 10)
	variance := math.Pow(w.panelSD*w.perRadius, 2)
	for _, term := range shaped {
		s := slope(func(f *form, by float64) { f.shape[term] = by }, -1, 10)
		variance += math.Pow(s*w.shapeSD, 2)
	}
	for i := range n {
		variance += math.Pow(slope(nil, i, 0.01)*1e-3*w.noise(), 2)
	}
	w.radius = math.Sqrt(variance)
	if err != nil {
		return fmt.Errorf("trial %s, seed %d: %w", t.name, t.seed, err)
	}
	basis, err := surface.NewBasis(t.places, t.line.corner)
	if err != nil {
		return fmt.Errorf("trial %s, seed %d: %w", t.name, t.seed, err)
	}
	present := make([]int, n)
	for i := range present {
		present[i] = i
	}
	var sum [surface.Terms]float64
	var fit surface.Shape
	take := func(d []float64, sd float64) error {
		if err := basis.Fit(&fit, present, d); err != nil {
			return err
		}
		for k, c := range fit.Coef {
			sum[k] += c * c * sd * sd
		}
		return nil
	}
	d := make([]float64, n)
	for _, term := range shaped {
		f := form{}
		f.shape[term] = 1
		for i, p := range g.probes {
			d[i] = 1e3 * f.above(t.line, p.x, p.y)
		}
		sd := w.shapeSD
		if term == surface.Twofold { // a mould's panels go through all lanes
			sd = math.Hypot(sd, spread(w.lanes))
		}
		if err := take(d, sd); err != nil {
			return err
		}
	}
	for i := range d {
		clear(d)
		d[i] = 1
		if err := take(d, w.noise()); err != nil {
			return err
		}
	}
	for k := range sum {
		w.shape[k] = math.Sqrt(sum[k])
	}
	w.place = w.noise() * math.Sqrt(1-float64(surface.Terms)/float64(n))
	return nil
}

// noise is the standard deviation in um of what each place has of its own on each panel: the probe's, and rough glass.
func (w *law) noise() float64 { return math.Hypot(w.trial.probeUM, w.rough) }

// spread is the standard deviation of values that come equally often.
func spread(v []float64) float64 {
	mean, ss := 0.0, 0.0
	for _, x := range v {
		mean += x / float64(len(v))
	}
	for _, x := range v {
		ss += (x - mean) * (x - mean)
	}
	return math.Sqrt(ss / float64(len(v)))
}

// press makes panel n without any fault. Panels are asked for in order.
func (w *law) press(n int) form {
	t := w.trial
	m := len(t.line.moulds)
	mould, lane := n%m, n%len(t.line.lanes)
	for ; w.cycleAt < n/m; w.cycleAt++ {
		c := t.chance.rng("score cycle", uint64(w.cycleAt+1))
		for k := range w.cycle {
			phi := w.cyclePhi
			if w.cycleAt < 0 {
				phi = 0
			}
			w.cycle[k] = phi*w.cycle[k] + math.Sqrt(1-phi*phi)*c.NormFloat64()
		}
	}
	r := t.chance.rng("score panel", uint64(n))
	phi := w.mouldPhi
	if n < m {
		phi = 0
	}
	w.carried[mould] = phi*w.carried[mould] + math.Sqrt(1-phi*phi)*r.NormFloat64()
	own := math.Sqrt(w.share)*w.carried[mould] + math.Sqrt(1-w.share)*r.NormFloat64()
	casting := mould
	if t.has(withMouldChange) && mould == t.changed && n >= t.event {
		casting = m
	}
	f := form{places: make([]float64, len(t.places))}
	f.radius = w.levels[casting] + w.panelSD*(own+w.cycleSD*w.cycle[0])
	for _, term := range shaped {
		f.shape[term] = w.forms[casting][term] + w.plunger[term]
		if term == surface.Bow4 && w.skew > 0 {
			// Edges that lift, never sink: a lognormal of the same standard deviation, about its mean.
			s2 := w.skew * w.skew
			f.shape[term] += w.shapeSD * (math.Exp(w.skew*r.NormFloat64()) - math.Exp(s2/2)) / math.Sqrt(math.Exp(s2)*math.Expm1(s2))
			continue
		}
		f.shape[term] += w.shapeSD * r.NormFloat64()
	}
	f.shape[surface.Twofold] += w.lanes[lane] + w.shapeSD*w.cycleSD*w.cycle[1]
	rough := 0.0
	if w.skew > 0 { // of a lognormal size whose mean square is as stated
		rough = 1e-3 * w.rough * math.Exp(w.skew*r.NormFloat64()-w.skew*w.skew)
	}
	for i := range f.places {
		f.places[i] = w.marks[casting][i] + w.worn[i]
		if rough > 0 {
			f.places[i] += rough * r.NormFloat64()
		}
	}
	if t.has(withPlunger) && n >= t.event {
		f.radius += w.otherLevel
		for _, term := range shaped {
			f.shape[term] += w.otherForm[term]
		}
	}
	return f
}
