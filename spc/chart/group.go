package chart

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// GroupModel is the baseline of a press's group chart: how much each stream varies about the common level of its cycle.
// Its fields are plain numbers: stored, they are the frozen chart.
type GroupModel struct {
	Cycles  int       `json:"cycles"`
	Centres []float64 `json:"centres"` // c_i of each stream
	Sigmas  []float64 `json:"sigmas"`  // s_i, standard deviation of y_i = x_i - c_i about the cycle's own level
	// Alike says that all streams were taken to have the same s; then the limits are exact.
	Alike    bool              `json:"alike"`
	DF       int               `json:"df"` // degrees of freedom of a common s
	Warnings []refusal.Warning `json:"warnings,omitempty"`
}

// GroupBaseline works out a group chart from a baseline of cycles and the streams' centres c_i. With e_j the mean of y_ij
// = x_ij - c_i over the m_j streams present and d_ij = y_ij - e_j,
//
//	E d_ij^2 = s_i^2 (1 - 2/m_j) + sum_k s_k^2 / m_j^2
//
// which, summed over the cycles, are linear equations for the s_i^2 (moment estimator). alike takes all streams as equally
// variable, s^2 = sum d_ij^2 / (sum (m_j - 1) - (streams - 1 if fitted)). fitted says that the centres come from these
// same cycles (StreamCentres); stream i's sum is then taken as J_i/(J_i - 1) times larger, exact for complete cycles.
//
// It refuses what Cycle refuses (Index is the cycle), fewer than 2 cycles with 2 or more streams, deviations that do not
// vary, and streams whose s_i cannot be told apart (never three or more in a cycle): those can only be taken alike. It warns
// under 100 cycles and where a s_i^2 came out below zero and was set to 0.
//
// Source: Epprecht and Simões, group charts on the differences from the common level; Searle 1971, Linear Models, ch. 10,
// moment equations (both from memory).
func GroupBaseline(cycles [][]StreamValue, centres []float64, alike, fitted bool) (GroupModel, error) {
	n := len(centres)
	g := GroupModel{Centres: slices.Clone(centres), Sigmas: make([]float64, n), Alike: alike}
	squares, counts := make([]dist.Accumulator, n), make([]float64, n)
	var all dist.Accumulator
	a := mat.NewDense(max(1, n), max(1, n), nil)
	size := 0.0
	for j, cycle := range cycles {
		pt, err := Cycle(cycle, centres)
		if err != nil {
			here := *err.(*refusal.Error)
			here.Index = j
			return GroupModel{}, &here
		}
		if pt.M < 2 {
			continue
		}
		g.Cycles++
		g.DF += pt.M - 1
		m := float64(pt.M)
		for _, p := range cycle {
			d := p.Value - centres[p.Stream] - pt.Effect
			size = max(size, math.Abs(p.Value))
			squares[p.Stream].Add(d * d)
			all.Add(d * d)
			counts[p.Stream]++
			a.Set(p.Stream, p.Stream, a.At(p.Stream, p.Stream)+1-2/m)
			for _, q := range cycle {
				a.Set(p.Stream, q.Stream, a.At(p.Stream, q.Stream)+1/(m*m))
			}
		}
	}
	if g.Cycles < 2 {
		return GroupModel{}, refusal.Few("cycles with two or more streams", g.Cycles, 2)
	}
	if fitted {
		g.DF -= n - 1
	}
	if g.DF < 1 {
		return GroupModel{}, refusal.Few("degrees of freedom within the cycles", max(0, g.DF), 1)
	}
	common := math.Sqrt(all.Sum() / float64(g.DF))
	if steady(common, size) {
		return GroupModel{}, refusal.Constant("deviations from the cycles' levels", g.Cycles)
	}
	if g.Cycles < enoughPoints {
		g.Warnings = append(g.Warnings, refusal.Small("cycles", g.Cycles, enoughPoints))
	}
	if alike {
		for i := range g.Sigmas {
			g.Sigmas[i] = common
		}
		return g, nil
	}
	b := mat.NewVecDense(n, nil)
	for i := range n {
		if counts[i] < 2 {
			return GroupModel{}, &refusal.Error{Reason: refusal.TooFew, What: "cycles of a stream", N: int(counts[i]), Need: 2, Index: i}
		}
		s := squares[i].Sum()
		if fitted {
			s *= counts[i] / (counts[i] - 1)
		}
		b.SetVec(i, s)
	}
	var lu mat.LU
	lu.Factorize(a)
	v := mat.NewVecDense(n, nil)
	if lu.Cond() > 1e12 || lu.SolveVecTo(v, false, b) != nil {
		return GroupModel{}, refusal.Unsolved("two streams that never come with a third vary in step about their mean: their spreads cannot be told apart, take the streams as alike")
	}
	low := 0
	for i := range n {
		if v.AtVec(i) < 0 {
			low++
		}
		g.Sigmas[i] = math.Sqrt(max(0, v.AtVec(i)))
	}
	if low > 0 {
		g.Warnings = append(g.Warnings, refusal.Warning{Kind: refusal.Adjusted, What: "streams", N: low,
			Detail: "A stream varies less than its share of the cycles' level suggests; its own spread was set to 0."})
	}
	return g, nil
}

