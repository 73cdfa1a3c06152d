package plant_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/server/plant"
	"sagwatch/spc"
)

func TestMasterDue(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Tallinn")
	require.NoError(t, err)
	g := &spc.Gauge{Masters: []spc.Master{{Panel: "M-2"}}, MasterEveryH: 4}
	three := []string{"06:00", "14:00", "22:00"}
	for _, c := range []struct {
		last, want string
		starts     []string
		every      float64
	}{
		{"2026-03-02 07:00", "2026-03-02 11:00", three, 4},
		{"2026-03-02 12:00", "2026-03-02 14:00", three, 4},
		{"2026-03-02 13:31", "2026-03-02 17:31", three, 4}, // for the shift that begins in half an hour
		{"2026-03-02 13:29", "2026-03-02 14:00", three, 4},
		{"2026-03-02 23:00", "2026-03-03 06:00", three, 12},
		{"2026-03-02 12:00", "2026-03-02 16:00", nil, 4},
		{"2026-03-29 01:00", "2026-03-29 06:00", three, 12}, // the night in which the clocks go forward
	} {
		g.MasterEveryH = c.every
		last, err := time.ParseInLocation("2006-01-02 15:04", c.last, zone)
		require.NoError(t, err)
		require.Equal(t, c.want, plant.MasterDue(g, last, c.starts).Format("2006-01-02 15:04"), c.last)
	}
	require.True(t, plant.MasterDue(g, time.Time{}, three).IsZero())
	require.True(t, plant.MasterDue(&spc.Gauge{MasterEveryH: 4}, time.Now(), three).IsZero())
}
