package proof

import (
	"fmt"

	"sagwatch/spc/capability"
	"sagwatch/spc/fit"
)

// fittedFractionChecks compares limits by the delta method with the same formula worked out by mpmath: Weibull fit to the glass
// strengths, fraction above two limits.
func fittedFractionChecks(r *run) {
	s, err := fit.Values(r.column("handbook/glass_strength_fuller2.csv", "y"))
	var f *fit.Fitted
	if err == nil {
		f, err = fit.Fit(s, fit.Weibull)
	}
	for _, c := range []struct{ limit, total, lower, upper float64 }{
		{45, 0.0216208451413464, 0.00419951317347387, 0.103781135367455},
		{60, 4.80730445719892e-7, 2.2288906937107e-11, 0.0102620733608827},
	} {
		check := ofFit("Fraction outside, delta method", fmt.Sprintf("Weibull, 31 glass strengths, above %g, 95 %%", c.limit),
			"W. Q. Meeker and L. A. Escobar, Statistical Methods for Reliability Data (1998), 8.4.3", mpmath, 0, 0, 0, err)
		check.Note = "formula from memory; maximum and derivatives of the likelihood by mpmath's findroot and diff with 40 digits"
		if err != nil {
			r.add(check)
			continue
		}
		out, e := capability.FittedOutside(f, capability.Spec{Upper: c.limit, HasUpper: true}, 0.95)
		check.Trouble = trouble(e)
		// The fit is good to about 1e-8; far out the fraction magnifies that.
		r.worst(check, []pair{{c.total, out.Total, 1e-6, "fraction"}, {c.lower, out.Interval.Lower, 1e-5, "lower limit"}, {c.upper, out.Interval.Upper, 1e-5, "upper limit"}})
	}
}
