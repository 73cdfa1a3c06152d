package gaugestudy

import (
	"math"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
)

// Tolerance are the limits of conformity; nil means that side has none.
type Tolerance struct {
	Lower *float64 `json:"lower"`
	Upper *float64 `json:"upper"`
}

// Between is the tolerance from lower to upper, AtLeast and AtMost are one-sided.
func Between(lower, upper float64) Tolerance { return Tolerance{&lower, &upper} }

// AtLeast has a lower limit only.
func AtLeast(lower float64) Tolerance { return Tolerance{Lower: &lower} }

// AtMost has an upper limit only.
func AtMost(upper float64) Tolerance { return Tolerance{Upper: &upper} }

func (t Tolerance) check() error {
	if t.Lower == nil && t.Upper == nil {
		return refusal.Shapes("there is neither a lower nor an upper limit")
	}
	for _, l := range []*float64{t.Lower, t.Upper} {
		if l != nil {
			if err := single("limit", *l); err != nil {
				return err
			}
		}
	}
	if t.Lower != nil && t.Upper != nil && !(*t.Lower < *t.Upper) {
		return refusal.Crossed(*t.Lower, *t.Upper)
	}
	return nil
}

// ends are the limits with infinities for those that are not there.
func (t Tolerance) ends() (a, b float64) {
	a, b = math.Inf(-1), math.Inf(1)
	if t.Lower != nil {
		a = *t.Lower
	}
	if t.Upper != nil {
		b = *t.Upper
	}
	return a, b
}

// Shrunk moves each limit inwards by the guard band g (outwards where g < 0). A guard band that leaves nothing is refused.
func (t Tolerance) Shrunk(g float64) (Tolerance, error) {
	if err := t.check(); err != nil {
		return Tolerance{}, err
	}
	if err := single("guard band", g); err != nil {
		return Tolerance{}, err
	}
	var s Tolerance
	if t.Lower != nil {
		v := *t.Lower + g
		s.Lower = &v
	}
	if t.Upper != nil {
		v := *t.Upper - g
		s.Upper = &v
	}
	if s.Lower != nil && s.Upper != nil && !(*s.Lower < *s.Upper) {
		return Tolerance{}, refusal.Crossed(*s.Lower, *s.Upper)
	}
	return s, nil
}

// inside is P(a < X < b) for a normal X, kept exact where it is small.
func inside(a, b, mean, u float64) float64 {
	za, zb := (a-mean)/u, (b-mean)/u
	if za > 0 {
		return math.Max(0, dist.NormalTail(za)-dist.NormalTail(zb))
	}
	return math.Max(0, dist.NormalCDF(zb)-dist.NormalCDF(za))
}

// ConformanceProbability is the probability that the true value lies within the tolerance when y was measured with
// standard uncertainty u and nothing else is known of the panel: Phi((U - y)/u) - Phi((L - y)/u). With a process known
// before (mean m, standard deviation s), pass the posterior's values, see Posterior. One minus it is the specific risk of
// accepting the panel; for a rejected one it is the specific risk of the producer. It refuses a tolerance without limits or
// with crossed ones, and u not above zero.
//
// Source: JCGM 106:2012, 7.3 and 7.4.
func ConformanceProbability(t Tolerance, y, u float64) (float64, error) {
	if err := t.check(); err != nil {
		return 0, err
	}
	if err := single("measured value", y); err != nil {
		return 0, err
	}
	if err := positive("standard uncertainty", u); err != nil {
		return 0, err
	}
	a, b := t.ends()
	return inside(a, b, y, u), nil
}

// Process is what is known of a characteristic before measuring: normal, with the true values' mean and standard
// deviation (without the gauge's part).
type Process struct {
	Mean float64 `json:"mean"`
	SD   float64 `json:"sd"`
}

// TrueSD is the standard deviation of the true values behind an observed one: sqrt(observed^2 - u^2). It refuses an
// observed one not above u.
func TrueSD(observed, u float64) (float64, error) {
	if err := positive("observed standard deviation", observed); err != nil {
		return 0, err
	}
	if err := notNegative("standard uncertainty", u); err != nil {
		return 0, err
	}
	if observed <= u {
		return 0, refusal.Unsolved("the observed standard deviation %.6g is not above the gauge's %.6g: the gauge hides the process", observed, u)
	}
	return math.Sqrt((observed - u) * (observed + u)), nil
}

func (p Process) check(u float64) error {
	for _, e := range []error{single("process mean", p.Mean), positive("process standard deviation", p.SD), positive("standard uncertainty", u)} {
		if e != nil {
			return e
		}
	}
	if r := p.SD / u; !(r >= 1e-4 && r <= 1e4) {
		return refusal.Setting("process standard deviation over uncertainty", r, "must be from 1e-4 to 1e4")
	}
	return nil
}

