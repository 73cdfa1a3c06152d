package ui_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/web/ui"
)

func TestNumber(t *testing.T) {
	for _, c := range []struct {
		name     string
		x        float64
		decimals int
		want     string
	}{
		{"four digits stay together", 1107.424, 2, "1107.42"},
		{"thin space from five digits", 10824, 0, "10\u2009824"},
		{"thin spaces in millions", 3123456.7, 1, "3\u2009123\u2009456.7"},
		{"true minus", -0.98, 2, "\u22120.98"},
		{"zero has no sign", -0.001, 2, "0.00"},
		{"minus and thin space", -12345, 0, "\u221212\u2009345"},
		{"not a number", math.NaN(), 2, "none"},
		{"infinite", math.Inf(-1), 2, "none"},
		{"negative decimals are none", 12.6, -1, "13"},
	} {
		t.Run(c.name, func(t *testing.T) { require.Equal(t, c.want, ui.Number(c.x, c.decimals)) })
	}
	require.Equal(t, "+0.14", ui.Signed(.14, 2))
	require.Equal(t, "0.00", ui.Signed(.001, 2))
	require.Equal(t, "0", ui.Signed(0, 0))
	require.Equal(t, "\u2212172", ui.Signed(-172, 0))
	require.Equal(t, "1106.84\u00a0\u00b1\u00a00.10", ui.Doubted(1106.84, .1, 2))
	require.Equal(t, "172\u00a0\u00b5m", ui.WithUnit("172", "um"))
	require.Equal(t, "5", ui.WithUnit("5", ""))
	require.Equal(t, "0.32\u00a0%", ui.Percent(.00321, 2))
}

func TestDoubtDecimals(t *testing.T) {
	// Two significant figures of the doubt.
	for u, want := range map[float64]int{0.1: 2, 0.24: 2, 0.005: 4, 14: 0, 4: 1, 3000: 0, 1e-12: 6, 0: 0, -1: 0} {
		require.Equal(t, want, ui.DoubtDecimals(u), "%g", u)
	}
	require.Equal(t, 0, ui.DoubtDecimals(math.NaN()))
	require.Equal(t, 0, ui.DoubtDecimals(math.Inf(1)))
}

func TestLength(t *testing.T) {
	// 1 in = 25.4 mm exactly (ISO 80000-3): 1107.5 mm = 43.60236... in.
	require.Equal(t, "1107.50", ui.Length(1107.5, 2, ui.InMM))
	require.Equal(t, "43.6024", ui.Length(1107.5, 2, ui.InInch))
	require.Equal(t, "1.00", ui.Length(25.4, 0, ui.InInch))
	require.Equal(t, "mm", ui.LengthUnit(""))
	require.Equal(t, "in", ui.LengthUnit(ui.InInch))
}

func TestCounts(t *testing.T) {
	require.Equal(t, "one signal", ui.Plural(1, "signal", "signals"))
	require.Equal(t, "twelve signals", ui.Plural(12, "signal", "signals"))
	require.Equal(t, "13 signals", ui.Plural(13, "signal", "signals"))
	require.Equal(t, "no signals", ui.Plural(0, "signal", "signals"))
	require.Equal(t, "\u221212\u2009345", ui.Count(-12345))
	require.Equal(t, "\u22129\u2009223\u2009372\u2009036\u2009854\u2009775\u2009808", ui.Count(math.MinInt64))
}

func TestMoment(t *testing.T) {
	zone := time.FixedZone("", 2*3600)
	now := time.Date(2026, 3, 5, 13, 41, 0, 0, zone)
	for want, at := range map[string]time.Time{
		"13:40":             now.Add(-time.Minute),
		"00:00":             time.Date(2026, 3, 5, 0, 0, 0, 0, zone),
		"Wed 23:59":         time.Date(2026, 3, 4, 23, 59, 0, 0, zone),
		"Fri 13:41":         time.Date(2026, 2, 27, 13, 41, 0, 0, zone),
		"26 Feb 13:41":      time.Date(2026, 2, 26, 13, 41, 0, 0, zone),
		"31 Dec 2025 06:00": time.Date(2025, 12, 31, 6, 0, 0, 0, zone),
		"6 Mar 06:00":       time.Date(2026, 3, 6, 6, 0, 0, 0, zone),
	} {
		require.Equal(t, want, ui.Moment(at, now))
	}
	require.Equal(t, "2026-03-05 13:41", ui.ForField(now))
	require.Equal(t, "5 Mar", ui.Date(now))
	require.Equal(t, "UTC+2", ui.Offset(now))
	require.Equal(t, "UTC", ui.Offset(now.UTC()))
	require.Equal(t, "UTC\u22123:30", ui.Offset(now.In(time.FixedZone("", -3*3600-1800))))
}

func TestLasting(t *testing.T) {
	for want, d := range map[string]time.Duration{
		"less than a minute": 59 * time.Second, "one minute": time.Minute, "16 minutes": 16*time.Minute + 20*time.Second, "89 minutes": 89 * time.Minute,
		"two hours": 90 * time.Minute, "35 hours": 35 * time.Hour, "two days": 36 * time.Hour, "14 days": 14 * 24 * time.Hour,
	} {
		require.Equal(t, want, ui.Lasting(d))
	}
}
