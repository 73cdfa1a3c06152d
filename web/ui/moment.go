package ui

import (
	"time"
)

// Clock writes the time of day: "13:41". The time must already be in plant time.
func Clock(t time.Time) string { return t.Format("15:04") }

// ClockSeconds writes the time of day to the second: "13:41:07".
func ClockSeconds(t time.Time) string { return t.Format("15:04:05") }

// Date writes a day without its year: "5 Mar".
func Date(t time.Time) string { return t.Format("2 Jan") }

// Moment writes a time as seen from now, both in plant time: the time of day on the same day, with the weekday within the last six
// days, else with the date, and with the year when it is another.
func Moment(t, now time.Time) string {
	switch days := daysApart(t, now); {
	case days == 0:
		return Clock(t)
	case days > 0 && days < 7:
		return t.Format("Mon 15:04")
	case t.Year() == now.Year():
		return t.Format("2 Jan 15:04")
	default:
		return t.Format("2 Jan 2006 15:04")
	}
}

// ForField writes a time for a form field, as Moment cannot be typed back: "2026-03-04 12:00".
func ForField(t time.Time) string { return t.Format("2006-01-02 15:04") }

// Lasting writes how long something lasts, in its greatest unit: "16 minutes", "three hours", "five days". Under a minute it is
// "less than a minute".
func Lasting(d time.Duration) string {
	switch {
	case d < time.Minute:
		return "less than a minute"
	case d < 90*time.Minute:
		return Plural(int64(d.Round(time.Minute)/time.Minute), "minute", "minutes")
	case d < 36*time.Hour:
		return Plural(int64(d.Round(time.Hour)/time.Hour), "hour", "hours")
	default:
		return Plural(int64(d.Round(24*time.Hour)/(24*time.Hour)), "day", "days")
	}
}

// Offset writes the plant's distance from UTC: "UTC+2", "UTC-3:30" with a true minus, "UTC".
func Offset(t time.Time) string {
	_, s := t.Zone()
	if s == 0 {
		return "UTC"
	}
	sign := "+"
	if s < 0 {
		sign, s = Minus, -s
	}
	out := "UTC" + sign + Count(int64(s/3600))
	if m := s % 3600 / 60; m != 0 {
		out += time.Date(0, 1, 1, 0, m, 0, 0, time.UTC).Format(":04")
	}
	return out
}

func daysApart(t, now time.Time) int {
	y1, m1, d1 := t.Date()
	y2, m2, d2 := now.Date()
	a, b := time.Date(y1, m1, d1, 0, 0, 0, 0, time.UTC), time.Date(y2, m2, d2, 0, 0, 0, 0, time.UTC)
	return int(b.Sub(a) / (24 * time.Hour))
}
