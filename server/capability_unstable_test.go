package server_test

import (
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// A mould that is shifted for hours stands as signals against limits in force: the page says at the top that the press was not
// stable, and calls its figures performance only.
func TestCapabilityOfAnUnstableProcess(t *testing.T) {
	t.Parallel()
	s := start(t)
	var lines []string
	const n = 540 // nine hours, a panel a minute
	for i := range n {
		radius := 1107.5 + 0.3*float64(i*7%13-6)/6 // never beyond limits from its own spread
		if i%3 == 1 && i >= 240 && i < 420 {       // mould 2, three hours
			radius += 2
		}
		at := origin.Add(time.Duration(i) * time.Minute)
		lines = append(lines, panel(i, radius).with("pressed_at", at.Format(time.RFC3339)).with("measured_at", at.Add(90*time.Minute).Format(time.RFC3339)).json())
	}
	s.stream(lines...)
	engineer := s.browser("okafor")
	q := url.Values{"press": {"A"}, "product": {"P25"}, "characteristic": {"radius_mm"}, "from": {"2026-03-02 00:00"}, "to": {"2026-03-03 00:00"}}
	var body string
	s.eventually("the charts have taken the panels in", func() bool {
		_, body = s.page(engineer, "/capability?"+q.Encode())
		return !strings.Contains(body, "have not taken in all panels") && strings.Contains(body, "press A was not stable")
	})
	head, _, _ := strings.Cut(body, "<form")
	require.Contains(t, head, "Performance only, for press A was not stable: ")
	require.Contains(t, head, "It describes the period and predicts nothing.")
	require.Contains(t, head, " points or more) stood in the period where chance alone makes about")
	got := s.get("/api/v1/capability?press=A&product=P25&characteristic=radius_mm&from=2026-03-02T00:00:00Z&to=2026-03-03T00:00:00Z")
	require.Contains(t, got["statement"], "Performance only, for press A was not stable")
	first := got["characteristics"].([]any)[0].(map[string]any)
	require.Equal(t, false, first["stable"])
	require.Equal(t, false, first["supported"])
	// A period that begins in the middle of the shift knows the signal that lasts into it.
	got = s.get("/api/v1/capability?press=A&product=P25&characteristic=radius_mm&from=" + origin.Add(5*time.Hour).Format(time.RFC3339) + "&to=2026-03-03T00:00:00Z")
	require.Contains(t, got["statement"], "Performance only, for press A was not stable")
	// Before the shift the same press was stable, by the same charts.
	got = s.get("/api/v1/capability?press=A&product=P25&characteristic=radius_mm&from=2026-03-02T00:00:00Z&to=" + origin.Add(4*time.Hour).Format(time.RFC3339))
	require.Equal(t, true, got["characteristics"].([]any)[0].(map[string]any)["stable"], got["statement"])
}
