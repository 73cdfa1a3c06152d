package plant

import (
	"time"

	"sagwatch/spc"
)

// masterBefore is how long before a shift a check of the master still counts for it.
const masterBefore = 30 * time.Minute

// MasterDue tells when a gauge's master is to be checked next, its last check having been at last: master_every_h later, or at the start
// of the next shift if that is sooner. A check in the half hour before a shift counts for it. It is zero for a gauge that asks for none. last is in plant
// time, whose clock tells the shifts; starts are those of the site, none: no shifts.
func MasterDue(g *spc.Gauge, last time.Time, starts []string) time.Time {
	if len(g.Masters) == 0 || g.MasterEveryH <= 0 || last.IsZero() {
		return time.Time{}
	}
	due := last.Add(time.Duration(g.MasterEveryH * float64(time.Hour)))
	if len(starts) > 0 {
		if shift := ShiftAt(starts, last.Add(masterBefore)); shift.To.After(last) && shift.To.Before(due) {
			due = shift.To
		}
	}
	return due
}
