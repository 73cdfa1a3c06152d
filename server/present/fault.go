package present

import (
	"strconv"

	"sagwatch/spc"
	"sagwatch/web/ui"
)

// told says what the panels tell about a fault: glass or gauge, how far, since when; each with its doubt.
func told(v View, f *spc.Fault) []ui.Sentence {
	d := f.Diagnosis
	if d == nil {
		return nil
	}
	percent := func(p float64) string { return strconv.Itoa(int(100*p)) + " %" }
	var out []ui.Sentence
	switch d.Kind {
	case spc.KindGlass, spc.KindGauge:
		out = append(out, ui.Say("It lies in the "+d.Kind+" ("+percent(d.KindProbability)+")."))
	default:
		out = append(out, ui.Say("Glass or gauge is not settled: measure the master, or turn one panel by half a turn and measure it twice; what turns with the panel is glass."))
	}
	where := ExtentWords(d.Extent)
	if d.Extent != spc.ExtentAllStreams && d.Extent != spc.ExtentWholeGauge { // those name no more than the press or the gauge
		var names []string
		for _, s := range d.Streams {
			names = append(names, StreamName(s))
		}
		where = list(names)
	}
	if d.ExtentShare > 0 {
		where += " (" + percent(d.ExtentShare) + ")"
	}
	what := map[string]string{spc.ChangeDrift: "a drift", spc.ChangeSpread: "a wider scatter"}[d.Change]
	if what == "" {
		what = "a step"
	}
	since := "It concerns " + where + ": " + what + " since " + v.Moment(d.Began) + "; the 99 % set of its start is from " + v.Moment(d.Earliest) + " to " + v.Moment(d.Latest) + "."
	if d.Open {
		since += " It may have begun before the panels looked at."
	}
	if n := len(f.Also); n > 0 {
		since += " " + Capital(ui.Plural(int64(n), "other chart or mould shows", "other charts or moulds show")) + " it too."
	}
	switch {
	case d.Persists:
		since += " The charts have come back, the panels have not."
	case !d.Returned.IsZero():
		since += " The panels were back by " + v.Moment(d.Returned) + "."
	}
	return append(out, ui.Say(since))
}
