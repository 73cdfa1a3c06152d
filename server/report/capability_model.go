package report

import (
	"sagwatch/spc/capability"
	"sagwatch/spc/fit"
)

// model takes the usual distribution of the characteristic, or the one that somebody chose.
func (o *CapabilityOf) model(asked CapabilityQuery, all capability.Grid) error {
	s, _, err := all.Sample(nil)
	if err != nil {
		return err
	}
	m, chosen := asked.Models[o.Name]
	switch {
	case chosen:
		o.Family, o.Usual, o.Why = m.Family, false, m.Reason
	case o.Kind == fit.Form:
		choice, err := fit.Choose(s, fit.Form, nil)
		if err != nil {
			return err
		}
		o.Family = choice.Best.Family()
		o.Why = "it is never below zero and skewed, so it is not normal; of the usual models of form errors (folded normal, largest extreme value) this one has the lesser AIC"
	default:
		o.Family, o.Why = fit.Normal, "it may lie on either side of its target"
	}
	switch o.Family {
	case fit.Normal:
		o.By = capability.ByMoments
	case Empirical:
		o.By = capability.ByPercentiles
	default:
		o.By = capability.ByFit
	}
	if o.Family != Empirical {
		if o.Fitted, err = fit.Fit(s, o.Family); err != nil {
			return err
		}
	}
	for i, t := range fit.Natural {
		switch {
		case o.Fitted == nil:
			p := t.P
			if t.Upper {
				p = 1 - p
			}
			o.Spread[i] = s.Quantiles(make([]float64, 1), []float64{p}, nil)[0]
		case t.Upper:
			o.Spread[i] = o.Fitted.QuantileUpper(t.P)
		default:
			o.Spread[i] = o.Fitted.Quantile(t.P)
		}
	}
	if own, warnings, err := capability.Empirical(s, o.Spec); err == nil && len(warnings) == 0 {
		o.Own, o.HasOwn = own, true
	}
	return nil
}
