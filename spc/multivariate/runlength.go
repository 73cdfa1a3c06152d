package multivariate

import (
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/mat"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// MEWMADesign is a multivariate EWMA of P terms about a known law, for its run length. With Steady its statistic has the
// covariance of an average that has run for long from the start on, as in the published tables; without, the exact one.
type MEWMADesign struct {
	P      int
	Lambda float64
	H      float64
	Steady bool
}

func (c MEWMADesign) check() error {
	if err := checkTerms(c.P); err != nil {
		return err
	}
	if err := (MEWMASettings{Lambda: c.Lambda, H: c.H}).check(); err != nil {
		return err
	}
	if c.Lambda < 1e-3 {
		return refusal.Setting("lambda", c.Lambda, "below 0.001 run lengths are not worked out")
	}
	if c.H > 1e3 {
		return refusal.Setting("the limit", c.H, "above 1000 run lengths are not worked out")
	}
	return nil
}

// radius is the greatest length of the average that does not signal, for unit covariance, once the limit has settled.
func (c MEWMADesign) radius() float64 { return math.Sqrt(c.H * c.Lambda / (2 - c.Lambda)) }

// ARL is the average run length from the start when the mean shifts at once by the statistical distance
// delta = sqrt(d' Sigma^-1 d), 0 in control. Without loss of generality the covariance is the identity and the shift along the
// first axis. In control the length r of the average obeys
//
//	L(r) = 1 + integral_0^R L(s) f(s | r) ds,  R^2 = H lambda / (2 - lambda)
//
// where s/lambda is non-central chi with P degrees of freedom about (1 - lambda) r / lambda. With a shift the state is the
// component a along it and the length b of the rest, (a, b) in a half disc of radius R:
//
//	L(a, b) = 1 + integral L(a', b') phi((a' - (1 - lambda) a)/lambda - delta)/lambda f(b' | b) da' db'
//
// Both are solved by Nystrom's method on Gauss-Legendre nodes whose number follows lambda, to about 1e-6 relative or better;
// exact limits at the start are taken in by stepping back from the settled chart point by point.
//
// It refuses P outside 1 to 64, lambda outside 0.001 to 1, a limit not above 0 or above 1000, delta below 0 or above 100 (one
// term takes delta 0 alone: its chart is the two-sided EWMA), a lambda too small for a shift to be worked out (below about
// 0.01) and a run length beyond 1e9.
//
// Source: S. E. Rigdon, "An integral equation for the in-control average run length of a multivariate exponentially weighted
// moving average control chart", J. Statistical Computation and Simulation 52 (1995), 351-365; "A double-integral equation for
// the average run length ...", Statistics and Probability Letters 24 (1995), 365-373; from memory.
func (c MEWMADesign) ARL(delta float64) (float64, error) {
	if err := c.check(); err != nil {
		return 0, err
	}
	if !(delta >= 0 && delta <= 100) {
		return 0, refusal.Setting("the shift", delta, "it must be from 0 to 100 standard deviations")
	}
	if c.Lambda == 1 {
		return T2ARL(c.P, c.H, delta)
	}
	if delta > 0 && c.P == 1 {
		return 0, refusal.Setting("the number of terms", 1, "the run length after a shift of a single term is that of the two-sided EWMA chart")
	}
	var k kernel
	if delta == 0 {
		k = c.onRadius()
	} else {
		var err error
		if k, err = c.onHalfDisc(delta); err != nil {
			return 0, err
		}
	}
	return c.arl(k)
}

// kernel is the transition density of the state of a chart between limits, on nodes of unit scale.
type kernel interface {
	size() int
	// row writes the probabilities of coming from state i of a disc of radius from (the origin where i < 0) to each node of a disc
	// of radius to.
	row(dst []float64, i int, from, to float64)
}

// arl solves L = 1 + K L and gives L at the origin.
func (c MEWMADesign) arl(k kernel) (float64, error) {
	n := k.size()
	end := c.radius()
	m := make([]float64, n*n)
	for i := range n {
		k.row(m[i*n:(i+1)*n], i, end, end)
	}
	l, err := resolve(m, n)
	if err != nil {
		return 0, err
	}
	row := make([]float64, n)
	origin := func(to float64) float64 {
		k.row(row, -1, 0, to)
		a := 1.0
		for j, v := range row {
			a += v * l[j]
		}
		return a
	}
	if c.Steady {
		return longest(origin(end))
	}
	// L after i points, back from where the limit has settled
	s := MEWMASettings{Lambda: c.Lambda, H: c.H}
	at := func(i int) float64 { return math.Sqrt(c.H * s.variance(i)) }
	last := 1
	for end-at(last) > 1e-8*end {
		last++
	}
	back := make([]float64, n)
	for i := last; i > 1; i-- { // from nodes of the limit at i-1 to those at i
		for j := range n {
			k.row(row, j, at(i-1), at(i))
			back[j] = 1
			for a, v := range row {
				back[j] += v * l[a]
			}
		}
		l, back = back, l
	}
	return longest(origin(at(1)))
}

func longest(arl float64) (float64, error) {
	if !(arl >= 1-1e-9 && arl <= 1e9) {
		return 0, refusal.Unsolved("the run length is beyond 1e9 and cannot be worked out")
	}
	return math.Max(1, arl), nil
}

// nodes is the number of nodes for a kernel of width lambda on a length: so many, and so many more for each lambda.
func (c MEWMADesign) nodes(base, each, length float64) int {
	n := int(math.Ceil(base + each*length/c.Lambda))
	if n == 26 { // the one rule that the library has wrong: its weights sum to 1 % too little (gonum v0.17)
		n++
	}
	return n
}

// radius kernel, in control.
type onRadius struct {
	lambda float64
	x, w   []float64 // nodes and weights on (0, 1)
	f      *radial
}

func (c MEWMADesign) onRadius() *onRadius {
	n := c.nodes(16, 2.6, c.radius())
	k := &onRadius{lambda: c.Lambda, x: make([]float64, n), w: make([]float64, n)}
	quad.Legendre{}.FixedLocations(k.x, k.w, 0, 1)
	most := c.radius() / c.Lambda
	k.f = newRadial(c.P, most*most)
	return k
}

func (k *onRadius) size() int { return len(k.x) }

func (k *onRadius) row(dst []float64, i int, from, to float64) {
	nu := 0.0
	if i >= 0 {
		nu = (1 - k.lambda) * from * k.x[i] / k.lambda
	}
	scale := to / k.lambda
	for j, x := range k.x {
		s := scale * x
		dst[j] = scale * k.w[j] * math.Pow(s, float64(k.f.dim-1)) * k.f.density(s, nu)
	}
}

// half disc kernel, after a shift.
type onHalfDisc struct {
	lambda, delta float64
	a, b, w       []float64 // nodes of the half disc of radius 1, weights with the area
	f             *radial
}

// mostNodes bounds the memory of the half disc: a matrix of its square.
const mostNodes = 6000

func (c MEWMADesign) onHalfDisc(delta float64) (*onHalfDisc, error) {
	r := c.radius()
	nr, nt := c.nodes(8, 1.75, r), c.nodes(10, 2.3, r)
	if nr*nt > mostNodes {
		return nil, refusal.Setting("lambda", c.Lambda, "it is too small for the run length after a shift to be worked out")
	}
	k := &onHalfDisc{lambda: c.Lambda, delta: delta}
	x, wx := make([]float64, nr), make([]float64, nr)
	quad.Legendre{}.FixedLocations(x, wx, 0, 1)
	t, wt := make([]float64, nt), make([]float64, nt)
	quad.Legendre{}.FixedLocations(t, wt, 0, math.Pi)
	for i := range nr {
		for j := range nt {
			s, co := math.Sincos(t[j])
			k.a, k.b = append(k.a, x[i]*co), append(k.b, x[i]*s)
			k.w = append(k.w, wx[i]*wt[j]*x[i])
		}
	}
	most := r / c.Lambda
	k.f = newRadial(c.P-1, most*most)
	return k, nil
}

func (k *onHalfDisc) size() int { return len(k.a) }

func (k *onHalfDisc) row(dst []float64, i int, from, to float64) {
	a, nu := k.delta, 0.0
	if i >= 0 {
		a += (1 - k.lambda) * from * k.a[i] / k.lambda
		nu = (1 - k.lambda) * from * k.b[i] / k.lambda
	}
	scale := to / k.lambda
	unit := scale * scale / math.Sqrt(2*math.Pi)
	power := k.f.dim - 1
	for j, x := range k.a {
		s := scale * k.b[j]
		da, db := scale*x-a, s-nu
		e := 0.5 * (da*da + db*db)
		if e > 34 {
			dst[j] = 0
			continue
		}
		v := unit * k.w[j] * math.Exp(k.f.logB(nu*s)-e)
		switch power {
		case 0:
		case 1:
			v *= s
		case 2:
			v *= s * s
		default:
			v *= math.Pow(s, float64(power))
		}
		dst[j] = v
	}
}

// resolve solves L = 1 + K L, K n x n in rows: directly where small, else by minimal residuals over the space of 1, K 1,
// K^2 1, ... (GMRES), of which a smooth kernel needs few.
//
// Source: Y. Saad and M. H. Schultz, SIAM J. Scientific and Statistical Computing 7 (1986), 856-869.
func resolve(k []float64, n int) ([]float64, error) {
	const direct, most, good = 150, 200, 1e-12
	if n <= direct {
		m := mat.NewDense(n, n, nil)
		one := make([]float64, n)
		for i := range n {
			row := m.RawRowView(i)
			for j := range n {
				row[j] = -k[i*n+j]
			}
			row[i]++
			one[i] = 1
		}
		var lu mat.LU
		lu.Factorize(m)
		var x mat.VecDense
		if err := lu.SolveVecTo(&x, false, mat.NewVecDense(n, one)); err != nil {
			if e, ok := err.(mat.Condition); !ok || float64(e) > 1e15 {
				return nil, refusal.Unsolved("the run length is beyond 1e9 and cannot be worked out")
			}
		}
		return x.RawVector().Data, nil
	}
	matrix := mat.NewDense(n, n, k)
	norm := math.Sqrt(float64(n))
	basis := [][]float64{make([]float64, n)}
	for i := range basis[0] {
		basis[0][i] = 1 / norm
	}
	var h [][]float64 // columns of the upper triangle after rotations
	var cs, sn []float64
	g := []float64{norm}
	for len(h) < most {
		m := len(h)
		next := make([]float64, n)
		mat.NewVecDense(n, next).MulVec(matrix, mat.NewVecDense(n, basis[m]))
		for i, v := range basis[m] {
			next[i] = v - next[i]
		}
		col := make([]float64, m+2)
		for range 2 { // orthogonal to rounding
			for j, q := range basis {
				d := 0.0
				for i, v := range q {
					d += v * next[i]
				}
				col[j] += d
				for i, v := range q {
					next[i] -= d * v
				}
			}
		}
		s := 0.0
		for _, v := range next {
			s += v * v
		}
		col[m+1] = math.Sqrt(s)
		if col[m+1] > 0 {
			for i := range next {
				next[i] /= col[m+1]
			}
		}
		for j := range m {
			col[j], col[j+1] = cs[j]*col[j]+sn[j]*col[j+1], cs[j]*col[j+1]-sn[j]*col[j]
		}
		r := math.Hypot(col[m], col[m+1])
		cs, sn = append(cs, col[m]/r), append(sn, col[m+1]/r)
		col[m] = r
		g = append(g, -sn[m]*g[m])
		g[m] *= cs[m]
		h = append(h, col[:m+1])
		basis = append(basis, next)
		if math.Abs(g[m+1]) <= good*norm {
			break
		}
	}
	if !(math.Abs(g[len(h)]) <= 1e-9*norm) {
		return nil, refusal.Unsolved("the run length is beyond what can be worked out")
	}
	y := make([]float64, len(h))
	for i := len(h) - 1; i >= 0; i-- {
		y[i] = g[i]
		for j := i + 1; j < len(h); j++ {
			y[i] -= h[j][i] * y[j]
		}
		y[i] /= h[i][i]
	}
	x := make([]float64, n)
	for j, v := range y {
		for i, q := range basis[j] {
			x[i] += v * q
		}
	}
	return x, nil
}

// MEWMALimit is the limit H with which a multivariate EWMA of p terms has the in-control average run length arl0, to 1e-6
// relative. It refuses arl0 outside 2 to 1e6 and what MEWMADesign.ARL refuses.
//
// Source: S. S. Prabhu and G. C. Runger, "Designing a multivariate EWMA control chart", J. Quality Technology 29 (1997), 8-15, for
// the design by run length.
func MEWMALimit(p int, lambda, arl0 float64, steady bool) (float64, error) {
	if !(arl0 >= 2 && arl0 <= 1e6) {
		return 0, refusal.Setting("the wanted run length", arl0, "it must be from 2 to 1e6")
	}
	c := MEWMADesign{P: p, Lambda: lambda, H: 1, Steady: true}
	if err := c.check(); err != nil {
		return 0, err
	}
	// the chart of single observations with that run length signals more often: its limit is above H
	high := dist.ChiSquareQuantileUpper(1/arl0, float64(p))
	if lambda == 1 {
		return high, nil
	}
	var failed error
	miss := func(h float64) float64 {
		c.H = h
		a, err := c.ARL(0)
		if err != nil {
			failed = err
			return math.NaN()
		}
		return math.Log(a / arl0)
	}
	solve := func(low, high float64) (float64, error) {
		h, err := dist.Root(miss, low, high)
		if failed != nil {
			return 0, failed
		}
		return h, err
	}
	h, err := solve(1e-3*high, high*1.001)
	if err != nil || steady {
		return h, err
	}
	// exact limits signal earlier at the start: a little wider
	c.Steady = false
	low := h * (1 - 1e-9)
	for high := h * 1.05; ; high *= 1.2 {
		if v := miss(high); failed != nil {
			return 0, failed
		} else if v > 0 {
			return solve(low, high)
		}
		if high > 2e3 {
			return 0, refusal.Unsolved("no limit gives a run length of %g", arl0)
		}
	}
}
