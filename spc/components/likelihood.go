package components

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// FitNested estimates the components of nested factors (rows as in Nested, balanced or not) by REML or ML. The logarithm
// of the restricted likelihood of y ~ N(mu 1, V), V = sum_k sigma_k^2 Z_k Z_k' + sigma_e^2 I,
//
//	-1/2 [(N-1) log 2 pi + log|V| + log(1' V^-1 1) + y'Py],  P = V^-1 - V^-1 1 (1' V^-1 1)^-1 1' V^-1
//
// (ML: N for N-1, without the third term) is maximised over components not below zero by Newton steps with the average
// information 1/2 y'P V_i P V_j P y in place of the Hessian, halved where they do not climb, and by searches along each
// component where none does; V is inverted group by group from the inside out (Sherman-Morrison), at a cost of N times the
// depth. Balanced, and where no component is at zero, REML gives the components of the analysis of variance.
//
// Intervals: LogWald from the average information, or Profile: all values of the component with which twice the logarithm
// of the likelihood falls short of its maximum by no more than the chi-square quantile with 1 degree of freedom. A
// component at zero always has its upper limit from the profile. Refusals as those of Nested, where no maximum is found, and
// where the likelihood is too flat about it for standard errors.
//
// Source: H. D. Patterson and R. Thompson, Biometrika 58 (1971), 545-554; A. R. Gilmour, R. Thompson, B. R. Cullis,
// "Average information REML", Biometrics 51 (1995), 1440-1450; Searle, Casella, McCulloch (1992), chapter 6.
func FitNested(levels [][]int, y []float64, o Options) (*Result, error) {
	t, s, err := newTree(levels, y, o, LogWald, Profile)
	if err != nil {
		return nil, err
	}
	lines, err := t.lines(&s)
	if err != nil {
		return nil, err
	}
	r := &Result{N: len(y), Mean: t.origin, Balanced: t.balanced()}
	return s.fit(r, lines, newNestedModel(t, s.Estimator == REML), nil, t.scale)
}

// FitCrossed estimates the components of two crossed factors, and of their interaction where the options ask for it, by
// REML or ML as FitNested does. The cells' counts, means and sums of squares are all the data that matter. The factor with
// more levels (the hours) is eliminated level by level (Sherman-Morrison), what remains is a dense system of the size of the
// other one (the moulds): a step costs cells times that size. Refusals as those of Crossed.
//
// Source: as FitNested; the elimination follows from the Sherman-Morrison-Woodbury formula, see Searle, Casella,
// McCulloch (1992), appendix M.5.
func FitCrossed(cells []Cell, o Options) (*Result, error) {
	t, s, err := newTable(cells, o, LogWald, Profile)
	if err != nil {
		return nil, err
	}
	lines, err := t.lines(&s)
	if err != nil {
		return nil, err
	}
	r := &Result{N: t.total, Mean: t.origin, Balanced: t.balanced}
	var order []int
	if t.swapped {
		order = []int{1, 0, 2, 3}[:len(lines)]
	}
	return s.fit(r, lines, newCrossedModel(t, &s), order, t.scale)
}

// model is a likelihood of components in units of the scale of the data; the residual is last and above zero.
type model interface {
	// at works out the likelihood, with its slopes and average information if wanted.
	at(theta []float64, slopes bool) point
	// size is the number of values.
	size() int
}

// point is the likelihood at one place.
type point struct {
	log      float64 // NaN where it cannot be worked out
	slope    []float64
	info     *mat.SymDense
	mean     float64
	meanPrec float64 // 1' V^-1 1
}

