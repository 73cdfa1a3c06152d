package changepoint_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/spc/changepoint"
	"sagwatch/spc/refusal"
)

// The distribution of the error sums to 1 and is met by simulation: likelihood walks on both sides of the change.
func TestStartErrorBySimulation(t *testing.T) {
	for _, delta := range []float64{1, 2, 3} {
		p, err := changepoint.StartError(delta, 400)
		require.NoError(t, err)
		sum := p[0]
		for _, v := range p[1:] {
			sum += 2 * v
		}
		require.InDelta(t, 1, sum, 1e-9, "delta %g", delta)
	}
	var refused *refusal.Error
	for _, c := range []struct {
		delta float64
		reach int
	}{{0.1, 5}, {math.NaN(), 5}, {1, -1}} {
		_, err := changepoint.StartError(c.delta, c.reach)
		require.ErrorAs(t, err, &refused)
		require.Equal(t, refusal.OutOfRange, refused.Reason)
	}
	src := rand.New(rand.NewPCG(5, 70))
	const runs, side, delta = 10_000, 80, 1.0
	p, err := changepoint.StartError(delta, 10)
	require.NoError(t, err)
	var count [11]float64
	for range runs {
		var best float64
		at := 0
		for _, sign := range []int{1, -1} {
			walk := 0.0
			for e := 1; e <= side; e++ {
				walk += delta*src.NormFloat64() - delta*delta/2
				if walk > best {
					best, at = walk, sign*e
				}
			}
		}
		if at >= 0 && at <= 10 {
			count[at]++
		}
	}
	for e, c := range count {
		require.InDelta(t, p[e], c/runs, 4*math.Sqrt(p[e]*(1-p[e])/runs), "error %d", e)
	}
}
