package report

import (
	"fmt"
	"math"
	"strings"

	"sagwatch/spc/capability"
	"sagwatch/spc/dist"
	"sagwatch/spc/fit"
	"sagwatch/web/ui"
)

// bars is about how many bars the printed histogram has.
const bars = 72

// drawn works out the histogram and the quantile plot.
func (o *CapabilityOf) drawn(in *CapabilityInputs, all portion) {
	least, greatest := int32(math.MaxInt32), int32(math.MinInt32)
	for i := range all.Cells {
		if b := all.Cells[i].Bins; len(b) > 0 {
			least, greatest = min(least, b[0]), max(greatest, b[len(b)-1])
		}
	}
	// As many bars as the number of values bears (2.7 of a standard deviation over the cube root of n, D. Freedman and P. Diaconis,
	// Probability Theory and Related Fields 57 (1981), 453-476), none narrower than the step to which the values are rounded.
	n := float64(all.N())
	sd := (o.Spread[2] - o.Spread[0]) / 6
	width := math.Max(2.7*sd/math.Cbrt(n), 6*sd/bars)
	each := max(1, math.Ceil(math.Min(width/all.Width, float64(int64(greatest)-int64(least)+1))))
	off := 0.0
	if o.step > 1 { // whole steps, and rounded values in the middle of them
		each = math.Ceil(each/o.step-1e-9) * o.step
		off = float64(least) + .5 - o.step/2
	}
	counts := map[int32]int{}
	at := func(b int32) int32 { return int32(math.Floor((float64(b) + .5 - off) / each)) }
	first, last := at(least), at(greatest)
	for i := range all.Cells {
		for j, b := range all.Cells[i].Bins {
			counts[at(b)] += int(all.Cells[i].Counts[j])
		}
	}
	for k := first; k <= last && len(o.Bins) < 20*bars; k++ {
		b := HistogramBin{From: all.Origin + (off+float64(k)*each)*all.Width, To: all.Origin + (off+float64(k+1)*each)*all.Width, N: counts[k]}
		if o.Fitted != nil {
			if b.Expected = n * (o.Fitted.CDF(b.To) - o.Fitted.CDF(b.From)); b.From > o.Spread[1] {
				b.Expected = n * (o.Fitted.Tail(b.From) - o.Fitted.Tail(b.To))
			}
		}
		o.Bins = append(o.Bins, b)
	}
	if o.Fitted == nil {
		return
	}
	s, _, err := o.sample(in, all)
	if err != nil {
		return
	}
	// Evenly spread on the scale of the normal distribution, as far out as there are values.
	const points = 61
	reach := dist.NormalQuantileUpper(0.5 / n)
	for i := range points {
		z := reach * (2*float64(i)/(points-1) - 1)
		p, model := dist.NormalCDF(z), 0.0
		if z > 0 {
			model = o.Fitted.QuantileUpper(dist.NormalTail(z))
		} else {
			model = o.Fitted.Quantile(p)
		}
		o.Quantile = append(o.Quantile, [2]float64{model, s.Quantiles(make([]float64, 1), []float64{p}, nil)[0]})
	}
}

// tests works out tests of the model and of normality, on at most fit.MostTested values.
func (o *CapabilityOf) tests(in *CapabilityInputs, all portion) {
	s, err := o.tested(in, all)
	if err != nil {
		return
	}
	tested := func(n int) string {
		if n < all.N() {
			return fmt.Sprintf("%s values, evenly spread over all %s", ui.Count(int64(n)), ui.Count(int64(all.N())))
		}
		return ui.Count(int64(n)) + " values"
	}
	if o.Fitted != nil {
		if g, err := fit.AndersonDarling(s, o.Family, fit.Resampling{Resamples: 199, Seed: capabilitySeed}); err == nil {
			o.Tests = append(o.Tests,
				&Figure{ID: "anderson-darling." + o.Name, Name: "Anderson-Darling statistic", Of: o.Words + ", " + FamilyWords(o.Family), Unit: "1", Value: Number(g.Adjusted), Lower: None, Upper: None, Decimals: 3, Formula: "A^2 = -n - (1/n) sum (2i - 1) (log F(x_i) + log(1 - F(x_(n+1-i)))), adjusted for n", Inputs: tested(g.N), Source: "D'Agostino and Stephens 1986"},
				&Figure{ID: "anderson-darling-p." + o.Name, Name: "p value of the Anderson-Darling test", Of: o.Words + ", " + FamilyWords(o.Family), Unit: "1", Value: Number(g.P), Lower: None, Upper: None, Decimals: 4, Formula: "probability of a greater A^2 where the model is right, its parameters fitted: " + string(g.PMethod), Inputs: tested(g.N), Source: "D'Agostino and Stephens 1986"})
		}
	}
	if o.Family == fit.Normal {
		if w, err := fit.ShapiroWilk(s); err == nil {
			o.Tests = append(o.Tests, &Figure{ID: "shapiro-wilk-p." + o.Name, Name: "p value of the Shapiro-Wilk test", Of: o.Words, Unit: "1", Value: Number(w.P), Lower: None, Upper: None, Decimals: 4, Formula: "probability of a lesser W for normal values", Inputs: tested(w.N) + fmt.Sprintf(", W %.4f", w.W), Source: "Royston 1995"})
		}
	}
}