// Posterior is what is known of a panel's true value after measuring y with standard uncertainty u:
//
//	1/sd^2 = 1/s^2 + 1/u^2,  mean = sd^2 (m/s^2 + y/u^2)
//
// Source: JCGM 106:2012, 6.3 and annex B (from memory).
func (p Process) Posterior(y, u float64) (mean, sd float64, err error) {
	if err := p.check(u); err != nil {
		return 0, 0, err
	}
	if err := single("measured value", y); err != nil {
		return 0, 0, err
	}
	w := sq(p.SD) / (sq(p.SD) + sq(u))
	return p.Mean + w*(y-p.Mean), p.SD * u / math.Hypot(p.SD, u), nil
}

// Risk is what a rule of acceptance does to the stream of panels.
type Risk struct {
	Acceptance Tolerance `json:"acceptance"`
	Consumer   float64   `json:"consumer"` // a panel is bad and accepted
	Producer   float64   `json:"producer"` // a panel is good and refused
	Bad        float64   `json:"bad"`      // a panel is bad
	Accepted   float64   `json:"accepted"` // a panel is accepted
	// BadAccepted is the share of bad ones among the accepted, GoodRefused that of good ones among the refused; 0 where
	// nothing is accepted or refused.
	BadAccepted float64 `json:"bad_accepted"`
	GoodRefused float64 `json:"good_refused"`
}

// GlobalRisk is the risk over all panels when those measured within the acceptance limits pass: the true value X is normal
// as the process says, the measured one Y = X + e with e normal of standard deviation u, so that both are bivariate normal
// with correlation s / sqrt(s^2 + u^2), and
//
//	consumer = P(Y within, X outside the tolerance),  producer = P(Y outside, X within)
//
// Simple acceptance has the tolerance itself as acceptance limits. Limits on the sides that the tolerance lacks are not
// allowed, nor the other way about. Refusals as for ConformanceProbability, and a process standard deviation not within
// 1e-4 to 1e4 of u.
//
// Source: JCGM 106:2012, 9.5.
func GlobalRisk(p Process, u float64, t, acceptance Tolerance) (Risk, error) {
	if err := p.check(u); err != nil {
		return Risk{}, err
	}
	if err := t.check(); err != nil {
		return Risk{}, err
	}
	if err := acceptance.check(); err != nil {
		return Risk{}, err
	}
	if (t.Lower == nil) != (acceptance.Lower == nil) || (t.Upper == nil) != (acceptance.Upper == nil) {
		return Risk{}, refusal.Shapes("the acceptance limits must be on the same sides as the tolerance")
	}
	return globalRisk(p, u, t, acceptance), nil
}

func globalRisk(p Process, u float64, t, acceptance Tolerance) Risk {
	sy := math.Hypot(p.SD, u)
	rho := p.SD / sy
	a, b := t.ends()
	c, d := acceptance.ends()
	a, b = (a-p.Mean)/p.SD, (b-p.Mean)/p.SD
	c, d = (c-p.Mean)/sy, (d-p.Mean)/sy
	inf := math.Inf(1)
	box := func(a, b, c, d float64) float64 { return math.Max(0, dist.BivariateNormalRectangle(a, b, c, d, rho)) }
	r := Risk{Acceptance: acceptance,
		Consumer: box(-inf, a, c, d) + box(b, inf, c, d),
		Producer: box(a, b, -inf, c) + box(a, b, d, inf),
		Bad:      dist.NormalCDF(a) + dist.NormalTail(b),
		Accepted: inside(c, d, 0, 1)}
	if r.Accepted > 0 {
		r.BadAccepted = math.Min(1, r.Consumer/r.Accepted)
	}
	if refused := dist.NormalCDF(c) + dist.NormalTail(d); refused > 0 {
		r.GoodRefused = math.Min(1, r.Producer/refused)
	}
	return r
}

// GuardBand is the guard band by which the tolerance must shrink on each side for the global consumer's risk to be what is
// wanted, and the risk with it. A negative one says that the tolerance may be widened. It is refused where no guard band
// reaches the wanted risk (a wide gauge on a process far outside), or where the wanted one is not reached even without
// acceptance limits. With the tolerance from a to b, the panel's value Y and the reading X = Y + error of standard uncertainty u,
// it solves for g
//
//	P(Y outside [a, b] and X inside [a + g, b - g]) = wanted
//
// It refuses also wanted outside 1e-12 to 0.5 and what GlobalRisk refuses.
//
// Source: JCGM 106:2012, 9.5.4 (the equation is solved by Brent's method).
func GuardBand(p Process, u float64, t Tolerance, wanted float64) (g float64, r Risk, err error) {
	if _, err := GlobalRisk(p, u, t, t); err != nil {
		return 0, Risk{}, err
	}
	if !(wanted >= 1e-12 && wanted <= 0.5) {
		return 0, Risk{}, refusal.Setting("wanted risk", wanted, "must be from 1e-12 to 0.5")
	}
	a, b := t.ends()
	reach := 40 * math.Hypot(p.SD, u)
	for _, e := range []float64{a, b} {
		if !math.IsInf(e, 0) {
			reach = math.Max(reach, math.Abs(e-p.Mean)+40*math.Hypot(p.SD, u))
		}
	}
	high := reach
	if width := b - a; !math.IsInf(width, 0) {
		high = width / 2 * (1 - 1e-9)
	}
	miss := func(g float64) float64 {
		s, err := t.Shrunk(g)
		if err != nil {
			return -wanted
		}
		return globalRisk(p, u, t, s).Consumer - wanted
	}
	if miss(high) > 0 {
		return 0, Risk{}, refusal.Unsolved("no guard band brings the consumer's risk down to %.3g", wanted)
	}
	if miss(-reach) < 0 {
		return 0, Risk{}, refusal.Unsolved("only %.3g of the panels are bad: with no limits at all the risk stays below %.3g", miss(-reach)+wanted, wanted)
	}
	if g, err = dist.Root(miss, -reach, high); err != nil {
		return 0, Risk{}, err
	}
	s, err := t.Shrunk(g)
	if err != nil {
		return 0, Risk{}, err
	}
	return g, globalRisk(p, u, t, s), nil
}

