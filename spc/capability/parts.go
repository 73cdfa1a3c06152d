package capability

import (
	"math"
	"strings"

	"sagwatch/spc/components"
	"sagwatch/spc/refusal"
)

// FromComponents is the standard deviation that components of variance make together: all of them (a process "as it is"), or
// all but the named ones ("if the moulds were levelled": without "mould"),
//
//	sd^2 = sum sigma_k^2,  df = 2 sd^4 / SE(sd^2)^2,  n = sd^2 / SE(mean)^2
//
// with the standard error of the sum from the components' covariance (Satterthwaite's degrees of freedom) and n the number
// of independent values that would tell the mean as well, at least 2, cut to a whole number. With it CInterval, CKBounds and
// NormalOutside give limits that allow for the moulds and shifts being few, however many the panels. Levelled moulds are taken to
// meet at the present mean, whose standard error stays that of the moulds as they are.
//
// It refuses a name that is no component's, no component left, and a sum without a standard error.
//
// Source: F. E. Satterthwaite, Biometrics Bulletin 2 (1946), 110-114; effective numbers: Bissell's variance needs no more than
// the variances of mean and sd^2 (see CKBissell).
func FromComponents(r *components.MixedResult, without ...string) (Sigma, error) {
	c, err := r.Without(without...)
	if err != nil {
		return Sigma{}, err
	}
	if !(c.SE > 0) || !(r.MeanSE > 0) {
		return Sigma{}, refusal.Unsolved("the components have no standard error, so that nothing is known of how sure their sum is")
	}
	n := math.Floor(c.Variance / (r.MeanSE * r.MeanSE))
	s := Sigma{SD: c.SD, DF: 2 * c.Variance * c.Variance / (c.SE * c.SE), N: int(math.Max(2, math.Min(n, float64(r.N)))), Method: "components of variance"}
	if len(without) > 0 {
		s.Method += " without " + strings.Join(without, " and ")
	}
	for _, p := range r.Components {
		if p.Zero {
			s.Warnings = append(s.Warnings, refusal.Warning{Kind: refusal.Adjusted, What: p.Name,
				Detail: "The component of " + p.Name + " is estimated as zero, the least it can be, and adds nothing."})
		}
	}
	if s.DF < 20 { // relative standard error of the standard deviation above 1/sqrt(40), 16 %
		w := refusal.Small("degrees of freedom", int(s.DF), 20)
		w.Detail = "More levels of the largest component help, not more panels."
		s.Warnings = append(s.Warnings, w)
	}
	return s, nil
}
