package runlength

import (
	"math"

	"sagwatch/spc/dist"
	"sagwatch/spc/refusal"
	"sagwatch/spc/rules"
)

// EWMADesign is an EWMA chart for a wanted run length.
type EWMADesign struct {
	EWMA
	ARL0 float64 `json:"arl0"` // in control
	ARL1 float64 `json:"arl1"` // at the shift it was made for; 0 where it was made for none
}

// CUSUMDesign is a CUSUM chart for a wanted run length.
type CUSUMDesign struct {
	CUSUM
	ARL0 float64 `json:"arl0"`
	ARL1 float64 `json:"arl1"`
}

func checkWanted(arl0 float64) error {
	if !(arl0 >= 2 && arl0 <= 1e9) {
		return refusal.Setting("the average run length wanted", arl0, "it must be 2 to 1e9 points")
	}
	return nil
}

func checkShift(shift float64) error {
	if !(shift > 0 && shift <= 20) {
		return refusal.Setting("the shift to detect", shift, "it must be above 0 and at most 20 standard deviations")
	}
	return nil
}

// limitFor finds the limit at which a run length that rises with it is the one wanted, between lo and hi; guess is a
// start. The relative error of the run length is below tol.
//
// Secant steps on the logarithm of the run length, which is nearly straight, kept within the bracket known so far.
func limitFor(wanted, guess, lo, hi, tol float64, arl func(limit float64) (float64, error)) (limit, reached float64, err error) {
	x := math.Min(math.Max(guess, lo), hi)
	var xOld, yOld float64
	for i := range 100 {
		reached, err = arl(x)
		if err != nil {
			// Beyond what can be worked out: a lower limit.
			if i == 0 || x-lo < 1e-9 {
				return 0, 0, err
			}
			hi = x
			x = (lo + hi) / 2
			continue
		}
		y := math.Log(reached / wanted)
		if math.Abs(y) <= tol {
			return x, reached, nil
		}
		if y < 0 {
			lo = math.Max(lo, x)
		} else {
			hi = math.Min(hi, x)
		}
		if hi-lo <= 1e-13*hi {
			break
		}
		next := (lo + hi) / 2
		if i > 0 && y != yOld {
			if s := x - y*(x-xOld)/(y-yOld); s > lo && s < hi {
				next = s
			}
		} else if s := x - y/math.Max(1, x); s > lo && s < hi {
			next = s // a normal tail falls by about exp(-x dx)
		}
		xOld, yOld, x = x, y, next
	}
	if math.Abs(math.Log(reached/wanted)) > 1e-3 {
		return 0, 0, refusal.Unsolved("no limit gives an average run length of %.6g points", wanted)
	}
	return x, reached, nil
}

// designTol is the relative error allowed of a designed run length.
const designTol = 1e-11

// EWMALimit is the L that gives a two-sided EWMA chart of lambda, with settled or time-varying limits, the average run
// length arl0 in control for normal points.
//
// It refuses lambda outside (0, 1] or below 0.001 and arl0 outside 2 to 1e9.
func EWMALimit(lambda, arl0 float64, timeVarying bool) (EWMADesign, error) {
	if err := checkLambda(lambda); err != nil {
		return EWMADesign{}, err
	}
	if err := checkWanted(arl0); err != nil {
		return EWMADesign{}, err
	}
	return ewmaLimit(lambda, arl0, dist.NormalQuantileUpper(0.5/arl0), timeVarying)
}

func ewmaLimit(lambda, arl0, guess float64, timeVarying bool) (EWMADesign, error) {
	d := EWMADesign{EWMA: EWMA{Lambda: lambda, TimeVarying: timeVarying}}
	l, reached, err := limitFor(arl0, guess, 1e-3, 12, designTol, func(l float64) (float64, error) {
		c := d.EWMA
		c.L = l
		return c.ARL(Standard)
	})
	d.L, d.ARL0 = l, reached
	return d, err
}

