package surface

import (
	"math"
)

func (o *Aligned) grow(n int) {
	if cap(o.rows) < n {
		o.Deviations, o.Leverages, o.rows, o.normals = make([]float64, n), make([]float64, n), make([][freedoms]float64, n), make([][3]float64, n)
	}
	o.Deviations, o.Leverages, o.rows, o.normals = o.Deviations[:n], o.Leverages[:n], o.rows[:n], o.normals[:n]
}

// normalEquations sets the lower triangle of J'J and J'd from the packed rows.
func (o *Aligned) normalEquations(h *[freedoms][freedoms]float64, g *[freedoms]float64, m int) {
	if m == 3 {
		// The usual seating, written out: it is most of the work on a panel.
		var g0, g1, g2, h00, h10, h11, h20, h21, h22 float64
		for i := range o.rows {
			r, d := &o.rows[i], o.Deviations[i]
			a, b, c := r[0], r[1], r[2]
			g0 += a * d
			g1 += b * d
			g2 += c * d
			h00 += a * a
			h10 += b * a
			h11 += b * b
			h20 += c * a
			h21 += c * b
			h22 += c * c
		}
		g[0], g[1], g[2] = g0, g1, g2
		h[0][0], h[1][0], h[1][1], h[2][0], h[2][1], h[2][2] = h00, h10, h11, h20, h21, h22
		return
	}
	for i := range o.rows {
		r, d := &o.rows[i], o.Deviations[i]
		for j := range m {
			g[j] += r[j] * d
			for l := 0; l <= j; l++ {
				h[j][l] += r[j] * r[l]
			}
		}
	}
}

// follow moves the deviations by a small step (subtracted from the seat).
func (o *Aligned) follow(step *[freedoms]float64, m int) {
	for i := range o.rows {
		r := &o.rows[i]
		var s float64
		for j := range m {
			s += r[j] * step[j]
		}
		o.Deviations[i] -= s
	}
}

func (o *Aligned) leverages(l *[freedoms][freedoms]float64, m int) {
	for i := range o.rows {
		v := o.rows[i]
		forward(l, m, &v)
		var s float64
		for j := range m {
			s += v[j] * v[j]
		}
		o.Leverages[i] = s
	}
}

// factor is Cholesky's decomposition in place of the lower triangle's first m rows, the diagonal inverted; false
// where a pivot is lost.
func factor(h *[freedoms][freedoms]float64, m int) bool {
	for j := range m {
		d := h[j][j]
		for k := range j {
			d -= h[j][k] * h[j][k]
		}
		if !(d > singular*singular*h[j][j]) {
			return false
		}
		inv := 1 / math.Sqrt(d)
		h[j][j] = inv
		for i := j + 1; i < m; i++ {
			v := h[i][j]
			for k := range j {
				v -= h[i][k] * h[j][k]
			}
			h[i][j] = v * inv
		}
	}
	return true
}

func forward(l *[freedoms][freedoms]float64, m int, v *[freedoms]float64) {
	for j := range m {
		s := v[j]
		for k := range j {
			s -= l[j][k] * v[k]
		}
		v[j] = s * l[j][j]
	}
}

func backward(l *[freedoms][freedoms]float64, m int, v *[freedoms]float64) {
	for j := m - 1; j >= 0; j-- {
		s := v[j]
		for k := j + 1; k < m; k++ {
			s -= l[k][j] * v[k]
		}
		v[j] = s * l[j][j]
	}
}
