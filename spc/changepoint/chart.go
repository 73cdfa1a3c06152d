package changepoint

import (
	"math"

	"sagwatch/spc/refusal"
)

// FirstJudged is the first point of a chart with unknown parameters that is judged.
const FirstJudged = 10

// DriftWindow is how many of the last points a drift chart searches for the start.
const DriftWindow = 128

// HullSize is how many possible starts a step chart keeps on each side.
const HullSize = 64

// ChartOptions are the settings of a likelihood-ratio change-point chart.
type ChartOptions struct {
	Shape Shape `json:"shape"` // "" means Step
	// Known: mean and standard deviation are those of the limits in force; else both are estimated from the chart's own
	// points, and no Phase I is needed.
	Known bool    `json:"known"`
	Mean  float64 `json:"mean,omitempty"`
	Sigma float64 `json:"sigma,omitempty"`
	// ARL0 is the wanted mean number of judged points to a false signal, from 50 to 2000.
	ARL0 float64 `json:"arl0"`
}

// Chart is a likelihood-ratio chart for one change of unknown size at an unknown time. It is read only once made; the
// course of a series is in a ChartState.
//
// With z the values in units of Sigma about Mean (known parameters), at point n
//
//	Step:  statistic = max over s of |sum_(t>=s) z_t| / sqrt(n - s + 1)
//	Drift: statistic = max over s of |sum_(t>=s) (t-s+1) z_t| / sqrt(sum_(t>=s) (t-s+1)^2)
//
// and with unknown ones the largest absolute two-sample t statistic over all splits (Drift: t statistic of the slope of a
// level that bends at s). A step chart is exact over all starts: only the vertices of the convex hull of the points
// (s, sum up to s) can be the maximum, now or later, about 2 log n of them. HullSize are kept on each side; should a
// series ever need more, every second of the older half is let go, the statistic is from then on that of the starts kept,
// and ChartState.Thinned counts it. A drift chart searches the last DriftWindow points, with the level estimated from all.
//
// Limits are in the table of this package, from seeded Monte Carlo, at a constant rate of false signals 1/ARL0 for each
// point judged, so that they fall with n while parameters are unknown.
//
// Source: D. M. Hawkins, P. Qiu, C. W. Kang, "The changepoint model for statistical process control", Journal of Quality
// Technology 35 (2003), 355-366; known parameters: G. Lorden, "Procedures for reacting to a change in distribution",
// Annals of Mathematical Statistics 42 (1971), 1897-1908; D. Siegmund, E. S. Venkatraman, "Using the generalized
// likelihood ratio statistic for sequential detection of a change-point", Annals of Statistics 23 (1995), 255-271; hull:
// G. Romano, I. A. Eckley, P. Fearnhead, G. Rigaill, "Fast online changepoint detection via functional pruning CUSUM
// statistics", Journal of Machine Learning Research 24 (2023).
type Chart struct {
	options ChartOptions
	limits  limitCurve
}

// NewChart refuses an ARL0 outside 50..2000, another shape and, with known parameters, a Sigma not above 0 or a mean that
// is not finite.
func NewChart(o ChartOptions) (*Chart, error) {
	if o.Shape == "" {
		o.Shape = Step
	}
	if o.Shape != Step && o.Shape != Drift {
		return nil, refusal.Shapes("%q is no shape of change: step or drift", o.Shape)
	}
	if !(o.ARL0 >= 50 && o.ARL0 <= 2000) {
		return nil, refusal.Setting("ARL0", o.ARL0, "must be from 50 to 2000")
	}
	if o.Known {
		if !(o.Sigma > 1e-150 && o.Sigma < 1e150) {
			return nil, refusal.Setting("sigma", o.Sigma, "must be above 0")
		}
		if err := refusal.Finite("means", []float64{o.Mean}); err != nil {
			return nil, err
		}
	}
	return &Chart{options: o, limits: limitsFor(o)}, nil
}

// Options are the settings of the chart.
func (c *Chart) Options() ChartOptions { return c.options }

// Limit is the limit of the statistic at the n-th point since the start or restart, n from 1; +Inf while nothing is judged.
func (c *Chart) Limit(n int) float64 {
	if !c.options.Known && n < FirstJudged {
		return math.Inf(1)
	}
	return c.limits.at(n)
}

// Vertex is a possible start: a change after point N, with the sum of the (centred) values up to there.
type Vertex struct {
	N   int     `json:"n"`
	Sum float64 `json:"sum"`
}

// ChartState is the course of one series on a chart. The zero value is a fresh start; it is a plain value of fixed size.
type ChartState struct {
	N       int     `json:"n"`
	Origin  float64 `json:"origin"` // first value, from which unknown parameters are reckoned
	Sum     float64 `json:"sum"`
	Squares float64 `json:"squares"` // about the mean so far
	// Lower and Upper are the hulls of a step chart; of a drift chart Lower.V is not used and Window holds the points.
	Lower   Hull                 `json:"lower"`
	Upper   Hull                 `json:"upper"`
	Window  [DriftWindow]float64 `json:"window"` // the last points, at place n mod DriftWindow
	Thinned int                  `json:"thinned,omitempty"`
}

// Hull holds the vertices of one side, oldest first.
type Hull struct {
	Len int              `json:"len"`
	V   [HullSize]Vertex `json:"v"`
}

// ChartPoint is the chart at one point.
type ChartPoint struct {
	N         int     `json:"n"`
	Statistic float64 `json:"statistic"` // 0 while it does not exist
	Limit     float64 `json:"limit"`     // +Inf while nothing is judged
	Signal    bool    `json:"signal"`
	// Since is how many points, up to and with this one, lie behind the likeliest start.
	Since int `json:"since"`
	// Size is the estimated size of the step, or slope of the drift for each point, in the characteristic's unit.
	Size float64 `json:"size"`
}

