package page

import (
	"sagwatch/web/plot"
	"sagwatch/web/ui"
)

// Capability shows how a press keeps a product's specification in a period.
type Capability struct {
	Frame     ui.Frame
	Statement ui.Statement
	Issue     *CapabilityIssue // nil: who looks may not issue, or there is nothing
	Files     []ui.Act         // the figures as files, not issued
	MayNot    string
	Ask       CapabilityAsk
	Parts     []CapabilityPart
	Rests     []ui.Fact
	Cautions  []string
}

// CapabilityIssue is the button that issues what is shown as a report: the question goes with it.
type CapabilityIssue struct {
	Action string
	Label  string // "Issue the report as M. Okafor"
	Hidden []ui.Input
}

// CapabilityAsk is the form that asks.
type CapabilityAsk struct {
	Problems ui.Problems
	Fields   []ui.Input
	Quick    []ui.Run // "this week", "last month"
	More     []ui.Input
	Open     bool // what is seldom asked for is open
}

// CapabilityPart is one characteristic.
type CapabilityPart struct {
	ID, Head   string
	Each       string // "shift", "day"
	Refused    string // why there is no index; then nothing else is there
	StableHead string
	StableText string
	Means      plot.Chart
	ModelHead  string
	ModelText  string
	Spread     plot.Histogram
	Quantiles  *plot.Quantiles
	MouldsHead string
	MouldsText string
	Moulds     plot.Intervals
	Indices    *plot.Intervals
	Intervals  []ui.Table
	Shares     ui.Table // variance components; without rows where there are none
	Figures    ui.Table
}

// twice is a drawing for a wide page and for a phone.
type twice interface {
	Wide() string
	Phone() string
}

func (m Capability) action() string {
	if m.Issue == nil {
		return "/capability"
	}
	return m.Issue.Action
}

// within names the short time of Cp and Cpk.
func (p CapabilityPart) within() string {
	if p.Each == "" {
		return "shifts"
	}
	return p.Each + "s"
}
