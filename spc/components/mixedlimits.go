package components

import (
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/mat"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// Without is the sum of all components but the named ones with its LogWald limits: the variance that would be left if the
// moulds were levelled. Refused are a name that is no component's, and nothing left.
func (r *MixedResult) Without(names ...string) (Component, error) {
	for _, n := range names {
		if !slices.ContainsFunc(r.Components, func(c Component) bool { return c.Name == n }) {
			return Component{}, refusal.Shapes("there is no component %q", n)
		}
	}
	sum, v, total := Component{Name: "without " + strings.Join(names, " and ")}, 0.0, 0.0
	for i, a := range r.Components {
		total += a.Variance
		if slices.Contains(names, a.Name) {
			continue
		}
		sum.Variance += a.Variance
		for j, b := range r.Components {
			if !slices.Contains(names, b.Name) {
				v += r.Covariance[i][j]
			}
		}
	}
	if !(sum.Variance > 0) {
		return Component{}, refusal.Shapes("no component is left")
	}
	sum.Raw, sum.SD, sum.Share, sum.SE = sum.Variance, math.Sqrt(sum.Variance), sum.Variance/total, math.Sqrt(math.Max(0, v))
	sum.Interval = logWald(sum.Variance, sum.SE, dist.NormalQuantileUpper((1-r.Confidence)/2))
	return sum, nil
}

// covariance of the components, the residual last, from the second derivatives of the deviance by the logarithm t of the
// residual's variance v and those x of the ratios,
//
//	D = free t + G(x) + Q(x) exp(-t):  D_tt = Q/v,  D_tx = -Q_x/v,  D_xx = G_xx + Q_xx/v
//
// (G the log determinants, Q the residual sum of squares), turned over to the variances v exp(x) and v.
func (m *mixed) covariance(active []int, v float64) [][]float64 {
	a := len(active)
	// Both functions are wanted at the same places in the same order: the second one is taken down beside the first.
	var rss []float64
	whole := func(x []float64) float64 {
		p := m.parts(spread(active, x))
		rss = append(rss, p.rss)
		return m.deviance(p, v)
	}
	_, h := differences(whole, m.best.x, whole(m.best.x), true)
	least, next := rss[0], 0
	g, _ := differences(func([]float64) float64 { next++; return rss[next] }, m.best.x, least, true)
	info := mat.NewSymDense(a+1, nil)
	info.SetSym(a, a, least/v/2)
	for i := range a {
		info.SetSym(i, a, -g[i]/v/2)
		for j := i; j < a; j++ {
			info.SetSym(i, j, h.At(i, j)/2)
		}
	}
	n := len(m.names)
	out := make([][]float64, n+1)
	for i := range out {
		out[i] = make([]float64, n+1)
	}
	var inv mat.Dense
	if err := inv.Inverse(info); err != nil {
		if c, bad := err.(mat.Condition); !bad || math.IsInf(float64(c), 0) {
			return out
		}
	}
	// d variance_k / d (x, t): variance_k for its own x and for t.
	jac := mat.NewDense(n+1, a+1, nil)
	for i, k := range active {
		w := v * math.Exp(m.best.x[i])
		jac.Set(k, i, w)
		jac.Set(k, a, w)
	}
	jac.Set(n, a, v)
	var half, c mat.Dense
	half.Mul(jac, &inv)
	c.Mul(&half, jac.T())
	for i := range out {
		for j := range out {
			out[i][j] = (c.At(i, j) + c.At(j, i)) / 2
		}
	}
	return out
}

// profile gives the profile-likelihood limits of component k (the residual last), in units of the scale.
func (m *mixed) profile(k int, variances []float64) (Interval, error) {
	drop := dist.ChiSquareQuantileUpper(2*m.s.alpha, 1)
	last := len(m.names)
	// The others move on the logarithms of their variances; those at zero may leave it when k is pushed.
	var others []int
	var x0, floor []float64
	for j, w := range variances {
		if j == k {
			continue
		}
		others = append(others, j)
		low := -math.MaxFloat64
		if j < last {
			low = m.nothing(j) + math.Log(variances[last])
		}
		floor = append(floor, low)
		x0 = append(x0, math.Log(math.Max(w, math.Exp(low)*1e3)))
		if w == 0 {
			x0[len(x0)-1] = low + math.Log(1e3)
		}
	}
	least := m.best.value
	x := slices.Clone(x0)
	var h *mat.SymDense
	short := func(v float64) float64 {
		f := func(x []float64) float64 {
			w := func(j int) float64 {
				if j == k {
					return v
				}
				return math.Exp(x[slices.Index(others, j)])
			}
			rest := w(last)
			return m.deviance(m.parts(func(j int) float64 { return w(j) / rest }), rest)
		}
		var d float64
		d, h = settle(f, x, floor, h)
		return d - least - drop
	}
	in := Interval{Method: Profile, Approximate: true}
	v := variances[k]
	if v > 0 && (k == last || short(0) > 0) {
		if lo, hi, ok := bracket(short, v, 0.5, 1e-9*v); ok {
			in.Lower = crossingAt(short, hi, lo)
		}
	}
	copy(x, x0)
	base := v
	if base == 0 {
		base = 1e-3 * variances[last] / m.greatest[k]
	}
	lo, hi, ok := bracket(short, base, 2, 1e12)
	if !ok {
		return in, refusal.Unsolved("the profile of the likelihood has no limit for %s", append(m.names, m.s.Residual)[k])
	}
	in.Upper = crossingAt(short, lo, hi)
	return in, nil
}

// place is a variance and by how much the profile lies above what is allowed there.
type place struct{ at, short float64 }

// bracket goes from v by factors of step until short is no longer below zero; ok is false beyond end.
func bracket(short func(float64) float64, v, step, end float64) (inside, outside place, ok bool) {
	inside = place{v, math.NaN()}
	for w := v * step; step > 1 == (w < end); w *= step {
		s := short(w)
		if s >= 0 {
			if math.IsNaN(inside.short) {
				inside.short = short(v)
			}
			return inside, place{w, s}, inside.short < 0
		}
		inside = place{w, s}
	}
	return inside, outside, false
}

// crossingAt is where short is zero between two places, by the Illinois form of the secant method on the logarithm, to 1e-7 of
// the deviance.
//
// Source: M. Dowell and P. Jarratt, "A modified regula falsi method for computing the root of an equation", BIT 11 (1971),
// 168-174.
func crossingAt(short func(float64) float64, a, b place) float64 {
	x, y := math.Log(a.at), math.Log(b.at)
	f, g := a.short, b.short
	for range 100 {
		if math.Abs(g) < 1e-7 || math.Abs(x-y) < 1e-12 {
			break
		}
		z := y - g*(y-x)/(g-f)
		if !(z > math.Min(x, y) && z < math.Max(x, y)) {
			z = (x + y) / 2
		}
		h := short(math.Exp(z))
		if h*g < 0 {
			x, f = y, g
		} else {
			f /= 2
		}
		y, g = z, h
	}
	return math.Exp(y)
}
