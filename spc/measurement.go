package spc

import (
	"strings"
	"time"
)

// Purpose says what a measurement is for; only production feeds process charts, capability and counts.
type Purpose string

// Purposes.
const (
	Production    Purpose = "production"
	Recheck       Purpose = "recheck"
	Study         Purpose = "study"
	MasterCheck   Purpose = "master"
	NoSequence            = int64(-1) // Sequence of a measurement without one
	NoCycle               = int64(-1) // Cycle of a measurement without one
	EverySequence         = int64(1) << 53
)

// Count is an attribute's count: nonconforming of inspected, or defects on units.
type Count struct {
	Nonconforming *int64 `json:"nonconforming,omitempty"`
	Inspected     *int64 `json:"inspected,omitempty"`
	Defects       *int64 `json:"defects,omitempty"`
	Units         *int64 `json:"units,omitempty"`
}

// Measurement is what a gauge sends about one panel. Readings are in the gauge's kind and unit; NaN stands for null.
type Measurement struct {
	ID         int64
	Gauge      string
	Panel      string
	MeasuredAt time.Time
	Press      string
	Product    string
	Readings   []float64
	Mould      string
	Lane       string
	Cycle      int64     // NoCycle when absent
	PressedAt  time.Time // zero when absent
	Series     string
	Sequence   int64 // NoSequence when absent
	Purpose    Purpose
	// Characteristics in the units of the product's characteristics.
	Characteristics map[string]float64
	Counts          map[string]Count
}

// OrderKey places a measurement in press order: t is pressed_at, else measured_at less the lehr time; then gauge,
// series, sequence (none last), panel, measured_at, content hash. Never arrival time.
type OrderKey struct {
	LineAt     time.Time
	Gauge      string
	Series     string
	Sequence   int64 // NoSequence sorts last
	Panel      string
	MeasuredAt time.Time
	Hash       uint64
}

// Compare orders two keys: negative when k comes first.
func (k OrderKey) Compare(o OrderKey) int {
	if c := k.LineAt.Compare(o.LineAt); c != 0 {
		return c
	}
	if c := strings.Compare(k.Gauge, o.Gauge); c != 0 {
		return c
	}
	if c := strings.Compare(k.Series, o.Series); c != 0 {
		return c
	}
	a, b := k.Sequence, o.Sequence
	if a < 0 {
		a = EverySequence
	}
	if b < 0 {
		b = EverySequence
	}
	if a != b {
		if a < b {
			return -1
		}
		return 1
	}
	if c := strings.Compare(k.Panel, o.Panel); c != 0 {
		return c
	}
	if c := k.MeasuredAt.Compare(o.MeasuredAt); c != 0 {
		return c
	}
	switch {
	case k.Hash < o.Hash:
		return -1
	case k.Hash > o.Hash:
		return 1
	}
	return 0
}
