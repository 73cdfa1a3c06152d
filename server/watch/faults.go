package watch

import (
	"cmp"
	"context"
	"slices"
	"time"

	"sagwatch/spc"
	"sagwatch/spc/fault"
	"sagwatch/spc/monitor"
	"sagwatch/store"
)

// What charts find is gathered into faults: one signal to people. A new finding joins a fault that goes on, or has ended
// lately, when what the panels say about both agrees (fault.Same); else it begins one. Who joins whom depends on the panels up to
// each finding alone, in the order found, so that a re-fold gives the same.

const (
	// rejoin is how many cycles after its end a fault still takes findings.
	rejoin = 60
	// slack is by how many cycles the starts of two findings of one fault may miss each other.
	slack = 2
	// persist is the same of one whose panels never came back, though its charts did.
	persist = 1000
	// kept is how long ended faults stay at hand.
	kept = 14 * 24 * time.Hour
)

// looks are the cycles after a fault was found at which it is looked at again.
var looks = []int{2, 5, 10, 20, 40, 80, 160, 320}

// round is the time of one round of the press's table; of a gauge, a day.
func (k *keeper) round() time.Duration {
	p := k.conf.Press
	if p == nil {
		return 24 * time.Hour
	}
	takt := p.TaktS
	if takt <= 0 {
		takt = 10
	}
	return time.Duration(float64(max(len(p.Moulds), 1)) * takt * float64(time.Second))
}

// recall takes from the store the faults as they were when the panel of a line time had been folded.
func (k *keeper) recall(ctx context.Context, at time.Time) error {
	k.faults = nil
	if at.IsZero() {
		return nil
	}
	return k.stored(ctx, func(s *store.Signal) {
		f := s.Fault
		if f.FoundAt.After(at) || !f.Going() && f.Over().Before(at.Add(-kept)) {
			return
		}
		joined := f.Also
		f.Also = nil
		for _, j := range joined {
			if !j.FoundAt.After(at) {
				f.Also = append(f.Also, j)
			}
		}
		for _, one := range f.Findings() {
			if one.EndKnownAt.After(at) {
				one.Ended, one.EndedAt, one.EndKnownAt = false, time.Time{}, time.Time{}
			}
		}
		if f.Diagnosis != nil && f.Diagnosis.Due.After(at) {
			f.Diagnosis = nil
		}
		k.faults = append(k.faults, &f)
	}, func() {
		slices.SortStableFunc(k.faults, func(a, b *spc.Fault) int { return order(&a.Signal, &b.Signal) })
	})
}

// stored calls fn with every known signal of the press or gauge, newest first.
func (k *keeper) stored(ctx context.Context, fn func(*store.Signal), end func()) error {
	var before *store.SignalCursor
	for {
		page, err := k.cfg.Store.Signals(ctx, k.cfg.Site, store.SignalFilter{Press: k.press, Gauge: k.gauge, Limit: 500, Before: before})
		if err != nil {
			return err
		}
		for i := range page {
			fn(&page[i])
		}
		if len(page) < 500 {
			end()
			return nil
		}
		last := page[len(page)-1]
		before = &store.SignalCursor{At: last.At, ID: last.ID}
	}
}

// order is that in which findings are taken.
func order(a, b *spc.Signal) int {
	return cmp.Or(a.FoundAt.Compare(b.FoundAt), a.At.Compare(b.At), cmp.Compare(a.Chart, b.Chart), cmp.Compare(a.Stream, b.Stream), cmp.Compare(a.ID, b.ID))
}

// gather puts new and changed findings into faults, looks at those that are due and collects what is to be stored.
func (k *keeper) gather(ctx context.Context, found []monitor.Finding, all bool, save *store.Fold) error {
	touched := map[*spc.Fault]bool{}
	of := map[string]*spc.Fault{}
	for _, f := range k.faults {
		for _, s := range f.Findings() {
			of[s.ID] = f
		}
	}
	var fresh []spc.Signal
	for i := range found {
		s := found[i].Signal
		s.FoundAt = found[i].Found.LineAt
		f := of[s.ID]
		if f == nil {
			fresh = append(fresh, s)
			continue
		}
		touched[f] = true
		for _, one := range f.Findings() {
			if one.ID == s.ID {
				*one = s
			}
		}
	}
	slices.SortFunc(fresh, func(a, b spc.Signal) int { return order(&a, &b) })
	for i := range fresh {
		s := &fresh[i]
		d, err := k.diagnose(ctx, s, s.FoundAt, endOf(s))
		if err != nil {
			return err
		}
		f, err := k.belongs(ctx, s, d)
		if err != nil {
			return err
		}
		if f == nil {
			f = &spc.Fault{Signal: *s, First: d, Diagnosis: d}
			k.faults = append(k.faults, f)
		} else {
			f.Also = append(f.Also, spc.Joined{Signal: *s, First: d})
		}
		touched[f] = true
	}
	rest := k.faults[:0]
	for _, f := range k.faults {
		changed, err := k.look(ctx, f)
		if err != nil {
			return err
		}
		if changed || touched[f] || all {
			save.Signals = append(save.Signals, *f)
		}
		if f.Going() || !f.Over().Before(k.last.LineAt.Add(-kept)) {
			rest = append(rest, f)
		}
	}
	clear(k.faults[len(rest):])
	k.faults = rest
	return nil
}

