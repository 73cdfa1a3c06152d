package runlength

// Options says from where a run is counted, and how to simulate where that is needed. The zero Options are the zero
// state: the chart starts afresh, and all points follow the distribution that RunLength is given.
type Options struct {
	// First, where not nil, is the distribution of the first point alone: a residual chart sees a shift in full at first
	// (ResidualShift).
	First Distribution
	// Before, where not nil, asks for the steady state: the chart has run long under Before without a signal, and the run
	// is counted from the first point that follows the distribution given. Else it is the zero state.
	Before Distribution
	// Simulation says how to simulate, where there is no exact route.
	Simulation Simulation
}

// check refuses distributions that are none.
func (o *Options) check() error {
	for _, d := range []Distribution{o.First, o.Before} {
		if d == nil {
			continue
		}
		if err := known(d); err != nil {
			return err
		}
	}
	return nil
}
