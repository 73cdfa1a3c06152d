package store

import (
	"time"

	"sagwatch/spc"
)

// States of a measurement.
const (
	Current    = "current"
	Superseded = "superseded" // a correction took its place
	Voided     = "void"
)

// Row is one measurement with what was worked out from it.
type Row struct {
	spc.Measurement
	// LineAt is the panel's time at the press: pressed_at, else measured_at less the lehr time (then LineEstimated); of
	// a master check measured_at.
	LineAt        time.Time
	LineEstimated bool
	// ContentHash is the SHA-256 of the content in its canonical form; needed by Insert, not filled on reading.
	ContentHash [32]byte
	// Hash is the last part of the order key: the first eight bytes of ContentHash, big-endian. Insert sets it.
	Hash uint64
	// Result without DeviationsUM and ResidualsUM, which are worked out anew when wanted.
	Result spc.Result
	// Revisions of the definitions by which it was judged (0: none), and of the method (Algorithm).
	ProductRev, GaugeRev, PressRev, Algorithm int
	Casting                                   string
	// Counted is true for the one that feeds charts: the first production measurement in line order of its press,
	// panel and gauge. Insert sets it.
	Counted bool
	State   string
	// Revision counts corrections from 1; CorrectionOf is the measurement that this one took the place of, or 0.
	Revision     int
	CorrectionOf int64
	StoredAt     time.Time
	Source       string // token or user that sent it
}

// Key is the row's place in press order.
func (r *Row) Key() spc.OrderKey {
	return spc.OrderKey{LineAt: r.LineAt, Gauge: r.Gauge, Series: r.Series, Sequence: r.Sequence, Panel: r.Panel,
		MeasuredAt: r.MeasuredAt, Hash: r.Hash}
}

// What became of a row given to Insert.
const (
	Stored    = "stored"
	Duplicate = "duplicate" // the same content is there already
	Conflict  = "conflict"  // other content is there under the same identity; this one waits in the list of conflicts
)

// Outcome of storing one row.
type Outcome struct {
	Status string
	// ID of the stored measurement, or of the one that was there.
	ID int64
	// Conflict is the number in the list of conflicts.
	Conflict int64
	// Existing is the measurement that was there, for duplicates and conflicts.
	Existing *Row
}

// Cursor is a place in a list of measurements.
type Cursor struct {
	Key spc.OrderKey
	ID  int64
}

// MeasurementFilter chooses measurements; a zero field does not restrict.
type MeasurementFilter struct {
	Press, Mould, Panel, Gauge, Product string
	PanelPrefix                         string
	Purpose                             spc.Purpose
	Verdicts                            []spc.Verdict
	From, To                            time.Time // line time, From inclusive, To exclusive
	CountedOnly                         bool      // only those that feed charts
	EveryState                          bool      // also superseded and void ones
	Descending                          bool      // newest first
	Limit                               int       // 1 to 10 000; 0: 100
	After                               *Cursor
}

// Change is a correction or a void.
type Change struct {
	Measurement int64
	Kind        string // correction | void
	ReplacedBy  int64  // of a correction
	Reason, By  string
	At          time.Time
}

// How a conflict may be resolved.
const (
	AcceptAsCorrection = "correction"
	AcceptAsNewSeries  = "new-series"
	Drop               = "drop"
)

// ConflictEntry is a content that came second under an identity.
type ConflictEntry struct {
	ID          int64
	Existing    int64 // the measurement that holds the identity
	Row         *Row  // the whole content as it came
	Source      string
	ReceivedAt  time.Time
	Resolution  string // "" while open
	Measurement int64  // what an accepted one became, or 0
	Reason, By  string
	ResolvedAt  time.Time
}

// Resolution says what to do with a conflict.
type Resolution struct {
	Action string // AcceptAsCorrection | AcceptAsNewSeries | Drop
	Series string // of AcceptAsNewSeries: a series in which the sequence is free
	// Row is nil for the content as it came, else that content judged anew. With a new series it should carry the hash
	// of the content with that series, or the gauge's next sending in it counts as other content.
	Row        *Row
	Reason, By string
}

// Obs is what the fold needs of one measurement.
type Obs struct {
	Key             spc.OrderKey
	Measurement     int64
	Press, Product  string
	Mould, Casting  string
	Lane            string
	Cycle           int64
	Excluded        string // reason, "" when it is not excluded
	Verdict         spc.Verdict
	Values          spc.Values
	Characteristics map[string]float64
	Counts          map[string]spc.Count
}

// ObservationQuery chooses what Observations reads: those after a key, or in [From, To) of line time, or both.
type ObservationQuery struct {
	Press    string
	After    *spc.OrderKey
	From, To time.Time
	// Values are the computed ones to read, nil for all: each that is left out makes reading faster.
	Values []spc.Computed
}

// MasterQuery chooses master checks of a gauge.
type MasterQuery struct {
	Gauge    string
	Panels   []string // the masters' serials, nil for all: those of a gauge among millions of panels are found by them
	After    *spc.OrderKey
	From, To time.Time
	Values   []spc.Computed // nil: all
}

// CountQuery chooses what VerdictCounts counts; a zero field does not restrict.
type CountQuery struct {
	Press, Product, Mould, Gauge string
	From, To                     time.Time // line time
}

// Counts of measurements by verdict.
type Counts struct {
	Conforms, DoesNotConform, Undecided, NotJudged int
}

// Total of all verdicts.
func (c Counts) Total() int { return c.Conforms + c.DoesNotConform + c.Undecided + c.NotJudged }

// BucketQuery asks for N equal spans of line time between From and To.
type BucketQuery struct {
	Press, Mould, Product, Gauge string
	Characteristic               string // a computed one by its name, or one of the product's
	From, To                     time.Time
	N                            int
}

// Bucket sums up one span; spans without measurements are left out.
type Bucket struct {
	At             time.Time // start
	Min, Max, Mean float64
	Count          int
}
