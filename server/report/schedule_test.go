package report_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/server/report"
	"sagwatch/spc"
	"sagwatch/store"
)

var tallinn = func() *time.Location {
	zone, err := time.LoadLocation("Europe/Tallinn")
	if err != nil {
		panic(err)
	}
	return zone
}()

var works = spc.Site{ID: "TW", TimeZone: "Europe/Tallinn", Shifts: []string{"06:00", "14:00", "22:00"}}

func at(t *testing.T, s string) time.Time {
	t.Helper()
	x, err := time.Parse(time.RFC3339, s)
	require.NoError(t, err)
	return x
}

// Weeks begin on Monday with the first shift, by plant time: that of the change to summer time (29 March 2026) has 167 hours.
func TestWeeks(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		at, from, to string
		hours        float64
	}{
		{"2026-03-04T12:00:00+02:00", "2026-03-02T06:00:00+02:00", "2026-03-09T06:00:00+02:00", 168},
		{"2026-03-02T05:59:59+02:00", "2026-02-23T06:00:00+02:00", "2026-03-02T06:00:00+02:00", 168}, // Monday before the first shift
		{"2026-03-02T06:00:00+02:00", "2026-03-02T06:00:00+02:00", "2026-03-09T06:00:00+02:00", 168},
		{"2026-03-29T23:00:00+03:00", "2026-03-23T06:00:00+02:00", "2026-03-30T06:00:00+03:00", 167}, // Sunday of the change
		{"2026-10-25T23:00:00+02:00", "2026-10-19T06:00:00+03:00", "2026-10-26T06:00:00+02:00", 169},
		{"2027-01-01T00:00:00+02:00", "2026-12-28T06:00:00+02:00", "2027-01-04T06:00:00+02:00", 168},
	} {
		p, err := report.Period(works, report.EveryWeek, at(t, c.at).In(tallinn))
		require.NoError(t, err)
		require.True(t, p.From.Equal(at(t, c.from)), "%s: %s", c.at, p.From)
		require.True(t, p.To.Equal(at(t, c.to)), "%s: %s", c.at, p.To)
		require.Equal(t, c.hours, p.To.Sub(p.From).Hours())
	}
	_, err := report.Period(works, "minute", at(t, "2026-03-04T12:00:00+02:00"))
	require.ErrorIs(t, err, store.ErrInvalid)
	p, err := report.Period(spc.Site{}, report.EveryWeek, at(t, "2026-03-04T12:00:00Z"))
	require.NoError(t, err)
	require.Equal(t, "2026-03-02T00:00:00Z", p.From.Format(time.RFC3339), "without shifts a week begins at midnight")
}

func TestDue(t *testing.T) {
	t.Parallel()
	s := store.ReportSchedule{Every: report.EveryShift, Begins: at(t, "2026-03-28T15:00:00+02:00")}
	ends := func(last, now string) (out []string) {
		var l time.Time
		if last != "" {
			l = at(t, last)
		}
		due, err := report.Due(works, tallinn, s, l, at(t, now))
		require.NoError(t, err)
		for _, p := range due {
			out = append(out, p.To.Format("02 15:04 -07"))
		}
		return out
	}
	require.Empty(t, ends("", "2026-03-28T22:04:59+02:00"), "what is under way is waited for")
	require.Equal(t, []string{"28 22:00 +02"}, ends("", "2026-03-28T22:05:00+02:00"))
	require.Empty(t, ends("2026-03-28T22:00:00+02:00", "2026-03-29T06:04:00+03:00"), "issued once")
	// In the night of the change the shift from 22:00 to 06:00 has seven hours.
	require.Equal(t, []string{"28 22:00 +02", "29 06:00 +03"}, ends("", "2026-03-29T06:05:00+03:00"))
	require.Equal(t, []string{"29 22:00 +03", "30 06:00 +03"}, ends("2026-03-29T14:00:00+03:00", "2026-03-30T07:00:00+03:00"))
	late := ends("2026-03-29T14:00:00+03:00", "2026-05-30T07:00:00+03:00")
	require.Len(t, late, 8, "no more than eight are made up for")
	require.Equal(t, "30 06:00 +03", late[7], "the latest among them")
	require.Equal(t, "27 22:00 +03", late[0])

	next, err := report.Next(works, tallinn, s, at(t, "2026-03-28T23:00:00+02:00"))
	require.NoError(t, err)
	require.Equal(t, "2026-03-29T06:05:00+03:00", next.Format(time.RFC3339))
	week := store.ReportSchedule{Every: report.EveryWeek, Begins: s.Begins}
	next, err = report.Next(works, tallinn, week, at(t, "2026-03-28T23:00:00+02:00"))
	require.NoError(t, err)
	require.Equal(t, "Monday 06:05", next.Format("Monday 15:04"))
}
