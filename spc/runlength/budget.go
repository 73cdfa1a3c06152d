package runlength

import (
	"math"
	"math/rand/v2"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
	"sagwatch/spc/rules"
)

// Kind is the kind of chart in a budget.
type Kind string

// Kinds of charts.
const (
	PointChart Kind = "points" // single plotted points: individuals, means, spreads; with Rules
	EWMAChart  Kind = "ewma"   // two-sided, settled limits
	CUSUMChart Kind = "cusum"  // two-sided, without head start
	GroupChart Kind = "group"  // the largest deviation of Streams from their mean
)

// BudgetChart is one chart of a press. The zero values of what its Kind does not use are right.
type BudgetChart struct {
	Name           string
	Kind           Kind
	PointsPerShift float64
	// Weight is its share of the false signals, point for point; 0 means 1.
	Weight float64
	// Side is "upper" or "lower" for a chart of points with one limit, "" for both.
	Side string
	// Rules of a chart of points; the zero Set means beyond-limits alone.
	Rules   rules.Set
	Lambda  float64 // of an EWMA
	K       float64 // of a CUSUM
	Streams int     // of a group chart
	// Phi is the lag-1 coefficient of the fitted first-order autoregressive model, 0 for independent points. With
	// Residuals the chart plots the model's residuals, which are independent; else it plots the points themselves, and
	// limits are in multiples of their true standard deviation.
	Phi       float64
	Residuals bool
}

// Share is a chart's part of the budget and the limits that follow.
type Share struct {
	Name         string  `json:"name"`
	FalseSignals float64 `json:"false_signals"` // a shift
	// ARL0 is the average run length in control that the limit gives, points.
	ARL0 float64 `json:"arl0"`
	// Limit is the multiple of the standard deviation of a plotted point (points, group), L (EWMA) or H (CUSUM).
	Limit float64 `json:"limit"`
	// Probability of one point beyond its limit, both sides together, for independent points judged by beyond-limits
	// alone: limits of a skewed model are its quantiles there. 0 for other charts.
	Probability float64           `json:"probability,omitempty"`
	Route       Route             `json:"route"`
	SE          float64           `json:"se,omitempty"` // standard error of ARL0, Monte Carlo only
	Warnings    []refusal.Warning `json:"warnings,omitempty"`
}

// Budget splits a number of false signals a shift over the charts of a press and gives each chart's limit.
type Budget struct {
	// FalseSignals a shift that the press allows, all charts together, after charts are merged into signals.
	FalseSignals float64
	// ChartsPerSignal is how many charts' false signals go into one signal on average; 0 means 1, the cautious value,
	// which is right where charts are independent.
	ChartsPerSignal float64
	// Quiet is the number of points in a row without a hit after which a signal has ended; hits before that extend it. 0
	// means that every hit is a signal.
	Quiet  int
	Charts []BudgetChart
	// Simulation is for charts without an exact route. A limit is then found to the standard error set here (0: 3 %).
	Simulation Simulation
}

