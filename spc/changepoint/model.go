package changepoint

import (
	"fmt"
	"math"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// Shape is the course of a change.
type Shape string

// Shapes: with the start s, the first index that is affected, the mean at index t >= s differs by
//
//	Step:  size
//	Drift: slope (t - s + 1)
const (
	Step  Shape = "step"
	Drift Shape = "drift"
)

// Stream is one series of a characteristic, in its unit, over an index that all streams share (panel or press cycle).
// One point is y_t = mean + change_t + SD_t u_t, where u_t has variance 1 and lag-1 correlation Phi (an AR(1) process;
// independent for Phi = 0). Streams are independent of each other: what moves all of them together from cycle to cycle
// is taken out first, or looked for in the series of the cycle means.
type Stream struct {
	Name string    `json:"name,omitempty"`
	Y    []float64 `json:"y"` // NaN: not measured
	// Mean is the mean in control where the limits in force give it; nil: unknown before and after.
	Mean *float64 `json:"mean,omitempty"`
	// Sigma is the standard deviation of a point (of an AR(1) process its stationary one, not that of its residuals),
	// above 0. With Options.SigmaUnknown it is a relative one, and 0 means 1.
	Sigma float64 `json:"sigma,omitempty"`
	// SD, where given, is the standard deviation of each point in units of Sigma: unequal panel numbers behind a mean.
	SD  []float64 `json:"sd,omitempty"`
	Phi float64   `json:"phi,omitempty"` // lag-1 correlation, -1 < Phi < 1
	// Still: the stream is taken not to change; it only tells about an unknown common scale.
	Still bool `json:"still,omitempty"`
}

// white is a stream in independent standard normal form: the exact likelihood of an AR(1) process with gaps. With
// g = t_r - t_(r-1) the distance to the observation before,
//
//	w_r = (z_r - phi^g z_(r-1)) / sqrt(1 - phi^(2g)),  z = (y - centre) / (Sigma SD),  w_0 = z_0
//
// A step that begins at observation p leaves in w first its full impulse and then only what phi lets through.
type white struct {
	still, known bool
	n            int       // observations
	w            []float64 // whitened values about centre
	centre       float64   // the known mean, else the mean of the values
	l            []float64 // whitened constant 1
	b, c, e      []float64 // whitened 1 as first impulse, whitened 1 after it, whitened distance to the end
	u            []float64 // distance to the end, length-1-t
	at           []int     // at[t] is the first observation at or after index t
	s11, s1y     float64
	yy           float64
	d, sx, xx    []float64 // by start: information of the change (after the mean is fitted), its product with 1, with itself
	cc, ce, ee   []float64 // sums from observation p on of c², c e, e²
}

// whiten brings a stream into independent form; length is the number of indices.
func whiten(s Stream, length int, shape Shape) *white {
	v := &white{still: s.Still, known: s.Mean != nil, at: make([]int, length+1)}
	sigma := s.Sigma
	if sigma == 0 {
		sigma = 1
	}
	var t []int
	var y, sd []float64
	for i, x := range s.Y {
		v.at[i] = len(t)
		if math.IsNaN(x) {
			continue
		}
		t, y = append(t, i), append(y, x)
		if s.SD != nil {
			sd = append(sd, sigma*s.SD[i])
		} else {
			sd = append(sd, sigma)
		}
	}
	v.n, v.at[length] = len(t), len(t)
	if v.known {
		v.centre = *s.Mean
	} else if v.n > 0 {
		v.centre, _ = dist.MeanSD(y)
	}
	n := v.n
	v.w, v.l, v.b, v.c, v.e, v.u = make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n)
	for r := range n {
		v.u[r] = float64(length - 1 - t[r])
		z := (y[r] - v.centre) / sd[r]
		if r == 0 {
			v.b[0] = 1 / sd[0]
			v.w[0], v.l[0] = z, v.b[0]
			continue
		}
		f := math.Pow(s.Phi, float64(t[r]-t[r-1]))
		k := math.Sqrt((1 - f) * (1 + f))
		v.b[r] = 1 / (sd[r] * k)
		v.c[r] = (1/sd[r] - f/sd[r-1]) / k
		v.e[r] = (v.u[r]/sd[r] - f*v.u[r-1]/sd[r-1]) / k
		v.l[r] = v.c[r]
		v.w[r] = (z - f*(y[r-1]-v.centre)/sd[r-1]) / k
	}
	v.cc, v.ce, v.ee = make([]float64, n+1), make([]float64, n+1), make([]float64, n+1)
	for r := n - 1; r >= 0; r-- {
		v.cc[r] = v.cc[r+1] + v.c[r]*v.c[r]
		v.ce[r] = v.ce[r+1] + v.c[r]*v.e[r]
		v.ee[r] = v.ee[r+1] + v.e[r]*v.e[r]
		v.s11 += v.l[r] * v.l[r]
	}
	v.d, v.sx, v.xx = make([]float64, length), make([]float64, length), make([]float64, length)
	for start := range length {
		p := v.at[start]
		if p == n {
			continue
		}
		x := v.first(start, shape)
		if shape == Drift {
			h := float64(length - start)
			v.xx[start] = x*x + h*h*v.cc[p+1] - 2*h*v.ce[p+1] + v.ee[p+1]
			v.sx[start] = x*v.l[p] + h*v.cc[p+1] - v.ce[p+1]
		} else {
			v.xx[start] = x*x + v.cc[p+1]
			v.sx[start] = x*v.l[p] + v.cc[p+1]
		}
		v.d[start] = v.xx[start]
		if !v.known {
			v.d[start] -= v.sx[start] * v.sx[start] / v.s11
			if p == 0 || v.d[start] < 1e-9*v.xx[start] {
				v.d[start] = 0 // the change cannot be told from the mean
			}
		}
	}
	v.yy, v.s1y = v.sums(v.w)
	return v
}

