package sphere

import (
	"math"
	"slices"
)

// Robust is a sphere from which outlying points have been weighted down.
type Robust struct {
	Centre [3]float64 // mm
	Radius float64    // mm
	// Scale is the robust standard deviation of the residuals, median |r| / 0.6745, mm.
	Scale float64
	// Weights are the points' final weights between 0 (without influence) and 1, in the order given.
	Weights    []float64
	Iterations int
	Converged  bool
}

const (
	tukeyTuning = 4.685  // 95 % efficiency for normal residuals
	huberTuning = 1.345  // the same, for the first steps
	madToSigma  = 0.6745 // normal quantile of 0.75
)

// FitRobust fits a sphere by iteratively reweighted least squares with Tukey's biweight,
//
//	w(r) = (1 - (r / (4.685 s))^2)^2  for |r| < 4.685 s, else 0,
//
// s = median |r| / 0.6745 worked out anew at each step, after ten steps with Huber's weights (1.345) from the least-squares
// fit, which lead into the right basin. It is a cross-check for FitPoints: where the two differ by more than their
// uncertainty, single points carry the result. Refused as FitPoints.
//
// Source: P. J. Huber and E. M. Ronchetti, Robust Statistics, 2nd ed. (2009), sections 4.8 and 7.8; tuning constant
// as used there and in general statistics libraries (from memory).
func FitRobust(pts []Point) (Robust, error) {
	fit, err := FitPoints(pts)
	if err != nil {
		return Robust{}, err
	}
	n := len(pts)
	out := Robust{Centre: fit.Centre, Radius: fit.Radius, Weights: make([]float64, n)}
	var f fitter
	f.pts, f.n = pts, float64(n)
	f.moments() // has succeeded within FitPoints
	f.a = sub(fit.Centre, f.origin)
	f.r = fit.Radius
	least := math.Sqrt(f.noise2() / f.n)
	res, sorted := make([]float64, n), make([]float64, n)
	for it := 1; it <= 200; it++ {
		for i := range pts {
			res[i] = f.distance(pts[i])
			sorted[i] = math.Abs(res[i])
		}
		slices.Sort(sorted)
		out.Scale = math.Max(median(sorted)/madToSigma, least)
		out.Iterations = it
		w := biweight
		if it <= 10 {
			w = huber
		}
		for i, r := range res {
			out.Weights[i] = w(r / out.Scale)
		}
		step, ok := f.weightedStep(out.Weights, res)
		if !ok {
			// Too few points keep a weight to carry a sphere.
			return Robust{}, &RefusalError{Reason: NoMinimum, N: n, Index: -1}
		}
		out.Centre = [3]float64{f.origin[0] + f.a[0], f.origin[1] + f.a[1], f.origin[2] + f.a[2]}
		out.Radius = f.r
		if it > 10 && step < stepTolerance*10 {
			out.Converged = true
			break
		}
	}
	return out, nil
}

func biweight(u float64) float64 {
	u /= tukeyTuning
	if math.Abs(u) >= 1 {
		return 0
	}
	return (1 - u*u) * (1 - u*u)
}

func huber(u float64) float64 {
	if math.Abs(u) <= huberTuning {
		return 1
	}
	return huberTuning / math.Abs(u)
}

// median of sorted values.
func median(s []float64) float64 {
	n := len(s)
	return (s[(n-1)/2] + s[n/2]) / 2
}

// distance is |p - c| - R without cancellation (see fitter.full).
func (f *fitter) distance(p Point) float64 {
	u := sub(p, f.origin)
	e := dot(u, [3]float64{u[0] - 2*f.a[0], u[1] - 2*f.a[1], u[2] - 2*f.a[2]}) + dot(f.a, f.a) - f.r*f.r
	return e / (math.Sqrt(math.Max(0, f.r*f.r+e)) + f.r)
}

// weightedStep makes one Gauss-Newton step with weights w on the distances d and returns its length over R.
func (f *fitter) weightedStep(w, d []float64) (float64, bool) {
	var sw, sd float64
	var sn [3]float64
	normal := func(i int) [3]float64 {
		u := sub(f.pts[i], f.origin)
		k := 1 / (f.r + d[i])
		q := d[i] / f.r
		return [3]float64{(u[0] + f.a[0]*q) * k, (u[1] + f.a[1]*q) * k, (u[2] + f.a[2]*q) * k}
	}
	for i := range f.pts {
		if f.r+d[i] <= 0 {
			continue
		}
		v := normal(i)
		sw += w[i]
		sd += w[i] * d[i]
		for j := range 3 {
			sn[j] += w[i] * v[j]
		}
	}
	if !(sw > 0) {
		return 0, false
	}
	m := scale(sn, 1/sw)
	mean := sd / sw
	var a sym3
	var g [3]float64
	for i := range f.pts {
		if f.r+d[i] <= 0 {
			continue
		}
		v := sub(normal(i), m)
		k := w[i]
		a.xx += k * v[0] * v[0]
		a.xy += k * v[0] * v[1]
		a.xz += k * v[0] * v[2]
		a.yy += k * v[1] * v[1]
		a.yz += k * v[1] * v[2]
		a.zz += k * v[2] * v[2]
		for j := range 3 {
			g[j] += k * v[j] * (d[i] - mean)
		}
	}
	l, ok := a.factor(0)
	if !ok {
		return 0, false
	}
	da := l.solve(g)
	n := sub(m, scale(f.a, 1/f.r))
	dr := mean - dot(n, da)
	step := math.Sqrt(dot(da, da)+dr*dr) / f.r
	if !(step < 1) || !(f.r+dr > 0) {
		return 0, false
	}
	for j := range 3 {
		f.a[j] += da[j]
	}
	f.r += dr
	return step, true
}
