package runlength

import (
	"math"

	"sagwatch/spc/refusal"
)

// EWMA is a two-sided chart of the exponentially weighted moving average of points in standard units (target 0,
// standard deviation 1 in control):
//
//	z_i = Lambda x_i + (1 - Lambda) z_(i-1),  z_0 = Start
//	signal when |z_i| > L sqrt(Lambda / (2 - Lambda) [1 - (1 - Lambda)^(2i)])
//
// with the bracket (the exact, time-varying limits) where TimeVarying is set, else without. Lambda 1 is the chart of
// single points with limits ±L.
//
// Sources: S. W. Roberts, Technometrics 1 (1959), 239-250; J. M. Lucas and M. S. Saccucci, "Exponentially weighted moving
// average control schemes: properties and enhancements", Technometrics 32 (1990), 1-12.
type EWMA struct {
	Lambda, L   float64
	TimeVarying bool
	Start       float64 // z_0: 0 without a head start
}

func checkLambda(lambda float64) error {
	if !(lambda > 0 && lambda <= 1) {
		return refusal.Setting("lambda", lambda, "it must be above 0 and at most 1")
	}
	if lambda < 1e-3 {
		return refusal.Setting("lambda", lambda, "below 0.001 run lengths are not worked out")
	}
	return nil
}

func (c EWMA) check() error {
	if err := checkLambda(c.Lambda); err != nil {
		return err
	}
	if !(c.L > 0 && c.L <= 20) {
		return refusal.Setting("L", c.L, "it must be above 0 and at most 20")
	}
	if c.TimeVarying && c.Lambda < 0.01 {
		return refusal.Setting("lambda", c.Lambda, "below 0.01 run lengths with time-varying limits are not worked out")
	}
	if h := c.linear().h; !(math.Abs(c.Start) <= h) {
		return refusal.Setting("the start of the average", c.Start, "it must lie within the limits")
	}
	return nil
}

// Limit is the half-width of the limits at point i, counted from 1, in standard deviations of a single point.
func (c EWMA) Limit(i int) float64 {
	h := c.linear().h
	if c.TimeVarying {
		h *= math.Sqrt(-math.Expm1(2 * float64(i) * math.Log1p(-c.Lambda)))
	}
	return h
}

func (c EWMA) linear() linear {
	return linear{1 - c.Lambda, c.Lambda, c.L * math.Sqrt(c.Lambda/(2-c.Lambda))}
}

// RunLength is the run length for independent points of distribution d, which must have a density: the density of z
// among the charts that have not signalled is followed on Gauss-Legendre nodes, through the time-varying limits, until
// it has settled; from there the run length is geometric. For normal points the relative error is about 1e-10; for
// densities with a jump it is that of the quadrature, about 1e-3. In the steady state (Options.Before) the limits are the
// settled ones.
//
// It refuses Lambda outside (0, 1] or below 0.001 (0.01 with time-varying limits), L outside (0, 20], and a Start beyond the limits.
func (c EWMA) RunLength(d Distribution, o Options) (RunLength, error) {
	f, err := dense(d)
	if err != nil {
		return RunLength{}, err
	}
	if err := c.check(); err != nil {
		return RunLength{}, err
	}
	if err := o.check(); err != nil {
		return RunLength{}, err
	}
	lin := c.linear()
	return lin.law(f, o, c.Start, func(i int) float64 {
		h := c.Limit(i)
		if lin.h-h < 1e-13*lin.h {
			return lin.h
		}
		return h
	})
}

// ARL is the average run length alone, from zero state with settled limits, by solving the integral equation: the same
// as RunLength's to the accuracy of 1e-16 times the run length, in a fraction of its time (beyond 1e9 it is RunLength's).
//
//	L(z) = 1 + integral_-h^h L(y) f((y - (1 - Lambda) z) / Lambda) / Lambda dy,  h = L sqrt(Lambda / (2 - Lambda))
//
// with f the density of the points. With TimeVarying it is RunLength's. It refuses a distribution without a density or that is
// none, Lambda outside [0.001, 1] (TimeVarying: below 0.01), L outside (0, 20] and a Start beyond the limits.
//
// Source: S. V. Crowder, "A simple method for studying run-length distributions of exponentially weighted moving average
// charts", Technometrics 29 (1987), 401-407.
func (c EWMA) ARL(d Distribution) (float64, error) {
	f, err := dense(d)
	if err != nil {
		return 0, err
	}
	if err := c.check(); err != nil {
		return 0, err
	}
	if c.TimeVarying {
		r, err := c.RunLength(d, Options{})
		return r.ARL, err
	}
	arl, _, err := c.linear().arl(f, c.Start)
	if err != nil || arl > 1e9 {
		r, err := c.RunLength(d, Options{})
		return r.ARL, err
	}
	return arl, nil
}