// DesignEWMA is the two-sided EWMA chart, with settled limits and from zero state, that has the average run length arl0
// in control and the smallest one after a shift of the mean by shift standard deviations. lambda is sought from 0.005 to
// 1, to about 1e-4 of itself; the smallest run length is flat there.
//
// It refuses arl0 outside 2 to 1e9 and a shift outside (0, 20].
//
// Source: S. V. Crowder, "Design of exponentially weighted moving average schemes", J. Quality Technology 21 (1989), 155-162;
// Lucas and Saccucci 1990.
func DesignEWMA(arl0, shift float64) (EWMADesign, error) {
	if err := checkWanted(arl0); err != nil {
		return EWMADesign{}, err
	}
	if err := checkShift(shift); err != nil {
		return EWMADesign{}, err
	}
	guess := dist.NormalQuantileUpper(0.5 / arl0)
	var failed error
	at := func(logLambda float64) EWMADesign {
		d, err := ewmaLimit(math.Min(1, math.Exp(logLambda)), arl0, guess, false)
		if err == nil {
			guess = d.L
			d.ARL1, err = d.ARL(Normal{shift, 1})
		}
		if err != nil {
			failed = err
			d.ARL1 = math.Inf(1)
		}
		return d
	}
	// From lambda 1 downwards on a coarse grid, then golden section between the neighbours of the best.
	const steps = 10
	least := math.Log(0.005)
	best, bestAt := at(0), 0.0
	for i, worse := 1, 0; i <= steps && worse < 2; i++ {
		x := least * float64(i) / steps
		if d := at(x); d.ARL1 < best.ARL1 {
			best, bestAt, worse = d, x, 0
		} else {
			worse++
		}
	}
	golden := (math.Sqrt(5) - 1) / 2
	width := -least / steps
	a, b := math.Max(least, bestAt-width), math.Min(0, bestAt+width)
	x1, x2 := b-golden*(b-a), a+golden*(b-a)
	guess = best.L
	d1, d2 := at(x1), at(x2)
	for b-a > 1e-4 {
		if d1.ARL1 < d2.ARL1 {
			b, x2, d2 = x2, x1, d1
			x1 = b - golden*(b-a)
			d1 = at(x1)
		} else {
			a, x1, d1 = x1, x2, d2
			x2 = a + golden*(b-a)
			d2 = at(x2)
		}
	}
	for _, d := range []EWMADesign{d1, d2} {
		if d.ARL1 < best.ARL1 {
			best = d
		}
	}
	if math.IsInf(best.ARL1, 1) {
		return EWMADesign{}, failed
	}
	return best, nil
}

// CUSUMInterval is the H that gives a CUSUM chart of reference value k the average run length arl0 in control for normal
// points; headStart is a share of H (0.5 for a fast initial response, 0 for none).
//
// It refuses k outside 0 to 20, arl0 outside 2 to 1e9, a share outside 0 to 0.5, and an arl0 below that of H = 0.
func CUSUMInterval(k, arl0, headStart float64, sides Sides) (CUSUMDesign, error) {
	if err := checkWanted(arl0); err != nil {
		return CUSUMDesign{}, err
	}
	if !(headStart >= 0 && headStart <= 0.5) {
		return CUSUMDesign{}, refusal.Setting("the head start as a share of h", headStart, "it must lie between 0 and 0.5")
	}
	d := CUSUMDesign{CUSUM: CUSUM{K: k, Sides: sides}}
	at := func(h float64) CUSUM {
		c := d.CUSUM
		c.H, c.HeadStart = h, headStart*h
		return c
	}
	if err := at(1).check(); err != nil {
		return CUSUMDesign{}, err
	}
	// Siegmund's approximation, inverted in its leading term.
	guess := 1.0
	if k > 0 {
		guess = math.Max(0.2, math.Log(1+2*k*k*arl0)/(2*k)-1.166)
	} else {
		guess = math.Max(0.2, math.Sqrt(arl0)-1.166)
	}
	h, reached, err := limitFor(arl0, guess, 1e-6, 200, designTol, func(h float64) (float64, error) { return at(h).ARL(Standard) })
	if err != nil {
		return CUSUMDesign{}, err
	}
	return CUSUMDesign{CUSUM: at(h), ARL0: reached}, nil
}

