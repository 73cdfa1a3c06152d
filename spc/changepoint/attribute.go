package changepoint

import (
	"math"
	"slices"

	"sagwatch/spc/refusal"
)

// StreamShift is by how much a characteristic of one stream (of one stream on one lane, where Lane is given) lies
// differently after a change than before.
type StreamShift struct {
	Stream string  `json:"stream"`
	Lane   string  `json:"lane,omitempty"`
	Value  float64 `json:"value"` // after less before, in the characteristic's unit
	SE     float64 `json:"se"`    // its standard error, above 0
}

// ResidualMap is the change of one stream's mean residuals, after the shape terms, place by place of the gauge.
type ResidualMap struct {
	Stream string    `json:"stream"`
	Values []float64 `json:"values"` // NaN: place left out
	SE     float64   `json:"se"`     // of each value, above 0
}

// MasterChange is the change of the error of the master between its checks before and after, in the unit of the shifts.
type MasterChange struct {
	Value float64 `json:"value"`
	SE    float64 `json:"se"`
}

// Evidence is what is known about a change.
type Evidence struct {
	Shifts []StreamShift `json:"shifts"`         // at least 1; each stream, or each stream on each lane, once
	Maps   []ResidualMap `json:"maps,omitempty"` // of all streams, or none
	Master *MasterChange `json:"master,omitempty"`
	DF     float64       `json:"df,omitempty"` // degrees of freedom of the standard errors; 0: they are known
	// CommonSE is the standard error of what all shifts have in common by chance, beside their own: the press wanders from
	// cycle to cycle, and takes all its moulds with it. The master has no part in it. 0: none.
	CommonSE float64 `json:"common_se,omitempty"`
	// Scale and MapScale are the sizes (standard deviations) that changes have when there are any; 0: the largest
	// seen here, of maps at least ten standard errors of a place's mean over the streams.
	Scale    float64 `json:"scale,omitempty"`
	MapScale float64 `json:"map_scale,omitempty"`
	// Prior is the weight of each kind before the evidence; nil: all kinds that the evidence can speak of alike.
	Prior map[CauseKind]float64 `json:"prior,omitempty"`
}

// Hypothesis is one kind of cause after the evidence.
type Hypothesis struct {
	Cause  Cause   `json:"cause"`  // with the likeliest stream, streams, lane or probe
	Weight float64 `json:"weight"` // posterior probability of the kind
	Named  float64 `json:"named"`  // posterior probability, within the kind, of what Cause names
	Size   float64 `json:"size"`   // shift of the streams concerned (of a probe: its residual), weighted mean
	SE     float64 `json:"se"`
}

// Attribution tells what has changed.
type Attribution struct {
	Hypotheses []Hypothesis `json:"hypotheses"` // by falling weight
	Glass      float64      `json:"glass"`      // weight of the causes that lie in the glass
	Gauge      float64      `json:"gauge"`      // and in the gauge
	Split      Split        `json:"split"`
}

// Attribute weighs what may have changed. With d_i the shifts, w_i = 1/SE_i², and a size that is N(0, scale²) before the
// evidence, a hypothesis under which the members of a set A share one size has, against no change, the Bayes factor
//
//		B(A) = (1 + scale² W)^(-1/2) exp(scale² S² / (2 (1 + scale² W))),  W = sum_A w,  S = sum_A w d
//
//	  - one-stream, one-lane: B, each stream (lane) alike before the evidence;
//	  - all-streams, several-streams: half one common size, half sizes of their own (the product of the B of each); sets of
//	    several streams: every number from 2 to m-1 alike, within it every set alike. With more than 14 streams only sets
//	    that are next to each other in size are weighed for a common size;
//	  - whole-gauge: one size for all streams and the master; under a cause in the glass the master has none;
//	  - one-probe: the residual of one place changes by one amount on all streams, and the shifts as for whole-gauge or not
//	    at all, half each.
//
// Residual maps: under a cause in the glass, or in the whole gauge, the maps of the streams concerned stay (half the
// weight before the evidence), or change at every place, each stream in its own way or all alike.
//
// With a CommonSE c the shifts are correlated: S and W are then those of generalised least squares, a' V^-1 d and
// a' V^-1 a with V = diag(SE²) + c² 11' and a the indicator of A, and sizes of their own are weighed by the joint normal
// densities of the shifts.
//
// Weights are prior times Bayes factor, normed. Without a master check "all moulds" and "the gauge" explain shifts
// equally well, and the weights say so.
//
// It refuses no shifts, standard errors not above 0, values that are not finite, a stream twice on one lane, lanes that
// are given for some shifts only, maps of different lengths, and negative scales or priors.
//
// Source: R. E. Kass, A. E. Raftery, "Bayes factors", Journal of the American Statistical Association 90 (1995), 773-795
// (normal prior; formula from memory).
func Attribute(e Evidence) (Attribution, error) {
	c, err := newCase(e)
	if err != nil {
		return Attribution{}, err
	}
	var all []candidate
	all = append(all, candidate{cause: Cause{Kind: NoCause}, log: 0, named: 1})
	all = append(all, c.oneStream())
	if len(c.streams) > 1 {
		all = append(all, c.allStreams())
	}
	if len(c.streams) > 2 {
		all = append(all, c.someStreams())
	}
	if len(c.lanes) > 1 {
		all = append(all, c.oneLane())
	}
	if c.places > 0 {
		all = append(all, c.oneProbe())
	}
	all = append(all, c.wholeGauge())
	var logs []float64
	for _, h := range all {
		prior := 1.0
		if e.Prior != nil {
			prior = e.Prior[h.cause.Kind]
		}
		logs = append(logs, h.log+math.Log(prior))
	}
	top := slices.Max(logs)
	if math.IsInf(top, 0) || math.IsNaN(top) {
		return Attribution{}, refusal.Unsolved("no kind of cause that the evidence can speak of has a prior weight")
	}
	total := 0.0
	for i, v := range logs {
		logs[i] = math.Exp(v - top)
		total += logs[i]
	}
	var a Attribution
	for i, h := range all {
		w := logs[i] / total
		if w == 0 && e.Prior != nil && e.Prior[h.cause.Kind] == 0 {
			continue
		}
		size, se := c.size(h.cause)
		a.Hypotheses = append(a.Hypotheses, Hypothesis{Cause: h.cause, Weight: w, Named: h.named, Size: size, SE: se})
		switch {
		case h.cause.Kind.Gauge():
			a.Gauge += w
		case h.cause.Kind != NoCause:
			a.Glass += w
		}
	}
	slices.SortStableFunc(a.Hypotheses, func(x, y Hypothesis) int {
		switch {
		case x.Weight > y.Weight:
			return -1
		case x.Weight < y.Weight:
			return 1
		}
		return 0
	})
	a.Split = c.split()
	return a, nil
}

