package spc

import "time"

// Fault is what all charts found of one fault: one signal to people. Its own fields are those of the first finding, which
// also gives it its identity.
type Fault struct {
	Signal
	// First is what the panels said when the first finding came.
	First *Diagnosis `json:"first,omitempty"`
	// Also are the findings of other charts and streams that belong to the same fault, in the order found.
	Also []Joined `json:"also,omitempty"`
	// Diagnosis is what the panels say of the whole fault now; nil: nobody asked.
	Diagnosis *Diagnosis `json:"diagnosis,omitempty"`
}

// Joined is a finding that joined a fault, with what the panels said when it came.
type Joined struct {
	Signal
	First *Diagnosis `json:"first,omitempty"`
}

// Findings are the fault's first finding and those that joined it.
func (f *Fault) Findings() []*Signal {
	out := make([]*Signal, 1, 1+len(f.Also))
	out[0] = &f.Signal
	for i := range f.Also {
		out = append(out, &f.Also[i].Signal)
	}
	return out
}

// Going is true while a chart has not come back.
func (f *Fault) Going() bool {
	for _, s := range f.Findings() {
		if !s.Ended {
			return true
		}
	}
	return false
}

// Lasts is true while a fault is not known to be over: a chart has not come back, or the panels clearly have not.
func (f *Fault) Lasts() bool { return f.Going() || f.Diagnosis != nil && f.Diagnosis.Persists }

// Span is from the first signalling panel of any chart to the last.
func (f *Fault) Span() (from, to time.Time) {
	from, to = f.At, f.LastAt
	for i := range f.Also {
		if f.Also[i].At.Before(from) {
			from = f.Also[i].At
		}
		if f.Also[i].LastAt.After(to) {
			to = f.Also[i].LastAt
		}
	}
	return from, to
}

// Over is when the last chart came back: the line time of the panel that showed it. It has meaning once Going is false.
func (f *Fault) Over() time.Time {
	at := f.EndedAt
	for i := range f.Also {
		if f.Also[i].EndedAt.After(at) {
			at = f.Also[i].EndedAt
		}
	}
	return at
}
