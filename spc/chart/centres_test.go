package chart_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/chart"
	"sagwatch/spc/refusal"
)

// While the press drifts upwards, mould 2 is missing from the first half: its plain mean is that of the second half,
// 4.5 too high by the drift. Without noise the additive model gives the levels back exactly.
func TestStreamCentresDrift(t *testing.T) {
	levels := []float64{10, 20, 60}
	var cycles [][]chart.StreamValue
	for j := range 18 {
		e := float64(j) - 8.5
		cycle := []chart.StreamValue{{Stream: 0, Value: 10 + e}, {Stream: 1, Value: 20 + e}}
		if j >= 9 {
			cycle = append(cycle, chart.StreamValue{Stream: 2, Value: 60 + e})
		}
		cycles = append(cycles, cycle)
	}
	got, err := chart.StreamCentres(cycles, 3)
	require.NoError(t, err)
	require.InDeltaSlice(t, levels, got, 1e-12)
}

// Sets of moulds that never share a cycle: each set's own cycles have mean effect 0.
func TestStreamCentresApart(t *testing.T) {
	got, err := chart.StreamCentres([][]chart.StreamValue{
		{{Stream: 0, Value: 10}, {Stream: 2, Value: 30}},
		{{Stream: 0, Value: 12}},
		{{Stream: 1, Value: 100}, {Stream: 3, Value: 104}},
		{},
		{{Stream: 3, Value: 106}},
	}, 4)
	require.NoError(t, err)
	// First set: c2 = c0 + 20, effects 10 - c0 and 12 - c0. Second: c3 = c1 + 4, effects 100 - c1 and 102 - c1.
	require.InDeltaSlice(t, []float64{11, 101, 31, 105}, got, 1e-12)
}

// Random gaps: at the solution the residuals of every stream add up to 0 and the cycle effects too, which are the
// least-squares conditions, whatever route led there.
func TestStreamCentresConditions(t *testing.T) {
	src := rand.New(rand.NewPCG(9, 10))
	for range 20 {
		cycles := press(src, 50, levels, 0.5, 0.3, 0.4)
		centres, err := chart.StreamCentres(cycles, len(levels))
		require.NoError(t, err)
		residuals, effects := make([]float64, len(levels)), 0.0
		for _, c := range cycles {
			pt, err := chart.Cycle(c, centres)
			require.NoError(t, err)
			effects += pt.Effect
			for _, p := range c {
				residuals[p.Stream] += p.Value - centres[p.Stream] - pt.Effect
			}
		}
		require.InDelta(t, 0, effects, 1e-9)
		for i, r := range residuals {
			require.InDelta(t, 0, r, 1e-9, "stream %d", i)
		}
	}
}

func TestStreamCentresRefusals(t *testing.T) {
	for _, c := range []struct {
		name   string
		cycles [][]chart.StreamValue
		reason refusal.Reason
		index  int
	}{
		{"stream without values", [][]chart.StreamValue{{{Stream: 0, Value: 1}}}, refusal.TooFew, 1},
		{"no cycles", nil, refusal.TooFew, 0},
		{"unknown stream", [][]chart.StreamValue{{}, {{Stream: 2, Value: 1}}}, refusal.Mismatch, 1},
		{"twice in a cycle", [][]chart.StreamValue{{{Stream: 1, Value: 1}, {Stream: 1, Value: 2}}}, refusal.Mismatch, 0},
		{"not a number", [][]chart.StreamValue{{{Stream: 1, Value: math.NaN()}}}, refusal.NonFinite, 0},
	} {
		_, err := chart.StreamCentres(c.cycles, 2)
		var refused *refusal.Error
		require.ErrorAs(t, err, &refused, c.name)
		require.Equal(t, c.reason, refused.Reason, c.name)
		require.Equal(t, c.index, refused.Index, c.name)
		require.NotContains(t, refused.Error(), "%!", c.name)
	}
}

// CycleBaseline of points worked out beforehand is Cycles.
func TestCycleBaselineIsCycles(t *testing.T) {
	cycles := press(rand.New(rand.NewPCG(11, 12)), 120, levels, 0.5, 0.3, 0.2)
	centres, err := chart.StreamCentres(cycles, len(levels))
	require.NoError(t, err)
	want, err := chart.Cycles(cycles, centres, true)
	require.NoError(t, err)
	points := make([]chart.CyclePoint, len(cycles))
	for j, c := range cycles {
		points[j], err = chart.Cycle(c, centres)
		require.NoError(t, err)
	}
	got, err := chart.CycleBaseline(points, len(levels)-1)
	require.NoError(t, err)
	require.Equal(t, want, got)

	var refused *refusal.Error
	_, err = chart.CycleBaseline(points[:1], 0)
	require.ErrorAs(t, err, &refused)
	require.Equal(t, "needs at least 2 cycles, has 1", refused.Error())
	points[3].Effect = math.Inf(1)
	_, err = chart.CycleBaseline(points, 0)
	require.ErrorAs(t, err, &refused)
	require.Equal(t, refusal.Error{Reason: refusal.NonFinite, What: "cycles", Index: 3}, *refused)
	points[2].M = 0
	_, err = chart.CycleBaseline(points, 0)
	require.ErrorAs(t, err, &refused)
	require.Equal(t, refusal.Error{Reason: refusal.TooFew, What: "panels in a cycle", Need: 1, Index: 2}, *refused)
}

func ExampleStreamCentres() {
	// Mould 2 is missing from the first cycle, which ran high.
	centres, _ := chart.StreamCentres([][]chart.StreamValue{
		{{Stream: 0, Value: 1108.0}},
		{{Stream: 0, Value: 1107.0}, {Stream: 1, Value: 1108.0}},
		{{Stream: 0, Value: 1107.2}, {Stream: 1, Value: 1108.2}},
	}, 2)
	fmt.Printf("%.1f %.1f\n", centres[0], centres[1])
	// Output: 1107.4 1108.4
}
