package spc

import "time"

// Kinds of a fault: where it lies.
const (
	KindGlass        = "glass"
	KindGauge        = "gauge"
	KindUndetermined = "undetermined"
)

// Extents of a fault.
const (
	ExtentOneStream      = "one-stream"
	ExtentSeveralStreams = "several-streams"
	ExtentOneLane        = "one-lane"
	ExtentAllStreams     = "all-streams"
	ExtentOneProbe       = "one-probe"
	ExtentWholeGauge     = "whole-gauge"
)

// Courses of a change.
const (
	ChangeStep   = "step"
	ChangeDrift  = "drift"
	ChangeSpread = "spread"
)

// Diagnosis is what the panels, up to those of AsOf, say about a fault: glass or gauge, how far it reaches, since when.
type Diagnosis struct {
	AsOf time.Time `json:"as_of"` // line time of the last panel looked at
	Due  time.Time `json:"due"`   // line time for which it was asked
	// Characteristic is the one looked at, Size by how much it changed (a drift: so far), in its own unit, with standard error.
	Characteristic string  `json:"characteristic"`
	Size           float64 `json:"size"`
	SizeSE         float64 `json:"size_se"`
	// Kind is glass or gauge where that has a probability of at least 0.8, else undetermined; KindProbability is that of
	// the likelier of the two.
	Kind            string  `json:"kind"`
	KindProbability float64 `json:"kind_probability"`
	// Extent is the likeliest, ExtentShare the probability that it is this extent and these streams.
	Extent      string   `json:"extent"`
	ExtentShare float64  `json:"extent_share"`
	Streams     []string `json:"streams"` // "mould:7", "lane:2", "press:A", "probe:31", "gauge:CG-1"
	Change      string   `json:"change"`
	// Began is the line time of the first panel concerned, by maximum likelihood; Earliest and Latest bound the 99 % set
	// of the start, Earliest95 and Latest95 the 95 % set, Earliest at the beginning of its cycle.
	Began      time.Time `json:"began"`
	BeganPanel string    `json:"began_panel"`
	Earliest   time.Time `json:"earliest"`
	Latest     time.Time `json:"latest"`
	Earliest95 time.Time `json:"earliest_95"`
	Latest95   time.Time `json:"latest_95"`
	// EarliestMeasured is when the gauge measured the panel of Earliest.
	EarliestMeasured time.Time `json:"earliest_measured,omitzero"`
	// Open is true where the start may lie before the panels looked at.
	Open bool `json:"open,omitempty"`
	// Once the charts have come back: Returned is the line time by which the streams are back (upper end of the 99 % set), zero where
	// that cannot be told; Persists says that they are clearly not, although no point is beyond its limits.
	Returned time.Time `json:"returned,omitzero"`
	Persists bool      `json:"persists,omitempty"`
	Causes   []Weighed `json:"causes,omitempty"` // all that was weighed, by falling weight
	// Master is how the master's checks changed over the same time; nil where there is none before or none after.
	Master *MasterShift `json:"master,omitempty"`
	// From and To are the line times of the panels looked at, Cycles how many cycles they make.
	From   time.Time `json:"from"`
	To     time.Time `json:"to"`
	Cycles int       `json:"cycles"`
	Panels int       `json:"panels"`
	// Gauge is the gauge that measured the panels, where it was one.
	Gauge string `json:"gauge,omitempty"`
}

// Weighed is one kind of cause with its probability after the evidence; extent "none" is chance.
type Weighed struct {
	Extent  string   `json:"extent"`
	Streams []string `json:"streams,omitempty"`
	Weight  float64  `json:"weight"`
}

// MasterShift is the change of the master's checks beside that of the panels, in the characteristic's unit.
type MasterShift struct {
	Value  float64 `json:"value"`
	SE     float64 `json:"se"`
	Before int     `json:"before"` // checks
	After  int     `json:"after"`
}
