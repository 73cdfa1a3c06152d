package fault

import (
	"math"
	"slices"
	"time"

	"sagwatch/spc"
)

// strong is how many standard errors a change must measure to be a fault of its own while another goes on.
const strong = 6

// Same tells whether a new finding is of a fault that is known: their starts may coincide (the 99 % sets, widened by slack, meet).
// While the fault goes on a finding that does not stand out by itself is its too where the same streams moved, where the fault reaches
// beyond single moulds, or where the finding is as likely chance.
func Same(known, fresh *spc.Diagnosis, going bool, slack time.Duration) bool {
	if known == nil || fresh == nil {
		return going // nothing speaks against it
	}
	if !fresh.Earliest.After(known.Latest.Add(slack)) && !known.Earliest.After(fresh.Latest.Add(slack)) {
		return true
	}
	if !going || math.Abs(fresh.Size) > strong*fresh.SizeSE && fresh.SizeSE > 0 {
		return false
	}
	wide := known.Extent != spc.ExtentOneStream && known.Extent != spc.ExtentSeveralStreams
	if wide || slices.Equal(known.Streams, fresh.Streams) {
		return true
	}
	for _, c := range fresh.Causes {
		if c.Extent == "none" && c.Weight > 0.5 {
			return true
		}
	}
	return false
}
