package fit

import (
	"math"
	"sort"

	"sagwatch/spc/refusal"
)

// Johnson curves are fitted on two parameters: with those of the transformation z(x) given, gamma and delta follow,
//
//	delta = 1/sd(z), gamma = -mean(z)/sd(z)  (denominator n),
//
// and leave the profile likelihood per value
//
//	-log sd(z) + mean(log z'(x)).
//
// It is worked out on standardised values, so that the result moves with shift and scale.

// profile is a profile likelihood per value with its gradient in the coordinates v; where it has none it is -Inf.
type profile func(v [2]float64) (value float64, gradient [2]float64)

// standardised are the sample's places less their mean over their standard deviation, with their shares.
func (s *Sample) standardised() (u, w []float64, mean, sd float64) {
	mean, sd = s.maximumNormal(func(x float64) float64 { return x })
	u, w = make([]float64, len(s.at)), make([]float64, len(s.at))
	for i, x := range s.at {
		u[i], w[i] = (x-mean)/sd, float64(s.count[i])/float64(s.n)
	}
	return u, w, mean, sd
}

// thinned is every k-th of many places, for the coarse look.
func thinned(u, w []float64) (tu, tw []float64) {
	const most = 4000
	if len(u) <= most {
		return u, w
	}
	k := (len(u) + most - 1) / most
	for i := 0; i < len(u); i += k {
		sum := 0.0
		for j := i; j < min(i+k, len(u)); j++ {
			sum += w[j]
		}
		tu, tw = append(tu, u[min(i+k/2, len(u)-1)]), append(tw, sum)
	}
	return tu, tw
}

// profileOf gathers the profile likelihood from z, log z' and their derivatives by the two coordinates.
func profileOf(u, w []float64, terms func(u float64) (z, lz, z0, z1, l0, l1 float64)) (value float64, g [2]float64, mz, sz float64) {
	var m, l, c0, c1, m0, m1, g0, g1, v float64
	var shift float64
	for i, x := range u {
		z, lz, z0, z1, l0, l1 := terms(x)
		if i == 0 {
			shift = z // so that squares of the deviations do not cancel
		}
		z -= shift
		k := w[i]
		m += k * z
		v += k * z * z
		l += k * lz
		m0, m1 = m0+k*z0, m1+k*z1
		c0, c1 = c0+k*z*z0, c1+k*z*z1
		g0, g1 = g0+k*l0, g1+k*l1
	}
	v -= m * m
	if !(v > 0) || math.IsInf(v, 0) || math.IsNaN(l) || math.IsInf(l, 0) {
		return math.Inf(-1), g, 0, 0
	}
	return l - math.Log(v)/2, [2]float64{g0 - (c0-m*m0)/v, g1 - (c1-m*m1)/v}, m + shift, math.Sqrt(v)
}

// transformSU is z = asinh((u - v0)/e^v1).
func transformSU(u, w []float64, v [2]float64) (float64, [2]float64, float64, float64) {
	lambda := math.Exp(v[1])
	return profileOf(u, w, func(x float64) (z, lz, z0, z1, l0, l1 float64) {
		t := (x - v[0]) / lambda
		r2 := 1 + t*t
		r := math.Sqrt(r2)
		// asinh by the sign, for the negative side would cancel.
		if t < 0 {
			z = -math.Log(r - t)
		} else {
			z = math.Log(r + t)
		}
		if math.Abs(t) < 0.1 {
			z = math.Asinh(t)
		}
		return z, -v[1] - math.Log(r2)/2, -1 / (lambda * r), -t / r, t / (lambda * r2), -1 / r2
	})
}

// transformSB is z = log((u - L)/(U - u)) with L = least - e^v0, U = greatest + e^v1.
func transformSB(u, w []float64, v [2]float64) (float64, [2]float64, float64, float64) {
	ea, eb := math.Exp(v[0]), math.Exp(v[1])
	least, greatest := u[0], u[len(u)-1]
	length := greatest - least + ea + eb
	ll := math.Log(length)
	return profileOf(u, w, func(x float64) (z, lz, z0, z1, l0, l1 float64) {
		a, b := x-least+ea, greatest-x+eb
		la, lb := math.Log(a), math.Log(b)
		return la - lb, ll - la - lb, ea / a, -eb / b, ea * (1/length - 1/a), eb * (1/length - 1/b)
	})
}

