package fault

import (
	"slices"
	"time"

	"sagwatch/spc"
)

// Same tells whether a new finding is of a fault that is known: the same streams moved, or their starts may coincide
// (the 99 % sets, widened by slack, meet), or the new finding for itself is as likely chance.
func Same(known, fresh *spc.Diagnosis, slack time.Duration) bool {
	if known == nil || fresh == nil {
		return true // nothing speaks against it
	}
	if slices.Equal(known.Streams, fresh.Streams) {
		return true
	}
	if !fresh.Earliest.After(known.Latest.Add(slack)) && !known.Earliest.After(fresh.Latest.Add(slack)) {
		return true
	}
	for _, c := range fresh.Causes {
		if c.Extent == "none" && c.Weight > 0.5 {
			return true
		}
	}
	return false
}
