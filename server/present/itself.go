package present

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"sagwatch/spc"
	"sagwatch/spc/monitor"
	"sagwatch/web/ui"
)

// multiple writes how many standard deviations limits lie from the centre.
func multiple(c spc.Chart) string {
	k, err := monitor.Multiple(c)
	switch {
	case err != nil:
		return "so many"
	case math.Abs(k-3) < 1e-9:
		return "three"
	}
	return ui.Number(k, 2)
}

// RuleWords says in words what makes a point signal.
func RuleWords(rules []spc.RuleSetting) string {
	if len(rules) == 0 {
		rules = []spc.RuleSetting{{Key: "beyond-limits"}}
	}
	usual := func(r spc.RuleSetting, n int) string {
		if r.Count > 0 {
			n = r.Count
		}
		return ui.InWords(int64(n))
	}
	var out []string
	for _, r := range rules {
		switch r.Key {
		case "beyond-limits":
			out = append(out, "it lies beyond a limit")
		case "run-one-side":
			out = append(out, usual(r, 9)+" in a row lie on one side of the centre")
		case "trend":
			out = append(out, usual(r, 6)+" in a row rise or fall")
		case "alternating":
			out = append(out, usual(r, 14)+" go up and down by turns")
		case "two-of-three-beyond-2s":
			out = append(out, "two of three lie beyond two thirds of the way to one limit")
		case "four-of-five-beyond-1s":
			out = append(out, "four of five lie beyond a third of the way to one limit")
		case "fifteen-within-1s":
			out = append(out, usual(r, 15)+" in a row lie within a third of the way to the limits")
		case "eight-outside-1s":
			out = append(out, usual(r, 8)+" in a row lie outside a third of the way to the limits")
		default:
			out = append(out, strings.ReplaceAll(r.Key, "-", " "))
		}
	}
	return "A point signals when " + orList(out) + "."
}

func orList(words []string) string {
	if n := len(words); n > 1 {
		return strings.Join(words[:n-1], ", ") + " or when " + words[n-1]
	}
	return strings.Join(words, "")
}

// Itself is what a chart says of itself: where its limits come from, how neighbours hang together, what signals, how often falsely.
func Itself(v View, c spc.Chart, press *spc.Press, log []monitor.LimitsInForce) []ui.Sentence {
	one, many := thing(c)
	var out []ui.Sentence
	say := func(format string, a ...any) { out = append(out, ui.Say(fmt.Sprintf(format, a...))) }
	if n := len(log); n > 0 {
		l := log[n-1]
		switch {
		case l.Refused != "":
			say("There are no limits: %s", l.Refused)
		case l.N == 0:
			say("The limits are given, not worked out from a baseline: %s.", strings.TrimSuffix(l.Reason, "."))
		default:
			how := "the limits are those of a cycle as an individual, from the variation from cycle to cycle"
			switch {
			case c.Kind == spc.BetweenWithin:
				how = "the limits are those of the means as individuals, and of the spread inside the subgroups"
			case c.Kind == spc.IntervalChart:
				how = "the limits are those of rejects that come at random"
			case c.Kind.OfCounts() && c.Adjusted:
				how = "the limits are those of counts that vary as much as these do"
			case c.Kind.OfCounts():
				how = "the limits are those of counts that vary by chance alone"
			case ofSubgroups(c.Kind):
				how = "the limits follow from the spread inside the subgroups"
			case allTerms(c.Kind):
				how = "means and covariances of the terms are those of the baseline"
			case c.Kind == spc.Group:
				how = "the limits are those of the farthest of so many moulds from their own mean"
			case overTime(c.Kind):
				how = "centre and standard deviation of its points are those of the baseline"
			case c.Kind == spc.CycleSpread:
				how = "the limits are those of a standard deviation of so many panels"
			case c.Kind == spc.Individuals && l.Lag1Found:
				how = "the limits are " + multiple(c) + " standard deviations of the baseline either side of its mean"
			case c.Kind == spc.Individuals:
				how = "the limits are " + multiple(c) + " standard deviations either side of the mean, worked out from the changes from each " + one + " to the next"
			}
			if l.Log && !allTerms(c.Kind) && !overTime(c.Kind) && c.Kind != spc.Group {
				how = "the limits are worked out on logarithms"
			}
			say("From a baseline of %s, pressed %s to %s, %s.", ui.Plural(int64(l.N), one, many), v.Moment(l.BaselineFrom), v.Moment(l.BaselineTo), how)
		}
		told := slices.ContainsFunc(l.Notes, func(note string) bool { return strings.Contains(note, "correlated") })
		if l.Lag1Band > 0 && !told {
			words := "neighbours hardly resemble each other"
			if l.Lag1Found {
				words = "neighbours resemble each other"
			}
			say("In the baseline %s: the lag-1 correlation is %s; chance alone stays within %s.", words, ui.Number(l.Lag1, 2), ui.Number(l.Lag1Band, 2))
		}
		for _, note := range l.Notes {
			out = append(out, ui.Say(readable(note)))
		}
	}
	if c.OfCycles() {
		say("Each mould's own level is taken off before the panels of a cycle are compared, so that a missing mould does not shift the point.")
	}
	say("%s", RuleWords(c.Rules))
	if c.Quiet {
		say("It shows where each stream is. Points beyond its limits are marked and open no signals: those of the cycle mean and of the moulds against their cycle do.")
		return out
	}
	if c.Standard && press != nil && press.FalseSignals > 0 {
		say("All standard charts of press %s together: %s false points in a shift of eight hours when nothing is wrong, fewer once they are merged into signals.", press.ID, ui.Number(press.FalseSignals, 1))
	}
	if !c.Standard {
		say("This chart was made by hand and stands outside the press's budget of false signals.")
	}
	return out
}

func onlyBeyond(rules []spc.RuleSetting) bool {
	return len(rules) == 0 || len(rules) == 1 && rules[0].Key == "beyond-limits"
}
