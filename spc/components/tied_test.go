package components_test

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/components"
)

// highest is the greatest dense likelihood, by a grid of components and residual with pattern searches from its best places.
func highest(y []float64, factors [][]int, restricted bool) float64 {
	k := len(factors)
	s := 0.0
	for _, v := range y {
		s += v / float64(len(y))
	}
	var ss float64
	for _, v := range y {
		ss += (v - s) * (v - s) / float64(len(y))
	}
	grid := []float64{0, 0.02, 0.1, 0.3, 1, 3}
	at := func(v []float64) float64 {
		for i, c := range v {
			if c < 0 || i == k && c < 1e-9*ss {
				return math.Inf(-1)
			}
		}
		if l := dense(y, factors, v, restricted); !math.IsNaN(l) {
			return l
		}
		return math.Inf(-1)
	}
	type place struct {
		log float64
		v   []float64
	}
	var places []place
	for _, e := range grid[1:] {
		for n := range int(math.Pow(float64(len(grid)), float64(k))) {
			v := make([]float64, k+1)
			for i := range k {
				v[i] = grid[n%len(grid)] * ss
				n /= len(grid)
			}
			v[k] = e * ss
			places = append(places, place{at(v), v})
		}
	}
	slices.SortFunc(places, func(a, b place) int { return cmp.Compare(b.log, a.log) })
	best := math.Inf(-1)
	for _, p := range places[:3] {
		l, v := p.log, p.v
		for step := 0.3; step > 1e-4; {
			moved := false
			for i := range v {
				old := v[i]
				for _, c := range []float64{old * (1 + step), old / (1 + step), old + step*0.01*ss, 0} {
					v[i] = c
					if q := at(v); q > l+1e-10 {
						l, old, moved = q, c, true
					}
					v[i] = old
				}
			}
			if !moved {
				step /= 3
			}
		}
		best = max(best, l)
	}
	return best
}

// Tied values may leave no average information on a component where the climb begins. The maximum is at zero components:
// residual 4/9 and log likelihood -10.2726 by dense matrices (NumPy 1.24.2).
func TestTiedValuesAreFitted(t *testing.T) {
	levels := [][]int{{0, 0}, {2, 0}, {1, 1}, {0, 1}, {3, 0}, {1, 2}, {2, 1}, {3, 0}, {2, 0}, {1, 2}}
	r, err := components.FitNested(levels, []float64{1, 1, 1, 1, 0, 2, 1, 2, 1, 0}, components.Options{})
	require.NoError(t, err)
	require.True(t, r.Converged)
	require.True(t, r.Components[0].Zero && r.Components[1].Zero)
	require.InDelta(t, 4.0/9, r.Components[2].Variance, 1e-9)
	require.InDelta(t, -10.2726, r.LogLikelihood, 1e-4)
}

// No fit of small tied integers stops below the top of the dense likelihood, nor gives a standard error that is no number.
func TestTiedValuesReachTheTop(t *testing.T) {
	t.Parallel()
	tiedFits(t, 25, 1)
}

func tiedFits(t *testing.T, runs int, seed uint64) {
	fitted := 0
	for i := range runs {
		r := rand.New(rand.NewPCG(uint64(i), seed))
		n := 8 + r.IntN(6)
		la, lb, inner, y := make([]int, n), make([]int, n), make([]int, n), make([]float64, n)
		levels := make([][]int, n)
		for j := range n {
			la[j], lb[j], y[j] = r.IntN(4), r.IntN(3), float64(r.IntN(3))
			levels[j], inner[j] = []int{la[j], lb[j]}, la[j]*10+lb[j]
		}
		for _, e := range []components.Method{components.REML, components.ML} {
			check := func(res *components.Result, err error, factors [][]int) {
				t.Helper()
				if err != nil { // what data cannot tell is refused
					require.NotContains(t, err.Error(), "no maximum", "run %d", i)
					return
				}
				fitted++
				sane(t, "tied", res)
				require.GreaterOrEqual(t, res.LogLikelihood, highest(y, factors, e == components.REML)-1e-6, "run %d by %s: %v %v %v", i, e, la, lb, y)
			}
			res, err := components.FitNested(levels, y, components.Options{Estimator: e})
			check(res, err, [][]int{la, inner})
			cells, err := components.Cells(la, lb, y)
			require.NoError(t, err)
			res, err = components.FitCrossed(cells, components.Options{Estimator: e})
			check(res, err, [][]int{la, lb})
		}
	}
	require.Greater(t, fitted, runs)
}
