package report

import (
	"sagwatch/spc/capability"
	"sagwatch/spc/fit"
)

// model takes the usual distribution of the characteristic, or the one that somebody chose.
func (o *CapabilityOf) model(in *CapabilityInputs, all portion) error {
	s, _, err := o.sample(in, all)
	if err != nil {
		return err
	}
	m, chosen := in.Asked.Models[o.Name]
	switch {
	case chosen:
		o.Family, o.Usual, o.Why = m.Family, false, m.Reason
	case o.Kind != fit.Measured:
		o.Fitted, err = o.fitted(in, all, func(s *fit.Sample) (*fit.Fitted, error) {
			c, err := fit.Choose(s, o.Kind, nil)
			if err != nil {
				return nil, err
			}
			return c.Best, nil
		})
		if err != nil {
			return err
		}
		o.Family = o.Fitted.Family()
		o.Why = "it is never below zero and skewed, so it is not normal; of the usual models of form errors (folded normal, largest extreme value) this one has the lesser AIC"
		if o.Kind == fit.Maximum {
			o.Why = "it is the greatest of many points, whose usual model is the largest extreme value distribution, and not normal"
		}
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
	if o.Family != Empirical && o.Fitted == nil {
		if o.Fitted, err = o.fitted(in, all, func(s *fit.Sample) (*fit.Fitted, error) { return fit.Fit(s, o.Family) }); err != nil {
			return err
		}
	}
	own := o.percentiles(s)
	if o.Spread = own; o.Fitted != nil {
		for i, t := range fit.Natural {
			if o.Spread[i] = o.Fitted.Quantile(t.P); t.Upper {
				o.Spread[i] = o.Fitted.QuantileUpper(t.P)
			}
		}
	}
	if s.N() >= capability.EnoughForPercentiles {
		if i, err := capability.PercentileIndices(own[0], own[1], own[2], o.Spec); err == nil {
			o.Own, o.HasOwn = i, true
		}
	}
	return nil
}