// first is the whitened change at the first observation it touches.
func (v *white) first(start int, shape Shape) float64 {
	p := v.at[start]
	if shape == Drift {
		return (float64(len(v.d)-start) - v.u[p]) * v.b[p]
	}
	return v.b[p]
}

// sums are w'w and 1'w of whitened values.
func (v *white) sums(w []float64) (yy, s1y float64) {
	for r, x := range w {
		yy += x * x
		s1y += v.l[r] * x
	}
	return yy, s1y
}

// rest is the sum of squares about the mean.
func (v *white) rest(yy, s1y float64) float64 {
	if v.known || v.n == 0 {
		return yy
	}
	return yy - s1y*s1y/v.s11
}

// scores writes to dst, by start, the product of w with the change after the mean is fitted.
func (v *white) scores(dst, w []float64, s1y float64, shape Shape) {
	length := len(v.d)
	var cy, ey float64 // sums after the first touched observation
	mean := 0.0
	if !v.known && v.n > 0 {
		mean = s1y / v.s11
	}
	r := v.n // sums hold observations r..n-1
	for start := length - 1; start >= 0; start-- {
		p := v.at[start]
		if p == v.n {
			dst[start] = 0
			continue
		}
		for r > p+1 {
			r--
			cy += v.c[r] * w[r]
			ey += v.e[r] * w[r]
		}
		var s float64
		if shape == Drift {
			h := float64(length - start)
			s = (h-v.u[p])*v.b[p]*w[p] + h*cy - ey
		} else {
			s = v.b[p]*w[p] + cy
		}
		dst[start] = s - mean*v.sx[start]
	}
}

// check refuses streams that cannot be worked with and gives the number of indices.
func check(streams []Stream, sigmaUnknown bool) (length int, err error) {
	if len(streams) == 0 {
		return 0, refusal.Few("streams", 0, 1)
	}
	length = len(streams[0].Y)
	changing := 0
	for i, s := range streams {
		if len(s.Y) != length {
			return 0, refusal.Shapes("stream %d has %d points and the first %d: all share one index, with NaN where nothing was measured", i+1, len(s.Y), length)
		}
		if s.SD != nil && len(s.SD) != length {
			return 0, refusal.Shapes("stream %d has %d points and %d standard deviations", i+1, length, len(s.SD))
		}
		if !(math.Abs(s.Phi) < 1) {
			return 0, refusal.Setting("phi", s.Phi, "must lie between -1 and 1")
		}
		if !(s.Sigma > 1e-150 && s.Sigma < 1e150) && !(sigmaUnknown && s.Sigma == 0) {
			return 0, refusal.Setting("sigma", s.Sigma, "must be above 0")
		}
		if s.Mean != nil {
			if err := refusal.Finite("means", []float64{*s.Mean}); err != nil {
				return 0, err
			}
		}
		for t, y := range s.Y {
			if math.IsNaN(y) {
				continue
			}
			if !(math.Abs(y) <= 1e150) {
				return 0, &refusal.Error{Reason: refusal.NonFinite, What: "values", Index: t, Value: y, N: length}
			}
			if s.SD != nil && !(s.SD[t] > 1e-100 && s.SD[t] < 1e100) {
				return 0, refusal.Setting("the standard deviation of a point", s.SD[t], "must be above 0")
			}
		}
		if !s.Still {
			changing++
		}
	}
	if changing == 0 {
		return 0, refusal.Shapes("every stream is taken to stand still: nothing can have changed")
	}
	return length, workable(streams, sigmaUnknown)
}

// farApart is how far apart, as a ratio, values and standard deviations may lie: their products and the squares of those
// must be numbers.
const farApart = 1e50

// workable refuses values and standard deviations that are too far apart.
func workable(streams []Stream, sigmaUnknown bool) error {
	greatest := 0.0
	for i, s := range streams {
		sigma, sum, n := s.Sigma, 0.0, 0.0
		if sigma == 0 {
			sigma = 1
		}
		for _, y := range s.Y {
			if !math.IsNaN(y) {
				sum += y
				n++
			}
		}
		centre := sum / math.Max(n, 1)
		if s.Mean != nil {
			centre = *s.Mean
		}
		for t, y := range s.Y {
			if math.IsNaN(y) {
				continue
			}
			sd := sigma
			if s.SD != nil {
				sd *= s.SD[t]
			}
			if !(sd > 1/farApart && sd < farApart) {
				return refusal.Setting(fmt.Sprintf("the standard deviation of point %d of stream %d", t+1, i+1), sd, "must lie between 1e-50 and 1e50; give values and sigma in a unit of their size")
			}
			z := math.Abs(y-centre) / sd
			if z > farApart {
				return refusal.Shapes("point %d of stream %d lies %.3g standard deviations from the mean: values and sigma are too far apart to work with; check both, and their unit", t+1, i+1, z)
			}
			greatest = math.Max(greatest, z)
		}
	}
	if sigmaUnknown && greatest > 0 && greatest < 1/farApart {
		return refusal.Shapes("no point lies further than %.3g relative standard deviations from its mean: values and sigma are too far apart to work with; check both, and their unit", greatest)
	}
	return nil
}