// What speaks against an index, and from where on; common practice, no source.
const (
	tailsDiffer  = 0.10 // the model's index and that of the values' own percentiles differ by more than this share
	coarseValues = 30   // fewer different values over the whole spread than this
	fewBlocks    = 25
	leastBlocks  = 8 // fewer give resampling nothing to draw from
)

// against says in words what speaks against an index of this characteristic, and what would help.
func (o *CapabilityOf) against(in *CapabilityInputs, all capability.Grid) {
	say := func(format string, a ...any) { o.Against = append(o.Against, fmt.Sprintf(format, a...)) }
	line := o.All()
	if line == nil || !line.Ppk.Value.Has() {
		return
	}
	ev := &o.CapabilityInput.Evidence
	switch {
	case o.CapabilityInput.Grid.N() == 0:
		say("Everything in the period was left out, so nothing is left that could show a stable process: the figures describe the period and predict nothing.")
	case in.Behind:
		say("The charts had not taken in every panel of the period when this was worked out, so nothing shows yet that the process was stable: the figures describe the period and predict nothing.")
	case len(ev.Charts) == 0:
		say("No control chart of the %s had limits in the period, so nothing shows that the process was stable: the figures describe the period and predict nothing. A chart of it, with limits frozen before the period, would.", o.Words)
	case !o.Evidence.Limits:
		say("Control limits of the %s were in force for %s of the period only; nothing shows that the rest was stable. A period that begins after the limits would.", o.Words, ui.Percent(ev.Covered, 0))
	}
	if o.Evidence.Limits && !o.Grade.Stable && o.CapabilityInput.Grid.N() > 0 && !in.Behind {
		say("%s%s stood in the period where chance alone makes about %s among %s charted points: the process was not stable, and its figures predict nothing. Find and remove the causes, or leave stretches with a known cause out of Cp and Cpk, with the reason.",
			capital(ui.Plural(int64(o.Unexplained), "signal", "signals")), o.signalPoints(), ui.Number(o.Evidence.ExpectFew, 1), ui.Count(int64(o.Evidence.Points)))
	}
	if n := all.N(); n < fewValues {
		c := math.Abs(float64(line.Ppk.Value))
		if need, err := capability.Enough(c, 0.1, confidence); err == nil {
			say("%s are too few for an index: about %s, independent of one another, would tell it to within a tenth.", capital(ui.Plural(int64(n), "panel", "panels")), ui.Count(int64(need)))
		}
	}
	if o.bare != nil {
		say("Ppk has no interval: %v. Choose another model, with the reason.", o.bare)
	}
	if o.Kind != fit.Measured && o.Fitted != nil {
		if p := o.Fitted.CDF(0); p > fit.OuterTail {
			say("The %s puts %s of the panels below zero, where none can be. Choose another model, with the reason.", FamilyWords(o.Family), ui.Percent(p, 1))
		}
	}
	if o.Blocked && len(o.Means) < fewBlocks {
		say("There are only %s to resample: the intervals are too narrow. %d or more would do.", ui.Plural(int64(len(o.Means)), in.Each, in.Each+"s"), fewBlocks)
	}
	if o.Grade.Blocks && !o.Blocked {
		say("Panels of one %s resemble each other, and the period has %s: too few to resample. The intervals take panels as independent and are too narrow; a period of %d %ss or more would do.", in.Each, ui.Plural(int64(len(o.Means)), in.Each, in.Each+"s")+" only", fewBlocks, in.Each)
	}
	if o.HasOwn && o.By != capability.ByPercentiles {
		own, model := o.Own.CK, float64(line.Ppk.Value)
		if math.Abs(own-model) > tailsDiffer*math.Max(math.Abs(model), 0.1) {
			what := "Find out whether two populations are mixed (moulds, gauges); else"
			say("The %s does not follow the outermost values: by the values' own percentiles Ppk is %s, not %s. %s choose another model, with the reason.", FamilyWords(o.Family), ui.Number(own, 2), ui.Number(model, 2), what)
		}
	}
	if all.N() >= 100 && o.Distinct < coarseValues {
		say("Rounding is coarse against the spread: the %s panels show %s different values only. Readings with a finer resolution would do.", ui.Count(int64(all.N())), ui.InWords(int64(o.Distinct)))
	}
	if o.Lacking > 0 {
		say("%s of the period have no value of it and are in no figure.", capital(ui.Plural(int64(o.Lacking), "panel", "panels")))
	}
}

// signalPoints says of how many points signals are where they have more than one each: " (34 points or more)".
func (o *CapabilityOf) signalPoints() string {
	if o.Evidence.Signals <= o.Unexplained {
		return ""
	}
	return fmt.Sprintf(" (%s or more)", ui.Plural(int64(o.Evidence.Signals), "point", "points"))
}

// Supported is true where the figures may be called capability.
func (o *CapabilityOf) Supported() bool {
	return o.standing() == supported
}

// weak lists the moulds that cannot prove the wanted index, and those that certainly miss it.
func (o *CapabilityOf) weak() (unproven, missed []string) {
	for _, l := range o.MouldLines() {
		switch {
		case l.Missing != "" || !l.Ppk.Value.Has():
		case l.Verdict == "undecided":
			unproven = append(unproven, l.Mould)
		case l.Verdict == "fail":
			missed = append(missed, l.Mould)
		}
	}
	return unproven, missed
}

func listWords(words []string) string {
	if len(words) > 1 {
		return strings.Join(words[:len(words)-1], ", ") + " and " + words[len(words)-1]
	}
	return strings.Join(words, "")
}
