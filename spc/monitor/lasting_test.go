package monitor

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestLasting: for a first-order autoregression r_k = phi^k, so the sum is (1 + w phi) / (1 - w phi).
func TestLasting(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	x := make([]float64, 200000)
	for i := 1; i < len(x); i++ {
		x[i] = 0.6*x[i-1] + r.NormFloat64()
	}
	band := 2 / math.Sqrt(float64(len(x)))
	for _, w := range []float64{1, 0.9, 0.5} {
		require.InEpsilon(t, (1+w*0.6)/(1-w*0.6), lasting(x, w, band), 0.03)
	}
	for i := range x {
		x[i] = r.NormFloat64()
	}
	require.Equal(t, 1.0, lasting(x, 1, 3*band))
}
