package spc

import (
	"slices"
	"time"
)

// ChartKind names what a chart draws.
type ChartKind string

// Chart kinds that a set-up file may name.
const (
	Individuals   ChartKind = "individuals"
	MeanRange     ChartKind = "mean-range"
	MeanSD        ChartKind = "mean-sd"
	MedianRange   ChartKind = "median-range"
	BetweenWithin ChartKind = "between-within"
	CycleMean     ChartKind = "cycle-mean"
	CycleSpread   ChartKind = "cycle-spread"
	Group         ChartKind = "group"
	EWMAChart     ChartKind = "ewma"
	CUSUMChart    ChartKind = "cusum"
	ChangePoint   ChartKind = "change-point"
	TSquared      ChartKind = "t2"
	MEWMA         ChartKind = "mewma"
	PChart        ChartKind = "p"
	NPChart       ChartKind = "np"
	CChart        ChartKind = "c"
	UChart        ChartKind = "u"
	IntervalChart ChartKind = "interval"
)

// ChartKinds lists every kind that a set-up file may name.
var ChartKinds = []ChartKind{Individuals, MeanRange, MeanSD, MedianRange, BetweenWithin, CycleMean, CycleSpread, Group,
	EWMAChart, CUSUMChart, ChangePoint, TSquared, MEWMA, PChart, NPChart, CChart, UChart, IntervalChart}

// WorkedOut is true for the kinds that this release computes; charts of another are kept as defined and drawn by nothing.
func (k ChartKind) WorkedOut() bool { return slices.Contains(ChartKinds, k) }

// OfCounts is true of kinds that chart counts of rejects or defects; their characteristic is the name of the count.
func (k ChartKind) OfCounts() bool {
	switch k {
	case PChart, NPChart, CChart, UChart, IntervalChart:
		return true
	}
	return false
}

// OfCycles is true of charts whose points are the cycles of a press, not single panels: the cycle charts, and those of a whole
// press that gather over points or chart several terms at once (by press, or by nothing).
func (c Chart) OfCycles() bool {
	switch c.Kind {
	case CycleMean, CycleSpread, Group:
		return true
	case EWMAChart, CUSUMChart, ChangePoint, TSquared, MEWMA:
		return c.Press != "" && (c.By == "" || c.By == "press")
	}
	return false
}

// RuleSetting switches one run rule on; Count 0 means its usual count.
type RuleSetting struct {
	Key   string `json:"key"`
	Count int    `json:"count,omitempty"`
}

// LimitRule says where a chart's limits come from: K sigma, a two-sided tail Probability, or given values.
type LimitRule struct {
	K           float64 `json:"k,omitempty"`
	Probability float64 `json:"probability,omitempty"`
	ARL0        float64 `json:"arl0,omitempty"` // wanted in-control run length in points
	// Side is "upper" for a chart without a lower limit (less is never a fault), "lower" for one without an upper, "" for both.
	Side   string   `json:"side,omitempty"`
	Lower  *float64 `json:"lower,omitempty"`
	Centre *float64 `json:"centre,omitempty"`
	Upper  *float64 `json:"upper,omitempty"`
}

// EWMA sets an exponentially weighted moving average: weight Lambda in (0, 1], limits at L standard deviations.
type EWMA struct {
	Lambda float64 `json:"lambda"`
	L      float64 `json:"l"`
}

// CUSUM sets a tabular cumulative sum in standard deviations: reference value K, decision interval H.
type CUSUM struct {
	K         float64 `json:"k"`
	H         float64 `json:"h"`
	HeadStart float64 `json:"head_start,omitempty"`
}

// Chart is the definition of one chart; By is mould, press, lane, gauge or probe.
type Chart struct {
	ID             string        `json:"id"`
	Press          string        `json:"press,omitempty"`
	Gauge          string        `json:"gauge,omitempty"`
	Product        string        `json:"product,omitempty"`
	Characteristic string        `json:"characteristic"`
	Kind           ChartKind     `json:"kind"`
	By             string        `json:"by,omitempty"`
	Subgroup       int           `json:"subgroup,omitempty"`
	EWMA           *EWMA         `json:"ewma,omitempty"`
	CUSUM          *CUSUM        `json:"cusum,omitempty"`
	Limits         LimitRule     `json:"limits"`
	Rules          []RuleSetting `json:"rules"`
	Baseline       int           `json:"baseline,omitempty"` // points of provisional limits; 0: 200, of charts of counts 25
	Adjusted       bool          `json:"adjusted,omitempty"` // charts of counts: limits for the variation that the counts really have
	// Standard is true for charts of the standard set.
	Standard bool `json:"standard,omitempty"`
	// Quiet charts judge and mark their points, but open no signals.
	Quiet   bool `json:"quiet,omitempty"`
	Retired bool `json:"retired,omitempty"`
}

