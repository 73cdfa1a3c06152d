package monitor

import (
	"time"

	"sagwatch/spc"
)

// Observation is one measurement that counts: a production measurement in press order, or a master check in gauge
// order.
type Observation struct {
	Key         spc.OrderKey // places it; Key.LineAt is the time on every chart, Key.Panel the serial
	Measurement int64
	Press       string
	Product     string
	Mould       string // "": none; then it is in no cycle and on no mould's chart
	Lane        string
	Cycle       int64  // spc.NoCycle when absent
	Excluded    string // the reason for which it is left out of limits, rules and cycles; "" when it is not
	// Values and Characteristics hold what charts name; a characteristic of either that is absent, or not finite, makes
	// no point.
	Values          spc.Values
	Characteristics map[string]float64
	Counts          map[string]spc.Count // of charts of counts
}

// Config is everything beside the observations that a fold depends on.
type Config struct {
	Site   string
	Press  *spc.Press // nil for a gauge's master charts
	Gauge  string     // set when Press is nil
	Charts []spc.Chart
	// Posted limits and Events of any chart and press: those of others are passed over.
	Posted []spc.PostedLimits
	Events []spc.Event
}

// Point is one charted point. The Trace functions get it when it is final; Pending lists those that are not.
type Point struct {
	Chart, Stream string
	Phase         int // from 1
	At            time.Time
	Panel         string // of a cycle: its last panel
	Measurement   int64
	Value         float64
	MR            float64 // moving range: |value - value before|
	HasMR         bool    // false at the start of a phase, at new limits and after an excluded point
	N             int     // panels in it: 1, those of a cycle that entered, the number inspected or of units
	Complete      bool    // every mould of the press is in it; always true of a single panel
	// Limits hold for this very point (for its N), Source says where they come from: "" while there are none.
	Limits   spc.Limits
	MRLimits spc.Limits // upper limit and centre of the moving range
	Source   spc.LimitSource
	Spread   *Spread // of subgroups
	// Have and Need count towards provisional limits while Source is "" or guard; else both are 0. Need is 0 too for a
	// point that never was judged because posted limits came first.
	Have, Need int
	Hits       []Hit
	Excluded   string
	// Hollow is true of the cycle that is not known to be over: it is judged by nothing.
	Hollow bool
}

// Jumped is the rule of a moving range beyond its upper limit. It marks the point and joins the evidence of a signal
// that is open; it opens none and keeps none open. See the package comment.
const Jumped = "jumped"

// Hit is one rule completed by a point.
type Hit struct {
	Rule  string // key of the rule, or Jumped
	Words string // "beyond upper limit"
	Back  int    // points from the oldest that made it to this one, both included; excluded points are not counted
	// Mask says which points made it: bit i is the judged point i back, bit 0 this one.
	Mask uint64
}

// LimitsInForce says from which point which limits hold for a stream, and how they came to be.
type LimitsInForce struct {
	Chart       string          `json:"chart"`
	Stream      string          `json:"stream"`
	Phase       int             `json:"phase"`
	Source      spc.LimitSource `json:"source"`
	From        time.Time       `json:"from"` // first point that they judge
	FromPanel   string          `json:"from_panel"`
	Measurement int64           `json:"measurement"`
	// KnownAt is the line time of the point that brought them into being (the last of a provisional baseline).
	KnownAt time.Time `json:"known_at"`
	// Limits of a point of full size (a complete cycle), and of its moving range; LimitsByN those of a cycle of that
	// many panels, from index 0; nil for single panels.
	Limits   spc.Limits `json:"limits"`
	MRLimits spc.Limits `json:"mr_limits"`
	// SpreadLimits are those of the spread inside a subgroup.
	SpreadLimits spc.Limits   `json:"spread_limits,omitzero"`
	LimitsByN    []spc.Limits `json:"limits_by_n,omitempty"`
	// The baseline: points used, their time range, lag-1 autocorrelation, standard deviation from moving ranges and over
	// all, n-1 denominator (of the logarithms where Log is true; of cycles: inside the cycles and of the cycle effects).
	N            int       `json:"n"`
	BaselineFrom time.Time `json:"baseline_from,omitzero"`
	BaselineTo   time.Time `json:"baseline_to,omitzero"`
	Lag1         float64   `json:"lag1"`
	Lag1Band     float64   `json:"lag1_band"` // half width; 0: not worked out
	Lag1Found    bool      `json:"lag1_found"`
	SigmaWithin  float64   `json:"sigma_within"`
	SigmaOverall float64   `json:"sigma_overall"`
	Log          bool      `json:"log,omitempty"`
	// Centres of the moulds, for cycle charts, in the order of the press; NaN never: a mould without one is absent.
	Centres []MouldCentre `json:"centres,omitempty"`
	// Notes are sentences that the page must print beside the limits.
	Notes []string `json:"notes,omitempty"`
	// Refused says why there are no limits after all; then Limits is empty.
	Refused string `json:"refused,omitempty"`
	// Reason, By and Revision of posted limits.
	Reason   string `json:"reason,omitempty"`
	By       string `json:"by,omitempty"`
	Revision int    `json:"revision,omitempty"`
}

// MouldCentre is a mould's own level in a phase, in the characteristic's unit.
type MouldCentre struct {
	Mould  string  `json:"mould"`
	Centre float64 `json:"centre"`
}

// Finding is a signal with what a keeper of signals must know beside it.
type Finding struct {
	spc.Signal
	// Hits counts all hits, also those no longer in Evidence.
	Hits int
	// Found is the place of the observation that brought it up: later than its first panel for a cycle, and for a point of a
	// provisional baseline. A re-fold from a checkpoint before Found finds it again or withdraws it.
	Found spc.OrderKey
}
