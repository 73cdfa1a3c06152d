package report

import (
	"fmt"
	"math"
	"strings"

	"sagwatch/spc/capability"
	"sagwatch/spc/components"
	"sagwatch/spc/fit"
	"sagwatch/web/ui"
)

// figureOf makes the figures of one line, each with its formula, inputs and source.
type figureOf struct {
	o     *CapabilityOf
	l     *CapabilityLine // nil: of what counts in Cp and Cpk
	in    *CapabilityInputs
	mean_ float64 // of what counts in Cp and Cpk
}

// of begins a figure without a value.
func (f figureOf) of(id, name, unit string, decimals int) *Figure {
	out := &Figure{ID: id + "." + f.o.Name, Name: name, Of: f.o.Words, Unit: unit, Value: None, Lower: None, Upper: None, Decimals: decimals}
	switch {
	case f.l == nil:
		out.Of += ", " + f.countedWords()
	case f.l.Key == "all":
		out.Of += ", all panels"
	default:
		out.ID += "." + f.l.Key
		out.Of += ", " + strings.ToLower(f.l.Words[:1]) + f.l.Words[1:]
	}
	return out
}

func (f figureOf) countedWords() string {
	if f.in.LeftOut > 0 {
		return "without what was left out"
	}
	return "all panels"
}

// show writes a value of the characteristic with its unit.
func (o *CapabilityOf) show(x float64) string { return ui.WithUnit(ui.Number(x, o.Decimals), o.Unit) }

// limits writes the specification.
func (o *CapabilityOf) limits() string {
	var parts []string
	if o.Spec.HasLower && !o.Spec.Bound {
		parts = append(parts, "L "+ui.WithUnit(trim(o.Spec.Lower), o.Unit))
	}
	if o.Spec.HasUpper {
		parts = append(parts, "U "+ui.WithUnit(trim(o.Spec.Upper), o.Unit))
	}
	return strings.Join(parts, ", ")
}

// SpecWords writes the specification in a sentence: "1101.5 to 1113.5 mm", "at most 381 um".
func (o *CapabilityOf) SpecWords() string {
	lower := o.Spec.HasLower && !o.Spec.Bound
	switch {
	case lower && o.Spec.HasUpper:
		return trim(o.Spec.Lower) + " to " + ui.WithUnit(trim(o.Spec.Upper), o.Unit)
	case o.Spec.HasUpper:
		return "at most " + ui.WithUnit(trim(o.Spec.Upper), o.Unit)
	default:
		return "at least " + ui.WithUnit(trim(o.Spec.Lower), o.Unit)
	}
}

// trim writes a number that somebody gave as it was given.
func trim(x float64) string { return ui.Number(x, decimalsOf(x)) }

// decimalsOf are those with which a number was given, at most 9.
func decimalsOf(x float64) int {
	d := 0
	for d < 9 && math.Abs(x-math.Round(x*math.Pow10(d))/math.Pow10(d)) > 1e-12*math.Max(1, math.Abs(x)) {
		d++
	}
	return d
}

// interval takes an interval over, in words of the report: blocks are its shifts.
func (f figureOf) interval(out *Figure, i capability.Interval, times float64) {
	if math.IsNaN(i.Lower) || math.IsNaN(i.Upper) || i.Level == 0 {
		return
	}
	out.Lower, out.Upper, out.Level = Number(i.Lower*times), Number(i.Upper*times), i.Level
	out.Method = strings.Replace(i.Method, "whole blocks", "whole "+f.in.Each+"s", 1)
}

func (f figureOf) index(out *Figure, value float64, i capability.Interval, which string) {
	o := f.o
	if math.IsNaN(value) {
		out.Missing = "the specification does not allow it"
		return
	}
	out.Value = Number(value)
	f.interval(out, i, 1)
	out.Source = "ISO 22514-2"
	letter, sd, words := "P", "s", "s of all values about their mean"
	if which == "cp" || which == "cpk" {
		letter, sd, words = "C", "s within", "s within pooled inside each mould's "+f.in.Each+"s"
		out.Source = "ISO 22514-2; ASTM E2587"
	}
	if o.By == capability.ByMoments {
		m, s := f.mean_, o.Within.SD
		if f.l != nil {
			m, s = f.l.Mean, f.l.SD
		}
		switch {
		case which == "pp" || which == "cp":
			out.Formula = letter + "p = (U - L) / (6 " + sd + "), " + words
		case o.Spec.HasLower && !o.Spec.Bound && o.Spec.HasUpper:
			out.Formula = letter + "pk = min((mean - L) / (3 " + sd + "), (U - mean) / (3 " + sd + ")), " + words
		case o.Spec.HasUpper:
			out.Formula = letter + "pk = (U - mean) / (3 " + sd + "), " + words
		default:
			out.Formula = letter + "pk = (mean - L) / (3 " + sd + "), " + words
		}
		out.Inputs = fmt.Sprintf("mean %s, %s %s, %s", o.show(m), sd, o.show(s), o.limits())
		return
	}
	what := "percentiles of the fitted " + FamilyWords(o.Family)
	if o.By == capability.ByPercentiles {
		what = "percentiles of the values themselves"
	}
	switch {
	case which == "pp":
		out.Formula = "Pp = (U - L) / (x99.865 - x0.135), " + what
	case o.Spec.HasLower && !o.Spec.Bound && o.Spec.HasUpper:
		out.Formula = "Ppk = min((x50 - L) / (x50 - x0.135), (U - x50) / (x99.865 - x50)), " + what
	case o.Spec.HasUpper:
		out.Formula = "Ppk = (U - x50) / (x99.865 - x50), " + what
	default:
		out.Formula = "Ppk = (x50 - L) / (x50 - x0.135), " + what
	}
	out.Source = "ISO 22514-2, percentile method"
	out.Inputs = o.limits()
	if f.l != nil && f.l.Key == "all" {
		out.Inputs = fmt.Sprintf("x0.135 %s, x50 %s, x99.865 %s, %s", o.show(o.Spread[0]), o.show(o.Spread[1]), o.show(o.Spread[2]), o.limits())
	} else if f.l != nil {
		out.Inputs = ui.Count(int64(f.l.N)) + " values, " + o.limits()
	}
}