// endOf is the last point beyond its limits of a finding that had ended when it was found; zero for one that goes on.
func endOf(s *spc.Signal) time.Time {
	if s.Ended && !s.EndKnownAt.After(s.FoundAt) {
		return s.LastAt
	}
	return time.Time{}
}

// goingAt tells whether a chart of a fault was still out when the panel of a line time had been folded.
func goingAt(f *spc.Fault, at time.Time) bool {
	for _, s := range f.Findings() {
		if !s.Ended || s.EndKnownAt.After(at) {
			return true
		}
	}
	return false
}

// belongs finds the fault that a new finding joins, the latest first; nil when it begins one.
func (k *keeper) belongs(ctx context.Context, s *spc.Signal, d *spc.Diagnosis) (*spc.Fault, error) {
	for i := len(k.faults) - 1; i >= 0; i-- {
		f := k.faults[i]
		if f.Product != s.Product || k.parted(f, f.At, s) {
			continue
		}
		last := f.First
		if n := len(f.Also); n > 0 {
			last = f.Also[n-1].First
		}
		same := func(going bool) bool {
			return fault.Same(last, d, going, slack*k.round()) || fault.Same(f.First, d, going, slack*k.round())
		}
		going := goingAt(f, s.FoundAt)
		switch {
		case going || !f.Over().Add(rejoin*k.round()).Before(s.At):
			if same(going) {
				return f, nil
			}
		case !f.Over().Add(persist*k.round()).Before(s.At) && same(true):
			// Its charts came back long ago; did its panels?
			lasts, err := k.lasts(ctx, f, s.FoundAt)
			if err != nil {
				return nil, err
			}
			if lasts {
				return f, nil
			}
		}
	}
	return nil, nil
}

// parted tells whether a phase began between a fault and a finding: after a fix or a change on the press it is another matter.
func (k *keeper) parted(f *spc.Fault, from time.Time, s *spc.Signal) bool {
	for _, e := range k.conf.Events {
		if !e.At.After(from) || e.At.After(s.At) {
			continue
		}
		switch e.Kind {
		case "plunger-change", "product-change", "gauge-service":
			return true
		case "mould-change":
			if name := "mould:" + e.Mould; name == s.Stream || name == f.Stream || f.First != nil && slices.Contains(f.First.Streams, name) {
				return true
			}
		}
	}
	return false
}

// look diagnoses a fault again when that is due: with each finding that joins, at set times after it was found, and at its end.
func (k *keeper) look(ctx context.Context, f *spc.Fault) (changed bool, err error) {
	due := f.FoundAt
	for i := range f.Also {
		if at := f.Also[i].FoundAt; at.After(due) {
			due = at
		}
	}
	for _, n := range looks {
		if at := f.FoundAt.Add(time.Duration(n) * k.round()); at.After(due) && !at.After(k.last.LineAt) {
			due = at
		}
	}
	over := time.Time{}
	if !f.Going() {
		if f.Over().After(due) {
			due = f.Over()
		}
		_, over = f.Span()
	}
	if f.Diagnosis != nil && f.Diagnosis.Due.Equal(due) {
		return false, nil
	}
	s, first := strongest(f)
	if over.IsZero() && first.Due.Equal(due) && endOf(s).IsZero() {
		f.Diagnosis = first // it came just now
		return true, nil
	}
	d, err := k.diagnose(ctx, s, due, over)
	if err != nil {
		return false, err
	}
	f.Diagnosis = d
	return true, nil
}

// stands is how many standard errors a change measures.
func stands(d *spc.Diagnosis) float64 {
	if d.SizeSE <= 0 {
		return 0
	}
	return max(d.Size, -d.Size) / d.SizeSE
}

// strongest is the finding whose change stood out most when it came, with what was said then.
func strongest(f *spc.Fault) (*spc.Signal, *spc.Diagnosis) {
	at, first := &f.Signal, f.First
	for i := range f.Also {
		if j := &f.Also[i]; stands(j.First) > stands(first) {
			at, first = &j.Signal, j.First
		}
	}
	return at, first
}

// reconcile withdraws the signals that a re-fold from a line time should have found again and did not. One that has become part
// of another is withdrawn too.
func (k *keeper) reconcile(ctx context.Context, from time.Time, save *store.Fold) error {
	there := map[string]bool{}
	for _, f := range k.faults {
		there[f.ID] = true
	}
	for i := range save.Signals {
		there[save.Signals[i].ID] = true
	}
	return k.stored(ctx, func(s *store.Signal) {
		if !there[s.ID] && s.State != store.SignalWithdrawn && s.FoundAt.After(from) {
			save.Withdrawn = append(save.Withdrawn, s.ID)
		}
	}, func() {})
}
