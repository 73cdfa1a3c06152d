package report

import (
	"fmt"
	"time"

	"sagwatch/spc"
	"sagwatch/spc/capability"
	"sagwatch/spc/fit"
)

// Bounds of a capability report.
const (
	capabilityMost     = 6      // characteristics
	capabilityRaw      = 20_000 // panels up to which the report carries every value
	capabilityDays     = 100    // longer periods are cut into days, not shifts
	capabilityLongest  = 400 * 24 * time.Hour
	capabilityPilot    = 2000 // values from which the grid is chosen
	capabilityBlockTop = 5000 // shifts or days
	capabilityWanted   = 1.33 // common practice, no source
	confidence         = 0.95
)

// CapabilityQuery is what a capability report is asked for; its period comes beside it, so that a schedule can ask again. A lot, from its
// first panel to its last, takes the place of the period.
type CapabilityQuery struct {
	Press           string                     `json:"press"`
	Product         string                     `json:"product"`
	Moulds          []string                   `json:"moulds,omitempty"`          // none: all
	Characteristics []string                   `json:"characteristics,omitempty"` // none: those with a specification
	FirstPanel      string                     `json:"first_panel,omitempty"`     // with LastPanel: a lot, both included
	LastPanel       string                     `json:"last_panel,omitempty"`
	Exclude         []CapabilityExclusion      `json:"exclude,omitempty"`
	Wanted          float64                    `json:"wanted,omitempty"` // index; 0: 1.33
	Models          map[string]CapabilityModel `json:"models,omitempty"` // by characteristic, where not the usual one
}

// CapabilityExclusion takes a stretch of line time out of Cp and Cpk, with its reason. Its panels count in all other figures.
type CapabilityExclusion struct {
	From   time.Time `json:"from"`
	To     time.Time `json:"to"` // exclusive
	Reason string    `json:"reason"`
}

// Empirical is the model of no model: percentiles of the values themselves.
const Empirical fit.Family = "empirical"

// CapabilityModel is a distribution that somebody chose instead of the usual one.
type CapabilityModel struct {
	Family fit.Family `json:"family"` // one of fit.Families, or Empirical
	Reason string     `json:"reason"`
}

// AskError says what is wrong with what was asked for.
type AskError struct{ Field, Say string }

// Error is the sentence.
func (e *AskError) Error() string { return e.Say }

func ask(field, format string, a ...any) error { return &AskError{field, fmt.Sprintf(format, a...)} }

// CapabilityInputs is everything that a capability report is made from.
type CapabilityInputs struct {
	Head
	Asked    CapabilityQuery   `json:"asked"`
	Each     string            `json:"each"` // what a block is: "shift" or "day"
	Blocks   []CapabilityBlock `json:"blocks"`
	Moulds   []string          `json:"moulds"` // in table order; streams of the grids by number
	Panels   int               `json:"panels"`
	LeftOut  int               `json:"left_out"` // of them, out of Cp and Cpk
	Cycles   int               `json:"cycles"`
	First    time.Time         `json:"first,omitzero"` // line times of the first and the last panel
	Last     time.Time         `json:"last,omitzero"`
	Gauges   []CapabilityGauge `json:"gauges"`
	Of       []CapabilityInput `json:"of"`
	Raw      []CapabilityRow   `json:"raw,omitempty"` // every panel, where there are few
	Notes    []string          `json:"notes,omitempty"`
	Behind   bool              `json:"behind,omitempty"` // the charts have not taken in the whole period yet
	Products []string          `json:"products,omitempty"`
}

// CapabilityBlock is a shift or a day.
type CapabilityBlock struct {
	From time.Time `json:"from"`
	Name string    `json:"name"` // "early shift"; "" for a day
	// LeftOut counts its panels that are out of Cp and Cpk; Reason is the first reason.
	Panels  int    `json:"panels"`
	LeftOut int    `json:"left_out,omitempty"`
	Reason  string `json:"reason,omitempty"`
}

