package spc

// Cause is why a signal came, as the plant names it, with the reaction plan that goes with it. Each change is a revision;
// a cause is retired, never deleted.
type Cause struct {
	ID        string `json:"id"`
	Name      string `json:"name"`                 // "Cooling of one mould blocked or set wrong"
	LooksLike string `json:"looks_like,omitempty"` // on the readings, in a sentence
	Fits      Fits   `json:"fits"`
	// Plan is the checklist that people work through, in its order.
	Plan    []string `json:"plan"`
	Retired bool     `json:"retired,omitempty"`
}

// Action is what was done about a cause, as the plant names it.
type Action struct {
	ID      string `json:"id"`
	Name    string `json:"name"` // "Cooling cleaned or set right"
	Retired bool   `json:"retired,omitempty"`
}

// Fits says which findings a cause would explain. An empty member leaves that side open.
type Fits struct {
	Kind            string   `json:"kind,omitempty"`            // one of SignalKinds without undetermined
	Extents         []string `json:"extents,omitempty"`         // of SignalExtents
	Changes         []string `json:"changes,omitempty"`         // of SignalChanges
	Characteristics []string `json:"characteristics,omitempty"` // computed ones, or a product's own
}

// OtherCause stands in place of an id for a cause or an action that is not on the plant's list but in the words of whoever
// closed the signal.
const OtherCause = "other"

// Words with which a signal is diagnosed.
var (
	SignalKinds   = []string{KindGlass, KindGauge, KindUndetermined}
	SignalExtents = []string{ExtentOneStream, ExtentSeveralStreams, ExtentOneLane, ExtentAllStreams, ExtentOneProbe, ExtentWholeGauge}
	SignalChanges = []string{ChangeStep, ChangeDrift, ChangeSpread}
)
