package report

import (
	"fmt"
	"math"

	"sagwatch/spc"
	"sagwatch/spc/capability"
	"sagwatch/store"
	"sagwatch/web/ui"
)

// standing is how far the figures of a characteristic may be trusted, the worst last.
type standing int

const (
	supported   standing = iota
	misfit               // the distribution does not follow the outermost values
	provisional          // no chart of it has limits that were frozen
	signalOpen           // a signal that nobody has acknowledged
	notShown             // nothing shows that it was stable
	tooFew
	notStable
	noIndex
)

// misfits is true where the model's index differs from that of the values' own percentiles.
func (o *CapabilityOf) misfits() bool {
	l := o.All()
	if l == nil || !l.Ppk.Value.Has() || !o.HasOwn || o.By == capability.ByPercentiles {
		return false
	}
	model := float64(l.Ppk.Value)
	return math.Abs(o.Own.CK-model) > tailsDiffer*math.Max(math.Abs(model), 0.1)
}

// open counts signals that nobody has acknowledged, outside what was left out.
func (o *CapabilityOf) open() int {
	n := 0
	for _, s := range o.CapabilityInput.Evidence.Signals {
		if s.State == store.SignalOpen && !s.Explained {
			n++
		}
	}
	return n
}

// frozen is true where a chart of it has limits that somebody froze.
func (o *CapabilityOf) frozen() bool {
	for _, c := range o.CapabilityInput.Evidence.Charts {
		if c.Source == spc.Frozen {
			return true
		}
	}
	return false
}

// standing is the worst that is known of the characteristic's figures.
func (o *CapabilityOf) standing() standing {
	l := o.All()
	switch {
	case o.Refused != "" || l == nil || !l.Ppk.Value.Has():
		return noIndex
	case !o.Grade.Stable && o.Evidence.Limits:
		return notStable
	case l.N < fewValues:
		return tooFew
	case !o.Grade.Stable:
		return notShown
	case o.open() > 0:
		return signalOpen
	case !o.frozen():
		return provisional
	case o.misfits():
		return misfit
	}
	return supported
}

// doubtWords say in a few words what a standing is; "" where the figures are supported.
func (s standing) doubtWords() string {
	return [...]string{"", "the distribution does not follow the outermost values", "control limits are provisional only", "a signal is open", "nothing shows a stable process", "too few panels", "the process was not stable", "there is no index"}[s]
}

// support says what would support the figures as an index of capability.
func (o *CapabilityOf) support() string {
	switch o.standing() {
	case misfit:
		return "another distribution, chosen with a reason, or panels of one mould and one gauge only"
	case provisional:
		return "limits that an engineer freezes from a stable stretch before the period"
	case signalOpen:
		return fmt.Sprintf("%s explained: acknowledge each, and remove its cause or leave its stretch out with the reason", plural(o.open(), "the open signal", "the "+ui.InWords(int64(o.open()))+" open signals"))
	case notShown:
		return "a control chart of it with limits frozen before the period"
	case tooFew:
		return fmt.Sprintf("a longer period, with %d panels at least", fewValues)
	case notStable:
		return "the causes of the signals found and removed, or their stretches left out of Cp and Cpk with the reason"
	case noIndex:
		return "values that vary, in a period or with a distribution that fits them"
	}
	return ""
}

// worst is the worst standing of all characteristics.
func (c *Capability) worst() standing {
	worst := supported
	for _, o := range c.Worked {
		worst = max(worst, o.standing())
	}
	return worst
}

// supports says for every characteristic whose figures are not supported what would support them, like ones together.
func (c *Capability) supports() string {
	var order []string
	of := map[string][]string{}
	for _, o := range c.Worked {
		if s := o.support(); s != "" {
			if of[s] == nil {
				order = append(order, s)
			}
			of[s] = append(of[s], o.Words)
		}
	}
	out := ""
	for i, s := range order {
		if i > 0 {
			out += "; "
		}
		out += "of the " + listWords(of[s]) + ", " + s
	}
	if out == "" {
		return ""
	}
	return "What would support an index: " + out + "."
}