// LimitSource says how limits came to be.
type LimitSource string

// Sources of limits.
const (
	Provisional LimitSource = "provisional"
	Frozen      LimitSource = "frozen"
	Guard       LimitSource = "guard" // the previous phase's spread about the new centre; guards beyond-limits only
)

// Limits are a chart's limits for one stream, in the characteristic's unit.
type Limits struct {
	Lower     float64 `json:"lower"`
	Centre    float64 `json:"centre"`
	Upper     float64 `json:"upper"`
	HasLower  bool    `json:"has_lower"`
	HasUpper  bool    `json:"has_upper"`
	HasCentre bool    `json:"has_centre"`
	Sigma     float64 `json:"sigma"` // standard deviation of one plotted point
}

// PostedLimits are limits that an engineer froze or gave, in force for points from EffectiveFrom on.
type PostedLimits struct {
	Chart         string    `json:"chart"`
	Stream        string    `json:"stream"` // "" for every stream worked out from the baseline
	BaselineFrom  time.Time `json:"baseline_from,omitzero"`
	BaselineTo    time.Time `json:"baseline_to,omitzero"`
	Given         *Limits   `json:"given,omitempty"`
	EffectiveFrom time.Time `json:"effective_from"`
	Reason        string    `json:"reason"`
	By            string    `json:"by"`
	At            time.Time `json:"at"`
	Revision      int       `json:"revision"`
}

// Event is something that happened to a press or gauge and that begins a phase or explains a chart.
type Event struct {
	ID    int64     `json:"id"`
	Press string    `json:"press,omitempty"`
	Gauge string    `json:"gauge,omitempty"`
	Kind  string    `json:"kind"` // mould-change | plunger-change | product-change | stop | start | gauge-service | note
	At    time.Time `json:"at"`
	Mould string    `json:"mould,omitempty"`
	Text  string    `json:"text,omitempty"`
	By    string    `json:"by,omitempty"`
}

// Exclusion takes one measurement's points out of charts (never out of the table), with a reason.
type Exclusion struct {
	Measurement int64  `json:"measurement"`
	Reason      string `json:"reason"`
	By          string `json:"by"`
}

// Signal is one chart's finding on one stream, with the points that made it.
type Signal struct {
	ID          string    `json:"id"` // hash of (site, chart, stream, phase, first signalling panel)
	Press       string    `json:"press,omitempty"`
	Gauge       string    `json:"gauge,omitempty"`
	Product     string    `json:"product,omitempty"`
	Chart       string    `json:"chart"`
	Stream      string    `json:"stream"`
	Phase       int       `json:"phase"`
	Rule        string    `json:"rule"`  // the first rule that fired
	Words       string    `json:"words"` // "beyond lower limit"
	Panel       string    `json:"panel"` // first signalling panel (the last of its cycle for a cycle chart)
	Measurement int64     `json:"measurement"`
	At          time.Time `json:"at"`       // line time of that panel
	FoundAt     time.Time `json:"found_at"` // line time of the panel that brought it up: later than At for a cycle or a provisional baseline
	LastPanel   string    `json:"last_panel"`
	LastAt      time.Time `json:"last_at"`
	Ended       bool      `json:"ended"`             // the series has come back: a full rule window without a hit
	EndedAt     time.Time `json:"ended_at,omitzero"` // line time of the point that showed it
	// EndKnownAt is the line time of the panel that brought that up: later for a point of a cycle or a baseline.
	EndKnownAt time.Time `json:"end_known_at,omitzero"`
	// Value, Limits at the first signalling point.
	Value    float64    `json:"value"`
	Limits   Limits     `json:"limits"`
	Evidence []Evidence `json:"evidence"`
}

// Evidence is one rule's hit: the points that made it, oldest first.
type Evidence struct {
	Rule   string    `json:"rule"`
	Words  string    `json:"words"`
	At     time.Time `json:"at"`
	Panels []string  `json:"panels"`
	Value  float64   `json:"value"`
}
