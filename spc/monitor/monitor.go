// Package monitor folds ordered measurements into charted points and signals.
package monitor

import (
	"errors"

	"sagwatch/spc"
)

// Errors of the fold.
var (
	ErrOrder = errors.New("monitor: observation is not after the one before it in press order")
	ErrStale = errors.New("monitor: checkpoint was made under other definitions, events or posted limits")
)

// Monitor is the fold of one press, or of one gauge's master checks. It is not safe for concurrent use.
type Monitor struct{}

// New starts a fold before any observation.
func New(c Config) (*Monitor, error) { return &Monitor{}, nil }

// Add takes the next observation.
func (m *Monitor) Add(o *Observation) error { return nil }

// Trace calls fn for each point of a chart and stream ("" for all) once it is final.
func (m *Monitor) Trace(chart, stream string, fn func(Point)) {}

// Pending lists the points that are not final.
func (m *Monitor) Pending(chart, stream string) []Point { return nil }

// Signals lists the signals since the last TakeSignals, and those still open.
func (m *Monitor) Signals() []spc.Signal { return nil }

// TakeSignals lists the signals that changed since the last call.
func (m *Monitor) TakeSignals() []Finding { return nil }

// LimitsLog lists the limits that came into force since the last TakeLimits.
func (m *Monitor) LimitsLog() []LimitsInForce { return nil }

// TakeLimits is LimitsLog, and empties it.
func (m *Monitor) TakeLimits() []LimitsInForce { return nil }

// Snapshot encodes the state.
func (m *Monitor) Snapshot() ([]byte, error) { return nil, nil }

// Restore continues from a snapshot under the same definitions.
func Restore(c Config, snapshot []byte) (*Monitor, error) { return New(c) }

// StandardSet is the standard charts of a press and product.
func StandardSet(press spc.Press, product spc.Product) []spc.Chart { return nil }

// StandardGaugeCharts is the standard charts of a gauge's master checks.
func StandardGaugeCharts(g spc.Gauge) []spc.Chart { return nil }

// Track keeps checkpoints of one fold in memory.
type Track struct{}

// NewTrack keeps a checkpoint about every so many observations, at most the latest keep.
func NewTrack(every, keep int) *Track { return &Track{} }

// Before is the latest checkpoint whose observations all lie before key.
func (t *Track) Before(key spc.OrderKey) (snapshot []byte, after spc.OrderKey, ok bool) {
	return nil, spc.OrderKey{}, false
}