// candidate is a kind with the likeliest case of it.
type candidate struct {
	cause Cause
	log   float64 // of the Bayes factor of the kind against no change
	named float64
}

// evidence is a sum of weights and of weighted values.
type evidence struct{ w, s float64 }

func (a evidence) plus(b evidence) evidence { return evidence{a.w + b.w, a.s + b.s} }

// bayes is the logarithm of B.
func (a evidence) bayes(scale float64) float64 {
	v := scale * scale
	return -0.5*math.Log1p(v*a.w) + 0.5*v*a.s*a.s/(1+v*a.w)
}

// apart is the evidence for a size of some of the shifts where all share a chance of their own (Sherman and Morrison).
func (c *study) apart(a evidence) evidence {
	k := c.common / (1 + c.common*c.all.w)
	return evidence{a.w - k*a.w*a.w, a.s - k*a.w*c.all.s}
}

// own is the logarithm of the Bayes factor of sizes of their own for a set of streams.
func (c *study) own(set []int) float64 {
	if c.common == 0 {
		total := 0.0
		for _, i := range set {
			total += c.stream[i].bayes(c.scale)
		}
		return total
	}
	// Per stream the shift s/w of variance 1/w, all with the common variance beside it.
	density := func(in func(i int) bool) float64 {
		var logs, w, quad, lin float64
		for i, e := range c.stream {
			g := 1 / e.w
			if in(i) {
				g += c.scale * c.scale
			}
			d := e.s / e.w
			logs += math.Log(g)
			w += 1 / g
			quad += d * d / g
			lin += d / g
		}
		return -0.5 * (logs + math.Log1p(c.common*w) + quad - c.common*lin*lin/(1+c.common*w))
	}
	return density(func(i int) bool { return slices.Contains(set, i) }) - density(func(int) bool { return false })
}

// study is the evidence sorted by stream, lane and place.
type study struct {
	given           Evidence
	streams, lanes  []string
	stream, lane    []evidence // of the shifts
	all, master     evidence
	common          float64 // variance of what all shifts have in common by chance
	scale, mapScale float64
	places          int
	place           []evidence // by place, over all streams
	mapOwn          []float64  // by stream: log Bayes factor of a map that changes at every place
	mapAlike        float64    // of one change of all maps at every place
}

