package monitor

import (
	"crypto/sha256"
	"encoding/hex"
	"strconv"
	"time"

	"sagwatch/spc"
	"sagwatch/spc/rules"
)

const (
	// Quiet is the number of judged points in a row without a hit after which a signal has ended, unless the chart's rules
	// look back further.
	Quiet = 20
	// EvidenceFirst and EvidenceLatest hits of a signal are kept as evidence.
	EvidenceFirst  = 4
	EvidenceLatest = 16
)

// finding is a signal that may still grow.
type finding struct {
	Finding
	changed bool // since it was last taken
}

// signal takes the hits of a point: they extend the open signal or open one. guard says that the limits are the guard's.
func (s *series) signal(p *point, lim spc.Limits, hits []Hit, guard bool) {
	s.quiet = 0
	if s.open == nil {
		s.open = s.reopen(p.at)
	}
	if s.open == nil {
		m, d, first := s.c.m, s.c.def, hits[0]
		value := p.value
		if first.Rule == SpreadBeyond {
			value, lim = p.spread, s.law.record.SpreadLimits
		}
		f := &finding{Finding: Finding{Found: m.last, Signal: spc.Signal{Gauge: d.Gauge, Product: d.Product, Chart: d.ID, Stream: s.name,
			Phase: s.phase, Rule: first.Rule, Words: first.Words, Panel: p.panel, Measurement: p.measurement, At: p.at,
			FoundAt: m.last.LineAt, LastPanel: p.panel, LastAt: p.at, Value: value, Limits: lim}}}
		parts := []string{m.cfg.Site, d.ID, s.name, strconv.Itoa(s.phase), p.panel}
		if m.cfg.Press != nil {
			f.Press = m.cfg.Press.ID
		} else {
			parts = append(parts, p.at.Format(time.RFC3339Nano))
		}
		f.ID = identity(parts...)
		m.findings = append(m.findings, f)
		if guard {
			s.guardFinds = append(s.guardFinds, f)
		}
		s.open = f
	}
	f := s.open
	f.Ended, f.EndedAt, f.EndKnownAt = false, time.Time{}, time.Time{}
	if !p.at.Before(f.LastAt) {
		f.LastPanel, f.LastAt = p.panel, p.at
	}
	why := ""
	if several(s.c.def.Kind) && s.law != nil {
		why = ": " + s.c.def.drivers(s.law, s.at)
	}
	for _, h := range hits {
		value := p.value
		if h.Rule == SpreadBeyond {
			value = p.spread
		}
		f.evidence(spc.Evidence{Rule: h.Rule, Words: h.Words + why, At: p.at, Panels: s.panels(h.Back, h.Mask), Value: value})
	}
}

// worded are a point's hits with their words.
func worded(hits []rules.Hit) []Hit {
	list := make([]Hit, 0, len(hits)+1)
	for _, h := range hits {
		list = append(list, Hit{h.Rule.String(), h.Words(), h.Back(), h.Mask})
	}
	return list
}

// reopen finds the guard's signal of this phase that a late-judged point lies in.
func (s *series) reopen(at time.Time) *finding {
	for _, f := range s.guardFinds {
		if !at.Before(f.At) && !at.After(f.LastAt) {
			return f
		}
	}
	return nil
}

// calm takes a judged point without a hit.
func (s *series) calm(at time.Time) {
	if s.open == nil {
		return
	}
	if s.quiet++; s.quiet >= s.c.def.quiet {
		s.open.end(at, s.c.m.last.LineAt)
		s.open = nil
	}
}

func (f *finding) end(at, known time.Time) {
	f.Ended, f.EndedAt, f.EndKnownAt, f.changed = true, at, known, true
}

// jump adds a moving range beyond its limit to the evidence.
func (f *finding) jump(p *point, mr float64, panels []string) {
	f.evidence(spc.Evidence{Rule: Jumped, Words: Jumped, At: p.at, Panels: panels, Value: mr})
}

// evidence adds a hit and drops the oldest of those between the first and the latest.
func (f *finding) evidence(e spc.Evidence) {
	f.Hits++
	f.changed = true
	if len(f.Evidence) == EvidenceFirst+EvidenceLatest {
		copy(f.Evidence[EvidenceFirst:], f.Evidence[EvidenceFirst+1:])
		f.Evidence = f.Evidence[:len(f.Evidence)-1]
	}
	f.Evidence = append(f.Evidence, e)
}

// identity is the hex form of the first half of a SHA-256 hash over the parts, each ended by a zero byte.
func identity(parts ...string) string {
	h := sha256.New()
	for _, p := range parts {
		h.Write([]byte(p))
		h.Write([]byte{0})
	}
	return hex.EncodeToString(h.Sum(nil)[:16])
}

// copied is the finding as it is now: later hits do not change it.
func (f *finding) copied() Finding {
	c := f.Finding
	c.Evidence = append([]spc.Evidence(nil), f.Evidence...)
	return c
}

// Signals lists, in the order found, the signals found or changed since the last TakeSignals and those still open.
func (m *Monitor) Signals() []spc.Signal {
	var list []spc.Signal
	for _, f := range m.findings {
		list = append(list, f.copied().Signal)
	}
	return list
}

// Findings is Signals with what a keeper of signals must know beside them. After Restore it lists those that may still
// change: a keeper that folds again from there puts them in place of its own, and withdraws those Found behind it that
// do not come again.
func (m *Monitor) Findings() []Finding {
	var list []Finding
	for _, f := range m.findings {
		list = append(list, f.copied())
	}
	return list
}

// TakeSignals lists, in the order found, the signals that are new, have grown or have ended since the last call. A keeper
// puts each in the place of what it has under the same ID. Those that have ended are then forgotten, so that a fold
// stays small; take signals before a snapshot.
func (m *Monitor) TakeSignals() []Finding {
	var list []Finding
	kept := map[*finding]bool{}
	for _, c := range m.charts {
		for _, s := range c.streams {
			for _, f := range s.guardFinds {
				kept[f] = true
			}
		}
	}
	rest := m.findings[:0]
	for _, f := range m.findings {
		if f.changed {
			list = append(list, f.copied())
			f.changed = false
		}
		if !f.Ended || kept[f] {
			rest = append(rest, f)
		}
	}
	clear(m.findings[len(rest):])
	m.findings = rest
	return list
}
