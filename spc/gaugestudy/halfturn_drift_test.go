package gaugestudy_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/gaugestudy"
	"sagwatch/spc/internal/ref"
)

// Against R's least squares in the same model with a variable for every part (COMPUTED, testdata/reference/gauge/half_turn.json): three
// panels read straight first, two turned first, a gauge that drifts from the first reading to the second.
func TestHalfTurnWithDriftAgainstLeastSquares(t *testing.T) {
	var want struct {
		Places      [][2]float64
		TurnedFirst []bool `json:"turned_first"`
		Straight    [][]float64
		Turned      [][]float64
		Gauge       []float64 `json:"gauge_odd"`
		Glass       []float64 `json:"glass_odd"`
		Drift       []float64
		Sigma, DF   float64
		F           float64 `json:"f_drift"`
		DFDrift     float64 `json:"df_drift"`
		P           float64 `json:"p_drift"`
	}
	ref.JSON(t, &want, "gauge", "half_turn.json")
	var panels []gaugestudy.Turned
	for q := range want.Straight {
		panels = append(panels, gaugestudy.Turned{Straight: want.Straight[q], Turned: want.Turned[q], TurnedFirst: want.TurnedFirst[q]})
	}
	got, err := gaugestudy.HalfTurn(want.Places, panels, gaugestudy.HalfTurnOptions{Remove: gaugestudy.RemoveNothing})
	require.NoError(t, err)
	require.True(t, got.Balanced)
	for i, p := range got.Places {
		ref.Absolute(t, want.Gauge[i], p.Gauge, 1e-12, "gauge")
		ref.Absolute(t, want.Glass[i], p.Glass, 1e-12, "glass")
		ref.Absolute(t, want.Drift[i], p.Drift, 1e-12, "drift")
	}
	ref.Relative(t, want.Sigma, got.Sigma, 1e-11, "sigma")
	require.Equal(t, want.DF, got.DF)
	require.Equal(t, want.DFDrift, got.DFDrift)
	ref.Relative(t, want.F, got.FDrift, 1e-10, "F of no drift")
	ref.Relative(t, want.P, got.PDrift, 1e-9, "p of no drift")
}

// A drift between the two readings is taken for glass where every panel was read in the same order, and for nothing where the order was
// balanced; tests of no drift and of no glass keep their level.
func TestHalfTurnDriftIsNoGlass(t *testing.T) {
	places := grid()
	r := rand.New(rand.NewPCG(7, 7))
	drift := make([]float64, len(places))
	for i, p := range places {
		drift[i] = 2e-6*p[0]*p[0]*p[0] + 1e-4*p[1]*p[1]
	}
	flat := func(int, float64, float64) float64 { return 0 }
	study := func(k int, balanced bool, noise, much float64) []gaugestudy.Turned {
		panels := readings(r, places, flat, make([]float64, 48), k, noise)
		for q := range panels {
			p := &panels[q]
			second := p.Turned
			if p.TurnedFirst = balanced && q%2 == 1; p.TurnedFirst {
				second = p.Straight
			}
			for i := range second {
				second[i] += much * drift[i]
			}
		}
		return panels
	}
	same, err := gaugestudy.HalfTurn(places, study(4, false, 0.1, 1), gaugestudy.HalfTurnOptions{})
	require.NoError(t, err)
	require.False(t, same.Balanced)
	require.Less(t, same.PGlass, 1e-6, "the drift passes for glass")
	require.Less(t, same.PDrift, 1e-6, "what of it is alike at both places is told")
	require.NotEmpty(t, same.Warnings)
	both, err := gaugestudy.HalfTurn(places, study(4, true, 0.1, 1), gaugestudy.HalfTurnOptions{})
	require.NoError(t, err)
	require.Greater(t, both.PGlass, 1e-4)
	require.Less(t, both.PDrift, 1e-6)
	require.InDelta(t, 0.1, both.Sigma, 0.02)
	require.InDelta(t, 0, both.GlassRMS, 0.05)
	require.Greater(t, both.DriftRMS, 0.5)

	const n, alpha = 600, 0.1
	for _, k := range []int{4, 5} {
		falseDrift, falseGlass, sigma := 0, 0, 0.0
		for range n {
			g, err := gaugestudy.HalfTurn(places, study(k, true, 2, 0), gaugestudy.HalfTurnOptions{})
			require.NoError(t, err)
			if g.PDrift < alpha {
				falseDrift++
			}
			g, err = gaugestudy.HalfTurn(places, study(k, true, 2, 1), gaugestudy.HalfTurnOptions{})
			require.NoError(t, err)
			if g.PGlass < alpha {
				falseGlass++
			}
			sigma += g.Sigma * g.Sigma / n
		}
		covers(t, "no drift", n-falseDrift, n, 1-alpha)
		covers(t, "no glass beside a drift", n-falseGlass, n, 1-alpha)
		require.InDelta(t, 4, sigma, 0.15)
	}
	one, err := gaugestudy.HalfTurn(places, study(1, false, 1, 1), gaugestudy.HalfTurnOptions{})
	require.NoError(t, err)
	require.Equal(t, 1.0, one.PDrift)
	shape, err := gaugestudy.HalfTurnShape(places, study(6, true, 0.01, 1))
	require.NoError(t, err)
	for _, term := range shape.Terms {
		for _, g := range term.Glass {
			require.Less(t, math.Abs(g), 0.05, term.Term)
		}
	}
	require.Greater(t, math.Abs(shape.Terms[2].Drift)+math.Abs(shape.Terms[0].Drift), 1.0)
}
