package monitor

import (
	"slices"

	"sagwatch/spc"
)

// Track keeps checkpoints of one fold in memory, so that an observation that comes late re-folds only what lies behind
// it: restore Before its key, forget what lies after (Drop), and add the observations after the checkpoint again. It is
// not safe for concurrent use.
type Track struct {
	every int64
	keep  int
	taken int64 // Count of the fold at the latest checkpoint
	marks []mark
}

type mark struct {
	key      spc.OrderKey
	count    int64
	snapshot []byte
}

// NewTrack keeps a checkpoint of every so many observations (at least 1), of which the latest keep (at least 1).
func NewTrack(every, keep int) *Track { return &Track{every: int64(max(1, every)), keep: max(1, keep)} }

// Note takes a checkpoint if enough observations have been added since the latest; call it between observations, after
// TakeSignals and TakeLimits.
func (t *Track) Note(m *Monitor) error {
	if m.count < t.taken+t.every {
		return nil
	}
	snapshot, err := m.Snapshot()
	if err != nil {
		return err
	}
	t.marks = append(t.marks, mark{m.last, m.count, snapshot})
	t.taken = m.count
	if extra := len(t.marks) - t.keep; extra > 0 {
		t.marks = slices.Delete(t.marks, 0, extra)
	}
	return nil
}

// Before is the latest checkpoint whose observations all lie before key, and the key of its last; false when there
// is none: then the fold begins from a stored checkpoint, or anew.
func (t *Track) Before(key spc.OrderKey) (snapshot []byte, after spc.OrderKey, ok bool) {
	for i := len(t.marks) - 1; i >= 0; i-- {
		if t.marks[i].key.Compare(key) < 0 {
			return t.marks[i].snapshot, t.marks[i].key, true
		}
	}
	return nil, spc.OrderKey{}, false
}

// Drop forgets the checkpoints that hold observations at or after key.
func (t *Track) Drop(key spc.OrderKey) {
	t.marks = slices.DeleteFunc(t.marks, func(m mark) bool { return m.key.Compare(key) >= 0 })
	t.taken = 0
	if n := len(t.marks); n > 0 {
		t.taken = t.marks[n-1].count
	}
}