// Split gives each chart the share weight x points of the budget B, so that at equal weights each plotted point of the
// press has the same average run length:
//
//	ARL0_j = sum_i (w_i n_i) / (w_j B ChartsPerSignal),  false signals a shift of chart j = n_j / ARL0_j
//
// for n points a shift. Where hits are merged (Quiet = q), independent points that are each beyond a limit with
// probability p begin a signal after q points without hit, so
//
//	signals a point = p (1 - p)^q,  ARL0 = 1/p
//
// exactly, for charts of points judged by beyond-limits alone. For all others a signal begins about once in ARL0 points:
// exact where a chart starts afresh after a signal, else cautious, as a signal's own points count for nothing; the
// difference is of the order of (Quiet + points of a signal) / ARL0.
//
// Limits are exact for independent points (residual charts among them), and for the points themselves of a first-order
// autoregression judged by beyond-limits alone (WidenedMultiple); other charts of autocorrelated points are simulated,
// with the standard error in the result. Parameters are taken as known; Estimated says what their estimation leaves.
//
// It refuses an empty press, counts and weights that are not above zero, settings out of range, and a share of fewer
// than 2 points between false signals, or than merging leaves possible.
func (b Budget) Split() ([]Share, error) {
	if !(b.FalseSignals > 0 && b.FalseSignals <= 1e6) {
		return nil, refusal.Setting("the number of false signals a shift", b.FalseSignals, "it must be above 0")
	}
	per := b.ChartsPerSignal
	if per == 0 {
		per = 1
	}
	if !(per >= 1 && per <= 1e6) {
		return nil, refusal.Setting("the number of charts in one signal", per, "it must be 1 or more")
	}
	if b.Quiet < 0 || b.Quiet > 1_000_000 {
		return nil, refusal.Setting("the number of quiet points that end a signal", float64(b.Quiet), "it must be 0 to 1 000 000")
	}
	if len(b.Charts) == 0 {
		return nil, refusal.Few("charts", 0, 1)
	}
	total := 0.0
	for _, c := range b.Charts {
		if !(c.PointsPerShift > 0 && c.PointsPerShift <= 1e9) {
			return nil, refusal.Setting("the points a shift of "+c.Name, c.PointsPerShift, "it must be above 0")
		}
		if w := c.weight(); !(w > 0 && w <= 1e6) {
			return nil, refusal.Setting("the weight of "+c.Name, w, "it must be above 0")
		}
		total += c.PointsPerShift * c.weight()
	}
	// Charts of one press are often alike: each kind is worked out once.
	done := map[BudgetChart]Share{}
	shares := make([]Share, len(b.Charts))
	for i, c := range b.Charts {
		like := c
		like.Name, like.PointsPerShift = "", 0
		s, ok := done[like]
		if !ok {
			var err error
			if s, err = c.limit(total/(c.weight()*b.FalseSignals*per), b.Quiet, b.Simulation); err != nil {
				return nil, err
			}
			done[like] = s
		}
		s.Name, s.FalseSignals = c.Name, c.PointsPerShift/s.ARL0
		if s.Probability > 0 {
			s.FalseSignals *= math.Exp(float64(b.Quiet) * math.Log1p(-s.Probability))
		}
		shares[i] = s
	}
	return shares, nil
}

func (c BudgetChart) weight() float64 {
	if c.Weight == 0 {
		return 1
	}
	return c.Weight
}

// independent says whether the plotted points are.
func (c BudgetChart) independent() bool { return c.Phi == 0 || c.Residuals }

func (c BudgetChart) rules() rules.Set {
	if c.Rules == (rules.Set{}) {
		return rules.Default()
	}
	return c.Rules
}

// merged is the probability p of a hit at which independent points begin a signal once in every many points on average,
// where a signal ends after q points without a hit: the smaller root of p (1-p)^q = 1/every.
func merged(every float64, q int) (float64, error) {
	if q == 0 {
		return 1 / every, nil
	}
	lo, hi := 0.0, 1/float64(q+1) // where p (1-p)^q is greatest
	rate := func(p float64) float64 { return p * math.Exp(float64(q)*math.Log1p(-p)) }
	if rate(hi) < 1/every {
		return 0, refusal.Setting("the points between signals", every, "with signals that end after so many quiet points there cannot be so many of them")
	}
	for range 200 {
		if mid := (lo + hi) / 2; rate(mid) < 1/every {
			lo = mid
		} else {
			hi = mid
		}
		if hi-lo <= 1e-15*hi {
			break
		}
	}
	return hi, nil
}

