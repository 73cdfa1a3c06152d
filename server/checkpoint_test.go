package server_test

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// longRun is four days of a slow press: more than one checkpoint, and more than pages keep at hand.
func longRun(n int) []string {
	rng := rand.New(rand.NewPCG(11, 4))
	out := make([]string, 0, n)
	for i := range n {
		r := 1107.8 + 0.2*float64(i%3) + 0.25*rng.NormFloat64()
		if i%3 == 0 && i > n/2 && i < n/2+300 {
			r += 1.6
		}
		at := origin.Add(time.Duration(i) * time.Minute)
		out = append(out, panel(i, r).with("cycle", i/3).with("pressed_at", at.Format(time.RFC3339)).with("measured_at", at.Add(time.Hour).Format(time.RFC3339)).json())
	}
	return out
}

// early is what charts say of two hours behind the first checkpoint, out of sight of the live pages.
func (s *service) early() string {
	s.t.Helper()
	out := map[string]any{}
	for _, chart := range []string{"A-radius", "A.P25.radius_mm.cycle-mean", "A.P25.radius_mm.cycle-spread"} {
		points := s.get("/api/v1/charts/" + chart + "/points?from=2026-03-05T04:00:00Z&to=2026-03-05T06:00:00Z")["points"].([]any)
		for _, p := range points {
			delete(p.(map[string]any), "measurement")
		}
		out[chart] = points
	}
	b, err := json.MarshalIndent(out, "", " ")
	require.NoError(s.t, err)
	return string(b)
}

// Old points come from a checkpoint, late panels fold the tail again from one; neither makes a difference to what is said.
func TestCheckpointsChangeNothing(t *testing.T) {
	t.Parallel()
	const n = 6500
	all := longRun(n)
	late := 4230 // pressed in those two hours; it comes last
	whole, tail := start(t), start(t)
	whole.stream(all...)
	tail.stream(append(append([]string{}, all[:late]...), all[late+1:]...)...)
	folded := func(s *service) bool { // up to the last panel
		for _, c := range s.get("/api/v1/charts")["charts"].([]any) {
			for _, st := range c.(map[string]any)["streams"].([]any) {
				if st.(map[string]any)["last"].(map[string]any)["panel"] == fmt.Sprintf("A-%07d", n-1) {
					return true
				}
			}
		}
		return false
	}
	whole.eventually("all is folded", func() bool { return folded(whole) })
	tail.eventually("all but one is folded", func() bool { return folded(tail) })
	want := whole.early()
	require.Contains(t, want, `"upper"`)
	require.False(t, want == tail.early(), "the missing panel is seen")

	restarted := run(t, tail.store, tail.token)
	restarted.eventually("a new server is where the old one was", func() bool { return folded(restarted) })
	require.True(t, tail.early() == restarted.early(), "the same points after a restart")

	require.Equal(t, "stored", restarted.stream(all[late])[0]["status"])
	for _, s := range []*service{restarted, tail} {
		s.eventually("the late panel takes its place", func() bool { return s.early() == want })
	}
	signals := func(s *service) string {
		list := s.get("/api/v1/signals?limit=1000&state=open,acknowledged,closed")["signals"].([]any)
		for _, g := range list {
			delete(g.(map[string]any), "known_at")
			delete(g.(map[string]any), "reopened")
		}
		return fmt.Sprint(list)
	}
	require.Contains(t, signals(whole), "mould:1")
	restarted.eventually("the same signals", func() bool { return signals(restarted) == signals(whole) })
}
