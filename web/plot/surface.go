package plot

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// surface is a thin-plate spline through the deviations, z = a + b·x + c·y + Σ w_i·U(|p − p_i|) with U(r) = r² ln r, lightly smoothed
// by a constant on the diagonal. It is a picture: verdicts use the places alone.
//
// Source: J. Duchon, "Splines minimizing rotation-invariant semi-norms in Sobolev spaces", 1977; smoothing after G. Wahba, "Spline
// models for observational data", 1990 (both from memory).
type surface struct {
	cx, cy, unit float64 // places are scaled about their middle so that the system is well conditioned
	p            []XY
	w            []float64 // one a place, then a, b, c
}

const smoothing = .004

// radial is U of the squared distance: r² ln r = ½ r² ln r².
func radial(r2 float64) float64 {
	if r2 < 1e-12 {
		return 0
	}
	return .5 * r2 * math.Log(r2)
}

// fitSurface needs at least three places that are not in one line.
func fitSurface(places []Place) (surface, bool) {
	n := len(places)
	if n < 3 {
		return surface{}, false
	}
	ex, ey := noExtent(), noExtent()
	for _, p := range places {
		ex.add(p.X)
		ey.add(p.Y)
	}
	f := surface{cx: ex.low/2 + ex.high/2, cy: ey.low/2 + ey.high/2, unit: max(ex.high/2-ex.low/2, ey.high/2-ey.low/2)}
	if !(f.unit > 0) || !finite(f.unit) {
		return surface{}, false
	}
	var sxx, sxy, syy float64
	for _, p := range places {
		q := XY{(p.X - f.cx) / f.unit, (p.Y - f.cy) / f.unit}
		f.p = append(f.p, q)
	}
	var mx, my float64
	for _, q := range f.p {
		mx, my = mx+q.X/float64(n), my+q.Y/float64(n)
	}
	for _, q := range f.p {
		sxx, sxy, syy = sxx+(q.X-mx)*(q.X-mx), sxy+(q.X-mx)*(q.Y-my), syy+(q.Y-my)*(q.Y-my)
	}
	if sxx*syy-sxy*sxy < 1e-6*(sxx+syy)*(sxx+syy) {
		return surface{}, false // all but in one line
	}
	k := mat.NewDense(n+3, n+3, nil)
	z := mat.NewVecDense(n+3, nil)
	for i, a := range f.p {
		for j, b := range f.p[:i] {
			u := radial((a.X-b.X)*(a.X-b.X) + (a.Y-b.Y)*(a.Y-b.Y))
			k.Set(i, j, u)
			k.Set(j, i, u)
		}
		k.Set(i, i, smoothing)
		for c, v := range [3]float64{1, a.X, a.Y} {
			k.Set(i, n+c, v)
			k.Set(n+c, i, v)
		}
		z.SetVec(i, places[i].DevUM)
	}
	var w mat.VecDense
	if err := w.SolveVec(k, z); err != nil {
		return surface{}, false
	}
	f.w = w.RawVector().Data
	return f, true
}

func (f surface) at(x, y float64) float64 {
	n := len(f.p)
	x, y = (x-f.cx)/f.unit, (y-f.cy)/f.unit
	v := f.w[n] + f.w[n+1]*x + f.w[n+2]*y
	for i, p := range f.p {
		v += f.w[i] * radial((x-p.X)*(x-p.X)+(y-p.Y)*(y-p.Y))
	}
	return v
}

// field is a surface on a grid of nx by ny cells.
type field struct {
	nx, ny         int
	x0, y0, dx, dy float64
	z              []float64 // rows of nx+1
}