func (f figureOf) outside(out *Figure, fraction float64, i capability.Interval) {
	out.Value = Number(fraction * 1e6)
	f.interval(out, i, 1e6)
	out.Decimals = rateDecimals(fraction * 1e6)
	switch f.o.By {
	case capability.ByMoments:
		out.Formula = "1e6 (Phi((L - mean) / s) + Phi((mean - U) / s)), a limit that there is not left out"
		out.Inputs = fmt.Sprintf("mean %s, s %s, %s", f.o.show(f.l.Mean), f.o.show(f.l.SD), f.o.limits())
	case capability.ByFit:
		out.Formula = "1e6 P(value beyond a limit) by the fitted " + FamilyWords(f.o.Family)
		out.Inputs = ui.Count(int64(f.l.N)) + " values, " + f.o.limits()
	default:
		out.Formula = "1e6 times the share of the values beyond a limit, values spread evenly within a bin"
		out.Inputs = ui.Count(int64(f.l.N)) + " values, " + f.o.limits()
	}
	out.Source = "ISO 22514-2"
	if out.Level > 0 && f.o.By == capability.ByMoments && strings.Contains(out.Method, "fiducial") {
		out.Source += "; Weerahandi 1993 for the interval"
	}
}

func (f figureOf) observed(below, above int) *Figure {
	out := f.of("observed", "Measured outside", "ppm", 0)
	got, err := capability.Observed(below, above, f.l.N, confidence)
	if err != nil {
		out.Missing = err.Error()
		return out
	}
	out.Value = Number(got.Total * 1e6)
	f.interval(out, got.Interval, 1e6)
	out.Decimals = rateDecimals(float64(out.Value))
	out.Formula, out.Source = "1e6 k / n; exact interval of a proportion for independent values", "Clopper and Pearson 1934"
	out.Inputs = fmt.Sprintf("%s below and %s above of %s", ui.Count(int64(below)), ui.Count(int64(above)), ui.Count(int64(f.l.N)))
	return out
}

func (f figureOf) mean() *Figure {
	out := f.of("mean", "Mean", f.o.Unit, f.o.Decimals)
	out.Value, out.Formula, out.Inputs, out.Source = Number(f.l.Mean), "sum of the values / n", ui.Count(int64(f.l.N))+" values", "ISO 3534-1"
	return out
}

func (f figureOf) sd() *Figure {
	out := f.of("sd", "Standard deviation, overall", f.o.Unit, f.o.Decimals)
	out.Value, out.Formula, out.Inputs, out.Source = Number(f.l.SD), "sqrt(sum (x - mean)^2 / (n - 1))", ui.Count(int64(f.l.N))+" values", "ISO 3534-1"
	return out
}

func (f figureOf) cpm(mean float64, s capability.Sigma, blocked *capability.Interval) *Figure {
	out := f.of("cpm", "Cpm", "1", 2)
	v, err := capability.Cpm(mean, s.SD, f.o.Spec)
	if err != nil {
		out.Missing = err.Error()
		return out
	}
	out.Value = Number(v)
	if blocked != nil {
		f.interval(out, *blocked, 1)
	} else if i, err := capability.CpmInterval(mean, s.SD, s.N, f.o.Spec, confidence); err == nil {
		f.interval(out, i, 1)
	}
	t, _ := f.o.Spec.Middle()
	out.Formula, out.Source = "Cpm = (U - L) / (6 sqrt(s^2 + (mean - T)^2))", "Chan, Cheng and Spiring 1988"
	out.Inputs = fmt.Sprintf("mean %s, s %s, T %s, %s", f.o.show(mean), f.o.show(s.SD), ui.WithUnit(trim(t), f.o.Unit), f.o.limits())
	return out
}