func newCase(e Evidence) (*study, error) {
	if len(e.Shifts) == 0 {
		return nil, refusal.Few("shifts", 0, 1)
	}
	c := &study{given: e, scale: e.Scale, mapScale: e.MapScale}
	if !(e.Scale >= 0 && e.Scale <= 1e100) || !(e.MapScale >= 0 && e.MapScale <= 1e100) {
		return nil, refusal.Setting("the scale of a change", math.Min(e.Scale, e.MapScale), "must not be below 0")
	}
	if !(e.CommonSE >= 0 && e.CommonSE <= 1e100) {
		return nil, refusal.Setting("the common standard error", e.CommonSE, "must not be below 0")
	}
	c.common = e.CommonSE * e.CommonSE
	if !(e.DF >= 0) || math.IsInf(e.DF, 0) {
		return nil, refusal.Setting("degrees of freedom", e.DF, "must not be below 0")
	}
	for kind, v := range e.Prior {
		if !(v >= 0 && v < math.Inf(1)) {
			return nil, refusal.Setting("the prior weight of "+string(kind), v, "must not be below 0")
		}
	}
	var largest, least float64 = 0, math.Inf(1)
	seen := map[[2]string]bool{}
	withLane := 0
	for i, s := range e.Shifts {
		if err := usable("shifts", i, s.Value, s.SE); err != nil {
			return nil, err
		}
		key := [2]string{s.Stream, s.Lane}
		if seen[key] {
			return nil, refusal.Shapes("the shift of stream %q on lane %q is given twice", s.Stream, s.Lane)
		}
		seen[key] = true
		if s.Lane != "" {
			withLane++
		}
		w := evidence{1 / (s.SE * s.SE), s.Value / (s.SE * s.SE)}
		c.all = c.all.plus(w)
		c.streams, c.stream = gather(c.streams, c.stream, s.Stream, w)
		c.lanes, c.lane = gather(c.lanes, c.lane, s.Lane, w)
		largest, least = math.Max(largest, math.Abs(s.Value)), math.Min(least, s.SE)
	}
	if withLane != 0 && withLane != len(e.Shifts) {
		return nil, refusal.Shapes("%d of %d shifts have a lane: give it for all or for none", withLane, len(e.Shifts))
	}
	if c.scale == 0 {
		c.scale = math.Max(largest, least)
	}
	if m := e.Master; m != nil {
		if err := usable("master checks", 0, m.Value, m.SE); err != nil {
			return nil, err
		}
		c.master = evidence{1 / (m.SE * m.SE), m.Value / (m.SE * m.SE)}
	}
	return c, c.takeMaps(e.Maps)
}

// standsOut is how many standard errors of a place's mean over all streams the fault of a probe is taken to have, at
// least, where no MapScale is given: were it as small as the noise, chance would look like a probe.
const standsOut = 10

// takeMaps reads the residual maps.
func (c *study) takeMaps(maps []ResidualMap) error {
	if len(maps) == 0 {
		return nil
	}
	if len(maps) != len(c.streams) {
		return refusal.Shapes("%d residual maps and %d streams: give the maps of all streams or of none", len(maps), len(c.streams))
	}
	c.places = len(maps[0].Values)
	c.place = make([]evidence, c.places)
	c.mapOwn = make([]float64, len(c.streams))
	seen := make([]bool, len(c.streams))
	least := math.Inf(1)
	for _, m := range maps {
		i := slices.Index(c.streams, m.Stream)
		if i < 0 || seen[i] {
			return refusal.Shapes("the residual map of stream %q belongs to no shift or is given twice", m.Stream)
		}
		seen[i] = true
		if len(m.Values) != c.places || c.places == 0 {
			return refusal.Shapes("the residual map of stream %q has %d places, the first %d", m.Stream, len(m.Values), c.places)
		}
		for k, v := range m.Values {
			if math.IsNaN(v) {
				continue
			}
			if err := usable("residual maps", k, v, m.SE); err != nil {
				return err
			}
			c.place[k] = c.place[k].plus(evidence{1 / (m.SE * m.SE), v / (m.SE * m.SE)})
		}
		least = math.Min(least, m.SE)
	}
	if c.mapScale == 0 {
		c.mapScale = standsOut * least / math.Sqrt(float64(len(maps)))
		for _, p := range c.place {
			if p.w > 0 {
				c.mapScale = math.Max(c.mapScale, math.Abs(p.s/p.w))
			}
		}
	}
	for _, p := range c.place {
		c.mapAlike += p.bayes(c.mapScale)
	}
	for _, m := range maps {
		i := slices.Index(c.streams, m.Stream)
		for _, v := range m.Values {
			if !math.IsNaN(v) {
				c.mapOwn[i] += evidence{1 / (m.SE * m.SE), v / (m.SE * m.SE)}.bayes(c.mapScale)
			}
		}
	}
	return nil
}

// usable refuses a value that is not finite and a standard error that is not above 0.
func usable(what string, i int, v, se float64) error {
	if !(math.Abs(v) <= 1e100) {
		return &refusal.Error{Reason: refusal.NonFinite, What: what, Index: i, Value: v}
	}
	if !(se > 1e-100 && se < 1e100) {
		return refusal.Setting("the standard error of the "+what, se, "must be above 0")
	}
	return nil
}

// gather adds evidence under a name.
func gather(names []string, sums []evidence, name string, w evidence) ([]string, []evidence) {
	i := slices.Index(names, name)
	if i < 0 {
		return append(names, name), append(sums, w)
	}
	sums[i] = sums[i].plus(w)
	return names, sums
}
