package report

import (
	"fmt"
	"math"
	"time"

	"sagwatch/spc/capability"
	"sagwatch/web/plot"
	"sagwatch/web/ui"
)

// MeansChart draws the means of the shifts with the limits that they give themselves.
func (c *Capability) MeansChart(o *CapabilityOf) plot.Chart {
	zone := c.Location()
	left := 0
	pane := plot.Pane{What: "mean of each " + c.Each + ", " + ui.UnitName(o.Unit), Decimals: o.Decimals, Main: true, Height: 110}
	var half time.Duration
	for i, b := range c.Blocks {
		if i > 0 {
			if d := b.From.Sub(c.Blocks[i-1].From); half == 0 || d < half*2 {
				half = d / 2
			}
		}
	}
	for i, m := range o.Means {
		b := c.Blocks[m.Block]
		name := b.From.In(zone).Format("2 Jan")
		if b.Name != "" {
			name += ", " + b.Name
		}
		p := plot.Point{At: b.From.Add(half), Value: m.Mean, Title: fmt.Sprintf("%s: %s, %s panels", name, o.show(m.Mean), ui.Count(int64(m.N)))}
		switch {
		case m.LeftOut:
			left++
			p.Kind = plot.Hollow
			p.Reason = "left out of Cp and Cpk: " + b.Reason
		case m.Beyond:
			p.Kind = plot.Signal
			p.Words = "beyond its limits"
		}
		if i > 0 && o.Means[i-1].Block != m.Block-1 {
			p.Gap = true
		}
		pane.Points = append(pane.Points, p)
	}
	from, to := c.First, c.Last
	if n := len(o.Means); n > 0 {
		from, to = c.Blocks[o.Means[0].Block].From, c.Blocks[o.Means[n-1].Block].From.Add(2*half)
	}
	if !to.After(from) {
		to = from.Add(8 * time.Hour)
	}
	desc := fmt.Sprintf("%d means of %ss.", len(o.Means), c.Each)
	if l := o.Limits; l != nil {
		pane.Limits = []plot.LimitSpan{{From: from, To: to, Lower: l.Lower, Centre: l.Centre, Upper: l.Upper, HasLower: true, HasCentre: true, HasUpper: true}}
		desc = fmt.Sprintf("%d means of %ss, limits %s to %s, %d beyond, %d left out.", len(o.Means), c.Each, o.show(l.Lower), o.show(l.Upper), o.Beyond, left)
	}
	return plot.Chart{ID: "means-" + o.Name, Title: "Mean of the " + o.Words + " of each " + c.Each, Desc: desc, From: from, To: to, Zone: zone, Panes: []plot.Pane{pane}}
}

// HistogramDrawing draws how the values are spread, against the model and the specification.
func (c *Capability) HistogramDrawing(o *CapabilityOf) plot.Histogram {
	l := o.All()
	h := plot.Histogram{ID: "spread-" + o.Name, Title: "How the " + o.Words + " is spread", Unit: ui.UnitName(o.Unit), Decimals: o.Decimals,
		Desc: fmt.Sprintf("%s panels, mean %s, half below %s, 99.865%s%% below %s; specification %s.", ui.Count(int64(l.N)), o.show(l.Mean), o.show(o.Spread[1]), ui.NoBreak, o.show(o.Spread[2]), o.SpecWords())}
	for _, b := range o.Bins {
		h.Bars = append(h.Bars, plot.Bar{From: b.From, To: b.To, N: b.N})
	}
	if o.Fitted != nil && len(o.Bins) > 0 {
		low, high, each := o.Bins[0].From, o.Bins[len(o.Bins)-1].To, o.Bins[0].To-o.Bins[0].From
		low, high = math.Min(low, o.Spread[0]), math.Max(high, o.Spread[2])
		for i := range 201 {
			x := low + (high-low)*float64(i)/200
			h.Curve = append(h.Curve, plot.XY{X: x, Y: float64(l.N) * each * math.Exp(o.Fitted.LogPDF(x))})
		}
		h.Marks = []plot.PencilMark{{Value: o.Spread[1], Words: "half below " + ui.Number(o.Spread[1], o.Decimals)}}
		if o.Spec.HasUpper {
			h.Marks = append(h.Marks, plot.PencilMark{Value: o.Spread[2], Words: "99.865" + ui.NoBreak + "% below " + ui.Number(o.Spread[2], o.Decimals)})
		}
	}
	below, above := 0, 0
	for _, k := range o.Counts {
		below, above = below+k.Below, above+k.Above
	}
	wall := func(at float64, beyond int) *plot.Wall {
		return &plot.Wall{Value: at, Words: "limit " + trim(at), Beyond: fmt.Sprintf("%s of %s beyond", noneOf(beyond), ui.Count(int64(l.N))), Bad: beyond > 0}
	}
	if o.Spec.HasLower && !o.Spec.Bound {
		h.Lower = wall(o.Spec.Lower, below)
	}
	if o.Spec.HasUpper {
		h.Upper = wall(o.Spec.Upper, above)
	}
	return h
}

