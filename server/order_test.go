package server_test

import (
	"encoding/json"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

// history is a run of press A in which mould 2 jumps near the end; some panels never came.
func history(n int) []measurement {
	rng := rand.New(rand.NewPCG(3, 9))
	var out []measurement
	for i := range n {
		r := 1107.8 + 0.2*float64(i%3) + 0.25*rng.NormFloat64()
		if i%3 == 1 && i > n*9/10 {
			r += 2
		}
		if rng.IntN(20) == 0 {
			continue
		}
		out = append(out, panel(i, r))
	}
	return out
}

func lines(list []measurement) []string {
	out := make([]string, len(list))
	for i, m := range list {
		out[i] = m.json()
	}
	return out
}

// standing is all that the charts say: points and signals, less the ids and times that tell when something was stored.
func (s *service) standing() string {
	s.t.Helper()
	var out []any
	for _, c := range s.get("/api/v1/charts")["charts"].([]any) {
		id := c.(map[string]any)["id"].(string)
		points := s.get("/api/v1/charts/" + id + "/points?from=2026-03-01T00:00:00Z&to=2026-03-04T00:00:00Z")["points"].([]any)
		for _, p := range points {
			delete(p.(map[string]any), "measurement")
		}
		out = append(out, id, points)
	}
	signals := s.get("/api/v1/signals?limit=1000&state=open,acknowledged,closed")["signals"].([]any)
	for _, g := range signals {
		delete(g.(map[string]any), "known_at")
		delete(g.(map[string]any), "reopened")
	}
	out = append(out, signals)
	b, err := json.MarshalIndent(out, "", " ")
	require.NoError(s.t, err)
	return string(b)
}

// settled waits until the charts have taken in everything up to the last panel.
func (s *service) settled(want string) {
	s.t.Helper()
	last := ""
	s.eventually("the charts come to what they say after arrival in order", func() bool {
		last = s.standing()
		return last == want
	})
}

// What stands is a pure function of what is known: the order of arrival, the batches and restarts in between leave no trace.
func TestOrderOfArrivalLeavesNoTrace(t *testing.T) {
	t.Parallel()
	const n = 900
	all := lines(history(n))
	inOrder := start(t)
	for _, r := range inOrder.stream(all...) {
		require.Equal(t, "stored", r["status"])
	}
	var want string
	inOrder.eventually("a signal on mould 2 and a fold at rest", func() bool {
		found := len(inOrder.get("/api/v1/signals?state=open")["signals"].([]any)) > 0 // asked first: what stands then has it
		before := want
		want = inOrder.standing()
		return found && before == want
	})
	require.Contains(t, want, `"mould:2"`)
	require.Contains(t, want, "beyond upper limit")

	for seed := range uint64(2) {
		rng := rand.New(rand.NewPCG(seed, 5))
		shuffled := append([]string{}, all...)
		rng.Shuffle(len(shuffled), func(i, j int) { shuffled[i], shuffled[j] = shuffled[j], shuffled[i] })
		s := start(t)
		for len(shuffled) > 0 {
			k := min(len(shuffled), 1+rng.IntN(400))
			s.stream(shuffled[:k]...)
			if rng.IntN(3) == 0 && k < len(shuffled) {
				s.stream(shuffled[:min(k, 7)]...) // sent twice
			}
			shuffled = shuffled[k:]
			if rng.IntN(4) == 0 {
				s = run(t, s.store, s.token) // another server on the same database
			}
		}
		s.settled(want)
	}
}