// fit maximises the likelihood and makes the result. order gives the place in the model of each component, nil for the same.
func (s *settings) fit(r *Result, lines []line, m model, order []int, scale float64) (*Result, error) {
	k := len(lines)
	if order == nil {
		for i := range k {
			order = append(order, i)
		}
	}
	// Analysis of variance gives where to start, away from the bound.
	var a Result
	sa := *s
	sa.Interval = ModifiedLargeSample
	sa.solve(lines, &a)
	start := make([]float64, k)
	for i, c := range a.Components {
		start[order[i]] = math.Max(c.Raw, 1e-3*a.Components[k-1].Raw)
	}
	best := maximise(m, start, -1)
	if !best.converged {
		return nil, refusal.Unsolved("no maximum of the likelihood was found in %d steps", best.steps)
	}
	p := best.point
	r.Method, r.Converged, r.Iterations = s.Estimator, true, best.steps
	r.Mean += scale * p.mean
	r.MeanSE = 1 / math.Sqrt(p.meanPrec)
	free := float64(r.N)
	if s.Estimator == REML {
		free--
	}
	r.LogLikelihood = p.log - free*math.Log(scale)
	cov, ok := best.covariance(m)
	if !ok {
		return nil, refusal.Unsolved("the likelihood hardly falls off around its maximum, so that the components have no standard errors: more levels or values are needed")
	}
	total, totalVar := 0.0, 0.0
	z := dist.NormalQuantileUpper(s.alpha)
	for i, l := range lines {
		at := order[i]
		c := Component{Name: l.source, Levels: l.levels, Variance: best.theta[at], Raw: best.theta[at], Zero: best.theta[at] == 0}
		total += c.Variance
		for j := range k {
			totalVar += cov.At(at, j)
		}
		c.SE = math.Sqrt(cov.At(at, at))
		if c.Zero || s.Interval == Profile {
			var err error
			if c.Interval, err = s.profile(m, best, at); err != nil {
				return nil, err
			}
		} else {
			c.Interval = logWald(c.Variance, c.SE, z)
		}
		r.Components = append(r.Components, c)
	}
	r.Total.Raw, r.Total.SE = total, math.Sqrt(math.Max(0, totalVar))
	r.Total.Interval = logWald(total, r.Total.SE, z)
	r.finish(scale)
	for i := range k {
		r.Covariance = append(r.Covariance, make([]float64, k))
		for j := range k {
			r.Covariance[i][j] = cov.At(order[i], order[j]) * scale * scale * scale * scale
		}
	}
	return r, nil
}

func logWald(v, se, z float64) Interval {
	// With a standard error many times the value the limits are worthless; they stay finite.
	f := math.Exp(math.Min(z*se/v, 300))
	return Interval{Lower: v / f, Upper: v * f, Method: LogWald, Approximate: true}
}

// maximum is where the climb ended.
type maximum struct {
	theta     []float64
	point     point
	steps     int
	converged bool
}

const maxSteps = 200

// maximise climbs from start; component fixed, -1 for none, stays where it is. Components reach zero and leave it as
// their slopes demand.
func maximise(m model, start []float64, fixed int) maximum {
	k := len(start)
	theta, try, step := append([]float64(nil), start...), make([]float64, k), make([]float64, k)
	p := m.at(theta, true)
	last := math.Inf(1)
	for n := range maxSteps {
		if math.IsNaN(p.log) {
			return maximum{theta: theta, point: p, steps: n}
		}
		gain, ok := newton(p, theta, fixed, float64(m.size()), step)
		// Near the top the gain of a step is lost in the rounding of the likelihood: full steps as long as they shrink.
		near := ok && gain < 1e-8*(1+1e-6*math.Abs(p.log))
		if ok && gain < 1e-20 || near && gain >= last {
			return maximum{theta: theta, point: p, steps: n, converged: true}
		}
		if near {
			last = gain
		}
		done := false
		for t := 1.0; ok && !done && t > 1e-10; t /= 2 {
			for i := range try {
				try[i] = math.Max(0, theta[i]+t*step[i])
			}
			if !(try[k-1] > 1e-3*theta[k-1]) {
				try[k-1] = 1e-3 * theta[k-1]
			}
			q := m.at(try, true)
			if near && !math.IsNaN(q.log) || q.log > p.log {
				copy(theta, try)
				p, done = q, true
			}
		}
		if !done {
			before := p.log
			if p = search(m, p, theta, fixed); !(p.log > before+1e-12*(1+math.Abs(before))) {
				return maximum{theta: theta, point: p, steps: n, converged: ok && gain < 1e-6}
			}
		}
	}
	return maximum{theta: theta, point: p, steps: maxSteps}
}

// search climbs where no step by the average information does: along each free component in turn, by powers of four up and
// down and to zero.
func search(m model, p point, theta []float64, fixed int) point {
	k := len(theta)
	for i := range k {
		if i == fixed {
			continue
		}
		here := theta[i]
		unit := here
		if unit == 0 {
			unit = 1e-4 * theta[k-1]
		}
		best, log := here, p.log
		look := func(v float64) bool {
			theta[i] = v
			q := m.at(theta, false)
			better := q.log > log
			if better {
				best, log = v, q.log
			}
			return better
		}
		if i < k-1 && here > 0 {
			look(0)
		}
		for _, f := range []float64{4, 0.25, 1.25, 0.8, 1.01, 0.99} {
			for v, n := unit*f, 0; n < 30 && look(v); n++ {
				v *= f
			}
		}
		theta[i] = best
		if best != here {
			p = m.at(theta, true)
		}
	}
	return p
}

