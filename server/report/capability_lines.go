package report

import (
	"math"
	"slices"

	"sagwatch/spc/capability"
	"sagwatch/spc/fit"
)

// moved is a grid whose moulds' means are shifted; the cells' histograms stay as they are.
func moved(g capability.Grid, shift map[int]float64) []capability.Group {
	cells := slices.Clone(g.Cells)
	for i := range cells {
		cells[i].Mean += shift[cells[i].Stream]
	}
	g.Cells = cells
	return g.Groups(byCell)
}

// lines works out what there is overall, without the left-out, levelled, and by mould.
func (o *CapabilityOf) lines(in *CapabilityInputs, all portion) {
	total := OutsideCount{}
	for _, c := range o.Counts {
		total.Below, total.Above = total.Below+c.Below, total.Above+c.Above
		total.BelowCounted, total.AboveCounted = total.BelowCounted+c.BelowCounted, total.AboveCounted+c.AboveCounted
	}
	o.add(in, "all", "All moulds, every "+in.Each, "", all, total.Below, total.Above, resampleFits)
	if len(o.LeftOut.Cells) > 0 && len(o.Grid.Cells) > 0 {
		o.add(in, "counted", "Without what was left out", "", portion{Grid: o.Grid, keep: func(r *CapabilityRow) bool { return !r.LeftOut }}, total.BelowCounted, total.AboveCounted, resampleFits)
	}
	moulds := all.Groups(byMould)
	if len(moulds) < 2 {
		return
	}
	o.add(in, "levelled", "If the moulds were levelled", "", portion{Grid: all.Grid, shift: capability.Levelled(all.Grid)}, 0, 0, resampleFits)
	for i, m := range in.Moulds {
		g := all.Where(func(c *capability.Cell) bool { return c.Stream == i })
		if len(g.Cells) == 0 {
			continue
		}
		words := "Mould " + m
		if m == "" {
			words = "No mould named"
		}
		o.add(in, "mould:"+m, words, m, portion{Grid: g, keep: func(r *CapabilityRow) bool { return r.Mould == i }}, o.Counts[i].Below, o.Counts[i].Above, resampleMoulds)
	}
}

// blocksOf are the moments of each block's subgroups.
func blocksOf(g capability.Grid, shift map[int]float64) [][]capability.Group {
	at := map[int]int{}
	order := numbers(g, byBlock)
	for i, b := range order {
		at[b] = i
	}
	out := make([][]capability.Group, len(order))
	for i := range g.Cells {
		c := &g.Cells[i]
		out[at[c.Block]] = append(out[at[c.Block]], capability.Group{N: c.N, Mean: c.Mean + shift[c.Stream], SS: c.SS})
	}
	return out
}

// add works out one line.
func (o *CapabilityOf) add(in *CapabilityInputs, key, words, mould string, g portion, below, above, resamples int) {
	l := &CapabilityLine{Key: key, Words: words, Mould: mould, N: g.N(), Beyond: below + above, Verdict: "undecided"}
	o.Lines = append(o.Lines, l)
	f := figureOf{o: o, l: l, in: in}
	l.Ppk = f.of("ppk", "Ppk", "1", 2)
	l.Outside = f.of("outside", "Expected outside", "ppm", 0)
	groups := moved(g.Grid, g.shift)
	mean, sigma, err := capability.Overall(groups)
	if err != nil {
		l.Missing = err.Error()
		l.Ppk.Missing, l.Outside.Missing = l.Missing, l.Missing
		return
	}
	l.Mean, l.SD = mean, sigma.SD
	l.MeanFigure, l.SDFigure = f.mean(), f.sd()
	if g.shift == nil {
		l.Observed = f.observed(below, above)
	}
	r, err := o.resampled(in, g, mean, sigma, resamples)
	if err != nil {
		l.Missing = err.Error()
		l.Ppk.Missing, l.Outside.Missing = l.Missing, l.Missing
		return
	}
	f.index(l.Ppk, r.indices.CK, r.ck, "ppk")
	if r.bare != nil && key == "all" {
		o.bare = r.bare
	}
	f.outside(l.Outside, r.fraction, r.out)
	if r.hasAlone {
		l.Independent = f.of("ppk-if-independent", "Ppk, interval if neighbours were independent", "1", 2)
		f.index(l.Independent, r.indices.CK, r.alone, "ppk")
	}
	if key == "all" && !math.IsNaN(r.indices.C) {
		o.Pp = f.of("pp", "Pp", "1", 2)
		f.index(o.Pp, r.indices.C, r.c, "pp")
	}
	if key == "all" && o.By == capability.ByMoments && o.Spec.HasLower && o.Spec.HasUpper {
		o.Cpm = f.cpm(mean, sigma, r.cpm)
	}
	if l.Ppk.Lower.Has() && float64(l.Ppk.Lower) >= in.Asked.Wanted {
		l.Verdict = "pass"
	} else if l.Ppk.Upper.Has() && float64(l.Ppk.Upper) < in.Asked.Wanted {
		l.Verdict = "fail"
	}
}

