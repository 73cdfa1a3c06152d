package sphere

import "math"

// refuseRange finds the coordinate that is not finite or too large.
func refuseRange(pts []Point) *RefusalError {
	for i := range pts {
		for _, v := range pts[i] {
			switch {
			case math.IsNaN(v) || math.IsInf(v, 0):
				return &RefusalError{Reason: NotFinite, N: len(pts), Index: i}
			case math.Abs(v) > maxCoordinate:
				return &RefusalError{Reason: OutOfRange, N: len(pts), Index: i}
			}
		}
	}
	// Each within bounds but the spread not: name the farthest.
	far := 0
	for i := range pts {
		if norm(pts[i]) > norm(pts[far]) {
			far = i
		}
	}
	return &RefusalError{Reason: OutOfRange, N: len(pts), Index: far}
}

// refuseShape tells how the points are degenerate: repeated, on a line, on a circle, or in a plane.
func refuseShape(pts []Point, origin [3]float64) *RefusalError {
	e := &RefusalError{N: len(pts), Index: -1}
	if distinct(pts) < 4 {
		e.Reason, e.Need = Repeated, 4
		return e
	}
	// The first direction is that of the point farthest from the centroid, the second the greatest remainder.
	u := farthest(pts, func(p Point) [3]float64 { return sub(p, origin) })
	size := norm(u)
	if size <= 10*smallest {
		e.Reason, e.Need = Repeated, 4
		return e
	}
	u = scale(u, 1/size)
	v := farthest(pts, func(p Point) [3]float64 { d := sub(p, origin); return sub(d, scale(u, dot(d, u))) })
	if norm(v) <= 1e-7*size {
		e.Reason = Collinear
		return e
	}
	v = scale(v, 1/norm(v))
	if circle(pts, origin, u, v, size) {
		e.Reason = OneCircle
		return e
	}
	e.Reason = Coplanar
	return e
}

// distinct counts different points, up to 4.
func distinct(pts []Point) int {
	var seen [4]Point
	n := 0
next:
	for _, p := range pts {
		for _, s := range seen[:n] {
			if p == s {
				continue next
			}
		}
		seen[n] = p
		if n++; n == 4 {
			break
		}
	}
	return n
}

// circle is true if the points, given in the plane spanned by u and v, lie on one circle within rounding.
func circle(pts []Point, origin, u, v [3]float64, size float64) bool {
	// (x, y, q) with q = x^2 + y^2 lie in one plane of that space if and only if the points lie on a circle (or line):
	// least squares for q = b x + c y + k.
	var m sym3
	var g [3]float64
	at := func(p Point) (x, y float64) {
		d := scale(sub(p, origin), 1/size)
		return dot(d, u), dot(d, v)
	}
	for _, p := range pts {
		x, y := at(p)
		q := x*x + y*y
		m.xx += x * x
		m.xy += x * y
		m.xz += x
		m.yy += y * y
		m.yz += y
		m.zz++
		g[0] += x * q
		g[1] += y * q
		g[2] += q
	}
	l, ok := m.factor(singular)
	if !ok {
		return false
	}
	b := l.solve(g)
	for _, p := range pts {
		x, y := at(p)
		if !(math.Abs(x*x+y*y-b[0]*x-b[1]*y-b[2]) < 1e-9) {
			return false
		}
	}
	return true
}

func farthest(pts []Point, at func(Point) [3]float64) [3]float64 {
	var best [3]float64
	for _, p := range pts {
		if d := at(p); norm(d) > norm(best) {
			best = d
		}
	}
	return best
}

func sub(p [3]float64, q [3]float64) [3]float64 {
	return [3]float64{p[0] - q[0], p[1] - q[1], p[2] - q[2]}
}

func scale(v [3]float64, k float64) [3]float64 { return [3]float64{v[0] * k, v[1] * k, v[2] * k} }

// norm is |v| without overflow.
func norm(v [3]float64) float64 { return math.Hypot(math.Hypot(v[0], v[1]), v[2]) }