// QuantileDrawing draws measured quantiles against those of the model; without points where there is no model.
func (c *Capability) QuantileDrawing(o *CapabilityOf) plot.Quantiles {
	q := plot.Quantiles{ID: "quantiles-" + o.Name, Title: "Measured quantiles of the " + o.Words + " against the model", Unit: ui.UnitName(o.Unit), Decimals: o.Decimals, Desc: "Where the " + FamilyWords(o.Family) + " is right the points lie on the line."}
	for _, p := range o.Quantile {
		q.Points = append(q.Points, plot.XY{X: p[0], Y: p[1]})
	}
	if o.Spec.HasLower && !o.Spec.Bound {
		q.Lower = &o.Spec.Lower
	}
	if o.Spec.HasUpper {
		q.Upper = &o.Spec.Upper
	}
	return q
}

func rowOf(words string, f *Figure) plot.IntervalRow {
	r := plot.IntervalRow{Words: words, Value: math.NaN(), Lower: math.NaN(), Upper: math.NaN(), Missing: "no figure"}
	if f != nil && f.Value.Has() {
		r.Value = float64(f.Value)
		if f.Doubt() != "" {
			r.Lower, r.Upper = float64(f.Lower), float64(f.Upper)
		}
	}
	return r
}

// MouldsDrawing draws Ppk of all, of what would be, and of each mould beside the wanted index.
func (c *Capability) MouldsDrawing(o *CapabilityOf) plot.Intervals {
	d := plot.Intervals{ID: "moulds-" + o.Name, Title: "Ppk of the " + o.Words + " by mould", Wanted: c.Asked.Wanted, WantedWords: "wanted " + c.Kept(), Decimals: 2}
	first := true
	for _, l := range o.Lines {
		r := rowOf(l.Words, l.Ppk)
		if l.Mould == "" && l.Key != "mould:" {
			r.Strong, r.Pencil = true, l.Key != "all"
		} else {
			r.Bad = l.Verdict == "fail" || l.Ppk.Value.Has() && float64(l.Ppk.Value) < c.Asked.Wanted
			r.Gap, first = first, false
		}
		d.Rows = append(d.Rows, r)
	}
	d.Desc = fmt.Sprintf("%s against the wanted %s.", ui.Plural(int64(len(d.Rows)), "index", "indices"), c.Kept())
	return d
}

// IndicesDrawing draws all indices of a normal characteristic; without rows for any other.
func (c *Capability) IndicesDrawing(o *CapabilityOf) plot.Intervals {
	d := plot.Intervals{ID: "indices-" + o.Name, Title: "Indices of the " + o.Words, Wanted: c.Asked.Wanted, WantedWords: "wanted " + c.Kept(), Decimals: 2, Desc: "Within shifts, and overall."}
	if o.By != capability.ByMoments {
		return d
	}
	every := ", every " + c.Each
	for _, r := range []struct {
		words string
		f     *Figure
	}{{"Cp, within", o.Cp}, {"Cpk, within", o.Cpk}, {"Pp" + every, o.Pp}, {"Ppk" + every, o.All().Ppk}, {"Cpm" + every, o.Cpm}} {
		if r.f != nil {
			d.Rows = append(d.Rows, rowOf(r.words, r.f))
		}
	}
	return d
}