// over evaluates the surface on a grid that reaches a cell beyond the rectangle, so that contour lines leave the picture outside it.
func (f surface) over(x0, y0, x1, y1 float64) field {
	g := field{nx: 56, ny: 44}
	g.dx, g.dy = (x1-x0)/float64(g.nx-2), (y1-y0)/float64(g.ny-2)
	g.x0, g.y0 = x0-g.dx, y0-g.dy
	g.z = make([]float64, (g.nx+1)*(g.ny+1))
	for j := range g.ny + 1 {
		for i := range g.nx + 1 {
			g.z[j*(g.nx+1)+i] = f.at(g.x0+float64(i)*g.dx, g.y0+float64(j)*g.dy)
		}
	}
	return g
}

// reach is the least and greatest value at grid points inside the polygon.
func (g field) reach(polygon []XY) (low, high float64) {
	e := noExtent()
	for j := range g.ny + 1 {
		y := g.y0 + float64(j)*g.dy
		// A convex outline cuts a row of the grid once: between its least and greatest x there.
		cut := noExtent()
		for i, a := range polygon {
			b := polygon[(i+1)%len(polygon)]
			if (a.Y <= y) != (b.Y <= y) {
				cut.add(a.X + (y-a.Y)/(b.Y-a.Y)*(b.X-a.X))
			}
		}
		for i := range g.nx + 1 {
			if x := g.x0 + float64(i)*g.dx; x >= cut.low && x <= cut.high {
				e.add(g.z[j*(g.nx+1)+i])
			}
		}
	}
	return e.low, e.high
}

// contour returns the closed outlines of the ground above a level, or below it, by marching squares. The ground ends at the grid's
// own edge, where every loop is closed.
func (g field) contour(level float64, above bool) [][]XY {
	stride := g.nx + 1
	v := make([]float64, len(g.z))
	steepest := 0.0
	for i, z := range g.z {
		v[i] = z - level
		if !above {
			v[i] = -v[i]
		}
		steepest = max(steepest, math.Abs(v[i]))
	}
	for j := range g.ny + 1 {
		for i := range stride {
			if i == 0 || j == 0 || i == g.nx || j == g.ny {
				v[j*stride+i] = -steepest - 1
			}
		}
	}
	// An edge of the grid is twice the number of its node, for the edge to the right, or one more, for the edge upwards. The line that
	// comes in through an edge goes on to the edge in next.
	next := make([]int32, 2*len(g.z))
	for i := range next {
		next[i] = -1
	}
	var starts []int32
	link := func(a, b int) {
		next[a] = int32(b)
		starts = append(starts, int32(a))
	}
	for j := range g.ny {
		for i := range g.nx {
			n := j*stride + i
			bottom, left, top, right := 2*n, 2*n+1, 2*(n+stride), 2*(n+1)+1
			code := 0
			for bit, at := range [4]int{n, n + 1, n + stride + 1, n + stride} {
				if v[at] > 0 {
					code |= 1 << bit
				}
			}
			switch code { // the high ground lies on the same side of every piece
			case 1:
				link(left, bottom)
			case 2:
				link(bottom, right)
			case 3:
				link(left, right)
			case 4:
				link(right, top)
			case 5:
				link(left, top)
				link(right, bottom)
			case 6:
				link(bottom, top)
			case 7:
				link(left, top)
			case 8:
				link(top, left)
			case 9:
				link(top, bottom)
			case 10:
				link(bottom, left)
				link(top, right)
			case 11:
				link(top, right)
			case 12:
				link(right, left)
			case 13:
				link(right, bottom)
			case 14:
				link(bottom, left)
			}
		}
	}
	at := func(edge int32) XY {
		node := int(edge / 2)
		x, y := g.x0+float64(node%stride)*g.dx, g.y0+float64(node/stride)*g.dy
		a := v[node]
		if edge%2 == 1 {
			return XY{x, y + a/(a-v[node+stride])*g.dy}
		}
		return XY{x + a/(a-v[node+1])*g.dx, y}
	}
	var loops [][]XY
	for _, edge := range starts {
		var loop []XY
		for next[edge] >= 0 {
			loop = append(loop, at(edge))
			edge, next[edge] = next[edge], -1
		}
		if len(loop) > 2 {
			loops = append(loops, loop)
		}
	}
	return loops
}