// maximumSU fits gamma, delta, xi, lambda; start, where given, is parameters to start from.
func maximumSU(s *Sample, start []float64, why *search) ([]float64, error) {
	u, w, mean, sd := s.standardised()
	tu, tw := thinned(u, w)
	var starts [][2]float64
	if start != nil {
		starts = [][2]float64{{(start[2] - mean) / sd, math.Log(start[3] / sd)}}
	} else {
		for _, xi := range []float64{-4, -2, -1, -0.5, -0.2, 0, 0.2, 0.5, 1, 2, 4} {
			for _, lambda := range []float64{0.1, 0.3, 1, 3, 10} {
				starts = append(starts, [2]float64{xi, math.Log(lambda)})
			}
		}
	}
	least, greatest := u[0], u[len(u)-1]
	inside := func(v [2]float64) string {
		switch {
		case v[1] > math.Log(300):
			return "its normal limit"
		case v[0] < least-1e-9 && v[1] < math.Log(1e-3)+math.Log(least-v[0]), v[0] > greatest+1e-9 && v[1] < math.Log(1e-3)+math.Log(v[0]-greatest), math.Abs(v[0]) > 3000:
			return "its lognormal limit"
		case v[1] < math.Log(1e-5):
			return "a spike at a single value"
		}
		return ""
	}
	v, err := climbBest(JohnsonSU, starts,
		func(v [2]float64) float64 { f, _, _, _ := transformSU(tu, tw, v); return f },
		func(v [2]float64) (float64, [2]float64) { f, g, _, _ := transformSU(u, w, v); return f, g }, inside, why)
	if err != nil {
		return nil, err
	}
	_, _, mz, sz := transformSU(u, w, v)
	return []float64{-mz / sz, 1 / sz, mean + sd*v[0], sd * math.Exp(v[1])}, nil
}

// maximumSB fits gamma, delta, xi, lambda.
func maximumSB(s *Sample, start []float64, why *search) ([]float64, error) {
	u, w, mean, sd := s.standardised()
	least, greatest := u[0], u[len(u)-1]
	var starts [][2]float64
	if start != nil {
		a, b := least-(start[2]-mean)/sd, (start[2]+start[3]-mean)/sd-greatest
		if a > 1e-4 && b > 1e-4 {
			starts = [][2]float64{{math.Log(a), math.Log(b)}}
		}
	}
	if starts == nil {
		for _, a := range []float64{0.02, 0.1, 0.4, 1.5, 6, 25} {
			for _, b := range []float64{0.02, 0.1, 0.4, 1.5, 6, 25} {
				starts = append(starts, [2]float64{math.Log(a), math.Log(b)})
			}
		}
	}
	tu, tw := thinned(u, w)
	inside := func(v [2]float64) string {
		switch {
		case v[0] > math.Log(300) && v[1] > math.Log(300):
			return "its normal limit"
		case v[0] > math.Log(3000) || v[1] > math.Log(3000):
			return "its lognormal limit"
		case v[0] < math.Log(1e-7) || v[1] < math.Log(1e-7):
			return "a bound at the least or greatest value, where it is without limit"
		}
		return ""
	}
	v, err := climbBest(JohnsonSB, starts,
		func(v [2]float64) float64 { f, _, _, _ := transformSB(tu, tw, v); return f },
		func(v [2]float64) (float64, [2]float64) { f, g, _, _ := transformSB(u, w, v); return f, g }, inside, why)
	if err != nil {
		return nil, err
	}
	_, _, mz, sz := transformSB(u, w, v)
	lower, upper := least-math.Exp(v[0]), greatest+math.Exp(v[1])
	return []float64{-mz / sz, 1 / sz, mean + sd*lower, sd * (upper - lower)}, nil
}

