package report

import (
	"math"

	"sagwatch/spc/capability"
	"sagwatch/spc/components"
	"sagwatch/spc/fit"
)

// within works Cp and Cpk out, without the panels that are left out: the spread inside a mould's shift.
func (o *CapabilityOf) within(in *CapabilityInputs) {
	if o.By != capability.ByMoments || len(o.Grid.Cells) == 0 {
		return
	}
	groups := o.Grid.Groups(byCell)
	sigma, err := capability.Pooled(groups)
	if err != nil {
		return
	}
	mean, _, err := capability.Overall(groups)
	if err != nil {
		return
	}
	i, err := capability.Normal(mean, sigma.SD, o.Spec)
	if err != nil {
		return
	}
	o.Within = sigma
	f := figureOf{o: o, in: in, mean_: mean}
	ck, errK := capability.CKBounds(i, o.Grid.N(), sigma.DF, confidence)
	c, errC := capability.CInterval(i.C, o.Grid.N(), sigma.DF, confidence)
	if o.Blocked {
		if w, _, err := capability.BootstrapGroups(blocksOf(o.Grid, nil), o.Spec, confidence, fit.Resampling{Resamples: resampleMoments, Seed: capabilitySeed}); err == nil {
			c, ck, errC, errK = w.C, w.CK, nil, nil
		}
	}
	if !math.IsNaN(i.C) && errC == nil {
		o.Cp = f.of("cp", "Cp", "1", 2)
		f.index(o.Cp, i.C, c, "cp")
	}
	if errK == nil {
		o.Cpk = f.of("cpk", "Cpk", "1", 2)
		f.index(o.Cpk, i.CK, ck, "cpk")
	}
}

// parts splits the variance into what comes from moulds, shifts and panels.
func (o *CapabilityOf) parts(in *CapabilityInputs, all capability.Grid) {
	groups := all.Groups(byCell)
	keys := numbers(all, byCell)
	cells := make([]components.Cell, len(keys))
	for i, k := range keys {
		cells[i] = components.Cell{A: k / manyBlocks, B: k % manyBlocks, N: groups[i].N, Mean: groups[i].Mean, SS: groups[i].SS}
	}
	// Limits from the profile of the likelihood: those on the logarithm say nothing of a component near zero.
	options := components.Options{Confidence: confidence, Interval: components.Profile, Names: []string{"mould", in.Each}, Residual: "panel", Interaction: true}
	if r, err := components.FitCrossed(cells, options); err == nil {
		o.Parts = r
		return
	}
	options.Interaction = false // cells of one panel each cannot tell it from the panel's own
	if r, err := components.FitCrossed(cells, options); err == nil {
		o.Parts = r
	}
}
