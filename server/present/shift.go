package present

import (
	"time"

	"sagwatch/server/plant"
)

// Shift is one shift: it belongs to the date on which it starts.
type Shift = plant.Shift

// ShiftAt finds the shift that holds at a plant time.
func ShiftAt(starts []string, at time.Time) Shift { return plant.ShiftAt(starts, at) }

// ShiftName names the shift that holds at a plant time.
func ShiftName(starts []string, at time.Time) string { return plant.ShiftName(starts, at) }