// rateDecimals are as many as a rate is worth.
func rateDecimals(ppm float64) int {
	switch {
	case ppm == 0 || ppm >= 10 || math.IsNaN(ppm):
		return 0
	case ppm >= 1:
		return 1
	case ppm >= 0.1:
		return 2
	}
	return 3
}

// FamilyWords is a family in a sentence.
func FamilyWords(f fit.Family) string {
	switch f {
	case Empirical:
		return "values' own percentiles"
	case fit.LargestExtreme:
		return "largest extreme value distribution"
	case fit.Lognormal3:
		return "lognormal distribution with a threshold"
	case fit.FoldedNormal:
		return "folded normal distribution"
	case fit.JohnsonSU:
		return "Johnson SU distribution"
	case fit.JohnsonSB:
		return "Johnson SB distribution"
	case fit.Weibull, fit.Rayleigh:
		return strings.ToUpper(string(f[:1])) + string(f[1:]) + " distribution"
	}
	return string(f) + " distribution"
}

// parameters writes the fitted parameters: "location 135.4, scale 26.3".
func (o *CapabilityOf) parameters() string {
	if o.Fitted == nil {
		return ""
	}
	var out []string
	for _, e := range o.Fitted.Estimates {
		switch e.Unit {
		case fit.OfValues:
			out = append(out, e.Name+" "+o.show(e.Value))
		default:
			out = append(out, e.Name+" "+ui.Number(e.Value, 4))
		}
	}
	return strings.Join(out, ", ")
}

// Figures are all figures of a characteristic, in the order of the report.
func (o *CapabilityOf) Figures() []*Figure {
	var out []*Figure
	add := func(fs ...*Figure) {
		for _, f := range fs {
			if f != nil {
				out = append(out, f)
			}
		}
	}
	if o.Refused != "" {
		add(&Figure{ID: "ppk." + o.Name, Name: "Ppk", Of: o.Words + ", all panels", Unit: "1", Value: None, Lower: None, Upper: None, Decimals: 2, Missing: o.Refused})
		return out
	}
	add(o.Cp, o.Cpk, o.Pp)
	for _, l := range o.Lines {
		add(l.Ppk, l.Independent)
		if l.Key == "all" {
			add(o.Cpm)
		}
		add(l.Outside)
		if l.Mould == "" || l.Beyond > 0 { // of single moulds the sheet has the rest
			add(l.Observed)
		}
		if l.Mould == "" {
			add(l.MeanFigure, l.SDFigure)
		}
	}
	if o.Within.SD > 0 {
		add(&Figure{ID: "sd-within." + o.Name, Name: "Standard deviation, within", Of: o.Words, Unit: o.Unit, Value: Number(o.Within.SD), Lower: None, Upper: None, Decimals: o.Decimals,
			Formula: "sqrt(sum of squares inside each mould's shift or day / sum (n - 1))", Inputs: ui.Number(o.Within.DF, 0) + " degrees of freedom", Source: "ISO 22514-2; ASTM E2587"})
	}
	for i, p := range [3]string{"0.135", "50", "99.865"} {
		add(&Figure{ID: "x" + p + "." + o.Name, Name: "Point below which " + p + " % lie", Of: o.Words, Unit: o.Unit, Value: Number(o.Spread[i]), Lower: None, Upper: None, Decimals: o.Decimals,
			Formula: "quantile of the " + FamilyWords(o.Family), Inputs: strings.TrimPrefix(o.parameters()+", "+ui.Count(int64(o.Lines[0].N))+" values", ", "), Source: "ISO 22514-2, percentile method"})
	}
	if o.Parts != nil {
		for _, p := range o.Parts.Components {
			add(o.partFigure(p.Name, p.SD, p.Interval.Lower, p.Interval.Upper, string(p.Interval.Method)))
		}
	}
	add(o.Tests...)
	return out
}

func (o *CapabilityOf) partFigure(name string, sd, lower, upper float64, method string) *Figure {
	return &Figure{ID: "sd-" + strings.ReplaceAll(name, " ", "-") + "." + o.Name, Name: "Standard deviation between " + partWords(name), Of: o.Words, Unit: o.Unit, Value: Number(sd), Lower: Number(math.Sqrt(max(0, lower))), Upper: Number(math.Sqrt(max(0, upper))), Level: confidence,
		Decimals: o.Decimals, Method: partMethod(method), Formula: "square root of the variance component by restricted maximum likelihood: value = mean + mould + shift (day) + both + panel", Inputs: ui.Count(int64(o.Parts.N)) + " values", Source: "Searle, Casella, McCulloch 1992, chapter 6"}
}

// partWords names the source of a variance component.
func partWords(name string) string {
	switch name {
	case "mould":
		return "moulds"
	case "shift":
		return "shifts"
	case "day":
		return "days"
	case "panel":
		return "panels of one mould and shift or day"
	}
	return "changes of single moulds from shift to shift"
}

// partMethod names the method of a component's interval as the trade does.
func partMethod(method string) string {
	if method == string(components.LogWald) {
		return "normal approximation on the logarithm of the variance (Wald)"
	}
	return method
}
