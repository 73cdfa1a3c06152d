package gaugestudy

import (
	"math"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// ProbeOptions are the settings of the watch over a gauge's probes.
type ProbeOptions struct {
	Probes int `json:"probes"`
	Moulds int `json:"moulds"`
	// Baseline is the number of panels of a mould from which its signature is learned, 0: 50.
	Baseline int `json:"baseline,omitempty"`
	// Lambda is the weight of the newest panel in a probe's average over all panels, MouldLambda in that over the panels
	// of one mould; 0: 0.05 and 0.2.
	Lambda      float64 `json:"lambda,omitempty"`
	MouldLambda float64 `json:"mould_lambda,omitempty"`
	// Together is the number of moulds on which a probe must have moved the same way, 0: 3.
	Together int `json:"together,omitempty"`
	// RunLength is the least mean number of panels between false signals of a gauge in order, 0: 1 000 000.
	RunLength  float64 `json:"run_length,omitempty"`
	Confidence float64 `json:"confidence,omitempty"` // of a finding's interval, 0: 0.95
}

func (o *ProbeOptions) check() error {
	level, err := confidence(o.Confidence)
	if err != nil {
		return err
	}
	o.Confidence = level
	fill := func(v *float64, usual float64) {
		if *v == 0 {
			*v = usual
		}
	}
	fill(&o.Lambda, 0.05)
	fill(&o.MouldLambda, 0.2)
	fill(&o.RunLength, 1e6)
	if o.Baseline == 0 {
		o.Baseline = 50
	}
	if o.Together == 0 {
		o.Together = 3
	}
	switch {
	case o.Probes < 2 || o.Probes > 4096:
		return refusal.Setting("number of probes", float64(o.Probes), "must be from 2 to 4096")
	case o.Moulds < 1 || o.Moulds > 1000:
		return refusal.Setting("number of moulds", float64(o.Moulds), "must be from 1 to 1000")
	case o.Baseline < 10 || o.Baseline > 100_000:
		return refusal.Setting("panels of a mould's baseline", float64(o.Baseline), "must be from 10 to 100000")
	case !(o.Lambda > 0 && o.Lambda <= 1):
		return refusal.Setting("lambda", o.Lambda, "must be above 0 and at most 1")
	case !(o.MouldLambda > 0 && o.MouldLambda <= 1):
		return refusal.Setting("lambda of a mould", o.MouldLambda, "must be above 0 and at most 1")
	case o.Together < 2 || o.Together > 100:
		return refusal.Setting("number of moulds that must agree", float64(o.Together), "must be from 2 to 100")
	case !(o.RunLength >= 100 && o.RunLength <= 1e12):
		return refusal.Setting("run length", o.RunLength, "must be from 100 to 1e12 panels")
	}
	return nil
}

// ProbeHealth watches the probes of a gauge panel by panel, in gauge order, since its last calibration. All its fields
// together are its state, which may be kept and taken up again; they are not to be changed. Slices by mould and probe have
// the index mould*Probes + probe. It belongs to one goroutine.
type ProbeHealth struct {
	Options ProbeOptions `json:"options"`
	Panels  int64        `json:"panels"` // all panels seen

	// Learning: Seen panels of each mould; Count, Signature (mean residual, um) of each mould and probe; SS and DF pooled
	// within the moulds, by probe; products of neighbouring innovations and their squares, of one mould and of all panels.
	Seen      []int      `json:"seen"`
	Count     []int32    `json:"count"`
	Signature []float64  `json:"signature"`
	SS        []float64  `json:"ss"`
	DF        []float64  `json:"df"`
	LastMould []float64  `json:"last_mould"`
	LastAll   []float64  `json:"last_all"`
	CrossSq   [4]float64 `json:"cross_sq"` // mould: product, square; all: product, square

	// Watching.
	Watched    int64     `json:"watched"` // panels of moulds whose signature is known
	Sum        []float64 `json:"sum"`     // of deviations from the signature, by probe
	N          []int64   `json:"n"`
	EWMA       []float64 `json:"ewma"`
	EWMASq     []float64 `json:"ewma_sq"` // sum of squared weights
	Share      []float64 `json:"share"`   // weight of each mould in the averages
	MouldEWMA  []float64 `json:"mould_ewma"`
	MouldSq    []float64 `json:"mould_sq"`
	Side       []int8    `json:"side"` // -1, 0, 1: beyond its limit, by mould and probe
	Up         []int     `json:"up"`   // moulds beyond, by probe
	Down       []int     `json:"down"`
	Found      []bool    `json:"found"`
	Limit      float64   `json:"limit"`       // of the largest standardised average over all panels; 0: none yet
	MouldLimit float64   `json:"mould_limit"` // of a mould's standardised average
	History    history   `json:"history"`
}

// NewProbeHealth starts the watch after a calibration. It refuses settings out of range.
//
// What it watches is the residual of each probe after the shape terms, less the signature of the panel's mould (the mean
// residual of that mould and probe over its first Baseline panels, which holds the mould's own small features and the
// probe's bias at calibration): the deviation d. Of each probe it keeps the mean of d since then and an exponentially
// weighted average over all panels,
//
//	z = (1 - lambda) z + lambda d,  var z = s^2 [q f(lambda) + f(0) sum_m w_m^2 / n_m]
//
// where s is the probe's standard deviation within moulds, q the sum of squared weights, f(lambda) = (1 + phi (1-lambda)) / (1 - phi
// (1-lambda)) widens for the lag-1 correlation phi of neighbouring panels (never below 1), w_m is the weight of mould m and
// n_m its baseline. The limit for the largest of P probes is that of Sidak at 1/RunLength a panel, with Student's t for s.
//
// A second average runs for each mould and probe over that mould's panels alone. A probe beyond its limit the same way on
// at least Together moulds is a finding about the gauge: a mould moves one place of its own glass, only the probe moves that
// place of all. The limit makes the chance of that, binomial over the moulds (for averages correlated like neighbouring panels) and Sidak
// over probes and sides, at most 1/RunLength a panel. A place that all moulds share (a mark of the plunger) looks the same: turn a panel to tell.
//
// Memory is fixed by probes and moulds, and grows with the logarithm of the panels only.
//
// Source: exponentially weighted averages: ISO 7870-6 (variance for weights as they are; correlation: from memory);
// Z. Sidak, Journal of the American Statistical Association 62 (1967), 626-633; the rule of several moulds: common
// practice, no source.
func NewProbeHealth(o ProbeOptions) (*ProbeHealth, error) {
	if err := o.check(); err != nil {
		return nil, err
	}
	p, mp := o.Probes, o.Moulds*o.Probes
	floats := func(n int) []float64 { return make([]float64, n) }
	return &ProbeHealth{Options: o, Seen: make([]int, o.Moulds), Count: make([]int32, mp), Signature: floats(mp), SS: floats(p), DF: floats(p),
		LastMould: floats(mp), LastAll: floats(p), Sum: floats(p), N: make([]int64, p), EWMA: floats(p), EWMASq: floats(p),
		Share: floats(o.Moulds), MouldEWMA: floats(mp), MouldSq: floats(mp), Side: make([]int8, mp), Up: make([]int, p), Down: make([]int, p),
		Found: make([]bool, p)}, nil
}

// ProbeStep is what one panel showed.
type ProbeStep struct {
	Panel   int64 `json:"panel"`   // number of the panel, from 0
	Watched bool  `json:"watched"` // the signature of its mould is known
	// Largest is the probe whose average lies farthest out, in standard errors Z; Beyond the limit.
	Largest int     `json:"largest"`
	Z       float64 `json:"z"`
	Limit   float64 `json:"limit"`
	Beyond  bool    `json:"beyond"`
	// Findings that began with this panel.
	Findings []ProbeFinding `json:"findings,omitempty"`
}

// ProbeFinding says that a probe has moved: a gauge signal.
type ProbeFinding struct {
	Probe    int      `json:"probe"` // from 0
	SizeUM   float64  `json:"size_um"`
	Interval Interval `json:"interval_um"`
	// Since is the panel with which the move most likely began, Earliest the first credible one, both numbered from 0 and
	// to about an eighth of their age.
	Since    int64 `json:"since"`
	Earliest int64 `json:"earliest"`
	Moulds   []int `json:"moulds"` // that moved the same way beyond their limit, from 0
	// Others is how many other probes are beyond on as many moulds: more than a few speak against a single probe.
	Others int `json:"others"`
}

// usable tells a residual from a missing one.
func usable(v float64) bool { return math.Abs(v) <= 1e9 }

// Step takes in the residuals (um, after the shape terms, NaN where missing or left out) of the next panel in gauge order,
// of a mould numbered from 0. It refuses another number of residuals, a mould that does not exist and residuals that are
// beyond ±1e9 um, and then changes nothing.
func (h *ProbeHealth) Step(mould int, residuals []float64) (ProbeStep, error) {
	o := &h.Options
	if len(residuals) != o.Probes {
		return ProbeStep{}, refusal.Shapes("%d residuals for %d probes", len(residuals), o.Probes)
	}
	if mould < 0 || mould >= o.Moulds {
		return ProbeStep{}, refusal.Setting("mould", float64(mould), "must be one of the press's moulds, counted from 0")
	}
	for i, v := range residuals {
		if !usable(v) && !math.IsNaN(v) {
			return ProbeStep{}, &refusal.Error{Reason: refusal.NonFinite, What: "residuals", Index: i, Value: v, N: len(residuals)}
		}
	}
	s := ProbeStep{Panel: h.Panels, Largest: -1}
	h.Panels++
	if h.Seen[mould] < o.Baseline {
		h.learn(mould, residuals)
		return s, nil
	}
	h.watch(mould, residuals, &s)
	return s, nil
}

// variance of a probe's deviations within moulds, um^2; never below that of 1e-6 um, which no probe resolves.
func (h *ProbeHealth) variance(p int) float64 {
	if h.DF[p] == 0 {
		return 1e-12
	}
	return math.Max(1e-12, h.SS[p]/h.DF[p])
}

func (h *ProbeHealth) learn(mould int, residuals []float64) {
	o := &h.Options
	h.Seen[mould]++
	at := mould * o.Probes
	for p, r := range residuals {
		if math.IsNaN(r) {
			continue
		}
		k := at + p
		h.Count[k]++
		n := float64(h.Count[k])
		d := r - h.Signature[k]
		if n > 1 {
			h.SS[p] += d * d * (n - 1) / n
			h.DF[p]++
		}
		h.Signature[k] += d / n
		if n > 5 { // by then the mean is good enough for d to be an innovation
			h.CrossSq[1] += d * d
			h.CrossSq[0] += d * h.LastMould[k]
			h.CrossSq[3] += d * d
			h.CrossSq[2] += d * h.LastAll[p]
			h.LastMould[k], h.LastAll[p] = d, d
		}
	}
	if h.Seen[mould] == o.Baseline {
		h.setLimits()
	}
}

// setLimits works out the limits for the moulds whose signature is known by now.
func (h *ProbeHealth) setLimits() {
	o := &h.Options
	ready, df := 0, math.Inf(1)
	for _, n := range h.Seen {
		if n >= o.Baseline {
			ready++
		}
	}
	for p := range h.DF {
		if h.DF[p] > 0 {
			df = math.Min(df, h.DF[p])
		}
	}
	if math.IsInf(df, 1) || ready == 0 {
		return
	}
	side := dist.SidakLevel(1/o.RunLength, o.Probes) / 2
	h.Limit = dist.StudentTQuantileUpper(side, df)
	h.MouldLimit = 0
	if ready < o.Together {
		return
	}
	phi := 0.0
	if h.CrossSq[3] > 0 {
		phi = math.Min(0.99, math.Max(0, h.CrossSq[2]/h.CrossSq[3]))
	}
	// The limit u at which Together of the ready moulds are beyond with the chance side.
	miss := func(u float64) float64 {
		return math.Log(side) - math.Log(atLeast(o.Together, ready, u, phi)+1e-300)
	}
	u, err := dist.Root(miss, 0, dist.NormalQuantileUpper(side/float64(ready))) // from sure to be exceeded to no need of company
	if err != nil {
		u = dist.NormalQuantileUpper(side)
	}
	h.MouldLimit = dist.StudentTQuantileUpper(dist.NormalTail(u), df)
}

// atLeast is the chance that k or more of m standard normal variables with equal correlations rho are above u:
//
//	integral phi(z) P(Binomial(m, q(z)) >= k) dz,  q(z) = 1 - Phi((u - sqrt(rho) z)/sqrt(1 - rho))
//
// by the trapezoidal rule, whose error for this integrand falls faster than any power of the step.
func atLeast(k, m int, u, rho float64) float64 {
	if rho < 1e-3 {
		return dist.BinomialTail(k-1, m, dist.NormalTail(u))
	}
	const step = 0.2
	var s dist.Accumulator
	for i := -45; i <= 60; i++ {
		z := step * float64(i)
		s.Add(step * dist.NormalPDF(z) * dist.BinomialTail(k-1, m, dist.NormalTail((u-math.Sqrt(rho)*z)/math.Sqrt(1-rho))))
	}
	return s.Sum()
}

// widening is the factor by which the lag-1 correlation of neighbours widens the variance of an average.
func widening(product, square, lambda float64) float64 {
	if !(square > 0) {
		return 1
	}
	phi := math.Min(0.99, math.Max(0, product/square)) * (1 - lambda)
	return (1 + phi) / (1 - phi)
}

func (h *ProbeHealth) watch(mould int, residuals []float64, s *ProbeStep) {
	o := &h.Options
	s.Watched, s.Limit = true, h.Limit
	h.Watched++
	for m := range h.Share {
		h.Share[m] *= 1 - o.Lambda
	}
	h.Share[mould] += o.Lambda
	baseline := 0.0
	for m, w := range h.Share {
		if n := h.Seen[m]; n > 0 {
			baseline += w * w / float64(n)
		}
	}
	baseline *= widening(h.CrossSq[2], h.CrossSq[3], 0) // neighbouring panels are in neighbouring moulds' signatures too
	all := widening(h.CrossSq[2], h.CrossSq[3], o.Lambda)
	own, ownMean := widening(h.CrossSq[0], h.CrossSq[1], o.MouldLambda), widening(h.CrossSq[0], h.CrossSq[1], 0)
	block := h.History.open(s.Panel, o.Probes)
	at := mould * o.Probes
	for p, r := range residuals {
		k := at + p
		if math.IsNaN(r) || h.Count[k] < 2 || h.DF[p] == 0 {
			continue
		}
		d := r - h.Signature[k]
		v := h.variance(p)
		h.Sum[p] += d
		h.N[p]++
		block.Sum[p] += d
		block.N[p]++
		h.EWMA[p] += o.Lambda * (d - h.EWMA[p])
		h.EWMASq[p] = sq(1-o.Lambda)*h.EWMASq[p] + sq(o.Lambda)
		z := h.EWMA[p] / math.Sqrt(v*(h.EWMASq[p]*all+baseline))
		if s.Largest < 0 || math.Abs(z) > math.Abs(s.Z) {
			s.Largest, s.Z = p, z
		}
		h.MouldEWMA[k] += o.MouldLambda * (d - h.MouldEWMA[k])
		h.MouldSq[k] = sq(1-o.MouldLambda)*h.MouldSq[k] + sq(o.MouldLambda)
		if h.MouldLimit == 0 {
			continue
		}
		limit := h.MouldLimit * math.Sqrt(v*(h.MouldSq[k]*own+ownMean/float64(h.Count[k])))
		side := int8(0)
		switch {
		case h.MouldEWMA[k] > limit:
			side = 1
		case h.MouldEWMA[k] < -limit:
			side = -1
		}
		h.turn(k, p, side)
		beyond := max(h.Up[p], h.Down[p])
		switch {
		case beyond >= o.Together && !h.Found[p]:
			h.Found[p] = true
			s.Findings = append(s.Findings, ProbeFinding{Probe: p}) // worked out below, when the panel is in
		case beyond == 0:
			h.Found[p] = false
		}
	}
	h.History.fold()
	s.Beyond = s.Largest >= 0 && math.Abs(s.Z) > h.Limit
	for i := range s.Findings {
		s.Findings[i] = h.finding(s.Findings[i].Probe)
	}
}

// turn notes on which side of its limits a mould's average of a probe is.
func (h *ProbeHealth) turn(k, p int, side int8) {
	switch h.Side[k] {
	case side:
		return
	case 1:
		h.Up[p]--
	case -1:
		h.Down[p]--
	}
	switch side {
	case 1:
		h.Up[p]++
	case -1:
		h.Down[p]++
	}
	h.Side[k] = side
}

// Relearn forgets a mould's signature, as after a mould change: its next Baseline panels make the new one, into which a
// bias that a probe has by then goes too. It refuses a mould that does not exist.
func (h *ProbeHealth) Relearn(mould int) error {
	o := &h.Options
	if mould < 0 || mould >= o.Moulds {
		return refusal.Setting("mould", float64(mould), "must be one of the press's moulds, counted from 0")
	}
	h.Seen[mould] = 0
	for p := range o.Probes {
		k := mould*o.Probes + p
		h.turn(k, p, 0)
		h.Count[k], h.Signature[k], h.LastMould[k], h.MouldEWMA[k], h.MouldSq[k] = 0, 0, 0, 0, 0
	}
	h.setLimits()
	return nil
}
