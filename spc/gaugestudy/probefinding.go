package gaugestudy

import (
	"math"

	"sagwatch/spc/dist"
)

// Findings are the probes that stand found at present.
func (h *ProbeHealth) Findings() []ProbeFinding {
	var out []ProbeFinding
	for p, found := range h.Found {
		if found {
			out = append(out, h.finding(p))
		}
	}
	return out
}

// finding works out when a probe began to move and by how much. The beginning is the one that makes the deviations since
// likeliest, as a step from zero: the greatest S^2/n of the deviations' sum S over the n panels since, over the blocks that
// the history keeps; Earliest is the first beginning whose likelihood ratio is within the chi-square quantile with one
// degree of freedom. The size is S/n with the error of n correlated panels and of the signatures.
//
// Source: T. R. Samuel, J. J. Pignatiello, J. A. Calvin, Quality Engineering 10 (1998), 521-527.
func (h *ProbeHealth) finding(p int) ProbeFinding {
	o := &h.Options
	side := int8(1)
	if h.Down[p] > h.Up[p] {
		side = -1
	}
	f := ProbeFinding{Probe: p}
	for m := range o.Moulds {
		if h.Side[m*o.Probes+p] == side {
			f.Moulds = append(f.Moulds, m)
		}
	}
	for q := range h.Found {
		if q != p && max(h.Up[q], h.Down[q]) >= o.Together {
			f.Others++
		}
	}
	v := h.variance(p) * widening(h.CrossSq[2], h.CrossSq[3], 0)
	s, n, best := 0.0, 0.0, math.Inf(-1)
	type start struct {
		panel int64
		like  float64
	}
	var starts []start
	number := 0.0
	h.History.backwards(func(b *block) {
		s += b.Sum[p]
		n += float64(b.N[p])
		if n == 0 {
			return
		}
		like := s * s / n
		starts = append(starts, start{b.Start, like})
		if like > best && s*float64(side) > 0 {
			best, number = like, n
			f.SizeUM, f.Since, f.Earliest = s/n, b.Start, b.Start
		}
	})
	drop := v * dist.ChiSquareQuantileUpper(1-o.Confidence, 1)
	for _, st := range starts {
		if best-st.like <= drop && st.panel < f.Earliest {
			f.Earliest = st.panel
		}
	}
	if number > 0 {
		ready := 0.0
		for _, k := range h.Seen {
			if k >= o.Baseline {
				ready++
			}
		}
		se := math.Sqrt(v/number + v/(ready*float64(o.Baseline)))
		f.Interval = about(f.SizeUM, dist.StudentTQuantileUpper((1-o.Confidence)/2, h.DF[p])*se)
	}
	return f
}

// ProbeState is one probe as it stands.
type ProbeState struct {
	Probe   int     `json:"probe"` // from 0
	N       int64   `json:"n"`     // panels since the signature was known
	MeanUM  float64 `json:"mean_um"`
	SEUM    float64 `json:"se_um"` // of the mean
	EWMAUM  float64 `json:"ewma_um"`
	LimitUM float64 `json:"limit_um"` // the EWMA is beyond where |EWMAUM| > LimitUM; 0: no limit yet
	SigmaUM float64 `json:"sigma_um"` // standard deviation of one deviation within moulds
	Up      int     `json:"up"`       // moulds on which it is beyond, each way
	Down    int     `json:"down"`
	Found   bool    `json:"found"`
}

// Probes are all probes as they stand.
func (h *ProbeHealth) Probes() []ProbeState {
	o := &h.Options
	out := make([]ProbeState, o.Probes)
	baseline, ready := 0.0, 0.0
	for m, w := range h.Share {
		if n := h.Seen[m]; n > 0 {
			baseline += w * w / float64(n)
		}
		if h.Seen[m] >= o.Baseline {
			ready++
		}
	}
	for p := range out {
		s := ProbeState{Probe: p, N: h.N[p], EWMAUM: h.EWMA[p], Up: h.Up[p], Down: h.Down[p], Found: h.Found[p]}
		if h.DF[p] > 0 {
			v := h.variance(p)
			s.SigmaUM = math.Sqrt(v)
			s.LimitUM = h.Limit * math.Sqrt(v*(h.EWMASq[p]*widening(h.CrossSq[2], h.CrossSq[3], o.Lambda)+baseline*widening(h.CrossSq[2], h.CrossSq[3], 0)))
			if s.N > 0 {
				s.MeanUM = h.Sum[p] / float64(s.N)
				s.SEUM = math.Sqrt(v * widening(h.CrossSq[2], h.CrossSq[3], 0) * (1/float64(s.N) + 1/(ready*float64(o.Baseline))))
			}
		}
		out[p] = s
	}
	return out
}
