package plot

import (
	"strconv"
	"time"
)

// clock maps time to x. Times are counted in seconds from a start, so that a hundred thousand points cost no calendar work.
type clock struct {
	from, to time.Time
	x0, x1   float64
	perSec   float64
}

func newClock(from, to time.Time, x0, x1 float64) clock {
	c := clock{from: from, to: to, x0: x0, x1: x1}
	if s := to.Sub(from).Seconds(); s > 0 {
		c.perSec = (x1 - x0) / s
	}
	return c
}

func (c clock) x(t time.Time) float64 { return c.x0 + t.Sub(c.from).Seconds()*c.perSec }

// inside gives x kept to the plot.
func (c clock) inside(t time.Time) float64 { return min(max(c.x(t), c.x0), c.x1) }

func (c clock) has(t time.Time) bool { return !t.Before(c.from) && !t.After(c.to) }

// tick is one mark of the time axis.
type tick struct {
	at    time.Time
	label string
	under string // date or year, a line lower
}

// step is a distance between ticks: minutes within a day, days, or months.
type step struct{ minutes, days, months int }

func (s step) length() time.Duration {
	return time.Duration(s.minutes)*time.Minute + time.Duration(s.days)*24*time.Hour + time.Duration(s.months)*30*24*time.Hour
}

var steps = []step{
	{minutes: 1}, {minutes: 2}, {minutes: 5}, {minutes: 10}, {minutes: 15}, {minutes: 30},
	{minutes: 60}, {minutes: 120}, {minutes: 180}, {minutes: 360}, {minutes: 720},
	{days: 1}, {days: 2}, {days: 7}, {days: 14}, {months: 1}, {months: 2}, {months: 3}, {months: 6},
	{months: 12}, {months: 24}, {months: 60}, {months: 120}, {months: 1200},
}

// ticks puts marks at full steps of plant time (full minutes, hours, midnights, Mondays, first days of months) at least apart units
// from one another.
func (c clock) ticks(zone *time.Location, apart float64) ([]tick, step) {
	st := steps[len(steps)-1]
	for _, s := range steps {
		if s.length().Seconds()*c.perSec >= apart {
			st = s
			break
		}
	}
	from := c.from.In(zone)
	y, m, d := from.Date()
	var out []tick
	add := func(at time.Time, label, under string) bool {
		if at.After(c.to) || len(out) > 500 {
			return false
		}
		if !at.Before(c.from) {
			out = append(out, tick{at, label, under})
		}
		return true
	}
	switch {
	case c.perSec == 0:
	case st.minutes > 0:
		// Plant time may jump by an hour in the night, so the walk is along true time in pieces of at most an hour and the reading of the
		// plant's clock decides.
		piece := time.Duration(min(st.minutes, 60)) * time.Minute
		at := time.Date(y, m, d, from.Hour(), 0, 0, 0, zone)
		for at.After(c.from) {
			at = at.Add(-time.Hour)
		}
		for ; !at.After(c.to); at = at.Add(piece) {
			local := at.In(zone)
			if (local.Hour()*60+local.Minute())%st.minutes != 0 {
				continue
			}
			under := ""
			if local.Hour() == 0 && local.Minute() == 0 {
				under = local.Format("Mon 2 Jan")
			}
			if !add(at, local.Format("15:04"), under) {
				break
			}
		}
	case st.days > 0:
		for i := range 2000 {
			at := time.Date(y, m, d+i, 0, 0, 0, 0, zone)
			days := int(time.Date(y, m, d+i, 0, 0, 0, 0, time.UTC).Unix()/86400) - 4 // 5 January 1970 was a Monday
			if days%st.days == 0 && !add(at, at.Format("2 Jan"), "") {
				break
			}
		}
	default:
		for i := range 12 * 1300 {
			at := time.Date(y, m+time.Month(i), 1, 0, 0, 0, 0, zone)
			if (at.Year()*12+int(at.Month())-1)%st.months != 0 {
				continue
			}
			label, under := at.Format("Jan"), ""
			if st.months >= 12 {
				label = strconv.Itoa(at.Year())
			} else if at.Month() == time.January {
				under = strconv.Itoa(at.Year())
			}
			if !add(at, label, under) {
				break
			}
		}
	}
	return out, st
}

// axis draws the time axis at height y and returns how far below y its words reach.
func (s *Scene) axis(c clock, y float64, zone *time.Location, apart float64) float64 {
	s.line(c.x0, y, c.x1, y, "axis")
	ticks, st := c.ticks(zone, apart)
	deep, dated := 24.0, false
	for _, t := range ticks {
		dated = dated || t.under != ""
	}
	for i, t := range ticks {
		x := c.x(t.at)
		s.line(x, y, x, y+5, "axis")
		role := "sub m"
		if x < c.x0+width(t.label)/2 {
			x, role = c.x0, "sub"
		}
		s.words(x, y+19, t.label, role)
		under := t.under
		if i == 0 && !dated { // the reader must know which day or year it is
			switch {
			case st.minutes > 0:
				under = t.at.In(zone).Format("Mon 2 Jan")
			case st.months < 12:
				under = t.at.In(zone).Format("2006")
			}
		}
		if under != "" {
			if x < c.x0+width(under)/2 {
				x, role = c.x0, "sub"
			}
			s.words(x, y+35, under, role)
			deep = 40
		}
	}
	return deep
}
