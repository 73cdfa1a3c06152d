package plant_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/server/plant"
)

// Plant time decides when a shift begins, also in the nights in which the clocks change. In Estonia they went forward on
// 29 March 2026 at 03:00 and back on 25 October 2026 at 04:00 (Directive 2000/84/EC: last Sundays, 01:00 UTC).
func TestShiftsOnDaysWhenTheClocksChange(t *testing.T) {
	t.Parallel()
	zone, err := time.LoadLocation("Europe/Tallinn")
	require.NoError(t, err)
	starts := []string{"06:00", "14:00", "22:00"}
	at := func(s string) time.Time {
		x, err := time.Parse(time.RFC3339, s)
		require.NoError(t, err)
		return x.In(zone)
	}
	for _, c := range []struct {
		name, at, from, to, shift string
		hours                     float64
	}{
		{"winter", "2026-03-02T05:00:00+02:00", "2026-03-01T22:00:00+02:00", "2026-03-02T06:00:00+02:00", "night shift", 8},
		{"forward", "2026-03-29T04:30:00+03:00", "2026-03-28T22:00:00+02:00", "2026-03-29T06:00:00+03:00", "night shift", 7},
		{"back, first time", "2026-10-25T03:30:00+03:00", "2026-10-24T22:00:00+03:00", "2026-10-25T06:00:00+02:00", "night shift", 9},
		{"back, second time", "2026-10-25T03:30:00+02:00", "2026-10-24T22:00:00+03:00", "2026-10-25T06:00:00+02:00", "night shift", 9},
		{"at the start", "2026-10-25T06:00:00+02:00", "2026-10-25T06:00:00+02:00", "2026-10-25T14:00:00+02:00", "early shift", 8},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := plant.ShiftAt(starts, at(c.at))
			require.True(t, s.From.Equal(at(c.from)), s.From)
			require.True(t, s.To.Equal(at(c.to)), s.To)
			require.Equal(t, c.shift, s.Name)
			require.Equal(t, c.hours, s.To.Sub(s.From).Hours())
		})
	}
}