// climbBest climbs from the best starts by the coarse likelihood and takes the highest maximum inside.
func climbBest(family Family, starts [][2]float64, coarse func([2]float64) float64, f profile, inside func([2]float64) string, why *search) ([2]float64, error) {
	type candidate struct {
		v [2]float64
		f float64
	}
	cs := make([]candidate, 0, len(starts))
	for _, v := range starts {
		if value := coarse(v); !math.IsInf(value, -1) && !math.IsNaN(value) {
			cs = append(cs, candidate{v, value})
		}
	}
	sort.SliceStable(cs, func(i, j int) bool { return cs[i].f > cs[j].f })
	best, found, out := math.Inf(-1), false, ""
	var at [2]float64
	for i := 0; i < min(3, len(cs)); i++ {
		v, value, k, trouble := climb(cs[i].v, f, inside)
		why.iterations += k
		if trouble != "" {
			if out == "" {
				out = trouble
			}
			continue
		}
		if value > best {
			best, at, found = value, v, true
		}
		if i == 0 && value >= cs[0].f && len(cs) > 1 && cs[1].f < value-0.5*math.Abs(value)*1e-2 {
			break // the others start far lower
		}
	}
	if !found {
		if out == "" {
			out = "no finite parameters"
		}
		if out == unconverged {
			return at, refusal.Unsolved("the search for the greatest likelihood of a %s distribution did not converge", family)
		}
		return at, refusal.Unsolved("the likelihood of a %s distribution has no maximum inside: it runs off to %s; take a simpler family", family, out)
	}
	why.stopped = converged + " on the highest maximum inside"
	return at, nil
}

const unconverged = "nowhere"

// climb is Newton's method on the gradient, the second derivatives by central differences, with steps no longer than one
// in each coordinate and halved until they climb.
func climb(v [2]float64, f profile, inside func([2]float64) string) (at [2]float64, value float64, iterations int, trouble string) {
	value, g := f(v)
	for iterations = 1; iterations <= 200; iterations++ {
		if out := inside(v); out != "" {
			return v, value, iterations, out
		}
		var h [2][2]float64
		const d = 1e-4
		for j := range 2 {
			size := d
			p, m := v, v
			p[j] += size
			m[j] -= size
			_, gp := f(p)
			_, gm := f(m)
			for i := range 2 {
				h[i][j] = (gp[i] - gm[i]) / (2 * size)
			}
		}
		c := (h[0][1] + h[1][0]) / 2
		step, ok := ascent(h[0][0], h[1][1], c, g)
		if !ok {
			return v, value, iterations, unconverged
		}
		long := math.Max(math.Abs(step[0])/math.Max(1, 0.3*math.Abs(v[0])), math.Abs(step[1]))
		if long > 1 {
			step[0], step[1] = step[0]/long, step[1]/long
		}
		moved := false
		for t := 1.0; t > 1e-9; t /= 2 {
			q := [2]float64{v[0] + t*step[0], v[1] + t*step[1]}
			if fq, gq := f(q); fq >= value-4e-16*math.Abs(value) {
				v, value, g, moved = q, fq, gq, true
				step[0], step[1] = t*step[0], t*step[1]
				break
			}
		}
		if !moved || math.Max(math.Abs(step[0])/math.Max(1, math.Abs(v[0])), math.Abs(step[1])) < 1e-11 {
			if math.Max(math.Abs(g[0]), math.Abs(g[1])) > 1e-6 {
				return v, value, iterations, unconverged
			}
			return v, value, iterations, inside(v)
		}
	}
	return v, value, iterations, unconverged
}

// ascent solves minus the second derivatives times step = g, shifted until they are positive definite.
func ascent(a, b, c float64, g [2]float64) ([2]float64, bool) {
	a, b, c = -a, -b, -c
	mean, half := (a+b)/2, math.Hypot((a-b)/2, c)
	low, high := mean-half, mean+half
	if math.IsNaN(low) || math.IsInf(high, 0) {
		return [2]float64{}, false
	}
	shift := 0.0
	if least := 1e-9 * math.Max(math.Abs(high), 1e-9); low < least {
		shift = least - low + 0.1*math.Abs(low)
	}
	a, b = a+shift, b+shift
	det := a*b - c*c
	s := [2]float64{(b*g[0] - c*g[1]) / det, (a*g[1] - c*g[0]) / det}
	return s, !math.IsNaN(s[0]) && !math.IsNaN(s[1]) && !math.IsInf(s[0], 0) && !math.IsInf(s[1], 0)
}