// Step takes in the next value. A value that is not finite is refused by the caller: here it is skipped, the state stays,
// and the point has no statistic.
func (c *Chart) Step(s *ChartState, x float64) ChartPoint {
	if !(math.Abs(x) <= 1e150) {
		return ChartPoint{N: s.N, Limit: math.Inf(1)}
	}
	if c.options.Known {
		x = (x - c.options.Mean) / c.options.Sigma
	} else {
		if s.N == 0 {
			s.Origin = x
		}
		x -= s.Origin
	}
	var p ChartPoint
	if c.options.Shape == Drift {
		p = c.driftPoint(s, x)
	} else {
		p = c.stepPoint(s, x)
	}
	p.N, p.Limit = s.N, c.Limit(s.N)
	p.Signal = p.Statistic > p.Limit
	return p
}

// count takes a value into the sums.
func (s *ChartState) count(x float64) {
	if s.N > 0 {
		d := x - s.Sum/float64(s.N)
		s.Squares += d * d * float64(s.N) / float64(s.N+1)
	}
	s.N++
	s.Sum += x
}

// stepPoint is a point of a step chart.
func (c *Chart) stepPoint(s *ChartState, x float64) ChartPoint {
	// The start before this point joins the hulls when it comes.
	v := Vertex{s.N, s.Sum}
	known := c.options.Known
	s.Thinned += s.Lower.push(v, 1, known)
	s.Thinned += s.Upper.push(v, -1, known)
	s.count(x)
	if known {
		best, since, size := 0.0, 0, 0.0
		for _, h := range [2]*Hull{&s.Lower, &s.Upper} {
			for i := range h.Len {
				k := float64(s.N - h.V[i].N)
				d := s.Sum - h.V[i].Sum
				if g := d * d / k; g > best {
					best, since, size = g, s.N-h.V[i].N, d/k
				}
			}
		}
		return ChartPoint{Statistic: math.Sqrt(best), Since: since, Size: size * c.options.Sigma}
	}
	n := float64(s.N)
	mean := s.Sum / n
	best, since, size := 0.0, 0, 0.0
	for _, h := range [2]*Hull{&s.Lower, &s.Upper} {
		for i := range h.Len {
			j := float64(h.V[i].N)
			if j == 0 {
				continue
			}
			d := h.V[i].Sum - j*mean // sum before about the mean of all
			if g := d * d * n / (j * (n - j)); g > best {
				best, since, size = g, s.N-h.V[i].N, -d*n/(j*(n-j))
			}
		}
	}
	return ChartPoint{Statistic: s.t(best), Since: since, Size: size}
}

// t is the two-sample t statistic of a change that explains the sum of squares e, 0 with fewer than 3 points or when
// nothing varies.
func (s *ChartState) t(e float64) float64 {
	if s.N < 3 || s.Squares <= 0 {
		return 0
	}
	left := math.Max(s.Squares-e, 1e-14*s.Squares)
	return math.Sqrt(float64(s.N-2) * e / left)
}

// push adds a vertex behind the last one; side 1 is the lower hull (rises), -1 the upper (falls). With a known level a
// rise from a vertex needs a slope above it, so that vertices from which the hull falls are let go.
func (h *Hull) push(v Vertex, side float64, known bool) (thinned int) {
	for h.Len > 0 {
		last := h.V[h.Len-1]
		if known && side*(v.Sum-last.Sum) <= 0 {
			h.Len--
			continue
		}
		if h.Len > 1 {
			before := h.V[h.Len-2]
			// The last vertex stays only strictly outside the line from the one before to the new one.
			if side*((last.Sum-before.Sum)*float64(v.N-before.N)-(v.Sum-before.Sum)*float64(last.N-before.N)) >= 0 {
				h.Len--
				continue
			}
		}
		break
	}
	if h.Len == HullSize {
		// Every second vertex of the older half goes.
		k := 0
		for i := range HullSize {
			if i < HullSize/2 && i%2 == 1 {
				continue
			}
			h.V[k] = h.V[i]
			k++
		}
		h.Len, thinned = k, 1
	}
	h.V[h.Len] = v
	h.Len++
	return thinned
}

// driftPoint is a point of a drift chart.
func (c *Chart) driftPoint(s *ChartState, x float64) ChartPoint {
	s.count(x)
	s.Window[s.N%DriftWindow] = x
	n := float64(s.N)
	mean := 0.0
	if !c.options.Known {
		mean = s.Sum / n
	}
	best, since, size := 0.0, 0, 0.0
	last := min(s.N, DriftWindow)
	if !c.options.Known {
		last = min(s.N-1, DriftWindow)
	}
	var sum, moment float64 // of the last k points; weights k, k-1, .. 1 from the newest back are (t-s+1)
	place := s.N % DriftWindow
	for k := 1; k <= last; k++ {
		sum += s.Window[place] - mean
		if place--; place < 0 {
			place = DriftWindow - 1
		}
		moment += sum
		f := float64(k)
		info := f * (f + 1) * (2*f + 1) / 6
		if !c.options.Known {
			w := f * (f + 1) / 2
			info -= w * w / n
		}
		if moment*moment > best*info {
			best, since, size = moment*moment/info, k, moment/info
		}
	}
	if c.options.Known {
		return ChartPoint{Statistic: math.Sqrt(best), Since: since, Size: size * c.options.Sigma}
	}
	return ChartPoint{Statistic: s.t(best), Since: since, Size: size}
}