// limit finds the chart's limit for a wanted number of points from signal to signal.
func (c BudgetChart) limit(arl0 float64, quiet int, sim Simulation) (s Share, err error) {
	if err := checkWanted(arl0); err != nil {
		return s, err
	}
	if err := checkPhi(c.Phi); err != nil {
		return s, err
	}
	if c.Side != "" && c.Kind != PointChart || c.Side != "" && c.Side != "upper" && c.Side != "lower" {
		return s, refusal.Shapes("%s: a chart of points has the side upper, lower or none; other charts have none", c.Name)
	}
	plain := c.rules() == rules.Default()
	guess := dist.NormalQuantileUpper(0.5 / arl0)
	lo, hi, tol := 1e-3, 12.0, designTol
	switch c.Kind {
	case PointChart:
		switch {
		case !c.rules().On(rules.BeyondLimits):
			return s, refusal.Shapes("%s: a limit for a wanted run length needs the rule beyond-limits in the set", c.Name)
		case plain && c.independent():
			p, err := merged(arl0, quiet)
			if err != nil {
				return s, err
			}
			s = Share{Probability: p, ARL0: 1 / p, Route: ClosedForm, Limit: dist.NormalQuantileUpper(p / 2)}
			if c.Side != "" {
				s.Limit = dist.NormalQuantileUpper(p)
			}
			return s, nil
		case !plain && c.independent() && c.Side == "":
			k, r, err := ShewhartMultiple(c.Rules, arl0)
			return Share{Limit: k, ARL0: r.ARL, Route: r.Route, SE: r.SE, Warnings: r.Warnings}, err
		}
	case EWMAChart:
		if err := checkLambda(c.Lambda); err != nil {
			return s, err
		}
	case CUSUMChart:
		if err := (CUSUM{K: c.K, H: 1}).check(); err != nil {
			return s, err
		}
		if c.independent() {
			d, err := CUSUMInterval(c.K, arl0, 0, TwoSided)
			return Share{Limit: d.H, ARL0: d.ARL0, Route: IntegralEquation}, err
		}
		hi, guess = 200, math.Max(0.2, math.Sqrt(arl0)/4)
		if d, err := CUSUMInterval(c.K, arl0, 0, TwoSided); err == nil {
			guess = d.H
		}
	case GroupChart:
		guess = dist.NormalQuantileUpper(0.5 / arl0 / float64(max(1, c.Streams)))
	default:
		return s, refusal.Shapes("%s: %q is no kind of chart in a budget", c.Name, c.Kind)
	}
	simulated := c.Phi != 0 && !c.Residuals && !(c.Kind == PointChart && plain && c.Side == "")
	if simulated {
		if sim.RelSE == 0 {
			sim.RelSE = 0.03
		}
		tol = sim.RelSE / 4
	}
	var r RunLength
	limit, _, err := limitFor(arl0, guess, lo, hi, tol, func(x float64) (float64, error) {
		r, err = c.RunLength(x, 0, sim)
		return r.ARL, err
	})
	if err != nil {
		return s, err
	}
	return Share{Limit: limit, ARL0: r.ARL, Route: r.Route, SE: r.SE, Warnings: r.Warnings}, nil
}

// RunLength is the chart's run length at a limit (see Share.Limit) when the mean shifts before the first point, by that
// many standard deviations of a raw point (of one stream in a group chart); 0 in control. A residual chart sees the shift
// as ResidualShift says. It refuses settings out of range.
func (c BudgetChart) RunLength(limit, shift float64, sim Simulation) (RunLength, error) {
	if err := checkPhi(c.Phi); err != nil {
		return RunLength{}, err
	}
	if !(math.Abs(shift) <= 1e3) {
		return RunLength{}, refusal.Setting("the shift", shift, "it must lie within ±1000 standard deviations")
	}
	if !(limit > 0 && limit <= 200) {
		return RunLength{}, refusal.Setting("the limit", limit, "it must be above 0 and at most 200")
	}
	later, o := Normal{shift, 1}, Options{Simulation: sim}
	if c.Residuals && c.Phi != 0 && shift != 0 {
		first, rest, err := ResidualShift(c.Phi, shift)
		if err != nil {
			return RunLength{}, err
		}
		later, o.First = rest, first
	}
	switch c.Kind {
	case GroupChart:
		return Group{c.Streams, limit, true}.RunLength(shift)
	case PointChart:
		chart := Sigma(limit, c.rules())
		switch c.Side {
		case "upper":
			chart.Limits.HasLower = false
		case "lower":
			chart.Limits.HasUpper = false
		}
		switch {
		case c.independent():
			return chart.RunLength(later, o)
		case c.rules() == rules.Default() && c.Side == "":
			return Autocorrelated{c.Phi, limit}.RunLength(shift)
		}
		if _, _, err := chart.Zones(); err != nil {
			return RunLength{}, err
		}
		return c.simulate(&judge{set: chart.Rules, limits: chart.Limits}, shift, sim)
	case EWMAChart:
		chart := EWMA{Lambda: c.Lambda, L: limit}
		if c.independent() {
			return chart.RunLength(later, o)
		}
		if err := chart.check(); err != nil {
			return RunLength{}, err
		}
		return c.simulate(&average{chart: chart, h: chart.Limit(1)}, shift, sim)
	case CUSUMChart:
		chart := CUSUM{K: c.K, H: limit}
		if c.independent() {
			return chart.RunLength(later, o)
		}
		if err := chart.check(); err != nil {
			return RunLength{}, err
		}
		return c.simulate(&sums{chart: chart}, shift, sim)
	}
	return RunLength{}, refusal.Shapes("%q is no kind of chart in a budget", c.Kind)
}

