package components

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// minimum is where a smooth function is least, found by descend.
type minimum struct {
	x          []float64
	value      float64
	iterations int
	converged  bool
	dropped    int // the coordinate that is better left out; -1 for none
}

// descend minimises f from x by Newton's method on differences: gradients by central differences of second order far out and
// of sixth order near the minimum, second derivatives by differences of the same step; directions in which f is not
// curved upwards are turned round, steps are at most 2 in each coordinate and halved until f falls. The coordinates are
// logarithms of variances, in which f changes on a scale near one; it ends with steps below 1e-9, or where rounding lets
// f fall no more. A coordinate that goes on falling near its floor, where f is nearly flat, is offered to drop, and the
// descent ends where that says that f is no higher without it.
func descend(f func([]float64) float64, x, floor []float64, drop func(i int, x []float64, value float64) bool) minimum {
	k := len(x)
	m := minimum{x: slices.Clone(x), dropped: -1}
	m.value = f(m.x)
	if k == 0 {
		m.converged = true
		return m
	}
	fine := false
	trial := make([]float64, k)
	for m.iterations = 1; m.iterations <= 200; m.iterations++ {
		g, h := differences(f, m.x, m.value, fine)
		step := downhill(g, h)
		most := largest(step, m.x, floor)
		if !(most < math.Inf(1)) {
			return m
		}
		for i, s := range step {
			if s < 0 && m.x[i] < floor[i]+14 && drop(i, m.x, m.value) {
				m.dropped = i
				return m
			}
		}
		if most < 0.02 && !fine {
			fine = true
			continue
		}
		if fine && most < 1e-9 {
			m.converged = true
			return m
		}
		scale := math.Min(1, 2/most)
		fell := false
		for range 30 {
			move(trial, m.x, step, scale, floor)
			if v := f(trial); v < m.value || fine && most < 1e-4 && v <= m.value+1e-9*(1+math.Abs(m.value)) {
				copy(m.x, trial)
				m.value = v
				fell = true
				break
			}
			scale /= 2
		}
		if fine && most < 1e-4 {
			// Near the minimum Newton's step on the fine gradient is good to rounding; one is enough.
			m.converged = true
			return m
		}
		if !fell {
			if fine {
				m.converged = most < 1e-3
				return m
			}
			fine = true
		}
	}
	return m
}

// settle moves x to the minimum of f near it with gradients of second order, which leave the least value right to about
// 1e-7, and the second derivatives h, which it works out where they are nil or have grown old; it returns the value and h.
func settle(f func([]float64) float64, x, floor []float64, h *mat.SymDense) (float64, *mat.SymDense) {
	k := len(x)
	value := f(x)
	trial, p := make([]float64, k), slices.Clone(x)
	for range 50 {
		var g []float64
		if h == nil {
			g, h = differences(f, x, value, false)
		} else {
			g = make([]float64, k)
			copy(p, x)
			for i := range k {
				p[i] = x[i] + reach
				a := f(p)
				p[i] = x[i] - reach
				g[i] = (a - f(p)) / (2 * reach)
				p[i] = x[i]
			}
		}
		step := downhill(g, h)
		most := largest(step, x, floor)
		if !(most > 1e-3) {
			break
		}
		scale, fell := math.Min(1, 2/most), false
		for range 20 {
			move(trial, x, step, scale, floor)
			if v := f(trial); v < value {
				// A step that had to be cut, or that was long, needs new second derivatives.
				if scale < 1 || most > 1 {
					h = nil
				}
				copy(x, trial)
				value, fell = v, true
				break
			}
			scale /= 2
		}
		if !fell {
			break
		}
	}
	return value, h
}

// largest is the greatest step of a coordinate; those at their floor do not go down.
func largest(step, x, floor []float64) float64 {
	most := 0.0
	for i, s := range step {
		if x[i] <= floor[i] && s < 0 {
			step[i] = 0
			continue
		}
		if math.IsNaN(s) {
			return math.Inf(1)
		}
		most = math.Max(most, math.Abs(s))
	}
	return most
}

// move writes x and scale steps on to dst.
func move(dst, x, step []float64, scale float64, floor []float64) {
	for i := range dst {
		dst[i] = math.Max(floor[i], x[i]+scale*step[i])
	}
}

const reach = 0.05 // the step of differences

// differences gives gradient and second derivatives of f at x, where it is fx.
func differences(f func([]float64) float64, x []float64, fx float64, fine bool) (g []float64, h *mat.SymDense) {
	k := len(x)
	if k == 0 {
		return nil, nil
	}
	g, h = make([]float64, k), mat.NewSymDense(k, nil)
	p := append([]float64(nil), x...)
	for i := range k {
		at := func(d float64) float64 {
			p[i] = x[i] + d
			v := f(p)
			p[i] = x[i]
			return v
		}
		a1, b1 := at(reach), at(-reach)
		g[i] = (a1 - b1) / (2 * reach)
		h.SetSym(i, i, (a1-2*fx+b1)/(reach*reach))
		if fine {
			a2, b2, a3, b3 := at(2*reach), at(-2*reach), at(3*reach), at(-3*reach)
			g[i] = (45*(a1-b1) - 9*(a2-b2) + (a3 - b3)) / (60 * reach)
			h.SetSym(i, i, (270*(a1+b1)-27*(a2+b2)+2*(a3+b3)-490*fx)/(180*reach*reach))
		}
	}
	for i := range k {
		for j := range i {
			cross := func(d float64) float64 {
				s := 0.0
				for _, c := range [][3]float64{{1, 1, 1}, {1, -1, -1}, {-1, 1, -1}, {-1, -1, 1}} {
					p[i], p[j] = x[i]+c[0]*d, x[j]+c[1]*d
					s += c[2] * f(p)
				}
				p[i], p[j] = x[i], x[j]
				return s / (4 * d * d)
			}
			v := cross(reach)
			if fine {
				// Two steps of Richardson's extrapolation.
				w, u := cross(2*reach), cross(4*reach)
				a, b := (4*v-w)/3, (4*w-u)/3
				v = (16*a - b) / 15
			}
			h.SetSym(i, j, v)
		}
	}
	return g, h
}

// downhill is Newton's step -H^-1 g with the second derivatives made positive.
func downhill(g []float64, h *mat.SymDense) []float64 {
	k := len(g)
	step := make([]float64, k)
	var e mat.EigenSym
	if !e.Factorize(h, true) {
		for i := range step {
			step[i] = -g[i] / math.Max(1, math.Abs(h.At(i, i)))
		}
		return step
	}
	var v mat.Dense
	e.VectorsTo(&v)
	values := e.Values(nil)
	most := 0.0
	for _, l := range values {
		most = math.Max(most, math.Abs(l))
	}
	for c, l := range values {
		d := 0.0
		for i := range k {
			d += v.At(i, c) * g[i]
		}
		d /= math.Max(math.Abs(l), 1e-9*most+1e-300)
		for i := range k {
			step[i] -= d * v.At(i, c)
		}
	}
	return step
}
