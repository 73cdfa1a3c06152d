package changepoint

import (
	"math"
	"math/rand/v2"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// Options are the settings of Find and FindCounts; the zero value is the usual way.
type Options struct {
	// CommonSize: all streams that change do so by one size; else each has its own. Find only.
	CommonSize bool `json:"common_size,omitempty"`
	// SigmaUnknown: the standard deviations of the streams are known up to one common factor, estimated with the change.
	SigmaUnknown bool `json:"sigma_unknown,omitempty"`
	// Only, where set, leaves the other shape out.
	Only Shape `json:"only,omitempty"`
	// Resamples of each confidence statement; 0 means 399, the least allowed is 199. With 199, 399 or 999 the sets
	// have exactly their level; more resamples make them a little narrower and less dependent on the seed.
	Resamples int    `json:"resamples,omitempty"`
	Seed      uint64 `json:"seed,omitempty"`
}

// resamples checks and completes the number of resamples.
func (o Options) resamples() (int, error) {
	switch {
	case o.Resamples == 0:
		return 399, nil
	case o.Resamples < 199 || o.Resamples > 1_000_000:
		return 0, refusal.Setting("resamples", float64(o.Resamples), "must be 0 (meaning 399) or from 199 to 1000000")
	}
	return o.Resamples, nil
}

// Set is a confidence set of the start.
type Set struct {
	Level   float64 `json:"level"`
	First   int     `json:"first"`
	Last    int     `json:"last"`
	Indices []int   `json:"indices"` // ascending; gaps are possible
}

// take puts an index into the set.
func (s *Set) take(t int) {
	if len(s.Indices) == 0 {
		s.First = t
	}
	s.Last = t
	s.Indices = append(s.Indices, t)
}

// Contains tells whether a start is in the set.
func (s Set) Contains(t int) bool {
	for _, v := range s.Indices {
		if v == t {
			return true
		}
	}
	return false
}

// Size is the size of a step, in the characteristic's unit, or the slope of a drift, in that unit per index. Of counts:
// the logarithm of the ratio of rates (Poisson) or of odds (binomial) after to before.
type Size struct {
	Streams []string  `json:"streams"` // of this size
	Value   float64   `json:"value"`
	SE      float64   `json:"se"`    // if the start were known
	Lower   float64   `json:"lower"` // 95 %, profiled over the start
	Upper   float64   `json:"upper"`
	Before  []float64 `json:"before"` // level of each before the change: mean, rate or proportion
}

// Estimate is one shape of change laid to the data.
type Estimate struct {
	Shape Shape `json:"shape"`
	Start int   `json:"start"` // maximum-likelihood index, from 0, of the first point affected
	// LogLik is the log likelihood over that of no change; Profile the same by start, 0 where a
	// start cannot be told.
	LogLik  float64   `json:"log_likelihood"`
	Profile []float64 `json:"profile"`
	Sizes   []Size    `json:"sizes"`
	Sigma   float64   `json:"sigma,omitempty"` // estimated common factor, denominator: degrees of freedom
	P       float64   `json:"p"`               // of so great a likelihood ratio without any change, by resampling
	Set95   Set       `json:"set_95"`
	Set99   Set       `json:"set_99"`
	BIC     float64   `json:"bic"`
	Weight  float64   `json:"weight"` // exp(-BIC/2), normed over none, step and drift
}

// Result tells since when.
type Result struct {
	N          int               `json:"n"` // observations
	Shape      Shape             `json:"shape"`
	Step       Estimate          `json:"step"`
	Drift      Estimate          `json:"drift"`
	NoneBIC    float64           `json:"none_bic"`
	NoneWeight float64           `json:"none_weight"`
	Warnings   []refusal.Warning `json:"warnings,omitempty"`
}

// Chosen is the estimate of the likelier shape.
func (r *Result) Chosen() *Estimate {
	if r.Shape == Drift {
		return &r.Drift
	}
	return &r.Step
}

// Earliest is the earliest credible start: the lower end of the 99 % set of the likelier shape, or of the other one
// where that begins earlier and has a weight of at least other beside it (0.05 is a sensible figure; 1: never).
func (r *Result) Earliest(other float64) int {
	a, b := &r.Step, &r.Drift
	if r.Shape == Drift {
		a, b = b, a
	}
	first := a.Set99.First
	if b.Weight >= other*(a.Weight+b.Weight) && len(b.Set99.Indices) > 0 && b.Set99.First < first {
		first = b.Set99.First
	}
	return first
}

// enoughAfter is the number of points behind a change from which on a step of 1 sigma stands out.
const enoughAfter = 10

// Find looks back from a signal for the start of a step and of a linear drift in normal series that share it, by maximum
// likelihood. For each start s the change costs the sum of squares (in units of the variance)
//
//	gain(s) = sum over streams of (x' w)^2 / x'x   or, for a common size,   (sum x' w)^2 / sum x'x
//
// with w the series and x the change in independent form after the unknown means are fitted; the log likelihood ratio is
// gain/2 or, with an unknown scale, N/2 log(SS / (SS - gain)). The sets at 95 % and 99 % hold each start that the
// conditional likelihood-ratio test does not reject; given the sufficient statistics its level does not depend on the
// size of the change, so that the sets are honest for small steps, few points and gaps. (They take the last index as
// fixed beforehand. At the moment of the signal of a likelihood-ratio chart with ARL0 370 the 95 % and 99 % sets held the
// start of a step in 83 % and 95 % of cases at 0.5 sigma, 92 % and 99 % at 1 sigma, 93 to 96 % and 99 % at 2 to 4 sigma, and
// the lower end of the 99 % set lay at or before it in 99 % at every size; simulated.) A shape with a weight below 0.01
// beside the other gets wider sets, from a bound, without resampling. With the last index fixed, steps of 1 to 4 sigma
// with 5 to 200 points behind them, mean and sigma known: the sets held the start in 93.2 to 96.6 % and 97.8 to 99.6 % of
// 500 series a case, standard errors 1.0 and 0.4; simulated.
// Intervals of the size are those of the profile likelihood, the union over starts.
//
// BIC = -2 LogLik + k log N with k = sizes + 1 (the start); weights exp(-BIC/2).
//
// It refuses streams of different lengths, values that are not finite, standard deviations not above 0, |Phi| >= 1, fewer
// than 3 observations, no start that could be told, values without variation with an unknown scale, and values and standard
// deviations too far apart to work with: the standard deviation of a point outside 1e-50 to 1e50, a point more than 1e50
// of them from its mean.
//
// Source: D. V. Hinkley, "Inference about the change-point in a sequence of random variables", Biometrika 57 (1970),
// 1-17; T. R. Samuel, J. J. Pignatiello, J. A. Calvin, "Identifying the time of a step change with X-bar control
// charts", Quality Engineering 10 (1998), 521-527; sets: K. J. Worsley,
// "Confidence regions and tests for a change-point in a sequence of exponential family random variables", Biometrika 73
// (1986), 91-104; D. Siegmund, "Confidence sets in change-point problems", International Statistical Review 56 (1988), 31-48.
func Find(streams []Stream, o Options) (Result, error) { return find(streams, o, true) }

// Locate is Find without what needs resampling: P and the sets are left empty. It is some hundred times quicker.
func Locate(streams []Stream, o Options) (Result, error) { return find(streams, o, false) }

func find(streams []Stream, o Options, sure bool) (Result, error) {
	resamples, err := o.resamples()
	if err != nil {
		return Result{}, err
	}
	if o.Only != "" && o.Only != Step && o.Only != Drift {
		return Result{}, refusal.Shapes("%q is no shape of change: step or drift", o.Only)
	}
	length, err := check(streams, o.SigmaUnknown)
	if err != nil {
		return Result{}, err
	}
	step := newProfile(streams, length, Step, o.CommonSize, o.SigmaUnknown)
	if step.n < 3 {
		return Result{}, refusal.Few("observations", step.n, 3)
	}
	if step.best < 0 {
		return Result{}, refusal.Unsolved("no stream has points on both sides of any index: the start of a change cannot be told")
	}
	if o.SigmaUnknown {
		if least := step.dof - maxOf(step.q); least < 1 {
			return Result{}, refusal.Few("observations", step.n, step.n+1-least)
		}
		var size float64
		for _, v := range step.streams {
			for _, x := range v.l {
				size += v.centre * v.centre * x * x
			}
		}
		if step.rest <= 1e-24*size || step.rest == 0 {
			return Result{}, refusal.Constant("values", step.n)
		}
	}
	drift := newProfile(streams, length, Drift, o.CommonSize, o.SigmaUnknown)
	if drift.best < 0 {
		return Result{}, refusal.Unsolved("no stream has points on both sides of any index: the start of a drift cannot be told")
	}
	r := Result{N: step.n}
	if o.Only != Drift {
		r.Step = step.estimate(streams)
	}
	if o.Only != Step {
		r.Drift = drift.estimate(streams)
	}
	r.weigh(o.Only)
	if !sure {
		return r, nil
	}
	if o.Only != Drift {
		step.sure(&r.Step, resamples, o.Seed)
	}
	if o.Only != Step {
		drift.sure(&r.Drift, resamples, o.Seed+1)
	}
	r.warn(length)
	return r, nil
}

// weigh gives each shape its weight by BIC; that of no change is the zero of the scale.
func (r *Result) weigh(only Shape) {
	r.Shape = Step
	if only == Drift || only == "" && r.Drift.BIC < r.Step.BIC {
		r.Shape = Drift
	}
	top := math.Max(0, math.Max(-r.Step.BIC/2, -r.Drift.BIC/2))
	none, step, drift := math.Exp(-top), math.Exp(-r.Step.BIC/2-top), math.Exp(-r.Drift.BIC/2-top)
	if only == Step {
		drift = 0
	}
	if only == Drift {
		step = 0
	}
	sum := none + step + drift
	r.NoneWeight, r.Step.Weight, r.Drift.Weight = none/sum, step/sum, drift/sum
}

// warn says what is doubtful.
func (r *Result) warn(length int) {
	if after := length - r.Chosen().Start; after < enoughAfter {
		r.Warnings = append(r.Warnings, refusal.Small("points since the change", after, enoughAfter))
	}
	if r.Chosen().P > 0.01 {
		r.Warnings = append(r.Warnings, refusal.Warning{Kind: refusal.Doubtful, What: "change", Value: r.Chosen().P,
			Detail: "So much of a change appears in more than one of a hundred series without any."})
	}
}

// estimate lays one shape to the data.
func (p *profile) estimate(streams []Stream) Estimate {
	e := Estimate{Shape: p.shape, Start: p.best, LogLik: p.logLik(p.best), Profile: make([]float64, p.length)}
	for t := range e.Profile {
		if p.q[t] > 0 {
			e.Profile[t] = p.logLik(t)
		}
	}
	e.BIC = -2*e.LogLik + float64(p.q[p.best]+1)*math.Log(float64(p.n))
	p.sizes(&e, streams)
	return e
}

// sure adds what needs resampling.
func (p *profile) sure(e *Estimate, resamples int, seed uint64) {
	src := rand.New(rand.NewPCG(seed, 0x5ea2))
	w := p.scratch()
	// A p-value of 20 exceedances is known to a fifth of itself: more would be a waste (Besag and Clifford 1991).
	if count, made := p.exceed(-1, resamples, 20, src, w); count < 20 {
		e.P = float64(1+count) / float64(1+resamples)
	} else {
		e.P = float64(count) / float64(made)
	}
	p.sets(e, resamples, src, w, e.Weight < negligible)
}

// negligible is the weight below which a shape gets rough sets.
const negligible = 0.01

// sets works out the confidence sets; rough ones rest on the bound alone and are wider.
func (p *profile) sets(e *Estimate, resamples int, src *rand.Rand, w *scratch, rough bool) {
	e.Set95.Level, e.Set99.Level = 0.95, 0.99
	b := float64(resamples + 1)
	need95, need99 := int(math.Floor(0.05*b+1e-9)), int(math.Floor(0.01*b+1e-9)) // in the set from so many exceedances on
	need95, need99 = max(need95, 1), max(need99, 1)
	in95, in99 := false, false
	for t := range p.length {
		if p.q[t] == 0 {
			continue
		}
		if t == 0 || p.q[t-1] == 0 || !p.same(t) {
			in95, in99 = true, true
			if t != p.best && p.gain[t] < p.gain[p.best] {
				bound := p.tail(t, w)
				in95, in99 = bound > 0.05, bound > 0.01
				if in99 && !rough {
					n, _ := p.exceed(t, resamples, need95, src, w)
					in95, in99 = in95 && n >= need95, n >= need99
				}
			}
		}
		if in95 {
			e.Set95.take(t)
		}
		if in99 {
			e.Set99.take(t)
		}
	}
}

// same tells whether a step at start t splits the observations like one at t-1.
func (p *profile) same(t int) bool {
	if p.shape != Step {
		return false
	}
	for _, v := range p.streams {
		if !v.still && v.at[t] != v.at[t-1] {
			return false
		}
	}
	return true
}

// tail bounds the conditional probability that some other start beats start t by as much as observed, by the sum over the
// others. With a_i the standardised size at t in group i and c_i the correlation of both changes, what start k explains
// is the squared length of c a + s z, s² = 1 - c², at most (|c a| + max(s) |z|)², where z is noise in as many dimensions as
// there are sizes.
func (p *profile) tail(t int, w *scratch) float64 {
	groups := p.groupsAt(t, w)
	top := math.Sqrt(p.gain[p.best])
	rest := p.rest - p.gain[t]
	var sum float64
	for k, q := range p.q {
		if q == 0 || k == t {
			continue
		}
		var kept, free float64
		n := 0
		for i := range groups {
			g := &groups[i]
			if g.info[k] <= 0 {
				continue
			}
			n++
			c2 := 0.0
			if g.info[t] > 0 {
				c2 = math.Min(1, g.reply[k]*g.reply[k]/(g.info[k]*g.info[t]))
				kept += c2 * g.size * g.size * g.info[t]
			}
			free = math.Max(free, 1-c2)
		}
		d := top - math.Sqrt(kept)
		switch {
		case d <= 0:
			return 1
		case free <= 1e-12: // the same change as at t
		case !p.unknown:
			sum += dist.ChiSquareTail(d*d/free, float64(n))
		default:
			b := float64(p.dof-p.q[t]) - float64(n)
			if b <= 0 {
				return 1
			}
			if x := d * d / free / rest; x < 1 {
				sum += dist.BetaTail(x, float64(n)/2, b/2)
			}
		}
		if sum > 0.05 {
			return sum
		}
	}
	return sum
}

// sizes are the sizes at the best start with their profile-likelihood intervals.
func (p *profile) sizes(e *Estimate, streams []Stream) {
	best := p.best
	free := float64(p.dof - p.q[best])
	variance, reach := 1.0, dist.ChiSquareQuantile(0.95, 1)
	if p.unknown {
		variance = math.Max(p.rest-p.gain[best], 0) / free
		e.Sigma = math.Sqrt(variance)
		reach = dist.FQuantileUpper(0.05, 1, free)
	}
	one := make([]float64, p.length)
	for _, members := range p.groups() {
		score, info := make([]float64, p.length), make([]float64, p.length)
		for _, i := range members {
			v := p.streams[i]
			v.scores(one, v.w, v.s1y, p.shape)
			for t, d := range v.d {
				if d > 0 {
					score[t] += one[t]
					info[t] += d
				}
			}
		}
		if info[best] <= 0 {
			continue
		}
		s := Size{Value: score[best] / info[best], SE: math.Sqrt(variance / info[best]), Lower: math.Inf(1), Upper: math.Inf(-1)}
		for t, d := range info {
			left := variance*reach - (p.gain[best] - p.gain[t])
			if d > 0 && left >= 0 {
				s.Lower = math.Min(s.Lower, (score[t]-math.Sqrt(left*d))/d)
				s.Upper = math.Max(s.Upper, (score[t]+math.Sqrt(left*d))/d)
			}
		}
		for _, i := range members {
			v := p.streams[i]
			before := v.centre
			if !v.known && v.n > 0 {
				before += (v.s1y - s.Value*v.sx[best]) / v.s11
			}
			s.Streams = append(s.Streams, streams[i].Name)
			s.Before = append(s.Before, before)
		}
		e.Sizes = append(e.Sizes, s)
	}
}

func maxOf(x []int) int {
	m := 0
	for _, v := range x {
		m = max(m, v)
	}
	return m
}