// overallFigures are the indices of a portion of the panels with their intervals.
type overallFigures struct {
	indices    capability.Indices
	fraction   float64
	c, ck, out capability.Interval
	cpm        *capability.Interval // by whole blocks
	alone      capability.Interval  // of CK as if neighbours were independent
	hasAlone   bool
	bare       error // why there is no interval
}

func (o *CapabilityOf) resampled(in *CapabilityInputs, g portion, mean float64, sigma capability.Sigma, resamples int) (r overallFigures, err error) {
	options := fit.Resampling{Resamples: resamples, Seed: capabilitySeed}
	if o.By == capability.ByMoments {
		if r.indices, err = capability.Normal(mean, sigma.SD, o.Spec); err != nil {
			return r, err
		}
		f, err := capability.NormalOutside(mean, sigma, o.Spec, confidence, capabilitySeed)
		if err != nil {
			return r, err
		}
		r.fraction, r.out = f.Total, f.Interval
		if r.ck, err = capability.CKBounds(r.indices, sigma.N, sigma.DF, confidence); err != nil {
			return r, err
		}
		if !math.IsNaN(r.indices.C) {
			if r.c, err = capability.CInterval(r.indices.C, sigma.N, sigma.DF, confidence); err != nil {
				return r, err
			}
		}
		if o.Blocked {
			options.Resamples = resampleMoments
			if _, b, err := capability.BootstrapGroups(blocksOf(g.Grid, g.shift), o.Spec, confidence, options); err == nil {
				r.alone, r.hasAlone = r.ck, true
				r.c, r.ck, r.out = b.C, b.CK, b.Outside
				r.cpm = &b.Cpm
			}
		}
		return r, nil
	}
	s, blocks, err := o.sample(in, g)
	if err != nil {
		return r, err
	}
	if o.By == capability.ByFit {
		d, err := o.fitted(in, g, func(s *fit.Sample) (*fit.Fitted, error) { return fit.Fit(s, o.Family) })
		if err != nil {
			return r, err
		}
		if r.indices, err = capability.Percentile(d, o.Spec); err != nil {
			return r, err
		}
		f, err := capability.Outside(d, o.Spec)
		if err != nil {
			return r, err
		}
		r.fraction = f.Total
		if sigma.N >= manyPanels { // whose standard errors are so small that half of the resamples give the second decimal
			options.Resamples /= 2
		}
		// Each resample is fitted anew: a sixth of the spread is fine enough for a histogram that is fitted.
		coarse := portion{Grid: g.Coarser(coarseness(g.Grid, sigma.SD/6)), shift: g.shift}
		if s, blocks, err = coarse.binned(); err != nil {
			return r, err
		}
	} else if err := o.own(s, g, &r); err != nil {
		return r, err
	}
	if o.Blocked && len(blocks) >= 2 {
		if b, err := capability.Bootstrap(s, blocks, o.Spec, o.By, o.Family, confidence, options); err == nil {
			r.c, r.ck, r.out = b.C, b.CK, b.Outside
			if resamples == resampleFits { // of single moulds the time is saved
				if a, err := capability.Bootstrap(s, nil, o.Spec, o.By, o.Family, confidence, options); err == nil {
					r.alone, r.hasAlone = a.CK, true
				}
			}
			return r, nil
		}
	}
	a, err := capability.Bootstrap(s, nil, o.Spec, o.By, o.Family, confidence, options)
	if err != nil { // a figure without an interval is still a figure
		r.bare = err
		return r, nil
	}
	r.c, r.ck, r.out = a.C, a.CK, a.Outside
	return r, nil
}

// own takes the figures from the percentiles of a portion's values themselves.
func (o *CapabilityOf) own(s *fit.Sample, g portion, r *overallFigures) (err error) {
	if r.indices, _, err = capability.Empirical(s, o.Spec); err != nil {
		return err
	}
	if o.Exact != nil && s.IsBinned() && g.keep == nil && g.shift == nil {
		q := o.Exact.Percentiles
		if r.indices, err = capability.PercentileIndices(q[0], q[1], q[2], o.Spec); err != nil {
			return err
		}
	}
	lower, upper := math.Inf(-1), math.Inf(1)
	if o.Spec.HasLower && !o.Spec.Bound {
		lower = o.Spec.Lower
	}
	if o.Spec.HasUpper {
		upper = o.Spec.Upper
	}
	below, above := s.Outside(lower, upper, nil)
	r.fraction = (below + above) / float64(s.N())
	return nil
}

// coarseness is how many bins to join to about a width, fewer where a bin would reach below zero and no value does: many families
// have no values there.
func coarseness(g capability.Grid, width float64) int {
	k := int(math.Min(width/g.Width, 1e6))
	least := int32(math.MaxInt32)
	for i := range g.Cells {
		if b := g.Cells[i].Bins; len(b) > 0 {
			least = min(least, b[0])
		}
	}
	if g.Origin+float64(least)*g.Width >= 0 {
		for k > 1 && g.Origin+math.Floor(float64(least)/float64(k))*float64(k)*g.Width < 0 {
			k--
		}
	}
	return k
}