// LimitMethod says how a group chart's limit was found.
type LimitMethod string

// Ways to a limit for the greatest of several deviations.
const (
	// Exact is by the distribution of the greatest absolute deviation from a common mean.
	Exact LimitMethod = "exact"
	// Bonferroni gives each stream an equal share of the probability: the rate is at most the wanted one.
	Bonferroni LimitMethod = "bonferroni"
)

// GroupLimit is the limit of the standardised deviations of a cycle of M streams: the chart signals where |d| / sd > Z.
type GroupLimit struct {
	M      int         `json:"m"`
	Z      float64     `json:"z"`
	Method LimitMethod `json:"method"`
}

// GroupLimitFor is the limit for the greatest of m standardised deviations at the wanted probability of a signal in a
// cycle while nothing is wrong:
//
//	exact:       P(max_i |d_i| / (s sqrt(1 - 1/m)) > z) = p    for streams that vary alike, p from 1e-8
//	Bonferroni:  z = normal quantile at 1 - p/(2m)             otherwise
//
// The d_i of streams that vary alike have the correlation -1/(m-1). A Width in k sigma stands for the probability that a
// normal statistic has of lying beyond ± k, so that the group chart signals as often as one chart at k sigma would. It refuses
// m below 2 and above 1000.
//
// Source: the greatest deviation from the mean: Nair 1948, The distribution of the extreme deviate from the sample mean,
// Biometrika 35, here for both sides at once (see farthestTail); group charts: Boyd 1950, Nelson 1986, Control charts for
// multiple stream processes, Journal of Quality Technology 18(4) (from memory).
func GroupLimitFor(m int, alike bool, w Width) (GroupLimit, error) {
	if err := w.check(); err != nil {
		return GroupLimit{}, err
	}
	if m < 2 {
		return GroupLimit{}, refusal.Few("streams in a cycle", m, 2)
	}
	if m > 1000 {
		return GroupLimit{}, refusal.Setting("the number of streams in a cycle", float64(m), "a group chart takes at most 1000")
	}
	p := 2 * w.tail()
	if !alike || p < 1e-8 {
		return GroupLimit{M: m, Z: dist.NormalQuantileUpper(p / 2 / float64(m)), Method: Bonferroni}, nil
	}
	return GroupLimit{M: m, Z: farthestQuantile(p, m) / math.Sqrt(1-1/float64(m)), Method: Exact}, nil
}

// StreamDeviation is one stream's deviation from the level of its cycle.
type StreamDeviation struct {
	Stream int     `json:"stream"`
	D      float64 `json:"d"`  // y - e, in the characteristic's unit
	SD     float64 `json:"sd"` // its standard deviation
	Z      float64 `json:"z"`  // D / SD; 0 where SD is 0
	Side   Side    `json:"side"`
}

// GroupPoint is what a cycle says on the group chart. Highest and Lowest are the streams of the greatest and the least Z;
// -1 in a cycle of one stream, which has no deviation.
type GroupPoint struct {
	M       int        `json:"m"`
	Effect  float64    `json:"effect"`
	Limit   GroupLimit `json:"limit"`
	Highest int        `json:"highest"`
	Lowest  int        `json:"lowest"`
	MaxZ    float64    `json:"max_z"`
	MinZ    float64    `json:"min_z"`
	// Signal is true where a stream lies beyond the limit; the deviations say which.
	Signal bool `json:"signal"`
}

// GroupChart is a group chart in force. It is read only once made and safe for concurrent use.
type GroupChart struct {
	model  GroupModel
	limits []GroupLimit // by the number of streams present; the first two are empty
}

