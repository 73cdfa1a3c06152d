package runlength

import (
	"errors"
	"math"
	"math/rand/v2"

	"sagwatch/spc"
	"sagwatch/spc/refusal"
	"sagwatch/spc/rules"
)

// Shewhart is a chart of single plotted points with run rules, exactly as rules.Set.Step judges them at these limits:
// individuals, means, ranges, standard deviations, counts, one-sided charts and probability limits alike.
type Shewhart struct {
	Rules  rules.Set
	Limits spc.Limits
}

// Sigma is a Shewhart chart of points in standard units: limits at ±k, centre 0, zones at ±1 and ±2.
func Sigma(k float64, set rules.Set) Shewhart {
	return Shewhart{set, spc.Limits{Lower: -k, Upper: k, HasLower: true, HasUpper: true, HasCentre: true, Sigma: 1}}
}

// Zones gives the zone rules of the chart. Trend and Alternating compare points with each other and are no zone rules:
// rest names whether one of them is on.
//
// It refuses limits that are not finite or not in order, and a set in which nothing can signal at these limits.
func (c Shewhart) Zones() (z Zones, rest bool, err error) {
	l := c.Limits
	for _, v := range []struct {
		has bool
		x   float64
	}{{l.HasLower, l.Lower}, {l.HasCentre, l.Centre}, {l.HasUpper, l.Upper}, {l.Sigma != 0, l.Sigma}} {
		if v.has {
			if err := refusal.Finite("the limits", []float64{v.x}); err != nil {
				return nil, false, err
			}
		}
	}
	switch {
	case l.HasLower && l.HasUpper && l.Lower >= l.Upper:
		return nil, false, refusal.Crossed(l.Lower, l.Upper)
	case l.HasLower && l.HasCentre && l.Lower >= l.Centre:
		return nil, false, refusal.Crossed(l.Lower, l.Centre)
	case l.HasCentre && l.HasUpper && l.Centre >= l.Upper:
		return nil, false, refusal.Crossed(l.Centre, l.Upper)
	}
	inf := math.Inf(1)
	on := func(r rules.Rule) bool { return c.Rules.On(r) }
	n := func(r rules.Rule) int { return c.Rules.Count(r) }
	if on(rules.BeyondLimits) {
		if l.HasUpper {
			z = append(z, Run{Count: 1, From: l.Upper, To: inf})
		}
		if l.HasLower {
			z = append(z, Run{Count: 1, From: -inf, To: l.Lower})
		}
	}
	if l.HasCentre {
		upper, lower := rules.Zones(l)
		up := func(r rules.Rule, of int, width float64) {
			if on(r) && !math.IsInf(width, 0) {
				z = append(z, Run{Count: n(r), Of: of, From: l.Centre + width, To: inf})
			}
		}
		down := func(r rules.Rule, of int, width float64) {
			if on(r) && !math.IsInf(width, 0) {
				z = append(z, Run{Count: n(r), Of: of, From: -inf, To: l.Centre - width})
			}
		}
		up(rules.RunOneSide, n(rules.RunOneSide), 0)
		down(rules.RunOneSide, n(rules.RunOneSide), 0)
		up(rules.TwoOfThree, n(rules.TwoOfThree)+1, 2*upper)
		down(rules.TwoOfThree, n(rules.TwoOfThree)+1, 2*lower)
		up(rules.FourOfFive, n(rules.FourOfFive)+1, upper)
		down(rules.FourOfFive, n(rules.FourOfFive)+1, lower)
		if l.HasUpper && l.HasLower {
			if r := rules.FifteenWithin; on(r) {
				z = append(z, Run{Count: n(r), From: l.Centre - lower, To: l.Centre + upper})
			}
			if r := rules.EightOutside; on(r) {
				z = append(z, Run{Count: n(r), From: l.Centre - lower, To: l.Centre + upper, Outside: true})
			}
		}
	}
	rest = on(rules.Trend) || on(rules.Alternating)
	if len(z) == 0 && !rest {
		return nil, false, refusal.Unsolved("no rule of this set can signal at these limits")
	}
	return z, rest, nil
}

// RunLength is the run length for independent points of distribution d.
//
// Zone rules alone by Markov chain, exactly (see Zones.RunLength). With trend or alternating the chain's states also
// hold the density of the last point within its zone, in Legendre polynomials, and the steps up and down: exact to
// about 1e-10. By seeded simulation of rules.Set.Step itself, with its standard error, where the counts are so great that
// there are too many states, and with trend or alternating where Options.First or Before are set.
//
// It refuses limits that are not finite or not in order, a set in which nothing can signal at these limits, distributions that
// are none, and as Simulate.
//
// Sources: Champ and Woodall 1987 (see Zones); L. S. Nelson, "The Shewhart control chart - tests for special causes",
// J. Quality Technology 16 (1984), 237-239.
func (c Shewhart) RunLength(d Distribution, o Options) (RunLength, error) {
	r, err := c.exact(d, o)
	var e *refusal.Error
	if errors.As(err, &e) && e.Reason == refusal.OutOfRange && e.What == chainStates {
		return Simulate(func() Stepper { return &judge{set: c.Rules, limits: c.Limits} }, d, o)
	}
	return r, err
}

func (c Shewhart) exact(d Distribution, o Options) (RunLength, error) {
	z, rest, err := c.Zones()
	if err != nil {
		return RunLength{}, err
	}
	if !rest {
		return z.RunLength(d, o)
	}
	if err := known(d); err != nil {
		return RunLength{}, err
	}
	if o.First != nil || o.Before != nil {
		return RunLength{}, refusal.Setting(chainStates, 0, "a change of distribution is not followed with trend or alternating")
	}
	zones, err := z.chain()
	if err != nil {
		return RunLength{}, err
	}
	chain, err := newOrdered(zones, c.Rules.Count(rules.Trend), c.Rules.Count(rules.Alternating))
	if err != nil {
		return RunLength{}, err
	}
	l, err := chain.law(zones.probabilities(d))
	if err != nil {
		return RunLength{}, err
	}
	return l.result(IntegralEquation, len(chain.region)*terms)
}

// judge is a chart that is stepped by the rules themselves.
type judge struct {
	set    rules.Set
	limits spc.Limits
	state  rules.State
}

func (j *judge) Reset() { j.state.Reset() }

func (j *judge) Step(x float64) bool {
	hits := j.set.Step(&j.state, x, j.limits)
	return hits.Len() > 0
}

var _ Stepper = (*judge)(nil)

// mixed makes a well spread seed of a number (Steele, Lea and Flood, "Fast splittable pseudorandom number generators",
// OOPSLA 2014, the finaliser of SplitMix).
func mixed(x uint64) uint64 {
	x += 0x9e3779b97f4a7c15
	x = (x ^ x>>30) * 0xbf58476d1ce4e5b9
	x = (x ^ x>>27) * 0x94d049bb133111eb
	return x ^ x>>31
}

// seeded sets src to the stream of a run.
func seeded(src *rand.PCG, seed, run uint64) {
	src.Seed(mixed(seed^mixed(run)), mixed(run+0x632be59bd9b4e019))
}
