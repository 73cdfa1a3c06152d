package changepoint

import (
	"fmt"
	"strings"
)

// CauseKind says what has changed.
type CauseKind string

// Kinds of causes.
const (
	NoCause     CauseKind = "none"            // chance
	OneStream   CauseKind = "one-stream"      // one mould
	SomeStreams CauseKind = "several-streams" // more than one mould, not all
	AllStreams  CauseKind = "all-streams"     // the press, the plunger, the glass
	OneLane     CauseKind = "one-lane"        // a lane of the lehr, whatever the mould
	OneProbe    CauseKind = "one-probe"       // the same place of the gauge on every mould
	WholeGauge  CauseKind = "whole-gauge"     // every stream, and the master with them
)

// Gauge is true where the glass has not changed.
func (k CauseKind) Gauge() bool { return k == OneProbe || k == WholeGauge }

// Cause is a kind with what it names.
type Cause struct {
	Kind    CauseKind `json:"kind"`
	Streams []string  `json:"streams,omitempty"` // OneStream, SomeStreams
	Lane    string    `json:"lane,omitempty"`    // OneLane
	Probe   int       `json:"probe,omitempty"`   // OneProbe: place of the gauge, from 1
}

// String names the cause in a few words.
func (c Cause) String() string {
	switch c.Kind {
	case OneStream:
		return "one mould (" + strings.Join(c.Streams, ", ") + ")"
	case SomeStreams:
		return "some moulds (" + strings.Join(c.Streams, ", ") + ")"
	case AllStreams:
		return "all moulds"
	case OneLane:
		return "one lane (" + c.Lane + ")"
	case OneProbe:
		return fmt.Sprintf("one probe (%d)", c.Probe)
	case WholeGauge:
		return "the gauge"
	}
	return "no change"
}