// NewGroupChart puts a baseline in force, with a limit for every number of streams present. It refuses a model whose centres
// and sigmas do not belong together or are not finite, sigmas below 0 or all 0, fewer than 2 streams, and what GroupLimitFor refuses.
func NewGroupChart(m GroupModel, w Width) (*GroupChart, error) {
	n := len(m.Centres)
	if n < 2 {
		return nil, refusal.Few("streams", n, 2)
	}
	if len(m.Sigmas) != n {
		return nil, refusal.Shapes("a group chart has %d centres and %d sigmas", n, len(m.Sigmas))
	}
	if err := refusal.Finite("centres", m.Centres); err != nil {
		return nil, err
	}
	if err := refusal.Finite("sigmas", m.Sigmas); err != nil {
		return nil, err
	}
	some := false
	for i, s := range m.Sigmas {
		if s < 0 {
			return nil, &refusal.Error{Reason: refusal.Negative, What: "sigmas", Index: i, Value: s}
		}
		if m.Alike && s != m.Sigmas[0] {
			return nil, refusal.Shapes("the streams are taken as alike, but stream %d has a sigma of its own", i+1)
		}
		some = some || s > 0
	}
	if !some {
		return nil, refusal.Constant("streams", n)
	}
	m.Centres, m.Sigmas = slices.Clone(m.Centres), slices.Clone(m.Sigmas)
	g := &GroupChart{model: m, limits: make([]GroupLimit, n+1)}
	for k := 2; k <= n; k++ {
		var err error
		if g.limits[k], err = GroupLimitFor(k, m.Alike, w); err != nil {
			return nil, err
		}
	}
	return g, nil
}

// Step takes in a cycle and appends the standardised deviation of each stream present to dst:
//
//	d_i = y_i - e,  var d_i = s_i^2 (1 - 2/m) + sum_k s_k^2 / m^2,  z_i = d_i / sqrt(var d_i)
//
// A stream's signal is |z_i| beyond the limit for m streams, its Side says which way. A cycle of one stream has no
// deviation and no signal. It refuses what Cycle refuses. With room in dst it does not allocate.
func (g *GroupChart) Step(dst []StreamDeviation, cycle []StreamValue) (GroupPoint, []StreamDeviation, error) {
	pt, err := Cycle(cycle, g.model.Centres)
	if err != nil {
		return GroupPoint{}, dst, err
	}
	out := GroupPoint{M: pt.M, Effect: pt.Effect, Highest: -1, Lowest: -1}
	if pt.M < 2 {
		return out, dst, nil
	}
	out.Limit = g.limits[pt.M]
	m := float64(pt.M)
	var total float64
	for _, p := range cycle {
		total += g.model.Sigmas[p.Stream] * g.model.Sigmas[p.Stream]
	}
	for _, p := range cycle {
		s := g.model.Sigmas[p.Stream]
		v := StreamDeviation{Stream: p.Stream, D: p.Value - g.model.Centres[p.Stream] - pt.Effect, SD: math.Sqrt(max(0, s*s*(1-2/m)+total/(m*m)))}
		if v.SD > 0 {
			v.Z = v.D / v.SD
		}
		switch {
		case v.Z > out.Limit.Z:
			v.Side, out.Signal = Above, true
		case v.Z < -out.Limit.Z:
			v.Side, out.Signal = Below, true
		}
		if out.Highest < 0 || v.Z > out.MaxZ {
			out.Highest, out.MaxZ = v.Stream, v.Z
		}
		if out.Lowest < 0 || v.Z < out.MinZ {
			out.Lowest, out.MinZ = v.Stream, v.Z
		}
		dst = append(dst, v)
	}
	return out, dst, nil
}

// GroupRun follows how often in succession the same stream has been the highest, and the same the lowest, of its cycle;
// its zero value is the start. A long run says that a stream has left the others even when no limit is passed.
type GroupRun struct {
	Highest int `json:"highest"` // the stream
	High    int `json:"high"`    // how often in succession
	Lowest  int `json:"lowest"`
	Low     int `json:"low"`
}

// Step takes in a cycle; cycles of one stream say nothing and leave the runs as they are.
func (r *GroupRun) Step(p GroupPoint) {
	if p.M < 2 {
		return
	}
	if r.High == 0 || r.Highest != p.Highest {
		r.High = 0
	}
	if r.Low == 0 || r.Lowest != p.Lowest {
		r.Low = 0
	}
	r.Highest, r.High = p.Highest, r.High+1
	r.Lowest, r.Low = p.Lowest, r.Low+1
}

// GroupRunLength is the mean number of complete cycles until one of m like streams has been the highest r times in
// succession while nothing is wrong,
//
//	(m^r - 1) / (m - 1)
//
// It refuses m below 2 and r below 1.
//
// Source: Mortell and Runger 1995, Statistical process control of multiple stream processes, Journal of Quality Technology
// 27(1); the rule: Nelson 1986 (both from memory).
func GroupRunLength(m, r int) (float64, error) {
	if m < 2 {
		return 0, refusal.Few("streams", m, 2)
	}
	if r < 1 {
		return 0, refusal.Setting("the number of successive cycles", float64(r), "it must be 1 or more")
	}
	return (math.Pow(float64(m), float64(r)) - 1) / float64(m-1), nil
}