// copier is a chart that can be had again for another worker.
type copier interface {
	Stepper
	again() Stepper
}

func (j *judge) again() Stepper { return &judge{set: j.set, limits: j.limits} }

// average is an EWMA that is stepped.
type average struct {
	chart EWMA
	h, z  float64
}

func (a *average) again() Stepper { return &average{chart: a.chart, h: a.h} }
func (a *average) Reset()         { a.z = a.chart.Start }
func (a *average) Step(x float64) bool {
	a.z += a.chart.Lambda * (x - a.z)
	return math.Abs(a.z) > a.h
}

// sums is a CUSUM that is stepped.
type sums struct {
	chart   CUSUM
	up, low float64
}

func (s *sums) again() Stepper { return &sums{chart: s.chart} }
func (s *sums) Reset()         { s.up, s.low = s.chart.HeadStart, s.chart.HeadStart }
func (s *sums) Step(x float64) bool {
	s.up = math.Max(0, s.up+x-s.chart.K)
	s.low = math.Max(0, s.low-x-s.chart.K)
	return s.chart.Sides != LowerOnly && s.up > s.chart.H || s.chart.Sides != UpperOnly && s.low > s.chart.H
}

// simulate runs a chart over first-order autoregressive points of standard deviation 1 about the shift.
func (c BudgetChart) simulate(chart copier, shift float64, sim Simulation) (RunLength, error) {
	b := math.Sqrt(1 - c.Phi*c.Phi)
	return sim.run(func(longest int) func(*rand.Rand) (int, bool) {
		own := chart.again()
		return func(r *rand.Rand) (int, bool) {
			own.Reset()
			x := r.NormFloat64()
			for n := 1; n <= longest; n++ {
				if own.Step(shift + x) {
					return n, true
				}
				x = c.Phi*x + b*r.NormFloat64()
			}
			return longest, false
		}
	})
}

// Delay is what a chart takes to show a shift.
type Delay struct {
	Shift   float64 `json:"shift"`   // standard deviations of a raw point
	Points  float64 `json:"points"`  // average run length after the shift
	Seconds float64 `json:"seconds"` // the same in time
	Median  int     `json:"median"`  // points by which half of such shifts are shown
	SE      float64 `json:"se,omitempty"`
	Route   Route   `json:"route"`
}

// Delays is the curve of detection: the expected delay at each shift, for a limit and the seconds from one point of
// the chart to the next. Each is counted from the first point after the shift, from zero state.
//
// It refuses seconds not above 0, and as RunLength.
func (c BudgetChart) Delays(limit float64, shifts []float64, secondsPerPoint float64, sim Simulation) ([]Delay, error) {
	if !(secondsPerPoint > 0 && secondsPerPoint <= 1e9) {
		return nil, refusal.Setting("the seconds from point to point", secondsPerPoint, "it must be above 0")
	}
	list := make([]Delay, len(shifts))
	for i, s := range shifts {
		r, err := c.RunLength(limit, s, sim)
		if err != nil {
			return nil, err
		}
		list[i] = Delay{Shift: s, Points: r.ARL, Seconds: r.ARL * secondsPerPoint, SE: r.SE, Route: r.Route}
		if list[i].Median, err = r.Quantile(0.5); err != nil {
			return nil, err
		}
	}
	return list, nil
}

// FalseSignals is how many false signals charts give in a shift when each has its own points: the sum of points over
// average run lengths. It refuses lists of unequal length and run lengths not above 0.
func FalseSignals(pointsPerShift, arl0 []float64) (float64, error) {
	if len(pointsPerShift) != len(arl0) {
		return 0, refusal.Shapes("%d numbers of points and %d run lengths", len(pointsPerShift), len(arl0))
	}
	sum := 0.0
	for i, n := range pointsPerShift {
		if !(n >= 0) || !(arl0[i] > 0) || math.IsInf(n, 0) {
			return 0, refusal.Shapes("chart %d: %g points a shift and a run length of %g points", i+1, n, arl0[i])
		}
		sum += n / arl0[i]
	}
	return sum, nil
}