// SpecificGuardBand is the guard band that makes a measured value at the acceptance limit conform with probability p: for
// one limit z(p) u; with two, somewhat more where u is not small against their distance. With p = 0.95 that is the usual
// rule of ISO 14253-1. It is refused where not even the middle of the tolerance conforms with probability p.
//
// Source: JCGM 106:2012, 8.3.2; ISO 14253-1:2017 (the factor 1.645 from memory).
func SpecificGuardBand(t Tolerance, u, p float64) (float64, error) {
	if err := t.check(); err != nil {
		return 0, err
	}
	if err := positive("standard uncertainty", u); err != nil {
		return 0, err
	}
	if !(p >= 0.5 && p <= 1-1e-12) {
		return 0, refusal.Setting("probability of conformity", p, "must be from 0.5 to below 1")
	}
	z := dist.NormalQuantileUpper(1 - p)
	a, b := t.ends()
	width := b - a
	if math.IsInf(width, 0) {
		return z * u, nil
	}
	short := func(g float64) float64 { return inside(0, width, g, u) - p }
	if short(width/2) < 0 {
		return 0, refusal.Unsolved("the uncertainty %.6g is too large for a tolerance of width %.6g: not even its middle conforms with probability %.4g", u, width, p)
	}
	if short(0) >= 0 {
		return 0, nil
	}
	return dist.Root(short, 0, width/2)
}

// Conformity is what a measurement proves.
type Conformity string

// Outcomes.
const (
	ProvenInside  Conformity = "conforms"
	ProvenOutside Conformity = "does-not-conform"
	Undecided     Conformity = "undecided"
)

// Zones are the zones that a guard band makes of a tolerance: inside Acceptance conformity is proven, outside Rejection
// its contrary, between them nothing.
type Zones struct {
	Tolerance  Tolerance  `json:"tolerance"`
	GuardBand  float64    `json:"guard_band"`
	Acceptance *Tolerance `json:"acceptance"` // nil: nothing can be proven to conform
	Rejection  Tolerance  `json:"rejection"`
	// Share is the width of Acceptance over that of the tolerance, -1 for a one-sided one.
	Share float64 `json:"share"`
}

// DecisionZones are the zones for a guard band k u: k = 2 takes the expanded uncertainty, 1.645 the 95 % one-sided factor.
// Where twice the guard band takes up the whole tolerance, Acceptance is nil. It refuses limits as
// ConformanceProbability does, and k or u not above zero.
//
// Source: ISO 14253-1:2017 (from memory).
func DecisionZones(t Tolerance, u, k float64) (Zones, error) {
	if err := t.check(); err != nil {
		return Zones{}, err
	}
	if err := positive("standard uncertainty", u); err != nil {
		return Zones{}, err
	}
	if err := positive("coverage factor", k); err != nil {
		return Zones{}, err
	}
	z := Zones{Tolerance: t, GuardBand: k * u, Share: -1}
	a, b := t.ends()
	if in, err := t.Shrunk(z.GuardBand); err == nil {
		z.Acceptance = &in
	}
	var err error
	if z.Rejection, err = t.Shrunk(-z.GuardBand); err != nil {
		return Zones{}, err
	}
	if width := b - a; !math.IsInf(width, 0) {
		z.Share = math.Max(0, 1-2*z.GuardBand/width)
	}
	return z, nil
}

// Judge says what the measured value y proves; a value on a limit of a zone belongs to the zone.
func (z Zones) Judge(y float64) Conformity {
	if z.Acceptance != nil {
		if a, b := z.Acceptance.ends(); a <= y && y <= b {
			return ProvenInside
		}
	}
	if a, b := z.Rejection.ends(); y < a || y > b {
		return ProvenOutside
	}
	return Undecided
}
