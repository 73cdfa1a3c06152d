package changepoint

import (
	"math"
	"math/rand/v2"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// CountLaw is the distribution of counts.
type CountLaw string

// Laws: Poisson counts have the mean Exposure rate, binomial ones are nonconforming among Exposure inspected items.
const (
	Poisson  CountLaw = "poisson"
	Binomial CountLaw = "binomial"
)

// CountStream is one series of counts over the index that all streams share.
type CountStream struct {
	Name   string `json:"name,omitempty"`
	Counts []int  `json:"counts"` // -1: not counted
	// Exposure of each point, above 0 where counted: units, hours, or (binomial, whole numbers) items inspected; nil: 1 each.
	Exposure []float64 `json:"exposure,omitempty"`
	// Rate is the rate for one unit of exposure, or proportion, in control, where known.
	Rate *float64 `json:"rate,omitempty"`
}

// counted is a stream without its gaps.
type counted struct {
	y, e   []float64
	at     []int
	rate   float64 // NaN: unknown
	sy, se []float64
}

// counts is the profile of one shape of change of count streams.
type counts struct {
	law     CountLaw
	shape   Shape
	length  int
	n       int
	streams []*counted
	q       []int
	gain    []float64 // 2 log likelihood ratio
	best    int
}

// FindCounts looks back for the start of a step, and of a drift, in Poisson or binomial counts of streams that share it,
// each with its own level and size.
//
//	Step:  rate (proportion) p before s, another from s on
//	Drift: log p (Poisson) or log p/(1-p) (binomial) rises by slope (t - s + 1) from s on
//
// The sets of a step are those of the conditional likelihood-ratio test: given the totals before and after a start the
// points are multinomial (Poisson) or multivariate hypergeometric (binomial), whatever the rates, so that the level holds
// for small counts too; being of counts, it is at least the stated one. For a drift no such exact conditional law is at
// hand: its sets take in each start whose likelihood ratio lies below the quantile found by resampling from the fitted
// drift (parametric bootstrap with 199 resamples, or a half of Options.Resamples if more), and their level is approximate.
// Sizes are logarithms of ratios, with interval by the same approximation as in Find; a rate of 0 on one side gives an
// infinite one, which is set to ±log(1e9). Options.CommonSize and SigmaUnknown do not apply and are refused.
//
// It refuses unequal lengths, counts below -1, exposures not above 0, binomial exposures that are no whole numbers or
// below the count, rates not above 0 (binomial: not below 1), fewer than 3 points, and counts that are all 0.
//
// Source: K. J. Worsley, Biometrika 73 (1986), 91-104; T. R. Samuel, J. J. Pignatiello, "Identifying the time of a change
// in a Poisson rate parameter", Quality Engineering 10 (1998), 673-681; M. B. Perry, J. J. Pignatiello, J. R. Simpson,
// "Estimating the change point of a Poisson rate parameter with a linear trend disturbance", Quality and Reliability
// Engineering International 22 (2006), 371-384 (there linear in the rate itself).
func FindCounts(law CountLaw, streams []CountStream, o Options) (Result, error) {
	resamples, err := o.resamples()
	if err != nil {
		return Result{}, err
	}
	if o.CommonSize || o.SigmaUnknown {
		return Result{}, refusal.Shapes("counts have neither a common size nor a scale: leave CommonSize and SigmaUnknown unset")
	}
	if o.Only != "" && o.Only != Step && o.Only != Drift {
		return Result{}, refusal.Shapes("%q is no shape of change: step or drift", o.Only)
	}
	step, err := newCounts(law, streams)
	if err != nil {
		return Result{}, err
	}
	r := Result{N: step.n}
	if o.Only != Drift {
		r.Step = step.estimate(streams, resamples, o.Seed)
	}
	if o.Only != Step {
		drift := *step
		drift.shape = Drift
		drift.gain = make([]float64, step.length)
		r.Drift = drift.estimate(streams, max(199, resamples/2), o.Seed+1)
	}
	r.weigh(o.Only)
	r.warn(step.length)
	return r, nil
}

// newCounts checks the streams.
func newCounts(law CountLaw, streams []CountStream) (*counts, error) {
	if law != Poisson && law != Binomial {
		return nil, refusal.Shapes("%q is no law of counts: poisson or binomial", law)
	}
	if len(streams) == 0 {
		return nil, refusal.Few("streams", 0, 1)
	}
	p := &counts{law: law, shape: Step, length: len(streams[0].Counts)}
	p.q, p.gain = make([]int, p.length), make([]float64, p.length)
	total := 0
	for i, s := range streams {
		if len(s.Counts) != p.length || s.Exposure != nil && len(s.Exposure) != p.length {
			return nil, refusal.Shapes("stream %d has %d counts and %d exposures where the first has %d counts", i+1, len(s.Counts), len(s.Exposure), p.length)
		}
		v := &counted{at: make([]int, p.length+1), rate: math.NaN()}
		if s.Rate != nil {
			v.rate = *s.Rate
			if !(v.rate > 1e-12 && v.rate < 1e12) || law == Binomial && v.rate >= 1 {
				return nil, refusal.Setting("the rate in control", v.rate, "must be above 0 and, as a proportion, below 1")
			}
		}
		for t, y := range s.Counts {
			v.at[t] = len(v.y)
			if y < -1 {
				return nil, &refusal.Error{Reason: refusal.Negative, What: "counts", Index: t, Value: float64(y), N: p.length}
			}
			if y == -1 {
				continue
			}
			e := 1.0
			if s.Exposure != nil {
				e = s.Exposure[t]
			}
			switch {
			case y > 1e9:
				return nil, refusal.Setting("a count", float64(y), "must not be above 1e9")
			case !(e > 1e-12 && e <= 1e12):
				return nil, refusal.Setting("the exposure of a count", e, "must be above 0 and at most 1e12")
			case law == Binomial && (e != math.Trunc(e) || e > 1e9):
				return nil, refusal.Setting("the number inspected", e, "must be a whole number of at most 1e9")
			case law == Binomial && float64(y) > e:
				return nil, refusal.Shapes("stream %d, point %d: %d nonconforming of %g inspected", i+1, t+1, y, e)
			}
			total += y
			v.y, v.e = append(v.y, float64(y)), append(v.e, e)
		}
		n := len(v.y)
		v.at[p.length] = n
		v.sy, v.se = make([]float64, n+1), make([]float64, n+1)
		for r := range n {
			v.sy[r+1], v.se[r+1] = v.sy[r]+v.y[r], v.se[r]+v.e[r]
		}
		p.n += n
		p.streams = append(p.streams, v)
		for t := range p.length {
			if v.at[t] < n && (v.at[t] > 0 || !math.IsNaN(v.rate)) {
				p.q[t]++
			}
		}
	}
	if p.n < 3 {
		return nil, refusal.Few("counts", p.n, 3)
	}
	if total == 0 {
		return nil, refusal.Constant("counts", p.n)
	}
	if maxOf(p.q) == 0 {
		return nil, refusal.Unsolved("no stream has counts on both sides of any index: the start of a change cannot be told")
	}
	return p, nil
}

// logLik is the log likelihood, up to what does not depend on the rate, of y events in exposure e at a rate.
func (p *counts) logLik(y, e, rate float64) float64 {
	if p.law == Poisson {
		return xlog(y, rate) - e*rate
	}
	return xlog(y, rate) + xlog(e-y, 1-rate)
}

// most is logLik at its maximum.
func (p *counts) most(y, e float64) float64 {
	if e == 0 {
		return 0
	}
	return p.logLik(y, e, y/e)
}

// xlog is x log(y), 0 for x = 0.
func xlog(x, y float64) float64 {
	if x == 0 {
		return 0
	}
	return x * math.Log(y)
}

// profile writes the gain by start for counts y with running sums sy, one row for each stream, and gives the best start.
func (p *counts) profile(gain []float64, y, sy [][]float64) (best int) {
	clear(gain)
	for i, v := range p.streams {
		n := len(v.y)
		if n == 0 {
			continue
		}
		total, exposure := sy[i][n], v.se[n]
		var none float64
		if math.IsNaN(v.rate) {
			none = p.most(total, exposure)
		} else {
			none = p.logLik(total, exposure, v.rate)
		}
		var warm trend
		for t := p.length - 1; t >= 0; t-- {
			r := v.at[t]
			if r == n || r == 0 && math.IsNaN(v.rate) {
				continue
			}
			if p.shape == Drift {
				warm = p.trend(v, y[i], total, t, warm)
				gain[t] += math.Max(0, 2*(warm.logLik-none))
				continue
			}
			before, e := sy[i][r], v.se[r]
			l := p.most(total-before, exposure-e)
			if math.IsNaN(v.rate) {
				l += p.most(before, e)
			} else {
				l += p.logLik(before, e, v.rate)
			}
			gain[t] += math.Max(0, 2*(l-none))
		}
	}
	best = -1
	for t, g := range gain {
		if p.q[t] > 0 && (best < 0 || g > gain[best]) {
			best = t
		}
	}
	return best
}

// rows are the observed counts.
func (p *counts) rows() (y, sy [][]float64) {
	for _, v := range p.streams {
		y, sy = append(y, v.y), append(sy, v.sy)
	}
	return y, sy
}

// estimate lays one shape to the counts.
func (p *counts) estimate(streams []CountStream, resamples int, seed uint64) Estimate {
	y, sy := p.rows()
	p.best = p.profile(p.gain, y, sy)
	e := Estimate{Shape: p.shape, Start: p.best, LogLik: p.gain[p.best] / 2, Profile: make([]float64, p.length)}
	for t, g := range p.gain {
		e.Profile[t] = g / 2
	}
	e.BIC = -2*e.LogLik + float64(p.q[p.best]+1)*math.Log(float64(p.n))
	p.sizes(&e, streams)
	src := rand.New(rand.NewPCG(seed, 0xc0117))
	if count, made := p.exceed(-1, resamples, 20, src); count < 20 {
		e.P = float64(1+count) / float64(1+resamples)
	} else {
		e.P = float64(count) / float64(made)
	}
	e.Set95.Level, e.Set99.Level = 0.95, 0.99
	if p.shape == Drift {
		p.driftSets(&e, resamples, src)
		return e
	}
	need95 := max(1, int(math.Floor(0.05*float64(resamples+1)+1e-9)))
	need99 := max(1, int(math.Floor(0.01*float64(resamples+1)+1e-9)))
	in95, in99 := false, false
	for t := range p.length {
		if p.q[t] == 0 {
			continue
		}
		if t == 0 || p.q[t-1] == 0 || !p.same(t) {
			in95, in99 = true, true
			less := p.gain[p.best] - p.gain[t]
			if less > 0 {
				in95, in99 = false, false
				// Starts so unlikely are not worth the resampling: by the large-sample bound of Find, with room for counts.
				if less < 20+2*math.Log(float64(p.length))+6*float64(maxOf(p.q)) {
					n, _ := p.exceed(t, resamples, need95, src)
					in95, in99 = n >= need95, n >= need99
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
	return e
}

// same tells whether start t splits the counts like t-1.
func (p *counts) same(t int) bool {
	for _, v := range p.streams {
		if v.at[t] != v.at[t-1] {
			return false
		}
	}
	return true
}

// exceed counts the resamples, given the totals before and after start (start < 0: no change), of which the likelihood
// ratio against that start is as great as observed.
func (p *counts) exceed(start, resamples, stop int, src *rand.Rand) (count, made int) {
	y, sy := p.blank()
	gain := make([]float64, p.length)
	wanted := p.gain[p.best]
	if start >= 0 {
		wanted -= p.gain[start]
	}
	wanted -= 1e-9 * (1 + p.gain[p.best])
	for made < resamples && count < stop {
		made++
		for i, v := range p.streams {
			n := len(v.y)
			cut := n
			if start >= 0 {
				cut = v.at[start]
			}
			if math.IsNaN(v.rate) {
				p.spread(y[i][:cut], v.e[:cut], v.sy[cut], src)
			} else {
				for r := range cut {
					y[i][r] = p.draw(v.e[r], v.rate, src)
				}
			}
			p.spread(y[i][cut:], v.e[cut:], v.sy[n]-v.sy[cut], src)
			accumulate(sy[i], y[i])
		}
		best := p.profile(gain, y, sy)
		g := gain[best]
		if start >= 0 {
			g -= gain[start]
		}
		if g >= wanted {
			count++
		}
	}
	return count, made
}

// blank is room for counts and their sums.
func (p *counts) blank() (y, sy [][]float64) {
	for _, v := range p.streams {
		y, sy = append(y, make([]float64, len(v.y))), append(sy, make([]float64, len(v.y)+1))
	}
	return y, sy
}

func accumulate(sy, y []float64) {
	for r, v := range y {
		sy[r+1] = sy[r] + v
	}
}

// sizes are the log ratios at the best start, with profile-likelihood intervals in the normal approximation.
func (p *counts) sizes(e *Estimate, streams []CountStream) {
	reach := dist.ChiSquareQuantile(0.95, 1)
	for i, v := range p.streams {
		n := len(v.y)
		if r := v.at[p.best]; r == n || r == 0 && math.IsNaN(v.rate) {
			continue
		}
		s := Size{Streams: []string{streams[i].Name}, Lower: math.Inf(1), Upper: math.Inf(-1)}
		for t := range p.length {
			left := reach - (p.gain[p.best] - p.gain[t])
			if r := v.at[t]; left < 0 || r == n || r == 0 && math.IsNaN(v.rate) {
				continue
			}
			value, se, before := p.size(v, t)
			s.Lower = math.Min(s.Lower, value-math.Sqrt(left)*se)
			s.Upper = math.Max(s.Upper, value+math.Sqrt(left)*se)
			if t == p.best {
				s.Value, s.SE, s.Before = value, se, []float64{before}
			}
		}
		e.Sizes = append(e.Sizes, s)
	}
}

// size is the log ratio (slope) at a start, its standard error and the rate before.
func (p *counts) size(v *counted, t int) (value, se, before float64) {
	n, r := len(v.y), v.at[t]
	if p.shape == Drift {
		f := p.trend(v, v.y, v.sy[n], t, trend{})
		return f.slope, f.se, p.rate(f.level)
	}
	// Half an event keeps the standard error finite where one side has none.
	link := func(y, e float64) (value, variance float64) {
		if p.law == Poisson {
			return math.Log(y / e), 1 / math.Max(y, 0.5)
		}
		return math.Log(y / (e - y)), 1/math.Max(y, 0.5) + 1/math.Max(e-y, 0.5)
	}
	const endless = 20.72326583694641 // log 1e9
	a, av := link(v.sy[n]-v.sy[r], v.se[n]-v.se[r])
	var b, bv float64
	if math.IsNaN(v.rate) {
		b, bv = link(v.sy[r], v.se[r])
		before = v.sy[r] / v.se[r]
	} else {
		b, _ = link(v.rate, 1)
		before = v.rate
	}
	value = a - b
	if math.IsNaN(value) {
		value = 0 // none or all on both sides
	}
	return math.Max(-endless, math.Min(endless, value)), math.Sqrt(av + bv), before
}
