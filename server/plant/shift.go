package plant

import (
	"fmt"
	"time"
)

// Shift is one shift: it belongs to the date on which it starts.
type Shift struct {
	Name     string // "early shift"
	From, To time.Time
}

// ShiftAt finds the shift that holds at a plant time; starts are "06:00" and so on, in order. Without starts the day is one
// shift from midnight.
func ShiftAt(starts []string, at time.Time) Shift {
	if len(starts) == 0 {
		starts = []string{"00:00"}
	}
	// The last start at or before the moment, of today or yesterday: on days when the clocks change, plant time decides.
	var all []Shift
	for day := -1; day <= 1; day++ {
		for i, s := range starts {
			var h, m int
			if _, err := fmt.Sscanf(s, "%d:%d", &h, &m); err != nil {
				continue
			}
			d := at.AddDate(0, 0, day)
			all = append(all, Shift{Name: shiftName(i, len(starts)), From: time.Date(d.Year(), d.Month(), d.Day(), h, m, 0, 0, at.Location())})
		}
	}
	for i := len(all) - 2; i >= 0; i-- {
		if !all[i].From.After(at) {
			all[i].To = all[i+1].From
			return all[i]
		}
	}
	return Shift{From: at, To: at}
}

func shiftName(i, n int) string {
	switch n {
	case 1:
		return "day"
	case 2:
		return []string{"day shift", "night shift"}[i]
	case 3:
		return []string{"early shift", "late shift", "night shift"}[i]
	}
	return fmt.Sprintf("shift %d", i+1)
}

// ShiftName names the shift that holds at a plant time.
func ShiftName(starts []string, at time.Time) string {
	if len(starts) == 0 {
		return ""
	}
	return ShiftAt(starts, at).Name
}