// slifkerShapiroZ is the z that Slifker and Shapiro use for moderate samples.
const slifkerShapiroZ = 0.524

// FromFourQuantiles is the Johnson curve through the quantiles x at the standard normal values -3z, -z, z and 3z: with
// m = x(3z) - x(z), n = x(-z) - x(-3z) and p = x(z) - x(-z) it is SU where mn/p^2 > 1, SB where mn/p^2 < 1 and, within
// 1e-9 of it, lognormal. Refused are quantiles that do not ascend, z not above zero, and a lognormal curve that falls off
// to the left, for which there is no family here.
//
// Source: J. F. Slifker and S. S. Shapiro, "The Johnson system: selection and parameter estimation", Technometrics 22
// (1980), 239-246; formulas from memory, checked against exact quantiles.
func FromFourQuantiles(z float64, x [4]float64) (Distribution, error) {
	if !(z > 0 && z < 3) {
		return nil, refusal.Setting("z", z, "it must be above 0 and below 3")
	}
	if err := refusal.Finite("quantiles", x[:]); err != nil {
		return nil, err
	}
	for i := 1; i < 4; i++ {
		if !(x[i] > x[i-1]) {
			return nil, refusal.Crossed(x[i-1], x[i])
		}
	}
	p := x[2] - x[1]
	m, n := (x[3]-x[2])/p, (x[1]-x[0])/p // over p
	middle := x[1] + p/2
	r := m*n - 1
	switch {
	case math.Abs(r) <= 1e-9:
		if math.Abs(m-1) < 1e-4 {
			return New(Normal, middle, p/(2*z))
		}
		if m < 1 {
			return nil, refusal.Unsolved("the four quantiles are those of a lognormal curve that falls off to the left")
		}
		delta := 2 * z / math.Log(m)
		gamma := delta * math.Log((m-1)/(p*math.Sqrt(m)))
		return New(Lognormal3, -gamma/delta, 1/delta, middle-p/2*(m+1)/(m-1))
	case r > 0:
		delta := 2 * z / math.Acosh((m+n)/2)
		gamma := delta * math.Asinh((n-m)/(2*math.Sqrt(r)))
		lambda := 2 * p * math.Sqrt(r) / ((m + n - 2) * math.Sqrt(m+n+2))
		return New(JohnsonSU, gamma, delta, middle+p*(n-m)/(2*(m+n-2)), lambda)
	}
	a, b := 1/m, 1/n
	ab := (1 + a) * (1 + b)
	k := a*b - 1
	delta := z / math.Acosh(math.Sqrt(ab)/2)
	gamma := delta * math.Asinh((b-a)*math.Sqrt(ab-4)/(2*k))
	lambda := p * math.Sqrt((ab-2)*(ab-2)-4) / k
	return New(JohnsonSB, gamma, delta, middle-lambda/2+p*(b-a)/(2*k), lambda)
}

// FitFourQuantiles fits a Johnson curve through four sample quantiles (Quantiles) at -3z .. 3z; z 0 means 0.524. The
// result's family is what the quantiles say. It has no standard errors, and its likelihood is below the greatest; where
// values lie outside the bounds of an SB curve it has none (Impossible). It refuses z outside (0, 3), fewer than eight values
// and, as FromFourQuantiles, sample quantiles that do not ascend or are those of a lognormal curve that falls off to the left.
//
// Source: as for FromFourQuantiles.
func FitFourQuantiles(s *Sample, z float64) (*Fitted, error) {
	if z == 0 {
		z = slifkerShapiroZ
	}
	if !(z > 0 && z < 3) {
		return nil, refusal.Setting("z", z, "it must be above 0 and below 3")
	}
	if s.n < 8 {
		return nil, refusal.Few("values", s.n, 8)
	}
	var ps [4]float64
	for i, k := range []float64{-3, -1, 1, 3} {
		ps[i] = normal{0, 1}.CDF(k * z)
	}
	var x [4]float64
	s.Quantiles(x[:], ps[:], nil)
	d, err := FromFourQuantiles(z, x)
	if err != nil {
		return nil, err
	}
	f := &Fitted{Method: FourQuantiles, Stopped: closedForm}
	return f, f.finishQuantiles(s, d)
}