// newton writes the step over the components that are free to move and gives its promise, slope times step. ok is false
// where no step can be made; size is the number of values.
func newton(p point, theta []float64, fixed int, size float64, step []float64) (gain float64, ok bool) {
	k := len(theta)
	held := make([]bool, k)
	for i := range held {
		held[i] = i == fixed || theta[i] == 0 && !(p.slope[i] > 0)
	}
	for {
		var at []int
		for i := range held {
			step[i] = 0
			if !held[i] {
				at = append(at, i)
			}
		}
		if len(at) == 0 {
			return 0, true
		}
		// Scaled by the diagonal, and lifted where rounding makes it singular. The average information on a component vanishes
		// where the levels' sums of Py do, as those of tied values may at once. Then the slope is -1/2 tr(P V_i), and the
		// expected information, 1/2 tr(P V_i P V_i), is at least 1/2 tr(P V_i)^2 / N: so much there is on any way down.
		a, b := mat.NewSymDense(len(at), nil), mat.NewVecDense(len(at), nil)
		d := make([]float64, len(at))
		for i, f := range at {
			info := p.info.At(f, f)
			if p.slope[f] < 0 {
				info = math.Max(info, 2*sq(p.slope[f])/size)
			}
			if d[i] = 1 / math.Sqrt(info); !(d[i] > 0 && d[i] < 1e150) {
				return 0, false
			}
		}
		for i, f := range at {
			b.SetVec(i, d[i]*p.slope[f])
			for j := i; j < len(at); j++ {
				a.SetSym(i, j, d[i]*d[j]*p.info.At(f, at[j]))
			}
		}
		x := mat.NewVecDense(len(at), nil)
		var chol mat.Cholesky
		ok = false
		for lift := 0.0; !ok && lift < 1e6; lift = math.Max(1e-12, 100*lift) {
			for i := range at {
				a.SetSym(i, i, 1+lift)
			}
			ok = chol.Factorize(a) && chol.Cond() < 1e14 && chol.SolveVecTo(x, b) == nil
		}
		if !ok {
			return 0, false
		}
		gain = 0
		pushed := false
		for i, f := range at {
			step[f] = d[i] * x.AtVec(i)
			gain += step[f] * p.slope[f]
			if theta[f] == 0 && step[f] < 0 {
				held[f], pushed = true, true
			}
		}
		if !pushed {
			return gain, gain >= 0
		}
	}
}

// profile gives the profile-likelihood limits of component i.
func (s *settings) profile(m model, best maximum, i int) (Interval, error) {
	drop := dist.ChiSquareQuantileUpper(2*s.alpha, 1)
	theta := append([]float64(nil), best.theta...)
	// short is by how much twice the logarithm falls short at v, less what is allowed.
	short := func(v float64) float64 {
		theta[i] = v
		p := maximise(m, theta, i)
		copy(theta, p.theta)
		return 2*(best.point.log-p.point.log) - drop
	}
	in := Interval{Method: Profile, Approximate: true}
	v := best.theta[i]
	var err error
	root := func(inside, outside float64) float64 {
		x, e := dist.Root(func(u float64) float64 { return short(math.Exp(u)) }, math.Log(inside), math.Log(outside))
		if e != nil {
			err = refusal.Unsolved("the profile of the likelihood has no limit: %v", e)
		}
		return math.Exp(x)
	}
	last := len(theta) - 1
	if v > 0 && (i == last || short(0) > 0) {
		lo := v / 2
		for short(lo) < 0 && lo > 1e-12*v {
			lo /= 4
		}
		if short(lo) >= 0 {
			in.Lower = root(v, lo)
		}
	}
	copy(theta, best.theta)
	base := v
	if base == 0 {
		base = 1e-6 * best.theta[last]
	}
	hi := 2 * base
	for short(hi) < 0 {
		if hi *= 4; hi > 1e12 {
			return in, refusal.Unsolved("the profile of the likelihood has no upper limit")
		}
	}
	in.Upper = root(base, hi)
	return in, err
}