// DesignCUSUM is the two-sided CUSUM chart, from zero state without head start, for a shift of the mean by shift standard
// deviations: K = shift/2, which gives the smallest run length at that shift among charts of one run length in control
// (Moustakides 1986, Annals of Statistics 14, 1379-1387, for one side), and H for the run length arl0 in control.
//
// It refuses as CUSUMInterval, and a shift outside (0, 20].
func DesignCUSUM(arl0, shift float64) (CUSUMDesign, error) {
	if err := checkShift(shift); err != nil {
		return CUSUMDesign{}, err
	}
	d, err := CUSUMInterval(shift/2, arl0, 0, TwoSided)
	if err != nil {
		return d, err
	}
	d.ARL1, err = d.ARL(Normal{shift, 1})
	return d, err
}

// ShewhartMultiple is the multiple k of the standard deviation at which the limits of a chart of single normal points with
// the rules of set give the average run length arl0 in control; zones stay at 1 and 2 standard deviations. For
// beyond-limits alone it is the normal quantile of 1/(2 arl0).
//
// It refuses arl0 outside 2 to 1e9, a set without beyond-limits, and an arl0 that the other rules alone fall short of;
// the refusal says what they allow.
func ShewhartMultiple(set rules.Set, arl0 float64) (k float64, r RunLength, err error) {
	if err := checkWanted(arl0); err != nil {
		return 0, r, err
	}
	if !set.On(rules.BeyondLimits) {
		return 0, r, refusal.Shapes("a limit for a wanted run length needs the rule beyond-limits in the set")
	}
	guess := dist.NormalQuantileUpper(0.5 / arl0)
	if set == rules.Default() {
		r, err = Geometric(2 * dist.NormalTail(guess))
		return guess, r, err
	}
	const far = 10
	if r, err = Sigma(far, set).RunLength(Standard, Options{}); err != nil {
		return 0, r, err
	}
	if r.ARL < arl0*(1+designTol) {
		return 0, r, refusal.Unsolved("an average run length of %.6g points is not possible with these rules: without limits they signal once in %.4g points; take rules out or raise their counts",
			arl0, r.ARL)
	}
	tol := designTol
	if r.Route == MonteCarlo {
		tol = 5e-3
	}
	k, _, err = limitFor(arl0, guess, 1e-3, far, tol, func(k float64) (float64, error) {
		r, err = Sigma(k, set).RunLength(Standard, Options{})
		return r.ARL, err
	})
	return k, r, err
}

// GroupLimit is the limit of a group chart of m streams (see Group) for the average run length arl0 in control.
//
// It refuses arl0 outside 2 to 1e9 and m as Group.
func GroupLimit(m int, deviations bool, arl0 float64) (Group, error) {
	c := Group{M: m, L: 3, Deviations: deviations}
	if err := checkWanted(arl0); err != nil {
		return c, err
	}
	if err := c.check(); err != nil {
		return c, err
	}
	l, _, err := limitFor(arl0, dist.NormalQuantileUpper(0.5/arl0/float64(m)), 1e-3, 12, 1e-8, func(l float64) (float64, error) {
		r, err := Group{m, l, deviations}.RunLength(0)
		return r.ARL, err
	})
	c.L = l
	return c, err
}

// WidenedMultiple is the multiple of the true standard deviation at which limits of the points themselves of a
// first-order autoregressive process (see Autocorrelated) give the average run length arl0 in control.
//
// It refuses arl0 outside 2 to 1e9 and |phi| above 0.999.
func WidenedMultiple(phi, arl0 float64) (Autocorrelated, error) {
	c := Autocorrelated{Phi: phi}
	if err := checkWanted(arl0); err != nil {
		return c, err
	}
	if err := checkPhi(phi); err != nil {
		return c, err
	}
	k, _, err := limitFor(arl0, dist.NormalQuantileUpper(0.5/arl0), 1e-3, 12, designTol, func(k float64) (float64, error) {
		r, err := Autocorrelated{phi, k}.RunLength(0)
		return r.ARL, err
	})
	c.K = k
	return c, err
}