// CapabilityGauge is a gauge that measured panels of the report.
type CapabilityGauge struct {
	ID         string  `json:"id"`
	Panels     int     `json:"panels"`
	Unit       string  `json:"unit"`
	Resolution float64 `json:"resolution,omitempty"`
	Masters    int     `json:"masters"`           // master checks in the period
	Outside    int     `json:"outside,omitempty"` // of them, that did not conform
	Worst      Number  `json:"worst_um"`
	// Studies are the newest with a result, by characteristic that it measured.
	Studies []CapabilityStudy `json:"studies,omitempty"`
}

// CapabilityStudy is what a gauge's newest finished study of a characteristic says of the gauge's own share.
type CapabilityStudy struct {
	Of           string    `json:"of"`
	Study        int64     `json:"study"` // 0: there is none
	State        string    `json:"state,omitempty"`
	At           time.Time `json:"at,omitzero"`     // of its last reading
	Lower        *float64  `json:"lower,omitempty"` // its tolerance
	Upper        *float64  `json:"upper,omitempty"`
	Percent      Number    `json:"percent"` // of the tolerance; none without a tolerance
	PercentLower Number    `json:"percent_lower"`
	PercentUpper Number    `json:"percent_upper"`
}

// CapabilityInput is one characteristic with its values as fine histograms, by mould and block.
type CapabilityInput struct {
	Name   string          `json:"name"`
	Unit   string          `json:"unit"`
	Spec   capability.Spec `json:"spec"`
	Kind   fit.Kind        `json:"kind"`
	Counts []OutsideCount  `json:"outside"` // exact, by mould
	Grid   capability.Grid `json:"grid"`    // what counts in every figure
	// LeftOut are panels out of Cp and Cpk, on the same grid.
	LeftOut  capability.Grid    `json:"left_out"`
	Exact    *CapabilityExact   `json:"exact,omitempty"`   // where there are more panels than the report carries one by one
	Lacking  int                `json:"lacking,omitempty"` // panels without this characteristic
	Evidence CapabilityEvidence `json:"evidence"`
}

// OutsideCount counts values of one mould beyond the limits of specification.
type OutsideCount struct {
	Below        int `json:"below"`
	Above        int `json:"above"`
	BelowCounted int `json:"below_counted"` // of them, that count in Cp and Cpk
	AboveCounted int `json:"above_counted"`
}

// CapabilityEvidence is what is known of a characteristic's stability.
type CapabilityEvidence struct {
	Charts  []CapabilityChart  `json:"charts"`
	Signals []CapabilitySignal `json:"signals"`
	More    bool               `json:"more,omitempty"` // there are more signals than are listed
	Covered float64            `json:"covered"`        // share of the period in which a chart had limits in force
	Points  int                `json:"points"`         // charted points
	Expect  float64            `json:"expect"`         // false signals expected among them by the limits' own probability
	Lag1    Number             `json:"lag1"`           // correlation of neighbouring cycles, left-out ones aside
	Band    float64            `json:"band"`
	LagN    int                `json:"lag_n"`
}

// CapabilityChart is a chart of the characteristic with its limits at the end of the period.
type CapabilityChart struct {
	ID       string          `json:"id"`
	Kind     spc.ChartKind   `json:"kind"`
	Stream   string          `json:"stream"`
	From     time.Time       `json:"from"` // since when the limits are in force
	Source   spc.LimitSource `json:"source"`
	Revision int             `json:"revision,omitempty"` // of limits that a person posted
	By       string          `json:"by,omitempty"`
	Limits   spc.Limits      `json:"limits"`
}

// CapabilitySignal is a signal of one of the charts in the period.
type CapabilitySignal struct {
	ID        string    `json:"id"`
	Chart     string    `json:"chart"`
	Stream    string    `json:"stream"`
	At        time.Time `json:"at"`
	Words     string    `json:"words"`
	State     string    `json:"state"`
	Explained bool      `json:"explained,omitempty"` // it lies in a stretch that was left out
	Points    int       `json:"points,omitempty"`    // beyond the limits in the period, as far as they are kept
}

// CapabilityRow is one panel.
type CapabilityRow struct {
	Panel   string    `json:"panel"`
	Mould   int       `json:"mould"`
	Block   int       `json:"block"`
	At      time.Time `json:"at"`
	LeftOut bool      `json:"left_out,omitempty"`
	Values  []Number  `json:"values"` // by characteristic
}
